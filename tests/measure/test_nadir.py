"""Fisheyes that hang from a ceiling: how far off plumb, or silence."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from orientation_scenes import room
from test_orientation_learned import View, ideal_view

from audit.lens import Lens
from audit.measure.network import look
from audit.measure.orientation import measure_orientation
from audit.measure.several import combine_orientations

CEILING = Lens(700, 700, 180.0, projection="equidistant")
SAMPLES = Path(__file__).parents[2] / "sample_images"


def knows_little(lens: Lens) -> View:
    """A learned view that leaves every direction open."""
    return replace(ideal_view(lens, 0.0, 0.0, kappa=1e-3, sd=50.0), turned=(0.5, 0.2, 0.1, 0.2))


@pytest.mark.parametrize(("tilt_deg", "roll_deg"), [(0.0, 0.0), (4.0, 100.0), (12.0, -150.0), (20.0, 75.0)])
def test_upright_edges_tell_how_far_a_ceiling_camera_hangs_off_plumb(tilt_deg: float, roll_deg: float) -> None:
    found = measure_orientation(room(CEILING, roll_deg, tilt_deg - 90.0, seed=4), CEILING, knows_little(CEILING))
    assert found.pitch_deg == pytest.approx(tilt_deg - 90.0, abs=0.8), found.note
    assert found.pitch_sd_deg is not None and found.pitch_sd_deg < 1.0
    if tilt_deg >= 12:
        assert found.roll_deg == pytest.approx(roll_deg, abs=5.0)
    if tilt_deg == 0:
        assert found.roll_deg is None and found.roll_sd_deg is None, "about the plumb line nothing tells the turn"


def test_a_level_view_that_the_learned_view_knows_is_not_taken_for_a_look_down() -> None:
    found = measure_orientation(room(CEILING, 3.0, -10.0, seed=4), CEILING, ideal_view(CEILING, 3.0, -10.0))
    assert found.pitch_deg == pytest.approx(-10.0, abs=1.0) and found.roll_deg == pytest.approx(3.0, abs=1.0)


def test_without_edges_a_picture_that_may_look_down_is_not_measured() -> None:
    blank = np.full((700, 700, 3), 120, np.uint8)
    found = measure_orientation(blank, CEILING, knows_little(CEILING))
    assert found.pitch_deg is None and found.note


def test_a_narrow_lens_never_looks_for_the_plumb_line() -> None:
    lens = Lens(640, 360, 70.0)
    found = measure_orientation(room(lens, 0.0, -15.0, seed=2), lens, ideal_view(lens, 0.0, -15.0))
    assert found.pitch_deg == pytest.approx(-15.0, abs=1.0)


@pytest.mark.parametrize("visit", ["commissioning", "maintenance"])
def test_the_hall_s_ceiling_camera_hangs_plumb(visit: str) -> None:
    """The demo's own truth (truth.json): TH-05 hangs plumb."""
    path = next((SAMPLES / visit / "snapshots").glob("TH-05_*_day.jpg"))
    pixels = np.ascontiguousarray(cv2.imread(str(path))[..., ::-1])
    lens = Lens(pixels.shape[1], pixels.shape[0], 180.0, projection="equidistant")
    found = measure_orientation(pixels, lens, look(pixels, lens))
    assert found.pitch_deg is not None and found.pitch_sd_deg is not None
    assert abs(found.pitch_deg + 90.0) < 2.5 * found.pitch_sd_deg < 2.5


def test_snapshots_without_a_roll_are_pooled_by_their_tilt() -> None:
    plumb = measure_orientation(room(CEILING, 0.0, -90.0, seed=4), CEILING, knows_little(CEILING))
    both = combine_orientations([plumb, replace(plumb, pitch_deg=-89.4)])
    assert both.roll_deg is None and plumb.pitch_deg is not None
    assert both.pitch_deg == pytest.approx((plumb.pitch_deg - 89.4) / 2, abs=0.05)
