"""The crew's walk: photos in order as a chain of stays at cameras, with forward-backward sums.

State of the chain at each photo: the camera that the photographer is at, and whether the photo belongs to it
(*real*) or to no camera (*away*). The photographer stays for several photos, then goes on to a near camera. Each
photo has its own short list of candidate cameras, so that the cost does not depend on the size of the plan; the
last candidate of each list is "at none of them".
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["LEAK", "Chain", "Posterior", "Tables", "forward_backward"]

Float32Array = NDArray[np.float32]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

#: Share of photos after which the photographer is at none of the candidates (chosen).
LEAK = 0.05
#: Steps of a piece of a long chain, and steps before and after it by which it forgets its edges (chosen: few stays have
#: more than ten photos).
_CHUNK, _BURN_IN = 96, 32
#: Keeps a sum of weights from being 0 in single precision.
_TINY = 1e-37


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


@dataclass(frozen=True, slots=True)
class _Pieces:
    """Pieces of a long chain that run side by side: ``[starts, starts + _CHUNK)`` of ``steps`` steps, and ``length`` in all."""

    starts: IntArray
    steps: int
    length: int


def _with_none(values: Float32Array) -> Float32Array:
    """The same with a last place of weight 0, for cameras that the neighbouring list lacks."""
    return np.concatenate([values, np.zeros((*values.shape[:-1], 1), dtype=values.dtype)], axis=-1)


def forward_backward(tables: Tables, start_weight: Float32Array | None = None) -> Posterior:
    """Marginal probabilities of all states, by sums over all walks (docs/matching.md, formula 8).

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
    pieces = _Pieces(np.arange(0, steps, _CHUNK), steps, min(_CHUNK + 2 * _BURN_IN, steps + 2 * _BURN_IN))
    forward_real, forward_away = _forward(tables, weight, pieces)
    backward_real, backward_away = _backward(tables, weight, pieces)
    real, away = forward_real * backward_real, forward_away * backward_away
    total = (real.sum(axis=1) + away.sum(axis=1))[:, None] + _TINY
    real, away = real / total, away / total
    even = np.full((1, size), 1.0 / size, dtype=np.float32)
    moved, kept = _arrivals(tables, np.concatenate([even, forward_real[:-1]]), np.concatenate([even, forward_away[:-1]]))
    moved = moved * weight
    new_stay = real * moved / (moved + kept + _TINY)
    return Posterior(real, away, new_stay.astype(np.float32))


def _forward(tables: Tables, weight: Float32Array, pieces: _Pieces) -> tuple[Float32Array, Float32Array]:
    """Probabilities of each step's states given the photos up to it, (T, K) each."""
    starts, steps = pieces.starts, pieces.steps
    begin = starts - np.minimum(_BURN_IN, starts)
    size = tables.real.shape[1]
    kept_real, kept_away = np.zeros_like(tables.real), np.zeros_like(tables.real)
    real = np.full((starts.size, size), 1.0 / size, dtype=np.float32)
    away = real.copy()
    for j in range(pieces.length):
        at = begin + j
        live = at < np.minimum(starts + _CHUNK, steps)
        if not live.any():
            break
        t = np.minimum(at, steps - 1)
        real, away = _forward_step(tables, weight, t, real, away)
        keep = live & (at >= starts)
        kept_real[t[keep]], kept_away[t[keep]] = real[keep], away[keep]
    return kept_real, kept_away


def _forward_step(
    tables: Tables, weight: Float32Array, t: IntArray, real: Float32Array, away: Float32Array
) -> tuple[Float32Array, Float32Array]:
    """From the states before the steps ``t`` (P,) of all pieces to those at them, (P, K)."""
    rows = np.arange(t.size)[:, None]
    cut = (tables.cut[t] | (t == 0))[:, None]
    moved = (np.matmul(real[:, None, :], tables.move[t]) + np.matmul(away[:, None, :], tables.move_away[t]))[:, 0]
    previous = tables.previous[t]
    kept, kept_away = _with_none(real)[rows, previous], _with_none(away)[rows, previous]
    new_real = (weight[t] * moved + kept * tables.stay[t] + kept_away * tables.stay_away[t]) * tables.real[t]
    total = (real.sum(axis=1) + away.sum(axis=1))[:, None]
    gone = (kept + kept_away) * tables.drift[t]
    gone[:, -1:] += LEAK * total
    new_away = np.where(cut, tables.restart * total, gone) * tables.away[t]
    norm = (new_real.sum(axis=1) + new_away.sum(axis=1))[:, None] + _TINY
    return new_real / norm, new_away / norm


def _backward(tables: Tables, weight: Float32Array, pieces: _Pieces) -> tuple[Float32Array, Float32Array]:
    """Weights of the photos after each step given its states, (T, K) each, scaled at each step."""
    starts, steps = pieces.starts, pieces.steps
    end = np.minimum(starts + _CHUNK + _BURN_IN, steps)
    kept_real, kept_away = np.ones_like(tables.real), np.ones_like(tables.real)
    real = np.ones((starts.size, tables.real.shape[1]), dtype=np.float32)
    away = real.copy()
    for j in range(pieces.length):
        at = end - 1 - j
        live = at >= starts
        if not live.any():
            break
        t = np.maximum(at, 0)
        keep = live & (at < starts + _CHUNK)
        kept_real[t[keep]], kept_away[t[keep]] = real[keep], away[keep]
        real, away = _backward_step(tables, weight, t, real, away)
    return kept_real, kept_away


def _backward_step(
    tables: Tables, weight: Float32Array, t: IntArray, real: Float32Array, away: Float32Array
) -> tuple[Float32Array, Float32Array]:
    """From the weights after the steps ``t`` (P,) of all pieces to those before them, (P, K)."""
    rows = np.arange(t.size)[:, None]
    x, y = tables.real[t] * real, tables.away[t] * away
    following = tables.following[t]
    stayed, stayed_away, drifted = (
        _with_none(part)[rows, following] for part in (x * tables.stay[t], x * tables.stay_away[t], y * tables.drift[t])
    )
    begun = (weight[t] * x)[:, :, None]
    cut = (tables.cut[t] | (t == 0))[:, None]
    restart = tables.restart * y.sum(axis=1, keepdims=True)
    drift = np.where(cut, restart, drifted + LEAK * y[:, -1:])
    real = np.matmul(tables.move[t], begun)[:, :, 0] + stayed + drift
    away = np.matmul(tables.move_away[t], begun)[:, :, 0] + stayed_away + drift
    norm = np.maximum(real.max(axis=1), away.max(axis=1))[:, None] + _TINY
    return real / norm, away / norm


def _arrivals(tables: Tables, real: Float32Array, away: Float32Array) -> tuple[Float32Array, Float32Array]:
    """How much of each step's state came by a move and how much by a stay, from the states before each step, (T, K)."""
    line = np.arange(len(real))[:, None]
    kept = _with_none(real)[line, tables.previous] * tables.stay + _with_none(away)[line, tables.previous] * tables.stay_away
    moved = (np.matmul(real[:, None, :], tables.move) + np.matmul(away[:, None, :], tables.move_away))[:, 0]
    return moved, kept
