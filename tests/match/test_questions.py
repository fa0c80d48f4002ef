"""What to ask a person first, and how far the draws are believed where photos near by are named."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from audit.lens import Lens
from audit.match.assign import _Belief, _belongs, _dispute, _least_trust, _lost, _named_share, _sobered, _tied, _trust
from audit.match.beside import taken_next_to
from audit.match.evidence import Settings, site_arrays
from audit.match.questions import ask_order, stay_groups
from audit.match.sampling import Draws
from audit.match.solve import _summary
from audit.match.walk import Chain
from audit.plan.model import Camera, Site


def test_groups_that_stand_or_fall_together_are_asked_about_once_before_all_others() -> None:
    rng = np.random.default_rng(4)
    values = rng.integers(0, 3, (400, 30))
    values[:, 11] = values[:, 12] = values[:, 10]
    order = ask_order(values, np.ones(30, dtype=np.int64), 0.97).tolist()
    assert order[0] in (10, 11, 12)
    assert {10, 11, 12} - {order[0]} == set(order[-2:])
    assert sorted(order) == list(range(30))


def test_the_larger_of_two_lone_groups_comes_first() -> None:
    values = np.random.default_rng(5).integers(0, 2, (300, 2))
    assert ask_order(values, np.array([1, 4]), 0.97).tolist() == [1, 0]
    assert ask_order(np.zeros((5, 0), dtype=np.int64), np.zeros(0, dtype=np.int64), 0.97).size == 0


def test_the_order_is_that_of_a_search_through_all_questions_at_each_step() -> None:
    rng = np.random.default_rng(6)
    groups, draws = 9, 200
    values = rng.integers(0, 2, (draws, groups))
    for g, source in ((3, 1), (4, 1), (7, 6)):
        values[:, g] = np.where(rng.random(draws) < 0.99, values[:, source], values[:, g])
    sizes = rng.integers(1, 4, groups)
    sure = np.eye(groups)
    for g in range(groups):
        for said in (0, 1):
            rows = values[:, g] == said
            for h in range(groups):
                if h != g and max(np.mean(values[rows, h] == v) for v in (0, 1)) >= 0.97:
                    sure[g, h] += rows.mean()
    left, open_, slow = set(range(groups)), np.ones(groups), []
    while left:
        best = max(left, key=lambda g: (round(float((sure[g] * sizes * open_).sum()), 9), -g))
        slow.append(best)
        open_ *= 1 - sure[best]
        left.remove(best)
    assert ask_order(values, sizes, 0.97).tolist() == slow


def test_groups_are_runs_of_photos_that_belong_together() -> None:
    assert stay_groups(np.array([0.0, 0.99, 0.5, 0.98, 0.97]), 0.97).tolist() == [0, 0, 1, 1, 1]


def share_of(named: np.ndarray, cameras: int) -> np.ndarray:
    """Of one walk."""
    return _named_share(named, np.arange(named.size) == 0, np.zeros(named.size), cameras)


def test_labels_that_another_walk_saw_do_not_count_for_this_one() -> None:
    named = np.array([0, 1, 2, -1, 3, -1, -1, -1])
    cut = np.arange(8) % 4 == 0
    begins = np.array([1.0, 1.0, 1.0, 0.0, 1.0, 1.0, 1.0, 1.0])
    assert _named_share(named, cut, begins, 4).tolist() == [1.0] * 4 + [0.25] * 4
    assert share_of(named, 4).tolist() == [1.0] * 8


def _chain(candidates: list[list[int]], cut: tuple[int, ...] = (0,)) -> Chain:
    starts = np.zeros(len(candidates), dtype=bool)
    starts[list(cut)] = True
    return Chain(np.arange(len(candidates)), starts, np.array(candidates))


def test_draws_are_believed_more_where_a_photo_near_by_names_the_likely_camera() -> None:
    chain = _chain([[0, 1, -1]] * 4 + [[2, 3, -1]] * 30, cut=(0, 4))
    belongs = np.tile([0.99, 0.01, 0.0], (34, 1))
    stays = np.repeat([1, 2, 3], [4, 8, 22])
    named = np.full(34, -1)
    named[1], named[3], named[6] = 0, 2, 2
    some, none = np.full(34, 0.4), np.zeros(34)
    trust = _trust(_tied(belongs, chain, stays, named), some, np.full(34, 0.5))
    assert trust[[0, 2, 3]] == pytest.approx(0.75), "camera 0 is named two steps away"
    assert trust[[4, 11]] == pytest.approx(0.75)
    assert trust[12] == pytest.approx(0.5), "camera 2 is named six steps away, in another stay"
    assert _trust(_tied(belongs, chain, stays, named), none, np.full(34, 0.5)) == pytest.approx(0.5), "where hardly any camera is named"
    few = _trust(_tied(belongs, chain, stays, named), some, np.full(34, 0.5), 30)
    assert (few < 0.5).all(), "thirty draws of a very large site may all be caught in one mistake"
    named[16] = 3
    assert _trust(_tied(belongs, chain, stays, named), some, np.full(34, 0.5))[17] == pytest.approx(0.5), "the unlikely one is named"


def test_draws_are_believed_more_where_most_cameras_are_named() -> None:
    chain = _chain([[0, 1, -1]] * 20)
    named = np.full(20, -1)
    named[::4] = 5, 6, 5, 6, 5
    belongs = np.tile([0.5, 0.5, 0.0], (20, 1))
    few, most = (_trust(_tied(belongs, chain, np.arange(20), named), share_of(named, cameras), np.full(20, 0.5))[15] for cameras in (100, 2))
    assert few == pytest.approx(0.5) and most == pytest.approx(0.75), "never more than the draws themselves say"
    named[4:] = -1
    assert share_of(named, 1)[0] < 0.4, "labels photographed apart from all else say little of it"


def test_where_a_visit_lost_the_times_of_many_photos_only_a_label_near_by_counts() -> None:
    named = np.full(20, -1)
    named[::4] = 5, 6, 5, 6, 5
    least = np.full(20, 0.5)
    without, tied = (_trust(np.full(20, value), share_of(named, 2), least, lost=1.0) for value in (0.0, 1.0))
    assert without == pytest.approx(0.3) and tied == pytest.approx(1.0)

    def lost(missing: int) -> float:
        return _lost(SimpleNamespace(time_s=np.where(np.arange(20) < missing, np.nan, 1.0)))  # type: ignore[arg-type]

    assert lost(1) == 0.0 and lost(4) == pytest.approx(0.5) and lost(10) == 1.0


def test_a_visit_of_which_little_is_sure_is_believed_less_and_poor_positions_less_again() -> None:
    chain = _chain([[0, 1, -1]] * 4)
    stated = SimpleNamespace(position_m=np.array([5.0, 25.0, np.nan, 5.0]), east_m=np.zeros(4))

    def trust(best: float) -> np.ndarray:
        return _least_trust(stated, chain, np.tile([best, 0.0, 0.0], (4, 1)))  # type: ignore[arg-type]

    assert trust(0.95)[[0, 2, 3]] == pytest.approx(0.7) and trust(0.95)[1] < 0.7
    assert (np.diff([trust(best)[0] for best in (0.55, 0.7, 0.85, 0.92)]) > 0).all()
    assert trust(0.1)[0] > trust(0.6)[0], "that nearly all are strays is sure too"


def test_photos_with_a_position_are_believed_by_their_like_where_those_without_are_unsure() -> None:
    chain = _chain([[0, 1, -1]] * 200)
    placed = np.arange(200) < 100
    arrays = SimpleNamespace(position_m=np.full(200, 5.0), east_m=np.where(placed, 0.0, np.nan))
    trust = _least_trust(arrays, chain, np.where(placed[:, None], [[0.99, 0.01, 0.0]], [[0.5, 0.5, 0.0]]))  # type: ignore[arg-type]
    assert (trust[placed] > 0.6).all() and (trust[~placed] < 0.3).all()


def test_a_label_that_names_a_camera_near_by_puts_its_stay_in_doubt() -> None:
    """A misread label names any camera of the plan alike; a position that a phone kept names one that it just left."""
    plan = site_arrays(Site(tuple(Camera(f"C{k}", 10.0 * k, 0.0, 3.0, 0.0, -10.0, Lens(1920, 1080, 70.0)) for k in range(20)), "row"))

    def doubted(labelled: int, other: int = -1) -> list[bool]:
        beliefs = [_Belief([3], [0.999], 0.001, 0, against=k == 1) for k in range(4)]
        _dispute(plan, np.array([-1, labelled, other, -1]), np.array([7, 7, 7, 8]), beliefs)
        return [belief.disputed for belief in beliefs]

    assert doubted(4) == [True, True, True, False]
    assert doubted(15) == [False] * 4, "far away, it was misread"
    assert doubted(4, 3) == [False] * 4, "another label of the stay says what the others say"


def test_trust_below_one_takes_certainty_back_and_no_share_of_draws_is_certain() -> None:
    share = np.array([0.98, 0.02])
    assert _sobered(share, 1000, 0.5)[0] < _sobered(share, 1000, 1.0)[0] <= 0.98
    assert 0.99 < _sobered(np.array([1.0, 0.0]), 100, 1.0)[0] < 1.0


def test_a_stray_between_two_stays_is_surplus_of_the_likelier_where_that_was_visited_next_to_it() -> None:
    """Of ten walks: the middle photo belongs to camera 0 in four; is a stray beside camera 1 in three, beside none in three, in two of
    which camera 0 was not visited next to it."""
    chain = Chain(np.arange(3), np.array([True, False, False]), np.tile(np.array([0, 1, -1]), (3, 1)))
    place = np.array([[0, 0, 1]] * 4 + [[0, 1, 1]] * 3 + [[0, 2, 1]] + [[1, 2, 1]] * 2, dtype=np.int16)
    away = np.zeros((10, 3), dtype=bool)
    away[4:, 1] = True
    draws = Draws(place, away, np.zeros((10, 3), dtype=bool))
    assert taken_next_to(chain, draws, np.zeros(3, dtype=np.int64))[1] == pytest.approx([0.0, 0.3, 0.1])
    belongs = _belongs(_summary(chain, draws, Settings()))
    assert belongs[1] == pytest.approx([0.8, 0.0, 0.0])
    assert belongs[[0, 2]] == pytest.approx(np.array([[0.8, 0.2, 0.0], [0.0, 1.0, 0.0]]))


def test_what_was_visited_on_another_walk_is_not_next_to_a_stray() -> None:
    lists = np.tile(np.array([0, 1, -1]), (4, 1))
    place = np.array([[0, 2, 2, 1]], dtype=np.int16)
    draws = Draws(place, np.array([[False, True, True, False]]), np.zeros((1, 4), dtype=bool))
    for cut, found in ((False, [1.0, 1.0]), (True, [1.0, 0.0])):
        chain = Chain(np.arange(4), np.array([True, False, cut, False]), lists)
        assert taken_next_to(chain, draws, np.zeros(4, dtype=np.int64))[1:3, 2].tolist() == found


