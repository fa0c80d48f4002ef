"""The learned view as a cue for the up direction.

The network says for each cell of a coarse grid which way up appears in the image and how far above the horizon the
cell looks, each with its scatter. For any up direction the lens predicts both, so the cue holds for any angle of
view and projection. Neighbouring cells err together: the sum over cells is tempered to the measured number of
independent ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from audit.lens import Lens
from audit.measure.vanishing import Quadratic

__all__ = ["LearnedCue", "NetworkView", "learned_cue"]

FloatArray = NDArray[np.float64]

_LATITUDE_FREEDOM = 3.0
_GRID_ROWS = 9
_GRID_COLUMNS = 16


class NetworkView(Protocol):
    """What the orientation needs of a network's answer, see :mod:`audit.measure.network`.

    Attributes
    ----------
    up : ndarray, shape (h, w, 2)
        Unit vector of the image direction of up at each cell's middle, (x right, y down).
    up_kappa : ndarray, shape (h, w)
        Concentration of its von Mises distribution.
    latitude_rad, latitude_sd_rad : ndarray, shape (h, w)
        Angle above the horizon of the cell's middle and its scatter.
    sky_logit : ndarray, any shape of two axes
        Log odds of sky.
    familiar : float
        How like its training the picture is, 0 to 1.
    half_view, half_view_sd : float or None
        Log of the tangent of half the angle of view across the longer side, as the picture suggests, and its scatter.
    turned : tuple of 4 floats or None
        Chance of the picture standing upright, or as ``numpy.rot90`` turns it once, twice or three times.
    """

    @property
    def up(self) -> NDArray[np.floating]: ...

    @property
    def up_kappa(self) -> NDArray[np.floating]: ...

    @property
    def latitude_rad(self) -> NDArray[np.floating]: ...

    @property
    def latitude_sd_rad(self) -> NDArray[np.floating]: ...

    @property
    def sky_logit(self) -> NDArray[np.floating]: ...

    @property
    def familiar(self) -> float: ...

    @property
    def half_view(self) -> float | None: ...

    @property
    def half_view_sd(self) -> float | None: ...

    @property
    def turned(self) -> tuple[float, float, float, float] | None: ...


@dataclass(frozen=True, slots=True)
class LearnedCue:
    """The network's answer seen through one lens; cells that the lens can't image are left out.

    Attributes
    ----------
    rays : ndarray, shape (C, 3)
        Direction of each cell.
    steps : ndarray, shape (C, 2, 3)
        Pixels that a small step of the ray moves in the image.
    angle_rad, kappa, latitude_rad, latitude_sd_rad : ndarray, shape (C,)
        The answer: image direction of up as an angle (x to y) and latitude with their scatters.
    up_temper, latitude_temper : float
        Independent cells over cells, of either answer.
    """

    rays: FloatArray
    steps: FloatArray
    angle_rad: FloatArray
    kappa: FloatArray
    latitude_rad: FloatArray
    latitude_sd_rad: FloatArray
    up_temper: float
    latitude_temper: float

    def log_likelihood(self, ups: FloatArray) -> FloatArray:
        """Tempered log likelihood of up directions, shape (M, 3) -> (M,), up to a constant."""
        grid = ups.astype(np.float32).T
        flat = self.steps.astype(np.float32)
        x = flat[:, 0] @ grid
        y = flat[:, 1] @ grid
        length = np.sqrt(x * x + y * y)
        np.maximum(length, np.float32(1e-9), out=length)
        cosine, sine = np.cos(self.angle_rad).astype(np.float32), np.sin(self.angle_rad).astype(np.float32)
        agreement = (x * cosine[:, None] + y * sine[:, None]) / length
        total = self.up_temper * (self.kappa.astype(np.float32) @ agreement)
        latitude = np.arcsin(np.clip(self.rays.astype(np.float32) @ grid, -1.0, 1.0))
        expected, scatter = (v.astype(np.float32)[:, None] for v in (self.latitude_rad, self.latitude_sd_rad))
        z = (latitude - expected) / scatter
        misfit = np.log1p(z * z / np.float32(_LATITUDE_FREEDOM)).sum(axis=0)
        total -= self.latitude_temper * (_LATITUDE_FREEDOM + 1) / 2 * misfit
        return np.asarray(total, dtype=np.float64)

    def quadratic(self, up: FloatArray) -> Quadratic:
        """Second order of the tempered log likelihood about an up direction."""
        moved = self.steps @ up
        squared = np.maximum((moved**2).sum(axis=1), 1e-12)
        off = self.angle_rad - np.arctan2(moved[:, 1], moved[:, 0])
        off = (off + np.pi) % (2 * np.pi) - np.pi
        rows = (moved[:, :1] * self.steps[:, 1] - moved[:, 1:] * self.steps[:, 0]) / squared[:, None]
        # Close to the zenith or nadir the direction turns fast and says little.
        steady = np.minimum(1.0, 25.0 / np.maximum((rows**2).sum(axis=1), 1e-9))
        pull = self.kappa * np.sinc(off / np.pi) * steady
        # latitudes within 3.6 degrees of the zenith have no slope to go by
        sine = np.clip(self.rays @ up, -0.998, 0.998)
        miss = self.latitude_rad - np.arcsin(sine)
        tilt = self.rays / np.sqrt(1 - sine**2)[:, None]
        z = miss / self.latitude_sd_rad
        hold = (_LATITUDE_FREEDOM + 1) / (_LATITUDE_FREEDOM + z**2) / self.latitude_sd_rad**2
        a, b = self.up_temper, self.latitude_temper
        gradient = a * rows.T @ (pull * off) + b * tilt.T @ (hold * miss)
        # keeps the curvature positive where the answer points the other way
        stiff = self.kappa * np.maximum(np.cos(off), 0.05) * steady
        information = a * (rows * stiff[:, None]).T @ rows + b * (tilt * hold[:, None]).T @ tilt
        return Quadratic(up, gradient, information)


def learned_cue(view: NetworkView, lens: Lens, up_cells: float, latitude_cells: float) -> LearnedCue | None:
    """The network's answer through a lens; None where no cell can be imaged.

    Parameters
    ----------
    view : NetworkView
    lens : Lens
        Of the image that the network looked at, at any size.
    up_cells, latitude_cells : float
        How many independent cells the two answers are worth (measured).
    """
    rows, columns = view.latitude_rad.shape
    down, across = max(1, rows // _GRID_ROWS), max(1, columns // _GRID_COLUMNS)
    r = np.arange(down // 2, rows, down)
    c = np.arange(across // 2, columns, across)
    y, x = np.meshgrid((r + 0.5) / rows * lens.height_px - 0.5, (c + 0.5) / columns * lens.width_px - 0.5,
                       indexing="ij")
    pixels = np.stack([x, y], axis=-1).reshape(-1, 2)
    rays = lens.unproject(pixels)
    # step of the derivative, radians
    small = 1e-4
    steps = np.stack([(lens.project(rays + small * axis) - lens.project(rays - small * axis)) / (2 * small)
                      for axis in np.eye(3)], axis=-1)
    pick = np.ix_(r, c)
    up = np.asarray(view.up, dtype=np.float64)[pick].reshape(-1, 2)
    values = [np.asarray(field, dtype=np.float64)[pick].ravel()
              for field in (view.up_kappa, view.latitude_rad, view.latitude_sd_rad)]
    good = np.isfinite(rays).all(axis=1) & np.isfinite(steps).all(axis=(1, 2)) & np.isfinite(up).all(axis=1)
    for value in values:
        good &= np.isfinite(value)
    if not good.any():
        return None
    kappa, latitude, scatter = (value[good] for value in values)
    # no direction is told more sharply than to half a degree
    return LearnedCue(rays[good], steps[good], np.arctan2(up[good, 1], up[good, 0]), np.clip(kappa, 0.0, 1e4),
                      # no latitude is told more sharply than to a twentieth of a degree
                      latitude, np.clip(scatter, 1e-3, np.pi), up_cells / float(good.sum()),
                      latitude_cells / float(good.sum()))
