"""Draws whole walks under the rule that a camera is visited once, by blocks, from many starts side by side.

Forward-backward sums treat visits as independent; that each camera gets one visit ties all of them together, and no
exact sum exists. Walks are therefore drawn from the joint distribution: a block of steps is drawn anew given
everything outside it (forward filtering, backward sampling), two blocks that compete for the same cameras at a time,
and the rule is met exactly by accepting or refusing the draw (Metropolis-Hastings).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audit.match.blocks import renew
from audit.match.drawn import Padded, Rule, Walks
from audit.match.walk import Chain, Tables

__all__ = ["Draws", "Effort", "Rule", "draw_walks"]

#: Lengths of the blocks that are drawn anew: every third sweep long ones, which move whole stretches of a walk at once,
#: else short ones, which are accepted more often (chosen).
_SHORT, _LONG, _LONG_EVERY = (6, 14), (20, 48), 3

Float32Array = NDArray[np.float32]
BoolArray = NDArray[np.bool_]


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


@dataclass(frozen=True, slots=True)
class Effort:
    """How long to draw.

    Attributes
    ----------
    replicates, sweeps, settle : int
        Walks drawn side by side, how often all are renewed, and how many renewals are dropped at the start.
    seed : int
    """

    replicates: int
    sweeps: int
    settle: int
    seed: int = 0


def draw_walks(chain: Chain, tables: Tables, cameras: int, rule: Rule, score: Float32Array, effort: Effort) -> Draws:
    """Draws walks from their joint distribution.

    Parameters
    ----------
    chain, tables : Chain, Tables
    cameras : int
        Number of planned cameras.
    rule : Rule
    score : float array (T, K)
        Rough probabilities to start from.
    effort : Effort

    Returns
    -------
    Draws
        ``replicates * (sweeps - settle)`` walks.
    """
    rng = np.random.default_rng(effort.seed)
    p = Padded(chain, tables, rule, _LONG[1] + 1)
    walks = Walks(p, cameras, effort.replicates, score, rng)
    inner = slice(p.idle, p.idle + p.steps)
    place, away, begins = [], [], []
    for sweep in range(effort.sweeps):
        low, high = _LONG if sweep % _LONG_EVERY == _LONG_EVERY - 1 else _SHORT
        length = int(rng.integers(low, high + 1))
        offset = p.idle - int(rng.integers(0, length))
        starts = np.arange(offset, p.idle + p.steps, length)
        for parity in (0, 1):
            if starts[parity::2].size:
                renew(walks, starts[parity::2], length, rule)
        if sweep >= effort.settle:
            place.append(walks.place[:, inner].astype(np.int16))
            away.append(walks.away[:, inner].copy())
            begins.append(walks.begins()[:, inner])
    return Draws(np.concatenate(place), np.concatenate(away), np.concatenate(begins))
