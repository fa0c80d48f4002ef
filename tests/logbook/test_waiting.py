"""Sign-off that waits for somebody, promises of a day, and the order in which cameras are looked at."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
import sqlalchemy as sa

from audit.errors import LogbookError
from audit.logbook import Logbook
from tests.logbook_samples import fill, make_verdict, start


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    return start(str(tmp_path / "logbook"))


def test_sign_off_waits_for_what_is_open_and_for_nothing_else(book: Logbook) -> None:
    visit = fill(book)
    book.put_verdicts(visit, [make_verdict("C-1", "defect"), make_verdict("C-2"), make_verdict("C-3", "to check")])
    assert book.waits(visit) == ()
    for camera in ("C-1", "C-2", "C-3"):
        book.wait_for(visit, camera, "aim", "Ada Example", "after the lift comes")
    assert set(book.waits(visit)) == {("C-1", "aim"), ("C-3", "aim")}, "what is as planned is settled"
    with pytest.raises(LogbookError, match=r"visit 1 waits for C-1 aim, C-3 aim: hand in what was done, decide on it"):
        book.sign(visit, "Ada Example", unprotected=True)
    book.decide(visit, "C-1", "aim", "confirm", "Ada Example", "")
    assert ("C-1", "aim") in book.waits(visit), "a confirmed fault is still one"
    book.decide(visit, "C-1", "aim", "tolerate", "Ada Example", "the fence is to move")
    assert book.waits(visit) == (("C-3", "aim"),)
    with pytest.raises(LogbookError, match="nobody asked that sign-off waits for 'level' of camera 'C-3'"):
        book.wait_no_more(visit, "C-3", "level", "Ada Example")
    with pytest.raises(LogbookError, match="nobody asked"):
        book.wait_no_more(visit, "C-9", "aim", "Ada Example")
    book.wait_no_more(visit, "C-3", "aim", "Ada Example")
    assert book.waits(visit) == ()
    with pytest.raises(LogbookError, match="nobody asked"):
        book.wait_no_more(visit, "C-3", "aim", "Ada Example")
    book.sign(visit, "Ada Example", unprotected=True)
    assert book.verify() == ()


def test_a_promise_may_be_of_today(book: Logbook) -> None:
    visit = fill(book)
    book.clock = lambda: datetime(2190, 3, 1, 12, tzinfo=UTC)  # type: ignore[method-assign, assignment]
    assert book.promise(visit, "C-1", "aim", date(2190, 3, 1), "Ada Example").due == date(2190, 3, 1)
    with pytest.raises(LogbookError, match=r"2190-02-28 has passed \(today is 2190-03-01\)"):
        book.promise(visit, "C-1", "aim", date(2190, 3, 1) - timedelta(days=1), "Ada Example")


def test_a_finding_without_a_probability_says_nothing_against_a_camera(book: Logbook) -> None:
    """Of one state the likeliest fault comes first; what has no probability is no fault for certain."""
    visit = fill(book)
    silent = make_verdict("C-1", "to check", "level", probability_bad=None).findings
    likely = make_verdict("C-2", "to check", probability_bad=0.6)
    less = make_verdict("C-1", "to check", probability_bad=0.3)
    none = make_verdict("C-3", "to check", probability_bad=None)
    book.put_verdicts(visit, [replace(less, findings=(*silent, *less.findings)), likely, none])
    assert [v.camera for v in book.verdicts(visit)] == ["C-2", "C-1", "C-3"]
    assert [name for name, _ in book.verdict_order(visit)] == ["C-2", "C-1", "C-3"]


def test_a_logbook_that_lost_its_plan_says_so(book: Logbook) -> None:
    with book.database.engine.connect().execution_options(write=True) as connection, connection.begin():
        for table in ("plan_cameras", "plans"):
            connection.execute(sa.text(f"DELETE FROM {table}"))
    with pytest.raises(LogbookError, match="holds no plan; restore it from a backup"):
        book.site()


def test_a_reference_remembers_whether_its_glass_was_seen_clean(book: Logbook) -> None:
    """Only then can a later picture that is as clear vouch for the glass."""
    visit = fill(book)
    clean = replace(make_verdict("C-1"), findings=(*make_verdict("C-1").findings, *make_verdict("C-1", check="cleanliness").findings))
    unseen = replace(
        make_verdict("C-2"), findings=(*make_verdict("C-2").findings, *make_verdict("C-2", "not verified", "cleanliness").findings)
    )
    book.put_verdicts(visit, [clean, unseen, make_verdict("C-3")])
    book.sign(visit, "Ada Example", unprotected=True)
    assert {(r.camera, r.channel): r.glass_verified for r in book.references()} == {
        ("C-1", "day"): True, ("C-1", "night"): True, ("C-2", "day"): False, ("C-2", "night"): False,
        ("C-3", "day"): False, ("C-3", "night"): False,
    }  # fmt: skip
    assert all(r.glass_verified == (c == "C-1") for c in ("C-1", "C-2") for r in book.camera_references(c))
