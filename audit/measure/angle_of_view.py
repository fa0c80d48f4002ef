"""The angle of view of a picture whose lens is unknown, estimated jointly with which way is up.

The learned view guesses it and ties latitude differences to pixel distances; upright edges and level edges that meet
at right angles tie the vertical vanishing point to the horizon (their distances from the principal point multiply to
the focal length squared, Hartley and Zisserman, Multiple View Geometry, section 8.6).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from audit.lens import HfovSource, Lens
from audit.measure.squareness import square_gain
from audit.measure.up_direction import Seen, constants, solve

__all__ = ["estimate_lens"]

FloatArray = NDArray[np.float64]

_LEAST_DEG, _MOST_DEG = 28.0, 120.0
_STEPS, _REACH_SD, _CLOSER = 7, 2.4, 0.5
_COMMON_DEG, _COMMON_SD = 70.0, 0.35
"""Common practice, no source: fixed lenses and phones lie about 70 deg, within a factor of 1.4 (1 sd)."""


def estimate_lens(seen: Seen, width_px: int, height_px: int) -> Lens:
    """A rectilinear lens with the likeliest angle of view and its standard deviation.

    Parameters
    ----------
    seen : Seen
    width_px, height_px : int
        Size of the picture.

    Returns
    -------
    Lens
        ``source`` is ``estimated``, or ``assumed`` where the picture says nothing about it.
    """
    table = constants()["lens"]
    longest = max(width_px, height_px) / width_px
    low, high = (_log_tangent(deg) for deg in (_LEAST_DEG, _MOST_DEG))
    middle, spread = _log_tangent(_COMMON_DEG), _COMMON_SD
    network = seen.network
    if network is not None and network.half_view is not None and network.half_view_sd is not None:
        worth = 1 / (table["view_sd_scale"] * network.half_view_sd) ** 2
        total = worth + 1 / spread**2
        middle, spread = (worth * network.half_view + middle / spread**2) / total, total**-0.5

    def hfov_deg(log_tangent: float) -> float:
        return float(2 * np.degrees(np.arctan(np.exp(log_tangent) / longest)))

    def score(log_tangent: float) -> float:
        found = solve(seen, Lens(width_px, height_px, hfov_deg(log_tangent)), quick=True)
        gain = table["score"] * found.score + table["learned"] * found.learned_gain
        return float(gain + table["square"] * square_gain(found.edges, found.fit.up)
                     - 0.5 * ((log_tangent - middle) / spread) ** 2)

    ends = np.clip((middle - _REACH_SD * spread, middle + _REACH_SD * spread), low, high)
    at = np.linspace(ends[0], ends[1], _STEPS)
    values = np.array([score(x) for x in at])
    closer = _CLOSER * (at[1] - at[0]) * np.array([-1.0, 1.0]) + at[int(np.argmax(values))]
    closer = closer[(closer > ends[0]) & (closer < ends[1])]
    at, values = np.concatenate([at, closer]), np.concatenate([values, [score(x) for x in closer]])
    mean, sd = _moments(at, values)
    sd = float(np.hypot(sd, table["model_sd"]))
    hfov = hfov_deg(mean)
    # d hfov = sin(hfov) d log tan(hfov / 2)
    hfov_sd = np.degrees(np.sin(np.radians(hfov)) * sd)
    source: HfovSource = "estimated" if sd < 0.7 * _COMMON_SD else "assumed"
    return Lens(width_px, height_px, hfov, float(hfov_sd), source)


def _log_tangent(angle_deg: float) -> float:
    return float(np.log(np.tan(np.radians(angle_deg / 2))))


def _moments(at: FloatArray, values: FloatArray) -> tuple[float, float]:
    """Mean and sd of the density whose logarithm passes through ``values``."""
    order = np.argsort(at)
    fine = np.linspace(at.min(), at.max(), 121)
    log_density = PchipInterpolator(at[order], values[order])(fine)
    weight = np.exp(log_density - log_density.max())
    weight /= weight.sum()
    mean = float(weight @ fine)
    return mean, float(np.sqrt(weight @ (fine - mean) ** 2))
