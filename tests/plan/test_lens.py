"""The lens and the frames at their edges: what is refused, straight down, another size, folding radial terms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.frames import bearing_difference_deg, camera_from_world, pose_from_rotation, roll_pitch_from_up, up_in_camera
from audit.lens import Lens, hfov_from_focal


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((0, 1080, 60.0), "not a picture"),
        ((1920, 1080, 180.0), "does not fit a rectilinear"),
        ((1920, 1080, 0.0), "does not fit"),
        ((1920, 1080, float("nan")), "does not fit"),
    ],
)
def test_lenses_that_cannot_exist_are_refused(arguments: tuple[int, int, float], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        Lens(*arguments)
    with pytest.raises(ValueError, match="fold"):
        Lens(1920, 1080, 100.0, k1=-0.5)
    with pytest.raises(ValueError, match="neither"):
        Lens(1920, 1080, 100.0, projection="stereographic")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="positive"):
        hfov_from_focal(0, 5)
    with pytest.raises(ValueError, match="fold"):
        hfov_from_focal(2.8, 8.0, k1=-0.3)


@settings(max_examples=200, deadline=None)
@given(hfov=st.floats(20, 120), k1=st.floats(-0.3, 0.3), sensor=st.floats(2, 30))
def test_hfov_and_focal_length_are_inverse(hfov: float, k1: float, sensor: float) -> None:
    try:
        lens = Lens(2000, 1500, hfov, k1=k1)
    except ValueError:
        return
    assert hfov_from_focal(lens.focal_px * sensor / 2000, sensor, "rectilinear", k1) == pytest.approx(hfov, abs=1e-6)


def test_the_edge_of_the_picture_is_half_the_angle_of_view() -> None:
    for lens in (Lens(1920, 1080, 77.0, k1=-0.08, k2=0.01), Lens(2880, 1620, 180.0, projection="equidistant")):
        edge = lens.unproject([lens.width_px - 0.5, lens.centre_px[1]])
        assert np.degrees(np.arctan2(edge[0], edge[2])) == pytest.approx(lens.hfov_deg / 2, abs=1e-6)
        low = lens.unproject([lens.centre_px[0], lens.height_px - 0.5])
        assert np.degrees(np.arctan2(low[1], low[2])) == pytest.approx(lens.vfov_deg / 2, abs=1e-6)


def test_black_corners_of_a_fisheye_have_no_direction() -> None:
    lens = Lens(2000, 2000, 180.0, projection="equidistant")
    assert np.isnan(lens.unproject([0.0, 0.0])).all() and np.isnan(lens.project([0.5, 0.5, -1.0])).all()
    assert np.isfinite(lens.project([1.0, 0.0, 1e-9])).all()
    assert np.isnan(Lens(1920, 1080, 60).project([0.0, 0.0, -1.0])).all()


def test_a_fold_ends_what_the_lens_images() -> None:
    lens = Lens(1000, 1000, 60.0, k1=-0.3)
    fold = np.arctan(np.sqrt(1 / 0.9))
    assert lens.half_angle_limit_rad == pytest.approx(fold)
    assert np.isnan(lens.radius_px(fold + 0.01)) and np.isfinite(lens.radius_px(fold - 0.01))
    assert np.isnan(lens.angle_rad(1.01 * float(lens.radius_px(fold - 1e-9))))


@pytest.mark.parametrize("principal", [None, (900.0, 560.0)])
def test_another_size_shows_the_same_directions(principal: tuple[float, float] | None) -> None:
    lens = Lens(1920, 1080, 70, k1=-0.05, principal_px=principal)
    small = lens.resized(960, 540)
    pixels = np.array([[0.0, 0.0], [1000.0, 300.0], [1919.0, 1079.0]])
    assert np.allclose(lens.unproject(pixels), small.unproject((pixels + 0.5) / 2 - 0.5), atol=1e-12)


@pytest.mark.parametrize("pitch", [90.0, -90.0])
def test_straight_up_and_down_bearing_and_roll_are_one_turn(pitch: float) -> None:
    rotation = camera_from_world(30.0, pitch, 10.0)
    bearing, found, roll = pose_from_rotation(rotation)
    assert (found, roll) == (pytest.approx(pitch), 0.0)
    assert np.allclose(camera_from_world(bearing, found, roll), rotation, atol=1e-9)


def test_bearings_differ_the_short_way() -> None:
    assert bearing_difference_deg(350, 10) == -20 and bearing_difference_deg(10, 350) == 20
    assert bearing_difference_deg(180, 0) == -180


@settings(max_examples=200, deadline=None)
@given(roll=st.floats(-179.9, 179.9), pitch=st.floats(-89.9, 89.9))
def test_roll_and_pitch_from_up(roll: float, pitch: float) -> None:
    """Clockwise from behind: the horizon's left end is low, so up leans to the left in the image."""
    assert roll_pitch_from_up(up_in_camera(roll, pitch)) == pytest.approx((roll, pitch), abs=1e-6)
    if 1e-6 < roll < 180:
        assert up_in_camera(roll, pitch)[0] < 0
