"""A logistic model's weights, kept as JSON beside the networks' (``weights/``): log odds of facts."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from audit.errors import AuditError

__all__ = ["log_odds_of"]

Weights = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], float]
_WEIGHTS = Path(__file__).parent / "weights"


def log_odds_of(model: str, facts: NDArray[np.float64]) -> float:
    """What a model says of facts, as log odds.

    Parameters
    ----------
    model : str
        Name of its file, without its ending.
    facts : ndarray, shape (N,)
        As many as the model was fitted to, in its order.

    Raises
    ------
    AuditError
        If the weights are missing or not what they should be.
    """
    mean, scale, weight, base = _weights(model, len(facts))
    return float(((facts - mean) / scale) @ weight + base)


@cache
def _weights(model: str, count: int) -> Weights:
    path = _WEIGHTS / f"{model}.json"
    try:
        stored = json.loads(path.read_text(encoding="utf-8"))
        mean, scale, weight = (np.array(stored[key], np.float64) for key in ("mean", "scale", "weight"))
        if not len(mean) == len(scale) == len(weight) == count:
            raise ValueError("wrong number of weights")
        return mean, scale, weight, float(stored["base"])
    except (OSError, KeyError, ValueError) as failure:
        raise AuditError(f"{path.name}: the weights can't be read; install the package again") from failure
