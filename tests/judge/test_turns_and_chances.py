"""Which turn mends what is off by most, what a far target asks for, and chances that add up."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr
from scipy.stats import qmc

from audit.judge.chances import PoseBelief, _standard_normals
from audit.judge.device import device_findings
from audit.judge.evidence import DeviceKnown
from audit.judge.exchange import _EXCHANGED, _Gains
from audit.judge.ground import GroundMisfit
from audit.judge.hints import _ground_sentence, ground_worth_a_look
from audit.judge.intended import intended_pose
from audit.judge.likeness import Likeness, _own_view
from audit.judge.pan import pan_tolerance
from audit.judge.panned import Panned
from audit.judge.pose import _target_remedy
from audit.lens import Lens
from audit.measure.measurement import Orientation
from audit.plan.model import Camera, Target
from audit.plan.optics import Pose
from tests.judge.test_device import CAMERA, RIGHT
from tests.judge_samples import LIMITS, SITE, evidence

WALL = Camera("W-1", 0, 0, 3, 350, -20, Lens(1920, 1080, 60), form="bullet", surface="wall", targets=(Target("gate", 0, 12, 0.5),))
DOWN = Camera(
    "D-1", 0, 0, 3, 40, -90, Lens(1600, 1600, 180, projection="equidistant"), form="fisheye", surface="hard ceiling",
    targets=(Target("till", 2, 2, 1.0),),
)  # fmt: skip


@pytest.mark.parametrize(
    ("off", "said", "figure", "by"),
    [
        ((30.0, 5.0, 5.0), "Pan left 30.0°", "turn_deg", -30.0), ((-30.0, 5.0, 29.0), "Pan right 30.0°", "turn_deg", 30.0),
        ((5.0, 20.0, 5.0), "Tilt down 20.0°", "tip_deg", -20.0), ((5.0, -20.0, 19.0), "Tilt up 20.0°", "tip_deg", 20.0),
        ((5.0, 5.0, 20.0), "Rotate 20.0° ± 2.0° counter-clockwise", "roll_deg", -20.0),
        ((-19.0, -5.0, -20.0), "Rotate 20.0° ± 2.0° clockwise", "roll_deg", 20.0),
    ],
)  # fmt: skip
def test_a_lost_target_is_brought_back_by_the_turn_that_is_off_by_most(
    off: tuple[float, float, float], said: str, figure: str, by: float
) -> None:
    """Pan, tilt or roll, the other way than it is off; the bearing counts across north (350° and 20° are 30° apart)."""
    intended = intended_pose(WALL)
    seen = Pose((350.0 + off[0]) % 360.0, intended.pitch_deg + off[1], intended.roll_deg + off[2])
    remedy = _target_remedy(WALL, intended, PoseBelief(seen, 1.0, 1.0, 1.0), Panned(seen.bearing_deg, 1.0, 350.0))
    assert remedy.action.startswith(said)
    assert getattr(remedy, figure) == pytest.approx(by)


def test_a_camera_that_looks_down_is_rotated_back_whatever_else_is_off() -> None:
    intended = intended_pose(DOWN)
    for turn, way in ((25.0, "clockwise"), (-25.0, "counter-clockwise")):
        seen = Pose(40.0 + turn, -60.0, 9.0)
        remedy = _target_remedy(DOWN, intended, PoseBelief(seen, 1.0, 1.0, 1.0), Panned(seen.bearing_deg, 1.0, 40.0))
        assert remedy.action.startswith(f"Rotate it 25.0° ± 2.0° {way}, seen from below")


@pytest.mark.parametrize(("turn", "said"), [(0.6, "1° too far right"), (-0.6, "1° too far left"), (40.0, "40° too far right")])
def test_the_ground_tells_which_way(turn: float, said: str) -> None:
    sentence = _ground_sentence(GroundMisfit(0.9, turn, ("C-2", "C-3")))
    assert said in sentence and "what C-2, C-3 sees there" in sentence
    assert ground_worth_a_look(GroundMisfit(1.0, turn, ("C-2",))) and not ground_worth_a_look(GroundMisfit(1.0, turn, ()))


def test_a_target_that_asks_for_no_density_may_be_as_far_as_the_hills() -> None:
    """Its pixels a metre fall with the distance; the bearing at which it leaves the picture doesn't."""
    wide = LIMITS.model_copy(update={"pan": LIMITS.pan.model_copy(update={"tolerance_deg": 60.0})})
    level = replace(WALL, bearing_deg=0.0, pitch_deg=-2.0)
    near, far = (
        pan_tolerance(replace(level, targets=(Target("hill", out * 0.1, out, 2.9),)), intended_pose(level), wide) for out in (50.0, 9000.0)
    )
    assert near == pytest.approx(far, abs=0.3)
    assert near[0] == pytest.approx(30 - math.degrees(math.atan(0.1)), abs=0.6), "half the angle of view less where it stands"
    assert near[1] == pytest.approx(30 + math.degrees(math.atan(0.1)), abs=0.6)
    asking = (Target("hill", 900.0, 9000.0, 2.9, 80.0),)
    assert pan_tolerance(replace(level, targets=asking), intended_pose(level), wide) == (60.0, 60.0), "the plan itself misses it"


def test_the_device_s_own_serial_is_certain_either_way() -> None:
    said = [
        next(f for f in device_findings(CAMERA, replace(RIGHT, serial=serial), None, LIMITS, DeviceKnown()) if f.check == "identity")
        for serial in ("SN-18", "SN-19")
    ]
    assert [f.probability_bad for f in said] == [0.0, 1.0]


@pytest.mark.parametrize("count", [2, 3, 8])
def test_a_camera_is_one_of_an_exchange_as_often_whoever_the_other_is(count: int) -> None:
    """Over all partners the chances add to the one that is assumed, where all stand near each other; fewer where all are far."""
    model = SITE.cameras[0]
    for apart, share in ((1.0, 1.0), (100.0, 0.5)):
        cameras = [replace(model, camera=f"C{k}", east_m=apart * k, north_m=0.0) for k in range(count)]
        gains = _Gains(None, cameras, {})  # type: ignore[arg-type]
        chance = gains._chance(np.arange(count), np.arange(count))
        np.fill_diagonal(chance, 0.0)
        assert chance.sum(axis=1) == pytest.approx(np.full(count, _EXCHANGED * share))
        assert np.array_equal(chance, chance.T)


def test_only_a_lens_that_the_picture_itself_told_says_how_wide_it_looks() -> None:
    """Its sd is that of log tan(h / 2), here by a difference quotient."""
    lens = Lens(1920, 1080, 70.0, hfov_sd_deg=2.0, source="estimated")

    def view(of: Lens) -> tuple[float | None, float | None]:
        return _own_view(evidence(SITE.cameras[0], by_lens=(Orientation(None, None, None, None, None, of),)))

    told, sd = view(lens)
    step = 1e-4
    slope = (math.log(math.tan(math.radians(70 + step) / 2)) - math.log(math.tan(math.radians(70 - step) / 2))) / (2 * step)
    assert told == pytest.approx(math.log(math.tan(math.radians(35)))) and sd == pytest.approx(2.0 * slope)
    for other in ("given", "exif", "assumed"):
        assert view(replace(lens, source=other)) == (None, None)


@pytest.mark.parametrize("count", [3, 4, 9])
def test_whatever_name_a_device_tells_its_chances_add_to_one(count: int) -> None:
    """At its own place and at another's, over all cameras that it could name."""
    like = Likeness.__new__(Likeness)
    like.cameras = tuple(SITE.cameras[:count])
    every = np.arange(count)
    total = sum(np.exp(like._told(np.full(count, float(named)), every, every)) for named in range(count))
    assert total == pytest.approx(np.ones((count, count)))
    assert np.array_equal(like._told(np.full(count, np.nan), every, every), np.zeros((count, count))), "silence tells nothing"


def test_draws_are_scipy_s_sobol_points_shifted_alike() -> None:
    """The kept points against SciPy's own generator: brought back to the unit cube they differ from it by one shift a dimension."""
    points = qmc.Sobol(4, scramble=False).random_base2(11)
    shift = (ndtr(_standard_normals()) - points) % 1.0
    assert np.ptp(shift, axis=0) == pytest.approx(0.0, abs=1e-7)
