"""The angle of view of a picture whose lens is unknown, estimated jointly with which way is up.

The learned view guesses it and ties latitude differences to pixel distances; upright edges and level edges that meet
at right angles tie the vertical vanishing point to the horizon (their distances from the principal point multiply to
the focal length squared, Hartley and Zisserman, Multiple View Geometry, section 8.6). Each angle that is tried has its
own up direction: their scatter by the angles' chances is what not knowing the lens does to roll and pitch.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from audit.lens import HfovSource, Lens
from audit.measure.constants import constants
from audit.measure.squareness import square_gain
from audit.measure.up_direction import Seen, solve

__all__ = ["AngleOfView", "estimate_angle"]

FloatArray = NDArray[np.float64]

_LEAST_DEG, _MOST_DEG = 8.0, 120.0
_STEPS, _REACH_SD, _CLOSER = 5, 2.0, 0.5
_LONG_DEG = (12.0, 20.0, 32.0)
"""Angles of long lenses that are always tried: they look like wide ones that stand near."""
_COMMON_DEG, _COMMON_SD = 62.0, 0.6
"""Common practice, no source: fixed lenses lie about 60 deg, within a factor of 1.8 (1 sd), from 8 to 120."""
_TOLD_SD = 0.3
"""Scatter of log tan(hfov / 2) from which on the picture is said to tell nothing of the angle."""


@dataclass(frozen=True, slots=True)
class AngleOfView:
    """An estimated angle of view, and roll and pitch over all angles that may be.

    Attributes
    ----------
    lens : Lens
        Rectilinear, with the angle's mean and its standard deviation; ``source`` is ``estimated``, or ``assumed`` where
        the picture says nothing about it.
    shift_deg : tuple of 2 floats
        Roll and pitch in the mean over the angles, less those through ``lens``.
    sd_deg : tuple of 2 floats
        Their scatter over the angles.
    """

    lens: Lens
    shift_deg: tuple[float, float]
    sd_deg: tuple[float, float]


def estimate_angle(seen: Seen, width_px: int, height_px: int) -> AngleOfView:
    """The likeliest angle of view of a rectilinear lens, and what not knowing it does to roll and pitch.

    Parameters
    ----------
    seen : Seen
    width_px, height_px : int
        Size of the picture.

    Returns
    -------
    AngleOfView
    """
    table = constants()["lens"]
    longest = max(width_px, height_px) / width_px
    low, high = (_log_tangent(deg) for deg in (_LEAST_DEG, _MOST_DEG))
    middle, spread, trust = _log_tangent(_COMMON_DEG), _COMMON_SD, 0.0
    network = seen.network
    if network is not None and network.half_view is not None and network.half_view_sd is not None:
        middle = float(np.clip(network.half_view, low, high))
        spread = float(np.hypot(table["view_sd_scale"] * network.half_view_sd, table["view_floor"]))
        trust = table["view_trust"]

    def log_prior(log_tangent: float) -> float:
        """The network's guess, which is sometimes far off, and what lenses there are."""
        told = trust / spread * np.exp(-0.5 * ((log_tangent - middle) / spread) ** 2)
        common = np.exp(-0.5 * ((log_tangent - _log_tangent(_COMMON_DEG)) / _COMMON_SD) ** 2)
        return float(np.log(told + (1 - trust) / _COMMON_SD * common + 1e-12))

    def hfov_deg(log_tangent: float) -> float:
        return float(2 * np.degrees(np.arctan(np.exp(log_tangent) / longest)))

    def tried(log_tangent: float) -> tuple[float, float, float]:
        """Log density, roll and pitch of one angle."""
        found = solve(seen, Lens(width_px, height_px, hfov_deg(log_tangent)), quick=True)
        gain = table["score"] * found.score + table["learned"] * found.learned_gain
        gain += table["square"] * square_gain(found.edges, found.fit.up) + log_prior(log_tangent)
        return float(gain), found.roll_deg, found.pitch_deg

    ends = np.clip((middle - _REACH_SD * spread, middle + _REACH_SD * spread), low, high)
    # those that lie outside what is tried already
    long = [x for x in map(_log_tangent, _LONG_DEG) if x < ends[0] - 0.1]
    at = np.concatenate([long, np.linspace(ends[0], ends[1], _STEPS)])
    values = np.array([tried(x) for x in at])
    best = int(np.argmax(values[:, 0]))
    beside = np.array([at[max(best - 1, 0)], at[min(best + 1, at.size - 1)]])
    closer = np.setdiff1d(at[best] + _CLOSER * (beside - at[best]), at)
    at, values = np.concatenate([at, closer]), np.concatenate([values, [tried(x) for x in closer]])
    mean, sd, shift, scatter = _moments(at, values[:, 0], values[:, 1:])
    sd = float(np.hypot(sd, table["model_sd"]))
    hfov = hfov_deg(mean)
    # d hfov = sin(hfov) d log tan(hfov / 2)
    hfov_sd = np.degrees(np.sin(np.radians(hfov)) * sd)
    source: HfovSource = "estimated" if sd < _TOLD_SD else "assumed"
    lens = Lens(width_px, height_px, hfov, float(hfov_sd), source)
    return AngleOfView(lens, (float(shift[0]), float(shift[1])), (float(scatter[0]), float(scatter[1])))


def _log_tangent(angle_deg: float) -> float:
    return float(np.log(np.tan(np.radians(angle_deg / 2))))


def _moments(at: FloatArray, log_density: FloatArray, angles_deg: FloatArray) -> tuple[float, float, FloatArray, FloatArray]:
    """Mean and sd of the density whose logarithm passes through ``log_density``, shape (N,), and by it of roll and pitch.

    ``angles_deg`` (N, 2) are roll and pitch at each place; their mean comes less what they are at the density's mean.
    """
    order = np.argsort(at)
    fine = np.linspace(at.min(), at.max(), 121)
    height = PchipInterpolator(at[order], log_density[order])(fine)
    weight = np.exp(height - height.max())
    weight /= weight.sum()
    mean = float(weight @ fine)
    angles = np.column_stack([np.interp(fine, at[order], column[order]) for column in angles_deg.T])
    middle = weight @ angles
    there = np.array([np.interp(mean, at[order], column[order]) for column in angles_deg.T])
    return mean, float(np.sqrt(weight @ (fine - mean) ** 2)), middle - there, np.sqrt(weight @ (angles - middle) ** 2)
