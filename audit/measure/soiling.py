"""Which cells of today's picture the glass spoils: layers of evidence from a registered pair.

Everything here works on :class:`~audit.measure.transfer.BandMaps` and the registered pair, so that each number has
a meaning: transfer and coherence by spatial frequency, unexplained light by spatial frequency, thin ridges and soft
blobs that the reference lacks, veil in the darkest places.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.measure.transfer import BANDS, FINE_BANDS, BandMaps, cells_of, grid_size, robust_surface

__all__ = ["DIFFERENCE_NAMES", "PAIR_NAMES", "PairEvidence", "chroma_of", "darkest_of", "highest_channel", "pair_evidence", "thin_and_soft"]

Floats = NDArray[np.float32]
_BLOB_SIZES = (2, 4, 8, 16)
DIFFERENCE_NAMES = ("thin bright", "thin dark", "ridge order", "steep",
                    *(f"{tone} blob {size}" for size in _BLOB_SIZES for tone in ("bright", "dark")))
PAIR_NAMES = (
    *(f"{name} {band}" for band in range(BANDS)
      for name in ("slope", "coherence", "energy", "unexplained", "texture")),
    *(f"{end} {name} {band}" for band in range(FINE_BANDS) for name in ("slope", "energy")
      for end in ("lowest", "highest")),
    "gain", "gain raw", *DIFFERENCE_NAMES, "dark reference", "dark change", "level reference", "level today",
    "chroma change", "clipped", "black", "row", "column", "rim", "day against night",
)


@dataclass(frozen=True, slots=True)
class PairEvidence:
    """A registered pair on the grid of cells.

    Attributes
    ----------
    maps : BandMaps
    layers : ndarray, shape (L, R, C)
        In the order of :data:`PAIR_NAMES`.
    night : bool
        Today's picture is grey where the reference has colour.
    """

    maps: BandMaps
    layers: Floats
    night: bool


def pair_evidence(reference: NDArray[np.uint8], today: NDArray[np.uint8], reference_log: Floats, today_log: Floats,
                  maps: BandMaps) -> PairEvidence:
    """Layers of evidence from a registered pair.

    Parameters
    ----------
    reference, today : ndarray of uint8, shape (H, W, 3)
        Registered, at measuring size.
    reference_log, today_log : ndarray, shape (H, W)
        Their log luminance.
    maps : BandMaps
        Band statistics of the two.
    """
    rows, columns = grid_size(today_log.shape)
    noise = maps.noise_power[:, None, None]
    ref_p, now_p, both = maps.reference_power, maps.today_power, maps.shared_power
    slope = np.clip(both / (ref_p + noise), -0.3, 1.6)
    coherence = both / np.sqrt((ref_p + noise) * (now_p + noise))
    energy = np.log((now_p + noise) / (ref_p + noise))
    unexplained = np.log(np.maximum(now_p - both * np.abs(both) / (ref_p + noise), 0) + noise)
    texture = np.log(ref_p + noise)

    weight = maps.valid.astype(np.float32)
    surface = robust_surface(maps.log_gain, weight)
    gain = maps.log_gain - surface
    half = (today_log.shape[1] // 2, today_log.shape[0] // 2)
    difference = cv2.resize(today_log - reference_log, half, interpolation=cv2.INTER_AREA)
    difference = difference - cv2.resize(surface, half, interpolation=cv2.INTER_LINEAR)
    layers: list[Floats] = [stack[band] for band in range(BANDS)
                            for stack in (slope, coherence, energy, unexplained, texture)]
    for band in range(FINE_BANDS):
        for stack in (maps.fine_slope, maps.fine_energy):
            quarters = stack[band].reshape(rows, 2, columns, 2)
            layers += [quarters.min(axis=(1, 3)), quarters.max(axis=(1, 3))]
    layers.append(gain)
    layers.append(maps.log_gain - float(np.median(maps.log_gain)))
    layers += [cells_of(layer, rows, columns) for layer in thin_and_soft(difference)]
    dark_ref, dark_now = darkest_of(reference, rows, columns), darkest_of(today, rows, columns)
    layers.append(dark_ref)
    layers.append(dark_now - dark_ref)
    layers.append(cells_of(reference_log, rows, columns))
    layers.append(cells_of(today_log, rows, columns))
    chroma_ref, chroma_now = chroma_of(reference, rows, columns), chroma_of(today, rows, columns)
    layers.append(chroma_now - chroma_ref)
    highest = highest_channel(cv2.resize(today, half, interpolation=cv2.INTER_NEAREST))
    layers.append(cells_of((highest > 250).astype(np.float32), rows, columns))
    layers.append(cells_of((highest < 8).astype(np.float32), rows, columns))
    night = bool(np.percentile(chroma_now, 90) < 0.06 and np.percentile(chroma_ref, 90) >= 0.06)
    y, x = np.mgrid[-1:1:rows * 1j, -1:1:columns * 1j].astype(np.float32)
    layers.append(y)
    layers.append(np.abs(x))
    layers.append(np.maximum(np.abs(x), np.abs(y)))
    layers.append(np.full_like(y, float(night)))
    return PairEvidence(maps, np.stack(layers).astype(np.float32), night)


def thin_and_soft(image: Floats) -> list[Floats]:
    """Ridges and soft blobs of an image or of a difference, in the order of :data:`DIFFERENCE_NAMES`."""
    smooth = cv2.GaussianBlur(image, (3, 3), 0.8)
    thin = smooth - cv2.GaussianBlur(image, (0, 0), 2.6)
    gx, gy = cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    sxx, syy, sxy = (cv2.boxFilter(v, -1, (9, 9)) for v in (gx * gx, gy * gy, gx * gy))
    both = sxx + syy
    out = [np.maximum(thin, 0), np.maximum(-thin, 0), cv2.magnitude(sxx - syy, 2 * sxy) / (both + 1e-4),
           cv2.sqrt(np.maximum(both, 0))]
    level = smooth
    for size in _BLOB_SIZES:
        level = cv2.pyrDown(level) if size > _BLOB_SIZES[0] else level
        blob = cv2.GaussianBlur(level, (0, 0), 1.2) - cv2.GaussianBlur(level, (0, 0), 2.4)
        out += [np.maximum(blob, 0), np.maximum(-blob, 0)]
    return [np.asarray(layer, np.float32) for layer in out]


def darkest_of(pixels: NDArray[np.uint8], rows: int, columns: int) -> Floats:
    """Lowest channel near each cell over the image's bright level (dark channel), 0..1."""
    small = _extreme(cv2.resize(pixels, (columns * 4, rows * 4), interpolation=cv2.INTER_AREA), cv2.min)
    eroded = cv2.erode(small, np.ones((7, 7), np.uint8))
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
