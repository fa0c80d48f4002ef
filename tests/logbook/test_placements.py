"""What people say of photos: laid over where the program puts them, kept through a new matching, taken back one by one."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
import sqlalchemy as sa

from audit.errors import LogbookError
from audit.logbook import Logbook, tables
from audit.match.placement import Alternative, Placement
from tests.logbook_samples import fill, make_photo, make_placement, start

LABEL, LATER = "label.jpg", date(2026, 12, 16)


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    """One visit of two cameras; a label lies at C-1, and one photo waits for a person."""
    book = start(str(tmp_path / "logbook"))
    visit = fill(book, cameras=2)
    for name in (LABEL, "open.jpg"):
        data = name.encode()
        book.add_photo(visit, make_photo(name, data), data)
    book.put_placements(visit, matched())
    return book


def matched() -> list[Placement]:
    """What matching gives that knows of the answer of the sample, and of no other."""
    guesses = (Alternative("C-2", 0.6), Alternative(None, 0.4))
    others = (f"C-{n}/{light}.jpg" for n in (1, 2) for light in ("day", "night") if (n, light) != (1, "day"))
    return [
        Placement("C-1/day.jpg", "C-1", 1.0, "placed", "g", role="snapshot", evidence=("set by hand",)),
        *(make_placement(name, name[:3]) for name in others),
        make_placement(LABEL, "C-1", "unknown"),
        Placement("open.jpg", None, 0.6, "uncertain", "g00001", guesses, evidence=("near it",)),
    ]


def placed(book: Logbook, photo: str) -> Placement:
    found = book.placement(1, photo)
    assert found is not None
    return found


def test_a_word_places_the_photo_at_once_and_is_taken_back_step_by_step(book: Logbook) -> None:
    first = placed(book, LABEL)
    book.answer(1, LABEL, "C-1", "Ada Example", role="label")
    book.answer(1, LABEL, "C-2", "Ben Example")
    now = placed(book, LABEL)
    assert (now.camera, now.role, now.decision, now.own, now.ahead) == ("C-2", "label", "placed", first, True)
    assert book.placed_roles(1)["C-2"].count("label") == 1
    book.undo_answer(1, LABEL, "Ben Example")
    assert (placed(book, LABEL).camera, placed(book, LABEL).role) == ("C-1", "label")
    book.undo_answer(1, LABEL, "Ada Example")
    back = placed(book, LABEL)
    assert (back.camera, back.role, back.evidence) == (first.camera, first.role, first.evidence)
    with pytest.raises(LogbookError, match="nothing is said of photo"):
        book.undo_answer(1, LABEL, "Ada Example")
    assert [a.in_force for a in book.answer_history(1, [LABEL])] == [False, False, False, False]


def test_a_word_outlives_a_new_matching_that_did_not_know_it(book: Logbook) -> None:
    """The visit was matching while somebody spoke."""
    book.answer(1, "open.jpg", "C-1", "Ada Example", role="night snapshot")
    assert book.photos_ahead(1) == 1
    book.put_placements(1, matched())
    now = placed(book, "open.jpg")
    assert (now.camera, now.role, now.light, now.ahead) == ("C-1", "snapshot", "night", True)
    knowing = [p if p.photo != "open.jpg" else Placement("open.jpg", "C-1", 1.0, "placed", "g00001", evidence=("set by hand",))
               for p in matched()]  # fmt: skip
    book.put_placements(1, knowing)
    assert book.photos_ahead(1) == 0 and placed(book, "open.jpg").role == "snapshot"
    book.undo_answer(1, "open.jpg", "Ada Example")
    assert [p.photo for p in book.uncertain_placements(1)] == ["open.jpg"] and book.photos_ahead(1) == 1


def test_what_was_said_before_any_matching_is_open_again_when_it_is_taken_back(book: Logbook) -> None:
    data = b"collected"
    book.add_photo(1, make_photo("collected.jpg", data), data)
    book.answer(1, "collected.jpg", "C-1", "collect")
    told = Placement("collected.jpg", "C-1", 1.0, "placed", "g00009", role="snapshot", evidence=("set by hand",))
    book.put_placements(1, [*matched(), told])
    book.answer(1, "collected.jpg", "C-2", "Ada Example", role="label")
    book.undo_answer(1, "collected.jpg", "Ada Example")
    assert (placed(book, "collected.jpg").camera, placed(book, "collected.jpg").role) == ("C-1", "snapshot")
    book.undo_answer(1, "collected.jpg", "Ada Example")
    assert (placed(book, "collected.jpg").decision, placed(book, "collected.jpg").role) == ("uncertain", "snapshot")


def test_whoever_did_not_see_the_last_word_is_told_who_spoke(book: Logbook) -> None:
    book.answer(1, LABEL, "C-2", "Ada Example", latest_seen=0)
    with pytest.raises(LogbookError, match="Ada Example put it to C-2 at"):
        book.answer(1, LABEL, "C-1", "Ben Example", latest_seen=0)
    latest = book.answer_history(1, [LABEL])[-1].id
    book.undo_answer(1, LABEL, "Ben Example", latest_seen=latest)
    with pytest.raises(LogbookError, match="Ben Example took back"):
        book.answer(1, LABEL, "C-1", "Ada Example", latest_seen=latest)


def test_nobody_and_nonsense_are_refused(book: Logbook) -> None:
    with pytest.raises(LogbookError, match="say who"):
        book.answer(1, LABEL, "C-1", " ")
    with pytest.raises(LogbookError, match="is nothing that a photo can be"):
        book.answer(1, LABEL, "C-1", "Ada Example", role="selfie")  # type: ignore[arg-type]


def test_one_answer_for_thousands_of_photos_is_one_transaction(book: Logbook) -> None:
    names = [f"no/{n}.jpg" for n in range(1200)]
    book.answer(1, names, None, "Ada Example")
    assert len(book.answers(1)) == 1201
    book.put_placements(1, matched())


def test_turned_said_when_it_meant_the_wrong_way_up_still_means_that(book: Logbook) -> None:
    """Logbooks of before the camera's own pictures while it is turned had a word of their own: the place tells what was meant."""
    book.answer(1, LABEL, "C-1", "Ada Example", role="wrong way up")
    book.answer(1, "open.jpg", "C-1", "Ada Example", role="turned")
    with book.database.writing() as connection:
        connection.execute(sa.update(tables.answers).where(tables.answers.c.photo == LABEL).values(role="turned"))
    told = book.told(1)
    assert (told[LABEL].role, told["open.jpg"].role) == ("wrong way up", "turned")
    assert [a.role for a in book.answer_history(1, [LABEL])] == ["wrong way up"]
    book.put_placements(1, matched())
    assert placed(book, LABEL).turned and placed(book, LABEL).role == "snapshot" and placed(book, "open.jpg").role == "turned"
    book.answer(1, LABEL, "C-2", "Ben Example")
    assert placed(book, LABEL).turned and placed(book, LABEL).camera == "C-2"
    book.answer(1, LABEL, "C-2", "Ben Example", role="turned")
    assert placed(book, LABEL).role == "turned" and not placed(book, LABEL).turned, "who says it today means today's word"
