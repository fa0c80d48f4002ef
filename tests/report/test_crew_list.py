"""The crew's list: every open finding and every missing shot, in one file that needs nothing else."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from audit.account.worklist import missing_work, trip_of
from audit.logbook import Logbook
from audit.report.crew_list import crew_list
from tests.desk_samples import CAUTION, HOSTILE_NAME, judged_logbook


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Logbook:
    return judged_logbook(tmp_path_factory.mktemp("site"), visits=1)


class Elements(HTMLParser):
    """Start tags with their attributes, and the text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def test_every_open_finding_and_missing_shot_is_there(book: Logbook) -> None:
    listed = crew_list(book, book.visit())
    text = " ".join(" ".join(Elements(listed).text).split())
    for words in ("C-1: aim, sky (defect)", "Tip down 8.0° ± 0.8°.", "Check on site: The cone stands", "tilt bracket",
                  "C-2: aim (defect)", "Exchange the names.", "C-4: cleanliness (to check)", "3.0 m high", "serial SN0001"):  # fmt: skip
        assert words in text, words
    assert text.count("Exchange the names.") == 1, "an exchange is one task"
    assert CAUTION in text and "trained people" in text
    boxes = sum(tag == "input" and attrs.get("type") == "checkbox" for tag, attrs in Elements(listed).tags)
    trip = trip_of(book, book.visit())
    tasks = sum(len(stop.tasks) for stop in trip.stops)
    shots = sum(len(lacking) for _, lacking in missing_work(book, book.visit()))
    assert boxes == tasks + shots + len(trip.bring_always) + len(trip.parts)


def test_it_needs_nothing_from_outside_and_runs_its_own_script_alone(book: Logbook) -> None:
    listed = crew_list(book, book.visit())
    elements = Elements(listed)
    (script,) = re.findall(r"<script>(.*?)</script>", listed, re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    policy = next(attrs["content"] for _, attrs in elements.tags if attrs.get("http-equiv") == "Content-Security-Policy")
    assert policy == f"default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src 'sha256-{digest}'"
    assert not re.search(r"fetch|XMLHttpRequest|WebSocket|innerHTML|eval", script)
    assert not {tag for tag, _ in elements.tags} & {"link", "iframe", "object", "base", "form"}
    addresses = [value for _, attrs in elements.tags for name, value in attrs.items() if name in ("src", "href")]
    assert addresses and all(value and value.startswith("data:image/jpeg;base64,") for value in addresses)
    assert not re.search(r"https?:|//[a-z]", listed.split("<body>")[0])
    assert "<script>alert" not in listed and HOSTILE_NAME[:25] in " ".join(elements.text)
    assert not any(name.startswith("on") for _, attrs in elements.tags for name in attrs)


def test_what_was_waived_is_not_done(tmp_path: Path) -> None:
    book = judged_logbook(tmp_path, visits=1)
    book.decide(1, "C-4", "cleanliness", "tolerate", "Ada Example", "cleaned next week")
    assert "C-4: clean" not in crew_list(book, book.visit())


def test_without_pictures(book: Logbook) -> None:
    assert "data:image" not in crew_list(book, book.visit(), with_pictures=False)


def test_every_task_can_be_answered_until_the_visit_is_signed(tmp_path: Path) -> None:
    book = judged_logbook(tmp_path, visits=1)
    visit = book.visit()
    answers = [attrs for _, attrs in Elements(crew_list(book, visit)).tags if attrs.get("class") == "answer"]
    tasks = [task for stop in trip_of(book, visit).stops for task in stop.tasks]
    assert [(a["data-camera"], json.loads(a["data-checks"] or "")) for a in answers] == [
        (task.camera, list(task.checks)) for task in tasks
    ]
    book.sign(visit, "R. Example", keys=tmp_path / "keys")
    listed = crew_list(book, book.visit())
    assert "<script" not in listed and "script-src" not in listed and "with the next visit" in listed
