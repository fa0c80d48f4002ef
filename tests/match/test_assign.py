"""Matching as a whole on small visits made by hand, and on one simulated walk."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from audit.errors import AuditError
from audit.lens import Lens
from audit.match.assign import match_photos
from audit.match.roles import lacking_shots
from audit.photos.photo import Metadata, Photo
from audit.plan.model import Camera, Site
from audit.plan.places import from_local
from tests.bench.walks import make_walk

ORIGIN = (46.5, -18.0)
START = datetime(2026, 6, 16, 10, 0, tzinfo=UTC)
LENS = Lens(1920, 1080, 60.0)


def camera(name: str, east_m: float, north_m: float, bearing_deg: float = 0.0, serial: str = "") -> Camera:
    return Camera(name, east_m, north_m, 3.0, bearing_deg, -15.0, LENS, serial=serial)


def photo(name: str, seconds: float | None = None, place: tuple[float, float] | None = None,
          looked_deg: float | None = None, **more: object) -> Photo:
    latitude, longitude = from_local(*place, ORIGIN) if place else (None, None)
    codes = more.pop("codes", ())
    picture_hash = more.pop("picture_hash", None)
    meta = Metadata(taken_at=None if seconds is None else START + timedelta(seconds=seconds), latitude=latitude,
                    longitude=longitude, position_error_m=4.0 if place else None, bearing_deg=looked_deg,
                    bearing_reference=None if looked_deg is None else "T", device=str(more.pop("device", "phone")),
                    **more)  # type: ignore[arg-type]
    return Photo(name, "0" * 64, 1, "JPEG", 4000, 3000, meta, codes=codes,  # type: ignore[arg-type]
                 picture_hash=picture_hash)  # type: ignore[arg-type]


SITE = Site((camera("TH-1", 0, 0, 0.0, "TH0001"), camera("TH-10", 60, 0, 180.0, "TH0010"),
             camera("TH-11", 60, 0, 0.0, "TH0011"), camera("TH-2", 0, 80, 90.0, "TH0002")), "yard", *ORIGIN)


def test_a_code_settles_its_photo_and_those_taken_with_it() -> None:
    photos = [photo("a.jpg", 0, (60, 4), 182.0), photo("b.jpg", 12, (60, 4), 178.0, codes=("S/N TH0011",)),
              photo("c.jpg", 25, (61, 4), 180.0)]
    found = match_photos(SITE, photos)
    assert [p.camera for p in found] == ["TH-11"] * 3
    assert found[1].role == "label"
    assert any("serial TH0011 read in the label" in sentence for sentence in found[1].evidence)
    assert any(sentence.startswith("4.") and "phone accuracy ±4 m" in sentence for sentence in found[0].evidence)


def test_two_cameras_on_one_mast_are_left_to_a_person_where_nothing_tells_them_apart() -> None:
    photos = [photo("a.jpg", 0, (60, 1)), photo("b.jpg", 10, (60, 1))]
    found = match_photos(SITE, photos)
    assert all(p.decision == "uncertain" and p.camera is None for p in found)
    assert {a.camera for a in found[0].alternatives} >= {"TH-10", "TH-11"}
    assert found[0].group == found[1].group
    assert any("TH-10 and TH-11 are mounted within 3 m" in s or "TH-11 and TH-10 are mounted within 3 m" in s
               for s in found[0].evidence)


def test_one_answer_settles_its_group_and_is_a_hard_fact() -> None:
    photos = [photo("a.jpg", 0, (60, 1)), photo("b.jpg", 10, (60, 1)), photo("lunch.jpg", 4000, (60, 1))]
    found = match_photos(SITE, photos, {"a.jpg": "TH-10", "lunch.jpg": None})
    assert [p.camera for p in found[:2]] == ["TH-10", "TH-10"]
    assert found[0].probability == 1.0 and "set by hand" in found[0].evidence[0]
    assert found[2].decision == "unmatched" and found[2].camera is None


@pytest.mark.parametrize("named", ["TH-1", "TH-10", "TH-2"])
def test_an_answer_outweighs_a_fix_that_lies_elsewhere_for_its_neighbour_too(named: str) -> None:
    """Of whichever camera of the plan, the first too: the phone's fix is 200 m off, and the next photo has none."""
    off = SITE.camera(named)
    photos = [photo("a.jpg", 0, (off.east_m + 200, off.north_m)), photo("b.jpg", 8)]
    found = match_photos(SITE, photos, {"a.jpg": named})
    assert found[1].camera == named and found[1].probability > 0.8


def test_a_lone_photo_that_nothing_names_is_never_the_only_evidence_of_a_camera() -> None:
    found = match_photos(SITE, [photo("a.jpg", 0, (0, 84), 270.0)])
    assert found[0].decision != "placed"


def test_a_snapshot_is_placed_by_the_serial_in_its_file_and_a_copy_with_its_original() -> None:
    snapshot = photo("snap.png", device="cam", serial="TH0002")
    original = photo("a.jpg", 0, (0, 84), 270.0, codes=("TH0002",), picture_hash="f0f0a1b2c3d4e5f6")
    copy = photo("chat.jpg", device="", picture_hash="f0f0a1b2c3d4e5f7")
    found = match_photos(SITE, [snapshot, original, copy])
    assert [p.camera for p in found] == ["TH-2"] * 3
    assert found[0].role == "snapshot"
    assert any("the same picture as a.jpg" in s for s in found[2].evidence)
    missing, by_look = lacking_shots(p.role for p in found)
    assert {*missing, *by_look} == {"wide view", "bracket"}


def test_photos_that_each_bear_their_own_id_need_no_walk(monkeypatch: pytest.MonkeyPatch) -> None:
    def no_walk(*_: object) -> None:
        raise AssertionError("no walk is drawn for photos that all bear an id")

    monkeypatch.setattr("audit.match.assign.solve_walks", no_walk)
    ids = ["TH-2", "TH-10", "TH-2", "TH-1", "TH-11", "TH-1"]
    photos = [photo(f"{name}_{i}.jpg", 5.0 * i) for i, name in enumerate(ids)]
    assert [(p.camera, p.decision) for p in match_photos(SITE, photos)] == [(name, "placed") for name in ids]


def test_a_label_that_names_two_cameras_decides_nothing_by_itself() -> None:
    found = match_photos(SITE, [photo("TH-1/x.jpg", device="a", text="TH0010 TH0011")])
    assert found[0].decision == "uncertain"


@pytest.mark.parametrize(("answers", "at_least", "word"), [({"a.jpg": "TH-99"}, 0.97, "TH-99"), ({}, 1.5, "1.5")])
def test_wrong_answers_and_thresholds_are_named(answers: dict[str, str | None], at_least: float, word: str) -> None:
    with pytest.raises(AuditError, match=word):
        match_photos(SITE, [photo("a.jpg", 0)], answers, at_least)


def test_photos_without_any_metadata_are_asked_about_and_order_of_input_is_kept() -> None:
    found = match_photos(SITE, [photo("b.jpg", device=""), photo("a.jpg", device="")])
    assert [p.photo for p in found] == ["b.jpg", "a.jpg"]
    assert all(p.decision == "uncertain" for p in found)
    assert match_photos(SITE, []) == ()


def test_a_simulated_campus_is_mostly_decided_and_hardly_ever_wrong() -> None:
    walk = make_walk("campus", 60, 901, codes="all")
    found = match_photos(walk.site, walk.photos)
    placed = [p for p in found if p.decision == "placed"]
    wrong = [p for p in placed if walk.truth[p.photo] not in (p.camera, None)]
    assert len(placed) > 0.6 * len(found)
    assert len(wrong) <= 0.01 * len(placed) + 1
    covered = {p.camera for p in placed}
    assert not covered & (set(c.camera for c in walk.site.cameras) - set(walk.truth.values()))


def test_two_crews_in_one_stream_that_nothing_tells_apart_are_said_so_and_their_order_is_not_used() -> None:
    walk = make_walk("building", 60, 903, crews=2, one_stream=True)
    found = match_photos(walk.site, walk.photos)
    assert any("two crews" in s or "faster than one crew" in s for s in found[0].evidence)
    placed = [p for p in found if p.decision == "placed"]
    wrong = [p for p in placed if walk.truth[p.photo] != p.camera]
    assert len(wrong) <= 0.02 * len(placed) + 1


def test_a_snapshot_s_name_tells_its_light_and_a_crew_s_photo_has_none() -> None:
    names = ("TH-2_snapshot_20260302-100000_day.jpg", "TH-2_snapshot_20260302-210000_night.jpg", "TH-2_snapshot.jpg", "TH-2_label_day.jpg")
    found = {p.photo: p for p in match_photos(SITE, [photo(name, 60.0 * i) for i, name in enumerate(names)])}
    assert [found[name].light for name in names] == ["day", "night", None, None]
    assert [found[name].role for name in names] == ["snapshot", "snapshot", "snapshot", "label"]
