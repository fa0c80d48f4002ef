"""Outlines of spoiled areas, to be drawn over the picture."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["outlines"]

Polygon = tuple[tuple[float, float], ...]
_MOST = 12
_SMALLEST = 0.002


def outlines(probability: NDArray[np.float32], threshold: float = 0.5) -> tuple[Polygon, ...]:
    """Polygons around the cells above a threshold, largest first.

    Parameters
    ----------
    probability : ndarray, shape (R, C)

    Returns
    -------
    tuple of polygons
        Each a tuple of (x, y) in 0..1 of the image's width and height; areas below 0.2 % are left out.
    """
    rows, columns = probability.shape
    # eight points a cell make an outline smooth
    fine = cv2.resize(probability.astype(np.float32), (columns * 8, rows * 8), interpolation=cv2.INTER_CUBIC)
    framed = cv2.copyMakeBorder((fine > threshold).astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
    found, _ = cv2.findContours(framed, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    height, width = fine.shape
    large = sorted((c for c in found if cv2.contourArea(c) > _SMALLEST * height * width),
                   key=cv2.contourArea, reverse=True)[:_MOST]
    out = []
    for contour in large:
        points = cv2.approxPolyDP(contour, 2.0, True)[:, 0, :].astype(np.float64) - 0.5
        if len(points) >= 3:
            out.append(tuple((float(np.clip(x / width, 0, 1)), float(np.clip(y / height, 0, 1)))
                             for x, y in points))
    return tuple(out)
