"""Drawn walks against the sum over every walk where whole stays weigh by their length and label, and how blocks pair."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from audit.match.blocks import paired_units
from audit.match.drawn import Padded
from audit.match.sampling import _LONG, Effort, Rule, draw_walks
from audit.match.stays import CodeHabit
from audit.match.walk import Chain, Tables, forward_backward
from tests.match.enumeration import step_factor

CAMERAS, STEPS = 3, 5
HABIT = CodeHabit(0.7, 0.1, 0.5, 0.2)
RULE = Rule(0.2, 0.1, np.array([0.3, 1.0, 2.5]), HABIT)


def small_chain(seed: int) -> tuple[Chain, Tables]:
    """Random factors; candidates are all cameras, in another order at each step."""
    rng = np.random.default_rng(seed)
    size = CAMERAS + 1
    candidates = np.full((STEPS, size), -1, dtype=np.int64)
    for t in range(STEPS):
        candidates[t, :CAMERAS] = rng.permutation(CAMERAS)
    cut = np.array([True, *[False] * (STEPS - 1)])
    cut[3] = seed == 1
    before = candidates[np.maximum(np.arange(STEPS) - 1, 0)]
    same = before[:, :, None] == candidates[:, None, :]

    def moves() -> np.ndarray:
        table = rng.exponential(0.3, (STEPS, size, size)).astype(np.float32)
        table[same] = 0.0
        table[cut] = 1 / CAMERAS
        table[:, :, -1] = 0.0
        return table

    def on(mean: float) -> np.ndarray:
        table = (rng.exponential(mean, (STEPS, size)) * ~cut[:, None]).astype(np.float32)
        return table

    stay, stay_away, drift = on(0.9), on(0.5), on(0.3)
    stay[:, -1] = stay_away[:, -1] = 0.0
    real = rng.exponential(1.0, (STEPS, size)).astype(np.float32)
    real[:, -1] = 0.0
    away = (0.3 * rng.exponential(1.0, (STEPS, size))).astype(np.float32)
    tables = Tables(moves(), moves(), stay, stay_away, drift, same.argmax(axis=1), same.argmax(axis=2), real, away, cut,
                    1 / CAMERAS)
    return Chain(np.arange(STEPS), cut, candidates), tables


def walk_weight(chain: Chain, tables: Tables, states: tuple[int, ...], counted: np.ndarray, coded: np.ndarray) -> float:
    """Weight of one whole walk: its steps, the one-visit rule, and each stay by its length and label."""
    size = CAMERAS + 1
    weight, stays = 1.0, []
    for t, state in enumerate(states):
        k, away = state % size, state >= size
        factor, begins = step_factor(tables, t, state, states[t - 1])
        weight *= factor
        if weight == 0.0:
            return 0.0
        camera = int(chain.candidates[t, k])
        if begins:
            stays.append((camera, []))
        if stays and not away:
            stays[-1][1].append((bool(counted[t]), int(coded[t]) >= 0))
    visits = np.bincount([c for c, _ in stays], minlength=CAMERAS) if stays else np.zeros(CAMERAS, dtype=np.int64)
    weight *= math.prod(RULE.missed if v == 0 else RULE.again ** (v - 1) for v in visits)
    for _, shots in stays:
        length = max(sum(c for c, _ in shots), 1)
        weight *= RULE.lengths[min(length, 3) - 1]
        number, odds = 0, 0.0
        for counts, own in shots:
            number += counts
            if own:
                index = max(number, 1)
                place = HABIT.first * (index == 1) + HABIT.last * (index == length) + 0.3 / length
                odds += place / HABIT.stray
        weight *= 1 - HABIT.share + HABIT.share * odds
    return weight


@pytest.mark.parametrize("seed", [0, 1])
def test_draws_follow_whole_stays_with_their_lengths_and_labels(seed: int) -> None:
    chain, tables = small_chain(seed)
    follows = np.array([False, False, True, False, False])
    coded = np.array([-1, int(chain.candidates[1, 0]), -1, int(chain.candidates[3, 1]), -1])
    size = CAMERAS + 1
    expected = np.zeros((STEPS, 2 * size))
    begun = 0.0
    for states in itertools.product(range(2 * size), repeat=STEPS):
        weight = walk_weight(chain, tables, states, ~follows, coded)
        if weight:
            expected[np.arange(STEPS), states] += weight
            begun += weight
    expected /= begun
    rule = replace(RULE, follows=follows, coded=coded)
    draws = draw_walks(chain, tables, CAMERAS, rule, forward_backward(tables).real, Effort(128, 600, 100, 3))
    state = draws.place + size * draws.away
    found = np.stack([np.bincount(state[:, t], minlength=2 * size) for t in range(STEPS)]) / len(state)
    np.testing.assert_allclose(found, expected, atol=0.025)
    assert len(draws.place) == 128 * 500


def test_stays_begin_where_the_camera_changes_or_the_chain_is_cut() -> None:
    chain, tables = small_chain(1)
    draws = draw_walks(chain, tables, CAMERAS, RULE, forward_backward(tables).real, Effort(8, 30, 10))
    camera = chain.candidates[np.arange(STEPS)[None], draws.place]
    for t in range(STEPS):
        changed = np.ones(len(camera), dtype=bool) if tables.cut[t] else camera[:, t] != camera[:, t - 1]
        assert np.array_equal(draws.begins[:, t], ~draws.away[:, t] & changed)
    assert (camera[~draws.away] >= 0).all(), "a photo that belongs somewhere belongs to a camera"


def test_draws_repeat_with_their_seed_and_differ_with_another() -> None:
    chain, tables = small_chain(0)
    score = forward_backward(tables).real
    one, same, other = (draw_walks(chain, tables, CAMERAS, RULE, score, Effort(4, 20, 5, s))
                        for s in (7, 7, 8))
    assert np.array_equal(one.place, same.place) and np.array_equal(one.away, same.away)
    assert not np.array_equal(one.place, other.place)


def test_the_rule_weighs_none_one_and_more_visits() -> None:
    rule = Rule(0.2, 0.1)
    assert rule.lengths.size == 0
    assert np.exp(rule.log_weight(np.array([0, 1, 2, 3]))) == pytest.approx([0.2, 1.0, 0.1, 0.01])


def test_an_edge_without_photos_is_idle_and_changes_nothing_inside() -> None:
    chain, tables = small_chain(1)
    idle = 2 * _LONG[1] + 2
    p = Padded(chain, tables, Rule(0.2, 0.1, coded=np.full(STEPS, -1)), idle)
    inner = slice(idle, idle + STEPS)
    for name in ("move", "move_away", "stay", "stay_away", "drift", "previous", "following", "real", "away"):
        padded, inside = getattr(p, name), getattr(tables, name)
        assert len(padded) == STEPS + 2 * idle
        assert np.array_equal(padded[inner], inside)
    for edge in (slice(0, idle), slice(idle + STEPS, None)):
        assert not p.move[edge].any() and not p.move_away[edge].any() and not p.real[edge].any()
        assert not p.stay[edge].any() and not p.stay_away[edge].any() and not p.drift[edge].any()
        assert (p.away[edge, -1] == 1).all() and not p.away[edge, :-1].any(), "certainly at none of them"
        assert p.cut[edge].all() and (p.candidates[edge] == -1).all() and not p.counted[edge].any()
        assert (p.previous[edge] == CAMERAS + 1).all() and (p.following[edge] == CAMERAS + 1).all()
    assert p.coded is None, "no label at all"
    assert p.counted[inner].all()
    coded = np.array([-1, 2, -1, -1, 0])
    p = Padded(chain, tables, Rule(0.2, 0.1, follows=np.array([False, True, False, False, False]), coded=coded), idle)
    assert p.coded is not None and p.coded[inner].tolist() == coded.tolist()
    assert (p.coded[:idle] == -1).all() and p.counted[inner].tolist() == [True, False, True, True, True]


@pytest.mark.parametrize("seed", range(5))
def test_blocks_pair_up_with_blocks_that_may_visit_the_same_cameras(seed: int) -> None:
    """Twelve blocks of four steps: the first six share cameras by two and two, the others have each their own."""
    rng = np.random.default_rng(seed)
    steps, length, size = 48, 4, 4
    camera = np.array([0, 0, 1, 1, 2, 2, 3, 4, 5, 6, 7, 8])
    candidates = np.repeat(np.column_stack([3 * camera, 3 * camera + 1, 3 * camera + 2, np.full(12, -1)]), length, axis=0)
    cut = np.zeros(steps, dtype=bool)
    cut[0] = True
    zeros = np.zeros((steps, size), dtype=np.float32)
    moves = np.zeros((steps, size, size), dtype=np.float32)
    real = np.concatenate([np.ones((steps, 3)), np.zeros((steps, 1))], axis=1).astype(np.float32)
    place = np.full((steps, size), size)
    tables = Tables(moves, moves, zeros, zeros, zeros, place, place, real, zeros.copy(), cut, 1 / 27)
    p = Padded(Chain(np.arange(steps), cut, candidates), tables, Rule(0.2, 0.1), 100)
    starts = 100 + length * np.arange(12)
    partners = set()
    for _ in range(40):
        unit, units = paired_units(p, starts, length, rng)
        assert unit.shape == (12,) and sorted(set(unit.tolist())) == list(range(units))
        assert np.bincount(unit).max() <= 2
        for number in range(units):
            members = np.flatnonzero(unit == number).tolist()
            assert len({int(camera[m]) for m in members}) == 1, "blocks that share no camera are drawn apart"
            partners.add(tuple(members))
    assert {(0, 1), (2, 3), (4, 5)} <= partners and {(m,) for m in range(6, 12)} <= partners
