"""The order in which a crew takes its shots: learnt of stays and moves, and saying nothing before."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from audit.match.shot_order import ShotOrder, learn_shot_order, shot_log_ratios
from audit.match.shots import KINDS

LABEL, BRACKET, WIDE = (KINDS.index(kind) for kind in ("label", "bracket", "wide view"))


def looks(kinds: list[int], sure: float = 0.92) -> NDArray[np.float64]:
    rest = (1 - sure) / (len(KINDS) - 1)
    return np.array([[sure if k == kind else rest for k in range(len(KINDS))] for kind in kinds])


def learnt(cameras: int = 40) -> ShotOrder:
    """Of a crew that takes label, wide view and bracket at each camera."""
    seen = looks([LABEL, WIDE, BRACKET] * cameras)
    moves = np.array([n % 3 == 2 for n in range(len(seen) - 1)], dtype=float)
    order = ShotOrder()
    for _ in range(3):
        order = learn_shot_order(seen[:-1], seen[1:], 1 - moves, moves, order)
    return order


def test_before_anything_is_learnt_no_look_tells_a_stay_from_a_move() -> None:
    stay, move = shot_log_ratios(looks([LABEL, WIDE]), looks([WIDE, LABEL]), ShotOrder())
    assert stay == pytest.approx(0.0) and move == pytest.approx(0.0)


def test_a_crew_that_begins_with_the_label_has_moved_where_a_label_follows_a_bracket() -> None:
    order = learnt()
    stay, move = shot_log_ratios(looks([BRACKET, LABEL]), looks([LABEL, WIDE]), order)
    assert move[0] - stay[0] > 1.5 and stay[1] - move[1] > 1.5


def test_photos_that_nobody_looked_at_say_nothing() -> None:
    even = np.full((2, len(KINDS)), 1 / len(KINDS))
    for ratio in shot_log_ratios(even, looks([LABEL, WIDE]), learnt()):
        # what a photo shows beside one that nobody saw tells as much as how often each kind comes after any
        assert np.all(np.abs(ratio) < 1.3)
    for ratio in shot_log_ratios(even, even, learnt()):
        assert ratio == pytest.approx(0.0, abs=0.05)


def test_shares_of_what_follows_each_kind_are_whole_and_held_to_what_is_usual() -> None:
    for cameras in (1, 60):
        order, count = learnt(cameras), 3 * cameras - 1
        share = (2 * cameras + 6) / (count + 12)
        assert share * np.array(order.stay).sum(axis=1) + (1 - share) * np.array(order.move).sum(axis=1) == pytest.approx(1.0)
    few, many = (np.array(learnt(cameras).stay)[LABEL, WIDE] for cameras in (1, 60))
    assert few < 0.75 < many


def test_a_pair_of_looks_is_never_believed_beyond_a_factor_of_seven() -> None:
    order = learnt(4000)
    for ratio in shot_log_ratios(looks([LABEL, BRACKET], 0.999), looks([LABEL, LABEL], 0.999), order):
        assert np.all(np.abs(ratio) <= np.log(7.0) + 1e-9)
