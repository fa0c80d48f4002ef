"""The learned part of the dirt measurement: what each cell shows, and the whole picture's verdict.

Two small steps, kept as plain arrays in an ``.npz`` file (read without pickle) and evaluated in numpy: a perceptron
says for each cell which kind of dirt it shows, from the cell's layers of evidence and its surroundings; boosted trees
say the same for the image, from the cells' answers and the layers' distribution. Made by
:mod:`training.dirt.train`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.errors import AuditError
from audit.measure.measurement import DirtCause

__all__ = ["KINDS", "DirtModel", "Verdict", "cell_features", "image_features", "load_dirt_model", "softmax"]

Floats = NDArray[np.float32]
KINDS: tuple[DirtCause, ...] = ("clear", "haze", "spots", "cobweb", "infrared reflection", "defocus", "blocked")
_WEIGHTS = Path(__file__).parent / "weights"
_CLIP = 5.0
_TOPS = (0.01, 0.05, 0.2)


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the model says.

    Attributes
    ----------
    kinds : ndarray, shape (7,)
        Probability of each of :data:`KINDS` for the image.
    cells : ndarray, shape (7, R, C)
        The same for each cell.
    """

    kinds: Floats
    cells: Floats

    @property
    def dirty(self) -> float:
        """Probability that anything spoils the picture."""
        return float(1.0 - self.kinds[0])

    @property
    def blocked(self) -> Floats:
        """Probability that each cell is hidden altogether, shape (R, C)."""
        return np.asarray(self.cells[KINDS.index("blocked")], np.float32)


def softmax(logits: Floats) -> Floats:
    """Probabilities over the last axis."""
    shifted = np.exp(logits - logits.max(axis=-1, keepdims=True))
    return np.asarray(shifted / shifted.sum(axis=-1, keepdims=True), np.float32)


def cell_features(layers: Floats) -> Floats:
    """Features of each cell, shape (R * C, 3 L + L): own layers, near and wide surroundings, the image's median."""
    stack = np.ascontiguousarray(np.nan_to_num(layers).transpose(1, 2, 0), np.float32)
    groups = range(0, stack.shape[2], 4)
    # part of what the model was trained on: another figure asks for new weights
    near = np.concatenate([np.atleast_3d(cv2.GaussianBlur(stack[..., g:g + 4], (0, 0), 1.2)) for g in groups], 2)
    # part of what the model was trained on: another figure asks for new weights
    wide = np.concatenate([np.atleast_3d(cv2.GaussianBlur(stack[..., g:g + 4], (0, 0), 3.5)) for g in groups], 2)
    middle = np.broadcast_to(np.median(stack, axis=(0, 1)), stack.shape)
    features = np.concatenate([stack, near - stack, wide, middle], axis=2)
    return np.asarray(features.reshape(-1, features.shape[2]), np.float32)


def image_features(cells: Floats, layers: Floats, valid: NDArray[np.bool_]) -> Floats:
    """Features of the image from the cells' probabilities (7, R, C) and the layers (L, R, C) of valid cells."""
    # part of what the model was trained on: another figure asks for new weights
    seen = valid if valid.sum() >= 20 else np.ones_like(valid)
    rows, columns = seen.shape
    kinds = cells[:, seen]
    spoiled = 1.0 - kinds[0]
    out: list[float] = []
    for values in (*kinds[1:], spoiled):
        ordered = np.sort(values)[::-1]
        out += [float(ordered[:max(1, int(len(ordered) * share))].mean()) for share in _TOPS]
        out += [float(values.mean()), float((values > 0.5).mean())]
    marked = ((1.0 - cells[0] > 0.5) & seen).astype(np.uint8)
    count, _, stats, _ = cv2.connectedComponentsWithStats(marked)
    out += [float(count - 1), float(stats[1:, cv2.CC_STAT_AREA].max()) / marked.size if count > 1 else 0.0,
            *(float(edge.mean()) for edge in (marked[0], marked[-1], marked[:, 0], marked[:, -1]))]
    values = np.nan_to_num(layers[:, seen])
    # part of what the model was trained on: another figure asks for new weights
    spread = np.percentile(values, (10, 50, 90), axis=1)
    row = np.broadcast_to(np.linspace(-1, 1, rows)[:, None], (rows, columns))[seen]
    row = row - row.mean()
    centred = values - values.mean(axis=1, keepdims=True)
    # part of what the model was trained on: another figure asks for new weights
    lean = (centred * row).mean(axis=1) / (values.std(axis=1) * row.std() + 1e-4)
    thirds = [np.median(values[:, part], axis=1) if part.any() else spread[1]
              # thirds of the picture from top to bottom
              for part in (row < -0.33, np.abs(row) <= 0.33, row > 0.33)]
    return np.concatenate([np.array(out), spread.ravel(), lean, *thirds]).astype(np.float32)


@dataclass(frozen=True, slots=True)
class DirtModel:
    """Weights.

    Attributes
    ----------
    names : tuple of str
        Layers expected, in order.
    mean, scale : ndarray
        Standardisation of the cell features.
    dense : tuple of (weight, bias)
        Layers of the perceptron.
    feature, left, right : ndarray of int, shape (T, N)
        Nodes of the T trees; a leaf points to itself.
    threshold, value : ndarray, shape (T, N)
    kind : ndarray of int, shape (T,)
        Which of :data:`KINDS` a tree adds to.
    base : ndarray, shape (7,)
        Logits before any tree.
    temperature : float
        Divides the logits so that the probability is calibrated.
    """

    names: tuple[str, ...]
    mean: Floats
    scale: Floats
    dense: tuple[tuple[Floats, Floats], ...]
    feature: NDArray[np.int32]
    left: NDArray[np.int32]
    right: NDArray[np.int32]
    threshold: Floats
    value: Floats
    kind: NDArray[np.int32]
    base: Floats
    temperature: float

    def cells(self, layers: Floats) -> Floats:
        """Probabilities of each cell, shape (7, R, C)."""
        h = np.clip((cell_features(layers) - self.mean) / self.scale, -_CLIP, _CLIP)
        for index, (weight, bias) in enumerate(self.dense):
            h = h @ weight + bias
            if index < len(self.dense) - 1:
                h = np.maximum(h, 0)
        return softmax(h).T.reshape(-1, *layers.shape[1:])

    def verdict(self, layers: Floats, valid: NDArray[np.bool_]) -> Verdict:
        """Evaluates layers of evidence.

        Parameters
        ----------
        layers : ndarray, shape (L, R, C)
            In the order of ``names``.
        valid : ndarray of bool, shape (R, C)
            Cells that count.
        """
        cells = self.cells(layers)
        logits = self.logits(image_features(cells, layers, valid))
        return Verdict(softmax(np.asarray(logits / self.temperature, np.float32)), cells)

    def logits(self, features: Floats) -> Floats:
        """Sum of the trees for one image, shape (7,)."""
        trees = np.arange(len(self.kind))
        node = np.zeros(len(self.kind), np.int64)
        for _ in range(self.feature.shape[1]):
            go_left = features[self.feature[trees, node]] <= self.threshold[trees, node]
            next_ = np.where(go_left, self.left[trees, node], self.right[trees, node])
            if (next_ == node).all():
                break
            node = next_
        return np.asarray(self.base + np.bincount(self.kind, self.value[trees, node], len(KINDS)), np.float32)


@cache
def load_dirt_model(name: str) -> DirtModel:
    """Weights ``weights/NAME.npz``.

    Raises
    ------
    AuditError
        If the file is missing or not what it should be.
    """
    path = _WEIGHTS / f"{name}.npz"
    try:
        with np.load(path, allow_pickle=False) as stored:
            a = {key: stored[key] for key in stored.files}
        dense = tuple((a[f"dense{i}_w"].astype(np.float32), a[f"dense{i}_b"].astype(np.float32))
                      for i in range(int(a["dense"])))
        return DirtModel(tuple(str(n) for n in a["names"]), a["mean"], a["scale"], dense, a["feature"], a["left"],
                         a["right"], a["threshold"], a["value"], a["kind"], a["base"], float(a["temperature"]))
    except (OSError, KeyError, ValueError) as failure:
        raise AuditError(f"{path.name}: the weights can't be read; install the package again") from failure
