"""Whether the glass is clean and the picture sharp, from one image."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.measure.measurement import Clarity, DirtCause, Sky
from audit.measure.registration import grey_at_work_size

__all__ = ["measure_clarity"]


def measure_clarity(pixels: NDArray[np.uint8], sky: Sky | None = None) -> Clarity:
    """Dirt, focus and night mode of one image.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (H, W, 3)
    sky : Sky, optional
        Open sky, which is smooth without being dirty, is left out.
    """
    grey = grey_at_work_size(pixels, 640)
    small = np.asarray(cv2.resize(pixels, (160, 90), interpolation=cv2.INTER_AREA), np.float32)
    chroma = small.max(axis=2) - small.min(axis=2)
    night = bool(np.percentile(chroma, 95) < 10)
    low, high = np.percentile(grey, (1, 99))
    if high < 16 or low > 243 or high - low < 8:
        return Clarity(None, None, "not measured: the picture is black, white or of one tone", None, night)
    fine = cv2.Laplacian(grey, cv2.CV_32F)
    coarse = cv2.Laplacian(cv2.pyrDown(grey), cv2.CV_32F)
    keep = np.ones(grey.shape, bool)
    if sky is not None and sky.mask is not None:
        keep = cv2.resize(sky.mask.astype(np.uint8), (grey.shape[1], grey.shape[0])) == 0
    if keep.mean() < 0.05 or float(coarse.std()) < 2.0:
        return Clarity(None, None, "not measured: too little texture in the picture", None, night)
    ratio = float(np.percentile(np.abs(fine[keep]), 95) / max(float(np.percentile(np.abs(coarse), 95)), 1.0))
    sharpness = float(np.clip(ratio / 0.9, 0.0, 1.0))
    contrast = float((high - low) / 255)
    score = 3.0 * (0.45 - sharpness) + 4.0 * (0.35 - contrast) - 1.0
    probability = float(1 / (1 + np.exp(-score)))
    cause: DirtCause = "clear"
    if probability >= 0.5:
        cause = "defocus" if sharpness < 0.25 else "unknown"
    return Clarity(probability, cause, None, sharpness, night)
