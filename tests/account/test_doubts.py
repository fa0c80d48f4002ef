"""A visit whose photos are of other days, or were in an earlier visit, is told so."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from audit.account.doubts import visit_doubts
from tests.logbook_samples import DAY, fill, make_photo, start


def test_photos_of_other_days_are_said(tmp_path: Path) -> None:
    book = start(str(tmp_path / "book"))
    visit = book.open_visit("commissioning", DAY)
    noon = datetime(DAY.year, DAY.month, DAY.day, 12, tzinfo=UTC)
    for n, days in enumerate((0, 1, -1, 700, 701)):
        data = f"photo {n}".encode()
        book.add_photo(visit, make_photo(f"p{n}.jpg", data, noon + timedelta(days=days)), data)
    (said,) = visit_doubts(book, visit)
    assert said.startswith("2 of 5 dated photos were taken on other days") and "p3.jpg, p4.jpg" in said and "--on" in said


def test_the_same_file_in_two_visits_is_said(tmp_path: Path) -> None:
    book = start(str(tmp_path / "book"))
    assert visit_doubts(book, fill(book)) == ()
    second = fill(book, DAY + timedelta(days=90))
    (said,) = visit_doubts(book, second)
    assert "6 files of this visit came in with visit 1 already" in said
    third = fill(book, DAY + timedelta(days=180), salt=b"new")
    assert visit_doubts(book, third) == ()
