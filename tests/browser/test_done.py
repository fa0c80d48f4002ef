"""The crew answers back in a real headless browser: one file dropped in Review, and the job list on a phone."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from audit.logbook import Logbook
from audit.report.crew_list import crew_list
from tests.browser.desk_server import idle, served, shown
from tests.yard_samples import BEFORE, OTHER, ROLLED, judged_yard, snapshot

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return judged_yard(tmp_path_factory.mktemp("judged"))


@pytest.fixture
def desk(tmp_path: Path, judged: Path) -> Iterator[tuple[str, Logbook]]:
    """A desk on a visit in which one camera is rolled."""
    shutil.copytree(judged, tmp_path / "book")
    with Logbook.open(str(tmp_path / "book")) as book, served(tmp_path / "book") as address:
        yield address, book


def _level(book: Logbook) -> str:
    return next(f.state for f in book.verdicts(1, ROLLED)[0].findings if f.check == "level")


def _until(page: Any, true: Callable[[], bool]) -> None:
    for _ in range(200):
        if true():
            idle(page)
            return
        page.wait_for_timeout(100)
    raise AssertionError("it did not come to be within 20 s")


def _after(folder: Path) -> Path:
    return Path(shutil.copy(snapshot(ROLLED), folder / "after.jpg"))


def test_one_file_dropped_in_review_closes_the_finding(
    desk: tuple[str, Logbook], tmp_path: Path, page_of: Callable[[str], Any], keep: Any
) -> None:
    address, book = desk
    page = page_of("desk")
    shown(page, address, query=f"?camera={ROLLED}")
    page.get_by_text("Answers from the crew").click()
    drop = page.get_by_test_id("stFileUploaderDropzoneInput")
    drop.set_input_files(str(snapshot(OTHER)))
    page.get_by_text(f"its name or serial says {OTHER}, not {ROLLED}").wait_for()
    assert _level(book) == "defect" and not [d for d in book.decisions(1) if d.decision == "done"]
    keep(page, "done_refused")
    page.get_by_test_id("stFileUploaderDropzoneInput").set_input_files(str(_after(tmp_path)))
    _until(page, lambda: _level(book) == "as planned")
    page.get_by_text("Day: after.jpg").wait_for()
    page.get_by_text(f"Before the work: {BEFORE}").wait_for()
    page.get_by_text("Before: +5.9°").first.wait_for()
    keep(page, "done_desk")
    page.get_by_role("button", name="Take this answer back").click()
    _until(page, lambda: _level(book) == "defect")


def test_sign_off_waits_as_the_person_says(desk: tuple[str, Logbook], page_of: Callable[[str], Any]) -> None:
    address, book = desk
    page = page_of("desk")
    shown(page, address, query=f"?camera={ROLLED}")
    page.get_by_text("Answers from the crew").click()
    page.get_by_role("button", name="Sign-off waits for level").click()
    _until(page, lambda: book.waits(1) == ((ROLLED, "level"),))
    shown(page, address, "sign")
    page.get_by_text(f"Sign-off waits for {ROLLED} level").wait_for()
    shown(page, address, query=f"?camera={ROLLED}")
    page.get_by_text("Answers from the crew").click()
    page.get_by_role("button", name="Sign-off need not wait for level").click()
    _until(page, lambda: book.waits(1) == ())


def test_the_phones_list_answers_back_through_one_file(
    desk: tuple[str, Logbook], tmp_path: Path, new_page_of: Callable[[str], Any], page_of: Callable[[str], Any], keep: Any
) -> None:
    address, book = desk
    listed = tmp_path / "crew_list.html"
    listed.write_text(crew_list(book, book.visit(1)), encoding="utf-8")
    phone = new_page_of("phone")
    wrong: list[str] = []
    phone.on("console", lambda said: wrong.append(said.text) if said.type == "error" else None)
    phone.on("request", lambda asked: None if asked.url.startswith(("file:", "data:", "blob:")) else wrong.append(asked.url))
    phone.goto(listed.as_uri())
    phone.get_by_role("button", name="Save the answers").click()
    phone.get_by_text("Enter your name first.").wait_for()
    phone.get_by_label("Your name").fill("Cy Crew")
    task = phone.locator(f'.answer[data-camera="{ROLLED}"]')
    task.get_by_label("Done: a picture").set_input_files(str(_after(tmp_path)))
    task.get_by_label("What was done").fill("strap straightened")
    keep(phone, "done_phone")
    with phone.expect_download() as downloading:
        phone.get_by_role("button", name="Save the answers").click()
    file = tmp_path / downloading.value.suggested_filename
    downloading.value.save_as(file)
    assert file.name == "answers-visit-1.zip" and not wrong
    page = page_of("desk")
    shown(page, address, "bring_in")
    page.get_by_text("Answers of the crew's job list").click()
    page.locator('input[type="file"][accept*="zip"]').set_input_files(str(file))
    page.get_by_text("level as planned by after.jpg").wait_for()
    (entry,) = [d for d in book.decisions(1) if d.decision == "done"]
    assert (entry.by, entry.check) == ("Cy Crew", "level") and entry.why.startswith("strap straightened. Before: +5.9°")
    assert _level(book) == "as planned"
