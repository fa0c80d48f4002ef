"""Dirt found in three pictures of a camera that was turned a little between them, rendered with the second dirt model.

    python tests/bench/dirt_turned_bench.py PHOTOS [--count 8]

Each photograph of the part ``check`` is a place: clean series and dirty ones of it alternate, the camera turning by 3 to
11 % of its view between pictures. What lies on the glass stays to the pixel while the scene moves.
"""

from __future__ import annotations

import argparse
from functools import partial
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from sklearn.metrics import roc_auc_score

from audit.measure.clarity import measure_clarity, measure_series
from training.dirt.check_glass import CHECK_KINDS, look_through
from training.dirt.fit_turned import turned_series
from training.dirt.photographs import photographs


def _through(other: NDArray[np.float32], kind: str, scene: NDArray[np.float32], rng: np.random.Generator) -> NDArray[np.float32]:
    return look_through(scene, other, kind, rng)[0]


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("photos", type=Path)
    parser.add_argument("--count", type=int, default=8, help="series of each place")
    parser.add_argument("--part", default="check")
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    places = [(name, pixels) for name, pixels in photographs(arguments.photos, arguments.part) if "@" not in name]
    rows = []
    for place, (name, pixels) in enumerate(places):
        other = cv2.resize((places[(place + 1) % len(places)][1].astype(np.float32) / 255) ** 2.2, (640, 360))
        for index in range(arguments.count):
            kind = CHECK_KINDS[(place + index) % len(CHECK_KINDS)] if index % 2 else "clear"
            images = turned_series(pixels, partial(_through, other, kind), (31, place, index))
            series, alone = measure_series(images).dirt_probability, measure_clarity(images[0]).dirt_probability
            rows.append((name, kind, 0.5 if series is None else series, 0.5 if alone is None else alone))
    dirty = np.array([row[1] != "clear" for row in rows])
    for title, column in (("three turned pictures", 2), ("the first alone", 3)):
        p = np.array([row[column] for row in rows])
        strict = np.quantile(p[~dirty], 0.99)
        print(f"{title}: AUROC {roc_auc_score(dirty, p):.3f}, found at 1 % false alarms {(p[dirty] > strict).mean():.2f}, "
              f"clean called dirty {(p[~dirty] > 0.5).mean():.3f}, dirty called dirty {(p[dirty] > 0.5).mean():.2f}, {len(p)} series")
    p = np.array([row[2] for row in rows])
    worst = sorted(((p[[r[0] == name and not d for r, d in zip(rows, dirty, strict=True)]] > 0.5).mean(), name) for name, _ in places)
    print("places by clean series called dirty:", ", ".join(f"{name} {share:.0%}" for share, name in worst[::-1][:5]))
    for kind in CHECK_KINDS:
        own = np.array([row[1] == kind for row in rows])
        if own.any():
            print(f"  {kind:8s} {own.sum():3d}: called dirty {(p[own] > 0.5).mean():.2f}")


if __name__ == "__main__":
    main()
