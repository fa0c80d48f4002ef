"""An open horizon (sea, field, far skyline) as a cue for the up direction.

The lower edge of the sky is followed column by column and fitted with a great circle. Only an edge that is straight
over much of the picture counts, and then only as a possibility: a flat roof is straight too, and a skyline mostly
stands somewhat above the horizon (a 10 m tree 50 m away by 8 degrees).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audit.lens import Lens
from audit.measure.vanishing import Quadratic

__all__ = ["HorizonCue", "HorizonLimits", "open_horizon"]

FloatArray = NDArray[np.float64]

_COLUMNS = 64
_SOFT_SHARE, _SOFT_STEP = 0.3, 5.0
"""Steps in brightness that a third of the edge may stay under: a bank in fog ends softly, and no horizon is it."""
_SPREAD_RAD = float(np.radians(22.0))
"""Spread of up directions of fixed cameras, against which the cue's gain is counted."""


@dataclass(frozen=True, slots=True)
class HorizonCue:
    """A straight lower edge of the sky.

    Attributes
    ----------
    up : ndarray, shape (3,)
        Up direction if the edge is the true horizon.
    sd_rad : float
        Scatter of true horizons about such edges.
    chance : float
        How often such an edge is an open horizon.
    """

    up: FloatArray
    sd_rad: float
    chance: float

    def _peak(self) -> float:
        return self.chance * (_SPREAD_RAD / self.sd_rad) ** 2

    def log_likelihood(self, ups: FloatArray) -> FloatArray:
        """Log likelihood of up directions, shape (M, 3) -> (M,), 0 where the edge is no horizon."""
        off = ((ups - self.up) ** 2).sum(axis=1) / self.sd_rad**2
        return np.asarray(np.log(1 - self.chance + self._peak() * np.exp(-0.5 * off)))

    def quadratic(self, up: FloatArray) -> Quadratic:
        """Second order of the log likelihood about an up direction, with the odds of a horizon held."""
        off = float(((up - self.up) ** 2).sum()) / self.sd_rad**2
        bump = self._peak() * np.exp(-0.5 * off)
        share = bump / (1 - self.chance + bump)
        information = np.eye(3) * (share / self.sd_rad**2)
        return Quadratic(up, information @ (self.up - up), information)


@dataclass(frozen=True, slots=True)
class HorizonLimits:
    """What passes for an open horizon.

    Attributes
    ----------
    sd_rad, chance : float
        See :class:`HorizonCue`.
    straight_rad : float
        Largest distance of an edge point from the great circle.
    least_share : float
        Least share of the picture's columns on it.
    """

    sd_rad: float
    chance: float
    straight_rad: float
    least_share: float


def open_horizon(sky_logit: NDArray[np.floating], grey: NDArray[np.uint8], lens: Lens, limits: HorizonLimits) -> HorizonCue | None:
    """A straight lower edge of the sky, None where there is none.

    Parameters
    ----------
    sky_logit : ndarray, shape (h, w)
        Log odds of sky over the picture.
    grey : ndarray, shape (H, W), uint8
        The picture, any size; sharpens the edge.
    lens : Lens
    limits : HorizonLimits
    """
    least_share = limits.least_share
    rows, columns = sky_logit.shape
    # a smaller map shows no edge
    if min(rows, columns) < 8:
        return None
    at = np.unique(np.linspace(0, columns - 1, _COLUMNS).round().astype(int))
    logit = np.asarray(sky_logit[:, at], dtype=np.float64)
    sky = logit > 0
    lowest = rows - 1 - np.argmax(sky[::-1], axis=0)
    # The edge lies within the picture, and from the first sky cell down to it is sky for the most part.
    full = sky.sum(axis=0) >= 0.8 * (lowest - np.argmax(sky, axis=0) + 1)
    edge = sky.any(axis=0) & (lowest < rows - 2) & (lowest > 0) & full
    if edge.sum() < least_share * at.size:
        return None
    j = np.flatnonzero(edge)
    above, below = logit[lowest[j], j], logit[lowest[j] + 1, j]
    row = lowest[j] + above / np.maximum(above - below, 1e-6)
    # the edge is sought within a cell and a half of the map
    height, step = _sharpened(grey, (at[j] + 0.5) / columns, (row + 0.5) / rows, 1.5 / rows)
    if float(np.quantile(step, _SOFT_SHARE)) < _SOFT_STEP:
        return None
    y = height * lens.height_px - 0.5
    x = (at[j] + 0.5) / columns * lens.width_px - 0.5
    rays = lens.unproject(np.column_stack([x, y]))
    rays = rays[np.isfinite(rays).all(axis=1)]
    if rays.shape[0] < least_share * at.size:
        return None
    normal, on = _great_circle(rays, limits.straight_rad)
    if on.sum() < least_share * at.size:
        return None
    return HorizonCue(normal if normal[1] < 0 else -normal, limits.sd_rad, limits.chance)


def _sharpened(grey: NDArray[np.uint8], x: FloatArray, y: FloatArray, reach: float) -> tuple[FloatArray, FloatArray]:
    """Heights (0..1) of the strongest step in brightness within ``reach`` of each point, and the steps, shapes (N,)."""
    height, width = grey.shape
    half = max(1, int(np.ceil(reach * height)))
    column = np.clip((x * width).astype(int), 0, width - 1)
    middle = np.clip((y * height).astype(int), half + 1, max(half + 1, height - half - 2))
    span = middle[:, None] + np.arange(-half, half + 1)
    span = np.clip(span, 1, height - 2)
    step = np.abs(grey[span + 1, column[:, None]].astype(int) - grey[span - 1, column[:, None]].astype(int))
    best = step.max(axis=1)
    # places nearly as steep as the steepest share in where the edge is
    top = step * (step >= 0.7 * best[:, None])
    found = (top * span).sum(axis=1) / np.maximum(top.sum(axis=1), 1)
    # a softer step than this, in shades, is no edge
    return np.where(best >= 8, (found + 0.5) / height, y), best.astype(np.float64)


def _great_circle(rays: FloatArray, straight_rad: float) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Normal of the great circle that most rays lie on, and which do."""
    count = rays.shape[0]
    apart = max(count // 4, 1)
    pairs = [(i, k) for i in range(0, count - apart, 3) for k in range(i + apart, count, 3)]
    first, second = np.array(pairs or [(0, count - 1)]).T
    normals = np.cross(rays[first], rays[second])
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
    close = np.abs(rays @ normals.T) < straight_rad
    on = close[:, int(np.argmax(close.sum(axis=0)))]
    for _ in range(3):
        if on.sum() < 3:
            break
        _, _, axes = np.linalg.svd(rays[on], full_matrices=False)
        normal = axes[-1]
        on = np.abs(rays @ normal) < straight_rad
    else:
        return normal, on
    return normals[0], on
