"""Evidence of dirt in one image alone, on the grid of cells.

Edge width, contrast by spatial frequency, the darkest places (a veil lifts them), thin ridges, soft blobs: each says
little alone, and a soft or foggy scene looks much the same; hence one image rarely proves dirt.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.measure.soiling import DIFFERENCE_NAMES, chroma_of, darkest_of, highest_channel, thin_and_soft
from audit.measure.transfer import bands_of, cells_of, grid_size, linear_light, log_luminance

__all__ = ["SINGLE_NAMES", "single_layers"]

Floats = NDArray[np.float32]
SINGLE_NAMES = (
    *(f"power {band}" for band in range(5)),
    *(f"peak {band}" for band in range(3)),
    "lowest power 0", "lowest power 1", "highest power 0", "highest power 1",
    "level", "darkest light", *DIFFERENCE_NAMES,
    "dark", "chroma", "clipped", "black", "width 0", "width 1", "row", "column", "rim",
)


def single_layers(pixels: NDArray[np.uint8]) -> Floats:
    """Layers in the order of :data:`SINGLE_NAMES`, shape (L, R, C), of an RGB image at measuring size."""
    log = log_luminance(pixels)
    rows, columns = grid_size(log.shape)
    bands = bands_of(log)
    # part of what the model was trained on: another figure asks for new weights
    layers: list[Floats] = [np.log(cells_of(b * b, rows, columns) + 1e-5) for b in bands]
    peaks = [_largest(np.abs(b), rows, columns) for b in bands[:3]]
    # part of what the model was trained on: another figure asks for new weights
    layers += [np.log(p + 1e-2) for p in peaks]
    # part of what the model was trained on: another figure asks for new weights
    quarters = [np.log(cells_of(b * b, 2 * rows, 2 * columns) + 1e-5).reshape(rows, 2, columns, 2)
                for b in bands[:2]]
    layers += [q.min(axis=(1, 3)) for q in quarters] + [q.max(axis=(1, 3)) for q in quarters]
    layers.append(cells_of(log, rows, columns))
    small = np.asarray(cv2.resize(pixels, (columns * 4, rows * 4), interpolation=cv2.INTER_AREA), np.uint8)
    light = linear_light(small).mean(axis=2)
    # part of what the model was trained on: another figure asks for new weights
    bright = max(float(np.percentile(light, 90)), 0.01)
    dark = np.asarray(cv2.erode(light, np.ones((5, 5), np.uint8)) / bright, np.float32)
    # part of what the model was trained on: another figure asks for new weights
    layers.append(np.log(cells_of(dark, rows, columns) + 0.003))
    half = np.asarray(cv2.resize(log, (log.shape[1] // 2, log.shape[0] // 2), interpolation=cv2.INTER_AREA), np.float32)
    layers += [cells_of(layer, rows, columns) for layer in thin_and_soft(half)]
    layers += [darkest_of(pixels, rows, columns), chroma_of(pixels, rows, columns)]
    highest = highest_channel(cv2.resize(pixels, (half.shape[1], half.shape[0]), interpolation=cv2.INTER_NEAREST))
    layers.append(cells_of((highest > 250).astype(np.float32), rows, columns))
    layers.append(cells_of((highest < 8).astype(np.float32), rows, columns))
    # part of what the model was trained on: another figure asks for new weights
    layers += [np.log((peaks[0] + 0.02) / (peaks[1] + 0.02)), np.log((peaks[1] + 0.02) / (peaks[2] + 0.02))]
    y, x = np.mgrid[-1:1:rows * 1j, -1:1:columns * 1j].astype(np.float32)
    layers += [y, np.abs(x), np.maximum(np.abs(x), np.abs(y))]
    return np.stack(layers).astype(np.float32)


def _largest(values: Floats, rows: int, columns: int) -> Floats:
    size = max(1, values.shape[0] // rows)
    grown = cv2.dilate(values, np.ones((size, size), np.uint8))
    return np.asarray(cv2.resize(grown, (columns, rows), interpolation=cv2.INTER_NEAREST), np.float32)
