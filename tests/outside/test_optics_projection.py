"""Projection against OpenCV's own projections (cv2.projectPoints, cv2.fisheye.projectPoints) and closed forms.

Source of the models: OpenCV's documentation of the pinhole model with radial distortion, and of the fisheye model
(Kannala and Brandt, 2006, doi:10.1109/TPAMI.2006.153), whose k1 and k2 are the equidistant model's terms.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.frames import camera_from_world, pose_from_rotation, up_in_camera
from audit.lens import Lens
from audit.plan.model import Camera, Target
from audit.plan.optics import (
    Pose,
    geometry,
    horizon_curve,
    open_sky_fraction,
    open_sky_under_poses,
    under_poses,
)

CASES = 10_000
PIXEL = 0.1
DEGREE = 0.01


def _lenses(rng: np.random.Generator, projection: str, count: int) -> list[Lens]:
    found: list[Lens] = []
    while len(found) < count:
        hfov = rng.uniform(15, 125) if projection == "rectilinear" else rng.uniform(60, 200)
        terms = (rng.uniform(-0.25, 0.25), rng.uniform(-0.05, 0.05)) if rng.random() < 0.7 else (0.0, 0.0)
        width, height = int(rng.integers(320, 4100)), int(rng.integers(240, 3100))
        principal = None
        if rng.random() < 0.5:
            principal = (width / 2 + rng.uniform(-40, 40), height / 2 + rng.uniform(-40, 40))
        try:
            found.append(
                Lens(width, height, hfov, projection=projection, k1=terms[0], k2=terms[1], principal_px=principal)
            )
        except ValueError:
            continue
    return found


def _matrix(lens: Lens) -> np.ndarray:
    x, y = lens.centre_px
    return np.array([[lens.focal_px, 0, x], [0, lens.focal_px, y], [0, 0, 1]])


@pytest.mark.parametrize("projection", ["rectilinear", "equidistant"])
def test_ten_thousand_random_targets_land_where_opencv_puts_them(projection: str) -> None:
    """World point to pixel through pose and lens, 10,000 cases, within 0.1 px wherever it is near the picture."""
    rng = np.random.default_rng(7)
    worst, compared = 0.0, 0
    for lens in _lenses(rng, projection, 500):
        bearing, pitch, roll = rng.uniform(0, 360), rng.uniform(-85, 30), rng.uniform(-40, 40)
        here = np.array([rng.uniform(-50, 50), rng.uniform(-50, 50), rng.uniform(2, 8)])
        top = min(lens.half_angle_limit_rad * 0.97, np.radians(75) if projection == "rectilinear" else 1.5)
        angle, around = rng.uniform(0, top, CASES // 500), rng.uniform(0, 2 * np.pi, CASES // 500)
        axis = np.stack([np.sin(angle) * np.cos(around), np.sin(angle) * np.sin(around), np.cos(angle)], axis=-1)
        rotation = camera_from_world(bearing, pitch, roll)
        points = here + (axis * rng.uniform(1, 60, (len(axis), 1))) @ rotation
        targets = tuple(Target(str(i), *map(float, p)) for i, p in enumerate(points))
        camera = Camera(
            "c", float(here[0]), float(here[1]), float(here[2]), bearing, pitch, lens, roll, targets=targets
        )
        views = geometry(camera).targets
        mine = np.array([[v.column_px, v.row_px] for v in views], dtype=float)
        vector, shift = cv2.Rodrigues(rotation)[0], -rotation @ here
        if projection == "rectilinear":
            theirs = cv2.projectPoints(points, vector, shift, _matrix(lens), np.array([lens.k1, lens.k2, 0, 0]))[0]
        else:
            theirs = cv2.fisheye.projectPoints(
                points[:, None], vector, shift, _matrix(lens), np.array([lens.k1, lens.k2, 0, 0])
            )[0]
        theirs = theirs.reshape(-1, 2)
        near = np.all(np.abs(theirs - np.array(lens.centre_px)) < 6000, axis=1)
        worst = max(worst, float(np.abs(mine - theirs)[near].max(initial=0.0)))
        compared += int(near.sum())
        flags, density = under_poses(camera, [[bearing, pitch, roll]])
        assert flags[0].tolist() == [v.in_frame for v in views]
        assert np.allclose(density[0], [v.px_per_m for v in views], rtol=1e-9)
    assert compared > 0.9 * CASES
    assert worst < PIXEL


@pytest.mark.parametrize("projection", ["rectilinear", "equidistant"])
def test_a_pixel_looks_back_along_the_direction_it_came_from(projection: str) -> None:
    rng = np.random.default_rng(11)
    for lens in _lenses(rng, projection, 400):
        pixels = rng.uniform([-0.5, -0.5], [lens.width_px - 0.5, lens.height_px - 0.5], (25, 2))
        directions = lens.unproject(pixels)
        kept = np.isfinite(directions).all(axis=1)
        assert np.abs(lens.project(directions[kept]) - pixels[kept]).max(initial=0.0) < 1e-5
        assert np.allclose(np.linalg.norm(directions[kept], axis=1), 1.0)


def test_undistortion_agrees_with_opencv() -> None:
    """cv2.undistortPoints, iterated to convergence, gives the same rays."""
    rng = np.random.default_rng(3)
    criteria = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 500, 1e-13)
    for _ in range(200):
        lens = Lens(1920, 1080, rng.uniform(30, 90), k1=rng.uniform(-0.15, 0.1), k2=rng.uniform(0, 0.02))
        pixels = rng.uniform([0, 0], [1919, 1079], (20, 2))
        rays = lens.unproject(pixels)
        theirs = cv2.undistortPoints(
            pixels[:, None], _matrix(lens), np.array([lens.k1, lens.k2, 0, 0]), criteria=criteria
        ).reshape(-1, 2)
        assert np.abs(rays[:, :2] / rays[:, 2:] - theirs).max() < np.radians(DEGREE) / 10


@settings(max_examples=300, deadline=None)
@given(bearing=st.floats(0, 359.99), pitch=st.floats(-89.5, 89.5), roll=st.floats(-179, 179))
def test_poses_come_back_from_their_rotation(bearing: float, pitch: float, roll: float) -> None:
    rotation = camera_from_world(bearing, pitch, roll)
    assert np.allclose(rotation @ rotation.T, np.eye(3)) and np.linalg.det(rotation) > 0
    assert np.allclose(rotation[:, 2], up_in_camera(roll, pitch))
    b, p, r = pose_from_rotation(rotation)
    assert abs((b - bearing + 180) % 360 - 180) < DEGREE and abs(p - pitch) < DEGREE
    assert abs((r - roll + 180) % 360 - 180) < DEGREE


def test_ten_thousand_horizons_by_the_closed_form() -> None:
    """Row at the middle column = cy - f tan(p) / cos(r) for a pinhole, cy - f p for a level equidistant lens."""
    rng = np.random.default_rng(5)
    for _ in range(CASES // 2):
        lens = Lens(1920, 1080, rng.uniform(25, 110))
        pitch, roll = rng.uniform(-40, 20), rng.uniform(-30, 30)
        camera = Camera("c", 0, 0, 3.0, 10.0, pitch, lens, roll)
        row = 539.5 + lens.focal_px * np.tan(np.radians(pitch)) / np.cos(np.radians(roll))
        found = geometry(camera).horizon_row_px
        if -0.5 <= row <= 1079.5:
            assert found is not None and abs(found - row) < PIXEL
        else:
            assert found is None
    for _ in range(CASES // 2):
        lens = Lens(2000, 1500, rng.uniform(90, 200), projection="equidistant")
        pitch = rng.uniform(-60, 30)
        row = 749.5 + lens.focal_px * np.radians(pitch)
        found = geometry(Camera("c", 0, 0, 3.0, 10.0, pitch, lens)).horizon_row_px
        assert (found is None) == (not -0.5 <= row <= 1499.5)
        assert found is None or abs(found - row) < PIXEL


def test_every_point_of_a_horizon_curve_is_level() -> None:
    rng = np.random.default_rng(6)
    for projection in ("rectilinear", "equidistant"):
        for lens in _lenses(rng, projection, 100):
            pitch, roll = rng.uniform(-50, 30), rng.uniform(-30, 30)
            curve = horizon_curve(lens, pitch, roll)
            kept = curve[np.isfinite(curve).all(axis=1)]
            if len(kept) == 0:
                continue
            height = lens.unproject(kept) @ up_in_camera(roll, pitch)
            assert np.nanmax(np.abs(np.degrees(np.arcsin(height)))) < DEGREE


@pytest.mark.parametrize(("pitch", "roll"), [(-90.0, 0.0), (-90.0, 40.0), (90.0, -25.0)])
def test_a_fisheye_that_looks_straight_down_or_up_has_the_horizon_as_a_circle(pitch: float, roll: float) -> None:
    """A quarter turn off the axis all around: r = f pi/2 for the equidistant projection (r = f theta)."""
    lens = Lens(2400, 2400, 220.0, projection="equidistant")
    curve = horizon_curve(lens, pitch, roll)
    assert np.isfinite(curve).all()
    assert np.hypot(*(curve - np.array(lens.centre_px)).T) == pytest.approx(lens.focal_px * np.pi / 2, abs=PIXEL)
    turned = np.unwrap(np.arctan2(*(curve - np.array(lens.centre_px)).T))
    assert abs(turned[-1] - turned[0]) == pytest.approx(2 * np.pi), "once around"


def test_open_sky_is_the_counted_share_of_pixels() -> None:
    """Against counting every pixel's direction, one by one."""
    rng = np.random.default_rng(8)
    for index in range(24):
        if index % 2:
            lens = Lens(800, int(rng.choice([450, 800])), rng.uniform(120, 200), projection="equidistant")
        else:
            lens = Lens(800, 450, rng.uniform(40, 110), k1=rng.uniform(-0.1, 0.1) * (index % 4 == 0))
        pitch, roll = rng.uniform(-70, 30), rng.uniform(-25, 25)
        y, x = np.mgrid[0 : lens.height_px, 0 : lens.width_px].astype(float)
        height = lens.unproject(np.stack([x, y], axis=-1)) @ up_in_camera(roll, pitch)
        counted = float((height[np.isfinite(height)] > 0).mean())
        assert abs(open_sky_fraction(lens, pitch, roll) - counted) < 0.002
    shares = open_sky_under_poses(lens, np.linspace(-80, 80, 9), np.zeros(9))
    assert np.all(np.diff(shares) >= 0)


def test_ground_reach_by_the_closed_form() -> None:
    """Near edge h / tan(tilt + vfov/2), far edge h / tan(tilt - vfov/2) on the middle column, 10,000 cases."""
    rng = np.random.default_rng(9)
    for _ in range(2_500):
        lens = Lens(1920, 1080, rng.uniform(25, 100))
        tilt, height = rng.uniform(0, 60), rng.uniform(2, 12)
        seen = geometry(Camera("c", 0, 0, height, rng.uniform(0, 360), -tilt, lens))
        lower, upper = np.radians(tilt + lens.vfov_deg / 2), np.radians(tilt - lens.vfov_deg / 2)
        near = 0.0 if lower >= np.pi / 2 else height / np.tan(lower)
        assert seen.nearest_ground_m == pytest.approx(near, rel=1e-6, abs=1e-6)
        if upper > 1e-6:
            assert seen.farthest_ground_m == pytest.approx(height / np.tan(upper), rel=1e-6)
        else:
            assert seen.farthest_ground_m is None


def test_a_turn_of_the_camera_moves_nothing_but_the_bearing() -> None:
    lens = Lens(1920, 1080, 70)
    for bearing in (0.0, 90.0, 215.5):
        a = np.radians(bearing)
        target = Target("t", 10 * np.sin(a), 10 * np.cos(a), 1.5)
        view = geometry(Camera("c", 0, 0, 3, bearing, -12, lens, targets=(target,))).targets[0]
        assert view.column_px == pytest.approx(959.5, abs=1e-6)
        assert view.px_per_m == pytest.approx(
            lens.focal_px / (10 * np.cos(np.radians(12)) + 1.5 * np.sin(np.radians(12)))
        )


def test_pose_defaults_to_the_plan() -> None:
    camera = Camera("c", 0, 0, 3, 20, -15, Lens(1920, 1080, 55.54))
    assert geometry(camera) == geometry(camera, Pose(20, -15, 0))
