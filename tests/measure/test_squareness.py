"""Level edges that meet at right angles tell the angle of view (Hartley and Zisserman, section 8.6)."""

from __future__ import annotations

import numpy as np

from audit.frames import up_in_camera
from audit.lens import Lens
from audit.measure.segments import arcs
from audit.measure.squareness import square_gain

TRUE = Lens(1280, 720, 80.0)


def _edges(corner_deg: float) -> np.ndarray:
    """Segments of uprights and of level edges in two directions that meet at an angle, roll 0, pitch -15."""
    rng = np.random.default_rng(2)
    up = up_in_camera(0.0, -15.0)
    along = np.cross(up, [0.0, 0.0, 1.0])
    along /= np.linalg.norm(along)
    across = np.cross(up, along)
    segments = []
    for turn in (25.0, 25.0 + corner_deg):
        level = np.cos(np.radians(turn)) * along + np.sin(np.radians(turn)) * across
        for _ in range(40):
            start = np.array([rng.uniform(-4, 4), rng.uniform(-2, 2), rng.uniform(5, 9)])
            ends = TRUE.project(np.stack([start, start + 1.2 * level]))
            segments.append(ends.ravel())
    for _ in range(40):
        start = np.array([rng.uniform(-4, 4), rng.uniform(-1, 1), rng.uniform(5, 9)])
        segments.append(TRUE.project(np.stack([start, start + 1.2 * up])).ravel())
    found = np.array(segments)
    return found[np.isfinite(found).all(axis=1)]


def _gain(corner_deg: float, hfov_deg: float) -> float:
    lens = Lens(1280, 720, hfov_deg)
    # The vertical vanishing point keeps its pixel: focal length and pitch go together.
    slope = np.degrees(np.arctan(np.tan(np.radians(15.0)) * TRUE.focal_px / lens.focal_px))
    return square_gain(arcs(_edges(corner_deg), lens, 1.0, 0.58, np.radians(0.4)), up_in_camera(0.0, -slope))


def test_square_corners_prefer_the_true_angle_of_view() -> None:
    gains = {hfov: _gain(90.0, hfov) for hfov in (60.0, 70.0, 80.0, 90.0, 100.0)}
    assert max(gains, key=gains.__getitem__) == 80.0
    assert gains[80.0] > gains[70.0] + 10


def test_skew_corners_gain_less() -> None:
    assert _gain(60.0, 80.0) < 0.8 * _gain(90.0, 80.0)


def test_no_edge_gains_nothing() -> None:
    empty = arcs(np.zeros((0, 4)), TRUE, 1.0, 0.58, np.radians(0.4))
    assert square_gain(empty, up_in_camera(0.0, 0.0)) == 0.0
