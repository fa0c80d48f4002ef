"""What a visit's own photos teach about its crew and phones: errors, pace, order of the walk.

Fitted to walks drawn from the current belief (Monte Carlo expectation-maximisation), always held near common values,
so that a small visit hardly moves them.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audit.match.drawn import Rule
from audit.match.evidence import (
    PhotoArrays,
    Settings,
    SiteArrays,
    direction_log_density,
    direction_log_ratio,
    position_log_density,
)
from audit.match.sampling import Draws
from audit.match.stays import learn_habit, stays_of
from audit.match.walk import (
    STANDOFF_KEPT,
    WALK_M_PER_S,
    Chain,
    link_log_ratio,
    move_chance,
    position_residuals,
    position_variance,
)

__all__ = ["burst_steps", "first_settings", "learn", "rule_of"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_SCALES = np.exp(np.linspace(math.log(0.4), math.log(4.0), 19))
_FRONTS = (0.05, 0.2, 0.4, 0.6, 0.75, 0.85, 0.9)
_DIRECTIONS_DEG = (10.0, 14.0, 18.0, 23.0, 29.0, 36.0, 45.0)
#: How errors of position may keep from photo to photo.
_STEADINESS: dict[str, tuple[float, ...]] = {
    "repeat_m": (0.5, 0.8, 1.2, 1.6, 2.0, 2.7),
    "repeat_share": (0.05, 0.1, 0.17, 0.25, 0.35),
    "correlation_s": (60.0, 100.0, 150.0, 220.0, 330.0),
    "standoff_sd_m": (1.5, 2.0, 2.5, 3.2),
}
_USUAL = Settings()
_REPEATS_DEG = (6.0, 8.0, 10.0, 12.0, 14.0, 17.0, 20.0, 25.0)
_HOLD = 40.0
_RESUMED = 15.0
_LEARN_PHOTOS = 30_000
_GRID_PHOTOS = 20_000


def _pull(values: FloatArray, trust: FloatArray, prior: float, weight: float) -> float:
    """Weighted mean of values, held to a prior worth ``weight`` values."""
    return float(((values * trust).sum() + prior * weight) / (trust.sum() + weight))


def burst_steps(photos: PhotoArrays, chain: Chain, settings: Settings) -> NDArray[np.bool_]:
    """Steps that follow at once on the one before, (T,)."""
    gap = np.diff(photos.time_s[chain.photo], prepend=np.nan)
    return np.asarray(~chain.cut & (gap <= max(2.5, 0.2 * settings.stay_gap_s)))


def rule_of(settings: Settings) -> Rule:
    """What ties whole walks together, under some settings."""
    n = np.arange(len(settings.lengths))
    plain = settings.stay_share**n * (1 - settings.stay_share)
    plain[-1] = settings.stay_share ** n[-1]
    return Rule(settings.missed_share, settings.again_share, np.array(settings.lengths) / plain, settings.habit)


def first_settings(photos: PhotoArrays, chain: Chain) -> Settings:
    """Settings whose pace comes from the gaps between photos alone: bursts, photos of one stay, and moves.

    A mixture of three bells in the logarithm of the gap, held to common values.
    """
    base = Settings()
    gap = np.diff(photos.time_s[chain.photo], prepend=np.nan)
    gap = gap[~chain.cut & ~np.isnan(gap)]
    if gap.size < 20:
        return base
    value = np.log(np.clip(gap, 0.5, 3600.0))
    middle = np.log([base.burst_gap_s, base.stay_gap_s, base.move_gap_s])
    spread = np.array([0.6, base.stay_gap_spread, base.move_gap_spread])
    share = np.array([0.05, 0.6, 0.35])
    anchor = middle.copy()
    for _ in range(60):
        bells = share * np.exp(-0.5 * ((value[:, None] - middle) / spread) ** 2) / spread
        part = bells / (bells.sum(axis=1, keepdims=True) + 1e-300)
        mass = part.sum(axis=0)
        middle = (part.T @ value + anchor * 5) / (mass + 5)
        variance = (part * (value[:, None] - middle) ** 2).sum(axis=0)
        spread = np.sqrt((variance + 0.6**2 * 30) / (mass + 30))
        middle[0], spread[0] = anchor[0], 0.6
        share = (mass + np.array([2.0, 12.0, 7.0])) / (mass.sum() + 21.0)
    if middle[2] - middle[1] < 0.35:
        return base
    return replace(base, stay_gap_s=math.exp(middle[1]), stay_gap_spread=float(spread[1]),
                   move_gap_s=math.exp(middle[2]), move_gap_spread=float(spread[2]),
                   burst_share=float(np.clip(share[0] / (share[0] + share[1]), 0.01, 0.5)),
                   stay_share=float(np.clip(share[0] + share[1], 0.3, 0.9)))


def _steadiness(east: FloatArray, north: FloatArray, scale: FloatArray, photos: PhotoArrays, chain: Chain,
                fits: NDArray[np.bool_], begins: NDArray[np.bool_], camera: IntArray, settings: Settings,
                weight: float) -> Settings:
    """Settings whose errors of position keep as drawn walks show, from residuals (R, T) of photos that follow each other.

    One quantity after the other is set to the best of a grid, held to common values.
    """
    gap = np.diff(photos.time_s[chain.photo])
    pairs = fits[:, 1:] & fits[:, :-1] & (~chain.cut[1:] & ~np.isnan(gap))[None, :]
    same = ~begins[:, 1:] & (camera[:, 1:] == camera[:, :-1])
    pairs &= same | begins[:, 1:]
    if not pairs.any():
        return settings
    thin = max(1, int(pairs.sum()) // _GRID_PHOTOS)
    weight = weight * thin

    def of(values: FloatArray) -> FloatArray:
        return np.asarray(np.broadcast_to(values, pairs.shape)[pairs][::thin], dtype=np.float64)

    e1, n1, e2, n2 = of(east[:, :-1]), of(north[:, :-1]), of(east[:, 1:]), of(north[:, 1:])
    s1, s2, apart, held = of(scale[:-1]), of(scale[1:]), np.maximum(of(gap), 0.0), of(same.astype(np.float64))

    def score(trial: Settings) -> float:
        v1, v2 = position_variance(s1, trial), position_variance(s2, trial)
        shared = np.exp(-apart / trial.correlation_s) * s1 * s2 + held * STANDOFF_KEPT * trial.standoff_sd_m**2
        fit = link_log_ratio(e1, n1, e2, n2, v1, v2, shared) + position_log_density(e2**2 + n2**2, v2)
        away = sum(math.log(getattr(trial, name) / getattr(_USUAL, name)) ** 2 for name in _STEADINESS)
        return float(weight * fit.sum()) - 4.0 * away

    def with_value(trial: Settings, name: str, value: float) -> Settings:
        changed: dict[str, Any] = {name: value}
        return replace(trial, **changed)

    best = settings
    for name, grid in (*_STEADINESS.items(), *_STEADINESS.items()):
        best = max((with_value(best, name, value) for value in grid), key=score)
    return best


def _repeat_sd_deg(turn: FloatArray, real: NDArray[np.bool_], begins: NDArray[np.bool_], camera: IntArray,
                   settings: Settings, weight: float) -> float:
    """Spread of directions within stays that fits drawn walks, from turns (R, T) of photos that follow each other."""
    held = real[:, 1:] & real[:, :-1] & ~begins[:, 1:] & (camera[:, 1:] == camera[:, :-1])
    then, now = turn[:, :-1][held], turn[:, 1:][held]
    if not then.size:
        return settings.compass_repeat_sd_deg
    thin = max(1, then.size // _GRID_PHOTOS)
    score = [
        weight * thin * direction_log_ratio(then[::thin], now[::thin], replace(settings, compass_repeat_sd_deg=sd)).sum()
        - 4.0 * math.log(sd / _USUAL.compass_repeat_sd_deg) ** 2
        for sd in _REPEATS_DEG
    ]
    return _REPEATS_DEG[int(np.argmax(score))]


def learn(site: SiteArrays, photos: PhotoArrays, chain: Chain, settings: Settings, draws: Draws,
          wanted: FloatArray, start: Settings, coded: IntArray) -> Settings:
    """Settings that fit the drawn walks.

    Parameters
    ----------
    settings : Settings
        The belief under which ``draws`` were made.
    draws : Draws
        Some tens of walks.
    wanted : float array (N,)
        Expected stays at each camera without the one-visit rule: tells which cameras lie on the walk at all.
    start : Settings
        What the pace is held to.
    coded : int array (T,)
        Camera whose label each photo shows, -1 for none.
    """
    kept = int(np.clip(_LEARN_PHOTOS // draws.place.shape[1], 2, 24))
    use = slice(None, None, max(1, len(draws.place) // kept))
    place, away, begins = draws.place[use].astype(np.int64), draws.away[use], draws.begins[use]
    steps = np.arange(place.shape[1])
    camera = chain.candidates[steps[None, :], place]
    real = ~away
    weight = 1.0 / len(place)

    base = Settings()
    unit = replace(settings, position_scale=1.0)
    east, north, scale = position_residuals(site, photos, chain, unit)
    e = east[steps[None, :], place]
    n = north[steps[None, :], place]
    fits = real & ~np.isnan(e)
    position_scale, standoff = settings.position_scale, settings.standoff_m
    if fits.any():
        thin = max(1, int(fits.sum()) // _GRID_PHOTOS)
        own = np.broadcast_to(scale[None, :], e.shape)[fits][::thin]
        square = (e[fits] ** 2 + n[fits] ** 2)[::thin]
        score = [weight * thin * 0.3 * position_log_density(square, position_variance(own * s, settings)).sum()
                 - 4.0 * math.log(s / base.position_scale) ** 2 for s in _SCALES]
        position_scale = float(_SCALES[int(np.argmax(score))])
        look = np.broadcast_to(photos.bearing[chain.photo][None, :], e.shape)
        sighted = fits & ~np.isnan(look)
        if sighted.any():
            along = -(e[sighted] * np.sin(look[sighted]) + n[sighted] * np.cos(look[sighted])) + standoff
            noise = np.broadcast_to(scale[None, :], e.shape)[sighted] * position_scale
            trust = weight / (1.0 + (noise / 5.0) ** 2)
            keep = np.abs(along) < 4 * noise + 10
            mean = (float((along * trust)[keep].sum()) + 4.0 * 20.0) / (float(trust[keep].sum()) + 20.0)
            standoff = float(np.clip(mean, 0.5, 10.0))

    steady = _steadiness(e, n, scale * position_scale, photos, chain, fits, begins, camera, settings, weight)

    turn = photos.bearing[chain.photo][None, :] - site.bearing[np.maximum(camera, 0)] - np.pi
    seen = real & ~np.isnan(turn)
    front, direction = settings.front_share, settings.direction_sd_deg
    if seen.any():
        best = -np.inf
        thin = max(1, int(seen.sum()) // _GRID_PHOTOS)
        turns = turn[seen][::thin]
        for share in _FRONTS:
            for sd in _DIRECTIONS_DEG:
                trial = replace(settings, front_share=share, direction_sd_deg=sd)
                score_here = (weight * thin * 0.4 * direction_log_density(turns, trial).sum()
                              - 5.0 * (share - base.front_share) ** 2
                              - 2.0 * math.log(sd / base.direction_sd_deg) ** 2)
                if score_here > best:
                    best, front, direction = float(score_here), share, sd

    repeat = _repeat_sd_deg(turn, real, begins, camera, replace(settings, front_share=front, direction_sd_deg=direction),
                            weight)
    gap = np.diff(photos.time_s[chain.photo], prepend=np.nan)
    timed = (~chain.cut & ~np.isnan(gap))[None, :]
    gaps = np.broadcast_to(np.maximum(gap, 0.5)[None, :], real.shape)
    before = np.concatenate([np.full((len(camera), 1), -1), camera[:, :-1]], axis=1)
    before_real = np.concatenate([np.zeros((len(camera), 1), dtype=bool), real[:, :-1]], axis=1)
    held = timed & real & before_real & ~begins & (camera >= 0)
    moves = timed & begins & (before >= 0)
    left = timed & ~before_real & (before >= 0) & real
    resume = (float((left & ~begins).sum()) * weight + _RESUMED * base.resume_share) / (float(left.sum()) * weight + _RESUMED)
    hold = _HOLD * len(place)
    size = chain.candidates.shape[1]
    found = np.bincount((steps * size + draws.place).ravel(), minlength=steps.size * size).reshape(-1, size)
    sure = (found / len(draws.place))[steps[None, :], place]
    sure[:, 1:] *= sure[:, :-1]
    trust = sure**2
    calm = gaps > 0.25 * settings.stay_gap_s
    stay_log = np.log(gaps[held & calm])
    stay_trust, move_trust = trust[held & calm], trust[moves]
    burst = float(np.clip(((held & ~calm).sum() + start.burst_share * hold) / (held.sum() + hold), 0.01, 0.5))
    a, b = np.maximum(before, 0)[moves], np.maximum(camera, 0)[moves]
    where = site.walk_coordinates
    far = np.sqrt(((where[a] - where[b]) ** 2).sum(axis=1))
    move_log = np.log(np.maximum(gaps[moves] - 0.7 * far / WALK_M_PER_S, 1.0))

    def bell(values: FloatArray, weights: FloatArray, median: float, spread: float) -> tuple[float, float]:
        if not values.size:
            return median, spread
        trimmed = np.clip(values, np.quantile(values, 0.02), np.quantile(values, 0.98))
        middle = _pull(trimmed, weights, math.log(median), hold)
        variance = _pull((trimmed - middle) ** 2, weights, spread**2, hold)
        return math.exp(middle), float(np.clip(math.sqrt(variance) * 1.05, 0.3, 1.4))

    stay_gap, stay_spread = bell(stay_log, stay_trust, start.stay_gap_s, start.stay_gap_spread)
    move_gap, move_spread = bell(move_log, move_trust, start.move_gap_s, start.move_gap_spread)
    stay_share = (held.sum() + start.stay_share * hold) / (held.sum() + moves.sum() + hold)
    walk_scale = settings.walk_scale_m
    order, back = settings.order_share, settings.back_share
    if moves.any():
        prior = 1.5 * site.spacing_m
        walk_scale = float(np.clip(_pull(np.minimum(far, 10 * prior), move_trust, prior, hold), 0.5 * prior, 4 * prior))
        chance = move_chance(site, far, b - a, settings)
        order = float(np.clip(_pull(settings.order_share * (b - a == 1) / chance, move_trust, base.order_share, hold),
                              0.02, 0.9))
        back = float(np.clip(_pull(settings.back_share * (b - a == -1) / chance, move_trust, base.back_share, hold),
                             0.01, 0.5))
        order, back = order * min(1.0, 0.92 / (order + back)), back * min(1.0, 0.92 / (order + back))
    reach = wanted > 0.25
    missed = settings.missed_share
    if reach.any():
        rows = np.broadcast_to(np.arange(len(camera))[:, None], camera.shape)[begins]
        visited = np.zeros((len(camera), site.size), dtype=bool)
        visited[rows, camera[begins]] = True
        unseen = float((~visited[:, reach]).mean())
        missed = float(np.clip(missed * (base.missed_share + 0.002) / (unseen + 0.002), 0.015, 0.1))
    stays = stays_of(begins, away, ~burst_steps(photos, chain, settings))
    counts = np.bincount(np.minimum(stays.count[begins], len(base.lengths)) - 1, minlength=len(base.lengths))
    habit = learn_habit(stays, real & (coded >= 0)[None, :] & (camera == coded[None, :]), steps.size)
    lengths = (counts + np.array(base.lengths) * hold) / (counts.sum() + hold)
    return replace(
        steady, position_scale=position_scale, standoff_m=standoff, front_share=front, direction_sd_deg=direction,
        stay_gap_s=stay_gap, stay_gap_spread=stay_spread, move_gap_s=move_gap, move_gap_spread=move_spread,
        stay_share=float(stay_share), compass_repeat_sd_deg=repeat, resume_share=resume, walk_scale_m=walk_scale, order_share=order, back_share=back,
        burst_share=burst, missed_share=missed, habit=habit,
        lengths=tuple(lengths.tolist()))
