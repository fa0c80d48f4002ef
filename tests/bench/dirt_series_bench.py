"""Dirt found in three images of one camera over changing scenes, rendered with the second dirt model.

    python tests/bench/dirt_series_bench.py PHOTOS [--count 60]

The same dirt lies over three photographs of the part ``check``; clean series have none.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np
from sklearn.metrics import roc_auc_score

from audit.measure.clarity import measure_clarity, measure_series
from training.dirt.check_glass import CHECK_KINDS, render_check_today
from training.dirt.photographs import photographs
from training.dirt.scene import cut_view


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("photos", type=Path)
    parser.add_argument("--count", type=int, default=60)
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    photos = [pixels for name, pixels in photographs(arguments.photos, "check") if "@" not in name]
    dirty, series, single = [], [], []
    for index in range(arguments.count):
        rng = np.random.default_rng((23, index))
        kind = str(rng.choice([k for k in CHECK_KINDS if k != "glow"])) if index % 2 else "clear"
        chosen = rng.choice(len(photos), 3, replace=False)
        other = (cv2.resize(photos[chosen[0]], (640, 480)).astype(np.float32) / 255) ** 2.2
        images = []
        for photo in chosen:
            view = cut_view(photos[photo], 640, np.random.default_rng((int(photo), index)))
            scene = cv2.resize(view.seen(), (640, 360))
            glass = np.random.default_rng((29, index))
            images.append(render_check_today(scene, cv2.resize(other, (640, 480)), kind, glass, False, 1.0, 90, 1.0)[0])
        together, alone = measure_series(images).dirt_probability, measure_clarity(images[0]).dirt_probability
        dirty.append(kind != "clear")
        series.append(0.5 if together is None else together)
        single.append(0.5 if alone is None else alone)
    truth = np.array(dirty)
    for name, values in (("three images", np.array(series)), ("the first alone", np.array(single))):
        strict = np.quantile(values[~truth], 0.99)
        print(f"{name}: AUROC {roc_auc_score(truth, values):.3f}, found at 1 % false alarms "
              f"{(values[truth] > strict).mean():.2f}, clean called dirty {(values[~truth] > 0.5).mean():.3f}, "
              f"{len(truth)} series")


if __name__ == "__main__":
    main()
