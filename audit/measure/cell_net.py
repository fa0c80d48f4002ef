"""A small network over a grid of cells: what kind of dirt each cell shows, and the whole picture's verdict.

The weights are plain arrays in an ``.npz`` file (read without pickle), made by
:mod:`audit.measure.training.dirt.train`; the network is evaluated in numpy.

Layers of evidence are standardised; a pixelwise layer, three 3 x 3 convolutions with dilation 1, 2 and 4 (each added
to its input, after the first the image's mean and maximum too), then one set of logits for each cell and one for
the image.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from audit.errors import AuditError
from audit.measure.measurement import DirtCause

__all__ = ["KINDS", "CellNet", "Verdict", "load_cell_net"]

Floats = NDArray[np.float32]
KINDS: tuple[DirtCause, ...] = ("clear", "haze", "spots", "web", "infrared glow", "defocus", "blocked")
_WEIGHTS = Path(__file__).parent / "weights"
_DILATIONS = (1, 2, 4)


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the network says.

    Attributes
    ----------
    kinds : ndarray, shape (7,)
        Probability of each of :data:`KINDS` for the image.
    cells : ndarray, shape (7, R, C)
        The same for each cell.
    blocked : ndarray, shape (R, C)
        Probability that a cell is hidden altogether.
    """

    kinds: Floats
    cells: Floats
    blocked: Floats

    @property
    def dirty(self) -> float:
        """Probability that anything spoils the picture."""
        return float(1.0 - self.kinds[0])


def _softmax(logits: Floats) -> Floats:
    shifted = np.exp(logits - logits.max(axis=-1, keepdims=True))
    return np.asarray(shifted / shifted.sum(axis=-1, keepdims=True), np.float32)


@dataclass(frozen=True, slots=True)
class CellNet:
    """Weights of the network; ``members`` hold independently trained sets whose logits are averaged."""

    names: tuple[str, ...]
    mean: Floats
    scale: Floats
    members: tuple[dict[str, Floats], ...]
    temperature: float

    def verdict(self, layers: Floats, valid: NDArray[np.bool_]) -> Verdict:
        """Evaluates layers of evidence.

        Parameters
        ----------
        layers : ndarray, shape (L, R, C)
            In the order of ``names``.
        valid : ndarray of bool, shape (R, C)
            Cells that count.
        """
        x = np.clip((layers.transpose(1, 2, 0) - self.mean) / self.scale, -5, 5) * valid[..., None]
        cells, image = zip(*(_forward(member, np.asarray(x, np.float32), valid) for member in self.members),
                           strict=True)
        by_cell = np.mean(cells, axis=0)
        kinds = _softmax(np.mean(image, axis=0) / self.temperature)
        hidden = 1 / (1 + np.exp(-by_cell[..., -1]))
        return Verdict(kinds, _softmax(by_cell[..., :-1]).transpose(2, 0, 1), np.asarray(hidden, np.float32))


def _convolved(h: Floats, kernel: Floats, dilation: int) -> Floats:
    rows, columns, channels = h.shape
    padded = np.pad(h, ((dilation, dilation), (dilation, dilation), (0, 0)))
    taps = [padded[dy * dilation:dy * dilation + rows, dx * dilation:dx * dilation + columns]
            for dy in range(3) for dx in range(3)]
    stacked = np.concatenate(taps, axis=2).reshape(rows * columns, 9 * channels)
    return np.asarray((stacked @ kernel.reshape(9 * channels, -1)).reshape(rows, columns, -1), np.float32)


def _forward(w: dict[str, Floats], x: Floats, valid: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    mask = valid[..., None].astype(np.float32)
    count = max(float(mask.sum()), 1.0)

    def pooled(h: Floats) -> Floats:
        mean = (h * mask).sum(axis=(0, 1)) / count
        top = np.where(mask > 0, h, -1e3).max(axis=(0, 1)) if count > 1 else mean
        return np.concatenate([mean, top])

    h = np.maximum(x @ w["in_w"] + w["in_b"], 0) * mask
    for step, dilation in enumerate(_DILATIONS):
        grown = np.maximum(_convolved(h, w[f"conv{step}_w"], dilation) + w[f"conv{step}_b"], 0)
        h = (h + grown) * mask
        if step == 0:
            h = (h + np.maximum(pooled(h) @ w["global_w"] + w["global_b"], 0)) * mask
    cells = h @ w["cell_w"] + w["cell_b"]
    share = (_softmax(cells[..., :-1]) * mask).sum(axis=(0, 1)) / count
    strongest = np.where(mask > 0, cells[..., :-1], -1e3).max(axis=(0, 1))
    features = np.concatenate([pooled(h), share, strongest * 0.1])
    hidden = np.maximum(features @ w["image0_w"] + w["image0_b"], 0)
    return np.asarray(cells, np.float32), np.asarray(hidden @ w["image1_w"] + w["image1_b"], np.float32)


@cache
def load_cell_net(name: str) -> CellNet:
    """Weights ``weights/NAME.npz``.

    Raises
    ------
    AuditError
        If the file is missing or not what it should be.
    """
    path = _WEIGHTS / f"{name}.npz"
    try:
        with np.load(path, allow_pickle=False) as stored:
            arrays = {key: stored[key] for key in stored.files}
        count = int(arrays["members"])
        members = tuple({key.split("/", 1)[1]: value.astype(np.float32) for key, value in arrays.items()
                         if key.startswith(f"{index}/")} for index in range(count))
        return CellNet(tuple(str(n) for n in arrays["names"]), arrays["mean"], arrays["scale"], members,
                       float(arrays["temperature"]))
    except (OSError, KeyError, ValueError) as failure:
        raise AuditError(f"{path.name}: the weights can't be read; install the package again") from failure
