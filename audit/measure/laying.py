"""Pictures of a camera that was turned, laid over one another without knowing its lens.

Between two pictures of a camera that turns about its lens every point moves by one plane map (homography), whatever the angle of view
(Hartley and Zisserman 2004, Multiple View Geometry, 2nd ed., 8.4), where a rotation needs the angle of view told. What lies on the glass
matches itself in place meanwhile, so matches in place are held apart where enough others say how the scene moved.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.lens import Lens
from audit.measure.registration import (
    Features,
    detect_features,
    grey_at_work_size,
    matched_points,
    plane_map,
    register_features,
)

__all__ = ["Laying", "laid_over", "laid_pairs", "moved_share", "reach_of"]

Matrix = NDArray[np.float64]
Mask = NDArray[np.bool_]
_HFOV_DEG = 60.0
_SAME_VIEW = 0.5
#: Limits at working size: a match this near its place stays; a plane map may err by.
_STILL_PX, _PLANE_PX = 1.0, 1.5
#: A plane map needs so many matches, in so many of the picture's 4 x 3 fields; beside matches in place, this share of them.
_FEWEST, _FIELDS, _BESIDE_STILL = 12, 4, 0.25
_SURE_FIELDS = 6
#: Largest change of area, and of the corners by the picture's width, that a turn of one lens may bring.
_MOST_AREA, _MOST_MOVE = 2.0, 0.7
_ROUNDS, _CONFIDENCE = 2000, 0.999
_WHOLE = 250


@dataclass(frozen=True, slots=True)
class Laying:
    """How one picture lies over another.

    Attributes
    ----------
    matrix : ndarray, shape (3, 3)
        Takes pixels of the other picture to those of the own, in the pictures' own size.
    matches : int
        Matches that agree with it.
    """

    matrix: Matrix
    matches: int

    def turned_round(self) -> Laying:
        """The own laid over the other."""
        return replace(self, matrix=np.asarray(np.linalg.inv(self.matrix), np.float64))


def laid_pairs(pictures: Sequence[NDArray[np.uint8]], ignore: Mask | None = None) -> dict[tuple[int, int], Laying]:
    """How pictures (H, W, 3) of one size lie over one another, by (own, other); pairs that show different places are left out.

    ``ignore`` (H, W) is true where something is burnt in.
    """
    greys = [grey_at_work_size(p) for p in pictures]
    height, width = greys[0].shape
    lens = Lens(width, height, _HFOV_DEG, source="assumed")
    text = None if ignore is None else np.asarray(cv2.resize(ignore.astype(np.uint8) * 255, (width, height), interpolation=cv2.INTER_AREA), np.uint8)
    features = [detect_features(grey, lens, text) for grey in greys]
    scale = pictures[0].shape[1] / width
    found: dict[tuple[int, int], Laying] = {}
    for own, other in combinations(range(len(pictures)), 2):
        laid = _laid(features[other], features[own])
        if laid is not None:
            matrix = _resized(laid.matrix, scale)
            found[own, other] = replace(laid, matrix=matrix)
            found[other, own] = found[own, other].turned_round()
    return found


def laid_over(laying: Laying, other: NDArray[np.uint8], keep: Mask) -> tuple[NDArray[np.uint8], Mask]:
    """The other picture (H, W, 3) as the own would show it, and where it reaches with pixels that ``keep`` (H, W) holds true."""
    size = other.shape[1::-1]
    moved = cv2.warpPerspective(other, laying.matrix, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(moved, np.uint8), reach_of(laying, keep)


def reach_of(laying: Laying, keep: Mask) -> Mask:
    """Where the other picture reaches in the own with pixels that ``keep`` (H, W) holds true."""
    reach = cv2.warpPerspective(keep.astype(np.uint8) * np.uint8(255), laying.matrix, keep.shape[::-1], flags=cv2.INTER_LINEAR)
    return np.asarray(reach > _WHOLE)


def moved_share(laying: Laying, shape: tuple[int, ...]) -> float:
    """How far the scene moved over the picture, in its widths: the median of a grid of points."""
    points = _grid(shape[1], shape[0])
    return float(np.median(np.hypot(*(_moved(laying.matrix, points) - points).T))) / shape[1]


def _laid(other: Features, own: Features) -> Laying | None:
    there, here = matched_points(other, own)
    still = np.hypot(*(here - there).T) < _STILL_PX
    moving = _plane(there[~still], here[~still], own.lens, _FIELDS)
    if moving is not None and moving.matches >= _BESIDE_STILL * still.sum():
        return moving
    whole = _plane(there, here, own.lens, _SURE_FIELDS)
    if whole is not None:
        return whole
    turn = register_features(other, own)
    return Laying(plane_map(turn), turn.inliers) if turn.same_view_probability >= _SAME_VIEW else None


def _plane(there: Matrix, here: Matrix, lens: Lens, fields: int) -> Laying | None:
    """The plane map that most matches agree with; None where they are too few, too near together, or no turn could do it."""
    if len(there) < _FEWEST:
        return None
    matrix, agree = cv2.findHomography(there, here, cv2.USAC_MAGSAC, _PLANE_PX, maxIters=_ROUNDS, confidence=_CONFIDENCE)
    if matrix is None or int(agree.sum()) < _FEWEST:
        return None
    at = here[agree.ravel() > 0]
    if len(np.unique(at[:, 0] * 4 // lens.width_px * 3 + at[:, 1] * 3 // lens.height_px)) < fields:
        return None
    points = _grid(lens.width_px, lens.height_px)
    to = _moved(np.asarray(matrix, np.float64), points)
    area = np.abs(_area(to) / _area(points))
    if not 1 / _MOST_AREA < area < _MOST_AREA or np.hypot(*(to - points).T).max() > _MOST_MOVE * lens.width_px:
        return None
    return Laying(np.asarray(matrix, np.float64), int(agree.sum()))


def _resized(matrix: Matrix, scale: float) -> Matrix:
    """A plane map at ``scale`` times the size; a pixel's coordinates are those of its middle."""
    size = np.array([[scale, 0.0, (scale - 1) / 2], [0.0, scale, (scale - 1) / 2], [0.0, 0.0, 1.0]])
    return np.asarray(size @ matrix @ np.linalg.inv(size), np.float64)


def _grid(width: int, height: int) -> Matrix:
    """3 x 3 points from corner to corner."""
    x, y = np.meshgrid([0.0, (width - 1) / 2, width - 1.0], [0.0, (height - 1) / 2, height - 1.0])
    return np.stack([x.ravel(), y.ravel()], axis=1)


def _area(grid: Matrix) -> float:
    corners = grid[[0, 2, 8, 6]]
    return 0.5 * float(np.sum(corners[:, 0] * np.roll(corners[:, 1], -1) - np.roll(corners[:, 0], -1) * corners[:, 1]))


def _moved(matrix: Matrix, points: Matrix) -> Matrix:
    return np.asarray(cv2.perspectiveTransform(points[None], matrix)[0], np.float64)
