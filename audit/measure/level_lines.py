"""Directions of level edges in a picture, counted from the optical axis: what cameras of one site share.

Edges of one building run level in few directions, and every camera that sees it sees them under azimuths that differ by
the cameras' bearings alone. One picture can't tell its bearing by them; a site's pictures together can tell whose
bearing does not fit (:mod:`audit.judge.lines`).

An edge that is level runs, whatever the lens, along the meeting line of its own plane with the horizon's. An edge is
counted by its length, by how surely it is no upright, and spread by how badly its azimuth is known: one that lies on
the horizon itself could run anywhere.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from audit.measure.segments import Arcs

__all__ = ["BINS", "level_lines"]

FloatArray = NDArray[np.float64]

#: Bins of the azimuth modulo 180 degrees: 2 degrees each.
BINS = 90
#: Longer edges count no more than this: one kerb is one direction, however long. Shorter ones are mostly texture, so
#: they count by more than their length; this, and the next two, set on places of the training split.
_MOST_LENGTH_PX, _LENGTH_POWER = 120.0, 1.5
#: Real walls are parallel to about a degree, and roll and pitch are measured to about as much.
_FLOOR_SD_RAD = np.radians(1.0)
#: An edge whose azimuth is worse known than this says nothing.
_MOST_SD_RAD = np.radians(5.0)
#: Fewer edges than this tell no direction of a building.
_LEAST_EDGES = 5
#: A camera looks along the plumb line where less of its optical axis than this lies level.
_LEAST_LEVEL = 0.2
_DIGITS = 4


def level_lines(edges: Arcs, up: FloatArray, upright: FloatArray) -> tuple[float, ...] | None:
    """Weight of level edges by azimuth from the optical axis, clockwise seen from above, modulo 180 degrees.

    Parameters
    ----------
    edges : Arcs
    up : ndarray, shape (3,)
        The world's up direction in the camera.
    upright : ndarray, shape (N,)
        How surely each edge is an upright, 0..1.

    Returns
    -------
    tuple of BINS float, or None
        In edges' worth of evidence; the middle of bin ``k`` lies at ``(k + 0.5) * 180 / BINS`` degrees. None where too
        few edges tell a direction, or the camera looks along the plumb line.
    """
    forward = np.array([0.0, 0.0, 1.0]) - up[2] * up
    size = float(np.linalg.norm(forward))
    if size < _LEAST_LEVEL or len(edges) == 0:
        return None
    forward /= size
    right = np.cross(forward, up)
    crossing = np.cross(edges.normal, up)
    steep = np.linalg.norm(crossing, axis=1)
    along = crossing / np.maximum(steep, 1e-9)[:, None]
    away = np.sqrt(np.maximum(1.0 - np.einsum("ij,ij->i", edges.middle, along) ** 2, 1e-6))
    # keeps a divisor or a logarithm from 0
    sd = np.hypot(edges.sd_rad * away / np.maximum(steep, 1e-3), _FLOOR_SD_RAD)
    used = (sd < _MOST_SD_RAD) & (upright < 0.5)
    if int(used.sum()) < _LEAST_EDGES:
        return None
    azimuth = np.arctan2(along[used] @ right, along[used] @ forward)
    length = np.minimum(edges.length_px[used] / _MOST_LENGTH_PX, 1.0)
    weight = (1.0 - upright[used]) * length**_LENGTH_POWER
    middles = (np.arange(BINS) + 0.5) * np.pi / BINS
    off = (middles[None] - azimuth[:, None] + np.pi / 2) % np.pi - np.pi / 2
    spread = np.exp(-0.5 * (off / sd[used, None]) ** 2)
    spread /= np.maximum(spread.sum(axis=1, keepdims=True), 1e-9)
    return tuple(round(float(x), _DIGITS) for x in weight @ spread)
