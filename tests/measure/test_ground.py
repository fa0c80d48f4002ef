"""The ground from above: where a point lies in it, and that it says nothing of what is not in the picture."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from audit.frames import camera_from_world
from audit.lens import Lens
from audit.measure.ground import CELL, COLUMNS, ROWS, ground_from_record, ground_to_record, ground_view

LENS = Lens(1280, 720, 80.0)


def _spot(lens: Lens, roll: float, pitch: float, aside: float, ahead: float) -> np.ndarray:
    """A grey picture with a bright spot where a point of the ground, in heights of the camera, is seen."""
    at = lens.project(camera_from_world(0.0, pitch, roll) @ np.array([aside, ahead, -1.0]))
    picture = np.full((lens.height_px, lens.width_px, 3), 90, np.uint8)
    cv2.circle(picture, (round(float(at[0])), round(float(at[1]))), 6, (240, 240, 240), -1)
    return picture


@pytest.mark.parametrize(("roll", "pitch", "aside", "ahead"), [(0.0, -25.0, 0.4, 2.0), (4.0, -35.0, -0.5, 1.4), (-3.0, -20.0, 1.0, 3.0)])
def test_a_point_of_the_ground_lies_where_it_is(roll: float, pitch: float, aside: float, ahead: float) -> None:
    view = ground_view(_spot(LENS, roll, pitch, aside, ahead), LENS, roll, pitch)
    assert view is not None
    row, column = np.unravel_index(int(view.contrast.argmax()), view.contrast.shape)
    assert abs((row + 0.5) * CELL - ahead) <= 1.5 * CELL
    assert abs((column + 0.5 - COLUMNS / 2) * CELL - aside) <= 1.5 * CELL


def test_laying_flat_is_opencv_s_homography() -> None:
    """The ground's plane to the picture is K [r1 r2 t] (Hartley and Zisserman 2004, 8.1.1), by cv2.warpPerspective."""
    rng = np.random.default_rng(3)
    blots = cv2.resize(rng.integers(0, 255, (40, 70), dtype=np.uint8), (1280, 720), interpolation=cv2.INTER_CUBIC)
    view = ground_view(cv2.cvtColor(blots, cv2.COLOR_GRAY2RGB), LENS, 2.0, -30.0)
    assert view is not None
    rotation = camera_from_world(0.0, -30.0, 2.0)
    camera = np.array([[LENS.focal_px, 0, 639.5], [0, LENS.focal_px, 359.5], [0, 0, 1]])
    plane = camera @ np.stack([rotation[:, 0], rotation[:, 1], -rotation[:, 2]], axis=1)
    to_plane = np.array([[CELL, 0, (0.5 - COLUMNS / 2) * CELL], [0, CELL, 0.5 * CELL], [0, 0, 1]])
    flat = cv2.warpPerspective(blots, plane @ to_plane, (COLUMNS, ROWS), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    near = view.seen.copy()
    near[30:] = False  # farther off a cell holds many blots
    mine, theirs = view.contrast[near], flat[near].astype(float)
    assert near.sum() > 300
    assert np.corrcoef(mine, theirs)[0, 1] > 0.9


def test_kept_and_read_again_it_is_the_same_to_a_level() -> None:
    view = ground_view(_spot(LENS, 0.0, -25.0, 0.4, 2.0), LENS, 0.0, -25.0)
    again = ground_from_record(ground_to_record(view))
    assert view is not None and again is not None
    assert np.array_equal(view.seen, again.seen)
    assert float(np.abs(np.clip(view.contrast, -3.96, 3.96) - again.contrast).max()) <= 1 / 64 + 1e-6
    assert ground_from_record(ground_to_record(None)) is None


def test_a_picture_of_the_sky_shows_no_ground() -> None:
    assert ground_view(np.full((720, 1280, 3), 200, np.uint8), LENS, 0.0, 40.0) is None
