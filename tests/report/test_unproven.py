"""What is not verified stands in every place with the same count: desk, report, table, trip, crew list, drawing, show."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from pypdf import PdfReader

from audit.account.unproven import by_reason, left_open, unproven, unproven_sentences
from audit.judge.finding import Finding, Verdict
from audit.logbook import Logbook
from audit.report.crew_list import crew_list
from audit.report.handover import write_handover
from tests.conftest import Ran
from tests.desk_samples import judged_logbook
from tests.logbook_samples import fill, start

Audit = Callable[..., Ran]


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    book = judged_logbook(tmp_path, cameras=6, visits=1)
    visit = book.visit(1)
    verdicts = list(book.verdicts(visit))
    last = verdicts[-1]
    more = (
        Finding(last.camera, "pan", "not verified", "Not measured: nothing of the plan was pointed out."),
        Finding(last.camera, "night", "not verified", "Not checked at night."),
    )
    verdicts[-1] = Verdict(last.camera, "not verified", (*last.findings, *more), last.photos)
    book.put_verdicts(visit, verdicts)
    return book


def test_seven_places_tell_the_same_count(book: Logbook, tmp_path: Path, audit: Audit) -> None:
    visit = book.visit(1)
    items = unproven(book, visit)
    expected = sum(f.state == "not verified" for v in book.verdicts(visit) for f in v.findings)
    assert len(items) == expected > 4
    head = unproven_sentences(items)[0]
    assert head.startswith(f"Not verified: {expected} checks")
    folder = tmp_path / "package"
    write_handover(book, visit, folder)
    first_page = " ".join(PdfReader(folder / "report.pdf").pages[0].extract_text().split())
    assert head in first_page
    with (folder / "not_verified.csv").open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == expected and {(r["camera"], r["check"]) for r in rows} == {(i.camera, i.check) for i in items}
    assert head in crew_list(book, visit, with_pictures=False)
    drawn = json.loads((folder / "as_built.geojson").read_text(encoding="utf-8"))
    listed = [f["properties"].get("not_verified") or "" for f in drawn["features"]]
    assert sum(len(text.split(", ")) for text in listed if text) == expected
    place = str(tmp_path / "logbook")
    assert head in audit("trip", place).out
    told = json.loads(audit("trip", place, "--json").out.splitlines()[-1])
    assert len(told["not_verified"]) == expected
    shown = audit("show", place)
    assert head in shown.err and len(re.findall(r"\[not verified\]", shown.out)) == expected


def test_what_is_tolerated_or_promised_is_no_longer_left_open(book: Logbook) -> None:
    visit = book.visit(1)
    first, second, *rest = unproven(book, visit)
    book.decide(visit, first.camera, first.check, "tolerate", "Ada Example", "agreed")
    book.promise(visit, second.camera, second.check, date(2190, 1, 1), "Ada Example", "next trip")
    items = unproven(book, visit)
    assert len(items) == len(rest) + 2 and len(left_open(items)) == len(rest)
    assert "(2 tolerated or promised)" in unproven_sentences(items)[0]
    assert sum(map(len, by_reason(items).values())) == len(items)


def test_where_everything_was_seen_nothing_is_said(tmp_path: Path) -> None:
    book = start(str(tmp_path / "book"))
    visit = fill(book)
    assert unproven(book, visit) == () and unproven_sentences(()) == ()
