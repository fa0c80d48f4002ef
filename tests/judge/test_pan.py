"""The check *pan*: unknown until shown, held to consequence, never vouched for by default, never condemned by a hint."""

from __future__ import annotations

from dataclasses import replace

import pytest

from audit.frames import bearing_difference_deg, camera_from_world
from audit.judge.evidence import Comparison, Pointed, ShownBearing
from audit.judge.findings import intended_pose
from audit.judge.pan import pan_tolerance
from audit.judge.panned import landmarks_of, place_of
from audit.lens import Lens
from audit.measure.measurement import ViewChange
from audit.plan.model import Camera, Landmark, Site, Target
from audit.plan.optics import Pose, geometry
from tests.judge_samples import LIMITS, SITE, evidence, good_pair, judged, mast, only

GATE = Camera(
    "Y-1", 0, 0, 3, 0, -15, Lens(1920, 1080, 60), form="bullet", surface="wall", setting="outdoor",
    targets=(Target("gate", 0, 12, 0.5, 80.0),),
)  # fmt: skip
DOME = Camera(
    "D-1", 0, 0, 3, 40, -90, Lens(1600, 1600, 180, projection="equidistant"), form="fisheye", surface="hard ceiling",
    setting="indoor", targets=(Target("till", 2, 2, 1.0),),
)  # fmt: skip
STILL = ViewChange(0.99, 0.3, 0.1, 0.0, 0.1, 0.0, 0.1, 0.98, 0.04, 0.95, 0.02, 0.01, 0.03, "clear")


def verdict_of(camera: Camera, **more: object):
    from audit.judge.findings import judge_camera

    return judge_camera(camera, evidence(camera, *good_pair(camera), **more), LIMITS)


def on_target(
    camera: Camera, turned_deg: float, confirmed: bool = False, at: tuple[float, float] | None = None
) -> Pointed:
    """The target pointed out where a camera panned off by so much shows it."""
    target = camera.targets[0]
    held = intended_pose(camera)
    pose = Pose(held.bearing_deg + turned_deg, held.pitch_deg, held.roll_deg)
    seen = geometry(camera, pose).targets[0]
    place = Landmark(target.name, target.east_m, target.north_m, target.up_m)
    where = at or (seen.column_px, seen.row_px)
    return Pointed(
        target.name, place, "day.jpg", where, (camera.lens.width_px, camera.lens.height_px), "Ada Example", confirmed
    )


def test_nothing_shown_is_not_verified_and_says_what_would_show_it() -> None:
    verdict = verdict_of(GATE, pointed=())
    pan, target = only(verdict, "pan"), only(verdict, "target")
    assert verdict.state == pan.state == target.state == "not verified"
    assert "point out 'gate' in its picture" in pan.why and "board" in pan.why
    assert "Not shown whether it is seen" in target.why
    assert pan.measured is None and target.measured is None and pan.remedy is None


def test_no_camera_of_the_demo_is_as_planned_without_something_shown() -> None:
    for camera in SITE.cameras:
        verdict = judged(camera.camera, *good_pair(camera), pointed=())
        assert verdict.state != "as planned" and only(verdict, "pan").state == "not verified"


def test_one_key_on_the_mark_makes_it_as_planned() -> None:
    verdict = verdict_of(GATE, pointed=(on_target(GATE, 0.0, confirmed=True),))
    pan, target = only(verdict, "pan"), only(verdict, "target")
    assert pan.state == target.state == verdict.state == "as planned"
    assert pan.measured == pytest.approx(0, abs=0.1) or pan.measured == pytest.approx(360, abs=0.1)
    assert "pointed out by Ada Example" in pan.why


@pytest.mark.parametrize("turned", [-25.0, 25.0])
def test_a_panned_camera_is_a_defect_with_the_way_back(turned: float) -> None:
    verdict = verdict_of(GATE, pointed=mast(GATE, *good_pair(GATE), turned_deg=turned))
    pan = only(verdict, "pan")
    way, back = ("right", "left") if turned > 0 else ("left", "right")
    assert verdict.state == pan.state == "defect"
    assert f"Panned 25.0° too far {way}" in pan.why
    assert pan.remedy is not None and pan.remedy.turn_deg == pytest.approx(-turned, abs=0.1)
    assert pan.remedy.action.startswith(f"Pan {back} 25.0° ± ") and "ball joint" in pan.remedy.action
    assert "'gate' is 50%" in (pan.remedy.field_check or "")


def test_a_panned_camera_that_lost_its_target_says_so() -> None:
    verdict = verdict_of(GATE, pointed=mast(GATE, *good_pair(GATE), turned_deg=40.0))
    target = only(verdict, "target")
    assert target.state == "defect" and "'gate' is out of the picture" in target.why
    assert target.remedy is not None and target.remedy.action.startswith("Pan left 40.0°")


def test_a_target_that_was_seen_is_not_lost_however_vague_the_bearing() -> None:
    vague = replace(on_target(GATE, 27.0), place=Landmark("gate", 0, 12, 0.5, 3.0))
    verdict = verdict_of(GATE, pointed=(vague,))
    assert only(verdict, "target").probability_bad < 0.6
    near = replace(on_target(GATE, 20.0), place=Landmark("gate", 0, 12, 0.5, 0.1))
    assert only(verdict_of(GATE, pointed=(near,)), "target").state == "as planned"
    assert only(verdict_of(GATE, pointed=(near,)), "pan").state == "defect"


def test_not_in_the_picture_is_a_defect_of_target_and_pan() -> None:
    absent = replace(on_target(GATE, 0.0), at_px=None)
    verdict = verdict_of(GATE, pointed=(absent,))
    pan, target = only(verdict, "pan"), only(verdict, "target")
    assert target.state == pan.state == "defect"
    assert "not in the picture, says Ada Example" in target.why and "By how much is not known" in pan.why
    assert pan.remedy is not None and "Pan until 'gate'" in pan.remedy.action


def test_an_impossible_click_leaves_it_not_verified_with_the_reason() -> None:
    outside = on_target(GATE, 0.0, at=(5000.0, 500.0))
    pan = only(verdict_of(GATE, pointed=(outside,)), "pan")
    assert pan.state == "not verified" and "lies outside the picture" in pan.why
    sky = on_target(GATE, 0.0, at=(960.0, 5.0))
    assert "at the sky or a roof" in only(verdict_of(GATE, pointed=(sky,)), "pan").why


def test_another_floor_and_a_lost_landmark_are_told() -> None:
    camera = replace(GATE, floor="1")
    upstairs = replace(on_target(GATE, 0.0), place=Landmark("gate", 0, 12, 0.5, floor="2"))
    assert "is on floor 2, the camera on floor 1" in only(verdict_of(camera, pointed=(upstairs,)), "pan").why
    gone = replace(on_target(GATE, 0.0), place=None)
    assert "no longer in the plan" in only(verdict_of(GATE, pointed=(gone,)), "pan").why


def test_tolerance_is_less_where_a_target_is_lost_sooner() -> None:
    assert pan_tolerance(GATE, intended_pose(GATE), LIMITS) == (5.0, 5.0)
    edge = replace(GATE, targets=(Target("gate", 6.3, 12, 0.5),))
    left, right = pan_tolerance(edge, intended_pose(edge), LIMITS)
    assert left == pytest.approx(2.5, abs=0.5) and right == 5.0


def test_a_camera_is_clicked_once_in_its_life() -> None:
    then = ShownBearing(2.0, 0.8, 1)
    seen = Comparison("reference.jpg", "day.jpg", False, STILL)
    verdict = verdict_of(GATE, pointed=(), reference_bearing=then, comparisons=(seen,))
    pan = only(verdict, "pan")
    assert pan.state == "as planned" and pan.measured == pytest.approx(2.3)
    assert "shown in visit 1, with the turn measured since" in pan.why
    turned = Comparison("reference.jpg", "day.jpg", False, replace(STILL, pan_change_deg=-20.0))
    pan = only(verdict_of(GATE, pointed=(), reference_bearing=then, comparisons=(turned,)), "pan")
    assert pan.state == "defect" and "18.0° too far left" in pan.why
    other = Comparison("reference.jpg", "day.jpg", False, replace(STILL, same_view_probability=0.1))
    assert (
        only(verdict_of(GATE, pointed=(), reference_bearing=then, comparisons=(other,)), "pan").state == "not verified"
    )


def test_a_hint_asks_for_a_look_and_never_condemns() -> None:
    verdict = verdict_of(GATE, pointed=(), hints=("The houses' lines stand 30° off.",))
    assert only(verdict, "pan").state == verdict.state == "to check"
    assert "30° off" in only(verdict, "pan").why
    shown = verdict_of(GATE, pointed=(on_target(GATE, 0.0),), hints=("The houses' lines stand 30° off.",))
    assert only(shown, "pan").state == "as planned"


def test_straight_down_the_turn_about_the_plumb_line_is_judged() -> None:
    assert only(verdict_of(DOME, pointed=()), "pan").state == "not verified"
    fine = only(verdict_of(DOME, pointed=mast(DOME, *good_pair(DOME))), "pan")
    assert fine.state == "as planned"
    turned = only(verdict_of(DOME, pointed=mast(DOME, *good_pair(DOME), turned_deg=30.0)), "pan")
    assert turned.state == "defect" and "30.0° too far clockwise about the plumb line" in turned.why
    assert turned.remedy is not None and "Rotate it 30.0°" in turned.remedy.action
    assert "clockwise, seen from below" in turned.remedy.action and "counter" not in turned.remedy.action


def test_a_board_shows_the_bearing_and_its_own_density() -> None:
    by_board = replace(on_target(GATE, 0.0), by_board=True, px_per_m=60.0, px_per_m_sd=1.0, by="")
    verdict = verdict_of(GATE, pointed=(by_board,))
    assert "by the board at 'gate'" in only(verdict, "pan").why
    target = only(verdict, "target")
    assert target.state == "defect" and target.measured == 60.0 and "below the required" in target.why
    fine = only(verdict_of(GATE, pointed=(replace(by_board, px_per_m=130.0),)), "target")
    assert fine.state == "as planned" and fine.measured == 130.0


def test_what_can_be_pointed_out() -> None:
    other = replace(GATE, camera="Y-2", east_m=5.0, targets=())
    site = Site((GATE, other), landmarks=(Landmark("mast", 1, 2, 3), Landmark("gate", 9, 9, 9)))
    names = [m.landmark for m in landmarks_of(site, GATE)]
    assert names == ["gate", "mast", "Y-2"]
    assert place_of(site, GATE, "gate") == Landmark("gate", 0, 12, 0.5)
    assert place_of(site, GATE, "Y-1") is None


def test_bearings_compare_across_north() -> None:
    north = replace(GATE, bearing_deg=359.0)
    pan = only(verdict_of(north, pointed=mast(north, *good_pair(north), turned_deg=3.0)), "pan")
    assert abs(bearing_difference_deg(pan.measured, 2.0)) < 0.1 and pan.state in ("as planned", "to check")
    assert camera_from_world(2.0, 0.0)[2, 1] > 0.99
