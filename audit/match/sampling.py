"""Draws whole walks under the rule that a camera is visited once, by blocks, from many starts side by side.

Forward-backward sums treat visits as independent; that each camera gets one visit ties all of them together, and no
exact sum exists. Walks are therefore drawn from the joint distribution: a block of steps is drawn anew given
everything outside it (forward filtering, backward sampling), two blocks that compete for the same cameras at a time,
and the rule is met exactly by accepting or refusing the draw (Metropolis-Hastings).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audit.match.stays import CodeHabit, stay_log_weights, stays_of
from audit.match.walk import LEAK, Chain, Tables

__all__ = ["Draws", "Rule", "draw_walks"]

_LONGEST = 48

Float32Array = NDArray[np.float32]
FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Rule:
    """What ties a whole walk together.

    Attributes
    ----------
    missed, again : float
        Weights of a camera without any visit, and of each further visit, where one visit weighs 1.
    lengths : float array (n,)
        Weights of stays with 1, 2, … photos over what the chain's steps say already; empty for none.
    habit : CodeHabit
        How labels are photographed.
    """

    missed: float
    again: float
    lengths: FloatArray = field(default_factory=lambda: np.zeros(0))
    habit: CodeHabit = field(default_factory=CodeHabit)

    def log_weight(self, visits: IntArray) -> FloatArray:
        """Log weight of numbers of visits."""
        return np.asarray(np.where(visits == 0, np.log(self.missed), (np.maximum(visits, 1) - 1) * np.log(self.again)))


@dataclass(frozen=True, slots=True)
class Draws:
    """Walks drawn.

    Attributes
    ----------
    place : int16 array (S, T)
        Place in the step's list of candidates.
    away : bool array (S, T)
        Whether the photo belongs to none.
    begins : bool array (S, T)
        Whether a stay begins.
    """

    place: NDArray[np.int16]
    away: BoolArray
    begins: BoolArray


class _Padded:
    """The chain's tables with idle steps before and after, so that every block is whole."""

    def __init__(self, chain: Chain, tables: Tables, idle: int, follows: BoolArray | None,
                 coded: IntArray | None) -> None:
        steps, size = tables.real.shape

        def pad(values: NDArray[Any], fill: float) -> NDArray[Any]:
            shape = (idle, *values.shape[1:])
            edge = np.full(shape, fill, dtype=values.dtype)
            return np.concatenate([edge, values, edge])

        self.move = pad(tables.move, 0.0)
        self.move_away = pad(tables.move_away, 0.0)
        self.stay, self.stay_away = pad(tables.stay, 0.0), pad(tables.stay_away, 0.0)
        self.drift = pad(tables.drift, 0.0)
        self.previous, self.following = pad(tables.previous, size), pad(tables.following, size)
        self.real, self.away = pad(tables.real, 0.0), pad(tables.away, 0.0)
        self.away[:idle, -1] = self.away[-idle:, -1] = 1.0
        self.cut = pad(tables.cut, 1)
        self.cut[idle] = True
        self.candidates = pad(chain.candidates, -1)
        self.counted: BoolArray = ~pad(np.zeros(steps, dtype=bool) if follows is None else follows, 1)
        self.coded: IntArray | None = None if coded is None or (coded < 0).all() else pad(coded, -1)
        self.restart = tables.restart
        self.steps, self.size, self.idle = steps, size, idle


def _pad_last(values: Float32Array) -> Float32Array:
    return np.concatenate([values, np.zeros((*values.shape[:-1], 1), dtype=values.dtype)], axis=-1)


def _begins(p: _Padded, t: IntArray, place: IntArray, away: BoolArray, before: IntArray) -> BoolArray:
    """Whether a stay begins at steps ``t`` given the place there and at the step before."""
    previous = p.previous[t, place]
    return np.asarray(~away & (p.cut[t] | (previous != before)))


class _Walks:
    """The current walk of every replicate, and how often each camera is visited in it."""

    def __init__(self, p: _Padded, cameras: int, replicates: int, score: Float32Array,
                 rng: np.random.Generator) -> None:
        self.p, self.rng = p, rng
        idle, steps, size = p.idle, p.steps, p.size
        total = steps + 2 * idle
        self.place = np.full((replicates, total), size - 1, dtype=np.int64)
        self.away = np.ones((replicates, total), dtype=bool)
        inner = slice(idle, idle + steps)
        usable = np.where(p.real[inner] > 0, score, 0.0)
        noise = rng.gumbel(size=(replicates, steps, size)).astype(np.float32)
        noise *= np.linspace(0.1, 1.0, replicates, dtype=np.float32)[:, None, None]
        best = np.argmax(np.log(usable + 1e-12)[None] + noise, axis=2)
        real = np.take_along_axis(usable, best.T, axis=1).T > 0
        self.place[:, inner] = np.where(real, best, size - 1)
        self.away[:, inner] = ~real
        self.visits = np.zeros((replicates, cameras + 1), dtype=np.int64)
        begins = self.begins()
        rows, at = np.nonzero(begins)
        np.add.at(self.visits, (rows, p.candidates[at, self.place[rows, at]]), 1)
        self.visits[:, -1] = 0

    def begins(self) -> BoolArray:
        t = np.broadcast_to(np.arange(1, self.place.shape[1]), (self.place.shape[0], self.place.shape[1] - 1))
        found = _begins(self.p, t, self.place[:, 1:], self.away[:, 1:], self.place[:, :-1])
        return np.concatenate([np.zeros((len(found), 1), dtype=bool), found], axis=1)


def _stay_sums(p: _Padded, place: IntArray, away: BoolArray, rule: Rule) -> FloatArray:
    """Running sums (R, T) along each walk of the log weights of its stays, each booked where it begins."""
    at = np.arange(place.shape[1])
    before = np.concatenate([place[:, :1], place[:, :-1]], axis=1)
    stays = stays_of(_begins(p, np.broadcast_to(at, place.shape), place, away, before), away, p.counted)
    own = None
    if p.coded is not None:
        own = ~away & (p.coded >= 0)[None, :] & (p.candidates[at[None, :], place] == p.coded[None, :])
    return np.asarray(np.cumsum(stay_log_weights(stays, rule.lengths, own, rule.habit), axis=1))


def _units(p: _Padded, starts: IntArray, length: int, rng: np.random.Generator) -> tuple[IntArray, int]:
    """Pairs up blocks that share candidate cameras; returns each block's unit and the number of units."""
    count = starts.size
    block_of = np.full(p.steps + 2 * p.idle, -1, dtype=np.int64)
    for j in range(length):
        block_of[starts + j] = np.arange(count)
    at = starts + rng.integers(0, length, count)
    pick = np.argmax((p.real[at] + 1e-9) * rng.exponential(size=(count, p.size)), axis=1)
    wanted = p.candidates[at, pick]
    inside = np.flatnonzero(block_of >= 0)
    top = p.candidates[inside][:, : min(8, p.size)]
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


def _renew(walks: _Walks, starts: IntArray, length: int, rule: Rule) -> None:
    """Draws the blocks that begin at ``starts`` anew, given all the rest."""
    p, rng = walks.p, walks.rng
    replicates, cameras = walks.visits.shape[0], walks.visits.shape[1] - 1
    blocks, size = starts.size, p.size
    unit, units = _units(p, starts, length, rng)
    steps = starts[:, None] + np.arange(length + 1)[None, :]

    place0, away0 = walks.place[:, steps], walks.away[:, steps]
    before0 = walks.place[:, steps - 1]
    begins0 = _begins(p, np.broadcast_to(steps, place0.shape), place0, away0, before0)
    camera0 = p.candidates[steps[None], place0]
    r0, b0, _ = np.nonzero(begins0)
    c0 = camera0[begins0]
    outside = walks.visits.copy()
    np.subtract.at(outside, (r0, c0), 1)

    inner = steps[:, :length]
    choice = p.candidates[inner]
    shuffled = rng.permutation(blocks)
    owner_free = np.full(cameras + 1, -1, dtype=np.int64)
    owner_free[choice[shuffled].reshape(blocks, -1).ravel()] = np.repeat(unit[shuffled], length * size)
    pairs = np.unique(np.repeat(unit, length * size) * (cameras + 1) + choice.reshape(-1) % (cameras + 1))
    contenders = np.maximum(np.bincount(pairs % (cameras + 1), minlength=cameras + 1), 1)
    owner = np.broadcast_to(owner_free, (replicates, cameras + 1)).copy()
    owner[r0, c0] = unit[b0]
    log_first = np.log(contenders)

    free = outside == 0
    gain = np.where(free, 1.0, rule.again).astype(np.float32)
    foreign = np.float32(rule.again)

    def weight(t: IntArray) -> Float32Array:
        camera = p.candidates[t]
        own = owner[:, camera] == unit[None, :, None]
        value = np.where(own, gain[:, camera], np.minimum(gain[:, camera], foreign))
        return np.ascontiguousarray(value.transpose(1, 0, 2))

    rows = np.arange(blocks)[:, None]
    cols = np.arange(replicates)[None, :]
    real = np.zeros((blocks, replicates, size), dtype=np.float32)
    away = np.zeros_like(real)
    first = walks.place[:, starts - 1].T
    first_away = walks.away[:, starts - 1].T
    real[rows, cols, first] = ~first_away
    away[rows, cols, first] = first_away
    kept_real, kept_away, weights = [], [], []
    for j in range(length):
        t = inner[:, j]
        w = weight(t)
        cut = p.cut[t][:, None, None]
        moved = np.matmul(real, p.move[t]) + np.matmul(away, p.move_away[t])
        prev = np.broadcast_to(p.previous[t][:, None, :], real.shape)
        kr = np.take_along_axis(_pad_last(real), prev, axis=2)
        ka = np.take_along_axis(_pad_last(away), prev, axis=2)
        total = (real.sum(axis=2) + away.sum(axis=2))[:, :, None]
        new_real = (w * moved + kr * p.stay[t][:, None] + ka * p.stay_away[t][:, None]) * p.real[t][:, None]
        gone = (kr + ka) * p.drift[t][:, None]
        gone[:, :, -1:] += LEAK * total
        new_away = np.where(cut, p.restart * total, gone) * p.away[t][:, None]
        norm = new_real.sum(axis=2) + new_away.sum(axis=2)
        norm = np.maximum(norm, 1e-37)[:, :, None]
        real, away = new_real / norm, new_away / norm
        kept_real.append(real)
        kept_away.append(away)
        weights.append(w)

    place1, away1 = place0.copy(), away0.copy()
    nxt_place, nxt_away = place0[:, :, length].T, away0[:, :, length].T
    t = steps[:, length]
    camera_next = p.candidates[t[:, None], nxt_place]
    w_next = np.where(owner[cols, camera_next] == unit[:, None], gain[cols, camera_next],
                      np.minimum(gain[cols, camera_next], foreign))
    void = np.zeros((blocks, replicates), dtype=bool)
    for j in range(length - 1, -1, -1):
        fr, fa = kept_real[j], kept_away[j]
        column = p.move[t[:, None], :, nxt_place] * w_next[:, :, None]
        column_away = p.move_away[t[:, None], :, nxt_place] * w_next[:, :, None]
        prev = p.previous[t[:, None], nxt_place]
        same = np.arange(size)[None, None, :] == prev[:, :, None]
        step_stay = p.stay[t[:, None], nxt_place][:, :, None]
        step_stay_away = p.stay_away[t[:, None], nxt_place][:, :, None]
        drift = p.drift[t[:, None], nxt_place][:, :, None]
        lost = (nxt_place == size - 1)[:, :, None]
        to_away = np.where(p.cut[t][:, None, None], np.float32(p.restart),
                           np.where(same, drift, 0.0) + np.where(lost, np.float32(LEAK), 0.0))
        gone = nxt_away[:, :, None]
        pr = fr * np.where(gone, to_away, column + np.where(same, step_stay, 0.0))
        pa = fa * np.where(gone, to_away, column_away + np.where(same, step_stay_away, 0.0))
        both = np.concatenate([pr, pa], axis=2).astype(np.float64)
        cumulative = np.cumsum(both, axis=2)
        level = rng.random((blocks, replicates))[:, :, None] * cumulative[:, :, -1:]
        drawn = np.minimum((cumulative <= level).sum(axis=2), 2 * size - 1)
        void |= ~(cumulative[:, :, -1] > 0)
        nxt_away, nxt_place = drawn >= size, drawn % size
        place1[:, :, j], away1[:, :, j] = nxt_place.T, nxt_away.T
        t = inner[:, j]
        w_next = weights[j][rows, cols, nxt_place]

    before1 = np.concatenate([before0[:, :, :1], place1[:, :, :-1]], axis=2)
    begins1 = _begins(p, np.broadcast_to(steps, place1.shape), place1, away1, before1)
    camera1 = p.candidates[steps[None], place1]
    r1, b1, _ = np.nonzero(begins1)
    c1 = camera1[begins1]

    def balance(r: IntArray, b: IntArray, c: IntArray) -> FloatArray:
        """Log of target over proposal of the units' visits, (replicates, units)."""
        own = owner[r, c] == unit[b]
        used = np.where(own, gain[r, c], np.minimum(gain[r, c], foreign))
        score = np.zeros((replicates, units))
        np.subtract.at(score, (r, unit[b]), np.log(used))
        key, counts = np.unique((r * units + unit[b]) * (cameras + 1) + c, return_counts=True)
        camera = key % (cameras + 1)
        rest = key // (cameras + 1)
        replicate, u = rest // units, rest % units
        base = outside[replicate, camera] + (owner[replicate, camera] != u)
        change = rule.log_weight(base + counts) - rule.log_weight(base)
        change = change + np.where(owner[replicate, camera] == u, log_first[camera], 0.0)
        np.add.at(score, (replicate, u), change)
        return score

    log_ratio = balance(r1, b1, c1) - balance(r0, b0, c0)
    if rule.lengths.size:
        new_place, new_away = walks.place.copy(), walks.away.copy()
        new_place[:, inner], new_away[:, inner] = place1[:, :, :length], away1[:, :, :length]
        total = walks.place.shape[1]
        begun = np.maximum.accumulate(np.where(walks.begins(), np.arange(total)[None, :], 0), axis=1)
        low = np.maximum(begun[:, starts - 1] - 1, 0)
        gained = np.zeros((replicates, blocks))
        for sums, sign in ((_stay_sums(p, new_place, new_away, rule), 1.0),
                           (_stay_sums(p, walks.place, walks.away, rule), -1.0)):
            gained += sign * (sums[:, starts + length] - np.take_along_axis(sums, low, axis=1))
        np.add.at(log_ratio, (np.arange(replicates)[:, None], unit[None, :]), gained)
    accept = np.log(rng.random(log_ratio.shape) + 1e-300) < log_ratio
    lame_block, lame_replicate = np.nonzero(void)
    accept[lame_replicate, unit[lame_block]] = False
    taken = accept[:, unit]
    place1 = np.where(taken[:, :, None], place1, place0)
    away1 = np.where(taken[:, :, None], away1, away0)
    walks.place[:, inner] = place1[:, :, :length]
    walks.away[:, inner] = away1[:, :, :length]
    keep = taken[r1, b1]
    np.add.at(outside, (r1[keep], c1[keep]), 1)
    keep = ~taken[r0, b0]
    np.add.at(outside, (r0[keep], c0[keep]), 1)
    outside[:, -1] = 0
    walks.visits = outside


def draw_walks(
    chain: Chain,
    tables: Tables,
    cameras: int,
    rule: Rule,
    score: Float32Array,
    *,
    replicates: int,
    sweeps: int,
    settle: int,
    seed: int = 0,
    follows: BoolArray | None = None,
    coded: IntArray | None = None,
) -> Draws:
    """Draws walks from their joint distribution.

    Parameters
    ----------
    chain, tables : Chain, Tables
    cameras : int
        Number of planned cameras.
    rule : Rule
    score : float array (T, K)
        Rough probabilities to start from.
    replicates, sweeps, settle : int
        Walks drawn side by side, how often all are renewed, and how many renewals are dropped at the start.
    follows : bool array (T,), optional
        Photos that follow at once on the one before; they don't count for a stay's length.
    coded : int array (T,), optional
        Camera whose label each photo shows, -1 for none.

    Returns
    -------
    Draws
        ``replicates * (sweeps - settle)`` walks.
    """
    rng = np.random.default_rng(seed)
    p = _Padded(chain, tables, 2 * _LONGEST + 2, follows, coded)
    walks = _Walks(p, cameras, replicates, score, rng)
    inner = slice(p.idle, p.idle + p.steps)
    place, away, begins = [], [], []
    for sweep in range(sweeps):
        low, high = (20, _LONGEST) if sweep % 3 == 2 else (6, 14)
        length = int(rng.integers(low, high + 1))
        offset = p.idle - int(rng.integers(0, length))
        starts = np.arange(offset, p.idle + p.steps, length)
        for parity in (0, 1):
            if starts[parity::2].size:
                _renew(walks, starts[parity::2], length, rule)
        if sweep >= settle:
            place.append(walks.place[:, inner].astype(np.int16))
            away.append(walks.away[:, inner].copy())
            begins.append(walks.begins()[:, inner])
    return Draws(np.concatenate(place), np.concatenate(away), np.concatenate(begins))
