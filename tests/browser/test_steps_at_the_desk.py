"""The steps of ``tests/test_steps.py`` that hands do at the desk, walked in one browser over one open visit."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from audit.account.unproven import left_open, unproven
from audit.account.worklist import missing_work, open_work, trip_of
from audit.logbook import Logbook
from audit.visit.again import judge_anew
from tests.browser.desk_server import idle, press, served, shown
from tests.browser.test_saying import choose, state_of, until
from tests.desk_samples import judged_logbook

pytestmark = pytest.mark.browser
EVE = "Eve Other"


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Logbook]]:
    """A desk that knows nobody's name, on one open visit of six cameras."""
    folder = tmp_path_factory.mktemp("desk")
    book = judged_logbook(folder, visits=1)
    with served(folder / "logbook", name="") as address:
        yield address, book
    book.close()


@pytest.fixture(scope="module")
def page(browser: Any) -> Iterator[Any]:
    """One person's browser through all steps."""
    context = browser.new_context(viewport={"width": 1440, "height": 900})
    page = context.new_page()
    page.set_default_timeout(30_000)
    yield page
    context.close()


def _at(page: Any, address: str, name: str = "", query: str = "", camera: str = "") -> None:
    """Go to a page and wait until it knows who works at it, from the first step or, where that was left out, told here."""
    shown(page, address, name, query or (f"?camera={camera}" if camera else ""))
    if camera:
        page.wait_for_selector(f"h1:has-text('{camera}')")
    if page.evaluate("localStorage.getItem('photo-audit name')") is None:
        page.get_by_label("Your name").fill(EVE)
        press(page, "Enter")
    page.wait_for_function(f"[...document.querySelectorAll('input')].some((i) => i.value === '{EVE}')")
    idle(page)


def test_06_a_name_enter_and_the_key_1_are_an_answer(desk: tuple[str, Logbook], page: Any) -> None:
    address, book = desk
    shown(page, address, "place")
    page.get_by_role("button", name="Not a camera photo").wait_for()
    page.get_by_label("Your name").fill(EVE)
    press(page, "Enter")
    before = len(book.answers(1))
    press(page, "1")
    until(page, lambda: len(book.answers(1)) > before, "the key was no answer")
    assert {answer.by for answer in book.answer_history(1)} == {EVE} and page.get_by_label("Your name").input_value() == EVE


def test_07_answers_are_kept_and_count_when_the_browser_is_closed(desk: tuple[str, Logbook], browser: Any) -> None:
    address, book = desk
    if not book.answers(1):  # step 6 was left out
        book.answer(1, book.uncertain_placements(1)[0].photo, "C-1", EVE)
    (name, camera), *_ = book.answers(1).items()
    placed = book.placement(1, name)
    assert placed is not None and placed.camera == camera is not None
    other = browser.new_page()
    shown(other, address, "place")
    other.wait_for_selector("text=Placed by a person: 1")
    other.close()


def test_08_one_key_takes_no_camera_back(desk: tuple[str, Logbook], page: Any) -> None:
    address, book = desk
    _at(page, address, "place")
    page.get_by_role("button", name="Not a camera photo").wait_for()
    press(page, "0")
    until(page, lambda: None in book.answers(1).values(), "the photo was not put to no camera")
    press(page, "z")
    until(page, lambda: None not in book.answers(1).values(), "it was not taken back")


def test_09_a_label_close_up_is_said_to_be_one(desk: tuple[str, Logbook], page: Any) -> None:
    address, book = desk
    book.answer(1, "IMG_0001.jpg", "C-5", EVE)
    judge_anew(book, book.visit(1), ["C-1", "C-4", "C-5"])
    assert "label" in dict(missing_work(book, book.visit(1)))["C-5"]
    _at(page, address, camera="C-5")
    page.locator(".gallery button[data-photo='IMG_0001.jpg']").focus()
    press(page, "l")
    until(page, lambda: "label" not in dict(missing_work(book, book.visit(1))).get("C-5", ()), "the label is still missing")
    page.wait_for_selector("text=rating label received")


def test_17_dirt_seen_by_eye_enters_trip_and_report_with_its_mark(desk: tuple[str, Logbook], page: Any) -> None:
    address, book = desk
    _at(page, address, camera="C-6")
    press(page, "a", button="say_open")
    choose(page, "Check", "cleanliness")
    page.get_by_text("Mark the place in a photo").click()
    frame = page.locator(".point").last
    frame.wait_for()
    idle(page)
    frame.scroll_into_view_if_needed()
    box = frame.bounding_box()
    page.mouse.click(box["x"] + 0.5 * box["width"], box["y"] + 0.5 * box["height"])
    page.wait_for_selector("text=Marked in C-6_day.jpg.")
    page.get_by_label("In your words").fill("14 smears on the dome")
    page.keyboard.press("Tab")
    idle(page)
    page.get_by_role("button", name="Save").click()
    until(page, lambda: state_of(book, "C-6", "cleanliness") == "defect", "the finding was not kept")
    entry = book.decisions(1, "C-6")[-1]
    assert entry.photo == "C-6_day.jpg" and entry.at_px is not None
    assert any("C-6" in stop.cameras for stop in trip_of(book, book.visit(1)).stops)
    assert any(row["camera"] == "C-6" for row in open_work(book, book.visit(1)))


def test_18_a_pass_that_is_rejected_opens_the_check(desk: tuple[str, Logbook], page: Any) -> None:
    address, book = desk
    judge_anew(book, book.visit(1), ["C-3"])
    _at(page, address, camera="C-3")
    page.get_by_text("Other checks:").click()
    page.get_by_role("button", name="Dismiss the pass: stream").click()
    page.wait_for_selector("input[aria-label^='Why is it no pass']:focus")
    page.keyboard.type("it is the second stream")
    page.keyboard.press("Enter")
    until(page, lambda: state_of(book, "C-3", "stream") == "to check", "the pass was not dismissed")


def test_19_20_one_key_a_camera_and_a_decision_taken_back(desk: tuple[str, Logbook], page: Any) -> None:
    address, book = desk
    _at(page, address, camera="C-1")
    first = page.locator("h1").first.inner_text()
    entries = len(book.decisions(1))
    press(page, "c")
    until(page, lambda: len(book.decisions(1)) > entries, "the key was no decision")
    entries = len(book.decisions(1))
    press(page, "z")
    until(page, lambda: len(book.decisions(1)) > entries and book.decisions(1)[-1].decision == "undo", "it was not taken back")
    press(page, "ArrowRight")
    until(page, lambda: page.locator("h1").first.inner_text() != first, "the next camera did not come")


def test_30_all_cameras_and_checks_are_one_page_and_a_csv(desk: tuple[str, Logbook], page: Any) -> None:
    address, book = desk
    shown(page, address, "checks")
    with page.expect_download() as downloading:
        page.get_by_role("button", name="CSV").first.click()
    rows = list(csv.reader(io.StringIO(Path(downloading.value.path()).read_text(encoding="utf-8-sig"))))
    assert {row[0] for row in rows[1:]} == {v.camera for v in book.verdicts(1)}


def test_21_what_is_unproven_is_shown_and_ticked_before_the_signature(desk: tuple[str, Logbook], page: Any) -> None:
    address, book = desk
    left = len(left_open(unproven(book, book.visit(1))))
    assert left
    _at(page, address, "sign")
    page.get_by_text(f"I sign with {left} checks not verified and left open.").wait_for()
    page.get_by_label("passphrase", exact=False).first.fill("a passphrase for tests")
    page.keyboard.press("Tab")
    idle(page)
    button = page.get_by_role("button", name=f"Sign off as {EVE}")
    button.click()
    idle(page)
    assert book.visit(1).signed_at is None, "not without the tick"
    page.get_by_text(f"I sign with {left} checks not verified and left open.").click()
    idle(page)
    button.click()
    until(page, lambda: book.visit(1).signed_at is not None, "it was not signed")

