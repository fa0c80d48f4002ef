"""What the glass took from the picture: contrast today over the reference, place by place and by spatial frequency.

Both images, registered, become log luminance, where a change of exposure or of the light's level is only an
offset. In each band of spatial frequency (octaves, band 0 the finest) and each cell of a grid, the covariance of
today with the reference over the reference's variance is the modulation transfer that the glass and focus have
left: noise and new objects don't enter it. Where the reference has no texture there is nothing to compare, and
the cell is silent.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["BANDS", "CELL_PX", "MEASURE_SIDE_PX", "BandMaps", "at_measure_size", "band_maps", "bands_of", "cells_of",
           "grid_size", "linear_light", "log_luminance"]

Floats = NDArray[np.float32]
MEASURE_SIDE_PX = 640
CELL_PX = 16
BANDS = 5
_GAMMA = 2.2
_FLOOR = 0.02
_WHITE_NOISE = np.float32(1e-4)
_LINEAR = ((np.arange(256) / 255.0) ** _GAMMA).astype(np.float32)
_LUMA = np.array([0.299, 0.587, 0.114], np.float32)


@dataclass(frozen=True, slots=True)
class BandMaps:
    """Statistics of a registered pair on a grid of cells; bands stacked on the first axis.

    Attributes
    ----------
    reference_power, today_power : ndarray, shape (BANDS, R, C)
        Mean square of the band in each image (log luminance).
    shared_power : ndarray, shape (BANDS, R, C)
        Mean product of the two.
    noise_power : ndarray, shape (BANDS,)
        Floor below which power is noise or compression.
    log_gain : ndarray, shape (R, C)
        Log of today's mean light over the reference's.
    valid : ndarray of bool, shape (R, C)
        Cells that both images cover, outside burnt-in text.
    """

    reference_power: Floats
    today_power: Floats
    shared_power: Floats
    noise_power: Floats
    log_gain: Floats
    valid: NDArray[np.bool_]

    def transfer(self) -> Floats:
        """Modulation transfer today over the reference per band and cell, clipped to 0..2; NaN where silent."""
        noise = np.minimum(self.noise_power, _WHITE_NOISE / 4.0 ** np.arange(BANDS, dtype=np.float32))[:, None, None]
        enough = (self.reference_power > 4 * noise) & self.valid[None]
        ratio = np.clip(self.shared_power / np.maximum(self.reference_power - noise, noise), 0.0, 2.0)
        return np.where(enough, ratio, np.nan).astype(np.float32)

    def coherence(self) -> Floats:
        """Correlation of the two images per band and cell, -1..1 (0 where both are flat)."""
        scale = np.sqrt(self.reference_power * self.today_power)
        return np.asarray(self.shared_power / np.maximum(scale, 1e-9), np.float32)


def at_measure_size(pixels: NDArray[np.uint8], side_px: int = MEASURE_SIDE_PX) -> NDArray[np.uint8]:
    """The image with its long side reduced to ``side_px``; never enlarged."""
    height, width = pixels.shape[:2]
    scale = side_px / max(height, width)
    if scale >= 1.0:
        return pixels
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    return np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)


def linear_light(pixels: NDArray[np.uint8]) -> Floats:
    """Linear light 0..1 of 8-bit values with a display gamma of 2.2."""
    return np.asarray(cv2.LUT(pixels, _LINEAR), np.float32)


def log_luminance(pixels: NDArray[np.uint8]) -> Floats:
    """Natural log of linear luminance over its own 90th percentile, with a floor at 2 % of it.

    Exposure and sensor gain cancel but for noise and clipping.
    """
    light = linear_light(pixels)
    luminance = cv2.transform(light, _LUMA[None]) if light.ndim == 3 else light
    bright = float(np.percentile(luminance[::4, ::4], 90))
    # one shade of an eight-bit picture in linear light
    return np.asarray(cv2.log(luminance + np.float32(_FLOOR * max(bright, 0.004))), np.float32)


def cells_of(values: Floats, rows: int, columns: int) -> Floats:
    """Mean of an image over a grid of cells."""
    return np.asarray(cv2.resize(values, (columns, rows), interpolation=cv2.INTER_AREA), np.float32)


def bands_of(log_image: Floats) -> list[Floats]:
    """Octave bands of an image, finest first, each at its own resolution."""
    out = []
    level = log_image
    for _ in range(BANDS):
        below = np.asarray(cv2.pyrDown(level), np.float32)
        out.append(np.asarray(level - cv2.pyrUp(below, dstsize=(level.shape[1], level.shape[0])), np.float32))
        level = below
    return out


def grid_size(shape: tuple[int, ...]) -> tuple[int, int]:
    """Rows and columns of the grid of an image."""
    return max(3, round(shape[0] / CELL_PX)), max(3, round(shape[1] / CELL_PX))


def band_maps(reference_log: Floats, today_log: Floats, valid: NDArray[np.bool_]) -> BandMaps:
    """Band statistics of two registered log-luminance images of equal size; ``valid`` is per pixel."""
    rows, columns = grid_size(reference_log.shape)

    def pooled(values: Floats) -> Floats:
        # cells are smoothed by their neighbours (chosen)
        return np.asarray(cv2.GaussianBlur(cells_of(values, rows, columns), (3, 3), 0.7), np.float32)

    ref, now, both, noise = [], [], [], []
    ref_bands, now_bands = bands_of(reference_log), bands_of(today_log)
    for r, t in zip(ref_bands, now_bands, strict=True):
        ref.append(pooled(r * r))
        now.append(pooled(t * t))
        both.append(pooled(r * t))
        floor = min(float(np.percentile(ref[-1], 4)), float(np.percentile(now[-1], 4)))
        # noise of log luminance lies between these, of a good and of a bad chip (chosen)
        noise.append(np.clip(floor, 2e-5, 2e-3))
    # cells that are valid for the most part
    covered = cells_of(valid.astype(np.float32), rows, columns) > 0.8
    gain = cells_of(today_log - reference_log, rows, columns)
    return BandMaps(np.stack(ref), np.stack(now), np.stack(both), np.array(noise, np.float32), gain, covered)
