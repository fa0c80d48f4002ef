"""What is told where a picture's own lines or its sky don't tell: which way it is up, by clicks, by the horizon."""

from __future__ import annotations

from dataclasses import replace

import pytest

from audit.frames import camera_from_world
from audit.judge.evidence import Pointed, Snapshot
from audit.judge.findings import judge_camera
from audit.judge.intended import intended_pose
from audit.judge.turned import turned_by_word
from audit.measure.measurement import Sky
from audit.plan.model import Camera, Landmark
from tests.judge.test_pan import DOME, GATE, on_target
from tests.judge_samples import LIMITS, evidence, only, snapshot


def seen(chance: float, pitch: float | None = None, *, night: bool = False, camera=GATE) -> Snapshot:
    """A snapshot that stands on its head with that chance."""
    shot = snapshot(camera, pitch, night=night)
    return replace(shot, measured=replace(shot.measured, upside_down_probability=chance))


@pytest.mark.parametrize(("chance", "state"), [(0.55, "to check"), (0.97, "to check"), (0.995, "defect")])
def test_a_picture_that_seems_to_stand_on_its_head_is_looked_at_and_condemned_only_where_it_is_all_but_sure(
    chance: float, state: str
) -> None:
    level = only(judge_camera(GATE, evidence(GATE, seen(chance)), LIMITS), "level")
    assert level.state == state and "stand on its head" in level.why and level.probability_bad == pytest.approx(chance)
    assert level.remedy is not None and "rotation or flip" in level.remedy.action


def test_upright_pictures_ceiling_fisheyes_and_a_person_s_word_go_before_it() -> None:
    upright = judge_camera(GATE, evidence(GATE, seen(0.3, GATE.pitch_deg)), LIMITS)
    assert only(upright, "level").state == "as planned"
    down = judge_camera(DOME, evidence(DOME, seen(0.9, camera=DOME)), LIMITS)
    assert all("on its head" not in f.why for f in down.findings)
    shot = replace(seen(0.3, GATE.pitch_deg), turned=True)
    told = replace(shot, measured=turned_by_word(shot.measured))
    said = only(judge_camera(GATE, evidence(GATE, told), LIMITS), "level")
    assert said.state == "defect" and "says a person" in said.why


def test_a_night_snapshot_that_stands_upright_speaks_as_loud_as_one_by_day_that_seems_not_to() -> None:
    both = evidence(GATE, seen(0.6), seen(0.1, GATE.pitch_deg, night=True))
    assert "on its head" not in only(judge_camera(GATE, both, LIMITS), "level").why


def test_a_click_in_a_picture_on_its_head_tells_no_tilt() -> None:
    case = evidence(GATE, seen(0.9), pointed=(on_target(GATE, 0.0),))
    aim = only(judge_camera(GATE, case, LIMITS), "aim")
    assert aim.state == "not verified" and aim.measured is None
    upright = evidence(GATE, seen(0.1), pointed=(on_target(GATE, 0.0),))
    assert only(judge_camera(GATE, upright, LIMITS), "aim").state == "as planned"


def test_a_click_makes_a_vague_tilt_surer_and_a_sure_one_is_left_alone() -> None:
    vague = evidence(GATE, snapshot(GATE, GATE.pitch_deg + 4.0, sd=3.0), pointed=(on_target(GATE, 0.0),))
    aim = only(judge_camera(GATE, vague, LIMITS), "aim")
    assert aim.measured_sd is not None and aim.measured_sd < 2.1
    assert aim.measured == pytest.approx(GATE.pitch_deg, abs=2.0) and "things of the plan pointed out" in aim.evidence["cues"]
    sure = evidence(GATE, snapshot(GATE, GATE.pitch_deg + 1.0, sd=0.3), pointed=(on_target(GATE, 0.0),))
    aim = only(judge_camera(GATE, sure, LIMITS), "aim")
    assert aim.measured == pytest.approx(GATE.pitch_deg + 1.0) and "things of the plan pointed out" not in aim.evidence["cues"]


def test_a_roll_that_no_picture_told_is_not_told_by_one_click() -> None:
    case = evidence(GATE, snapshot(GATE), pointed=(on_target(GATE, 0.0),))
    level = only(judge_camera(GATE, case, LIMITS), "level")
    assert level.state == "not verified" and level.measured is None and "not its roll" in level.why


def sky_of(shot: Snapshot, **more: object):
    return only(judge_camera(GATE, evidence(GATE, shot, **more), LIMITS), "sky")


def test_a_sky_that_the_picture_does_not_tell_is_held_by_a_measured_tilt_and_by_nothing_else() -> None:
    held = sky_of(snapshot(GATE, GATE.pitch_deg))
    assert held.state == "as planned" and held.measured is None and "lies above the horizon by the measured tilt" in held.why
    assert sky_of(snapshot(GATE)).state == "not verified", "no tilt"
    assert sky_of(snapshot(GATE, GATE.pitch_deg + 14.0)).state == "not verified", "more may be open than the limit allows"
    assert sky_of(snapshot(GATE, GATE.pitch_deg, sd=9.0)).state == "not verified", "too vague a tilt"
    assert sky_of(seen(0.9, GATE.pitch_deg)).state == "not verified", "on its head"
    assert sky_of(snapshot(GATE, GATE.pitch_deg, night=True)).state == "not verified", "no picture by day"


def test_a_vague_reading_above_the_limit_is_no_pass_whatever_the_tilt() -> None:
    shot = snapshot(GATE, GATE.pitch_deg)
    vague = replace(shot, measured=replace(shot.measured, sky=Sky(0.8, 0.48, None)))
    assert sky_of(vague).state == "not verified"
    low = replace(shot, measured=replace(shot.measured, sky=Sky(0.02, 0.48, None)))
    assert sky_of(low).state == "as planned"


def aside(camera: Camera, name: str, east_m: float, roll_deg: float) -> Pointed:
    """A thing beside the target pointed out where a camera that is rolled shows it."""
    place = Landmark(name, east_m, 12.0, 0.5, 0.05)
    held = intended_pose(camera)
    offset = [place.east_m - camera.east_m, place.north_m - camera.north_m, 0.5 - camera.height_m]
    at = camera.lens.project(camera_from_world(held.bearing_deg, held.pitch_deg, roll_deg) @ offset)
    return Pointed(name, place, "day.jpg", (float(at[0]), float(at[1])), (camera.lens.width_px, camera.lens.height_px), "Ada Example")


@pytest.mark.parametrize(("roll", "state"), [(0.0, "as planned"), (9.0, "defect")])
def test_two_things_far_apart_show_a_roll_that_the_picture_leaves_in_doubt(roll: float, state: str) -> None:
    vague = snapshot(GATE, GATE.pitch_deg, roll=roll + 1.5, sd=1.5)
    alone = only(judge_camera(GATE, evidence(GATE, vague), LIMITS), "level")
    assert alone.measured == pytest.approx(roll + 1.5)
    if roll == 0.0:
        assert alone.state == "to check" and alone.why.endswith("Two things of the plan, pointed out far apart in its picture, would show it.")
    both = (aside(GATE, "left post", -5.0, roll), aside(GATE, "right post", 5.0, roll))
    shown = only(judge_camera(GATE, evidence(GATE, vague, pointed=both), LIMITS), "level")
    assert "Two things" not in shown.why
    assert shown.state == state and shown.measured == pytest.approx(roll, abs=1.0)
    assert shown.measured_sd is not None and shown.measured_sd < 1.2
