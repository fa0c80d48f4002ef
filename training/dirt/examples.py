"""Rendered pictures as layers of evidence, ready for training; nothing is written to disk but the arrays."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.measure.dirt_model import KINDS
from audit.measure.single import single_layers
from audit.measure.transfer import at_measure_size
from training.dirt.pairs import render_pair
from training.dirt.photographs import photographs

__all__ = ["Example", "render_examples"]

PANORAMA_SHARE = 0.2
WIDTH_PX = 640


@dataclass(frozen=True)
class Example:
    """Layers (L, R, C) of today's image, with the truth on the cells."""

    photo: str
    kind: int
    harmless: tuple[str, ...]
    single: NDArray[np.float16]
    soiled: NDArray[np.float16]
    blocked: NDArray[np.float16]


_photos: list[tuple[str, NDArray[np.uint8]]] = []


def _load(folder: str, part: str) -> None:
    cv2.setNumThreads(1)
    _photos[:] = list(photographs(Path(folder), part))


def _example(seed: tuple[int, int], dirty_share: float) -> Example:
    rng = np.random.default_rng(seed)
    sharp = [item for item in _photos if "@" not in item[0]]
    soft = [item for item in _photos if "@" in item[0]] or sharp
    panorama = rng.random() < PANORAMA_SHARE
    chosen = soft if panorama else sharp
    name, photo = chosen[int(rng.integers(len(chosen)))]
    _, other = sharp[int(rng.integers(len(sharp)))]
    pair = render_pair(photo, other, rng, dirty=bool(rng.random() < dirty_share),
                       width=400 if panorama else WIDTH_PX)
    layers = single_layers(at_measure_size(pair.today))
    size = layers.shape[:0:-1]
    return Example(name.split("@")[0], KINDS.index(pair.kind), pair.change.names, layers.astype(np.float16),
                   cv2.resize(pair.soiled, size, interpolation=cv2.INTER_AREA).astype(np.float16),
                   cv2.resize(pair.blocked, size, interpolation=cv2.INTER_AREA).astype(np.float16))


def _chunk(task: tuple[str, str, int, range, float]) -> list[Example]:
    folder, part, seed, indices, dirty_share = task
    if not _photos:
        _load(folder, part)
    return [_example((seed, index), dirty_share) for index in indices]


def render_examples(folder: Path, part: str, seed: int, count: int, workers: int = 1,
                    dirty_share: float = 0.55) -> list[Example]:
    """Renders ``count`` examples from one part of the photographs; the same seed gives the same examples."""
    tasks = [(str(folder), part, seed, range(start, min(start + 25, count)), dirty_share)
             for start in range(0, count, 25)]
    if workers == 1:
        return [example for task in tasks for example in _chunk(task)]
    with ProcessPoolExecutor(workers) as pool:
        return [example for done in pool.map(_chunk, tasks) for example in done]
