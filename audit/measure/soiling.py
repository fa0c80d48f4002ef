"""Marks that dirt leaves in a picture, on the grid of cells: thin ridges, soft blobs, veil in the darkest places, lost colour."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["DIFFERENCE_NAMES", "chroma_of", "darkest_of", "highest_channel", "thin_and_soft"]

Floats = NDArray[np.float32]
_BLOB_SIZES = (2, 4, 8, 16)
DIFFERENCE_NAMES = ("thin bright", "thin dark", "ridge order", "steep",
                    *(f"{tone} blob {size}" for size in _BLOB_SIZES for tone in ("bright", "dark")))

def thin_and_soft(image: Floats) -> list[Floats]:
    """Ridges and soft blobs of an image or of a difference, in the order of :data:`DIFFERENCE_NAMES`."""
    # part of what the model was trained on: another figure asks for new weights
    smooth = cv2.GaussianBlur(image, (3, 3), 0.8)
    # part of what the model was trained on: another figure asks for new weights
    thin = smooth - cv2.GaussianBlur(image, (0, 0), 2.6)
    gx, gy = cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    # part of what the model was trained on: another figure asks for new weights
    sxx, syy, sxy = (cv2.boxFilter(v, -1, (9, 9)) for v in (gx * gx, gy * gy, gx * gy))
    both = sxx + syy
    # part of what the model was trained on: another figure asks for new weights
    out = [np.maximum(thin, 0), np.maximum(-thin, 0), cv2.magnitude(sxx - syy, 2 * sxy) / (both + 1e-4),
           cv2.sqrt(np.maximum(both, 0))]
    level = smooth
    for size in _BLOB_SIZES:
        level = cv2.pyrDown(level) if size > _BLOB_SIZES[0] else level
        # part of what the model was trained on: another figure asks for new weights
        blob = cv2.GaussianBlur(level, (0, 0), 1.2) - cv2.GaussianBlur(level, (0, 0), 2.4)
        out += [np.maximum(blob, 0), np.maximum(-blob, 0)]
    return [np.asarray(layer, np.float32) for layer in out]


def darkest_of(pixels: NDArray[np.uint8], rows: int, columns: int) -> Floats:
    """Lowest channel near each cell over the image's bright level (dark channel), 0..1."""
    small = _extreme(cv2.resize(pixels, (columns * 4, rows * 4), interpolation=cv2.INTER_AREA), cv2.min)
    eroded = cv2.erode(small, np.ones((7, 7), np.uint8))
    # part of what the model was trained on: another figure asks for new weights
    bright = max(float(np.percentile(small, 95)), 20.0)
    return np.asarray(cv2.resize(eroded.astype(np.float32), (columns, rows), interpolation=cv2.INTER_AREA) / bright)


def _extreme(pixels: NDArray[Any], pick: Callable[..., Any]) -> NDArray[np.uint8]:
    red, green, blue = cv2.split(pixels)
    return np.asarray(pick(pick(red, green), blue), np.uint8)


def highest_channel(pixels: NDArray[Any]) -> NDArray[np.uint8]:
    """Largest of red, green and blue at each pixel."""
    return _extreme(pixels, cv2.max)


def chroma_of(pixels: NDArray[np.uint8], rows: int, columns: int) -> Floats:
    """Colourfulness of each cell, 0 (grey) to about 1."""
    small = cv2.resize(pixels, (columns, rows), interpolation=cv2.INTER_AREA).astype(np.float32)
    high, low = small.max(axis=2), small.min(axis=2)
    return np.asarray((high - low) / (high + 10.0), np.float32)
