"""What to ask a person: photos that one answer settles, and the question that settles most first."""

from __future__ import annotations

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
    """Order in which to ask about groups: the one whose answer settles the most photos first.

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
        groups, whose camera would be sure given the answer, averaged over the answers it may get.
    """
    draws, groups = values.shape
    values = values[:: max(1, draws // _DRAWS)]
    draws = len(values)
    modes = np.full((groups, _MODES), -2, dtype=np.int64)
    for g in range(groups):
        found, counts = np.unique(values[:, g], return_counts=True)
        best = found[np.argsort(-counts)[:_MODES]]
        modes[g, : best.size] = best
    worth = np.zeros(groups)
    for g in range(groups):
        near = np.arange(max(0, g - _NEAR), min(groups, g + _NEAR + 1))
        hit = values[:, near, None] == modes[near][None, :, :]
        answers, inverse, counts = np.unique(values[:, g], return_inverse=True, return_counts=True)
        for a in np.flatnonzero(counts >= max(2, 0.03 * draws)):
            sure = hit[inverse == a].mean(axis=0).max(axis=1) >= at_least
            sure[near == g] = True
            worth[g] += counts[a] / draws * float(sizes[near][sure].sum())
    return np.argsort(-worth, kind="stable")
