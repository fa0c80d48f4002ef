"""What takes contrast or adds light at a place of the picture, however softly, seen while the camera was turned.

A veil, a film or a reflection has no edge that stays in place, but it takes more contrast here than there. Between two pictures laid
over one another the scene is the same, so the ratio of contrast (or of tone) at a place is that of the glass here to the glass there:
g(x) = t(x) - t(w(x)), where w(x) is where the other picture shows the same scene. Over all pairs and a coarse grid the field t follows by
least squares with a little smoothing, each place weighted by how well the pictures agree there. Flat fields are taken from shifted
pictures in this way (Kuhn, Lin and Loranz 1991, Publications of the Astronomical Society of the Pacific 103, 1097; cited from
memory). What depends on the distance from the middle alone is the lens's own (vignetting, softer corners) and is left out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.measure.laying import Laying, reach_of
from audit.measure.remaining import octave_bands

__all__ = ["FIELDS", "field_sizes"]

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]
Mask = NDArray[np.bool_]
#: What the fields are of: log contrast of two octave bands, and log luminance.
FIELDS = ("contrast 1", "contrast 2", "tone")
_BANDS = (1, 2)
_COLUMNS, _ROWS = 16, 9
_CELLS = _COLUMNS * _ROWS
#: Weight of smoothness, beside a mean weight of 1 a place.
_SMOOTH, _RIDGE = 0.4, 1e-6
_LEAST_POWER, _NOTHING, _MOST = 4e-5, 1e-5, 1.5
_UNLIKE, _MOST_WEIGHT = 0.03, 400.0
_TONE_SD, _TONE_SAMPLES = 0.01, 40.0
_SEEN, _RIM_PX = 0.5, 9
_SMALLEST = 1e-3
_ROUNDS, _UNUSUAL = 4, 0.15


def field_sizes(logs: Sequence[Floats], pairs: Mapping[tuple[int, int], Laying], keep: Mask) -> Doubles:
    """Log of the standard deviation over the picture of each of :data:`FIELDS`, shape (len(FIELDS),).

    Parameters
    ----------
    logs : sequence of ndarray, shape (H, W)
        Log luminance of each picture.
    pairs : mapping
        From :func:`audit.measure.laying.laid_pairs`.
    keep : ndarray of bool, shape (H, W)
        False where something is burnt in.
    """
    bands = [octave_bands(log) for log in logs]
    operators, seen = [], []
    for own, other in pairs:
        if own < other:
            operators.append(_operator(pairs[own, other].matrix, keep.shape))
            seen.append(_ratios(logs[own], bands[own], logs[other], pairs[own, other], keep))
    lens = _of_the_lens(keep.shape[1] / keep.shape[0])
    fields = [_field(operators, [ratios[index] for ratios in seen], lens) for index in range(len(FIELDS))]
    return np.log([float(np.std(field)) + _SMALLEST for field in fields])


def _ratios(own: Floats, own_bands: Sequence[Floats], other: Floats, laying: Laying, keep: Mask) -> list[tuple[Doubles, Doubles]]:
    """For each field the log ratio of own to other in every cell, and its weight."""
    size = keep.shape[::-1]
    moved = cv2.warpPerspective(other, laying.matrix, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    inside = reach_of(laying, keep) & keep
    reach = cv2.erode(inside.astype(np.uint8), np.ones((_RIM_PX, _RIM_PX), np.uint8), borderValue=0).astype(np.float32)
    share = _cells(reach)
    out = []
    theirs = octave_bands(np.asarray(moved, np.float32))
    for band in _BANDS:
        mine, there = own_bands[band], theirs[band]
        within = np.asarray(cv2.resize(reach, mine.shape[::-1], interpolation=cv2.INTER_AREA), np.float32)
        a, b, ab = _cells(mine * mine * within), _cells(there * there * within), _cells(mine * there * within)
        alike = np.maximum(ab, 0) ** 2 / ((a + _NOTHING) * (b + _NOTHING))
        weight = alike * share * (mine.size / _CELLS) / (1 - alike + _UNLIKE)
        weight = np.where((share > _SEEN) & (np.minimum(a, b) > _LEAST_POWER), np.minimum(weight, _MOST_WEIGHT), 0)
        out.append((np.clip(0.5 * np.log((a + _NOTHING) / (b + _NOTHING)), -_MOST, _MOST), weight))
    difference = (own - np.asarray(moved, np.float32)) * reach
    over = np.maximum(share, _SMALLEST)
    mean = _cells(difference) / over
    variance = np.maximum(_cells(difference * difference) / over - mean**2, 0)
    out.append((np.clip(mean, -_MOST, _MOST), np.where(share > _SEEN, 1 / (variance / _TONE_SAMPLES + _TONE_SD**2), 0)))
    return out


def _cells(values: Floats) -> Doubles:
    return np.asarray(cv2.resize(values, (_COLUMNS, _ROWS), interpolation=cv2.INTER_AREA), np.float64).ravel()


def _operator(matrix: Doubles, shape: tuple[int, ...]) -> Doubles:
    """Takes a field on the grid to its difference between each cell and the place where the other picture shows the same, (cells, cells)."""
    height, width = shape
    x, y = np.meshgrid((np.arange(_COLUMNS) + 0.5) * width / _COLUMNS - 0.5, (np.arange(_ROWS) + 0.5) * height / _ROWS - 0.5)
    there = cv2.perspectiveTransform(np.stack([x.ravel(), y.ravel()], axis=1)[None], np.linalg.inv(matrix))[0]
    column = np.clip((there[:, 0] + 0.5) * _COLUMNS / width - 0.5, 0, _COLUMNS - 1)
    row = np.clip((there[:, 1] + 0.5) * _ROWS / height - 0.5, 0, _ROWS - 1)
    left, top = np.minimum(column.astype(int), _COLUMNS - 2), np.minimum(row.astype(int), _ROWS - 2)
    out, each = np.eye(_CELLS), np.arange(_CELLS)
    for right in (0, 1):
        for below in (0, 1):
            part = np.abs(1 - right - (column - left)) * np.abs(1 - below - (row - top))
            np.subtract.at(out, (each, (top + below) * _COLUMNS + left + right), part)
    return out


def _field(operators: Sequence[Doubles], seen: Sequence[tuple[Doubles, Doubles]], lens: Doubles) -> Doubles:
    """The field that the ratios of all pairs ask for, up to a constant and what depends on the distance from the middle alone."""
    weights = [weight for _, weight in seen if (weight > 0).any()]
    if not weights:
        return np.zeros(_CELLS)
    usual = float(np.mean([weight[weight > 0].mean() for weight in weights]))
    asked = []
    for operator, (ratio, weight) in zip(operators, seen, strict=True):
        weight = weight / usual
        # exposure, and the lens's own fall-off, explain what they can first
        known = np.column_stack([np.ones(_CELLS), operator @ lens])
        fit = np.linalg.pinv(known.T @ (known * weight[:, None])) @ (known * weight[:, None]).T
        asked.append((operator - known @ (fit @ operator), ratio - known @ (fit @ ratio), weight))
    field: Doubles = np.zeros(_CELLS)
    for _ in range(_ROUNDS):
        left, right = _SMOOTH * _roughness() + _RIDGE * np.eye(_CELLS), np.zeros(_CELLS)
        for has, asks, weight in asked:
            # what moved agrees with no field and loses its say
            believed = weight / (1 + ((asks - has @ field) / _UNUSUAL) ** 2)
            left += has.T @ (has * believed[:, None])
            right += has.T @ (believed * asks)
        field = np.asarray(np.linalg.solve(left, right), np.float64)
    return field


@cache
def _roughness() -> Doubles:
    """Sum of squares of the differences of neighbouring cells, as a matrix."""
    number = np.arange(_CELLS).reshape(_ROWS, _COLUMNS)
    first = np.concatenate([number[:, :-1].ravel(), number[:-1].ravel()])
    second = np.concatenate([number[:, 1:].ravel(), number[1:].ravel()])
    steps = np.zeros((len(first), _CELLS))
    steps[np.arange(len(first)), first], steps[np.arange(len(first)), second] = 1.0, -1.0
    return np.asarray(steps.T @ steps, np.float64)


def _of_the_lens(aspect: float) -> Doubles:
    """Square and fourth power of the distance from the middle, (cells, 2)."""
    x, y = np.meshgrid(np.linspace(-1, 1, _COLUMNS) * aspect, np.linspace(-1, 1, _ROWS))
    square = (x**2 + y**2).ravel() / (1 + aspect**2)
    return np.stack([square, square**2], axis=1)
