"""Today's pose by way of the signed reference: chosen, never averaged, never over a contradiction."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from audit.judge.carried import todays_orientation
from audit.judge.evidence import Comparison
from audit.judge.findings import judge_camera
from audit.measure.measurement import Orientation, ViewChange
from tests.judge_samples import LIMITS, SITE, evidence, only, snapshot

CAMERA = SITE.camera("TH-10")
PLANNED = CAMERA.pitch_deg


def then(pitch: float | None, sd: float = 0.4) -> Orientation:
    known = pitch is not None
    return Orientation(
        0.5 if known else None,
        sd if known else None,
        pitch,
        sd if known else None,
        None,
        CAMERA.lens,
        ("open horizon",),
    )


def turned(tip: float, sd: float = 0.1, same: float = 0.99, night: bool = False, roll: float = 0.0) -> Comparison:
    change = ViewChange(same, 0.0, sd, tip, sd, roll, sd)
    return Comparison("then.jpg", "day.jpg", night, change)


def test_an_unmeasured_picture_takes_the_reference_s_pose_and_the_turn_since() -> None:
    case = evidence(
        CAMERA, snapshot(CAMERA), comparisons=(turned(-1.5, roll=0.25),), reference_orientation=then(PLANNED)
    )
    found = todays_orientation(case, LIMITS)
    assert found is not None and found.pitch_deg == pytest.approx(PLANNED - 1.5)
    assert found.roll_deg == pytest.approx(0.75)
    assert found.pitch_sd_deg == pytest.approx(math.hypot(0.4, 0.1))
    aim = only(judge_camera(CAMERA, case, LIMITS), "aim")
    assert aim.state == "as planned" and "measured in the signed reference, with the turn since" in aim.why
    assert aim.evidence["cues"][0] == "signed reference"


def test_a_turn_beyond_the_tolerance_is_put_right_though_today_s_picture_alone_says_nothing() -> None:
    case = evidence(CAMERA, snapshot(CAMERA), comparisons=(turned(9.0),), reference_orientation=then(PLANNED))
    aim = only(judge_camera(CAMERA, case, LIMITS), "aim")
    assert aim.state == "defect" and aim.measured == pytest.approx(PLANNED + 9.0)


@pytest.mark.parametrize(
    "more",
    [
        {"comparisons": (turned(0.0),)},
        {"comparisons": (turned(0.0),), "reference_orientation": then(None)},
        {"comparisons": (turned(0.0, same=0.4),), "reference_orientation": then(PLANNED)},
        {"comparisons": (turned(0.0, night=True),), "reference_orientation": then(PLANNED)},
        {"comparisons": (Comparison("a", "b", False, ViewChange(0.99)),), "reference_orientation": then(PLANNED)},
        {"reference_orientation": then(PLANNED)},
    ],
)
def test_without_a_measured_reference_or_a_sure_turn_nothing_is_carried(more: dict[str, object]) -> None:
    case = evidence(CAMERA, snapshot(CAMERA), **more)
    assert only(judge_camera(CAMERA, case, LIMITS), "aim").state == "not verified"


def test_where_no_day_picture_tells_the_night_snapshot_does_and_the_finding_says_so() -> None:
    silent, night = snapshot(CAMERA), snapshot(CAMERA, PLANNED + 9.0, night=True)
    aim = only(judge_camera(CAMERA, evidence(CAMERA, silent, night), LIMITS), "aim")
    assert aim.state == "defect" and aim.measured == pytest.approx(PLANNED + 9.0)
    assert "measured in the night snapshot" in aim.why and aim.photo == "night.jpg"
    seen_by_day = evidence(CAMERA, snapshot(CAMERA, PLANNED + 1.0, sd=1.0), night)
    aim = only(judge_camera(CAMERA, seen_by_day, LIMITS), "aim")
    assert aim.measured == pytest.approx(PLANNED + 1.0) and "night" not in aim.why
    neither = evidence(CAMERA, silent, snapshot(CAMERA, night=True, note="too dark"))
    aim = only(judge_camera(CAMERA, neither, LIMITS), "aim")
    assert aim.state == "not verified" and "no lines" in aim.why and aim.photo == "day.jpg"


def test_a_night_snapshot_alone_tells_the_tilt_and_never_the_sky() -> None:
    verdict = judge_camera(CAMERA, evidence(CAMERA, snapshot(CAMERA, PLANNED + 9.0, night=True)), LIMITS)
    aim, sky = only(verdict, "aim"), only(verdict, "sky")
    assert aim.state == "defect" and "measured in the night snapshot, for no day snapshot tells" in aim.why
    assert sky.state == "not verified" and "no day snapshot" in sky.why


def test_straight_down_a_night_snapshot_tells_nothing() -> None:
    dome = SITE.camera("TH-05")
    verdict = judge_camera(dome, evidence(dome, snapshot(dome), snapshot(dome, -82.0, night=True)), LIMITS)
    assert only(verdict, "aim").state == "not verified"


def test_the_surer_of_both_counts_and_their_shared_errors_are_not_averaged_away() -> None:
    vague = evidence(
        CAMERA, snapshot(CAMERA, PLANNED + 1.0, sd=2.0), comparisons=(turned(0.0),), reference_orientation=then(PLANNED)
    )
    sharp = evidence(
        CAMERA, snapshot(CAMERA, PLANNED + 0.3, sd=0.2), comparisons=(turned(0.0),), reference_orientation=then(PLANNED)
    )
    by_reference, own = todays_orientation(vague, LIMITS), todays_orientation(sharp, LIMITS)
    assert by_reference is not None and by_reference.pitch_deg == pytest.approx(PLANNED)
    assert by_reference.pitch_sd_deg == pytest.approx(math.hypot(0.4, 0.1))
    assert own is not None and own.pitch_deg == pytest.approx(PLANNED + 0.3) and own.pitch_sd_deg == 0.2


def test_of_two_equally_unsure_answers_the_mean_counts_and_is_hardly_surer() -> None:
    """Seven tenths of the variance in common (orientation.toml): sd 2 leaves 2 x sqrt(0.7 + 0.3 / 2) = 1.84, not 1.41."""
    case = evidence(
        CAMERA,
        snapshot(CAMERA, PLANNED + 1.0, sd=2.0),
        comparisons=(turned(0.0, sd=0.0),),
        reference_orientation=replace(then(PLANNED), pitch_sd_deg=2.0),
    )
    found = todays_orientation(case, LIMITS)
    assert found is not None and found.pitch_deg == pytest.approx(PLANNED + 0.5)
    assert found.pitch_sd_deg == pytest.approx(2.0 * math.sqrt(0.85), abs=0.01)
    aim = only(judge_camera(CAMERA, case, LIMITS), "aim")
    assert "the mean of today's picture and the signed reference" in aim.why


def test_a_contradiction_widens_today_s_answer_until_it_holds_both() -> None:
    case = evidence(
        CAMERA, snapshot(CAMERA, PLANNED + 6.0, sd=0.4), comparisons=(turned(0.0),), reference_orientation=then(PLANNED)
    )
    found = todays_orientation(case, LIMITS)
    assert found is not None and found.pitch_deg == pytest.approx(PLANNED + 6.0)
    assert found.pitch_sd_deg is not None and found.pitch_sd_deg == pytest.approx(2.0)
    assert only(judge_camera(CAMERA, case, LIMITS), "aim").state != "defect"


def test_without_a_day_picture_there_is_nothing_to_carry_to() -> None:
    assert todays_orientation(evidence(CAMERA, reference_orientation=then(PLANNED)), LIMITS) is None


def test_the_level_is_carried_with_both_doubts_and_judged() -> None:
    """Roll then less the turn since (clockwise counts down), sds in quadrature; without either the roll is not known."""
    rolled = evidence(
        CAMERA, snapshot(CAMERA), comparisons=(turned(0.0, 0.3, roll=4.0),), reference_orientation=then(PLANNED)
    )
    level = only(judge_camera(CAMERA, rolled, LIMITS), "level")
    assert level.measured == pytest.approx(4.5) and level.measured_sd == pytest.approx(math.hypot(0.4, 0.3))
    assert level.state == "defect", "4.5° ± 0.5° is beyond the tolerance"
    for missing in ("then", "since"):
        orientation, change = then(PLANNED), turned(0.0, 0.3, roll=4.0)
        if missing == "then":
            orientation = replace(orientation, roll_deg=None, roll_sd_deg=None)
        else:
            change = replace(change, change=replace(change.change, roll_change_deg=None, roll_change_sd_deg=None))
        case = evidence(CAMERA, snapshot(CAMERA), comparisons=(change,), reference_orientation=orientation)
        found = todays_orientation(case, LIMITS)
        assert found is not None and found.roll_deg is None and found.roll_sd_deg is None
        assert found.pitch_deg == pytest.approx(PLANNED)
