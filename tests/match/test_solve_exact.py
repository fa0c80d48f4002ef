"""What labels and answers say, what lone photos are put to, and what is counted from drawn walks: worked cases."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy import stats

from audit.lens import Lens
from audit.match import solve
from audit.match.candidates import first_lists
from audit.match.evidence import PhotoArrays, Settings, photo_arrays, site_arrays
from audit.match.sampling import Draws
from audit.match.solve import Known, Result, gather, solve_alone, solve_walks, sure_cameras
from audit.match.streams import Stream
from audit.match.walk import Chain
from audit.photos.photo import Metadata, Photo
from audit.plan.model import Camera, Site
from audit.plan.places import from_local
from tests.bench.walks import make_walk

ORIGIN = (46.5, -18.0)
START = datetime(2026, 6, 16, 10, 0, tzinfo=UTC)
LENS = Lens(1920, 1080, 60.0)
SITE = Site(tuple(Camera(f"TH-{i}", 40.0 * i, 0.0, 3.0, 90.0 * i, -15.0, LENS, serial=serial)
                  for i, serial in enumerate(("AA0001", "AA0002", "TWIN77", "TWIN77"))), "yard", *ORIGIN)


def photo(name: str, seconds: float | None = None, place: tuple[float, float] | None = None, **more: object) -> Photo:
    latitude, longitude = from_local(*place, ORIGIN) if place else (None, None)
    codes = more.pop("codes", ())
    meta = Metadata(taken_at=None if seconds is None else START + timedelta(seconds=seconds), latitude=latitude,
                    longitude=longitude, device="phone", **more)  # type: ignore[arg-type]
    return Photo(name, "0" * 64, 1, "JPEG", 4000, 3000, meta, codes=codes)  # type: ignore[arg-type]


def test_labels_make_all_other_cameras_unlikely_and_join() -> None:
    """A wrong reading of a code or text: 1 in 10,000; a photo in a wrong folder: 1 in 50."""
    known = gather(SITE, [photo("plain.jpg"), photo("a.jpg", codes=("AA0001",)), photo("b.jpg", codes=("TWIN77",)),
                          photo("TH-1/c.jpg"), photo("TH-1/d.jpg", codes=("AA0002",)),
                          photo("TH-0/e.jpg", codes=("AA0002",))], {})
    wrong, folder = math.log(5e-4), math.log(0.02)
    assert known.factors[0] is None and known.otherwise[0] == 0.0 and known.hits[0] == ()
    assert known.factors[1] == {0: pytest.approx(0.0)} and known.otherwise[1] == pytest.approx(wrong)
    assert known.factors[2] == {2: pytest.approx(-math.log(2)), 3: pytest.approx(-math.log(2))}
    assert known.otherwise[2] == pytest.approx(wrong)
    assert known.factors[3] == {1: pytest.approx(0.0)} and known.otherwise[3] == pytest.approx(folder)
    assert known.factors[4] == {1: pytest.approx(0.0)} and known.otherwise[4] == pytest.approx(wrong + folder)
    assert known.factors[5] == {0: pytest.approx(wrong), 1: pytest.approx(folder)}
    assert known.otherwise[5] == pytest.approx(wrong + folder)
    assert not known.answered.any() and (known.answer == -1).all()
    assert sure_cameras(known).tolist() == [-1, 0, -1, 1, 1, -1]


def test_an_answer_stands_above_every_label() -> None:
    photos = [photo("a.jpg", codes=("AA0001",)), photo("b.jpg", codes=("AA0001",)), photo("c.jpg")]
    known = gather(SITE, photos, {"a.jpg": "TH-2", "b.jpg": None, "z.jpg": "TH-1"})
    assert known.answered.tolist() == [True, True, False] and known.answer.tolist() == [2, -1, -1]
    assert known.factors == ({2: 0.0}, None, None)
    assert known.otherwise.tolist() == [-60.0, 0.0, 0.0]
    assert sure_cameras(known).tolist() == [2, -1, -1]
    assert known.hits[0][0].cameras == (0,), "what was read is still shown"


def nothing_known(count: int) -> Known:
    return Known(((),) * count, (None,) * count, np.zeros(count), np.full(count, -1), np.zeros(count, dtype=bool), np.zeros(count))


def test_a_lone_photo_is_put_by_bayes_rule_over_all_cameras_and_none() -> None:
    s = Settings()
    photos = [photo("a.jpg", 0.0, (41.0, 3.0), position_error_m=5.0), photo("b.jpg", codes=("AA0001",)), photo("c.jpg")]
    plan, arrays = site_arrays(SITE), photo_arrays(SITE, photos)
    known = gather(SITE, photos, {})
    lists, probability = solve_alone(plan, arrays, np.arange(3), known)
    assert lists.shape == probability.shape and (lists[:, -1] == -1).all()
    by_camera = [{int(c): float(p) for c, p in zip(*row, strict=True) if c >= 0} for row in
                 zip(lists, probability, strict=True)]
    v = 25.0 * (1 + s.repeat_share**2) + s.repeat_m**2 + s.standoff_sd_m**2
    reach = 0.8 * s.front_share * s.standoff_m
    real, beside = [], []
    for camera in SITE.cameras:
        turn = math.radians(camera.bearing_deg)
        at = np.array([41.0 - camera.east_m - reach * math.sin(turn), 3.0 - camera.north_m - reach * math.cos(turn)])
        real.append(stats.multivariate_t(np.zeros(2), v * np.eye(2), df=4).pdf(at) * (1 - s.stray_share))
        beside.append(stats.multivariate_t(np.zeros(2), (v + 64) * np.eye(2), df=4).pdf(at))
    elsewhere = 1 / plan.area_m2
    lost = (1 - s.beside_share) * elsewhere
    stray = s.stray_share * (lost + sum(s.beside_share * b + lost for b in beside) / 4)
    whole = sum(real) / 4 + stray
    for i in range(4):
        assert by_camera[0][i] == pytest.approx(real[i] / 4 / whole, rel=1e-3)
    named = 0.9 / (0.9 + 3 * 0.9 * 5e-4 + 4 * 0.025 * 5e-4 + 4 * 0.1 * 5e-4)
    assert by_camera[1][0] == pytest.approx(named, rel=1e-6)
    assert list(by_camera[2].values()) == pytest.approx([0.225 / (0.9 + 0.025 + 0.1)] * 4), "nothing known: all alike"
    assert (probability[:, -1] == 0).all()


def test_a_label_kept_in_the_list_however_far_the_photo_lies() -> None:
    count = 120
    site = Site(tuple(Camera(f"N-{i:03d}", 10.0 * i, 0.0, 3.0, 0.0, -15.0, LENS) for i in range(count)), "row", *ORIGIN)
    photos = [photo("N-110_x.jpg", 0.0, (5.0, 0.0)), photo("y.jpg", 9.0, (5.0, 0.0))]
    plan, arrays = site_arrays(site), photo_arrays(site, photos)
    known = gather(site, photos, {})
    lists = first_lists(plan, arrays, np.arange(2), np.ones(2, dtype=bool), solve._named(known, np.arange(2)), 24)
    assert 110 in lists[0] and 110 not in lists[1]
    assert set(range(20)) <= set(lists[1].tolist())
    found, probability = solve_alone(plan, arrays, np.arange(2), known)
    assert found[0, int(np.argmax(probability[0]))] in (110, 0, 1)
    assert found[1, int(np.argmax(probability[1]))] in (0, 1)


def test_labels_are_listed_best_first_and_at_most_four() -> None:
    factors = ({5: -3.0, 2: 0.0, 9: -1.0}, None, {i: -float(i) for i in range(6)})
    known = replace(nothing_known(3), factors=factors)
    assert solve._labelled(known, np.array([2, 0, 1])).tolist() == [[0, 1, 2, 3], [2, 9, 5, -1], [-1] * 4]


def test_labels_of_a_chain_weigh_their_cameras_and_answers_none_weighs_nothing() -> None:
    known = Known(((),) * 3, (None, {7: -0.5}, None), np.array([0.0, -9.0, 0.0]), np.array([-1, -1, -1]),
                  np.array([False, False, True]), np.zeros(3))
    chain = Chain(np.array([1, 0, 2]), np.array([True, False, False]), np.array([[3, 7, -1]] * 3))
    assert solve._labels_of(known, chain).tolist() == [[-9.0, -0.5, -9.0], [0.0, 0.0, 0.0], [0.0, 0.0, 0.0]]


def test_jumping_figures_of_error_are_drawn_to_their_neighbours_geometric_mean() -> None:
    """Nine photos with stated errors of 4 m and one that says 100 m: the middle one counts half, as a power."""
    stated = np.full(9, 4.0)
    stated[4] = 100.0
    photos = PhotoArrays(np.arange(9.0), np.zeros(9), np.zeros(9), stated, np.full(9, np.nan))
    order = np.arange(9)[::-1].copy()
    steady = solve._steady(photos, order).position_m
    middle = math.exp((8 * math.log(4) + math.log(100)) / 9)
    assert steady[4] == pytest.approx(math.sqrt(100 * middle))
    assert photos.position_m[4] == 100.0, "the photos given stay as they are"
    lacking = replace(photos, position_m=np.where(np.arange(9) == 2, np.nan, stated),
                      east_m=np.where(np.arange(9) == 6, np.nan, 0.0))
    found = solve._steady(lacking, order).position_m
    assert np.isnan(found[2]) and found[6] == 4.0, "no figure, or no position: left as it is"
    assert found[4] == pytest.approx(math.sqrt(100 * math.exp((6 * math.log(4) + math.log(100)) / 7)))
    tiny = solve._steady(replace(photos, position_m=np.full(9, 0.01)), order).position_m
    assert tiny == pytest.approx(np.full(9, 0.5)), "no phone is that good"


CHAIN = Chain(np.arange(3), np.array([True, False, False]), np.array([[0, 1, -1], [1, 0, -1], [0, 2, -1]]))


def test_expected_stays_add_up_over_the_places_of_a_camera() -> None:
    new_stay = np.array([[0.9, 0.1, 0.0], [0.2, 0.3, 0.4], [0.05, 0.6, 0.5]], dtype=np.float32)
    assert solve._camera_starts(CHAIN, new_stay, 4) == pytest.approx([0.9 + 0.3 + 0.05, 0.1 + 0.2, 0.6, 0.0])


def test_a_camera_that_others_visit_wants_no_new_stay() -> None:
    """The chance that no other stay has taken the camera, never below that of coming again."""
    new_stay = np.array([[0.9, 0.1, 0.0], [0.2, 0.3, 0.0], [0.05, 1.0, 0.0]], dtype=np.float32)
    found = solve._exclusion(CHAIN, new_stay, 3, Settings(again_share=0.08))
    assert found[0] == pytest.approx([0.7 * 0.95, 0.8, 1.0], rel=1e-5)
    assert found[1] == pytest.approx([0.9, 0.1 * 0.95, 1.0], rel=1e-5)
    assert found[2] == pytest.approx([0.08, 1.0, 1.0], rel=1e-5)


def drawn() -> Draws:
    """Four walks over the chain: places, whether away, whether a stay begins."""
    place = np.array([[0, 1, 0], [0, 0, 1], [1, 0, 2], [0, 1, 1]], dtype=np.int16)
    away = np.array([[0, 0, 1], [0, 0, 0], [0, 1, 1], [0, 0, 0]], dtype=bool)
    begins = np.array([[1, 0, 0], [1, 1, 1], [1, 0, 0], [1, 0, 1]], dtype=bool)
    return Draws(place, away, begins)


def test_probabilities_are_shares_of_the_walks_drawn() -> None:
    result = solve._summary(CHAIN, drawn(), Settings())
    assert result.real.tolist() == [[0.75, 0.25, 0.0], [0.25, 0.5, 0.0], [0.0, 0.5, 0.0]]
    assert result.surplus.tolist() == [[0.0, 0.0, 0.0], [0.25, 0.0, 0.0], [0.25, 0.0, 0.0]]
    assert result.together.tolist() == [0.0, 0.75, 0.25]
    cut = replace(CHAIN, cut=np.array([True, True, False]))
    assert solve._summary(cut, drawn(), Settings()).together.tolist() == [0.0, 0.0, 0.25]


def test_a_camera_is_seen_where_any_of_its_photos_is_its_own() -> None:
    result = Result(CHAIN, np.zeros((3, 3)), np.zeros((3, 3)), np.zeros(3), drawn(), Settings())
    assert result.seen(np.array([0]), 0) == 0.75
    assert result.seen(np.array([1, 2]), 0) == 0.5
    assert result.seen(np.array([0, 1]), 1) == 0.5
    assert result.seen(np.array([2]), 2) == 0.5
    assert result.seen(np.array([2]), 1) == 0.0


def test_a_camera_is_unvisited_until_its_first_stay() -> None:
    found = solve._unvisited(CHAIN, solve._first_visits(CHAIN, drawn(), 3))
    assert found[0] == pytest.approx([1.0, 1.0, 0.0])
    assert found[1] == pytest.approx([0.75, 0.25, 0.0]), "first visits at the step itself still count as unvisited"
    assert found[2] == pytest.approx([0.25, 1.0, 0.0])


def test_pieces_of_a_chain_cover_it_once_and_hold_the_same_tables(monkeypatch: pytest.MonkeyPatch) -> None:
    spans = solve._spans(1000, 100)
    assert spans[0].start == 0 and spans[-1].stop == 1000
    assert all(a.stop == b.start for a, b in zip(spans, spans[1:], strict=False))
    assert [s.stop - s.start for s in spans] == [400, 400, 200]
    assert [s.stop - s.start for s in solve._spans(600, 1000)] == [256, 256, 88], "never shorter than 256 steps"
    walk = make_walk("campus", 12, 5)
    plan, arrays = site_arrays(walk.site), photo_arrays(walk.site, walk.photos)
    known = gather(walk.site, walk.photos, {})
    order = np.argsort(arrays.time_s)
    cut = np.zeros(order.size, dtype=bool)
    cut[0] = True
    chain = Chain(order, cut, np.tile(np.append(np.arange(12), -1), (order.size, 1)))
    left = np.full(chain.candidates.shape, 0.5)
    whole = solve._whole_tables(plan, arrays, chain, Settings(), known, left)
    look = solve._first_look(plan, arrays, chain, Settings(), known)
    assert look.sum(axis=1) == pytest.approx(np.ones(order.size), abs=1e-4)
    monkeypatch.setattr(solve, "_spans", lambda steps, _: [slice(a, min(a + 11, steps)) for a in range(0, steps, 11)])
    pieces = solve._whole_tables(plan, arrays, chain, Settings(), known, left)
    for name in ("move", "move_away", "stay", "stay_away", "drift", "previous", "following", "real", "away", "cut"):
        np.testing.assert_allclose(getattr(pieces, name), getattr(whole, name), rtol=1e-5, err_msg=name)
    assert pieces.restart == whole.restart
    np.testing.assert_allclose(solve._first_look(plan, arrays, chain, Settings(), known), look, atol=5e-4)


def test_a_walk_past_named_cameras_is_solved_rightly_and_its_streams_are_cut_apart() -> None:
    walk = make_walk("street", 16, 8, crews=2, codes="all")
    plan, arrays = site_arrays(walk.site), photo_arrays(walk.site, walk.photos)
    known = gather(walk.site, walk.photos, {})
    devices = sorted({str(p.metadata.device) for p in walk.photos})
    streams = []
    for device in devices:
        members = np.array([i for i, p in enumerate(walk.photos) if p.metadata.device == device])
        streams.append(Stream(device, members[np.argsort(arrays.time_s[members], kind="stable")]))
    result = solve_walks(plan, arrays, streams, known)
    first = np.cumsum([0, *(s.photos.size for s in streams[:-1])])
    assert np.flatnonzero(result.chain.cut).tolist() == first.tolist()
    assert result.chain.photo.tolist() == [i for s in streams for i in s.photos.tolist()]
    total = result.real.sum(axis=1) + result.surplus.sum(axis=1)
    assert (total <= 1 + 1e-9).all() and (result.together[result.chain.cut] == 0).all()
    index = {c.camera: i for i, c in enumerate(walk.site.cameras)}
    right = sure = 0
    for step, i in enumerate(result.chain.photo):
        best = int(np.argmax(result.real[step]))
        if result.real[step, best] > 0.9:
            sure += 1
            truth = walk.truth[walk.photos[i].name]
            right += truth is None or index[truth] == result.chain.candidates[step, best]
    assert sure > 0.5 * len(walk.photos) and right >= 0.97 * sure
    again = solve_walks(plan, arrays, streams, known)
    assert np.array_equal(again.real, result.real), "the same photos get the same answers"


def test_labels_photographed_camera_after_camera_are_known_from_labels_among_other_photos() -> None:
    none, walk = -1, np.zeros(12, dtype=bool)
    in_one_go = np.array([0, 1, 2, none, 3, 4, none, none, none, none, none, none])
    by_camera = np.array([0, none, none, 1, none, none, 2, none, none, 3, none, none])
    twice_each = np.array([0, 0, none, 1, 1, none, 2, 2, none, 3, 3, none])
    assert solve.labels_in_one_go(in_one_go, walk)
    assert not solve.labels_in_one_go(by_camera, walk) and not solve.labels_in_one_go(twice_each, walk)
    assert not solve.labels_in_one_go(in_one_go, np.ones(12, dtype=bool)), "each the only one of its walk"
    assert not solve.labels_in_one_go(np.full(12, none), walk)
