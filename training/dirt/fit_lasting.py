"""Fits the weights of :mod:`audit.measure.lasting` on series of different scenes behind one glass.

    python -m training.dirt.fit_lasting PHOTOS OUT --count 360

Photographs of the part ``train`` and the dirt of :mod:`.glass`; logistic regression (scikit-learn) on the series that
are clean or carry spots, webs or things in front, which stay in place; haze and blur are the network's business.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from sklearn.linear_model import LogisticRegression
from sklearn.preprocessing import StandardScaler

from audit.measure.lasting import lasting_features, measure_lasting
from audit.measure.transfer import log_luminance
from training.dirt.glass import KINDS, spoil
from training.dirt.photographs import photographs
from training.dirt.scene import cut_view, expose, harmless_change, pick_camera, pick_harmless

__all__ = ["series_of_scenes"]

SHARES = (0.15, 0.32, 0.2, 0.05, 0.13, 0.15)
WHAT_STAYS = ("clear", "spots", "cobweb", "blocked")


def series_of_scenes(photos: list[NDArray[np.uint8]], seed: int, count: int) -> Iterator[tuple[str, bool, list[NDArray[np.uint8]]]]:
    """Kind of dirt, whether all show one scene, and two to four pictures 640 x 360."""
    for index in range(count):
        rng = np.random.default_rng((seed, index))
        kind = str(rng.choice(KINDS, p=SHARES)) if index % 2 else "clear"
        one_scene = bool(rng.random() < 0.33)
        chosen = rng.choice(len(photos), int(rng.choice([2, 3, 3, 4])), replace=False)
        camera = pick_camera(rng)
        other = (cv2.resize(photos[int(rng.integers(len(photos)))], (640, 480)).astype(np.float32) / 255) ** 2.2
        pictures, soiled = [], []
        for photo in chosen:
            photo = int(chosen[0] if one_scene else photo)
            view = cut_view(photos[photo], 640, np.random.default_rng((photo, index)))
            change = replace(pick_harmless(rng, 0.8 if one_scene else 0.5), resize=1.0, turn_deg=(0.0, 0.0, 0.0))
            if kind == "infrared reflection":
                change = replace(change, night="infrared")
            scene = harmless_change(cv2.resize(view.seen(), (640, 360)), change, other, rng)
            mask = np.ones((360, 640), np.float32)
            if kind != "clear":
                for attempt in range(8):
                    spoiled, mask, _ = spoil(scene, kind, np.random.default_rng((seed, index, 7, attempt)), bool(change.night))
                    if mask.mean() > 0.025:
                        break
                scene = spoiled
            soiled.append(float(mask.mean()))
            pictures.append(expose(scene, camera, rng, change))
        if min(soiled) >= 0.02:
            yield kind, one_scene, pictures


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("photos", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--count", type=int, default=360)
    parser.add_argument("--seed", type=int, default=201)
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    photos = [pixels for name, pixels in photographs(arguments.photos, "train") if "@" not in name]
    rows, dirty = [], []
    for kind, one_scene, pictures in series_of_scenes(photos, arguments.seed, arguments.count):
        if not one_scene and kind in WHAT_STAYS:
            rows.append(lasting_features(measure_lasting([log_luminance(p) for p in pictures])))
            dirty.append(kind != "clear")
    scaler = StandardScaler().fit(rows)
    model = LogisticRegression(C=0.005, max_iter=3000).fit(scaler.transform(rows), dirty)
    stored = {"mean": scaler.mean_, "scale": scaler.scale_, "weight": model.coef_[0]}
    text = {key: [round(float(v), 6) for v in values] for key, values in stored.items()}
    (arguments.out / "dirt_lasting.json").write_text(json.dumps({**text, "base": round(float(model.intercept_[0]), 6)}) + "\n")
    print(len(rows), "series")


if __name__ == "__main__":
    main()
