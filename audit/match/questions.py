"""What to ask a person: photos that one answer settles, and the question that settles most first."""

from __future__ import annotations

from heapq import heapify, heappop, heappush

import numpy as np
from numpy.typing import NDArray

__all__ = ["ask_order", "stay_groups"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_NEAR = 12
_DRAWS = 200
_MODES = 3


def stay_groups(together: FloatArray, at_least: float) -> IntArray:
    """Numbers the runs of photos that belong to the same camera with at least that probability.

    Parameters
    ----------
    together : float array (T,)
        Probability that a step belongs to the same camera as the one before it.

    Returns
    -------
    int array (T,)
    """
    return np.asarray(np.cumsum(together < at_least) - (together[:1] < at_least).sum(), dtype=np.int64)


def ask_order(values: NDArray[np.int64], sizes: IntArray, at_least: float) -> IntArray:
    """Order in which to ask about groups: each question settles the most photos that those before it leave open.

    Parameters
    ----------
    values : int array (S, G)
        Camera of each group (-1 none) in each drawn walk; groups in the order of the walk.
    sizes : int array (G,)
        Photos of each group.
    at_least : float
        Probability from which a group counts as settled.

    Returns
    -------
    int array (G,)
        Groups, best question first. A question's worth is the expected number of photos, its own and those of near
        groups, whose camera would be sure given the answer, averaged over the answers it may get, and less what the
        questions before it are expected to settle: several may so be asked at once, and none is asked twice over.
    """
    groups = values.shape[1]
    if not groups:
        return np.zeros(0, dtype=np.int64)
    settles = _settles(values, at_least) * _windows(sizes.astype(np.float64), 0.0)
    open_ = np.ones(groups + 2 * _NEAR)
    ranked = [(-float(row.sum()), g) for g, row in enumerate(settles)]
    heapify(ranked)
    order: list[int] = []
    share = settles / np.maximum(_windows(sizes.astype(np.float64), 1.0), 1.0)
    while ranked:
        worth, g = heappop(ranked)
        now = -float(settles[g] @ open_[g : g + 2 * _NEAR + 1])
        if ranked and now > ranked[0][0] + 1e-9:
            heappush(ranked, (now, g))
            continue
        order.append(g)
        open_[g : g + 2 * _NEAR + 1] *= 1.0 - share[g]
    return np.array(order, dtype=np.int64)


def _windows(values: FloatArray, fill: float) -> FloatArray:
    """The values of the groups near each group, (G, 2 n + 1), its own in the middle."""
    padded = np.pad(values, _NEAR, constant_values=fill)
    return np.lib.stride_tricks.sliding_window_view(padded, 2 * _NEAR + 1)


def _settles(values: NDArray[np.int64], at_least: float) -> FloatArray:
    """Probability (G, 2 n + 1) that the answer to a group makes the camera of each near group sure; 1 for itself."""
    draws, groups = values.shape
    values = values[:: max(1, draws // _DRAWS)]
    draws = len(values)
    modes = np.full((groups, _MODES), -2, dtype=np.int64)
    for g in range(groups):
        found, counts = np.unique(values[:, g], return_counts=True)
        best = found[np.argsort(-counts)[:_MODES]]
        modes[g, : best.size] = best
    result = np.zeros((groups, 2 * _NEAR + 1))
    for g in range(groups):
        near = np.arange(max(0, g - _NEAR), min(groups, g + _NEAR + 1))
        hit = values[:, near, None] == modes[near][None, :, :]
        _, inverse, counts = np.unique(values[:, g], return_inverse=True, return_counts=True)
        # a camera seen in fewer walks than this changes no question (chosen, for time)
        for a in np.flatnonzero(counts >= max(2, 0.03 * draws)):
            sure = hit[inverse == a].mean(axis=0).max(axis=1) >= at_least
            result[g, near - g + _NEAR] += counts[a] / draws * sure
    result[:, _NEAR] = 1.0
    return result
