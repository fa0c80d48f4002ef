"""Two crews in one stream: sums against every way to share few photos out, and worked cases of who follows whom."""

from __future__ import annotations

import math
from itertools import product

import numpy as np
import pytest

import audit.match.tangled as tangled
from audit.match.assign import match_photos
from audit.match.evidence import PhotoArrays, SiteArrays
from audit.match.streams import Stream
from audit.match.tangled import untangled
from tests.bench.walks import make_walk

WHY = "positions jump"
SITE = SiteArrays(np.arange(40) * 10.0, np.zeros(40), np.zeros(40), np.zeros(40), 4e4, 10.0)
NAN = np.nan


def arrays(east_m: np.ndarray, gap_s: float = 20.0) -> PhotoArrays:
    blank = np.full(east_m.size, NAN)
    return PhotoArrays(gap_s * np.arange(east_m.size), east_m, np.where(np.isnan(east_m), NAN, 0.0), np.full(east_m.size, 4.0), blank)


def parts(east_m: np.ndarray, sure: np.ndarray | None = None) -> list[tuple[list[int], bool]]:
    found = untangled(SITE, arrays(east_m), Stream("phone", np.arange(east_m.size)), np.full(east_m.size, -1) if sure is None else sure, WHY)
    return [(part.photos.tolist(), part.ordered) for part in found]


def two_crews(steps: int = 40) -> np.ndarray:
    """One from the west, one from the east, photo about photo, until they are 80 m apart."""
    walk = np.arange(steps) // 2 * 8.0
    return np.where(np.arange(steps) % 2 == 0, walk, 390.0 - walk)


def test_the_sum_over_pairs_of_walks_is_that_over_every_way_to_share_photos_out() -> None:
    rng = np.random.default_rng(3)
    east = rng.uniform(0, 400, 7)
    data = arrays(east)
    places = tangled._places(SITE, data, np.arange(7), np.full(7, -1))
    pairs = tangled._pairs(SITE, places)
    one, several = 0.0, []
    for rest in product((False, True), repeat=6):
        side = (False, *rest)
        last, total = {False: 0}, 0.0
        for now in range(1, 7):
            if side[now] == side[now - 1]:
                total += math.log(1 - tangled._TURNS) * (len(last) == 2) + pairs.follows[now, now - 1]
            elif side[now] in last:
                total += math.log(tangled._TURNS) + pairs.follows[now, last[side[now]]]
            else:
                total += math.log(tangled._SECOND)
            last[side[now]] = now
        several.append(total)
        one = total if not any(side) else one
    assert pairs.likelier == pytest.approx(np.logaddexp.reduce(several) - one)
    drawn = np.array([tangled._drawn(pairs, rng) for _ in range(4000)])
    chance = np.exp(np.array(several) - np.logaddexp.reduce(several))
    apart = [side for side in product((False, True), repeat=6)]
    second = sum(c for c, side in zip(chance, apart, strict=True) if side[3] != side[4])
    assert (drawn[:, 4] != drawn[:, 5]).mean() == pytest.approx(second, abs=0.03)


def test_a_photo_follows_another_as_far_as_one_walks_in_the_time_between_them() -> None:
    """300 m at 1.3 m/s take 231 s. By formula 1, for a stay in a wide site: e^1.02 in five minutes, e^-3.7 in twenty seconds."""
    wide = SiteArrays(SITE.east_m, SITE.north_m, SITE.up_m, SITE.bearing, 4e6, 10.0)

    def follows(gap_s: float) -> float:
        blank = np.full(2, NAN)
        data = PhotoArrays(np.array([5e5, 5e5 + gap_s]), np.array([0.0, 300.0]), np.zeros(2), np.full(2, 4.0), blank)
        return float(tangled._pairs(wide, tangled._places(wide, data, np.arange(2), np.full(2, -1))).follows[1, 0])

    assert math.exp(follows(300.0)) == pytest.approx(0.1 * math.exp(1.02) + 0.03, abs=0.01)
    assert math.exp(follows(20.0)) == pytest.approx(0.1 * math.exp(-3.7) + 0.03, abs=0.002)
    assert follows(NAN) == follows(900.0), "without a time it may have been long"


def test_two_crews_that_walk_apart_are_two_walks() -> None:
    assert parts(two_crews()) == [(list(range(0, 40, 2)), True), (list(range(1, 40, 2)), True)]


def test_one_crew_is_one_walk_whatever_made_it_doubtful() -> None:
    east = np.arange(40) * 5.0
    assert parts(east) == [(list(range(40)), True)]
    east[[7, 31]] += 150.0, -150.0
    assert parts(east) == [(list(range(40)), True)], "two positions are off, and nobody walks there"


@pytest.mark.parametrize(("crossed", "walks"), [(2, 1), (3, 2)])
def test_photos_that_19_of_20_draws_put_beside_their_neighbour_are_one_walk_however_far_it_goes(
    crossed: int, walks: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Twelve photos; each step changes the walk in 2 of 40 draws, the one in the middle in ``crossed`` of them, each in other draws."""
    changes = np.zeros((40, 12), dtype=int)
    free = iter(range(40))
    for step in range(1, 12):
        for _ in range(crossed if step == 6 else 2):
            changes[next(free), step] = 1
    sides = iter(changes.cumsum(axis=1) % 2 == 1)
    monkeypatch.setattr(tangled, "_drawn", lambda pairs, rng: next(sides))
    found = tangled._parts(None)  # type: ignore[arg-type]
    assert len(set(found.tolist())) == walks and (found >= 0).all() and len(set(found[:6].tolist())) == 1


def test_too_few_photos_with_a_place_tell_nothing_and_the_reason_stands() -> None:
    east = np.full(40, NAN)
    east[:11] = two_crews()[:11]
    found = untangled(SITE, arrays(east), Stream("phone", np.arange(40)), np.full(40, -1), WHY)
    assert [(part.photos.size, part.ordered, part.note) for part in found] == [(40, False, WHY)]
    found = untangled(SITE, arrays(np.where(np.arange(100) % 4 == 0, np.arange(100) * 2.0, NAN)), Stream("phone", np.arange(100)), np.full(100, -1), WHY)
    assert [part.ordered for part in found] == [False], "a quarter of the photos do not show that it was one crew"


def test_a_photo_without_a_place_is_of_a_walk_that_goes_on_alone_and_of_neither_where_two_mix() -> None:
    east = np.concatenate([np.arange(20) * 2.0, two_crews()])
    east[[10, 41]] = NAN
    found = parts(east)
    assert [ordered for _, ordered in found] == [True, True, False]
    assert 10 in found[0][0] and found[2][0] == [41]


def test_labels_are_places_and_one_that_its_own_position_belies_is_not_believed() -> None:
    cameras = (two_crews() / 10.0).round().astype(int)
    assert [len(photos) for photos, _ in parts(np.full(40, NAN), cameras)] == [20, 20]
    sure = np.full(40, -1)
    sure[5] = 35
    places = tangled._places(SITE, arrays(np.arange(40) * 5.0), np.arange(40), sure)
    assert places.where[5, 0] == 25.0
    sure[5] = 3
    assert tangled._places(SITE, arrays(np.arange(40) * 5.0), np.arange(40), sure).where[5, 0] == 30.0


def test_two_crews_in_one_stream_with_a_label_of_each_camera_are_decided_as_two_walks_are() -> None:
    walk = make_walk("street", 60, 903, "all", crews=2, one_stream=True)
    placed = [p for p in match_photos(walk.site, walk.photos) if p.decision == "placed"]
    assert len(placed) > 0.8 * len(walk.photos)
    assert sum(walk.truth[p.photo] not in (p.camera, None) for p in placed) <= 0.01 * len(placed)
