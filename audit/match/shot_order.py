"""In which order a crew takes its shots: what one photo shows, after what the one before it shows, tells a stay from a move.

Symbols and formulas: docs/matching.md, 5a. Kinds come from the look of each photo with their probabilities; nothing is taken as known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audit.match.shots import EVEN, KINDS

__all__ = ["ShotOrder", "learn_shot_order", "shot_log_ratios"]

FloatArray = NDArray[np.float64]

#: Pairs of photos that "one kind says nothing of the next" is worth, for each kind (chosen: a dozen cameras move it).
_WORTH = 12.0
#: Rounds of fitting, photos that even shares of kinds are worth, and the bounds of what one pair of photos can say.
_EM_STEPS, _EVEN_WORTH, _MOST = 8, 10.0, (1 / 7, 7.0)
_Rows = tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True)
class ShotOrder:
    """How kinds of shots follow one another, in the order of ``KINDS``.

    Attributes
    ----------
    shares : tuple of float
        Share of all photos that are of each kind.
    stay, move : tuple of tuples of float
        After a photo of each kind (rows): share of photos that are of the same camera, and of another one, and of each kind (columns), over
        the share of all such steps. Rows of both, weighed by those shares, add up to 1: a crew goes on after its last shot.
    """

    shares: tuple[float, ...] = EVEN
    stay: _Rows = (EVEN,) * len(KINDS)
    move: _Rows = (EVEN,) * len(KINDS)


def _kinds(shows: FloatArray, shares: FloatArray) -> FloatArray:
    """Probabilities (T, kinds) of what photos show, from looks that take all kinds for alike."""
    weighed = shows * shares
    return np.asarray(weighed / weighed.sum(axis=1, keepdims=True))


def shot_log_ratios(then: FloatArray, now: FloatArray, order: ShotOrder) -> tuple[FloatArray, FloatArray]:
    """Log of how much likelier the later photo's look is after the earlier one's at the same camera, and at another, than by itself; (T,) each.

    Parameters
    ----------
    then, now : float array (T, kinds)
        Looks of each step's photo before, and of its own; even where nobody looked.
    """
    shares = np.array(order.shares)
    before, after = _kinds(then, shares), _kinds(now, shares) / shares

    def log_ratio(rows: _Rows) -> FloatArray:
        ratio = np.einsum("tj,jk,tk->t", before, np.array(rows), after)
        return np.asarray(np.log(np.clip(ratio, *_MOST)))

    return log_ratio(order.stay), log_ratio(order.move)


def learn_shot_order(then: FloatArray, now: FloatArray, stays: FloatArray, moves: FloatArray, before: ShotOrder) -> ShotOrder:
    """The order that fits drawn walks (expectation-maximisation), held to kinds that say nothing of one another.

    Parameters
    ----------
    then, now : float array (T, kinds)
        As in :func:`shot_log_ratios`.
    stays, moves : float array (T,)
        Share of the drawn walks in which the step's two photos are of one camera, and of two.
    """
    shares = np.array(before.shares)
    for _ in range(_EM_STEPS):
        found = _kinds(now, shares).sum(axis=0)
        shares = (found + _EVEN_WORTH * np.array(EVEN)) / (len(now) + _EVEN_WORTH)

    share = (stays.sum() + _WORTH / 2) / (stays.sum() + moves.sum() + _WORTH)
    goes = ((stays, share), (moves, 1.0 - share))
    rows = [np.array(before.stay), np.array(before.move)]
    for _ in range(_EM_STEPS):
        seen = [_pairs(then * shares, now, after, weight) + part * _WORTH * shares for after, (weight, part) in zip(rows, goes, strict=True)]
        whole = sum(seen).sum(axis=1, keepdims=True)
        rows = [one / whole / part for one, (_, part) in zip(seen, goes, strict=True)]
    return ShotOrder(_plain(shares), tuple(_plain(row) for row in rows[0]), tuple(_plain(row) for row in rows[1]))


def _pairs(then: FloatArray, now: FloatArray, after: FloatArray, weight: FloatArray) -> FloatArray:
    """Expected pairs of kinds (kinds, kinds) among steps that count by their weight."""
    pairs = then[:, :, None] * after[None] * now[:, None, :]
    pairs *= (weight / pairs.sum(axis=(1, 2)))[:, None, None]
    return np.asarray(pairs.sum(axis=0))


def _plain(values: FloatArray) -> tuple[float, ...]:
    return tuple(float(value) for value in values)
