"""Lessons of how a crew walks: gaps between photos, where it goes next, cameras left out, photos a stay, labels.

Each is a mean over drawn walks, held to a usual value (docs/matching.md, formulas 13 and 15).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from audit.match.evidence import PhotoArrays, Settings
from audit.match.factors import LEAST_GAP_S, MOVE_UNDER_WAY, WALK_M_PER_S, WALK_SPACINGS, move_chance
from audit.match.shown import Shown, held_mean
from audit.match.stays import learn_habit, stays_of
from audit.match.walk import Chain

__all__ = ["burst_steps", "learn_missed", "learn_pace", "learn_stays"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

_USUAL = Settings()
#: Photos, or moves, that the usual pace is worth; and times that a photo was left, that the usual share of resuming is worth.
_HOLD, _RESUMED = 40.0, 15.0
#: Photos follow at once within this gap, or within this share of the usual gap of a stay (chosen).
_BURST_S, _BURST_SHARE = 2.5, 0.2
#: Shorter gaps within a stay than this share of the usual one say nothing of its pace.
_CALM_SHARE = 0.25
#: Shares of bursts are believed between these.
_BURSTS = (0.01, 0.5)
#: Least time, seconds, that is left for a photo after the way to it.
_LEAST_MOVE_S = 1.0
#: The outer quantiles of the logarithms of gaps are cut off; the spread grows for that; and the bounds of a spread.
_CUT_OFF, _CUT_OFF_WIDENS, _SPREADS = (0.02, 0.98), 1.05, (0.3, 1.4)
#: The scale of distances between cameras: ways longer than so many usual scales count as that long; its bounds, in usual scales.
_LONGEST_WAY, _WALK_SCALES = 10, (0.5, 4)
#: Bounds of the shares of moves on and back in the plan's order, and of both together.
_ORDERS, _BACKS, _BOTH = (0.02, 0.9), (0.01, 0.5), 0.92
#: Cameras with at least so many expected stays lie on the walk; the share of them without a photo is compared with the
#: assumed one, both raised by this, and kept within bounds.
_ON_THE_WALK, _MISSED_RAISED, _MISSED = 0.25, 0.002, (0.015, 0.1)


def burst_steps(photos: PhotoArrays, chain: Chain, settings: Settings) -> BoolArray:
    """Steps that follow at once on the one before, (T,)."""
    gap = np.diff(photos.time_s[chain.photo], prepend=np.nan)
    return np.asarray(~chain.cut & (gap <= max(_BURST_S, _BURST_SHARE * settings.stay_gap_s)))


@dataclass(frozen=True, slots=True)
class _Steps:
    """Each photo of each walk and the one before it, (R, T) arrays.

    Attributes
    ----------
    gaps : float array
        Seconds, at least :data:`LEAST_GAP_S`.
    before : int array
        Camera before, -1 for none.
    held, moves, left : bool array
        The stay goes on; another camera begins; the photo before belonged to no camera though taken beside one.
    trust : float array
        Square of the probability that both photos lie where this walk has them.
    far_m : float array (moves,)
        Length of each move.
    """

    gaps: FloatArray
    before: IntArray
    held: BoolArray
    moves: BoolArray
    left: BoolArray
    trust: FloatArray
    far_m: FloatArray


def _steps(shown: Shown, drawn: IntArray) -> _Steps:
    camera, real, begins = shown.camera, shown.real, shown.begins
    gap = np.diff(shown.photos.time_s[shown.chain.photo], prepend=np.nan)
    timed = (~shown.chain.cut & ~np.isnan(gap))[None, :]
    before = np.concatenate([np.full((len(camera), 1), -1), camera[:, :-1]], axis=1)
    before_real = np.concatenate([np.zeros((len(camera), 1), dtype=bool), real[:, :-1]], axis=1)
    moves = timed & begins & (before >= 0)
    where = shown.site.walk_coordinates
    there, here = np.maximum(before, 0)[moves], np.maximum(camera, 0)[moves]
    return _Steps(
        gaps=np.broadcast_to(np.maximum(gap, LEAST_GAP_S)[None, :], real.shape),
        before=before,
        held=timed & real & before_real & ~begins & (camera >= 0),
        moves=moves,
        left=timed & ~before_real & (before >= 0) & real,
        trust=_trust(shown, drawn),
        far_m=np.sqrt(((where[there] - where[here]) ** 2).sum(axis=1)),
    )


def _trust(shown: Shown, drawn: IntArray) -> FloatArray:
    steps, size = shown.chain.candidates.shape
    at = np.arange(steps)
    found = np.bincount((at * size + drawn).ravel(), minlength=steps * size).reshape(-1, size)
    sure = (found / len(drawn))[at[None, :], shown.place]
    sure[:, 1:] *= sure[:, :-1]
    return np.asarray(sure**2)


def learn_pace(shown: Shown, start: Settings, drawn: IntArray, settings: Settings) -> Settings:
    """``settings`` with pace, stays and moves as drawn walks show them, held to those of ``start``.

    Parameters
    ----------
    drawn : int array (S, T)
        Places of all walks that were drawn.
    """
    at = _steps(shown, drawn)
    hold = _HOLD * len(shown.place)
    calm = at.gaps > _CALM_SHARE * shown.settings.stay_gap_s
    stay = np.log(at.gaps[at.held & calm])
    move = np.log(np.maximum(at.gaps[at.moves] - MOVE_UNDER_WAY * at.far_m / WALK_M_PER_S, _LEAST_MOVE_S))
    stay_gap, stay_spread = _held_bell(stay, at.trust[at.held & calm], (start.stay_gap_s, start.stay_gap_spread), hold)
    move_gap, move_spread = _held_bell(move, at.trust[at.moves], (start.move_gap_s, start.move_gap_spread), hold)
    stayed, moved, burst = at.held.sum(), at.moves.sum(), (at.held & ~calm).sum()
    resumed, left = float((at.left & ~shown.begins).sum()), float(at.left.sum())
    found = replace(
        settings,
        stay_gap_s=stay_gap, stay_gap_spread=stay_spread, move_gap_s=move_gap, move_gap_spread=move_spread,
        stay_share=float((stayed + start.stay_share * hold) / (stayed + moved + hold)),
        burst_share=float(np.clip((burst + start.burst_share * hold) / (stayed + hold), *_BURSTS)),
        resume_share=(resumed * shown.weight + _RESUMED * _USUAL.resume_share) / (left * shown.weight + _RESUMED),
    )
    return _learn_moves(shown, at, found) if at.moves.any() else found


def _held_bell(values: FloatArray, trust: FloatArray, usual: tuple[float, float], hold: float) -> tuple[float, float]:
    """Median and log-sd of gaps from their logarithms, held to the usual ones worth ``hold`` gaps."""
    median, spread = usual
    if not values.size:
        return median, spread
    low, high = (np.quantile(values, share) for share in _CUT_OFF)
    trimmed = np.clip(values, low, high)
    middle = held_mean(trimmed, trust, math.log(median), hold)
    variance = held_mean((trimmed - middle) ** 2, trust, spread**2, hold)
    return math.exp(middle), float(np.clip(math.sqrt(variance) * _CUT_OFF_WIDENS, *_SPREADS))


def _learn_moves(shown: Shown, at: _Steps, settings: Settings) -> Settings:
    """``settings`` with the distances that moves go and how they keep to the plan's order, as drawn walks show them."""
    believed, hold, trust = shown.settings, _HOLD * len(shown.place), at.trust[at.moves]
    usual = WALK_SPACINGS * shown.site.spacing_m
    scale = held_mean(np.minimum(at.far_m, _LONGEST_WAY * usual), trust, usual, hold)
    ahead = np.maximum(shown.camera, 0)[at.moves] - np.maximum(at.before, 0)[at.moves]
    chance = move_chance(shown.site, at.far_m, ahead, believed)

    def share(assumed: float, step: int, prior: float, bounds: tuple[float, float]) -> float:
        return float(np.clip(held_mean(assumed * (ahead == step) / chance, trust, prior, hold), *bounds))

    order = share(believed.order_share, 1, _USUAL.order_share, _ORDERS)
    back = share(believed.back_share, -1, _USUAL.back_share, _BACKS)
    shrink = min(1.0, _BOTH / (order + back))
    low, high = _WALK_SCALES
    return replace(settings, walk_scale_m=float(np.clip(scale, low * usual, high * usual)), order_share=order * shrink, back_share=back * shrink)


def learn_missed(shown: Shown, wanted: FloatArray, settings: Settings) -> Settings:
    """``settings`` with the share of cameras without a photo, from those that lie on the walk.

    Parameters
    ----------
    wanted : float array (N,)
        Expected stays at each camera without the one-visit rule.
    """
    reach = wanted > _ON_THE_WALK
    if not reach.any():
        return settings
    camera, begins = shown.camera, shown.begins
    rows = np.broadcast_to(np.arange(len(camera))[:, None], camera.shape)[begins]
    visited = np.zeros((len(camera), shown.site.size), dtype=bool)
    visited[rows, camera[begins]] = True
    unseen = float((~visited[:, reach]).mean())
    missed = shown.settings.missed_share * (_USUAL.missed_share + _MISSED_RAISED) / (unseen + _MISSED_RAISED)
    return replace(settings, missed_share=float(np.clip(missed, *_MISSED)))


def learn_stays(shown: Shown, coded: IntArray, settings: Settings) -> Settings:
    """``settings`` with the numbers of photos of stays, and how labels are photographed, as drawn walks show them.

    Parameters
    ----------
    coded : int array (T,)
        Camera whose label each photo shows, -1 for none.
    """
    usual = np.array(_USUAL.lengths)
    stays = stays_of(shown.begins, ~shown.real, ~burst_steps(shown.photos, shown.chain, shown.settings))
    counts = np.bincount(np.minimum(stays.count[shown.begins], usual.size) - 1, minlength=usual.size)
    hold = _HOLD * len(shown.place)
    own = shown.real & (coded >= 0)[None, :] & (shown.camera == coded[None, :])
    lengths = (counts + usual * hold) / (counts.sum() + hold)
    return replace(settings, habit=learn_habit(stays, own, coded.size), lengths=tuple(lengths.tolist()))
