"""Today against the signed reference: what happens at a limit itself, and what each finding says of its own figures."""

from __future__ import annotations

from dataclasses import replace

import pytest
from scipy.stats import norm

from audit.judge.evidence import Comparison
from audit.judge.finding import Finding, Verdict
from audit.measure.measurement import ViewChange
from tests.judge_samples import LIMITS, SITE, good_pair, judged, only

STILL = ViewChange(0.99, 0.0, 0.1, 0.0, 0.1, 0.0, 0.1, dirt_probability=0.02, dirt_cause="clear")
HIDDEN, GLASS, FOCUS = LIMITS.obstruction.blocked_fraction, LIMITS.cleanliness, LIMITS.focus.sharpness_ratio


def compared(change: ViewChange, *others: Comparison, **day: object) -> Verdict:
    mine = Comparison("ref.jpg", "day.jpg", False, change)
    return judged("TH-18", *good_pair(SITE.camera("TH-18"), **day), comparisons=(mine, *others))


def of(verdict: Verdict, check: str) -> Finding:
    """A check's finding that speaks of the reference."""
    return next(f for f in verdict.findings if f.check == check and f.evidence.get("reference"))


@pytest.mark.parametrize(
    ("change", "check", "state"),
    [
        # as much hidden as the limit allows is already too much; a hair less is not
        (replace(STILL, blocked_fraction=HIDDEN), "obstruction", "to check"),
        (replace(STILL, blocked_fraction=HIDDEN - 1e-6), "obstruction", "as planned"),
        (replace(STILL, blocked_fraction=0.0), "obstruction", "as planned"),
        # edges as wide as the limit allows pass
        (replace(STILL, sharpness_ratio=FOCUS), "focus", "as planned"),
        (replace(STILL, sharpness_ratio=FOCUS - 1e-6), "focus", "to check"),
        # the network alone: from the probability on from which a person looks, and never a defect without soft edges
        (replace(STILL, sharpness_ratio=1.0, dirt_probability=GLASS.reference_look, dirt_cause="defocus"), "focus", "to check"),
        (replace(STILL, sharpness_ratio=1.0, dirt_probability=GLASS.reference_look - 1e-6, dirt_cause="defocus"), "focus", "as planned"),
        (replace(STILL, sharpness_ratio=1.0, dirt_probability=1.0, dirt_cause="defocus"), "focus", "to check"),
        (replace(STILL, sharpness_ratio=0.3, dirt_probability=LIMITS.defect_at_least, dirt_cause="defocus"), "focus", "defect"),
        (replace(STILL, sharpness_ratio=0.3, dirt_probability=LIMITS.defect_at_least - 1e-6, dirt_cause="defocus"), "focus", "to check"),
        # dirt: looked at from the probability on, a defect where it is certain and takes area, or contrast where the area isn't known
        (replace(STILL, dirt_probability=GLASS.reference_look, dirt_cause="haze"), "cleanliness", "to check"),
        (replace(STILL, dirt_probability=GLASS.reference_look - 1e-6, dirt_cause="haze"), "cleanliness", "as planned"),
        (replace(STILL, dirt_probability=0.99, dirt_cause="haze", soiled_fraction=GLASS.soiled_fraction), "cleanliness", "defect"),
        (replace(STILL, dirt_probability=0.99, dirt_cause="haze", soiled_fraction=GLASS.soiled_fraction - 1e-6), "cleanliness", "to check"),
        (replace(STILL, dirt_probability=0.99, dirt_cause="haze", contrast_ratio=GLASS.contrast_ratio), "cleanliness", "to check"),
        (replace(STILL, dirt_probability=0.99, dirt_cause="haze", contrast_ratio=GLASS.contrast_ratio - 1e-6), "cleanliness", "defect"),
        (replace(STILL, dirt_probability=0.99, dirt_cause="haze", soiled_fraction=0.0, contrast_ratio=0.1), "cleanliness", "to check"),
        (replace(STILL, dirt_probability=LIMITS.defect_at_least, dirt_cause="haze", soiled_fraction=0.5), "cleanliness", "defect"),
        (replace(STILL, dirt_probability=LIMITS.defect_at_least - 1e-6, dirt_cause="haze", soiled_fraction=0.5), "cleanliness", "to check"),
    ],
)  # fmt: skip
def test_at_the_limit_itself(change: ViewChange, check: str, state: str) -> None:
    found = of(compared(change), check)
    assert found.state == state
    assert (found.remedy is None) == (state == "as planned"), "who is sent is told what to do, and nobody else is"


def test_only_a_glass_that_is_clear_by_the_other_light_clears_a_doubtful_one() -> None:
    doubtful = replace(STILL, dirt_probability=0.7, dirt_cause="haze", soiled_fraction=0.3, contrast_ratio=0.6)
    for by_night, state in ((GLASS.other_light_clear, "as planned"), (GLASS.other_light_clear + 1e-6, "to check"), (None, "to check")):
        night = Comparison("n.jpg", "night.jpg", True, replace(STILL, dirt_probability=by_night))
        found = of(compared(doubtful, night), "cleanliness")
        assert found.state == state
        assert ("by night the same glass" in found.why) == (state == "as planned")
        assert found.measured == (0.0 if state == "as planned" else 0.3), "what was cleared is no share behind dirt"
        assert ("30% of the picture affected, contrast 60%" in found.why) == (state != "as planned")


def test_each_finding_is_held_against_the_figure_of_an_unchanged_view() -> None:
    """Nothing moved, nothing hidden, nothing soiled, as sharp as then; what is shown as measured is what was measured."""
    change = ViewChange(
        0.99, 3.0, 0.2, -4.0, 0.3, 0.0, 0.1, contrast_ratio=0.5, blocked_fraction=0.3, sharpness_ratio=0.4, soiled_fraction=0.25,
        dirt_probability=0.99, dirt_cause="haze", blocked_fraction_sd=0.02, soiled_fraction_sd=0.03,
    )  # fmt: skip
    verdict = compared(change)
    said = {c: of(verdict, c) for c in ("movement", "obstruction", "focus", "cleanliness")}
    assert {c: (f.planned, f.measured, f.measured_sd) for c, f in said.items()} == {
        "movement": (0.0, 4.0, 0.3),  # the larger of both ways with its own sd
        "obstruction": (0.0, 0.3, 0.02),
        "focus": (1.0, 0.4, None),
        "cleanliness": (0.0, 0.25, 0.03),
    }
    assert "2.5 times as wide" in said["focus"].why, "an edge that keeps 0.4 of its sharpness is 1 / 0.4 as wide"


@pytest.mark.parametrize(("ratio", "word"), [(1.2, "Zoomed in by 20%"), (0.8, "Zoomed out by 20%")])
def test_a_zoom_is_told_both_ways(ratio: float, word: str) -> None:
    found = of(compared(replace(STILL, zoom_ratio=ratio, zoom_ratio_sd=0.01)), "movement")
    assert found.state == "to check" and word in found.why and found.remedy is not None
    assert found.measured == pytest.approx(ratio - 1.0) and found.planned == 0.0 and found.limit == LIMITS.movement.zoom_fraction


@pytest.mark.parametrize(
    ("beyond", "sd", "asked"),
    [(1.9, 0.01, True), (0.0, 0.01, True), (-1.6, 0.01, True), (-1.7, 0.01, False), (-5.0, 0.01, False), (0.0, 0.2, False), (3.0, 0.2, True)],
)
def test_a_zoom_is_looked_at_from_one_chance_in_twenty_on_and_not_where_it_is_vague(beyond: float, sd: float, asked: bool) -> None:
    """1.645 sds leave 5 % on one side (table of the normal distribution); an sd of four limits tells nothing by itself."""
    allowed = LIMITS.movement.zoom_fraction
    for way in (1.0, -1.0):
        verdict = compared(replace(STILL, zoom_ratio=1.0 + way * (allowed + beyond * sd), zoom_ratio_sd=sd))
        found = [f for f in verdict.findings if f.check == "movement" and "share" in f.unit]
        assert [f.state for f in found] == (["to check"] if asked else [])


@pytest.mark.parametrize("offs", [(1.0, 0.0, 0.0), (0.0, -1.1, 0.0), (0.3, 0.2, 3.2), (1.2, 0.9, -2.0)])
def test_moved_is_moved_in_any_of_three_ways(offs: tuple[float, float, float]) -> None:
    """Three independent normal errors: it stands if all three lie within (tails by scipy.stats.norm)."""
    pan, tip, roll = offs
    sds, allowed = (0.4, 0.5, 1.0), (LIMITS.movement.turn_deg, LIMITS.movement.turn_deg, LIMITS.level.roll_tolerance_deg)
    change = replace(
        STILL, pan_change_deg=pan, pan_change_sd_deg=sds[0], pitch_change_deg=tip, pitch_change_sd_deg=sds[1],
        roll_change_deg=roll, roll_change_sd_deg=sds[2],
    )  # fmt: skip
    within = 1.0
    for off, sd, limit in zip(offs, sds, allowed, strict=True):
        within *= float(norm.cdf((limit - off) / sd) - norm.cdf((-limit - off) / sd))
    moved = only(compared(change, pitch=None), "movement")  # a pose of today's own would speak against the reference
    assert moved.probability_bad == pytest.approx(1 - within, abs=1e-9)


def test_another_scene_is_as_likely_bad_as_it_is_not_the_reference_s() -> None:
    found = only(compared(ViewChange(0.1)), "movement")
    assert found.state == "to check" and found.probability_bad == pytest.approx(0.9)
    night = Comparison("n.jpg", "night.jpg", True, STILL)
    verdict = compared(ViewChange(0.1), night)
    other = of(verdict, "obstruction")
    assert other.state == "not verified" and other.probability_bad is None
    assert "The day picture is too different" in other.why and only(verdict, "movement").state == "as planned"
