"""Two visits of 200 cameras against a plain table of states: what becomes reference, and what is asked for next time.

The flow is that of IEC 62676-4 (requirement, test plan, acceptance, maintenance), as its published table of contents
names it; words by ISO 9000:2015: conformity (3.6.11), nonconformity (3.6.9), correction (3.12.3), concession (3.12.5).
What a reference picture may be is common practice, no source.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from audit.judge.evidence import CameraEvidence, Comparison
from audit.judge.finding import Verdict
from audit.judge.findings import judge_camera
from audit.logbook import Logbook
from audit.measure.measurement import ViewChange
from audit.plan.model import Camera, Site
from tests.judge_samples import LIMITS, SITE, evidence, only, snapshot
from tests.logbook_samples import DAY, PLAN, make_photo, make_placement

STORIES = 200
FAULTS = {"none": (0.0, 0.0), "tilt": (9.0, 0.0), "roll": (0.0, 6.0)}

#: (conforming, measured, said) -> whether the picture becomes reference.
REFERENCE = {
    (True, True, "nothing"): True,  # conformity, by measurement
    (True, False, "nothing"): False,  # nobody knows
    (True, False, "as planned"): True,  # conformity, by a person's word
    (False, True, "nothing"): False,  # nonconformity, open
    (False, True, "confirm"): False,  # nonconformity that waits for its correction
    (False, True, "tolerate"): True,  # concession
    (False, False, "nothing"): False,  # nobody knows
}
#: What is done between the visits.
BETWEEN = {"nothing": "left as it was", "correct": "put as planned", "knock": "turned by 8 degrees to the side"}


@dataclass(frozen=True)
class Story:
    """One camera over two visits; offsets in degrees of tilt and roll."""

    camera: Camera
    fault: str
    measured: tuple[bool, bool]
    said: str
    between: str

    @property
    def then(self) -> tuple[float, float]:
        return FAULTS[self.fault]

    @property
    def now(self) -> tuple[float, float]:
        return (0.0, 0.0) if self.between == "correct" else self.then


def _stories(seed: int) -> list[Story]:
    rng = np.random.default_rng(seed)
    model = replace(SITE.camera("TH-18"), targets=())
    table = sorted(REFERENCE)
    found = []
    for k in range(STORIES):
        conforming, measured, said = table[int(rng.integers(len(table)))]
        fault = "none" if conforming else str(rng.choice(["tilt", "roll"]))
        between = str(rng.choice(list(BETWEEN)))
        camera = replace(model, camera=f"S-{k:03d}", east_m=20.0 * k)
        found.append(Story(camera, fault, (measured, bool(rng.random() < 0.6)), said, between))
    return found


def _seen(story: Story, visit: int, rng: np.random.Generator) -> CameraEvidence:
    off = story.then if visit == 0 else story.now
    pitch = story.camera.pitch_deg + off[0] + rng.normal(0, 0.3) if story.measured[visit] else None
    shot = snapshot(story.camera, pitch, roll=off[1] + rng.normal(0, 0.3), sd=0.5, sky=None)
    return evidence(story.camera, shot)


def _first_visit(book: Logbook, stories: list[Story], rng: np.random.Generator) -> dict[str, CameraEvidence]:
    visit = book.open_visit("commissioning", DAY)
    seen = {s.camera.camera: _seen(s, 0, rng) for s in stories}
    with book.writing(visit):
        for story in stories:
            data = story.camera.camera.encode()
            book.add_photo(visit, make_photo(f"{story.camera.camera}.jpg", data), data)
        book.put_placements(visit, [make_placement(f"{s.camera.camera}.jpg", s.camera.camera) for s in stories])
        book.put_verdicts(visit, [judge_camera(s.camera, seen[s.camera.camera], LIMITS) for s in stories])
    for story in stories:
        name = story.camera.camera
        check = "level" if story.fault == "roll" else "aim"
        if story.said == "as planned":
            for one in ("aim", "level"):
                book.add_finding(visit, name, one, "as planned", "Ada Example", "seen on site with a level")
        elif story.said in ("confirm", "tolerate"):
            for one in {f.check for f in book.verdicts(visit, name)[0].findings if f.state in ("defect", "to check")} | {check}:
                book.decide(visit, name, one, story.said, "Ada Example", "as agreed on site")
    book.sign(visit, "Ada Example", unprotected=True)
    return seen


def _second_visit(story: Story, then: CameraEvidence, reference: bool, rng: np.random.Generator) -> Verdict:
    today = _seen(story, 1, rng)
    if not reference:
        return judge_camera(story.camera, replace(today, maintenance=True), LIMITS)
    turn = 8.0 if story.between == "knock" else 0.0
    tip, roll = (n - t for n, t in zip(story.now, story.then, strict=True))
    change = ViewChange(0.99, turn, 0.1, tip + rng.normal(0, 0.1), 0.1, roll + rng.normal(0, 0.1), 0.1)
    shot = then.day
    orientation = None if shot is None else shot.measured.orientation
    compared = replace(
        today,
        maintenance=True,
        comparisons=(Comparison("reference", "day.jpg", False, change),),
        reference_orientation=orientation,
    )
    return judge_camera(story.camera, compared, LIMITS)


@pytest.mark.parametrize("seed", [1, 2])
def test_what_becomes_reference_and_what_is_asked_for_next(tmp_path: Path, seed: int) -> None:
    rng = np.random.default_rng(seed)
    stories = _stories(seed)
    book = Logbook.create(str(tmp_path / "book"), Site(tuple(s.camera for s in stories)), "plan.csv", PLAN)
    then = _first_visit(book, stories, rng)
    kept = {r.camera: r for r in book.references()}
    second = book.open_visit("maintenance", DAY + timedelta(days=90))
    why = {r.camera: r.why for r in book.references(second)}
    counted: Counter[str] = Counter()
    for story in stories:
        name = story.camera.camera
        expected = REFERENCE[story.fault == "none", story.measured[0], story.said]
        assert (name in kept) == expected, story
        if expected:
            assert why[name] is not None and why[name].startswith("tolerated" if story.said == "tolerate" else "as planned")
        verdict = _second_visit(story, then[name], expected, rng)
        asked = [f for f in verdict.findings if f.state in ("defect", "to check")]
        turns = [f.remedy for f in asked if f.remedy is not None]
        if story.between == "correct":
            back = [r for r in turns if abs(r.tip_deg or 0.0) > 3.0 or abs(r.roll_deg or 0.0) > 2.0]
            assert not back, (story, [f.why for f in asked])
            counted["corrected, asked for nothing"] += not asked
        if story.between == "knock" and expected:
            assert only(verdict, "movement").state == "defect", story
            counted["knock found"] += 1
        if story.fault != "none" and story.between == "nothing" and story.measured[1]:
            assert asked, (story, "a fault that stands is said again")
    assert counted["corrected, asked for nothing"] > 30 and counted["knock found"] > 10
    assert book.verify() == ()
