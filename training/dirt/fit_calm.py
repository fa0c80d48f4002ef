"""Fits how the two networks are joined where hardly anything has changed (:func:`audit.measure.losses.is_calm`).

    python -m training.dirt.fit_calm CALM.npz REAL.npz audit/measure/weights

The files hold rows of :mod:`.join_rows`; of the real ones only clean pairs are taken. Calm pairs alone count. The base is set so
that of the clean ones one in a hundred lies above even.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from sklearn.linear_model import LogisticRegression
from sklearn.preprocessing import StandardScaler

from audit.measure.losses import CALM_NAMES, calm_features, is_calm

__all__ = ["fitted_calm"]

STRENGTH, FALSE_SHARE = 1.0, 0.01


def fitted_calm(x: NDArray[np.float64], dirty: NDArray[np.bool_]) -> dict[str, object]:
    """Weights as kept, from rows of :func:`audit.measure.losses.join_features` (N, J) and whether each is dirty (N,)."""
    calm = np.array([is_calm(row) for row in x])
    facts, truth = np.array([calm_features(row) for row in x[calm]]), dirty[calm]
    scaler = StandardScaler().fit(facts)
    model = LogisticRegression(C=STRENGTH, max_iter=5000).fit(scaler.transform(facts), truth)
    odds = model.decision_function(scaler.transform(facts))
    limit = max(0.0, float(np.quantile(odds[~truth], 1 - FALSE_SHARE)))
    print(f"{calm.sum()} calm of {len(x)} pairs; at the cut {(odds[truth] > limit).mean():.2f} of {truth.sum()} dirty, "
          f"{(odds[~truth] > limit).mean():.3f} of {(~truth).sum()} clean")
    kept = {"mean": scaler.mean_, "scale": scaler.scale_, "weight": model.coef_[0]}
    return {"names": list(CALM_NAMES), **{key: [round(float(v), 6) for v in values] for key, values in kept.items()},
            "base": round(float(model.intercept_[0]) - limit, 6)}


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("calm", type=Path)
    parser.add_argument("real", type=Path)
    parser.add_argument("out", type=Path)
    arguments = parser.parse_args()
    drawn, real = np.load(arguments.calm), np.load(arguments.real)
    clean = real["y"] == 0
    x, y = np.concatenate([drawn["X"], real["X"][clean]]), np.concatenate([drawn["y"] > 0, np.zeros(clean.sum(), bool)])
    (arguments.out / "dirt_calm.json").write_text(json.dumps(fitted_calm(x, y)) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
