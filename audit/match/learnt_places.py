"""Lessons of where photos were taken: errors of position, how they keep, the standoff, and directions.

Each is the best of a grid, or a mean, under a bell about the usual value (docs/matching.md, formulas 13 and 14).
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audit.match.evidence import Settings, direction_log_density, direction_log_ratio, position_log_density
from audit.match.factors import STANDOFF_KEPT, Residual, link_log_ratio, position_residuals, position_variance
from audit.match.shown import Shown, thinned

__all__ = ["learn_directions", "learn_positions", "repeat_sd_deg", "steadiness"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_USUAL = Settings()
#: Values that are tried (chosen: what phones and crews show, in steps that a visit can tell apart).
_SCALES = np.exp(np.linspace(math.log(0.4), math.log(4.0), 19))
_FRONTS = (0.05, 0.2, 0.4, 0.6, 0.75, 0.85, 0.9)
_DIRECTIONS_DEG = (10.0, 14.0, 18.0, 23.0, 29.0, 36.0, 45.0)
_REPEATS_DEG = (6.0, 8.0, 10.0, 12.0, 14.0, 17.0, 20.0, 25.0)
#: How errors of position may keep from photo to photo.
_STEADINESS: dict[str, tuple[float, ...]] = {
    "repeat_m": (0.5, 0.8, 1.2, 1.6, 2.0, 2.7),
    "repeat_share": (0.05, 0.1, 0.17, 0.25, 0.35),
    "correlation_s": (60.0, 100.0, 150.0, 220.0, 330.0),
    "standoff_sd_m": (1.5, 2.0, 2.5, 3.2),
}
#: How strongly a positive quantity is held to its usual value: times its squared log ratio (a bell of sd 0.35 in the log).
_HELD_LOG = 4.0
#: The same for the share of photos that face the camera (of its squared difference), and for the spread of directions.
_HELD_FRONT, _HELD_DIRECTION = 5.0, 2.0
#: Powers of the likelihoods of positions and of directions: the photos of one stay err alike and don't count in full (chosen).
_POSITION_POWER, _DIRECTION_POWER = 0.3, 0.4
#: Noise of position at which a photo counts half for the standoff; how far off, in noises and metres more, it counts no
#: longer; photos that the usual standoff is worth; least and most standoff (chosen).
_STANDOFF_NOISE_M, _STANDOFF_NOISES, _STANDOFF_OFF_M, _STANDOFF_WORTH = 5.0, 4, 10, 20.0
_LEAST_STANDOFF_M, _MOST_STANDOFF_M = 0.5, 10.0


def learn_positions(shown: Shown) -> Settings:
    """The settings with scale, standoff and steadiness of positions as drawn walks show them."""
    settings = shown.settings
    steps = np.arange(shown.place.shape[1])
    east, north, scale = position_residuals(shown.site, shown.photos, shown.chain, replace(settings, position_scale=1.0))
    e, n = east[steps[None, :], shown.place], north[steps[None, :], shown.place]
    fits = shown.real & ~np.isnan(e)
    own, standoff_m = settings.position_scale, settings.standoff_m
    if fits.any():
        own = _position_scale(shown, e, n, np.broadcast_to(scale[None, :], e.shape), fits)
        standoff_m = _standoff_m(shown, e, n, np.broadcast_to(scale[None, :], e.shape) * own)
    return replace(steadiness(shown, e, n, scale * own), position_scale=own, standoff_m=standoff_m)


def _position_scale(shown: Shown, e: FloatArray, n: FloatArray, scale: FloatArray, fits: BoolArray) -> float:
    thin = thinned(int(fits.sum()))
    own = scale[fits][::thin]
    square = (e[fits] ** 2 + n[fits] ** 2)[::thin]
    score = [
        shown.weight * thin * _POSITION_POWER * position_log_density(square, position_variance(own * s, shown.settings)).sum()
        - _HELD_LOG * math.log(s / _USUAL.position_scale) ** 2
        for s in _SCALES
    ]
    return float(_SCALES[int(np.argmax(score))])


def _standoff_m(shown: Shown, e: FloatArray, n: FloatArray, noise_m: FloatArray) -> float:
    """Mean distance from the photographer to the camera, along the direction that photos look."""
    look = np.broadcast_to(shown.bearing[None, :], e.shape)
    sighted = shown.real & ~np.isnan(e) & ~np.isnan(look)
    if not sighted.any():
        return shown.settings.standoff_m
    along = -(e[sighted] * np.sin(look[sighted]) + n[sighted] * np.cos(look[sighted])) + shown.settings.standoff_m
    noise = noise_m[sighted]
    trust = shown.weight / (1.0 + (noise / _STANDOFF_NOISE_M) ** 2)
    keep = np.abs(along) < _STANDOFF_NOISES * noise + _STANDOFF_OFF_M
    total = float((along * trust)[keep].sum()) + _USUAL.standoff_m * _STANDOFF_WORTH
    mean = total / (float(trust[keep].sum()) + _STANDOFF_WORTH)
    return float(np.clip(mean, _LEAST_STANDOFF_M, _MOST_STANDOFF_M))


def steadiness(shown: Shown, east: FloatArray, north: FloatArray, scale: FloatArray) -> Settings:
    """Settings whose errors of position keep as drawn walks show, from residuals (R, T) of photos that follow each other.

    One quantity after the other is set to the best of a grid, held to common values.

    Parameters
    ----------
    scale : float array (T,)
        The receiver's own scale, metres.
    """
    gap = np.diff(shown.photos.time_s[shown.chain.photo])
    fits, begins, camera = shown.real & ~np.isnan(east), shown.begins, shown.camera
    pairs = fits[:, 1:] & fits[:, :-1] & (~shown.chain.cut[1:] & ~np.isnan(gap))[None, :]
    same = ~begins[:, 1:] & (camera[:, 1:] == camera[:, :-1])
    pairs &= same | begins[:, 1:]
    if not pairs.any():
        return shown.settings
    thin = thinned(int(pairs.sum()))
    weight = shown.weight * thin

    def of(values: FloatArray) -> FloatArray:
        return np.asarray(np.broadcast_to(values, pairs.shape)[pairs][::thin], dtype=np.float64)

    e1, n1, e2, n2 = of(east[:, :-1]), of(north[:, :-1]), of(east[:, 1:]), of(north[:, 1:])
    s1, s2, apart, held = of(scale[:-1]), of(scale[1:]), np.maximum(of(gap), 0.0), of(same.astype(np.float64))

    def score(trial: Settings) -> float:
        v1, v2 = position_variance(s1, trial), position_variance(s2, trial)
        shared = np.exp(-apart / trial.correlation_s) * s1 * s2 + held * STANDOFF_KEPT * trial.standoff_sd_m**2
        fit = link_log_ratio(Residual(e1, n1, v1), Residual(e2, n2, v2), shared) + position_log_density(e2**2 + n2**2, v2)
        away = sum(math.log(getattr(trial, name) / getattr(_USUAL, name)) ** 2 for name in _STEADINESS)
        return float(weight * fit.sum()) - _HELD_LOG * away

    best = shown.settings
    for name, grid in (*_STEADINESS.items(), *_STEADINESS.items()):
        best = max((_with_value(best, name, value) for value in grid), key=score)
    return best


def _with_value(settings: Settings, name: str, value: float) -> Settings:
    changed: dict[str, Any] = {name: value}
    return replace(settings, **changed)


def learn_directions(shown: Shown, settings: Settings) -> Settings:
    """The settings with the share of photos that face their camera, and both spreads of directions, as drawn walks show them."""
    turn = shown.bearing[None, :] - shown.site.bearing[np.maximum(shown.camera, 0)] - np.pi
    seen = shown.real & ~np.isnan(turn)
    front, direction = settings.front_share, settings.direction_sd_deg
    if seen.any():
        thin = thinned(int(seen.sum()))
        turns = turn[seen][::thin]

        def score(tried: tuple[float, float]) -> float:
            share, sd = tried
            trial = replace(shown.settings, front_share=share, direction_sd_deg=sd)
            return float(
                shown.weight * thin * _DIRECTION_POWER * direction_log_density(turns, trial).sum()
                - _HELD_FRONT * (share - _USUAL.front_share) ** 2
                - _HELD_DIRECTION * math.log(sd / _USUAL.direction_sd_deg) ** 2
            )

        front, direction = max(((share, sd) for share in _FRONTS for sd in _DIRECTIONS_DEG), key=score)
    found = replace(settings, front_share=front, direction_sd_deg=direction)
    return replace(found, compass_repeat_sd_deg=repeat_sd_deg(shown, turn, replace(shown.settings, front_share=front, direction_sd_deg=direction)))


def repeat_sd_deg(shown: Shown, turn: FloatArray, settings: Settings) -> float:
    """Spread of directions within stays that fits drawn walks, from turns (R, T) of photos that follow each other."""
    real, begins, camera = shown.real, shown.begins, shown.camera
    held = real[:, 1:] & real[:, :-1] & ~begins[:, 1:] & (camera[:, 1:] == camera[:, :-1])
    then, now = turn[:, :-1][held], turn[:, 1:][held]
    if not then.size:
        return settings.compass_repeat_sd_deg
    thin = thinned(then.size)
    score = [
        shown.weight * thin * direction_log_ratio(then[::thin], now[::thin], replace(settings, compass_repeat_sd_deg=sd)).sum()
        - _HELD_LOG * math.log(sd / _USUAL.compass_repeat_sd_deg) ** 2
        for sd in _REPEATS_DEG
    ]
    return _REPEATS_DEG[int(np.argmax(score))]
