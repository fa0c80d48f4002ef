"""How well straight edges agree with two level directions square to each other.

Walls of most buildings and rooms meet at right angles: of two angles of view that explain the upright edges alike,
the one that makes level edges meet squarely is the likelier.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from audit.measure.segments import Arcs
from audit.measure.vanishing import residual_rad, student, tangent_basis

__all__ = ["square_gain"]

FloatArray = NDArray[np.float64]

_MOST_EDGES = 250
_REST, _UPRIGHT, _SQUARE = 0.5, 0.25, 0.125
_USUAL_LENGTH_PX = 40.0
_COARSE_DEG, _FINE_DEG = 1.0, 0.2


def square_gain(edges: Arcs, up: FloatArray) -> float:
    """Gain in log likelihood by the best pair of level directions at a right angle, against none.

    Parameters
    ----------
    edges : Arcs
        Each counts with the square root of its length.
    up : ndarray, shape (3,)
    """
    few = edges.longest(_MOST_EDGES)
    if len(few) == 0:
        return 0.0
    basis = tangent_basis(up)
    # no edge counts less than a third or more than three times a usual one
    weight = np.sqrt(np.clip(few.length_px / _USUAL_LENGTH_PX, 0.1, 10.0))
    upright = _UPRIGHT * np.pi * student(residual_rad(few, up[None])[:, 0], few.sd_rad)

    def gain(azimuth: FloatArray, blur_rad: float) -> FloatArray:
        cosine, sine = np.cos(azimuth)[:, None], np.sin(azimuth)[:, None]
        level = np.concatenate([cosine * basis[0] + sine * basis[1], cosine * basis[1] - sine * basis[0]])
        near = student(residual_rad(few, level), np.hypot(few.sd_rad, blur_rad)[:, None])
        both = _SQUARE * np.pi * (near[:, : azimuth.size] + near[:, azimuth.size :])
        return np.asarray(weight @ np.log(_REST + upright[:, None] + both))

    coarse = np.radians(np.arange(0.0, 90.0, _COARSE_DEG))
    best = coarse[int(np.argmax(gain(coarse, float(np.radians(_COARSE_DEG / 2)))))]
    fine = best + np.radians(np.arange(-_COARSE_DEG, _COARSE_DEG + 1e-9, _FINE_DEG))
    return float(gain(fine, 0.0).max() - weight @ np.log(_REST + upright + 2 * _SQUARE))
