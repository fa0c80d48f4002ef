"""Two small convolutional networks that see dirt: today against the reference, and several pictures of one camera.

Made by :mod:`training.dirt.fit` (figures in ``weights/DIRT_CARD.md``), run through ONNX Runtime on one
core. They look at log luminance and at the colours at half size; band statistics of the pair (transfer, coherence,
unexplained light) are computed inside the first. Their answers join those of other evidence: see
:func:`audit.measure.view.compare` and :func:`audit.measure.clarity.measure_series`.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import onnxruntime
from numpy.typing import NDArray

from audit.errors import AuditError
from audit.measure.dirt_model import Verdict, softmax
from audit.measure.transfer import CELL_PX, grid_size

__all__ = ["load_network", "pair_verdict", "series_verdict"]

Floats = NDArray[np.float32]
_WEIGHTS = Path(__file__).parent / "weights"


def pair_verdict(name: str, reference: NDArray[np.uint8], today: NDArray[np.uint8], reference_log: Floats,
                 today_log: Floats, seen: NDArray[np.bool_]) -> Verdict:
    """Today's picture against the registered reference.

    Parameters
    ----------
    name : str
        Network: ``dirt_pair`` (trained on pairs of nearly one light) or ``dirt_hours`` (on other hours and seasons too).
    reference, today : ndarray of uint8, shape (H, W, 3)
        Registered, at measuring size.
    reference_log, today_log : ndarray, shape (H, W)
        Their log luminance.
    seen : ndarray of bool, shape (H, W)
        Pixels that both show, outside burnt-in text.
    """
    mask = _padded(seen.astype(np.float32), cv2.BORDER_CONSTANT)
    logs = np.stack([_levelled(reference_log) * mask, _levelled(today_log) * mask, mask])
    colours = np.concatenate([_half_size(reference), _half_size(today)])
    return _verdict(name, logs[None], colours[None], seen.shape)


def series_verdict(pictures: Sequence[NDArray[np.uint8]], logs: Sequence[Floats]) -> Verdict:
    """Several pictures of one camera, (H, W, 3) each and all of one size, and their log luminance."""
    return _verdict("dirt_series", np.stack([_levelled(log)[None] for log in logs]),
                    np.stack([_half_size(p) for p in pictures]), logs[0].shape)


def _verdict(name: str, logs: Floats, colours: Floats, shape: tuple[int, ...]) -> Verdict:
    cells, image = load_network(name).run(None, {"logs": logs, "colours": colours})
    rows, columns = grid_size(shape)
    probability = np.moveaxis(softmax(np.moveaxis(cells[0], 0, -1)), -1, 0)
    y = (np.arange(rows, dtype=np.float32) + 0.5) * (shape[0] / rows / CELL_PX) - 0.5
    x = (np.arange(columns, dtype=np.float32) + 0.5) * (shape[1] / columns / CELL_PX) - 0.5
    xs, ys = np.meshgrid(x.astype(np.float32), y.astype(np.float32))
    on_grid = np.stack([cv2.remap(np.ascontiguousarray(layer), xs, ys, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
                        for layer in probability])
    return Verdict(softmax(image[0]), on_grid.astype(np.float32))


def _padded(values: NDArray[np.float32] | NDArray[np.uint8], border: int = cv2.BORDER_REPLICATE) -> Floats:
    """Right and below, to multiples of the cell."""
    height, width = values.shape[:2]
    return np.asarray(cv2.copyMakeBorder(values, 0, -height % CELL_PX, 0, -width % CELL_PX, border))


def _levelled(log: Floats) -> Floats:
    return _padded(np.asarray(log - np.float32(np.median(log[::4, ::4])), np.float32))


def _half_size(picture: NDArray[np.uint8]) -> Floats:
    """Red, green and blue 0..1 at half size, shape (3, H / 2, W / 2)."""
    full = _padded(picture)
    half = cv2.resize(full, (full.shape[1] // 2, full.shape[0] // 2), interpolation=cv2.INTER_AREA)
    return np.ascontiguousarray(half.transpose(2, 0, 1), np.float32) / np.float32(255)


@cache
def load_network(name: str) -> onnxruntime.InferenceSession:
    """Network ``weights/NAME.onnx``.

    Raises
    ------
    AuditError
        If the file is missing or not what it should be.
    """
    path = _WEIGHTS / f"{name}.onnx"
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    options.log_severity_level = 3
    try:
        return onnxruntime.InferenceSession(path.read_bytes(), options, providers=["CPUExecutionProvider"])
    except Exception as failure:
        raise AuditError(f"{path.name}: the weights can't be read; install the package again") from failure
