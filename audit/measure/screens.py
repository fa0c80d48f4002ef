"""Screens that show several cameras at once: no picture of one camera."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["several_views"]

_SIDE_PX, _GAP_PX = 320, 2
_STEP, _SHARE, _ABOVE_OTHERS, _OTHERS = 8, 0.6, 1.15, 0.95
"""Change of shade across a seam, share of half a seam that must show it, and how much more often than nearly all other
columns: of 304 pictures of one camera none is taken for four, of 150 put together of four 91 % are found."""


def several_views(pixels: NDArray[np.uint8]) -> bool:
    """Whether a picture, shape (H, W, 3), is put together of four: seams along its middle column and its middle row."""
    if min(pixels.shape[:2]) < 64:
        return False
    small = np.asarray(cv2.resize(pixels, (_SIDE_PX, _SIDE_PX), interpolation=cv2.INTER_AREA), np.uint8)
    return _half_seams(small) >= 1 and _half_seams(np.ascontiguousarray(small.transpose(1, 0, 2))) >= 1


def _half_seams(small: NDArray[np.uint8]) -> int:
    """How many halves of the middle column are seams: both sides differ all along, much more than columns elsewhere."""
    apart = cv2.absdiff(small[:, _GAP_PX:], small[:, :-_GAP_PX]).max(axis=2) >= _STEP
    middle = (small.shape[1] - _GAP_PX) // 2
    count = 0
    for half in (apart[: _SIDE_PX // 2], apart[_SIDE_PX // 2 :]):
        shares = half.mean(axis=0)
        seam = float(shares[middle - 2 : middle + 3].max())
        away = np.concatenate([shares[: middle - 8], shares[middle + 8 :]])
        count += seam >= _SHARE and seam >= _ABOVE_OTHERS * float(np.quantile(away, _OTHERS))
    return int(count)
