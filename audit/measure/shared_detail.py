"""How fine the detail is that pictures laid over one another share: lost focus, told apart from noise.

One picture's finest contrast is noise and compression as well as scene. Two pictures of one scene, taken while the camera was turned,
share the scene alone, so the mean product of their octave bands is the scene's power. A picture that is out of focus shares
little in the fine bands, however much noise it carries.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.measure.laying import Laying
from audit.measure.transfer import bands_of, cells_of, grid_size

__all__ = ["DETAILS", "shared_detail"]

Floats = NDArray[np.float32]
#: Octave bands whose contrast is compared.
DETAILS = ((0, 1), (1, 2))
#: Cells are judged that hold the most contrast in this band: this share of them.
_BY_BAND, _STRONGEST = 2, 0.3
_LEAST_POWER = 1e-9


def shared_detail(logs: Sequence[Floats], pairs: Mapping[tuple[int, int], Laying], keep: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Log of the shared contrast of a finer band over that of a coarser one, median over the pairs, shape (len(DETAILS),).

    Parameters
    ----------
    logs : sequence of ndarray, shape (H, W)
        Log luminance of each picture.
    pairs : mapping
        From :func:`audit.measure.laying.laid_pairs`.
    keep : ndarray of bool, shape (H, W)
        False where something is burnt in.
    """
    bands = [bands_of(log) for log in logs]
    each = [_detail(bands[own], logs[other], pairs[own, other], keep) for own, other in pairs if own < other]
    return np.asarray(np.median(each, axis=0), np.float64)


def _detail(own: Sequence[Floats], other: Floats, laying: Laying, keep: NDArray[np.bool_]) -> list[float]:
    size = keep.shape[::-1]
    # the finest band is kept by cubic interpolation alone
    moved = cv2.warpPerspective(other, laying.matrix, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    reach = keep * cv2.warpPerspective(keep.astype(np.float32), laying.matrix, size)
    shared = [cells_of(a * b * cv2.resize(reach, a.shape[::-1]), *grid_size(keep.shape))
              for a, b in zip(own, bands_of(np.asarray(moved, np.float32)), strict=True)]
    judged = shared[_BY_BAND] > np.quantile(shared[_BY_BAND], 1 - _STRONGEST)
    power = [max(float(band[judged].sum()), _LEAST_POWER) for band in shared]
    return [0.5 * float(np.log(power[fine] / power[coarse])) for fine, coarse in DETAILS]
