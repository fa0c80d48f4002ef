"""The walk's sums and draws against enumeration of every walk of a small chain."""

from __future__ import annotations

import numpy as np
import pytest

from audit.match.sampling import Effort, Rule, draw_walks
from audit.match.walk import Chain, Tables, forward_backward
from tests.match.enumeration import step_factor

CAMERAS = 4


def small_chain(seed: int, steps: int = 5) -> tuple[Chain, Tables]:
    """A chain of random factors whose candidates are all cameras, in another order at each step."""
    rng = np.random.default_rng(seed)
    size = CAMERAS + 1
    candidates = np.full((steps, size), -1, dtype=np.int64)
    for t in range(steps):
        candidates[t, :CAMERAS] = rng.permutation(CAMERAS)
    cut = np.zeros(steps, dtype=bool)
    cut[0] = True
    cut[steps - 2] = seed % 2 == 1
    before = candidates[np.maximum(np.arange(steps) - 1, 0)]
    same = (before[:, :, None] == candidates[:, None, :])
    previous, following = same.argmax(axis=1), same.argmax(axis=2)
    move = rng.exponential(0.3, (steps, size, size)).astype(np.float32)
    move_away = rng.exponential(0.3, (steps, size, size)).astype(np.float32)
    for table in (move, move_away):
        table[same] = 0.0
        table[:, :, -1] = 0.0
        table[cut] = 1 / CAMERAS
        table[:, :, -1] = 0.0
    on = ~cut[:, None]
    stay = (rng.exponential(0.5, (steps, size)) * on).astype(np.float32)
    stay_away = (rng.exponential(0.5, (steps, size)) * on).astype(np.float32)
    stay[:, -1] = stay_away[:, -1] = 0.0
    drift = (rng.exponential(0.3, (steps, size)) * on).astype(np.float32)
    real = rng.exponential(1.0, (steps, size)).astype(np.float32)
    real[:, -1] = 0.0
    away = (0.3 * rng.exponential(1.0, (steps, size))).astype(np.float32)
    order = np.arange(steps, dtype=np.int64)
    return Chain(order, cut, candidates), Tables(move, move_away, stay, stay_away, drift, previous, following, real,
                                                 away, cut, 1 / CAMERAS)


def enumerate_walks(chain: Chain, tables: Tables, rule: Rule | None) -> np.ndarray:
    """Marginals (T, 2K), real then away, by the sum over every walk."""
    steps, size = tables.real.shape
    paths: list[tuple[float, tuple[int, ...], tuple[int, ...]]] = [(1.0, (), ())]
    for t in range(steps):
        grown = []
        for weight, states, visits in paths:
            for state in range(2 * size):
                factor, begins = step_factor(tables, t, state, states[-1] if states else -1)
                if factor > 0:
                    more = (*visits, int(chain.candidates[t, state % size])) if begins else visits
                    grown.append((weight * factor, (*states, state), more))
        paths = grown
    marginals = np.zeros((steps, 2 * size))
    for weight, states, visits in paths:
        if rule is not None:
            counts = np.bincount(visits, minlength=CAMERAS) if visits else np.zeros(CAMERAS, dtype=np.int64)
            weight *= float(np.exp(rule.log_weight(counts).sum()))
        for t, state in enumerate(states):
            marginals[t, state] += weight
    return marginals / marginals[0].sum()


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_forward_backward_is_the_sum_over_every_walk(seed: int) -> None:
    chain, tables = small_chain(seed)
    expected = enumerate_walks(chain, tables, None)
    found = forward_backward(tables)
    np.testing.assert_allclose(np.concatenate([found.real, found.away], axis=1), expected, atol=2e-5)


@pytest.mark.parametrize("seed", [0, 1])
def test_draws_follow_the_joint_distribution_under_the_one_visit_rule(seed: int) -> None:
    chain, tables = small_chain(seed)
    rule = Rule(0.2, 0.1)
    expected = enumerate_walks(chain, tables, rule)
    score = forward_backward(tables).real
    draws = draw_walks(chain, tables, CAMERAS, rule, score, Effort(64, 500, 150))
    steps, size = tables.real.shape
    found = np.zeros((steps, 2 * size))
    state = draws.place + size * draws.away
    for t in range(steps):
        found[t] = np.bincount(state[:, t], minlength=2 * size) / len(state)
    np.testing.assert_allclose(found, expected, atol=0.045)


def test_the_one_visit_rule_changes_what_the_sum_alone_would_say() -> None:
    chain, tables = small_chain(0)
    with_rule = enumerate_walks(chain, tables, Rule(0.02, 0.01))
    without = enumerate_walks(chain, tables, None)
    assert np.abs(with_rule - without).max() > 0.05
