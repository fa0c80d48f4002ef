"""Dirt found and harmless changes called dirty, by kind, on pairs rendered with the second dirt model.

    python -m training.dirt.make PHOTOS PAIRS --part check --count 440 --seed 13 --dirty-share 0.5 \
        --check-renderer
    python tests/bench/dirt_bench.py PAIRS [--exposure] [--single]

The photographs of the part ``check`` and the second dirt model (``check_glass``) are used for nothing else.
``--exposure`` adds a change of exposure to today's image of every pair, dirty or clean.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import cv2
import numpy as np
from sklearn.metrics import roc_auc_score

from audit.lens import Lens
from audit.measure.clarity import measure_clarity
from audit.measure.view import compare


def exposed(pixels: np.ndarray, gain: float) -> np.ndarray:
    light = np.clip((np.arange(256) / 255.0) ** 2.2 * gain, 0, 1) ** (1 / 2.2) * 255
    return cv2.LUT(pixels, light.astype(np.uint8))


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("pairs", type=Path)
    parser.add_argument("--exposure", action="store_true")
    parser.add_argument("--single", action="store_true")
    parser.add_argument("--count", type=int, default=10000)
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    rng = np.random.default_rng(17)
    rows, errors, times = [], [], []
    for path in sorted(arguments.pairs.glob("*.npz"))[:arguments.count]:
        truth = np.load(path, allow_pickle=False)
        stem = str(path.with_suffix(""))
        today = np.ascontiguousarray(cv2.imread(stem + "_t.jpg")[..., ::-1])
        if arguments.exposure:
            today = exposed(today, float(np.exp(rng.uniform(-1.1, 0.7))))
        began = time.process_time()
        if arguments.single:
            found = measure_clarity(today)
            probability, cause = found.dirt_probability, found.cause
        else:
            reference = np.ascontiguousarray(cv2.imread(stem + "_r.jpg")[..., ::-1])
            change = compare(reference, today, Lens(reference.shape[1], reference.shape[0], float(truth["hfov_deg"])))
            probability, cause = change.dirt_probability, change.dirt_cause
            if change.pan_change_deg is not None:
                off = np.array([change.pan_change_deg, change.pitch_change_deg, change.roll_change_deg])
                if np.abs(truth["turn_deg"]).max() >= 0.3:
                    errors.append(float(np.abs(off - truth["turn_deg"]).max()))
        times.append((time.process_time() - began) * 1e3)
        rows.append((str(truth["kind"]), str(truth["harmless"]).split(","), probability, cause))
    kinds = np.array([row[0] for row in rows])
    p = np.array([0.5 if row[2] is None else row[2] for row in rows])
    dirty = kinds != "clear"
    strict, loose = np.quantile(p[~dirty], 0.99), np.quantile(p[~dirty], 0.95)
    found = dirty & (p > strict)
    right = np.mean([row[3] == row[0] for row, f in zip(rows, dirty & (p >= 0.5), strict=True) if f])
    print(f"{len(rows)} images, {sum(row[2] is None for row in rows)} not measured, "
          f"{np.median(times):.0f} ms of CPU each (median)")
    print(f"AUROC {roc_auc_score(dirty, p):.3f}; found at 1 % false alarms {found.sum() / dirty.sum():.2f}, "
          f"at 5 % {(p[dirty] > loose).mean():.2f}; cause right {right:.2f}; clean called dirty "
          f"{(p[~dirty] > 0.5).mean():.3f}, dirty called dirty {(p[dirty] > 0.5).mean():.2f}")
    for kind in sorted(set(kinds[dirty])):
        own = kinds == kind
        print(f"  {kind:14s} {own.sum():4d}: AUROC {roc_auc_score(np.r_[dirty[~dirty], dirty[own]], np.r_[p[~dirty], p[own]]):.3f}"
              f", found at 1 % {(p[own] > strict).mean():.2f}, at 5 % {(p[own] > loose).mean():.2f}")
    names = sorted({name for row in rows for name in row[1] if name and not name.startswith("kind ")})
    for name in names:
        own = np.array([name in row[1] for row in rows]) & ~dirty
        if own.any():
            print(f"  clean, {name:12s} {own.sum():4d}: called dirty {(p[own] > 0.5).mean():.3f}")
    if errors:
        print(f"turn: median error {np.median(errors):.3f} deg, 90th percentile {np.percentile(errors, 90):.3f}, "
              f"{len(errors)} pairs")


if __name__ == "__main__":
    main()
