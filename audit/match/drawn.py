"""Walks as they are drawn: the rule that ties a whole walk together, and where every walk of many is now."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audit.match.stays import CodeHabit, stay_log_weights, stays_of
from audit.match.walk import Chain, Tables

__all__ = ["Padded", "Rule", "Walks", "begins_at", "stay_sums"]

Float32Array = NDArray[np.float32]
FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
#: Walks start at the likeliest candidates with Gumbel noise of this size, from the first to the last walk (chosen: the
#: first starts next to the best of each step, the last is a draw from the rough probabilities).
_START_NOISE = (0.1, 1.0)
#: Stands in for a probability of 0 in a logarithm.
_NO_SCORE = 1e-12


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
    follows : bool array (T,) or None
        Photos that follow at once on the one before; they don't count for a stay's length.
    coded : int array (T,) or None
        Camera whose label each photo shows, -1 for none.
    """

    missed: float
    again: float
    lengths: FloatArray = field(default_factory=lambda: np.zeros(0))
    habit: CodeHabit = field(default_factory=CodeHabit)
    follows: BoolArray | None = None
    coded: IntArray | None = None

    def log_weight(self, visits: IntArray) -> FloatArray:
        """Log weight of numbers of visits."""
        return np.asarray(np.where(visits == 0, np.log(self.missed), (np.maximum(visits, 1) - 1) * np.log(self.again)))


class Padded:
    """The chain's tables with idle steps before and after, so that every block is whole."""

    def __init__(self, chain: Chain, tables: Tables, rule: Rule, idle: int) -> None:
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
        self.counted: BoolArray = ~pad(np.zeros(steps, dtype=bool) if rule.follows is None else rule.follows, 1)
        self.coded: IntArray | None = None if rule.coded is None or (rule.coded < 0).all() else pad(rule.coded, -1)
        self.restart = tables.restart
        self.steps, self.size, self.idle = steps, size, idle


def begins_at(p: Padded, t: IntArray, place: IntArray, away: BoolArray, before: IntArray) -> BoolArray:
    """Whether a stay begins at steps ``t`` given the place there and at the step before."""
    previous = p.previous[t, place]
    return np.asarray(~away & (p.cut[t] | (previous != before)))


class Walks:
    """The current walk of every replicate, and how often each camera is visited in it."""

    def __init__(self, p: Padded, cameras: int, replicates: int, score: Float32Array, rng: np.random.Generator) -> None:
        self.p, self.rng = p, rng
        idle, steps, size = p.idle, p.steps, p.size
        total = steps + 2 * idle
        self.place = np.full((replicates, total), size - 1, dtype=np.int64)
        self.away = np.ones((replicates, total), dtype=bool)
        inner = slice(idle, idle + steps)
        usable = np.where(p.real[inner] > 0, score, 0.0)
        noise = rng.gumbel(size=(replicates, steps, size)).astype(np.float32)
        noise *= np.linspace(*_START_NOISE, replicates, dtype=np.float32)[:, None, None]
        best = np.argmax(np.log(usable + _NO_SCORE)[None] + noise, axis=2)
        real = np.take_along_axis(usable, best.T, axis=1).T > 0
        self.place[:, inner] = np.where(real, best, size - 1)
        self.away[:, inner] = ~real
        self.visits = np.zeros((replicates, cameras + 1), dtype=np.int64)
        begins = self.begins()
        rows, at = np.nonzero(begins)
        np.add.at(self.visits, (rows, p.candidates[at, self.place[rows, at]]), 1)
        self.visits[:, -1] = 0

    def begins(self) -> BoolArray:
        """Where stays begin, (R, T)."""
        t = np.broadcast_to(np.arange(1, self.place.shape[1]), (self.place.shape[0], self.place.shape[1] - 1))
        found = begins_at(self.p, t, self.place[:, 1:], self.away[:, 1:], self.place[:, :-1])
        return np.concatenate([np.zeros((len(found), 1), dtype=bool), found], axis=1)


def stay_sums(p: Padded, place: IntArray, away: BoolArray, rule: Rule) -> FloatArray:
    """Running sums (R, T) along each walk of the log weights of its stays, each booked where it begins.

    A photo of a label that reads as another camera's was taken for a label all the same.
    """
    at = np.arange(place.shape[1])
    before = np.concatenate([place[:, :1], place[:, :-1]], axis=1)
    stays = stays_of(begins_at(p, np.broadcast_to(at, place.shape), place, away, before), away, p.counted)
    labelled = None if p.coded is None else ~away & (p.coded >= 0)[None, :]
    return np.asarray(np.cumsum(stay_log_weights(stays, rule.lengths, labelled, rule.habit), axis=1))
