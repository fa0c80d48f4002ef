"""The matching's decisions on small cases against an assignment solver that knows nothing of walks."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import linear_sum_assignment

from audit.match.sampling import Effort, Rule, draw_walks
from audit.match.walk import Chain, Tables, forward_backward


def independent_photos(seed: int, count: int) -> tuple[Chain, Tables, np.ndarray]:
    """Photos that nothing but the one-visit rule ties together: each step is cut from the one before."""
    rng = np.random.default_rng(seed)
    gain = rng.normal(0, 1.5, (count, count)) + 5.0 * np.eye(count)[rng.permutation(count)]
    size = count + 1
    candidates = np.concatenate([np.tile(np.arange(count), (count, 1)), np.full((count, 1), -1)], axis=1)
    move = np.full((count, size, size), 1 / count, dtype=np.float32)
    move[:, :, -1] = 0.0
    none = np.zeros((count, size), dtype=np.float32)
    real = np.concatenate([np.exp(gain), np.zeros((count, 1))], axis=1).astype(np.float32)
    absent = np.full((count, size), size, dtype=np.int64)
    away = np.full((count, size), 1e-9, dtype=np.float32)
    tables = Tables(move, move.copy(), none, none.copy(), none.copy(), absent, absent.copy(), real, away,
                    np.ones(count, dtype=bool), 1 / count)
    return Chain(np.arange(count), np.ones(count, dtype=bool), candidates), tables, gain


@pytest.mark.parametrize("seed", range(4))
def test_the_most_probable_walk_is_the_best_assignment(seed: int) -> None:
    """scipy.optimize.linear_sum_assignment (modified Jonker-Volgenant) as the reference."""
    chain, tables, gain = independent_photos(seed, 7)
    rows, best = linear_sum_assignment(-gain)
    draws = draw_walks(chain, tables, 7, Rule(0.01, 0.001), forward_backward(tables).real, Effort(32, 120, 40, seed))
    scores = gain[np.arange(7)[None, :], np.minimum(draws.place, 6)].sum(axis=1)
    valid = np.array([len(set(line.tolist())) == 7 for line in draws.place]) & ~draws.away.any(axis=1)
    assert valid.mean() > 0.8
    top = draws.place[np.flatnonzero(valid)[np.argmax(scores[valid])]]
    np.testing.assert_array_equal(top, best[rows])
