"""Tours that echo a tour of labels: sums against every way to go along the stops, and walks whose labels were photographed in one go."""

from __future__ import annotations

import math
from itertools import product

import numpy as np
import pytest

import audit.match.echo as echo
from audit.match.assign import match_photos
from audit.match.echo import Told, echoes
from audit.match.evidence import SiteArrays
from tests.bench import label_walks
from tests.bench.matching_figures import looked_at, tally

SITE = SiteArrays(np.arange(8) * 10.0, np.zeros(8), np.zeros(8), np.zeros(8), 4e4, 10.0)


def told(sure: list[int], real: np.ndarray, time_s: np.ndarray | None = None) -> Told:
    steps = len(sure)
    times = 30.0 * np.arange(steps) if time_s is None else time_s
    return Told(np.array(sure), times, np.zeros(steps, dtype=int), real, np.full(real.shape, -2.0), None, np.ones(steps))


def test_the_chain_along_a_tour_is_the_sum_over_every_way_along_it() -> None:
    rng = np.random.default_rng(5)
    data = told([-1] * 5, rng.normal(0, 1, (5, 8)), np.array([0.0, 12.0, 50.0, 55.0, 90.0]))
    stops = echo._stops(SITE, np.array([2, 3, 5]), (1,), 1)
    w = echo._weights(data, np.arange(5), stops, echo._Pace(0.3, 0.2, 0.15, 0.25, 0.03, 15.0, 40.0, np.full((1, 5), 0.2)))
    total, at = 0.0, np.zeros((2, 5, 3))
    for way in product(range(3), repeat=5):
        for away in product((False, True), repeat=5):
            chance = (echo._STRAY_FIRST if away[0] else 1.0) * echo._LEFT_OUT ** way[0] * (w.away if away[0] else w.real)[0, way[0]]
            for t in range(1, 5):
                ahead = way[t] - way[t - 1]
                if ahead < 0 or away[t] and ahead:
                    chance = 0.0
                elif away[t]:
                    chance *= w.drift * w.away[t, way[t]]
                else:
                    chance *= (w.after_away if away[t - 1] else w.after_real)[ahead, t, way[t]] * w.real[t, way[t]]
            chance *= echo._LEFT_OUT ** (2 - way[-1])
            total += chance
            for t in range(5):
                at[int(away[t]), t, way[t]] += chance
    assert echo._forward(w)[2] == pytest.approx(math.log(total) + w.top.sum())
    found = echo._posterior(w)
    assert found.real == pytest.approx(at[0] / total) and found.away == pytest.approx(at[1] / total)


def back_along() -> tuple[list[int], np.ndarray]:
    """Labels of eight cameras, then one photo of each on the way back, each of which looks somewhat more like its camera than others."""
    sure = [*range(8), *[-1] * 8]
    real = np.zeros((16, 8))
    real[np.arange(8, 16), np.arange(8)[::-1]] = 5.0
    return sure, real


def test_photos_on_the_way_back_are_put_along_the_labels_backwards() -> None:
    found = echoes(SITE, told(*back_along()))
    assert found is not None and found.steps.tolist() == list(range(8, 16))
    assert found.belongs.argmax(axis=1).tolist() == list(range(7, -1, -1)) and not found.doubtful.any()


def test_without_anything_that_bears_it_out_no_echo_is_believed() -> None:
    sure, real = back_along()
    assert echoes(SITE, told(sure, 0.0 * real)) is None
    assert echoes(SITE, told([0, -1, -1, -1, -1, 1, *[-1] * 10], real)) is None, "two lone labels are no tour"


def test_cameras_beside_one_whose_label_was_not_read_and_those_named_twice_are_in_doubt() -> None:
    sure, real = back_along()

    def doubtful(fifth: int) -> list[int]:
        sure[4] = fifth
        data = told(sure, real)
        return np.flatnonzero(echo._doubtful(SITE, data, echo._tours(data))).tolist()

    assert doubtful(4) == []
    assert doubtful(-1) == [3, 5]
    assert doubtful(1) == [1, 3, 5]


def test_a_label_far_off_the_way_of_its_tour_is_in_doubt() -> None:
    line = np.arange(40) * 10.0
    site = SiteArrays(line, 0.0 * line, 0.0 * line, 0.0 * line, 4e4, 10.0)
    sure = [0, 1, 2, 3, 30, 5, 6, 7]
    data = Told(np.array(sure), 30.0 * np.arange(8), np.zeros(8, dtype=int), np.zeros((8, 40)), np.zeros((8, 40)), None, np.ones(8))
    assert echo._doubtful(site, data, echo._tours(data))[[0, 1, 2, 30]].tolist() == [False, False, False, True]


def test_two_shots_of_each_camera_before_all_labels_are_told_apart_by_their_kinds() -> None:
    """Wide view, bracket, wide view: nothing else says where one camera's photos end."""
    cameras = np.repeat(np.arange(8), 2)
    sure = np.append(np.full(16, -1), np.arange(8))
    real = np.zeros((24, 8))
    real[np.arange(16), cameras] = 2.0
    kinds = np.full((24, 5), 0.2)
    kinds[:16:2], kinds[1:16:2] = (0.05, 0.1, 0.8, 0.01, 0.04), (0.05, 0.8, 0.1, 0.01, 0.04)
    found = echoes(SITE, Told(sure, 30.0 * np.arange(24), np.zeros(24, dtype=int), real, np.full((24, 8), -4.0), kinds, np.ones(24)))
    assert found is not None and found.belongs.argmax(axis=1).tolist() == cameras.tolist()
    assert found.belongs.max(axis=1).min() > 0.9


def test_a_position_whose_error_lasts_tells_little_that_the_others_did_not() -> None:
    times, fixed = np.array([0.0, 40.0, 90.0, 400.0]), np.array([True, True, False, True])
    in_common = np.exp(-np.abs(times[:, None] - times[None, :]) / 100.0) * fixed[None, :]
    assert echo.own_share(times, fixed, 100.0) == pytest.approx(np.where(fixed, 1.0 / in_common.sum(axis=1), 1.0))
    assert echo._softened(np.log([[0.9, 0.1]]), np.array([0.5]))[0] == pytest.approx([np.log(0.5) + 0.5 * np.log(1.8), np.log(0.5) + 0.5 * np.log(0.2)])


def test_a_stray_on_the_way_counts_as_surplus_of_the_likelier_of_the_two_cameras_that_it_lies_between() -> None:
    found = echo._Found(np.array([[0.35, 0.2, 0.0]]), np.array([[0.35, 0.1, 0.0]]), np.zeros((2, 4)))
    assert echo._beside(found, np.array([2, 0, 1]), 3)[0] == pytest.approx([0.3, 0.0, 0.7])
    found = echo._Found(np.array([[0.2, 0.3, 0.0]]), np.array([[0.3, 0.2, 0.0]]), np.zeros((2, 4)))
    assert echo._beside(found, np.array([2, 0, 1]), 3)[0] == pytest.approx([0.8, 0.0, 0.2])


@pytest.mark.parametrize(("kind", "least"), [("warehouse", 0.6), ("building", 0.65)])
def test_photos_without_positions_between_tours_of_labels_are_decided_and_right(kind: str, least: float) -> None:
    """Where the order of photos alone decides them a quarter was, the labels themselves."""
    walk = looked_at(label_walks.make_walk(kind, 60, 821, "all"), 821)
    counts = tally(walk, match_photos(walk.site, walk.photos))
    assert counts["right"] + counts["surplus"] > least * counts["photos"]
    assert counts["wrong"] <= 1 and counts["false cover"] == 0
