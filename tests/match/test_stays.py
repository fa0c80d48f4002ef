"""Weights of whole stays, by hand, and the label habit of crews whose habit is known."""

from __future__ import annotations

import numpy as np
import pytest

from audit.match.stays import CodeHabit, learn_habit, stay_log_weights, stays_of


def walk(lengths: list[int]) -> tuple[np.ndarray, np.ndarray]:
    """Where stays of the given lengths begin, (1, T), and no photo away."""
    begins = np.zeros((1, sum(lengths)), dtype=bool)
    begins[0, np.cumsum([0, *lengths[:-1]])] = True
    return begins, np.zeros_like(begins)


def test_stays_count_their_own_photos_and_bursts_once() -> None:
    begins, away = walk([3, 2, 1])
    away[0, 1] = True
    counted = np.array([True, True, True, True, False, True])
    stays = stays_of(begins, away, counted)
    assert stays.start.tolist() == [[0, 0, 0, 3, 3, 5]]
    assert stays.index.tolist() == [[1, 1, 2, 1, 1, 1]]
    assert stays.count[begins].tolist() == [2, 1, 1]


def test_a_stay_weighs_what_its_length_and_its_label_say() -> None:
    begins, away = walk([2, 2])
    stays = stays_of(begins, away, np.ones(4, dtype=bool))
    own = np.array([[False, True, False, False]])
    habit = CodeHabit(0.8, 0.1, 0.1, 0.7)
    found = stay_log_weights(stays, np.array([0.5, 1.5]), own, habit)
    place = 0.7 + 0.2 / 2
    np.testing.assert_allclose(
        found, [[np.log(1.5) + np.log(0.2 + 0.8 * place / 0.1), 0.0, np.log(1.5) + np.log(0.2), 0.0]])


def test_two_labels_in_one_stay_weigh_less_than_in_two() -> None:
    own = np.array([[True, True]])
    habit = CodeHabit(0.95, 0.02)
    one, two = (stay_log_weights(stays_of(*walk(lengths), np.ones(2, dtype=bool)), np.ones(3), own, habit).sum()
                for lengths in ([2], [1, 1]))
    assert two - one > 3.0


@pytest.mark.parametrize(("share", "place"), [(0.97, "first"), (0.97, "last"), (0.0, "any")])
def test_the_habit_is_learned_from_walks(share: float, place: str) -> None:
    rng = np.random.default_rng(3)
    lengths = [int(n) for n in rng.integers(1, 6, 250)]
    begins, away = walk(lengths)
    own = np.zeros_like(begins)
    for start, length in zip(np.flatnonzero(begins[0]), lengths, strict=True):
        if rng.random() < share:
            own[0, start + (0 if place == "first" else length - 1)] = True
    if place == "any":
        own[0] = rng.random(own.shape[1]) < 0.12
    found = learn_habit(stays_of(begins, away, np.ones(own.shape[1], dtype=bool)), own, own.shape[1])
    if place == "any":
        assert found.share < 0.15 and found.stray == pytest.approx(0.12, abs=0.03)
    else:
        assert found.share == pytest.approx(share, abs=0.03)
        assert getattr(found, place) > 0.8


def test_however_often_the_label_came_first_it_may_come_later_once() -> None:
    """Four hundred stays that begin with the label leave 3 % for another place, so that such a stay is unlikely and not impossible."""
    begins, away = walk([3] * 400)
    stays = stays_of(begins, away, np.ones(1200, dtype=bool))
    found = learn_habit(stays, begins.copy(), 1200)
    assert found.first + found.last == pytest.approx(0.97) and found.first > 0.95 and found.share == pytest.approx(0.98)
    later = np.roll(begins, 1, axis=1)
    rare, usual = (stay_log_weights(stays, np.ones(4), own, found)[0, 0] for own in (later, begins))
    assert 3.0 < usual - rare < 6.0
