"""Clicks in the logbook: added, replaced, taken back, refused, signed."""

from __future__ import annotations

from pathlib import Path

import pytest

from audit.errors import LogbookError
from audit.logbook import Logbook
from tests.logbook_samples import fill, make_verdict, start


def test_the_latest_click_on_a_landmark_counts_until_it_is_taken_back(tmp_path: Path) -> None:
    book = start(str(tmp_path / "logbook"))
    visit = fill(book)
    photo = book.photos(visit)[0].name
    book.point(visit, "C-1", "gate", photo, (10.0, 20.0), "Ada Example", confirmed=True)
    book.point(visit, "C-1", "gate", photo, (12.5, 20.0), "Ben Example")
    book.point(visit, "C-1", "mast", photo, None, "Ben Example")
    counting = [p for p in book.points(visit, "C-1") if p.in_force]
    assert [(p.landmark, p.at_px, p.confirmed, p.by) for p in counting] == [
        ("gate", (12.5, 20.0), False, "Ben Example"),
        ("mast", None, False, "Ben Example"),
    ]
    book.undo_point(visit, "C-1", "gate", "Ada Example")
    first = next(p for p in book.points(visit, "C-1") if p.in_force and p.landmark == "gate")
    assert first.at_px == (10.0, 20.0) and first.confirmed
    assert len(book.points(visit)) == 4
    assert book.points(visit, "C-2") == ()
    with pytest.raises(LogbookError, match="nothing is pointed out as 'till'"):
        book.undo_point(visit, "C-1", "till", "Ada Example")


def test_a_click_needs_a_name_a_photo_and_an_open_visit(tmp_path: Path) -> None:
    book = start(str(tmp_path / "logbook"))
    visit = fill(book)
    photo = book.photos(visit)[0].name
    with pytest.raises(LogbookError, match="say who"):
        book.point(visit, "C-1", "gate", photo, (1.0, 1.0), " ")
    with pytest.raises(LogbookError, match="has no photo 'none.jpg'"):
        book.point(visit, "C-1", "gate", "none.jpg", (1.0, 1.0), "Ada Example")
    book.point(visit, "C-1", "gate", photo, (1.0, 1.0), "Ada Example")
    book.sign(visit, "Ada Example", "words for the test")
    assert book.verify() == ()
    with pytest.raises(LogbookError, match="signed"):
        book.undo_point(visit, "C-1", "gate", "Ada Example")


def test_one_verdict_is_replaced_and_counted(tmp_path: Path) -> None:
    book = start(str(tmp_path / "logbook"))
    visit = fill(book)
    book.put_verdicts(visit, [make_verdict("C-1"), make_verdict("C-2")])
    book.put_verdict(visit, make_verdict("C-2", "defect", probability_bad=0.99))
    assert [v.camera for v in book.verdicts(visit)] == ["C-2", "C-1"]
    assert book.verdict_counts(visit)["defect"] == 1 and book.verdict_counts(visit)["as planned"] == 1


def test_two_logbooks_are_told_apart(tmp_path: Path) -> None:
    one, other = start(str(tmp_path / "one")), start(str(tmp_path / "other"))
    assert one.identity() != other.identity() == Logbook.open(str(tmp_path / "other")).identity()
