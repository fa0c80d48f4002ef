"""Draws blocks of walks anew, given all the rest: forward filtering, backward sampling, and Metropolis-Hastings.

A block of steps is drawn from the chain with each camera's weight as far as it is known beforehand: what the walk outside
the block leaves of it, and which block of those drawn at once may have it. What that leaves out, above all that a camera
may be visited twice within a block, is put right by accepting or refusing the draw (docs/matching.md, formulas 9 to 12).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audit.match.drawn import Padded, Rule, Walks, begins_at, stay_sums
from audit.match.walk import LEAK

__all__ = ["paired_units", "renew"]

Float32Array = NDArray[np.float32]
FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
#: Stands in for a weight of 0 where a camera is picked by weight, and for the sum of weights that have all vanished
#: (near the least number that single precision holds).
_NO_WEIGHT, _VANISHED = 1e-9, 1e-37
#: The least that a uniform number is taken for in a logarithm.
_LEAST_UNIFORM = 1e-300
#: Candidates of each step that are looked at for another block that wants the same camera (chosen: the best hold nearly all).
_LOOKED_AT = 8


@dataclass(frozen=True, slots=True)
class _Blocks:
    """The blocks that are drawn at once.

    Attributes
    ----------
    starts : int array (B,)
    length : int
    steps : int array (B, length + 1)
        Steps of each block, and the one after it, whose state stays.
    unit : int array (B,)
        Blocks of one unit are accepted or refused together.
    units : int
    """

    starts: IntArray
    length: int
    steps: IntArray
    unit: IntArray
    units: int

    @property
    def inner(self) -> IntArray:
        """Steps of each block alone, (B, length)."""
        return self.steps[:, : self.length]

    def idle(self, p: Padded) -> BoolArray:
        """Of each step, (length + 1,), whether it lies before or after the chain in every block: what is there is certain."""
        return np.asarray(np.all((self.steps < p.idle) | (self.steps >= p.idle + p.steps), axis=0))


@dataclass(frozen=True, slots=True)
class _Stretch:
    """What every walk does in the blocks: places and whether away (R, B, length + 1), and where stays begin.

    ``replicate``, ``block`` and ``camera`` (M,) name each stay that begins in a block or right after it.
    """

    place: IntArray
    away: BoolArray
    replicate: IntArray
    block: IntArray
    camera: IntArray


@dataclass(frozen=True, slots=True)
class _Claims:
    """Which block may visit which camera without paying for a visit too many.

    Attributes
    ----------
    outside : int array (R, N + 1)
        Visits of each camera outside the blocks.
    owner : int array (R, N + 1)
        The one unit that finds a camera free: the one that visits it now, else one drawn at random.
    gain : float array (R, N + 1)
        Weight of a visit by the owner; others have at most ``foreign``.
    log_contenders : float array (N + 1,)
        Log of the number of units that have a camera among their candidates.
    """

    outside: IntArray
    owner: IntArray
    gain: Float32Array
    foreign: np.float32
    log_contenders: FloatArray

    def weight(self, replicate: IntArray, camera: IntArray, unit: IntArray) -> Float32Array:
        """Weight of a visit in the draw, of any broadcast shape."""
        gain = self.gain[replicate, camera]
        return np.where(self.owner[replicate, camera] == unit, gain, np.minimum(gain, self.foreign))


@dataclass(frozen=True, slots=True)
class _Filtered:
    """Filtered probabilities (B, R, K) of one step of each block, and the weights of visits that begin there."""

    real: Float32Array
    away: Float32Array
    weight: Float32Array


def paired_units(p: Padded, starts: IntArray, length: int, rng: np.random.Generator) -> tuple[IntArray, int]:
    """Pairs up blocks that share candidate cameras; returns each block's unit and the number of units."""
    count = starts.size
    block_of = np.full(p.steps + 2 * p.idle, -1, dtype=np.int64)
    for j in range(length):
        block_of[starts + j] = np.arange(count)
    at = starts + rng.integers(0, length, count)
    pick = np.argmax((p.real[at] + _NO_WEIGHT) * rng.exponential(size=(count, p.size)), axis=1)
    wanted = p.candidates[at, pick]
    inside = np.flatnonzero(block_of >= 0)
    top = p.candidates[inside][:, : min(_LOOKED_AT, p.size)]
    flat_camera = top.ravel()
    flat_block = np.repeat(block_of[inside], top.shape[1])
    order = np.argsort(flat_camera + rng.random(flat_camera.size), kind="stable")
    sorted_camera = flat_camera[order]
    low = np.searchsorted(sorted_camera, wanted, side="left")
    high = np.searchsorted(sorted_camera, wanted, side="right")
    partner = np.full(count, -1, dtype=np.int64)
    ok = (high > low) & (wanted >= 0)
    partner[ok] = flat_block[order[(low + (rng.random(count) * (high - low)).astype(np.int64))[ok]]]
    unit = np.full(count, -1, dtype=np.int64)
    number = 0
    for block in rng.permutation(count).tolist():
        if unit[block] >= 0:
            continue
        unit[block] = number
        other = int(partner[block])
        if other >= 0 and unit[other] < 0:
            unit[other] = number
        number += 1
    return unit, number


def renew(walks: Walks, starts: IntArray, length: int, rule: Rule) -> None:
    """Draw the blocks of some length that begin at ``starts`` anew, given all the rest."""
    unit, units = paired_units(walks.p, starts, length, walks.rng)
    blocks = _Blocks(starts, length, starts[:, None] + np.arange(length + 1)[None, :], unit, units)
    old = _stretch(walks, blocks, walks.place[:, blocks.steps], walks.away[:, blocks.steps])
    claims = _claims(walks, blocks, old, rule)
    filtered = _filter(walks, blocks, claims)
    new, void = _sample_back(walks, blocks, claims, filtered, old)
    log_ratio = _balance(blocks, claims, rule, new) - _balance(blocks, claims, rule, old)
    if rule.lengths.size:
        np.add.at(log_ratio, (np.arange(len(log_ratio))[:, None], unit[None, :]), _gained_by_stays(walks, blocks, new, rule))
    accepted = np.log(walks.rng.random(log_ratio.shape) + _LEAST_UNIFORM) < log_ratio
    lame_block, lame_replicate = np.nonzero(void)
    accepted[lame_replicate, unit[lame_block]] = False
    _take(walks, blocks, claims, (old, new), accepted[:, unit])


def _stretch(walks: Walks, blocks: _Blocks, place: IntArray, away: BoolArray) -> _Stretch:
    """The walks' blocks with these places, after whatever comes before each block."""
    p, steps = walks.p, blocks.steps
    before = np.concatenate([walks.place[:, steps[:, :1] - 1], place[:, :, :-1]], axis=2)
    begins = begins_at(p, np.broadcast_to(steps, place.shape), place, away, before)
    replicate, block, _ = np.nonzero(begins)
    return _Stretch(place, away, replicate, block, p.candidates[steps[None], place][begins])


def _claims(walks: Walks, blocks: _Blocks, old: _Stretch, rule: Rule) -> _Claims:
    replicates, cameras = walks.visits.shape[0], walks.visits.shape[1] - 1
    unit, each = blocks.unit, blocks.length * walks.p.size
    outside = walks.visits.copy()
    np.subtract.at(outside, (old.replicate, old.camera), 1)
    choice = walks.p.candidates[blocks.inner]
    shuffled = walks.rng.permutation(unit.size)
    free = np.full(cameras + 1, -1, dtype=np.int64)
    free[choice[shuffled].reshape(unit.size, -1).ravel()] = np.repeat(unit[shuffled], each)
    owner = np.broadcast_to(free, (replicates, cameras + 1)).copy()
    owner[old.replicate, old.camera] = unit[old.block]
    pairs = np.unique(np.repeat(unit, each) * (cameras + 1) + choice.reshape(-1) % (cameras + 1))
    contenders = np.maximum(np.bincount(pairs % (cameras + 1), minlength=cameras + 1), 1)
    gain = np.where(outside == 0, 1.0, rule.again).astype(np.float32)
    return _Claims(outside, owner, gain, np.float32(rule.again), np.log(contenders))


def _filter(walks: Walks, blocks: _Blocks, claims: _Claims) -> list[_Filtered]:
    """Forward filtering: probabilities of each step's states given the walk before the block and the photos so far."""
    p, replicates = walks.p, len(walks.place)
    rows, cols = np.arange(blocks.unit.size)[:, None], np.arange(replicates)[None, :]
    # real and away, with a last place of weight 0 for cameras that the list before lacks
    states = np.zeros((2, blocks.unit.size, replicates, p.size + 1), dtype=np.float32)
    first, first_away = walks.place[:, blocks.starts - 1].T, walks.away[:, blocks.starts - 1].T
    states[0, rows, cols, first] = ~first_away
    states[1, rows, cols, first] = first_away
    nowhere = np.zeros_like(states)
    nowhere[1, :, :, -2] = 1.0
    kept = []
    for t, idle in zip(blocks.inner.T, blocks.idle(p)[:-1], strict=True):
        weight = claims.weight(cols[:, :, None], p.candidates[t][:, None, :], blocks.unit[:, None, None])
        beside = states[:, rows[:, :, None], cols[:, :, None], p.previous[t][:, None, :]]
        states = nowhere if idle else _forward(p, t, weight, states, beside)
        kept.append(_Filtered(states[0, ..., :-1], states[1, ..., :-1], weight))
    return kept


def _forward(p: Padded, t: IntArray, weight: Float32Array, states: Float32Array, kept: Float32Array) -> Float32Array:
    """One step of the filter, from the step before ``t`` (B,) to it: states (2, B, R, K + 1), of which ``kept`` (2, B, R, K) lie
    with the same camera as each of the new."""
    real, away = states[0, ..., :-1], states[1, ..., :-1]
    moved = np.matmul(real, p.move[t]) + np.matmul(away, p.move_away[t])
    sums = np.add.reduce(states[..., :-1], axis=3, keepdims=True)
    total = sums[0] + sums[1]
    stayed = weight * moved + kept[0] * p.stay[t][:, None] + kept[1] * p.stay_away[t][:, None]
    gone = (kept[0] + kept[1]) * p.drift[t][:, None]
    gone[:, :, -1:] += LEAK * total
    new = np.zeros_like(states)
    np.multiply(stayed, p.real[t][:, None], out=new[0, ..., :-1])
    np.multiply(np.where(p.cut[t][:, None, None], p.restart * total, gone), p.away[t][:, None], out=new[1, ..., :-1])
    sums = np.add.reduce(new[..., :-1], axis=3, keepdims=True)
    new /= np.maximum(sums[0] + sums[1], _VANISHED)
    return new


def _sample_back(
    walks: Walks, blocks: _Blocks, claims: _Claims, filtered: list[_Filtered], old: _Stretch
) -> tuple[_Stretch, BoolArray]:
    """Backward sampling: new places from the last step of each block to its first; and where none could be drawn (B, R)."""
    p, rng, length = walks.p, walks.rng, blocks.length
    rows, cols = np.arange(blocks.unit.size)[:, None], np.arange(len(walks.place))[None, :]
    place, away = old.place.copy(), old.away.copy()
    next_place, next_away = old.place[:, :, length].T, old.away[:, :, length].T
    t = blocks.steps[:, length]
    weight = claims.weight(cols, p.candidates[t[:, None], next_place], blocks.unit[:, None])
    void, idle = np.zeros((blocks.unit.size, len(walks.place)), dtype=bool), blocks.idle(p)
    for j in range(length - 1, -1, -1):
        share = rng.random(void.shape)
        if not (idle[j] and idle[j + 1]):
            cumulative = np.cumsum(_joint(p, t, filtered[j], (next_place, next_away, weight)), axis=2)
            drawn = np.minimum((cumulative <= share[:, :, None] * cumulative[:, :, -1:]).sum(axis=2), 2 * p.size - 1)
            void |= ~(cumulative[:, :, -1] > 0)
            next_away, next_place = drawn >= p.size, drawn % p.size
        place[:, :, j], away[:, :, j] = next_place.T, next_away.T
        t = blocks.inner[:, j]
        weight = filtered[j].weight[rows, cols, next_place]
    return _stretch(walks, blocks, place, away), void


def _joint(
    p: Padded, t: IntArray, before: _Filtered, following: tuple[IntArray, BoolArray, Float32Array]
) -> FloatArray:
    """Weights (B, R, 2K) of the states before step ``t``, real ones first, with the state drawn for ``t``.

    ``following`` holds that state: its place, whether it is away, and the weight of a visit that begins with it.
    """
    place, is_away, weight = following
    moved = p.move[t[:, None], :, place] * weight[:, :, None]
    moved_away = p.move_away[t[:, None], :, place] * weight[:, :, None]
    same = np.arange(p.size)[None, None, :] == p.previous[t[:, None], place][:, :, None]
    stay = p.stay[t[:, None], place][:, :, None]
    stay_away = p.stay_away[t[:, None], place][:, :, None]
    drift = p.drift[t[:, None], place][:, :, None]
    lost = (place == p.size - 1)[:, :, None]
    to_away = np.where(p.cut[t][:, None, None], np.float32(p.restart),
                       np.where(same, drift, 0.0) + np.where(lost, np.float32(LEAK), 0.0))
    gone = is_away[:, :, None]
    real = before.real * np.where(gone, to_away, moved + np.where(same, stay, 0.0))
    away = before.away * np.where(gone, to_away, moved_away + np.where(same, stay_away, 0.0))
    return np.concatenate([real, away], axis=2).astype(np.float64)


def _balance(blocks: _Blocks, claims: _Claims, rule: Rule, drawn: _Stretch) -> FloatArray:
    """Log of target over proposal of the units' visits, (R, units)."""
    replicates, places = claims.owner.shape
    unit = blocks.unit[drawn.block]
    score = np.zeros((replicates, blocks.units))
    used = claims.weight(drawn.replicate, drawn.camera, unit)
    np.subtract.at(score, (drawn.replicate, unit), np.log(used))
    key, counts = np.unique((drawn.replicate * blocks.units + unit) * places + drawn.camera, return_counts=True)
    camera, rest = key % places, key // places
    replicate, u = rest // blocks.units, rest % blocks.units
    owned = claims.owner[replicate, camera] == u
    base = claims.outside[replicate, camera] + ~owned
    change = rule.log_weight(base + counts) - rule.log_weight(base)
    np.add.at(score, (replicate, u), change + np.where(owned, claims.log_contenders[camera], 0.0))
    return score


def _gained_by_stays(walks: Walks, blocks: _Blocks, new: _Stretch, rule: Rule) -> FloatArray:
    """What the new blocks gain in log weights of whole stays, those that reach into them included, (R, B)."""
    place, away = walks.place.copy(), walks.away.copy()
    place[:, blocks.inner], away[:, blocks.inner] = new.place[:, :, : blocks.length], new.away[:, :, : blocks.length]
    begun = np.maximum.accumulate(np.where(walks.begins(), np.arange(place.shape[1])[None, :], 0), axis=1)
    low = np.maximum(begun[:, blocks.starts - 1] - 1, 0)
    gained = np.zeros((len(place), blocks.unit.size))
    for sums, sign in ((stay_sums(walks.p, place, away, rule), 1.0), (stay_sums(walks.p, walks.place, walks.away, rule), -1.0)):
        gained += sign * (sums[:, blocks.starts + blocks.length] - np.take_along_axis(sums, low, axis=1))
    return gained


def _take(walks: Walks, blocks: _Blocks, claims: _Claims, stretches: tuple[_Stretch, _Stretch], taken: BoolArray) -> None:
    """Put the new stretches in place of the old where they are taken (R, B), and count visits anew."""
    old, new = stretches
    place = np.where(taken[:, :, None], new.place, old.place)
    away = np.where(taken[:, :, None], new.away, old.away)
    walks.place[:, blocks.inner] = place[:, :, : blocks.length]
    walks.away[:, blocks.inner] = away[:, :, : blocks.length]
    visits = claims.outside.copy()
    for stretch, kept in ((new, taken), (old, ~taken)):
        keep = kept[stretch.replicate, stretch.block]
        np.add.at(visits, (stretch.replicate[keep], stretch.camera[keep]), 1)
    visits[:, -1] = 0
    walks.visits = visits
