"""Strays beside a stay: of a photo that belongs to no camera, in which drawn walks was a camera the last one visited before it or the next after it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from audit.match.sampling import Draws
from audit.match.walk import Chain

__all__ = ["taken_next_to"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

#: Steps of drawn walks that are looked at together, for memory.
_AT_ONCE = 2_000_000


def taken_next_to(chain: Chain, draws: Draws, entry: IntArray) -> FloatArray:
    """Share of drawn walks in which each photo is a stray next to one camera's stay, by where else it was put.

    Parameters
    ----------
    entry : int array (T,)
        Place of the camera in each step's list of candidates.

    Returns
    -------
    float array (T, K)
        By the candidate beside which the stray was put; the last photo before it on its walk, or the next one, that is no stray was
        taken at the camera. 0 for the camera itself, whose surplus such a stray is anyway.
    """
    steps, size = chain.candidates.shape
    at = np.arange(steps)
    camera = chain.candidates[at, entry]
    first = np.maximum.accumulate(np.where(chain.cut, at, 0))
    ends = np.append(chain.cut[1:], True)[::-1]
    first_back = np.maximum.accumulate(np.where(ends, at, 0))
    total = np.zeros(steps * size)
    rows = max(1, _AT_ONCE // steps)
    for low in range(0, len(draws.place), rows):
        place, away = draws.place[low : low + rows].astype(np.int64), draws.away[low : low + rows]
        there = chain.candidates[at, place]
        known = ~away & (there >= 0)
        next_to = _last(known, there, first) == camera
        next_to |= _last(known[:, ::-1], there[:, ::-1], first_back)[:, ::-1] == camera
        rest = away & next_to & (camera >= 0) & (place != entry)
        total += np.bincount((at * size + place)[rest], minlength=steps * size)
    return total.reshape(steps, size) / len(draws.place)


def _last(known: BoolArray, there: IntArray, first: IntArray) -> IntArray:
    """Camera (S, T) of the last known step before each, -2 where none has been since the first step of its walk."""
    rows, steps = known.shape
    index = np.maximum.accumulate(np.where(known, np.arange(steps), -1), axis=1)
    before = np.concatenate([np.full((rows, 1), -1), index[:, :-1]], axis=1)
    found = np.take_along_axis(there, np.maximum(before, 0), axis=1)
    return np.where(before >= first, found, -2)
