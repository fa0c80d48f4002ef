"""Fits how several pictures of a turned camera are judged (:mod:`audit.measure.turned`).

    python -m training.dirt.fit_turned PHOTOS REAL audit/measure/weights

Places are the photographs of the part ``tune`` and pictures of real fixed cameras (:mod:`.lay_over`), one series clean and the next
through the dirt of :mod:`.check_glass`. The even point is set on clean series of each place judged by weights fitted without it.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import roc_auc_score
from sklearn.model_selection import GroupKFold
from sklearn.preprocessing import StandardScaler

from audit.measure.clarity import single_verdict
from audit.measure.dirt_network import series_verdict
from audit.measure.lasting import measure_lasting
from audit.measure.transfer import log_luminance
from audit.measure.turned import TURNED_NAMES, registered_pairs, seen_while_turned, turned_features
from training.dirt.check_glass import CHECK_KINDS, render_check_today
from training.dirt.photographs import photographs
from training.dirt.scene import cut_view

__all__ = ["fitted", "turned_series"]

Pixels = NDArray[np.uint8]
#: Share of the view by which the camera turns from its first position; no more than the photograph reaches beyond it.
TURN_SHARE = (0.03, 0.11)
EACH, FALSE_SHARE, STRENGTH, FOLDS = 6, 0.01, 0.1, 8


def turned_series(photo: Pixels, other: NDArray[np.float32], kind: str, seed: tuple[int, ...]) -> list[Pixels]:
    """Three pictures 640 x 360 of one place, the camera turned between them, through one glass of :mod:`.check_glass`."""
    rng = np.random.default_rng(seed)
    view = cut_view(photo, 640, rng)
    images = []
    for number in range(3):
        way = rng.normal(size=3) * (1.0, 0.6, 0.2)
        turn = way / np.abs(way).max() * rng.uniform(*TURN_SHARE) * view.hfov_deg * (number > 0) * (1.0, view.height / view.width, 0.5)
        scene = cv2.resize(view.seen(tuple(turn)), (640, 360))
        glass = np.random.default_rng((*seed, 29))
        images.append(render_check_today(scene, other, kind, glass, False, 1.0, 90, 1.0)[0])
    return images


def _rows(places: list[tuple[str, Pixels]]) -> Iterator[tuple[str, bool, NDArray[np.float64]]]:
    for at, (name, photo) in enumerate(places):
        other = (cv2.resize(places[(at + 1) % len(places)][1], (640, 360)).astype(np.float32) / 255) ** 2.2
        for number in range(EACH):
            kind = CHECK_KINDS[(3 * at + number // 2) % len(CHECK_KINDS)] if number % 2 else "clear"
            pictures = turned_series(photo, other, kind, (77, at, number))
            logs = [log_luminance(p) for p in pictures]
            turned = seen_while_turned(pictures, logs, registered_pairs(pictures))
            if turned is not None:
                alone = [single_verdict(p) for p in pictures]
                yield name, kind != "clear", turned_features(series_verdict(pictures, logs), measure_lasting(logs), alone, turned)


def fitted(x: NDArray[np.float64], dirty: NDArray[np.bool_], place: NDArray[np.str_]) -> tuple[dict[str, list[float]], float, NDArray[np.float64]]:
    """Weights, base, and each row's log odds by weights fitted without its place."""
    held = np.zeros(len(x))
    for train, test in GroupKFold(FOLDS).split(x, dirty, place):
        scaler, model = _one(x[train], dirty[train])
        held[test] = model.decision_function(scaler.transform(x[test]))
    scaler, model = _one(x, dirty)
    limit = float(np.quantile(held[~dirty], 1 - FALSE_SHARE))
    stored = {"mean": scaler.mean_, "scale": scaler.scale_, "weight": model.coef_[0]}
    return {key: [round(float(v), 6) for v in values] for key, values in stored.items()}, round(float(model.intercept_[0]) - limit, 6), held - limit


def _one(x: NDArray[np.float64], dirty: NDArray[np.bool_]) -> tuple[StandardScaler, LogisticRegression]:
    scaler = StandardScaler().fit(x)
    return scaler, LogisticRegression(C=STRENGTH, max_iter=5000).fit(scaler.transform(x), dirty)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("photos", type=Path)
    parser.add_argument("real", type=Path)
    parser.add_argument("out", type=Path)
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    places = [item for item in photographs(arguments.photos, "tune") if "@" not in item[0]]
    for path in sorted(arguments.real.glob("*__*.webp"))[::3]:
        pixels = np.ascontiguousarray(cv2.imread(str(path))[..., ::-1])
        places.append((path.name.split("__")[0], pixels))
    names, dirty, x = (np.array(v) for v in zip(*_rows(places), strict=True))
    weights, base, held = fitted(x, dirty, names)
    (arguments.out / "dirt_turned.json").write_text(json.dumps({"names": list(TURNED_NAMES), **weights, "base": base}) + "\n", encoding="utf-8")
    print(f"{len(x)} series of {len(set(names))} places; places left out: AUROC {roc_auc_score(dirty, held):.3f}, "
          f"found {(held[dirty] > 0).mean():.2f}, clean called dirty {(held[~dirty] > 0).mean():.3f}")


if __name__ == "__main__":
    main()
