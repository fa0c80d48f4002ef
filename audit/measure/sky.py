"""Open sky in an image: where it is and what share of the picture it takes.

With the learned view the network's sky answer is brought to the picture's edges by a guided filter (He, Sun and
Tang 2013, doi 10.1109/TPAMI.2012.213). Without it, sky is the smooth bright region that hangs from the top edge.
Pixels clearly below a well known horizon are never sky.
"""

from __future__ import annotations

from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.frames import up_in_camera
from audit.lens import Lens
from audit.measure.measurement import Orientation, Sky
from audit.measure.segments import grey

__all__ = ["SkyView", "measure_sky"]

FloatImage = NDArray[np.float32]

_WORK_PX = 480
_BELOW_SDS = 3.0
_BELOW_DEG = 1.0
_LEAST_FRACTION = 0.002


class SkyView(Protocol):
    """What the sky needs of a network's answer: ``sky_logit``, shape (h, w), log odds of each cell to be sky."""

    @property
    def sky_logit(self) -> NDArray[np.floating]: ...


def measure_sky(pixels: NDArray[np.uint8], lens: Lens | None = None, orientation: Orientation | None = None,
                network: SkyView | None = None) -> Sky:
    """Share, mask and lower edge of the open sky.

    Parameters
    ----------
    pixels : ndarray, shape (H, W, 3), uint8
        RGB.
    lens : Lens or None
        Of this picture; with ``orientation`` it places the horizon, and for a fisheye the image circle.
    orientation : Orientation or None
    network : SkyView or None

    Returns
    -------
    Sky
        ``fraction`` of the image, for an equidistant lens of the image circle.
    """
    height, width = np.shape(pixels)[:2]
    if min(height, width) < 16:
        return Sky(None, None, f"The picture of {width} x {height} px is too small.")
    factor = min(1.0, _WORK_PX / max(height, width))
    size = (max(8, round(width * factor)), max(8, round(height * factor)))
    image: NDArray[np.uint8] = np.ascontiguousarray(pixels)
    if image.dtype != np.uint8 or image.ndim == 2 or image.shape[2] != 3:
        image = np.repeat(grey(image)[..., None], 3, axis=2)
    small = np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    guide: FloatImage = np.asarray(grey(small), dtype=np.float32) / np.float32(255)
    if network is not None:
        logit = np.asarray(network.sky_logit, dtype=np.float32)
        coarse = cv2.resize(1 / (1 + np.exp(-logit)), size, interpolation=cv2.INTER_LINEAR)
        probability = np.clip(_guided(guide, np.asarray(coarse, dtype=np.float32), 8, 1e-3), 0, 1)
    else:
        probability = _hanging_region(small, guide)
    inside = np.ones(probability.shape, dtype=bool)
    if lens is not None:
        reduced = lens.resized(*size)
        rays = reduced.unproject(np.stack(np.meshgrid(np.arange(size[0]), np.arange(size[1])), axis=-1))
        inside = np.isfinite(rays[..., 0])
        if orientation is not None and orientation.roll_deg is not None and orientation.pitch_deg is not None:
            sine = rays @ up_in_camera(orientation.roll_deg, orientation.pitch_deg)
            margin = _BELOW_DEG + _BELOW_SDS * float(np.hypot(orientation.roll_sd_deg or 0.0,
                                                              orientation.pitch_sd_deg or 0.0))
            probability[inside & (sine < -np.sin(np.radians(min(margin, 90.0))))] = 0
    probability[~inside] = 0
    mask = _from_above(probability > 0.5)
    fraction = float(mask.sum()) / max(int(inside.sum()), 1)
    if fraction < _LEAST_FRACTION:
        fraction, mask = 0.0, np.zeros_like(mask)
    doubt = float(np.minimum(probability, 1 - probability)[inside].mean()) if inside.any() else 0.5
    sd = 0.01 + doubt if network is not None else 0.03 + doubt
    full = cv2.resize(mask.astype(np.uint8), (width, height), interpolation=cv2.INTER_NEAREST).astype(bool)
    lowest = np.where(full.any(axis=0), height - 1 - np.argmax(full[::-1], axis=0), np.nan)
    return Sky(fraction, min(sd, 0.5), None, full, lowest.astype(np.float32))


def _guided(guide: FloatImage, source: FloatImage, radius: int, epsilon: float) -> FloatImage:
    """Guided filter of ``source`` along the edges of ``guide``."""
    window = (2 * radius + 1, 2 * radius + 1)
    mean_g, mean_s = cv2.blur(guide, window), cv2.blur(source, window)
    covariance = cv2.blur(guide * source, window) - mean_g * mean_s
    variance = cv2.blur(guide * guide, window) - mean_g * mean_g
    gain = covariance / (variance + epsilon)
    return np.asarray(cv2.blur(gain, window) * guide + cv2.blur(mean_s - gain * mean_g, window), dtype=np.float32)


def _hanging_region(small: NDArray[np.uint8], guide: FloatImage) -> FloatImage:
    """Probability of the smooth, bright region that hangs from the top edge; zero where there is none."""
    lab = np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2LAB), dtype=np.float32)
    smooth = cv2.GaussianBlur(guide, (0, 0), 1.0)
    slope = np.hypot(cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1))
    blue = lab[..., 2] < 132
    bright = lab[..., 0] > max(float(np.median(lab[..., 0])), 90.0)
    candidate = ((slope < 0.12) & bright & blue).astype(np.uint8)
    candidate = np.asarray(cv2.morphologyEx(candidate, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)), dtype=np.uint8)
    count, labels = cv2.connectedComponents(candidate)
    top = np.bincount(labels[0], minlength=count)
    top[0] = 0
    keep = np.flatnonzero(top > 0.05 * small.shape[1])
    return np.where(np.isin(labels, keep), np.float32(0.9), np.float32(0.05)).astype(np.float32)


def _from_above(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Without specks smaller than a thousandth of the picture."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8))
    large = np.flatnonzero(stats[:, cv2.CC_STAT_AREA] >= mask.size / 1000)
    return np.asarray(mask & np.isin(labels, large[large > 0]))
