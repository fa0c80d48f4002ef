"""The crew's walk: photos in order as a chain of stays at cameras, with forward-backward sums.

State of the chain at each photo: the camera that the photographer is at, and whether the photo belongs to it
(*real*) or to no camera (*away*). The photographer stays for several photos, then goes on to a near camera. Each
photo has its own short list of candidate cameras, so that the cost does not depend on the size of the plan; the
last candidate of each list is "at none of them".
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audit.match.evidence import (
    NU,
    PhotoArrays,
    Settings,
    SiteArrays,
    direction_log_density,
    direction_log_ratio,
    position_log_density,
)

__all__ = ["LEAK", "STANDOFF_KEPT", "WALK_M_PER_S", "Chain", "Posterior", "Tables", "build_tables", "emissions",
           "forward_backward", "link_log_ratio", "move_chance", "position_residuals", "position_variance"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
AnyArray = NDArray[Any]

#: Ordinary walking speed (common practice, no source).
WALK_M_PER_S = 1.3
_RUN_M_PER_S = 2.5
_BROAD_LOG_GAP = -math.log(8.0)
#: Share of photos after which the photographer is at none of the candidates.
LEAK = 0.05
#: How far from the camera a stray beside it lies (added to the spread of positions).
_BESIDE_M = 8.0
#: Share of the standoff's variance that photos of one stay have in common.
STANDOFF_KEPT = 0.7
_CHUNK = 96
_BURN_IN = 32


@dataclass(frozen=True, slots=True)
class Chain:
    """Photos in the order of the walk, streams one after the other.

    Attributes
    ----------
    photo : int array (T,)
        Index of each step's photo.
    cut : bool array (T,)
        True where a step does not follow on the one before it (another stream, or an unknown time).
    candidates : int array (T, K)
        Camera indices, -1 for unused places; the last column is always -1 and stands for "at none of them".
    """

    photo: IntArray
    cut: BoolArray
    candidates: IntArray


@dataclass(frozen=True, slots=True)
class Tables:
    """Factors of the chain, scaled at each step; see :func:`build_tables`.

    ``move`` and ``move_away`` (T, K, K) go from the step before (rows) to a new stay at this step (columns), from a
    real photo and from an away one. ``stay``, ``stay_away`` and ``drift`` (T, K) go on with the same camera: real to
    real, away to real, any to away. ``previous`` and ``following`` (T, K) hold the place of the same camera in the
    neighbouring list, K where it is not in it. ``real`` and ``away`` (T, K) are the photos' own factors.
    """

    move: Float32Array
    move_away: Float32Array
    stay: Float32Array
    stay_away: Float32Array
    drift: Float32Array
    previous: IntArray
    following: IntArray
    real: Float32Array
    away: Float32Array
    cut: BoolArray
    restart: float


@dataclass(frozen=True, slots=True)
class Posterior:
    """Probabilities from the chain.

    Attributes
    ----------
    real, away : float array (T, K)
        That the photographer is at the candidate and the photo belongs to it, or does not.
    new_stay : float array (T, K)
        That a stay at the candidate begins at this step.
    """

    real: Float32Array
    away: Float32Array
    new_stay: Float32Array


def _expected_offset(
    site: SiteArrays, photos: PhotoArrays, chain: Chain, settings: Settings
) -> tuple[FloatArray, FloatArray]:
    """Where the photographer stands relative to each candidate: east and north metres, (T, K)."""
    bearing = photos.bearing[chain.photo][:, None]
    planned = site.bearing[chain.candidates]
    known = ~np.isnan(bearing)
    planned_known = ~np.isnan(planned)
    angle = np.where(known, bearing + np.pi, planned)
    reach = np.where(known, settings.standoff_m, settings.standoff_m * settings.front_share * 0.8)
    reach = np.where(known | planned_known, reach, 0.0)
    angle = np.where(known | planned_known, angle, 0.0)
    return reach * np.sin(angle), reach * np.cos(angle)


def position_residuals(
    site: SiteArrays, photos: PhotoArrays, chain: Chain, settings: Settings
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Position residuals east and north (T, K) and the receiver's own scale (T,), metres; NaN without position."""
    offset_e, offset_n = _expected_offset(site, photos, chain, settings)
    index = chain.photo
    east = photos.east_m[index][:, None] - site.east_m[chain.candidates] - offset_e
    north = photos.north_m[index][:, None] - site.north_m[chain.candidates] - offset_n
    stated = photos.position_m[index]
    scale = np.where(np.isnan(stated), settings.position_absent_m, np.maximum(stated, settings.position_floor_m))
    return east, north, scale * settings.position_scale


def position_variance(scale_m: AnyArray, settings: Settings) -> AnyArray:
    """Squared scale, m², of one photo's position residual: the receiver's error, what is new in it, and the standoff."""
    own = settings.repeat_m**2 + settings.standoff_sd_m**2
    return np.asarray(scale_m**2 * scale_m.dtype.type(1 + settings.repeat_share**2) + scale_m.dtype.type(own))


def link_log_ratio(e1: AnyArray, n1: AnyArray, e2: AnyArray, n2: AnyArray, v1: AnyArray, v2: AnyArray,
                   covariance: AnyArray) -> AnyArray:
    """Log of how much likelier a position residual is after the one before it than by itself; arrays broadcast.

    Parameters
    ----------
    e1, n1, e2, n2 : float array
        Residuals east and north of the earlier and the later photo, metres.
    v1, v2, covariance : float array
        Their squared scales and what they share, m²; conditional Student density.
    """
    slope = covariance / v1
    widen = (NU + (e1**2 + n1**2) / v1) / (NU + 2)
    spread2 = (v2 - covariance * slope) * widen
    joint = position_log_density((e2 - slope * e1) ** 2 + (n2 - slope * n1) ** 2, spread2, NU + 2)
    return np.asarray(joint - position_log_density(e2**2 + n2**2, v2))


def emissions(
    site: SiteArrays, photos: PhotoArrays, chain: Chain, settings: Settings, labels: FloatArray,
    otherwise: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Log factors of each photo by itself, (T, K): as a photo of the candidate, and as a stray taken beside it.

    Parameters
    ----------
    labels : float array (T, K)
        Log factors of ids and serials read.
    otherwise : float array (T,)
        The same where the photo belongs to no camera.
    """
    east, north, scale = position_residuals(site, photos, chain, settings)
    own2 = position_variance(scale, settings)[:, None]
    position = np.nan_to_num(position_log_density(east**2 + north**2, own2))
    beside = np.nan_to_num(position_log_density(east**2 + north**2, own2 + _BESIDE_M**2))
    has_position = ~np.isnan(photos.east_m[chain.photo])[:, None]
    position, beside = np.where(has_position, position, 0.0), np.where(has_position, beside, 0.0)
    elsewhere = np.where(has_position, -math.log(site.area_m2), 0.0)
    turn = photos.bearing[chain.photo][:, None] - site.bearing[chain.candidates] - np.pi
    has_direction = ~np.isnan(photos.bearing[chain.photo])[:, None]
    direction = np.where(has_direction, direction_log_density(turn, settings), 0.0)
    level = np.where(has_direction, -math.log(2 * np.pi), 0.0)
    stray, share = settings.stray_share, settings.beside_share
    real = math.log(1 - stray) + position + direction + labels
    elsewhere = elsewhere + math.log(1 - share)
    away = math.log(stray) + np.logaddexp(math.log(share) + beside, elsewhere) + level + otherwise[:, None]
    absent = chain.candidates < 0
    real = np.where(absent, -np.inf, real)
    away = np.where(absent, -np.inf, away)
    away[:, -1] = (math.log(stray) + elsewhere + level + otherwise[:, None])[:, 0]
    return real, away


def _log_gap(gap_s: AnyArray, median_s: float, spread: float) -> AnyArray:
    """Log density of the logarithm of a gap, with a level floor for gaps that nobody foresaw."""
    bell = np.log(np.maximum(gap_s, gap_s.dtype.type(0.5)))
    bell -= math.log(median_s)
    bell *= 1 / spread
    np.square(bell, out=bell)
    bell *= -0.5
    np.exp(bell, out=bell)
    bell *= 0.97 / (spread * math.sqrt(2 * math.pi))
    bell += 0.03 * math.exp(_BROAD_LOG_GAP)
    return np.asarray(np.log(bell, out=bell))


def _log_stay_gap(gap_s: FloatArray, settings: Settings) -> FloatArray:
    """The same within a stay, where some photos follow at once."""
    calm = _log_gap(gap_s, settings.stay_gap_s, settings.stay_gap_spread)
    burst = _log_gap(gap_s, settings.burst_gap_s, 0.6)
    share = settings.burst_share
    return np.asarray(np.logaddexp(math.log(1 - share) + calm, math.log(share) + burst))


def move_chance(site: SiteArrays, distance_m: AnyArray, ahead: IntArray, settings: Settings) -> AnyArray:
    """Chance of going on to a camera at some distance that lies ``ahead`` in the plan's order."""
    scale = settings.walk_scale_m if settings.walk_scale_m is not None else 1.5 * site.spacing_m
    neighbours = 2 * np.pi * scale**2 / (np.pi * site.spacing_m**2) * 3
    near = np.exp(-distance_m / np.float32(scale)) / np.float32(max(neighbours, 1.0))
    listed = (ahead == 1) * np.float32(settings.order_share) + (ahead == -1) * np.float32(settings.back_share)
    listed += (ahead == 2) * np.float32(settings.order_share * settings.missed_share)
    share = np.float32(0.97 - settings.order_share - settings.back_share)
    return np.asarray(share * near + np.float32(0.03 / site.size) + listed)


def build_tables(
    site: SiteArrays,
    photos: PhotoArrays,
    chain: Chain,
    settings: Settings,
    real: FloatArray,
    away: FloatArray,
    span: slice | None = None,
    unvisited: FloatArray | None = None,
) -> Tables:
    """Factors of the chain for the steps of ``span`` (all by default).

    Parameters
    ----------
    unvisited : float array (T, K), optional
        Probability that a candidate has not been visited before the step: the crew chooses among those alone.

    Notes
    -----
    A move costs what its distance costs against the other near cameras, and needs time: gaps shorter than the way
    at a run are all but excluded. Errors of position persist for minutes, so that the step from one photo's
    position to the next tells more than either alone, and photos of one stay tell hardly more than one. That holds for
    strays too, which lie somewhat farther from the camera beside them.
    """
    first = span.start if span is not None else 0
    last = span.stop if span is not None else chain.photo.size
    steps = np.arange(first, last)
    before = np.maximum(steps - 1, 0)
    cut = chain.cut[steps].copy()
    here, there = chain.candidates[steps], chain.candidates[before]
    size = here.shape[1]
    same = (there[:, :, None] == here[:, None, :]) & (here[:, None, :] >= 0)
    same[:, -1, -1] = True
    previous = np.where(same.any(axis=1), same.argmax(axis=1), size)
    following = np.where(same.any(axis=2), same.argmax(axis=2), size)
    distance = np.zeros((steps.size, size, size), dtype=np.float32)
    for axis in site.walk_coordinates.astype(np.float32).T:
        distance += (axis[there][:, :, None] - axis[here][:, None, :]) ** 2
    np.sqrt(distance, out=distance)
    gap = photos.time_s[chain.photo[steps]] - photos.time_s[chain.photo[before]]
    timed = ~np.isnan(gap) & ~cut
    gap = np.where(timed, gap, 30.0)

    chance = move_chance(site, distance, here[:, None, :] - there[:, :, None], settings)
    log_move = np.log(chance)
    if unvisited is not None:
        chance[same | (here < 0)[:, None, :]] = 0.0
        listed = chance.sum(axis=2)
        left = (chance * unvisited[first:last].astype(np.float32)[:, None, :]).sum(axis=2)
        left = (left + 0.02) / (listed + 0.02)
        log_move -= np.log(np.clip(left, 0.1, 1.0))[:, :, None]
    del chance
    gap32 = gap.astype(np.float32)[:, None, None]
    spare = np.maximum(gap32 - np.float32(0.7 / WALK_M_PER_S) * distance, np.float32(1.0))
    move_gap = _log_gap(spare, settings.move_gap_s, settings.move_gap_spread)
    move_gap -= np.clip(distance / np.float32(_RUN_M_PER_S) - gap32 - 5.0, 0.0, 40.0) * np.float32(0.5)
    move_gap[~timed] = _BROAD_LOG_GAP
    log_move += move_gap + np.float32(math.log(1 - settings.stay_share))
    del spare, move_gap, distance
    stay_gap = np.where(timed, _log_stay_gap(gap, settings), _BROAD_LOG_GAP)
    log_stay = math.log(settings.stay_share) + stay_gap
    loose = np.logaddexp(stay_gap, _BROAD_LOG_GAP) - math.log(2)
    log_stay_away = math.log(settings.resume_share) + loose

    used = Chain(chain.photo[first:last], cut, here)
    earlier = Chain(chain.photo[before], cut, there)
    e2, n2, s2 = (a.astype(np.float32) for a in position_residuals(site, photos, used, settings))
    e1, n1, s1 = (a.astype(np.float32) for a in position_residuals(site, photos, earlier, settings))
    whole1, whole2 = position_variance(s1, settings), position_variance(s2, settings)
    shared = np.exp(-np.maximum(gap, 0.0) / settings.correlation_s).astype(np.float32) * s1 * s2
    both = ~np.isnan(e1[:, 0]) & ~np.isnan(e2[:, 0]) & timed

    r1, r2 = e1**2 + n1**2, e2**2 + n2**2
    loose1, loose2 = whole1 + np.float32(_BESIDE_M**2), whole2 + np.float32(_BESIDE_M**2)
    beside1, beside2 = (_beside_share(site, r, v, settings) for r, v in ((r1, loose1), (r2, loose2)))
    log_move_real = log_move.copy()
    log_move += np.float32(math.log((1 - settings.resume_share) / (1 - settings.stay_share)))
    for table, v1, share in ((log_move_real, whole1, None), (log_move, loose1, beside1)):
        for rows in np.array_split(np.flatnonzero(both), max(1, both.sum() * size**2 // 2_000_000)):
            earlier_one, later_one = (rows, slice(None), None), (rows, None, slice(None))
            link = link_log_ratio(e1[earlier_one], n1[earlier_one], e2[later_one], n2[later_one],
                                  v1[rows, None, None], whole2[rows, None, None], shared[rows, None, None])
            table[rows] += link if share is None else _partly(link, share[rows, :, None])

    pick = np.minimum(previous, size - 1)
    pe, pn = (np.take_along_axis(a, pick, axis=1) for a in (e1, n1))

    def held(covariance: AnyArray, v1: AnyArray, v2: AnyArray, share: AnyArray) -> AnyArray:
        link = link_log_ratio(pe, pn, e2, n2, v1[:, None], v2[:, None], covariance[:, None])
        return np.where(both[:, None] & (here >= 0), _partly(np.nan_to_num(link), share), 0.0)

    log_stay_real = log_stay[:, None] + held(shared + STANDOFF_KEPT * settings.standoff_sd_m**2, whole1, whole2, np.ones(1, dtype=np.float32))
    log_stay_real += _same_compass(site, photos, used, earlier, settings)
    log_stay_loose = log_stay_away[:, None] + held(shared, loose1, whole2, np.take_along_axis(beside1, pick, axis=1))
    log_drift = loose[:, None] + held(shared, whole1, loose2, beside2)

    top = np.maximum(real[first:last].max(axis=1), away[first:last].max(axis=1))[:, None]
    log_move_real[same] = log_move[same] = -np.inf
    move, move_away = np.exp(log_move_real, out=log_move_real), np.exp(log_move, out=log_move)
    absent = here < 0
    fresh = math.exp(_BROAD_LOG_GAP) * 0.5 / site.size
    for table in (move, move_away):
        table[:, -1, :] = fresh
        table[:, :-1][there[:, :-1] < 0] = 0.0
        table.transpose(0, 2, 1)[absent] = 0.0
    move[cut] = move_away[cut] = 1.0 / site.size
    for table in (move, move_away):
        table.transpose(0, 2, 1)[absent] = 0.0
    no_stay = cut[:, None] | (previous == size) | absent
    stay = np.where(no_stay, 0.0, np.exp(log_stay_real))
    stay_away = np.where(no_stay, 0.0, np.exp(log_stay_loose))
    drift = np.where(cut[:, None] | (previous == size), 0.0, np.exp(log_drift))
    return Tables(
        move, move_away, stay.astype(np.float32), stay_away.astype(np.float32),
        drift.astype(np.float32), previous, following,
        np.exp(real[first:last] - top).astype(np.float32), np.exp(away[first:last] - top).astype(np.float32),
        cut, 1.0 / site.size)


def _beside_share(site: SiteArrays, square_m2: AnyArray, scale2_m2: AnyArray, settings: Settings) -> AnyArray:
    """Probability that a stray with these residuals was taken beside the camera, and not anywhere on the site."""
    beside = np.nan_to_num(position_log_density(square_m2, scale2_m2[:, None]))
    odds = settings.beside_share / (1.0 - settings.beside_share)
    return np.asarray(1.0 / (1.0 + np.exp(-math.log(site.area_m2 * odds) - beside)))


def _partly(link: AnyArray, share: AnyArray) -> AnyArray:
    """Log of a factor that holds for a share alone."""
    return np.asarray(np.log1p(np.maximum(share * np.expm1(link), np.float32(-1 + 1e-6))))


def _same_compass(
    site: SiteArrays, photos: PhotoArrays, used: Chain, earlier: Chain, settings: Settings
) -> FloatArray:
    """Correction (T, K): during a stay the compass errs the same way again, so a second reading tells little."""
    now, then = photos.bearing[used.photo], photos.bearing[earlier.photo]
    faced = np.nan_to_num(site.bearing[used.candidates]) + np.pi
    planned = direction_log_ratio(then[:, None] - faced, now[:, None] - faced, settings)
    anywhere = replace(settings, front_share=0.0)
    level = direction_log_ratio(then, now, anywhere)[:, None]
    return np.where(np.isnan(site.bearing[used.candidates]), level, planned)


def _pad(values: Float32Array) -> Float32Array:
    return np.concatenate([values, np.zeros((*values.shape[:-1], 1), dtype=values.dtype)], axis=-1)


def forward_backward(tables: Tables, start_weight: Float32Array | None = None) -> Posterior:
    """Marginal probabilities of all states, by sums over all walks.

    Parameters
    ----------
    tables : Tables
    start_weight : float array (T, K), optional
        Factor on every new stay (how much its camera still wants a visit).

    Notes
    -----
    Long chains are cut into overlapping pieces that run side by side; the overlap lets each piece forget its edges.
    """
    steps, size = tables.real.shape
    weight = np.ones((steps, size), dtype=np.float32) if start_weight is None else start_weight
    starts = np.arange(0, steps, _CHUNK)
    length = min(_CHUNK + 2 * _BURN_IN, steps + 2 * _BURN_IN)
    lead = np.array([min(_BURN_IN, s) for s in starts])
    begin = starts - lead
    count = starts.size
    ar = np.zeros((steps, size), dtype=np.float32)
    aw = np.zeros_like(ar)
    br, bw = np.ones_like(ar), np.ones_like(ar)
    rows = np.arange(count)[:, None]

    real = np.full((count, size), 1.0 / size, dtype=np.float32)
    away = real.copy()
    for j in range(length):
        at = begin + j
        live = at < np.minimum(starts + _CHUNK, steps)
        if not live.any():
            break
        t = np.minimum(at, steps - 1)
        cut = (tables.cut[t] | (t == 0))[:, None]
        moved = (np.matmul(real[:, None, :], tables.move[t]) + np.matmul(away[:, None, :], tables.move_away[t]))[:, 0]
        pr, pw = _pad(real), _pad(away)
        prev = tables.previous[t]
        kept, kept_away = pr[rows, prev], pw[rows, prev]
        new_real = (weight[t] * moved + kept * tables.stay[t] + kept_away * tables.stay_away[t]) * tables.real[t]
        total = (real.sum(axis=1) + away.sum(axis=1))[:, None]
        gone = (kept + kept_away) * tables.drift[t]
        gone[:, -1:] += LEAK * total
        new_away = np.where(cut, tables.restart * total, gone) * tables.away[t]
        norm = (new_real.sum(axis=1) + new_away.sum(axis=1))[:, None] + 1e-37
        real, away = new_real / norm, new_away / norm
        keep = live & (at >= starts)
        ar[t[keep]], aw[t[keep]] = real[keep], away[keep]

    end = np.minimum(starts + _CHUNK + _BURN_IN, steps)
    real = np.ones((count, size), dtype=np.float32)
    away = real.copy()
    for j in range(length):
        at = end - 1 - j
        live = at >= starts
        if not live.any():
            break
        t = np.maximum(at, 0)
        keep = live & (at < starts + _CHUNK)
        br[t[keep]], bw[t[keep]] = real[keep], away[keep]
        x, y = tables.real[t] * real, tables.away[t] * away
        nxt = np.concatenate([tables.following[t], np.full((count, 0), size)], axis=1)
        px = _pad(x * tables.stay[t])
        pxa = _pad(x * tables.stay_away[t])
        py = _pad(y * tables.drift[t])
        wx = (weight[t] * x)[:, :, None]
        leak = LEAK * y[:, -1:]
        cut = (tables.cut[t] | (t == 0))[:, None]
        restart = tables.restart * y.sum(axis=1, keepdims=True)
        drift = np.where(cut, restart, py[rows, nxt] + leak)
        real = np.matmul(tables.move[t], wx)[:, :, 0] + px[rows, nxt] + drift
        away = np.matmul(tables.move_away[t], wx)[:, :, 0] + pxa[rows, nxt] + drift
        norm = np.maximum(real.max(axis=1), away.max(axis=1))[:, None] + 1e-37
        real, away = real / norm, away / norm

    post_real, post_away = ar * br, aw * bw
    total = (post_real.sum(axis=1) + post_away.sum(axis=1))[:, None] + 1e-37
    post_real, post_away = post_real / total, post_away / total
    prev = tables.previous
    before_r = np.concatenate([np.full((1, size), 1.0 / size, dtype=np.float32), ar[:-1]])
    before_w = np.concatenate([np.full((1, size), 1.0 / size, dtype=np.float32), aw[:-1]])
    line = np.arange(steps)[:, None]
    kept = _pad(before_r)[line, prev] * tables.stay + _pad(before_w)[line, prev] * tables.stay_away
    moved = (np.matmul(before_r[:, None, :], tables.move) + np.matmul(before_w[:, None, :], tables.move_away))[:, 0]
    moved = moved * weight
    new_stay = post_real * moved / (moved + kept + 1e-37)
    return Posterior(post_real, post_away, new_stay.astype(np.float32))
