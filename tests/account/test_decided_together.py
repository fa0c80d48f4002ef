"""Findings that are alike, one word for them, the reasons that were given, and who took which photo."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from audit.account.alike import alike
from audit.account.reasons import reasons_given
from audit.account.selection import Selection, crew_devices, parts_of, selected
from audit.logbook import Logbook
from audit.match.placement import Placement
from audit.photos.photo import Metadata, Photo
from audit.visit.together import decide_together, take_back_together
from tests.bench.review_speed import asking_site
from tests.desk_samples import HEIGHT_PX, WIDTH_PX, photograph


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    return asking_site(tmp_path, cameras=6, of_two=1, of_one=3)


def test_alike_are_those_that_wait(book: Logbook) -> None:
    visit = book.visit()
    items = alike(book, visit, "cleanliness", "to check")
    assert [i.camera for i in items] == ["C-2", "C-3", "C-4"] and all(i.photo for i in items)
    book.decide(1, "C-3", "cleanliness", "confirm", "Ada Example", "")
    assert [i.camera for i in alike(book, visit, "cleanliness", "to check")] == ["C-2", "C-4"]
    assert alike(book, visit, "cleanliness", "defect") == ()


def test_somebody_who_was_faster_is_left_as_they_said(book: Logbook) -> None:
    visit = book.visit()
    items = alike(book, visit, "cleanliness", "to check")
    book.decide(1, "C-3", "cleanliness", "confirm", "Ben Other", "")
    entries, refused = decide_together(book, visit, items, "tolerate", "Ada Example", "thin film")
    assert [e.camera for e in entries] == ["C-2", "C-4"] and len(refused) == 1 and "Ben Other" in refused[0]
    assert {d.camera: (d.decision, d.by, d.why) for d in book.standing(visit)} == {
        "C-2": ("tolerate", "Ada Example", "thin film"), "C-3": ("confirm", "Ben Other", ""),
        "C-4": ("tolerate", "Ada Example", "thin film"),
    }  # fmt: skip
    book.decide(1, "C-4", "cleanliness", "confirm", "Ben Other", "")
    assert [e.camera for e in take_back_together(book, visit, entries, "Ada Example")] == ["C-2"]
    assert {d.camera: d.by for d in book.standing(visit)} == {"C-3": "Ben Other", "C-4": "Ben Other"}


def test_reasons_of_the_same_check_come_first_each_once(book: Logbook) -> None:
    visit = book.visit()
    book.decide(1, "C-2", "cleanliness", "dismiss", "Ada Example", "rain")
    book.decide(1, "C-3", "cleanliness", "dismiss", "Ada Example", "rain")
    book.decide(1, "C-1", "aim", "dismiss", "Ada Example", "slope")
    book.decide(1, "C-1", "sky", "tolerate", "Ada Example", "as agreed")
    assert reasons_given(book, visit, "cleanliness", "dismiss") == ("rain", "slope")
    assert reasons_given(book, visit, "aim", "dismiss") == ("slope", "rain")
    assert reasons_given(book, visit, "aim", "dismiss", most=1) == ("slope",)
    assert reasons_given(book, visit, "aim", "confirm") == ()


def test_chosen_by_check_part_words_and_device(book: Logbook) -> None:
    visit = book.visit()
    assert parts_of(book.site(visit)) == ("junction box", "mast", "pole adapter")

    def chosen(selection: Selection) -> list[str]:
        return sorted(selected(book, visit, selection))

    assert chosen(Selection(check="cleanliness")) == ["C-2", "C-3", "C-4"]
    assert chosen(Selection(check="cleanliness", states=("as planned",))) == ["C-1", "C-5", "C-6"]
    assert chosen(Selection(check="cleanliness", states=("to check",), text="C-4")) == ["C-4"]
    assert chosen(Selection(check="sky")) == ["C-1"]
    assert len(chosen(Selection(part="pole adapter"))) == 6 and chosen(Selection(part="tile bridge")) == []
    assert chosen(Selection(text="bullet place 2")) == ["C-2"], "every word, in whatever field"
    assert chosen(Selection(text="pole adapter sn0003")) == ["C-3"]
    assert crew_devices(book, visit) == {} and chosen(Selection(device="phone 7")) == []


def test_devices_are_those_of_the_crews_photos(book: Logbook) -> None:
    visit = book.visit()
    places = []
    for name, camera, role in (("a label.jpg", "C-2", "label"), ("a snapshot.jpg", "C-3", "snapshot")):
        data = photograph(60) + name.encode()
        about = Metadata(device="phone 7")
        photo = Photo(name, hashlib.sha256(data).hexdigest(), len(data), "JPEG", WIDTH_PX, HEIGHT_PX, about)
        book.add_photo(visit, photo, data)
        places.append(Placement(name, camera, 0.99, "placed", name, role=role))  # type: ignore[arg-type]
    book.put_placements(visit, places)
    assert crew_devices(book, visit) == {"phone 7": frozenset({"C-2"})}
    assert selected(book, visit, Selection(device="phone 7")) == ["C-2"]
