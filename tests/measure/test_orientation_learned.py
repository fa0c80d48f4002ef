"""The learned view as a cue: any lens, the right maximum, and widening where cues disagree."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest
from orientation_scenes import room

from audit.frames import roll_pitch_from_up, up_in_camera
from audit.lens import Lens
from audit.measure.learned_view import learned_cue
from audit.measure.orientation import measure_orientation
from audit.measure.up_direction import Seen, solve
from audit.measure.vanishing import tangent_basis

LENSES = [
    Lens(640, 360, 80.0),
    Lens(480, 480, 180.0, projection="equidistant"),
    Lens(640, 360, 100.0, k1=-0.12),
    Lens(360, 640, 45.0),
]


@dataclass(frozen=True)
class View:
    """An ideal answer of a network: exact fields of one pose, with stated scatter."""

    up: np.ndarray
    up_kappa: np.ndarray
    latitude_rad: np.ndarray
    latitude_sd_rad: np.ndarray
    sky_logit: np.ndarray
    familiar: float = 1.0
    half_view: float | None = None
    half_view_sd: float | None = None
    turned: tuple[float, float, float, float] | None = None


def ideal_view(lens: Lens, roll_deg: float, pitch_deg: float, *, kappa: float = 60.0, sd: float = 0.06) -> View:
    y, x = np.meshgrid((np.arange(18) + 0.5) / 18 * lens.height_px - 0.5,
                       (np.arange(32) + 0.5) / 32 * lens.width_px - 0.5, indexing="ij")
    rays = lens.unproject(np.stack([x, y], axis=-1))
    up = up_in_camera(roll_deg, pitch_deg)
    ahead, back = lens.project(rays + 1e-5 * up), lens.project(rays - 1e-5 * up)
    step = ahead - back
    step /= np.linalg.norm(step, axis=-1, keepdims=True)
    latitude = np.arcsin(np.clip(rays @ up, -1, 1))
    return View(step, np.full(x.shape, kappa), latitude, np.full(x.shape, sd),
                np.full((72, 128), -6.0))


@pytest.mark.parametrize("lens", LENSES, ids=["plain", "fisheye", "barrel", "portrait"])
@pytest.mark.parametrize(("roll_deg", "pitch_deg"), [(0.0, 0.0), (6.0, -33.0), (-9.0, 18.0)])
def test_exact_fields_give_the_exact_pose_without_any_edge(lens, roll_deg, pitch_deg):
    view = ideal_view(lens, roll_deg, pitch_deg, kappa=400.0, sd=0.02)
    found = solve(Seen(np.zeros((0, 4)), 1.0, view), lens)
    assert found.roll_deg == pytest.approx(roll_deg, abs=0.05)
    assert found.pitch_deg == pytest.approx(pitch_deg, abs=0.05)


@pytest.mark.parametrize("lens", LENSES, ids=["plain", "fisheye", "barrel", "portrait"])
def test_slope_is_that_of_the_log_likelihood(lens):
    cue = learned_cue(ideal_view(lens, 3.0, -10.0), lens, 4.0, 2.0)
    up = up_in_camera(5.0, -13.0)
    basis = tangent_basis(up)
    slope = basis @ cue.quadratic(up).gradient
    step = 2e-2
    for axis, expected in zip(basis, slope, strict=True):
        ends = np.stack([up + step * axis, up - step * axis])
        ends /= np.linalg.norm(ends, axis=1, keepdims=True)
        high, low = cue.log_likelihood(ends)
        assert (high - low) / (2 * step) == pytest.approx(expected, rel=0.4, abs=0.5)


@pytest.mark.parametrize("seed", range(3))
def test_learned_view_tells_which_of_three_square_directions_is_up(seed):
    lens = Lens(640, 360, 85.0)
    rough = ideal_view(lens, 3.0 + 1.5, -18.0 - 2.0, kappa=25.0, sd=0.12)
    found = measure_orientation(room(lens, 3.0, -18.0, seed=seed), lens, rough)
    assert found.roll_deg == pytest.approx(3.0, abs=0.6)
    assert found.pitch_deg == pytest.approx(-18.0, abs=0.6)


def test_disagreeing_cues_widen_or_silence_the_answer():
    lens = Lens(640, 360, 85.0)
    image = room(lens, 3.0, -18.0, seed=1)
    agreed = measure_orientation(image, lens, ideal_view(lens, 3.0, -18.0, kappa=400.0, sd=0.02))
    torn = measure_orientation(image, lens, ideal_view(lens, 3.0, -10.0, kappa=400.0, sd=0.02))
    assert torn.pitch_deg is None or torn.pitch_sd_deg > 1.2 * agreed.pitch_sd_deg


@pytest.mark.parametrize(("hfov_deg", "asked"), [(40.0, 1), (80.0, 0)])
def test_an_unsure_tilt_through_a_long_lens_is_looked_at_once_more_untold(hfov_deg, asked):
    lens, looks = Lens(640, 360, hfov_deg), []
    blank = np.full((360, 640, 3), 128, np.uint8)
    unsure, sure = ideal_view(lens, 0.0, -16.0, kappa=4.0, sd=0.3), ideal_view(lens, 1.0, -10.0, kappa=400.0, sd=0.02)
    found = measure_orientation(blank, lens, unsure, None, lambda: looks.append(1) or sure)
    assert len(looks) == asked
    if asked:
        assert found.pitch_deg == pytest.approx(-10.0, abs=0.2)
        # a quarter of the six degrees between the two looks joins what the surer one says
        told = measure_orientation(blank, lens, sure).pitch_sd_deg
        assert found.pitch_sd_deg == pytest.approx(math.hypot(told, 0.25 * 6.0), rel=0.05)
        drawn = room(lens, 1.0, -10.0, seed=1)
        assert measure_orientation(drawn, lens, sure).pitch_sd_deg < 2.0
        measure_orientation(drawn, lens, sure, None, lambda: looks.append(1) or unsure)
        assert len(looks) == asked


def test_a_network_that_knows_nothing_answers_nothing():
    lens = Lens(640, 360, 80.0)
    blank = np.full((360, 640, 3), 128, np.uint8)
    found = measure_orientation(blank, lens, ideal_view(lens, 0.0, 0.0, kappa=0.05, sd=1.5))
    assert found.pitch_deg is None and found.note


def test_fields_with_gaps_are_taken_without_them():
    lens = Lens(640, 360, 80.0)
    view = ideal_view(lens, 2.0, -5.0)
    view.up[3:6] = np.nan
    cue = learned_cue(view, lens, 4.0, 2.0)
    assert cue is not None and np.isfinite(cue.log_likelihood(up_in_camera(2.0, -5.0)[None])).all()
    view.latitude_rad[:] = np.nan
    assert learned_cue(view, lens, 4.0, 2.0) is None


def test_roll_and_pitch_come_back_from_the_up_vector():
    assert roll_pitch_from_up(up_in_camera(-7.0, 21.0)) == pytest.approx((-7.0, 21.0))
