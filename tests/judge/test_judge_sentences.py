"""What the judge says to people, word for word and figure for figure, beside its code: ``judge_sentences.txt``.

The file is for reading: every sentence, figure, part and caution that the cases below bring out. A change of wording,
of a figure or of a remedy shows in its diff. After a wanted change write it anew and read the difference:

    python -m tests.judge.test_judge_sentences
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from audit.judge.evidence import CameraEvidence, Comparison, Exchange
from audit.judge.finding import Finding, Remedy, Verdict
from audit.judge.findings import judge_camera
from audit.judge.intended import intended_pose
from audit.lens import Lens
from audit.match.placement import Placement
from audit.measure.measurement import Clarity, Sky, ViewChange
from audit.plan.model import Camera, Target
from tests.judge_samples import LIMITS, SITE, evidence, good_pair, mast, snapshot

FILE = Path(__file__).with_name("judge_sentences.txt")
STILL = ViewChange(0.99, 0.1, 0.1, -0.1, 0.1, 0.0, 0.1, 0.98, 0.04, 0.95, 0.02, 0.01, 0.03, "clear")
YARD = Camera(
    "Y-1",
    0,
    0,
    3,
    0,
    -20,
    Lens(1920, 1080, 56),
    form="bullet",
    surface="wall",
    setting="outdoor",
    targets=(
        Target("step", 0, 4.4, 0.0, 125.0, "recognise"),
        Target("gate", 0, 12, 1.6, 100.0),
        Target("lane", 1, 9, 1.0),
        Target("shed", -1, 10, 1.0, 60.0),
    ),
)


def tipped(name: str, by: float, **more: object) -> tuple[Camera, CameraEvidence]:
    camera = SITE.camera(name)
    return camera, evidence(camera, *good_pair(camera, pitch=intended_pose(camera).pitch_deg + by, **more))


def rolled(name: str, by: float) -> tuple[Camera, CameraEvidence]:
    camera = SITE.camera(name)
    return camera, evidence(camera, *good_pair(camera, roll=by))


def seen(name: str, **more: object) -> tuple[Camera, CameraEvidence]:
    camera = SITE.camera(name)
    return camera, evidence(camera, *good_pair(camera, **more))


def compared(name: str, *changes: ViewChange, night: bool = False, **more: object) -> tuple[Camera, CameraEvidence]:
    camera = SITE.camera(name)
    lights = (night, not night)
    comparisons = tuple(
        Comparison(f"ref{n}.jpg", "night.jpg" if lights[n] else "day.jpg", lights[n], change)
        for n, change in enumerate(changes)
    )
    return camera, evidence(camera, *good_pair(camera), comparisons=comparisons, **more)


def yard(pitch: float, roll: float = 0.0, sd: float = 0.3, camera: Camera = YARD) -> tuple[Camera, CameraEvidence]:
    return camera, evidence(camera, snapshot(camera, pitch, roll, sd, sky=0.02))


def crew(camera: Camera, *roles: str, **more: object) -> CameraEvidence:
    placements = tuple(
        Placement(f"{n}.jpg", camera.camera, 0.99, "placed", str(n), role=role)  # type: ignore[arg-type]
        for n, role in enumerate(roles)
    )
    return evidence(camera, *good_pair(camera), placements=placements, **more)


def cases() -> Iterator[tuple[str, Camera, CameraEvidence]]:
    """Each a name, a camera, and what was seen of it."""
    for camera in SITE.cameras:
        yield "as planned", camera, evidence(camera, *good_pair(camera))
    for name in ("TH-01", "TH-02", "TH-05", "TH-09", "TH-13", "TH-17", "TH-18", "TH-23"):
        yield "tipped up", *tipped(name, 8.0)
        yield "tipped down", *tipped(name, -7.0)
    for name in ("TH-01", "TH-11", "TH-18"):
        yield "rolled", *rolled(name, 6.0)
        yield "rolled back", *rolled(name, -4.0)
    yield "hardly off", *tipped("TH-18", 4.4, sd=0.5)
    yield "vague", *tipped("TH-18", 2.0, sd=4.0)
    yield "vague and far off", *tipped("TH-18", 9.0, sd=4.0)
    yield "tipped into the sky", *tipped("TH-18", 40.0, sky=0.8)
    yield "the tilt part left out", *tipped("TH-17", 24.0, sky=0.5)
    yield "far too much sky, no pose", *seen("TH-17", pitch=None, sky=0.47)
    yield "far too much sky, no pose", *seen("TH-18", pitch=None, sky=0.5)
    yield "sky that the pose can't show", *seen("TH-18", sky=0.4)
    camera, (day, night) = SITE.camera("TH-01"), good_pair(SITE.camera("TH-01"))
    vague = replace(day, measured=replace(day.measured, sky=Sky(0.8, 0.48, None)))
    yield "a sky that may be anything", camera, evidence(camera, vague, night)
    unsaid = replace(day, measured=replace(day.measured, sky=Sky(None, None, None)))
    yield "no sky and no reason", camera, evidence(camera, unsaid, night)
    small = replace(day, width_px=640, height_px=360)
    yield "another stream", camera, evidence(camera, small, night)
    yield "no day picture", camera, evidence(camera, night)
    yield "no night picture", camera, evidence(camera, day)
    yield "nothing", camera, CameraEvidence()
    for turned in (-25.0, 25.0, 4.0):
        pair = good_pair(camera)
        yield f"panned by {turned:g}", camera, evidence(camera, *pair, pointed=mast(camera, *pair, turned_deg=turned))
    yield "pan not shown", camera, evidence(camera, *good_pair(camera), pointed=())
    absent = tuple(replace(p, at_px=None) for p in mast(camera, *good_pair(camera)))
    yield "mast not in the picture", camera, evidence(camera, *good_pair(camera), pointed=absent)
    outside = tuple(replace(p, at_px=(9999.0, 1.0)) for p in mast(camera, *good_pair(camera)))
    yield "an impossible click", camera, evidence(camera, *good_pair(camera), pointed=outside)
    yield "nothing but unsure photos", camera, CameraEvidence(uncertain=2)
    yield "the crew's photos alone", camera, replace(crew(camera, "label"), snapshots=(), uncertain=1)
    yield "no label", camera, crew(camera, "snapshot", "wide view", "bracket")
    yield "nothing of the crew's", camera, crew(camera, "snapshot")
    yield "photos of unknown role", camera, crew(camera, "snapshot", "label", "unknown", "unknown")
    yield "one photo of unknown role", camera, crew(camera, "snapshot", "label", "wide view", "unknown")
    bare = replace(camera, mount=replace(camera.mount, parts=()))
    yield "no mount in the plan", bare, crew(bare, "snapshot", "label", "wide view", "bracket")
    yield "maintenance", camera, crew(camera, "snapshot", maintenance=True)
    for certain in (True, False):
        exchange = Exchange(("TH-07", "TH-08"), ("Serial of TH-08.",), certain, 0.99 if certain else 0.8)
        camera7 = SITE.camera("TH-07")
        yield "swapped", camera7, evidence(camera7, *good_pair(camera7), exchange=exchange)
    for cause, probability in (
        ("haze", 0.9), ("spots", 0.6), ("cobweb", 0.5), ("infrared reflection", 0.8), ("blocked", 0.97), ("defocus", 0.7),
        ("unknown", 0.55), ("haze", 0.49),
    ):  # fmt: skip
        yield f"{cause} by day", *seen("TH-18", clarity=Clarity(probability, cause, None, 0.9))
    for name in ("TH-02", "TH-09", "TH-18", "TH-23"):
        camera, (day, night) = SITE.camera(name), good_pair(SITE.camera(name))
        glow = replace(night.measured.clarity, dirt_probability=0.9, cause="infrared reflection")
        night = replace(night, measured=replace(night.measured, clarity=glow))
        yield "infrared reflection by night", camera, evidence(camera, day, night)
    yield "soft", *seen("TH-24", clarity=Clarity(0.3, "clear", None, 0.54))
    yield "as sharp as asked", *seen("TH-24", clarity=Clarity(0.3, "clear", None, 0.7))
    yield "soft and spoilt", *seen("TH-24", clarity=Clarity(0.3, "haze", None, 0.54))
    yield "glass not measured", *seen("TH-24", clarity=Clarity(None, "unknown", "too dark.", None))
    yield "glass not measured, no reason", *seen("TH-24", clarity=Clarity(None, "unknown", None, None))
    camera = SITE.camera("TH-22")
    foggy = good_pair(camera, clarity=Clarity(0.9, "haze", None, 0.9))
    yield "fog, clear over the day", camera, evidence(camera, *foggy, series=Clarity(0.02, "clear", None, 0.9))
    yield "spoilt over the day", camera, evidence(camera, *good_pair(camera), series=Clarity(0.8, "spots", None, 0.9))
    yield "series not measured", camera, evidence(camera, *foggy, series=Clarity(None, "unknown", "movement", None))
    yield "still", *compared("TH-16", STILL)
    for turn, tip, roll in (
        (4.0, 2.0, 0.0), (-4.0, -2.0, 0.0), (0.2, 3.0, 0.0), (0.9, -0.9, 0.4), (0.1, 0.1, 4.0), (0.1, 0.2, -5.0),
        (1.0, 0.0, 0.0), (40.0, -1.0, 4.0), (0.0, 16.0, 0.0), (0.0, -16.0, 0.0), (0.0, 0.0, 50.0),
    ):  # fmt: skip
        change = replace(STILL, pan_change_deg=turn, pitch_change_deg=tip, roll_change_deg=roll)
        for name in ("TH-16", "TH-18", "TH-14"):
            yield f"moved {turn:g} {tip:g} {roll:g}", *compared(name, change)
    rough = {"pan_change_sd_deg": 0.3, "pitch_change_sd_deg": 0.6, "roll_change_sd_deg": 0.9}
    yield "moved, roughly", *compared("TH-18", replace(STILL, pan_change_deg=2.0, pitch_change_deg=-2.5, **rough))
    vague = {"pan_change_sd_deg": 1.5, "pitch_change_sd_deg": 1.5}
    yield "moved, vaguely", *compared("TH-18", replace(STILL, pan_change_deg=0.4, **vague))
    yield "moved, no sds", *compared("TH-18", ViewChange(0.9, 3.0, None, 0.5))
    yield "turn alone known", *compared("TH-18", ViewChange(0.9, 3.0, 0.1))
    yield "not compared", *compared("TH-18", ViewChange(None, note="too dark."))
    yield "not compared, no reason", *compared("TH-18", ViewChange(None))
    yield "another scene", *compared("TH-18", ViewChange(0.1))
    yield "hardly another scene", *compared("TH-18", ViewChange(0.5))
    yield "another scene by day, the view by night", *compared("TH-18", ViewChange(0.1), STILL)
    yield "another scene by night, the view by day", *compared("TH-18", ViewChange(0.2), STILL, night=True)
    for share in (0.11, 0.12, 0.33):
        hidden = replace(STILL, blocked_fraction=share, dirt_cause="blocked", dirt_probability=0.9)
        yield f"{share:.0%} hidden", *compared("TH-20", hidden)
    for cause in ("haze", "spots", "cobweb", "infrared reflection", "defocus", "unknown"):
        for probability in (0.98, 0.95, 0.5, 0.49):
            dirty = replace(STILL, dirt_cause=cause, dirt_probability=probability, contrast_ratio=0.6, soiled_fraction=0.3,
                            sharpness_ratio=0.5 if cause == "defocus" else 0.95)
            yield f"{cause} {probability:.0%} against the reference", *compared("TH-18", dirty)
    certain = replace(STILL, dirt_cause="spots", dirt_probability=0.98)
    yield "spots that cost nothing", *compared("TH-18", certain)
    yield "spots that cost area", *compared("TH-18", replace(certain, soiled_fraction=0.1))
    yield "softer than must be", *compared("TH-18", replace(STILL, sharpness_ratio=0.59))
    yield "as sharp as must be", *compared("TH-18", replace(STILL, sharpness_ratio=0.6))
    yield "zoomed in", *compared("TH-18", replace(STILL, zoom_ratio=1.12, zoom_ratio_sd=0.01))
    yield "zoomed out a little", *compared("TH-18", replace(STILL, zoom_ratio=0.97, zoom_ratio_sd=0.01))
    yield "too little to see, soft", *compared("TH-18", ViewChange(None, note="fog", dirt_probability=0.99,
                                                                    dirt_cause="defocus", sharpness_ratio=0.3))
    none = {"contrast_ratio": None, "contrast_ratio_sd": None, "sharpness_ratio": None, "soiled_fraction": None}
    yield "nothing but the probability", *compared("TH-18", replace(certain, **none))
    yield "glow by night", *compared("TH-09", replace(certain, dirt_cause="infrared reflection", contrast_ratio=0.6), night=True)
    doubtful = replace(STILL, dirt_cause="cobweb", dirt_probability=0.7, contrast_ratio=0.5)
    yield "doubtful by day, clear by night", *compared("TH-18", doubtful, STILL)
    yield "doubtful by night, clear by day", *compared("TH-18", doubtful, STILL, night=True)
    yield "doubtful by day and by night", *compared("TH-18", doubtful, doubtful)
    yield "soft by day, clear by night", *compared("TH-18", replace(doubtful, dirt_cause="defocus"), STILL)
    yield "doubtful by day, night not compared", *compared("TH-18", doubtful, ViewChange(None))
    yield "targets held", *yard(-20)
    for pitch in (-14.0, -16.5, -25.0, -40.0, 10.0):
        yield f"targets at {pitch:g}", *yard(pitch)
    yield "targets under a vague pose", *yard(-18, sd=5.0)
    yield "targets rolled away", *yard(-20, roll=35.0)
    coarse = replace(YARD, targets=(Target("plate", 0, 12, 1.6, 171.0),))
    yield "a target that is just fine enough", *yard(-20, camera=coarse)
    fields = replace(YARD, targets=(Target("behind", 0, -5, 1.0, 100.0),))
    yield "a target that the plan misses", *yard(-20, camera=fields)
    ptz = replace(YARD, form="ptz", night="infrared", surface="pole", height_m=6.0)
    yield "a moving camera on a mast", *yard(-12, roll=5.0, camera=ptz)
    low = replace(YARD, height_m=1.7, setting="indoor", form="dome", surface="tile ceiling")
    yield "in reach, indoors", *yard(-12, roll=5.0, camera=low)
    nameless = replace(YARD, form=None, surface=None)
    yield "no form in the plan", *yard(-12, roll=5.0, camera=nameless)


def figures(finding: Finding) -> str:
    def number(value: float | None) -> str:
        return "none" if value is None else f"{value:.4g}"

    return (
        f"measured {number(finding.measured)} sd {number(finding.measured_sd)} planned {number(finding.planned)} "
        f"limit {number(finding.limit)} {finding.unit}, bad {number(finding.probability_bad)}, photo {finding.photo}, "
        f"pair {finding.pair}, {finding.evidence}"
    )


def said(remedy: Remedy | None) -> str:
    if remedy is None:
        return "no remedy"
    turns = " ".join(
        "none" if turn is None else f"{turn + 0.0:.3g}"
        for turn in (remedy.turn_deg, remedy.tip_deg, remedy.roll_deg, remedy.sd_deg)
    )
    cautions = ", ".join(caution.split(":")[0].split()[0] for caution in remedy.cautions)
    return f"{remedy.action} | {remedy.field_check} | bring {remedy.parts} | care {cautions} | turns {turns}"


def lines(case: str, verdict: Verdict, known: set[str]) -> Iterator[str]:
    """What is new in a verdict, so that the file stays short enough to be read."""
    yield f"[{case}] {verdict.camera}: {verdict.state}: {', '.join(f'{f.check} {f.state}' for f in verdict.findings)}"
    for finding in verdict.findings:
        line = f"  {finding.check} {finding.state}: {finding.why}\n    {figures(finding)}\n    {said(finding.remedy)}"
        if line not in known:
            known.add(line)
            yield line


def sentences() -> str:
    known: set[str] = set()
    text: list[str] = []
    for case, camera, given in cases():
        text += lines(case, judge_camera(camera, given, LIMITS), known)
    return "\n".join(text) + "\n"


def test_every_sentence_figure_and_remedy_is_as_it_was_read() -> None:
    known = FILE.read_text(encoding="utf-8").splitlines()
    assert sentences().splitlines() == known, "after a wanted change: python -m tests.judge.test_judge_sentences"


@pytest.mark.parametrize(("case", "camera", "given"), [*cases()], ids=lambda v: v if isinstance(v, str) else "")
def test_every_finding_holds_what_a_reader_needs(case: str, camera: Camera, given: CameraEvidence) -> None:
    """States follow from the probabilities, figures have units, and whoever must act is told how and with what care."""
    verdict = judge_camera(camera, given, LIMITS)
    for finding in verdict.findings:
        assert finding.camera == camera.camera
        assert finding.why.endswith(".") and finding.why[0].isupper() | (finding.why[0] == "'") | finding.why[0].isdigit()
        if finding.measured is not None:
            assert finding.unit is not None and finding.photo is not None
        if finding.state == "defect":
            assert finding.remedy is not None
            assert finding.probability_bad is not None and finding.probability_bad >= LIMITS.defect_at_least
        if finding.check in ("aim", "level", "movement") and finding.state == "as planned":
            assert finding.probability_bad is not None and finding.probability_bad <= LIMITS.as_planned_at_most
        if finding.remedy is not None and finding.check != "stream" and finding.pair is None:
            high = any("height" in caution for caution in finding.remedy.cautions)
            assert high == (camera.height_m > 1.8)
            emitters = any("Infrared emitters" in caution for caution in finding.remedy.cautions)
            assert emitters == (camera.night == "infrared")


if __name__ == "__main__":
    FILE.write_text(sentences(), encoding="utf-8")
