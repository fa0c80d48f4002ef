"""What the crew is told to do: which way, how much, at which joint, and with what care."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from audit.judge import remedies
from audit.judge.finding import Remedy
from audit.plan.model import Camera
from audit.plan.mounts import joints
from audit.plan.optics import Pose
from tests.judge_samples import SITE

CAMERA = SITE.camera("TH-18")
HELD = Pose(CAMERA.bearing_deg, CAMERA.pitch_deg, 0.0)
WAYS = [
    # what is turned, its words for a positive and a negative turn, which of the remedy's figures says so
    (lambda by, sd: remedies.aim_remedy(CAMERA, HELD, by, sd), "Tilt up", "Tilt down", "tip_deg"),
    (lambda by, sd: remedies.pan_remedy(CAMERA, HELD, by, sd), "Pan right", "Pan left", "turn_deg"),
    (lambda by, sd: remedies.level_remedy(CAMERA, by, sd), "Rotate {} clockwise", "Rotate {} counter-clockwise", "roll_deg"),
]


@pytest.mark.parametrize(("remedy", "plus", "minus", "figure"), WAYS)
@pytest.mark.parametrize("turn", [-12.0, -2.0, 2.0, 12.0])
def test_the_words_turn_the_way_of_the_figure_and_by_as_much(remedy, plus: str, minus: str, figure: str, turn: float) -> None:
    sure = remedy(turn, 0.5)
    give = f"{abs(turn):.1f}° ± {1.96 * 0.5:.1f}°"
    assert (plus if turn > 0 else minus).replace("{}", give) in sure.action and give in sure.action
    assert getattr(sure, figure) == turn and sure.sd_deg == 0.5
    others = {"tip_deg", "turn_deg", "roll_deg"} - {figure}
    assert all(getattr(sure, other) is None for other in others), "one joint at a time"


@pytest.mark.parametrize(("remedy", "plus", "minus", "figure"), WAYS)
def test_nobody_turns_by_what_is_vaguer_than_itself(remedy, plus: str, minus: str, figure: str) -> None:
    """95 % of a normal error lie within 1.96 sd (handbook table): at less than that not even the way is sure."""
    for turn, vague in ((1.95, True), (-1.95, True), (1.97, False), (-1.97, False)):
        said = remedy(turn, 1.0)
        assert ("too uncertain to act on" in said.action) is vague
        assert (getattr(said, figure) is None) is vague and said.sd_deg == 1.0 and said.parts == ()


def test_a_camera_that_looks_down_is_turned_against_the_clock_of_whoever_stands_below() -> None:
    for turn, way in ((10.0, "10.0° ± 2.0° counter-clockwise, seen from below"), (-10.0, "10.0° ± 2.0° clockwise, seen from below")):
        said = remedies.turn_remedy(CAMERA, HELD, turn, 1.0)
        assert way in said.action and said.roll_deg == turn


@pytest.mark.parametrize(
    ("turn", "said"),
    [
        ((0.3, 0.0, 0.0), "Pan right 0.3°"), ((-0.3, 0.0, 0.0), "Pan left 0.3°"), ((0.29, -0.29, 0.29), "Compare with the reference"),
        ((0.0, 0.3, 0.0), "Tilt up 0.3°"), ((0.0, -4.0, 0.0), "Tilt down 4.0°"), ((0.0, 0.0, 0.3), "Rotate clockwise 0.3°"),
        ((0.0, 0.0, -0.3), "Rotate counter-clockwise 0.3°"), ((1.0, -2.0, 3.0), "Pan right 1.0°, tilt down 2.0°, rotate clockwise 3.0°"),
    ],
)  # fmt: skip
def test_back_to_the_reference_by_what_is_worth_a_turn(turn: tuple[float, float, float], said: str) -> None:
    found = remedies.view_remedy(CAMERA, *turn, 0.5)
    assert found.action.startswith(f"{said} (± 1.0°) back to the reference")
    assert (found.turn_deg, found.tip_deg, found.roll_deg, found.sd_deg) == (*turn, 0.5)


@pytest.mark.parametrize(
    ("surface", "cause"),
    [("pole", "a pole that turns"), ("tile ceiling", "a tile that sags"), ("wall", "a loose joint"), (None, "a loose joint")],
)
def test_the_cause_of_a_turn_is_looked_for_in_what_it_hangs_on(surface: str | None, cause: str) -> None:
    assert cause in remedies.view_remedy(replace(CAMERA, surface=surface), 3.0, 0.0, 0.0, 0.5).action


def all_remedies(camera: Camera) -> list[Remedy]:
    """One of each that sends somebody to the camera."""
    return [
        remedies.aim_remedy(camera, HELD, 9.0, 0.5), remedies.aim_remedy(camera, HELD, 0.1, 5.0),
        remedies.pan_remedy(camera, HELD, 9.0, 0.5), remedies.pan_remedy(camera, HELD, 0.1, 5.0),
        remedies.level_remedy(camera, 9.0, 0.5), remedies.level_remedy(camera, 0.1, 5.0),
        remedies.turn_remedy(camera, HELD, 9.0, 0.5), remedies.find_target_remedy(camera, HELD, "'gate'"),
        remedies.plumb_remedy(camera, -90.0, 5.0, 0.5), remedies.lowest_aim_remedy(camera, HELD, 9.0),
        remedies.view_remedy(camera, 9.0, 0.0, 0.0, 0.5), remedies.clean_remedy(camera, "haze"), remedies.clean_remedy(camera, None),
        remedies.obstruction_remedy(camera), remedies.focus_remedy(camera), remedies.night_remedy(camera),
        remedies.identity_remedy(camera, None), remedies.identity_remedy(camera, "TH-02"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("change", "caution", "warned"),
    [
        ({"height_m": 1.8}, remedies.LADDER, False), ({"height_m": 1.81}, remedies.LADDER, True),
        ({"surface": "pole", "setting": "outdoor"}, remedies.TRAFFIC, True), ({"surface": "pole", "setting": "indoor"}, remedies.TRAFFIC, False),
        ({"surface": "wall", "setting": "outdoor"}, remedies.TRAFFIC, False), ({"surface": "wall", "setting": "indoor"}, remedies.TRAFFIC, False),
        ({"night": "infrared"}, remedies.INFRARED, True), ({"night": None}, remedies.INFRARED, False),
        ({"form": "ptz"}, remedies.MOVING, True), ({"form": "dome"}, remedies.MOVING, False),
    ],
)  # fmt: skip
def test_whoever_is_sent_is_told_the_dangers_that_are_there(change: dict, caution: str, warned: bool) -> None:
    camera = replace(CAMERA, **change)
    for remedy in all_remedies(camera):
        assert (caution in remedy.cautions) is warned, remedy.action
    assert (caution in remedies.cautions_of(camera)) is warned and remedies.ISOLATE in remedies.cautions_of(camera)


def test_glass_is_touched_and_housings_are_opened_only_with_their_own_warning() -> None:
    for form in ("dome", "turret", "bullet", "fisheye", "ptz", None):
        camera = replace(CAMERA, form=form)
        for cause in ("haze", "spots", "cobweb", "infrared reflection", "blocked", None):
            assert remedies.GLASS in remedies.clean_remedy(camera, cause).cautions
        assert remedies.GLASS in remedies.night_remedy(camera).cautions
        for remedy in (
            remedies.aim_remedy(camera, replace(HELD, pitch_deg=-89.0), 9.0, 0.5), remedies.aim_remedy(camera, HELD, 9.0, 0.5),
            remedies.lowest_aim_remedy(camera, HELD, 9.0), remedies.plumb_remedy(camera, -30.0, 9.0, 0.5),
            remedies.aim_remedy(camera, HELD, 9.0, 0.5, "tilt adapter 30"),
        ):  # fmt: skip
            assert (remedies.ISOLATE in remedy.cautions) is bool(remedy.parts), "a part is fitted inside"


def test_a_joint_is_said_to_reach_what_it_reaches() -> None:
    """At each end of its travel and a degree beyond; what lies beyond asks for another mounting face and a part."""
    tried = 0
    for camera in SITE.cameras:
        reach = joints(camera)
        if reach is None or camera.form == "fisheye":
            continue
        tried += 1
        for pitch in range(-90, 91, 10):
            said = remedies.aim_remedy(camera, replace(HELD, pitch_deg=float(pitch)), 9.0, 0.5)
            within = reach.lowest_pitch_deg <= pitch <= reach.highest_pitch_deg
            assert ("which reaches it" in said.action) is within is (not said.parts), (camera.camera, pitch)
            if not within:
                assert f"ends at {reach.lowest_pitch_deg:z.0f}° to {reach.highest_pitch_deg:z.0f}°" in said.action
        each_way = reach.turn_deg / 2
        if 1.0 < each_way < 170:
            assert "which reaches it" in remedies.pan_remedy(camera, HELD, each_way - 0.5, 0.1).action
            beyond = remedies.pan_remedy(camera, HELD, -each_way - 0.5, 0.1)
            assert "which reaches it" not in beyond.action
            assert ("turning the pole adapter" in beyond.action) is (camera.surface == "pole") is (not beyond.parts)
    assert tried > 5


def test_what_the_live_picture_shows_when_the_aim_is_right() -> None:
    """A cone where the view begins: h / tan of the pitch and half the vertical field below it; else where the horizon lies."""
    lens = replace(CAMERA.lens, principal_px=None)
    camera = replace(CAMERA, lens=lens)
    seen = set()
    for pitch in (-60.0, -40.0, -20.0, -8.0, 0.0, 8.0, 15.0):
        said = remedies.aim_remedy(camera, replace(HELD, pitch_deg=pitch), 9.0, 0.5).field_check
        below = -pitch + math.degrees(math.atan(lens.height_px / 2 / lens.focal_px))
        out = CAMERA.height_m / math.tan(math.radians(below)) if 0 < below < 90 else math.inf if below <= 0 else 0.0
        if 0.3 < out <= 30.0:
            assert said is not None and f"Stand a traffic cone {out:.1f} m out" in said
            seen.add("cone")
        elif out > 30.0:
            row = 0.5 + lens.focal_px / lens.height_px * math.tan(math.radians(pitch))
            assert said is not None and f"The true horizon (not a ridge or tree line) is {row:.0%} of the picture's height down" in said
            seen.add("horizon")
    assert seen == {"cone", "horizon"}
