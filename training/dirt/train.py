"""Trains the dirt models of :mod:`audit.measure.dirt_model` on rendered examples and writes their weights.

    python -m training.dirt.train PHOTOS OUT --count 4000 --workers 4

Photographs are split by name: the part ``train`` trains, ``tune`` sets the temperature, ``check`` is left for
``tests/bench/dirt_bench.py``. Needs scikit-learn. ``dirt_single.npz`` comes out (one image).

The trees learn from cell answers of a perceptron that has not seen the photograph (two folds by photograph).
"""

from __future__ import annotations

import argparse
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.neural_network import MLPClassifier

from audit.measure.dirt_model import KINDS, cell_features, image_features, softmax

__all__ = ["Grid", "train_model"]

SOILED_FROM, CLEAN_BELOW = 0.35, 0.03
CELLS_EACH = 32
CLIP = 5.0


@dataclass(frozen=True)
class Grid:
    """One example for training: layers (L, R, C) with the truth on the cells."""

    photo: str
    kind: int
    layers: NDArray[Any]
    valid: NDArray[np.bool_]
    soiled: NDArray[Any]


def _sample(grids: Sequence[Grid], rng: np.random.Generator) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """Features, kinds and owner of a few soiled and clean cells of every example."""
    xs, ys, owners = [], [], []
    for index, grid in enumerate(grids):
        soiled, valid = grid.soiled.astype(np.float32).ravel(), grid.valid.ravel()
        spoiled = np.flatnonzero((soiled > SOILED_FROM) & valid) if grid.kind else np.zeros(0, np.int64)
        clean = np.flatnonzero((soiled < CLEAN_BELOW) & valid)
        spoiled = rng.permutation(spoiled)[:CELLS_EACH]
        clean = rng.permutation(clean)[:CELLS_EACH // (2 if grid.kind else 1)]
        chosen = np.concatenate([spoiled, clean])
        xs.append(cell_features(grid.layers.astype(np.float32))[chosen])
        ys.append(np.r_[np.full(len(spoiled), grid.kind), np.zeros(len(clean), np.int64)])
        owners.append(np.full(len(chosen), index))
    return np.concatenate(xs), np.concatenate(ys), np.concatenate(owners)


def _perceptron(x: NDArray[Any], y: NDArray[Any], epochs: int, seed: int) -> list[tuple[NDArray[Any], NDArray[Any]]]:
    model = MLPClassifier((64, 32), alpha=1e-3, batch_size=512, learning_rate_init=1.5e-3, max_iter=epochs,
                          random_state=seed)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model.fit(x, y)
    return list(zip(model.coefs_, model.intercepts_, strict=True))


def _answers(dense: list[tuple[NDArray[Any], NDArray[Any]]], grid: Grid, mean: NDArray[Any],
             scale: NDArray[Any]) -> NDArray[np.float32]:
    layers = grid.layers.astype(np.float32)
    h = np.clip((cell_features(layers) - mean) / scale, -CLIP, CLIP)
    for index, (weight, bias) in enumerate(dense):
        h = h @ weight + bias
        if index < len(dense) - 1:
            h = np.maximum(h, 0)
    cells = softmax(h.astype(np.float32)).T.reshape(-1, *layers.shape[1:])
    return image_features(cells, layers, grid.valid)


def _temperature(logits: NDArray[Any], kind: NDArray[Any]) -> float:
    best, chosen = np.inf, 1.0
    for temperature in np.exp(np.linspace(np.log(0.5), np.log(5.0), 60)):
        clear = softmax((logits / temperature).astype(np.float32))[:, 0].clip(1e-6, 1 - 1e-6)
        cost = -float(np.where(kind == 0, np.log(clear), np.log(1 - clear)).mean())
        if cost < best:
            best, chosen = cost, float(temperature)
    return chosen


def train_model(grids: Sequence[Grid], names: Sequence[str], path: Path, epochs: int = 8, seed: int = 0) -> None:
    """Trains one model and writes it to ``path``."""
    rng = np.random.default_rng(seed)
    x, y, owner = _sample(grids, rng)
    mean, scale = x.mean(axis=0), x.std(axis=0) + 1e-3
    x = np.clip((x - mean) / scale, -CLIP, CLIP).astype(np.float32)
    photos = sorted({grid.photo for grid in grids})
    fold_of = dict(zip(rng.permutation(photos), np.arange(len(photos)) % 2, strict=True))
    fold = np.array([fold_of[grid.photo] for grid in grids])
    kinds = np.array([grid.kind for grid in grids])
    halves = [_perceptron(x[fold[owner] != f], y[fold[owner] != f], epochs, seed + f) for f in (0, 1)]
    features = np.stack([_answers(halves[fold[i]], grid, mean, scale) for i, grid in enumerate(grids)])
    print(path.name, "cells answered", flush=True)

    def boosted() -> HistGradientBoostingClassifier:
        return HistGradientBoostingClassifier(max_iter=110, learning_rate=0.08, max_leaf_nodes=10, max_bins=64,
                                              min_samples_leaf=15, l2_regularization=2.0, max_features=0.25,
                                              early_stopping=False, random_state=seed)

    held = np.zeros((len(grids), len(KINDS)))
    for f in (0, 1):
        held[fold == f] = boosted().fit(features[fold != f], kinds[fold != f]).decision_function(features[fold == f])
    temperature = _temperature(held, kinds)
    probability = 1 - softmax((held / temperature).astype(np.float32))[:, 0]
    from sklearn.metrics import roc_auc_score
    print(path.name, "held-out folds: AUROC", round(float(roc_auc_score(kinds > 0, probability)), 3), "temperature",
          round(temperature, 2), "clean called dirty", round(float((probability[kinds == 0] > 0.5).mean()), 3),
          flush=True)
    trees = boosted().fit(features, kinds)
    dense = _perceptron(x, y, epochs, seed + 9)
    np.savez_compressed(path, **_arrays(trees), names=np.array(names), mean=mean.astype(np.float32),
                        scale=scale.astype(np.float32), dense=np.array(len(dense)), temperature=np.float32(temperature),
                        **{f"dense{i}_w": w.astype(np.float16) for i, (w, _) in enumerate(dense)},
                        **{f"dense{i}_b": b.astype(np.float32) for i, (_, b) in enumerate(dense)})


def _arrays(model: HistGradientBoostingClassifier) -> dict[str, NDArray[Any]]:
    """Trees as padded arrays; a leaf points to itself."""
    nodes = [(kind, tree.nodes) for round_ in model._predictors for kind, tree in enumerate(round_)]
    longest = max(len(n) for _, n in nodes)
    shape = (len(nodes), longest)
    out: dict[str, NDArray[Any]] = {"feature": np.zeros(shape, np.int16), "left": np.zeros(shape, np.int16),
                                    "right": np.zeros(shape, np.int16), "threshold": np.zeros(shape, np.float32),
                                    "value": np.zeros(shape, np.float32)}
    for index, (_, n) in enumerate(nodes):
        size, leaf = len(n), n["is_leaf"].astype(bool)
        own = np.arange(size)
        out["feature"][index, :size] = np.where(leaf, 0, n["feature_idx"])
        out["left"][index, :size] = np.where(leaf, own, n["left"])
        out["right"][index, :size] = np.where(leaf, own, n["right"])
        out["threshold"][index, :size] = np.where(leaf, 0, n["num_threshold"])
        out["value"][index, :size] = n["value"]
    out["kind"] = np.array([kind for kind, _ in nodes], np.int16)
    out["base"] = np.asarray(model._baseline_prediction, np.float32).ravel()
    return out


def main() -> None:
    from audit.measure.single import SINGLE_NAMES
    from training.dirt.examples import render_examples

    parser = argparse.ArgumentParser()
    parser.add_argument("photos", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--count", type=int, default=4000)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    examples = render_examples(arguments.photos, "train", arguments.seed, arguments.count, arguments.workers)
    train_model([Grid(e.photo, e.kind, e.single, np.ones(e.soiled.shape, bool), e.soiled) for e in examples], SINGLE_NAMES,
                arguments.out / "dirt_single.npz")


if __name__ == "__main__":
    main()
