"""Fits how the two networks' answers on a pair are joined (:mod:`audit.measure.losses`).

    python -m training.dirt.fit_join REAL.npz DRAWN.npz audit/measure/weights

Each file holds ``X`` (N, len(JOIN_NAMES)) from :func:`audit.measure.losses.join_features` and ``y`` (N,), 1 where dirt was
drawn: pairs of real cameras that the second network's weights were not trained on (a fold of its training), and pairs cut
from photographs of the part ``tune``, both with the dirt of :mod:`.glass`. Both kinds count alike. The base is set so that
of the clean pairs of either file at most ``--false`` lie above 0.5.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import numpy as np
from sklearn.linear_model import LogisticRegression
from sklearn.preprocessing import StandardScaler

from audit.measure.losses import JOIN_NAMES


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("real", type=Path)
    parser.add_argument("drawn", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--false", type=float, default=0.01)
    parser.add_argument("--strength", type=float, default=0.03)
    arguments = parser.parse_args()
    sets = [np.load(path) for path in (arguments.real, arguments.drawn)]
    x, y = (np.concatenate([s[key] for s in sets]) for key in ("X", "y"))
    group = np.repeat(np.arange(2), [len(s["y"]) for s in sets])
    weight = 1 / np.bincount(group)[group]
    scaler = StandardScaler().fit(x)
    model = LogisticRegression(C=arguments.strength, max_iter=5000)
    model.fit(scaler.transform(x), y, sample_weight=weight / weight.mean())
    odds = model.decision_function(scaler.transform(x))
    limit = max(float(np.quantile(odds[(group == g) & ~y.astype(bool)], 1 - arguments.false)) for g in (0, 1))
    for g, name in enumerate(("real", "drawn")):
        own = group == g
        print(name, "found", round(float((odds[own & (y > 0)] > limit).mean()), 3), "at the cut", round(limit, 2))
    stored = {"mean": scaler.mean_, "scale": scaler.scale_, "weight": model.coef_[0]}
    text = {key: [round(float(v), 6) for v in values] for key, values in stored.items()}
    names = {"names": list(JOIN_NAMES)}
    (arguments.out / "dirt_join.json").write_text(
        json.dumps({**names, **text, "base": round(float(model.intercept_[0]) - limit, 6)}) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
