"""What changed since the signed visit."""

from __future__ import annotations

from pathlib import Path

from audit.account.changes import Change, changes, signed_before
from tests.desk_samples import judged_logbook


def test_states_and_findings_that_came_and_went(tmp_path: Path) -> None:
    book = judged_logbook(tmp_path)
    first, second = book.visits()
    assert signed_before(book, first) is None
    assert signed_before(book, second) == first
    assert changes(book, first, second) == (
        Change("C-1", "defect", "as planned", (), ("aim", "sky")),
        Change("C-2", "defect", "as planned", (), ("aim",)),
        Change("C-3", "defect", "as planned", (), ("aim",)),
    )
    back = changes(book, second, first)
    assert [(c.camera, c.came) for c in back] == [("C-1", ("aim", "sky")), ("C-2", ("aim",)), ("C-3", ("aim",))]
    assert changes(book, first, first) == ()


def test_an_unsigned_visit_is_no_measure(tmp_path: Path) -> None:
    book = judged_logbook(tmp_path, visits=3)
    third = book.visit(3)
    assert signed_before(book, third).number == 2
    fourth = book.open_visit("maintenance", third.on.replace(year=third.on.year + 1))
    assert signed_before(book, fourth).number == 2
    assert {c.now for c in changes(book, third, fourth)} == {None}, "not judged yet"
