"""One camera's evidence: read once, the same for one camera as for all, in a few statements."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import sqlalchemy as sa

from audit.account.account import accounts_of, chosen
from audit.account.case import case_of, cases
from audit.logbook import KeptRecord, Logbook
from audit.measure.image import METHOD
from tests.desk_samples import judged_logbook

#: Statements for all cases of a visit, whatever the number of cameras.
MOST_STATEMENTS = 12


@contextmanager
def counted(book: Logbook) -> Iterator[list[str]]:
    """The statements that are sent to the database meanwhile."""
    said: list[str] = []

    def note(_: object, __: object, statement: str, *___: object) -> None:
        said.append(statement)

    engine = book.database.engine
    sa.event.listen(engine, "before_cursor_execute", note)
    try:
        yield said
    finally:
        sa.event.remove(engine, "before_cursor_execute", note)


@pytest.mark.parametrize("cameras", [6, 24])
def test_all_cases_of_a_visit_take_a_dozen_statements_at_most(tmp_path: Path, cameras: int) -> None:
    with judged_logbook(tmp_path, cameras=cameras, visits=2) as book:
        visit = book.visit(2)
        for camera in book.site().cameras:
            book.decide(visit, camera.camera, "aim", "tolerate", "Ada", "known")
        with Logbook.open(str(book.database.folder)) as fresh, counted(fresh) as said:
            found = cases(fresh, visit)
        assert len(found) == cameras and len(said) <= MOST_STATEMENTS, "\n".join(said)
        assert all(case.decisions and case.day is not None for case in found)


def test_a_camera_s_case_is_the_same_alone_as_among_all(tmp_path: Path) -> None:
    with judged_logbook(tmp_path, cameras=6, visits=2) as book:
        for number in (1, 2):
            visit = book.visit(number)
            together = {case.camera.camera: case for case in cases(book, visit)}
            for camera in book.site(visit).cameras:
                alone = case_of(book, visit, camera)
                assert alone is not None
                there = together[camera.camera]
                assert (alone.verdict, alone.decisions) == (there.verdict, there.decisions)
                assert alone.account.references == there.account.references
                assert dict(alone.account.changes).keys() == dict(there.account.changes).keys()
                assert [s.photo for s in alone.shots] == [s.photo for s in there.shots]


def test_a_case_holds_what_the_logbook_holds(tmp_path: Path) -> None:
    """Against the logbook's own single reads."""
    with judged_logbook(tmp_path, cameras=6, visits=2) as book:
        visit = book.visit(2)
        compared = 0
        for name, account in accounts_of(book, visit, book.site(visit).cameras).items():
            assert account.placements == book.placements(visit, name)
            assert {s.photo.name for s in account.shots} == {p.name for p in book.photos(visit, name)}
            assert account.references == tuple(r for r in book.references(visit) if r.camera == name)
            for shot in account.snapshots:
                assert shot.measured is not None and book.methods(shot.photo.sha256)
                reference, change = account.compared(shot)
                kept = reference and book.comparison(reference.sha256, shot.photo.sha256, METHOD)
                assert (change is not None) == bool(kept)
                compared += change is not None
            lights = [s.night for s in account.snapshots]
            assert lights == sorted(lights), "day before night"
        assert compared > 0


def test_which_record_counts() -> None:
    """This program's; else the latest by the same lens; never one by another lens."""
    old, older, other = KeptRecord("5-lens", "{}"), KeptRecord("4-lens", "{}"), KeptRecord("6-wide", "{}")
    mine = KeptRecord("6-lens", "{}")
    assert chosen([older, mine, old, other], "6-lens") is mine
    assert chosen([older, old, other], "6-lens") is old
    assert chosen([other], "6-lens") is None and chosen([], "6") is None
    assert chosen([KeptRecord("5", "{}")], "6") is not None
