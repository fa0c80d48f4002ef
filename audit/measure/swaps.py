"""Which reference each of many images shows: finds cameras that were swapped.

Every feature of an image votes for the reference that holds its nearest neighbour among all references of the site;
the three with most votes are registered, and the best registration decides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from audit.lens import Lens
from audit.measure.overlay import burnt_in_text
from audit.measure.registration import Features, detect_features, grey_at_work_size, register_features

__all__ = ["ViewMatch", "best_views", "shown_elsewhere"]

_VOTERS = 250
_TRIED = 3
_RATIO = 0.85
_SURE = 0.9
_HFOV_DEG = 60.0


@dataclass(frozen=True, slots=True)
class ViewMatch:
    """The reference that an image shows.

    Attributes
    ----------
    reference : int or None
        Index into the references; None where none is recognised.
    probability : float
        That the image shows that reference's view (0 where none is recognised).
    inliers : int
        Features that agree with one turn of the camera.
    """

    reference: int | None
    probability: float
    inliers: int


def best_views(images: Sequence[NDArray[np.uint8]], references: Sequence[NDArray[np.uint8]],
               lenses: Sequence[Lens | None] | None = None) -> tuple[ViewMatch, ...]:
    """For each image the reference that it shows.

    Parameters
    ----------
    images, references : sequences of ndarray of uint8, shape (H, W, 3)
    lenses : sequence of Lens or None, optional
        Lenses of the references; unknown means 60 deg across.

    Returns
    -------
    tuple of ViewMatch
        One for each image, in order.
    """
    known = [_features(pixels, lenses[index] if lenses is not None else None)
             for index, pixels in enumerate(references)]
    holders = [features.descriptors[:_VOTERS] for features in known]
    if not holders or sum(map(len, holders)) < 2:
        return tuple(ViewMatch(None, 0.0, 0) for _ in images)
    everything = np.concatenate(holders)
    owner = np.repeat(np.arange(len(holders)), [len(h) for h in holders])
    starts = np.flatnonzero(np.r_[True, owner[1:] != owner[:-1]])
    present = owner[starts]
    out = []
    for pixels in images:
        features = _features(pixels, None)
        out.append(_best(features, known, everything, starts, present))
    return tuple(out)


def _features(pixels: NDArray[np.uint8], lens: Lens | None) -> Features:
    grey = grey_at_work_size(pixels)
    lens = (lens.resized(grey.shape[1], grey.shape[0]) if lens is not None
            else Lens(grey.shape[1], grey.shape[0], _HFOV_DEG, source="assumed"))
    return detect_features(grey, lens, burnt_in_text(grey))


def _best(features: Features, known: Sequence[Features], everything: NDArray[np.float32],
          starts: NDArray[np.int64], present: NDArray[np.int64]) -> ViewMatch:
    nothing = ViewMatch(None, 0.0, 0)
    if len(features.descriptors) < 2:
        return nothing
    likeness = features.descriptors[:_VOTERS] @ everything.T
    by_owner = np.maximum.reduceat(likeness, starts, axis=1)
    first = by_owner.argmax(axis=1)
    rows = np.arange(len(by_owner))
    best = by_owner[rows, first]
    by_owner[rows, first] = -1.0
    second = by_owner.max(axis=1)
    distinct = (1 - best) < _RATIO**2 * (1 - np.maximum(second, 0.0))
    votes = np.bincount(first[distinct], minlength=len(present))
    found = nothing
    for place in np.argsort(-votes, kind="stable")[:_TRIED]:
        reference = int(present[place])
        seen = known[reference]
        lens = replace(seen.lens, width_px=features.lens.width_px, height_px=features.lens.height_px,
                       principal_px=None)
        turned = register_features(seen, replace(features, lens=lens))
        if turned.inliers > found.inliers and turned.method == "features" and turned.same_view_probability >= 0.5:
            found = ViewMatch(reference, turned.same_view_probability, turned.inliers)
    return found


def shown_elsewhere(matches: Sequence[ViewMatch], expected: Sequence[int]) -> tuple[tuple[int, int], ...]:
    """Images (by index) that surely show another image's expected reference, each with the index of that image.

    Parameters
    ----------
    matches : sequence of ViewMatch
    expected : sequence of int
        Index of the reference that each image should show.
    """
    at = {reference: index for index, reference in enumerate(expected)}
    found = []
    for index, match in enumerate(matches):
        other = at.get(match.reference) if match.reference is not None else None
        if other is not None and other != index and match.probability >= _SURE:
            found.append((index, other))
    return tuple(found)
