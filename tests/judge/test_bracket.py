"""A look at a bracket's close-up puts a camera up to be looked at, and no more."""

from __future__ import annotations

from dataclasses import replace

import pytest

from audit.errors import PlanProblem
from audit.judge.bracket import BracketSeen, bracket_findings
from audit.judge.evidence import CameraEvidence
from audit.judge.findings import judge_camera
from audit.judge.limits import load_limits
from audit.lens import Lens
from audit.match.bodies import Body
from audit.plan.model import Camera

LIMITS = load_limits()
CAMERA = Camera("C-1", 0.0, 0.0, 4.0, 90.0, -12.0, Lens(1920, 1080, 70.0), form="bullet")


def seen(none: float, long: float = 0.9, photo: str = "a.jpg") -> BracketSeen:
    return BracketSeen(photo, Body(none, long))


def test_a_bracket_that_looks_bare_is_worth_a_look_with_its_photo_and_chance() -> None:
    (found,) = bracket_findings(CAMERA, [seen(0.94)])
    assert (found.check, found.state, found.photo, found.probability_bad) == ("mounting", "to check", "a.jpg", 0.94)
    assert "no camera" in found.why and "94%" in found.why and "a look can err" in found.why
    assert found.remedy is not None and "before anyone climbs" in found.remedy.action
    assert any("ladder" in caution for caution in found.remedy.cautions)
    assert judge_camera(CAMERA, CameraEvidence(brackets=(seen(0.94),)), LIMITS).state == "to check"


def test_one_close_up_that_shows_a_camera_is_enough() -> None:
    assert bracket_findings(CAMERA, [seen(0.99), seen(0.3, photo="b.jpg")]) == []
    assert bracket_findings(CAMERA, [seen(0.89)]) == [] and bracket_findings(CAMERA, []) == []


@pytest.mark.parametrize(("form", "long", "told"), [
    ("bullet", 0.02, "round, as a dome"), ("box", 0.04, "round, as a dome"), ("dome", 0.97, "long, as a bullet"), ("ptz", 0.96, "long, as a bullet"),
    ("bullet", 0.97, None), ("turret", 0.03, None), ("bullet", 0.1, None), ("fisheye", 0.99, None), ("multi-sensor", 0.99, None), (None, 0.01, None),
])  # fmt: skip
def test_a_body_of_the_other_kind_than_planned_is_told_where_the_look_is_sure(form: str | None, long: float, told: str | None) -> None:
    found = bracket_findings(replace(CAMERA, form=form), [seen(0.1, long)])  # type: ignore[arg-type]
    assert len(found) == (told is not None)
    if told is not None:
        assert told in found[0].why and f"planned is the form {form}" in found[0].why and found[0].state == "to check"


def test_no_kind_is_told_of_a_bracket_that_is_bare_rather_than_not() -> None:
    assert bracket_findings(CAMERA, [seen(0.6, 0.01)]) == []


def test_nothing_passes_by_a_look_and_what_the_plan_says_stands_beside_it() -> None:
    verdict = judge_camera(CAMERA, CameraEvidence(brackets=(seen(0.01, 0.99),)), LIMITS)
    assert not [f for f in verdict.findings if f.check == "mounting"]
    wrong = PlanProblem("plan.csv", "the bracket does not fit the pole.", 2, "mount", remedy="Choose a pole bracket.")
    both = judge_camera(CAMERA, CameraEvidence(brackets=(seen(0.95),), plan_errors=(wrong,)), LIMITS)
    (mounting,) = [f for f in both.findings if f.check == "mounting"]
    assert "does not fit the pole" in mounting.why and "no camera" in mounting.why and mounting.photo == "a.jpg"
