"""Which cameras somebody wants to see."""

from __future__ import annotations

from pathlib import Path

import pytest

from audit.account.selection import Selection, selected
from audit.logbook import Logbook
from tests.desk_samples import judged_logbook


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Logbook:
    return judged_logbook(tmp_path_factory.mktemp("site"), visits=1)


@pytest.mark.parametrize(
    ("selection", "cameras"),
    [
        (Selection(), ["C-1", "C-2", "C-3", "C-4", "C-5", "C-6"]),
        (Selection(states=("to check",)), ["C-4"]),
        (Selection(states=("to check", "as planned")), ["C-4", "C-5", "C-6"]),
        (Selection(floor="upper"), ["C-6"]),
        (Selection(floor=""), ["C-1", "C-2", "C-3", "C-4", "C-5"]),
        (Selection(text=" łódź"), ["C-5"]),
        (Selection(text="sn0002"), ["C-2"]),
        (Selection(text="<script>"), ["C-4"]),
        (Selection(text="bullet", states=("defect",)), ["C-1", "C-2", "C-3"]),
        (Selection(text="nowhere"), []),
        (Selection(waiting=True), ["C-1", "C-2", "C-3", "C-4"]),
    ],
)
def test_selected(book: Logbook, selection: Selection, cameras: list[str]) -> None:
    found = selected(book, book.visit(), selection)
    assert sorted(found) == cameras
    assert found == [c for c in selected(book, book.visit(), Selection()) if c in cameras], "worst first stays"


def test_what_was_decided_waits_no_longer(tmp_path: Path) -> None:
    book = judged_logbook(tmp_path, visits=1)
    book.decide(1, "C-2", "aim", "confirm", "Ada Example", "")
    book.decide(1, "C-1", "aim", "confirm", "Ada Example", "")
    assert selected(book, book.visit(), Selection(waiting=True)) == ["C-1", "C-4"], "C-1 has a second finding"
    book.undo(1, "C-2", "aim", "Ada Example")
    assert selected(book, book.visit(), Selection(waiting=True)) == ["C-1", "C-2", "C-3", "C-4"]
