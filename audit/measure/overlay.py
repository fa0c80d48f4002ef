"""Finds burnt-in text (clock, camera name) so that it is not taken for the scene or for dirt."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["burnt_in_text"]

_STRIP = 0.16
_CONTRAST = 70
_MIN_LINE = 4.0


def burnt_in_text(grey: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Mask (255 on text, 0 elsewhere) of lines of small, hard, one-tone characters near the top or bottom edge.

    Parameters
    ----------
    grey : ndarray of uint8, shape (H, W)
    """
    height, width = grey.shape
    mask = np.zeros((height, width), np.uint8)
    strip = max(8, round(_STRIP * height))
    stroke = max(3, round(height * 0.02)) | 1
    kernel = cv2.getStructuringElement(cv2.MORPH_RECT, (stroke, stroke))
    joined = cv2.getStructuringElement(cv2.MORPH_RECT, (max(3, 2 * stroke), 1))
    for top in (0, height - strip):
        part = grey[top:top + strip]
        for polarity in (part, cv2.bitwise_not(part)):
            hat = cv2.morphologyEx(polarity, cv2.MORPH_TOPHAT, kernel)
            strokes = ((hat > _CONTRAST) & (polarity > 200)).astype(np.uint8)
            if int(strokes.sum()) < 20:
                continue
            lines = cv2.morphologyEx(strokes, cv2.MORPH_CLOSE, joined)
            count, _, stats, _ = cv2.connectedComponentsWithStats(lines)
            for x, y, w, h, area in stats[1:count]:
                if w >= _MIN_LINE * h and 0.012 * height <= h <= 0.09 * height and area > 0.3 * w * h:
                    inside = strokes[y:y + h, x:x + w]
                    crossings = float(np.abs(np.diff(inside.astype(np.int8), axis=1)).sum(axis=1).mean())
                    if crossings >= 0.5 * w / h:
                        pad = max(2, h // 3)
                        mask[top + max(0, y - pad):top + y + h + pad, max(0, x - pad):x + w + pad] = 255
    return mask
