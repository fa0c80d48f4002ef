"""The angle of view of a picture whose lens is unknown, estimated jointly with which way is up.

The learned view ties latitude differences to pixel distances; upright edges and two or more level directions tie
the vertical vanishing point to the horizon (their distances from the principal point multiply to the focal length
squared, Hartley and Zisserman, Multiple View Geometry, section 8.6).
"""

from __future__ import annotations

import numpy as np
from scipy.interpolate import PchipInterpolator

from audit.lens import HfovSource, Lens
from audit.measure.up_direction import Seen, constants, solve

__all__ = ["estimate_lens"]

_LEAST_DEG, _MOST_DEG, _STEPS = 28.0, 120.0, 7
_MODEL_SD = 0.05
"""Scatter of log tan(hfov / 2) that the cues share, measured on held-out places."""
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
    longest = max(width_px, height_px) / width_px
    focal = np.linspace(np.log(np.tan(np.radians(_LEAST_DEG / 2))), np.log(np.tan(np.radians(_MOST_DEG / 2))), 61)
    middle = np.log(np.tan(np.radians(_COMMON_DEG / 2)))

    table = constants()
    more_level = table["edges"]["choice_level_lens"] - table["edges"]["choice_level"]
    more_learned = table["network"]["lens_weight"] - 1

    def score(log_tangent: float) -> float:
        hfov = 2 * np.degrees(np.arctan(np.exp(log_tangent) / longest))
        prior = -0.5 * ((log_tangent - middle) / _COMMON_SD) ** 2
        found = solve(seen, Lens(width_px, height_px, float(hfov)))
        more = more_level * found.fit.level_gain + more_learned * found.learned_gain
        return float(found.score + more + prior)

    coarse = np.linspace(focal[0], focal[-1], _STEPS)
    values = PchipInterpolator(coarse, [score(x) for x in coarse])(focal)
    weight = np.exp(values - values.max())
    weight /= weight.sum()
    mean = float((weight * focal).sum())
    sd = float(np.sqrt((weight * (focal - mean) ** 2).sum() + _MODEL_SD**2))
    hfov = 2 * np.degrees(np.arctan(np.exp(mean) / longest))
    # d hfov = sin(hfov) d log tan(hfov / 2)
    hfov_sd = np.degrees(np.sin(np.radians(hfov)) * sd)
    source: HfovSource = "estimated" if sd < 0.7 * _COMMON_SD else "assumed"
    return Lens(width_px, height_px, float(hfov), float(hfov_sd), source)
