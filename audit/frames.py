"""Frames and sign conventions, in one place.

World
    Local metres **east, north, up** (ENU) from the site's origin; WGS 84 latitude/longitude only at the edges.
Camera
    x to the right, y down, z forward along the optical axis; the image's pixel (0, 0) is the centre of the top
    left pixel.
``bearing_deg``
    Optical axis clockwise from true north, 0 <= b < 360.
``pitch_deg``
    Optical axis above (+) or below (-) the horizontal.
``roll_deg``
    + when the camera is turned clockwise as seen from behind it; the horizon then appears turned
    counter-clockwise in the image (its left end low).

For a camera with pitch ``p`` and roll ``r``, the world's up direction in camera coordinates is
``(-sin r cos p, -cos r cos p, sin p)``; it is the whole of what one image can tell about its pose without
knowing the bearing.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "bearing_difference_deg",
    "camera_from_world",
    "pose_from_rotation",
    "roll_pitch_from_up",
    "up_in_camera",
    "wrap_bearing_deg",
]

FloatArray = NDArray[np.float64]


def wrap_bearing_deg(bearing_deg: float) -> float:
    """The same bearing in 0 <= b < 360 degrees."""
    wrapped = float(bearing_deg) % 360.0
    return 0.0 if wrapped == 360.0 else wrapped


def bearing_difference_deg(a_deg: float, b_deg: float) -> float:
    """Signed turn from ``b`` to ``a`` in degrees, -180 <= d < 180; + is clockwise (to the right)."""
    return (float(a_deg) - float(b_deg) + 180.0) % 360.0 - 180.0


def camera_from_world(bearing_deg: float, pitch_deg: float, roll_deg: float = 0.0) -> FloatArray:
    """Rotation that takes east-north-up directions into camera coordinates.

    Returns
    -------
    ndarray, shape (3, 3)
        ``R`` with ``d_camera = R @ d_world``; rows are the camera's right, down and forward axes in the world.
    """
    b, p, r = math.radians(bearing_deg), math.radians(pitch_deg), math.radians(roll_deg)
    sb, cb, sp, cp, sr, cr = math.sin(b), math.cos(b), math.sin(p), math.cos(p), math.sin(r), math.cos(r)
    return np.array(
        [
            [cr * cb + sr * sb * sp, -cr * sb + sr * cb * sp, -sr * cp],
            [-sr * cb + cr * sb * sp, sr * sb + cr * cb * sp, -cr * cp],
            [sb * cp, cb * cp, sp],
        ]
    )


def pose_from_rotation(rotation: FloatArray) -> tuple[float, float, float]:
    """Bearing, pitch and roll in degrees of a camera-from-world rotation.

    Straight up or down (|pitch| = 90), where bearing and roll describe the same turn, roll is given as 0.
    """
    forward = rotation[2]
    pitch = np.arcsin(np.clip(forward[2], -1.0, 1.0))
    if np.hypot(forward[0], forward[1]) < 1e-9:
        right = rotation[0]
        return wrap_bearing_deg(np.degrees(np.arctan2(-right[1], right[0]))), float(np.degrees(pitch)), 0.0
    bearing = np.arctan2(forward[0], forward[1])
    roll, _ = roll_pitch_from_up(rotation[:, 2])
    return wrap_bearing_deg(np.degrees(bearing)), float(np.degrees(pitch)), roll


def up_in_camera(roll_deg: float, pitch_deg: float) -> FloatArray:
    """Unit vector of the world's up in camera coordinates (x right, y down, z forward), shape (3,)."""
    r, p = np.radians([roll_deg, pitch_deg])
    return np.array([-np.sin(r) * np.cos(p), -np.cos(r) * np.cos(p), np.sin(p)])


def roll_pitch_from_up(up: FloatArray) -> tuple[float, float]:
    """Roll and pitch in degrees from the up vector in camera coordinates; inverse of :func:`up_in_camera`."""
    x, y, z = np.asarray(up, dtype=np.float64) / np.linalg.norm(up)
    pitch = float(np.degrees(np.arctan2(z, np.hypot(x, y))))
    roll = float(np.degrees(np.arctan2(-x, -y)))
    return roll, pitch
