"""What a whole stay weighs: how many photos it has, and where among them its label was photographed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["CodeHabit", "Stays", "learn_habit", "stay_log_weights", "stays_of"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

#: Rounds of fitting a habit, stays that the usual habit is worth, and its share to start from.
_EM_STEPS, _WORTH, _START_SHARE = 25, 6.0, 0.5
#: Most share of label photos that open or close their stay, both together; bounds of a habit's shares; and stays without a
#: label photo that are added to those seen (chosen).
_MOST_AT_ENDS, _SHARES, _STRAYS, _UNSEEN = 0.97, (0.0, 0.98), (0.005, 0.9), 2.0


@dataclass(frozen=True, slots=True)
class CodeHabit:
    """How a crew photographs labels.

    Attributes
    ----------
    share : float
        Share of stays in which one photo is taken for its label; 0 where no label says anything.
    stray : float
        Share of all other photos that carry a readable label by chance.
    first, last : float
        Share of such label photos that open and that close their stay; the others lie anywhere in it.
    """

    share: float = 0.0
    stray: float = 0.1
    first: float = 0.3
    last: float = 0.3

    def place(self, index: IntArray, count: IntArray) -> FloatArray:
        """Probability that the label photo is number ``index`` (from 1) of ``count``."""
        anywhere = (1.0 - self.first - self.last) / np.maximum(count, 1)
        return np.asarray(self.first * (index == 1) + self.last * (index == count) + anywhere)


@dataclass(frozen=True, slots=True)
class Stays:
    """The stays of walks side by side, (R, T) arrays.

    Attributes
    ----------
    begins : bool array
        Whether a stay begins at the step.
    start : int array
        Step at which the latest stay began, -1 before the first.
    index : int array
        Number of the step's photo within that stay, from 1, bursts counted once.
    count : int array
        Photos of the stay that begins at the step; without meaning elsewhere.
    """

    begins: BoolArray
    start: IntArray
    index: IntArray
    count: IntArray


def stays_of(begins: BoolArray, away: BoolArray, counted: BoolArray) -> Stays:
    """Stays from where they begin (R, T), which photos belong to none (R, T), and which count (T,)."""
    total = begins.shape[1]
    at = np.arange(total)
    shots = np.cumsum(~away & counted[None, :], axis=1)
    before = np.concatenate([np.zeros((len(begins), 1), dtype=shots.dtype), shots[:, :-1]], axis=1)
    start = np.maximum.accumulate(np.where(begins, at[None, :], -1), axis=1)
    later = np.where(begins, at[None, :], total)
    following = np.minimum.accumulate(later[:, ::-1], axis=1)[:, ::-1]
    end = np.concatenate([following[:, 1:], np.full((len(begins), 1), total)], axis=1) - 1
    index = shots - np.take_along_axis(before, np.maximum(start, 0), axis=1)
    count = np.take_along_axis(shots, np.minimum(end, total - 1), axis=1) - before
    return Stays(begins, start, np.maximum(index, 1), np.maximum(count, 1))


def _labelled(stays: Stays, own: BoolArray, habit: CodeHabit) -> tuple[IntArray, FloatArray, FloatArray]:
    """Flat places of stays' beginnings with, for each label photo, the odds of being taken for its label."""
    rows, steps = np.nonzero(own & (stays.start >= 0))
    start = stays.start[rows, steps]
    place = habit.place(stays.index[rows, steps], stays.count[rows, start])
    return rows * own.shape[1] + start, place / habit.stray, place


def stay_log_weights(stays: Stays, lengths: FloatArray, own: BoolArray | None, habit: CodeHabit) -> FloatArray:
    """Log weight of each stay, booked at the step where it begins, (R, T), 0 elsewhere.

    Parameters
    ----------
    lengths : float array (n,)
        Weights of stays with 1, 2, … photos.
    own : bool array (R, T) or None
        Whether a photo carries a label of the camera that the walk is at.

    Notes
    -----
    A stay either has one photo taken for its label or none, beside labels that are readable by chance.
    """
    score = np.where(stays.begins, np.log(lengths)[np.minimum(stays.count, lengths.size) - 1], 0.0)
    if own is not None and habit.share > 0:
        odds = np.zeros(score.size)
        key, gain, _ = _labelled(stays, own, habit)
        np.add.at(odds, key, gain)
        weight = np.log(1.0 - habit.share + habit.share * odds).reshape(score.shape)
        score = score + np.where(stays.begins, weight, 0.0)
    return np.asarray(score)


def learn_habit(stays: Stays, own: BoolArray, photos: int) -> CodeHabit:
    """The habit that fits drawn walks (expectation-maximisation), held near common values.

    Parameters
    ----------
    own : bool array (R, T)
        Whether a photo carries a label of the camera that the walk is at.
    photos : int
        Photos of each walk.
    """
    number, walks = int(stays.begins.sum()), len(stays.begins)
    habit, usual = CodeHabit(_START_SHARE), CodeHabit()
    if not number or not own.any():
        return CodeHabit()
    hold = _WORTH * walks
    rows, steps = np.nonzero(own & (stays.start >= 0))
    index, count = stays.index[rows, steps], stays.count[rows, stays.start[rows, steps]]
    several = count >= 2
    for _ in range(_EM_STEPS):
        key, odds, place = _labelled(stays, own, habit)
        total = np.bincount(key, weights=odds, minlength=stays.begins.size)
        part = habit.share * odds / (1.0 - habit.share + habit.share * total[key])
        meant = part * several / place
        whole = (part * several).sum() + hold
        first = ((meant * (index == 1)).sum() * habit.first + usual.first * hold) / whole
        last = ((meant * (index == count)).sum() * habit.last + usual.last * hold) / whole
        scale = min(1.0, _MOST_AT_ENDS / (first + last))
        habit = CodeHabit(float(np.clip(part.sum() / (number + _UNSEEN * walks), *_SHARES)),
                          float(np.clip((key.size - part.sum() + walks) / (walks * photos), *_STRAYS)),
                          float(first * scale), float(last * scale))
    return habit
