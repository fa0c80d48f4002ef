"""Short lists of cameras that each photo could belong to, so that the cost does not grow with the plan."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from audit.match.evidence import PhotoArrays, SiteArrays

__all__ = ["Named", "first_lists", "pruned_lists", "unique_rows"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: How many cameras near a photo's position are listed for each one near or after a known camera of the walk.
_POSITION_SHARE = 2.0
#: Places of a shortened list that are kept for the best candidates of the steps before and after, half for each (chosen).
_FROM_BESIDE = 4


def unique_rows(lists: IntArray, width: int) -> IntArray:
    """Each row's first ``width`` distinct non-negative entries in their order, filled up with -1.

    Parameters
    ----------
    lists : int array (T, L)
    width : int

    Returns
    -------
    int array (T, width)
    """
    order = np.argsort(lists, axis=1, kind="stable")
    ranked = np.take_along_axis(lists, order, axis=1)
    again = np.zeros(lists.shape, dtype=bool)
    again[:, 1:] = ranked[:, 1:] == ranked[:, :-1]
    marked = np.zeros_like(again)
    np.put_along_axis(marked, order, again, axis=1)
    kept = np.where(marked, -1, lists)
    first = np.argsort(kept < 0, axis=1, kind="stable")[:, :width]
    result = np.take_along_axis(kept, first, axis=1)
    if result.shape[1] < width:
        result = np.concatenate([result, np.full((len(result), width - result.shape[1]), -1, dtype=np.int64)], axis=1)
    return result


def _anchors(sure: IntArray, cut: NDArray[np.bool_]) -> tuple[IntArray, IntArray]:
    """For each step, the camera of the last and of the next step whose camera is known (-1 none), within a stream."""
    steps = sure.size
    stream = np.cumsum(cut)
    known = np.flatnonzero(sure >= 0)
    if not known.size:
        none = np.full(steps, -1, dtype=np.int64)
        return none, none
    at = np.arange(steps)
    place = np.searchsorted(known, at, side="right") - 1
    last = known[np.maximum(place, 0)]
    last = np.where((place >= 0) & (stream[last] == stream), sure[last], -1)
    place = np.searchsorted(known, at, side="left")
    nxt = known[np.minimum(place, known.size - 1)]
    nxt = np.where((place < known.size) & (stream[nxt] == stream), sure[nxt], -1)
    return last, nxt


@dataclass(frozen=True, slots=True)
class Named:
    """Cameras that are known of a chain's photos.

    Attributes
    ----------
    sure : int array (T,)
        Camera of steps that a single label or an answer settles, else -1.
    labelled : int array (T, L)
        Cameras that labels name, -1 filled; always among the candidates.
    """

    sure: IntArray
    labelled: IntArray


def first_lists(
    site: SiteArrays, photos: PhotoArrays, order: IntArray, cut: NDArray[np.bool_], named: Named, width: int
) -> IntArray:
    """Candidates before anything is known of the walk: near the photo's position, and near known photos of the walk.

    Parameters
    ----------
    order, cut : arrays (T,)
        The chain's photos and where it is cut.
    width : int
        Length of the lists, the last entry ("none") included.
    """
    size, sure, labelled = site.size, named.sure, named.labelled
    keep = width - 1
    if size <= keep:
        everyone = np.broadcast_to(np.arange(size), (order.size, size))
        return np.concatenate([unique_rows(np.concatenate([labelled, everyone], axis=1), keep),
                               np.full((order.size, 1), -1, dtype=np.int64)], axis=1)
    last, nxt = _anchors(sure, cut)
    has_position = ~np.isnan(photos.east_m[order])
    near = np.full((order.size, keep), -1, dtype=np.int64)
    if has_position.any():
        place = np.column_stack([photos.east_m[order], photos.north_m[order]])[has_position]
        near[has_position] = cKDTree(np.column_stack([site.east_m, site.north_m])).query(place, k=keep)[1].reshape(-1, keep)
    lost = ~has_position & (last < 0) & (nxt < 0)
    near[lost] = np.linspace(0, size - 1, keep).astype(np.int64)
    # the middle between the nth and the next of the four sources taken in turn
    rank = np.concatenate([np.arange(keep), _POSITION_SHARE * (np.arange(4 * keep) + 1.5)])
    lists = np.concatenate([near, _beside_known(site, last, nxt, keep)], axis=1)[:, np.argsort(rank, kind="stable")]
    near_known = np.column_stack([labelled, sure, last, nxt])
    return np.concatenate([unique_rows(np.concatenate([near_known, lists], axis=1), keep),
                           np.full((order.size, 1), -1, dtype=np.int64)], axis=1)


def _beside_known(site: SiteArrays, last: IntArray, nxt: IntArray, count: int) -> IntArray:
    """Cameras near the known ones before and after each step, on the ground and in the plan's order, (T, 4 count)."""
    walk = cKDTree(site.walk_coordinates)
    sources = np.full((last.size, count, 4), -1, dtype=np.int64)
    for place, (anchor, way) in enumerate(((last, 1), (nxt, -1))):
        rows = np.flatnonzero(anchor >= 0)
        if not rows.size:
            continue
        used, inverse = np.unique(anchor[rows], return_inverse=True)
        sources[rows, :, place] = walk.query(site.walk_coordinates[used], k=count)[1].reshape(-1, count)[inverse]
        listed = used[:, None] + way * np.arange(1, count + 1)
        sources[rows, :, 2 + place] = np.where((listed >= 0) & (listed < site.size), listed, -1)[inverse]
    return sources.reshape(last.size, 4 * count)


def pruned_lists(candidates: IntArray, score: NDArray[np.float32], cut: NDArray[np.bool_], width: int,
                 always: IntArray) -> IntArray:
    """Shorter lists: each step's most probable candidates, and the best of the steps beside it.

    Parameters
    ----------
    candidates, score : arrays (T, K)
    width : int
        New length, the last entry ("none") included.
    always : int array (T, L)
        Cameras that stay whatever their score.
    """
    keep, half = width - 1, _FROM_BESIDE // 2
    ranked = np.argsort(-np.where(candidates < 0, -1.0, score), axis=1, kind="stable")
    best = np.take_along_axis(candidates, ranked[:, : keep + 1], axis=1)
    own = best[:, : max(keep - _FROM_BESIDE, 1)]
    beside = np.full((len(best), _FROM_BESIDE), -1, dtype=np.int64)
    beside[1:, :half] = best[:-1, :half]
    beside[:-1, half:] = best[1:, :half]
    inside = np.ones(len(best), dtype=bool)
    inside[cut] = False
    beside[~inside, :half] = -1
    rest = best[:, max(keep - _FROM_BESIDE, 1):]
    return np.concatenate([unique_rows(np.concatenate([always, own, beside, rest], axis=1), keep),
                           np.full((len(best), 1), -1, dtype=np.int64)], axis=1)
