"""The chain's tables: every factor of every step, from the plan, the photos and the settings (docs/matching.md, 1 to 7)."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audit.match.evidence import PhotoArrays, Settings, SiteArrays, direction_log_ratio, position_log_density
from audit.match.factors import (
    BESIDE_M,
    BROAD_LOG_GAP,
    MOVE_UNDER_WAY,
    STANDOFF_KEPT,
    WALK_M_PER_S,
    Residual,
    link_log_ratio,
    log_gap,
    log_stay_gap,
    move_chance,
    position_residuals,
    position_variance,
)
from audit.match.shot_order import shot_log_ratios
from audit.match.walk import Chain, Tables

__all__ = ["Factors", "build_tables"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
AnyArray = NDArray[Any]
#: Faster than this nobody moves with a ladder; up to a spare of seconds, each second less costs this much, up to a most, since
#: clocks and positions err too (chosen).
_RUN_M_PER_S, _RUN_SPARE_S, _RUN_COST_PER_S, _RUN_MOST_S = 2.5, 5.0, 0.5, 40.0
#: Gap that is put where none is known; it then counts for nothing.
_NO_GAP_S = 30.0
#: Least time that is left for a photo after a move, for single precision's logarithm.
_LEAST_SPARE_S = 1.0
#: Weight of cameras visited before, as if this share of the listed ones were left, and the least share that counts (chosen:
#: some are visited again).
_LEFT_PRIOR, _LEAST_LEFT = 0.02, 0.1
#: Weight of a stay that begins where the photographer was at none of the candidates, of the broad gap's.
_FRESH = 0.5
#: Factors that hold for a share alone stay above this, so that their logarithm is finite.
_LEAST_FACTOR = 1e-6
#: Cells of pairs of candidates that are worked out at once, for memory.
_LINK_CELLS = 2_000_000


@dataclass(frozen=True, slots=True)
class Factors:
    """What is known of the photos beside their steps, (T, K) arrays.

    Attributes
    ----------
    real, away : float array
        Log factors of each photo by itself, see :func:`audit.match.factors.emissions`.
    unvisited : float array or None
        Probability that a candidate has not been visited before the step: the crew chooses among those alone.
    """

    real: FloatArray
    away: FloatArray
    unvisited: FloatArray | None = None


@dataclass(frozen=True, slots=True)
class _Pairs:
    """Each step and the one before it.

    Attributes
    ----------
    now, then : Chain
        Photos and candidates of the steps, and of those before.
    same : bool array (T, K, K)
        Whether a candidate before (rows) is one now (columns); "at none" is the same as itself.
    previous, following : int array (T, K)
        As in :class:`audit.match.walk.Tables`.
    gap_s : float array (T,)
    timed : bool array (T,)
        Whether the gap is known.
    """

    now: Chain
    then: Chain
    same: BoolArray
    previous: IntArray
    following: IntArray
    gap_s: FloatArray
    timed: BoolArray

    @property
    def cut(self) -> BoolArray:
        """Where a step does not follow on the one before it."""
        return self.now.cut

    @property
    def absent(self) -> BoolArray:
        """Unused places of the lists."""
        return self.now.candidates < 0


def build_tables(
    site: SiteArrays, photos: PhotoArrays, chain: Chain, settings: Settings, factors: Factors, span: slice | None = None
) -> Tables:
    """Factors of the chain for the steps of ``span`` (all by default).

    Notes
    -----
    A move costs what its distance costs against the other near cameras, and needs time: gaps shorter than the way
    at a run are all but excluded. Errors of position persist for minutes, so that the step from one photo's
    position to the next tells more than either alone, and photos of one stay tell hardly more than one. That holds for
    strays too, which lie somewhat farther from the camera beside them.
    """
    span = slice(0, chain.photo.size) if span is None else span
    pairs = _pairs(photos, chain, span)
    unvisited = None if factors.unvisited is None else factors.unvisited[span]
    from_away = _log_moves(site, pairs, settings, unvisited)
    from_real = from_away.copy()
    from_away += np.float32(math.log((1 - settings.resume_share) / (1 - settings.stay_share)))
    links = _links(site, photos, pairs, settings)
    _link_moves(pairs, links, from_real, from_away)
    log_stay, log_stay_away, log_drift = _log_holds(links, pairs, settings)
    log_stay += _same_compass(site, photos, pairs, settings)
    if photos.shows is not None:
        stays, moves = shot_log_ratios(photos.shows[pairs.then.photo], photos.shows[pairs.now.photo], settings.shots)
        log_stay += stays[:, None]
        from_real += moves.astype(np.float32)[:, None, None]
    move, move_away = _moves(site.size, pairs, from_real, from_away)
    lost = pairs.cut[:, None] | (pairs.previous == pairs.absent.shape[1])
    stay = np.where(lost | pairs.absent, 0.0, np.exp(log_stay))
    stay_away = np.where(lost | pairs.absent, 0.0, np.exp(log_stay_away))
    drift = np.where(lost, 0.0, np.exp(log_drift))
    real, away = factors.real[span], factors.away[span]
    top = np.maximum(real.max(axis=1), away.max(axis=1))[:, None]
    return Tables(
        move, move_away, stay.astype(np.float32), stay_away.astype(np.float32),
        drift.astype(np.float32), pairs.previous, pairs.following,
        np.exp(real - top).astype(np.float32), np.exp(away - top).astype(np.float32),
        pairs.cut, 1.0 / site.size)


def _pairs(photos: PhotoArrays, chain: Chain, span: slice) -> _Pairs:
    steps = np.arange(span.start, span.stop)
    before = np.maximum(steps - 1, 0)
    cut = chain.cut[steps].copy()
    here, there = chain.candidates[steps], chain.candidates[before]
    size = here.shape[1]
    same = (there[:, :, None] == here[:, None, :]) & (here[:, None, :] >= 0)
    same[:, -1, -1] = True
    previous = np.where(same.any(axis=1), same.argmax(axis=1), size)
    following = np.where(same.any(axis=2), same.argmax(axis=2), size)
    gap = photos.time_s[chain.photo[steps]] - photos.time_s[chain.photo[before]]
    timed = ~np.isnan(gap) & ~cut
    now, then = Chain(chain.photo[span.start : span.stop], cut, here), Chain(chain.photo[before], cut, there)
    return _Pairs(now, then, same, previous, following, np.where(timed, gap, _NO_GAP_S), timed)


def _log_moves(site: SiteArrays, pairs: _Pairs, settings: Settings, unvisited: FloatArray | None) -> Float32Array:
    """Log factors (T, K, K) of going on to another camera: nearness, order, who is left to visit, and the time it takes."""
    here, there = pairs.now.candidates, pairs.then.candidates
    distance = np.zeros(pairs.same.shape, dtype=np.float32)
    for axis in site.walk_coordinates.astype(np.float32).T:
        distance += (axis[there][:, :, None] - axis[here][:, None, :]) ** 2
    np.sqrt(distance, out=distance)
    chance = move_chance(site, distance, here[:, None, :] - there[:, :, None], settings)
    log_move = np.log(chance)
    if unvisited is not None:
        chance[pairs.same | pairs.absent[:, None, :]] = 0.0
        listed = chance.sum(axis=2)
        left = (chance * unvisited.astype(np.float32)[:, None, :]).sum(axis=2)
        left = (left + _LEFT_PRIOR) / (listed + _LEFT_PRIOR)
        log_move -= np.log(np.clip(left, _LEAST_LEFT, 1.0))[:, :, None]
    del chance
    gap = pairs.gap_s.astype(np.float32)[:, None, None]
    spare = np.maximum(gap - np.float32(MOVE_UNDER_WAY / WALK_M_PER_S) * distance, np.float32(_LEAST_SPARE_S))
    move_gap = log_gap(spare, settings.move_gap_s, settings.move_gap_spread)
    missing_s = np.clip(distance / np.float32(_RUN_M_PER_S) - gap - _RUN_SPARE_S, 0.0, _RUN_MOST_S)
    move_gap -= missing_s * np.float32(_RUN_COST_PER_S)
    move_gap[~pairs.timed] = BROAD_LOG_GAP
    log_move += move_gap + np.float32(math.log(1 - settings.stay_share))
    return log_move


@dataclass(frozen=True, slots=True)
class _Links:
    """Residuals of each step (``now``) and the one before (``then``), and what ties them.

    Attributes
    ----------
    then, now : Residual
        Of photos that belong to the candidates; residuals (T, K), squared scales (T,).
    then_loose, now_loose : Residual
        The same of strays beside them.
    then_beside, now_beside : float array (T, K)
        Probability that a stray was taken beside the candidate.
    shared : float array (T,)
        What the receiver's errors share, m².
    both : bool array (T,)
        Whether both photos have a position and the gap is known.
    """

    then: Residual
    now: Residual
    then_loose: Residual
    now_loose: Residual
    then_beside: AnyArray
    now_beside: AnyArray
    shared: AnyArray
    both: BoolArray


def _links(site: SiteArrays, photos: PhotoArrays, pairs: _Pairs, settings: Settings) -> _Links:
    e2, n2, s2 = (a.astype(np.float32) for a in position_residuals(site, photos, pairs.now, settings))
    e1, n1, s1 = (a.astype(np.float32) for a in position_residuals(site, photos, pairs.then, settings))
    whole1, whole2 = position_variance(s1, settings), position_variance(s2, settings)
    shared = np.exp(-np.maximum(pairs.gap_s, 0.0) / settings.correlation_s).astype(np.float32) * s1 * s2
    both = ~np.isnan(e1[:, 0]) & ~np.isnan(e2[:, 0]) & pairs.timed
    loose1, loose2 = whole1 + np.float32(BESIDE_M**2), whole2 + np.float32(BESIDE_M**2)
    return _Links(
        Residual(e1, n1, whole1), Residual(e2, n2, whole2), Residual(e1, n1, loose1), Residual(e2, n2, loose2),
        _beside_share(site, e1**2 + n1**2, loose1, settings), _beside_share(site, e2**2 + n2**2, loose2, settings), shared, both)


def _link_moves(pairs: _Pairs, links: _Links, from_real: Float32Array, from_away: Float32Array) -> None:
    """Add to moves (T, K, K) what the position before says of the one now; some rows at a time."""
    size, both, now = pairs.absent.shape[1], links.both, links.now
    for table, then, share in ((from_real, links.then, None), (from_away, links.then_loose, links.then_beside)):
        for rows in np.array_split(np.flatnonzero(both), max(1, both.sum() * size**2 // _LINK_CELLS)):
            earlier, later = (rows, slice(None), None), (rows, None, slice(None))
            link = link_log_ratio(
                Residual(then.east[earlier], then.north[earlier], then.variance[rows, None, None]),
                Residual(now.east[later], now.north[later], now.variance[rows, None, None]),
                links.shared[rows, None, None])
            table[rows] += link if share is None else _partly(link, share[rows, :, None])


def _log_holds(links: _Links, pairs: _Pairs, settings: Settings) -> tuple[AnyArray, AnyArray, AnyArray]:
    """Log factors (T, K) of going on at the same camera: real to real, away to real, any to away."""
    pick = np.minimum(pairs.previous, pairs.absent.shape[1] - 1)
    east, north = (np.take_along_axis(a, pick, axis=1) for a in (links.then.east, links.then.north))

    def held(covariance: AnyArray, then: Residual, now: Residual, share: AnyArray) -> AnyArray:
        link = link_log_ratio(Residual(east, north, then.variance[:, None]),
                              Residual(now.east, now.north, now.variance[:, None]), covariance[:, None])
        return np.where(links.both[:, None] & ~pairs.absent, _partly(np.nan_to_num(link), share), 0.0)

    stay_gap = np.where(pairs.timed, log_stay_gap(pairs.gap_s, settings), BROAD_LOG_GAP)
    loose = np.logaddexp(stay_gap, BROAD_LOG_GAP) - math.log(2)
    standing = links.shared + STANDOFF_KEPT * settings.standoff_sd_m**2
    stay = (math.log(settings.stay_share) + stay_gap)[:, None] + held(standing, links.then, links.now, np.ones(1, dtype=np.float32))
    then_beside = np.take_along_axis(links.then_beside, pick, axis=1)
    stay_away = (math.log(settings.resume_share) + loose)[:, None] + held(links.shared, links.then_loose, links.now, then_beside)
    return stay, stay_away, loose[:, None] + held(links.shared, links.then, links.now_loose, links.now_beside)


def _moves(cameras: int, pairs: _Pairs, from_real: Float32Array, from_away: Float32Array) -> tuple[Float32Array, Float32Array]:
    """Factors of moves from their logarithms, which are used up: none to the same camera, even ones where the chain is cut."""
    from_real[pairs.same] = from_away[pairs.same] = -np.inf
    move, move_away = np.exp(from_real, out=from_real), np.exp(from_away, out=from_away)
    fresh = math.exp(BROAD_LOG_GAP) * _FRESH / cameras
    for table in (move, move_away):
        table[:, -1, :] = fresh
        table[:, :-1][pairs.then.candidates[:, :-1] < 0] = 0.0
        table[pairs.cut] = 1.0 / cameras
        table.transpose(0, 2, 1)[pairs.absent] = 0.0
    return move, move_away


def _beside_share(site: SiteArrays, square_m2: AnyArray, scale2_m2: AnyArray, settings: Settings) -> AnyArray:
    """Probability that a stray with these residuals was taken beside the camera, and not anywhere on the site."""
    beside = np.nan_to_num(position_log_density(square_m2, scale2_m2[:, None]))
    odds = settings.beside_share / (1.0 - settings.beside_share)
    return np.asarray(1.0 / (1.0 + np.exp(-math.log(site.area_m2 * odds) - beside)))


def _partly(link: AnyArray, share: AnyArray) -> AnyArray:
    """Log of a factor that holds for a share alone."""
    return np.asarray(np.log1p(np.maximum(share * np.expm1(link), np.float32(-1 + _LEAST_FACTOR))))


def _same_compass(
    site: SiteArrays, photos: PhotoArrays, pairs: _Pairs, settings: Settings
) -> FloatArray:
    """Correction (T, K): during a stay the compass errs the same way again, so a second reading tells little."""
    now, then = photos.bearing[pairs.now.photo], photos.bearing[pairs.then.photo]
    looks = site.bearing[pairs.now.candidates]
    faced = np.nan_to_num(looks) + np.pi
    planned = direction_log_ratio(then[:, None] - faced, now[:, None] - faced, settings)
    anywhere = replace(settings, front_share=0.0)
    level = direction_log_ratio(then, now, anywhere)[:, None]
    return np.where(np.isnan(looks), level, planned)
