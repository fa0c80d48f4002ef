"""Short lists of cameras for each photo, against lists made one by one without trees or tables."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from audit.match.candidates import Named, first_lists, pruned_lists, unique_rows


def test_rows_keep_each_camera_once_in_its_first_place() -> None:
    lists = np.array([[3, 1, 3, -1, 2, 1], [-1, -1, 5, 5, 5, 5]])
    assert unique_rows(lists, 4).tolist() == [[3, 1, 2, -1], [5, -1, -1, -1]]
    assert unique_rows(lists, 8).tolist()[0] == [3, 1, 2, -1, -1, -1, -1, -1]


@pytest.fixture
def site() -> SimpleNamespace:
    rng = np.random.default_rng(3)
    east, north = rng.uniform(0, 900, 60), rng.uniform(0, 900, 60)
    floor = 60.0 * rng.integers(0, 3, 60)
    return SimpleNamespace(size=60, east_m=east, north_m=north, walk_coordinates=np.column_stack([east, north, floor]))


def nearest(points: np.ndarray, at: np.ndarray, count: int) -> list[int]:
    return np.argsort(np.linalg.norm(points - at, axis=1))[:count].tolist()


def test_a_photo_with_a_position_gets_the_nearest_cameras_and_one_without_those_near_known_ones(
    site: SimpleNamespace,
) -> None:
    """Two streams of four: known cameras at steps 1 and 3 of the first, at none of the second."""
    order = np.array([4, 2, 0, 6, 1, 3, 5, 7])
    cut = np.array([True, False, False, False, True, False, False, False])
    sure = np.array([-1, 17, -1, 40, -1, -1, -1, -1])
    labelled = np.full((8, 2), -1)
    labelled[6, 0] = 33
    east, north = np.full(8, np.nan), np.full(8, np.nan)
    east[4], north[4] = 450.0, 450.0
    photos = SimpleNamespace(east_m=east, north_m=north)
    width = 9
    found = first_lists(site, photos, order, cut, Named(sure, labelled), width)
    assert found.shape == (8, width) and (found[:, -1] == -1).all()
    flat = np.column_stack([site.east_m, site.north_m])
    near = nearest(flat, np.array([450.0, 450.0]), 12)
    assert found[0, : width - 1].tolist() == list(dict.fromkeys([17, *near]))[: width - 1], "the next known one, then near ones"
    longer = first_lists(site, photos, order, cut, Named(sure, labelled), 14)
    assert longer[0, :13].tolist() == list(dict.fromkeys([17, *near[:10], 16, *near[10:]]))[:13], "and one listed before it"
    between = found[2].tolist()
    assert between[:2] == [17, 40], "the last and the next known camera come first"
    expected = []
    for i, (a, b) in enumerate(zip(
        nearest(site.walk_coordinates, site.walk_coordinates[17], 8),
        nearest(site.walk_coordinates, site.walk_coordinates[40], 8),
        strict=True,
    )):
        expected += [a, b, 18 + i, 39 - i]
    wanted = list(dict.fromkeys([17, 40, *expected]))[: width - 1]
    assert between[: width - 1] == wanted
    beside_itself = []
    for i, a in enumerate(nearest(site.walk_coordinates, site.walk_coordinates[40], 8)):
        beside_itself += [a, 41 + i, 39 - i]
    assert found[3, : width - 1].tolist() == list(dict.fromkeys(beside_itself))[: width - 1], "a known one is its own last and next"
    spread = np.linspace(0, 59, width - 1).astype(int).tolist()
    assert found[4, : width - 1].tolist() == spread, "nothing known in this stream: cameras from all over the site"
    assert 40 not in set(found[5].tolist()) - set(spread), "what another stream knows is no anchor"
    assert found[6, 0] == 33, "what a label names is always there"


def test_a_small_site_lists_every_camera_for_every_photo() -> None:
    small = SimpleNamespace(size=3)
    labelled = np.array([[2, -1], [-1, -1]])
    found = first_lists(small, SimpleNamespace(), np.arange(2), np.array([True, False]), Named(np.full(2, -1), labelled), 4)
    assert found.tolist() == [[2, 0, 1, -1], [0, 1, 2, -1]]


def test_pruned_lists_keep_the_best_and_the_neighbours_best() -> None:
    candidates = np.array([[10, 11, 12, 13, 14, 15, 16, -1], [20, 21, 22, 23, 24, 25, 26, -1], [30, 31, 32, 33, 34, 35, 36, -1]])
    score = np.array([[7, 6, 5, 4, 3, 2, 1, 0], [1, 2, 3, 4, 5, 6, 7, 0], [7, 6, 5, 4, 3, 2, 1, 0]], np.float32)
    always = np.array([[-1], [99], [-1]])
    cut = np.array([True, False, True])
    found = pruned_lists(candidates, score, cut, 8, always)
    assert found.shape == (3, 8) and (found[:, -1] == -1).all()
    assert found[0].tolist() == [10, 11, 12, 26, 25, 13, 14, -1]
    assert found[1].tolist() == [99, 26, 25, 24, 10, 11, 30, -1]
    assert found[2].tolist() == [30, 31, 32, 33, 34, 35, 36, -1], "a stream begins here: nothing from the step before"
