"""What a reviewer says with their own eyes, in a real headless browser: a finding with its mark, a pass dismissed, a photo moved
or named, answers that survive a reload, and each of them taken back."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from audit.account.worklist import missing_work, open_work, trip_of
from audit.logbook import Logbook
from audit.visit.again import judge_anew
from tests.browser.desk_server import idle, press, served, shown
from tests.desk_samples import HEIGHT_PX, WIDTH_PX, judged_logbook

pytestmark = pytest.mark.browser
ADA = "Ada Example"


@pytest.fixture
def worked_on(tmp_path: Path) -> Iterator[tuple[str, Logbook]]:
    """A desk on a logbook with one open visit."""
    book = judged_logbook(tmp_path, visits=1)
    with served(tmp_path / "logbook") as address:
        yield address, book
    book.close()


def until(page: Any, true: Callable[[], bool], what: str) -> None:
    for _ in range(150):
        if true():
            idle(page)
            return
        page.wait_for_timeout(100)
    raise AssertionError(what)


def state_of(book: Logbook, camera: str, check: str) -> str | None:
    return next((f.state for f in book.verdicts(1, camera)[0].findings if f.check == check), None)


def choose(page: Any, label: str, option: str) -> None:
    """Choose from a list by keyboard."""
    page.get_by_label(label).first.click()
    page.keyboard.type(option)
    page.keyboard.press("Enter")
    idle(page)


def test_a_name_is_left_by_enter_and_remembered_on_that_browser(tmp_path: Path, browser: Any) -> None:
    book = judged_logbook(tmp_path, visits=1)
    with served(tmp_path / "logbook", name="") as address:
        context = browser.new_context()
        page = context.new_page()
        shown(page, address, "place")
        page.get_by_role("button", name="Not a camera photo").wait_for()
        page.get_by_label("Your name").fill("Eve Other")
        press(page, "Enter")
        assert page.evaluate("document.activeElement.tagName") != "INPUT"
        press(page, "1")
        until(page, lambda: len(book.answers(1)) == 1, "the key was no answer")
        assert book.answer_history(1)[0].by == "Eve Other"
        other = context.new_page()
        shown(other, address, "place")
        other.wait_for_function("[...document.querySelectorAll('input')].some((i) => i.value === 'Eve Other')")
        context.close()
        stranger = browser.new_page()
        shown(stranger, address, "place")
        assert stranger.get_by_label("Your name").input_value() == ""
        stranger.close()
    book.close()


def test_answers_count_at_once_and_outlive_reload_and_session(
    worked_on: tuple[str, Logbook], page_of: Callable[[str], Any], keep: Any
) -> None:
    address, book = worked_on
    page = page_of("desk")
    shown(page, address, "place")
    page.wait_for_selector("text=2 questions left")
    page.get_by_role("button", name="Not a camera photo").wait_for()
    idle(page)
    first = book.uncertain_placements(1)[0].photo
    press(page, "0")
    until(page, lambda: book.answers(1) == {first: None}, "no answer was kept")
    placed = book.placement(1, first)
    assert placed is not None and placed.decision == "unmatched"
    page.wait_for_selector("text=1 questions left")
    # A mistake: taken back by one key, the question is there again.
    press(page, "z")
    until(page, lambda: book.answers(1) == {}, "the answer was not taken back")
    page.wait_for_selector("text=2 questions left")
    press(page, "1")
    until(page, lambda: len(book.answers(1)) == 1, "no answer was kept")
    page.reload()
    page.wait_for_selector("text=1 questions left")
    page.wait_for_selector("text=Place the other photos too (said by a person: 1)")
    # Another session sees what was said and takes it back there.
    other = page_of("desk")
    shown(other, address, "place")
    other.wait_for_selector("text=Placed by a person: 1")
    other.get_by_text("Show what was said").click()
    other.locator(f".gallery button[data-photo='{first}']").last.focus()
    keep(other, "assign_answered")
    press(other, "z")
    until(other, lambda: book.answers(1) == {}, "the other session could not take it back")
    other.wait_for_selector("text=2 questions left")


def test_a_key_on_a_photo_beside_a_question_is_no_answer_to_it(
    worked_on: tuple[str, Logbook], page_of: Callable[[str], Any]
) -> None:
    address, book = worked_on
    page = page_of("desk")
    shown(page, address, "place")
    page.get_by_role("button", name="Not a camera photo").wait_for()
    idle(page)
    beside = page.locator(".gallery button[data-photo='C-4_day.jpg']")
    beside.focus()
    press(page, "0")
    until(page, lambda: book.answers(1) == {"C-4_day.jpg": None}, "the photo was not put to no camera, or the question was answered")
    assert len(book.uncertain_placements(1)) == 2


def test_what_follows_from_answers_is_offered_until_done(
    worked_on: tuple[str, Logbook], page_of: Callable[[str], Any]
) -> None:
    address, book = worked_on
    book.answer(1, "IMG_0001.jpg", "C-1", "Ben Other")
    page = page_of("desk")
    shown(page, address, "place")
    page.get_by_role("button", name="Place the other photos too (said by a person: 1)").click()
    until(page, lambda: book.photos_ahead(1) == 0, "the photos were not placed anew")
    page.wait_for_selector("text=Place the other photos", state="detached")
    placed = book.placement(1, "IMG_0001.jpg")
    assert placed is not None and placed.camera == "C-1"


def test_a_label_is_said_to_be_one_and_moved_by_key_and_mouse(
    worked_on: tuple[str, Logbook], page_of: Callable[[str], Any], keep: Any
) -> None:
    address, book = worked_on
    judge_anew(book, book.visit(1), ["C-1", "C-4", "C-5"])
    book.answer(1, "IMG_0001.jpg", "C-5", "Ben Other")
    judge_anew(book, book.visit(1), ["C-5"])
    assert "label" in dict(missing_work(book, book.visit(1)))["C-5"]
    page = page_of("desk")
    shown(page, address, query="?camera=C-5")
    photo = page.locator(".gallery button[data-photo='IMG_0001.jpg']")
    photo.focus()
    press(page, "l")
    until(page, lambda: "label" not in dict(missing_work(book, book.visit(1))).get("C-5", ()), "the label is still asked for")
    page.wait_for_selector("text=rating label received")
    keep(page, "photo_said")
    # By mouse: to another camera, and back.
    page.get_by_label("Id of another camera").fill("c-4")
    page.get_by_role("button", name="Move it there").click()
    until(page, lambda: book.answers(1)["IMG_0001.jpg"] == "C-4", "it was not moved")
    assert "label" in dict(missing_work(book, book.visit(1)))["C-5"]
    assert "label" not in dict(missing_work(book, book.visit(1))).get("C-4", ())
    shown(page, address, query="?camera=C-4")
    page.locator(".gallery button[data-photo='IMG_0001.jpg']").click()
    idle(page)
    page.locator(".st-key-undo-C-4 button").click()
    until(page, lambda: book.answers(1)["IMG_0001.jpg"] == "C-5", "the move was not taken back")
    photo_at_c5 = book.placement(1, "IMG_0001.jpg")
    assert photo_at_c5 is not None and (photo_at_c5.camera, photo_at_c5.role) == ("C-5", "label")


def test_dirt_seen_by_eye_is_a_finding_with_its_mark(
    worked_on: tuple[str, Logbook], page_of: Callable[[str], Any], keep: Any
) -> None:
    address, book = worked_on
    page = page_of("desk")
    shown(page, address, query="?camera=C-5")
    page.wait_for_selector("h1:has-text('C-5')")
    press(page, "a", button="say_open")
    choose(page, "Check", "cleanliness")
    page.get_by_text("Mark the place in a photo").click()
    frame = page.locator(".point").last
    frame.wait_for()
    idle(page)
    frame.scroll_into_view_if_needed()
    box = frame.bounding_box()
    page.mouse.move(box["x"] + 0.2 * box["width"], box["y"] + 0.2 * box["height"])
    page.mouse.down()
    page.mouse.move(box["x"] + 0.75 * box["width"], box["y"] + 0.5 * box["height"], steps=4)
    page.mouse.up()
    page.wait_for_selector("text=Marked in C-5_day.jpg.")
    page.get_by_label("In your words").fill("14 smears on the dome")
    page.keyboard.press("Tab")
    idle(page)
    page.get_by_role("button", name="Save").click()
    until(page, lambda: state_of(book, "C-5", "cleanliness") == "defect", "the finding was not kept")
    entry = book.decisions(1, "C-5")[-1]
    assert (entry.decision, entry.said_state, entry.by, entry.photo) == ("finding", "defect", ADA, "C-5_day.jpg")
    assert entry.at_px == pytest.approx((0.75 * WIDTH_PX, 0.5 * HEIGHT_PX), abs=6)
    page.wait_for_selector("text=14 smears on the dome")
    idle(page)
    keep(page, "own_finding")
    assert any(row["camera"] == "C-5" and row["check"] == "cleanliness" for row in open_work(book, book.visit(1)))
    assert any("C-5" in stop.cameras for stop in trip_of(book, book.visit(1)).stops)
    assert book.verdict_counts(1)["defect"] == 4
    press(page, "z")
    until(page, lambda: state_of(book, "C-5", "cleanliness") == "as planned", "it was not taken back")
    # By keyboard alone: the mark by arrow keys and Enter.
    press(page, "a", button="say_open")
    choose(page, "Check", "focus")
    page.get_by_text("Mark the place in a photo").click()
    idle(page)
    page.locator(".point").last.focus()
    for _ in range(5):
        page.keyboard.press("ArrowRight")
    press(page, "Enter")
    page.wait_for_selector("text=Marked in C-5_day.jpg.")
    page.get_by_label("In your words").fill("soft at the right edge")
    page.keyboard.press("Tab")
    idle(page)
    page.get_by_role("button", name="Save").press("Enter")
    until(page, lambda: state_of(book, "C-5", "focus") == "defect", "the finding was not kept")
    marked = book.decisions(1, "C-5")[-1].at_px
    assert marked is not None and marked[0] == pytest.approx(0.55 * WIDTH_PX, abs=2)


def test_a_dismissed_pass_opens_its_check_and_a_check_without_a_finding_is_decided(
    worked_on: tuple[str, Logbook], page_of: Callable[[str], Any], keep: Any
) -> None:
    address, book = worked_on
    page = page_of("desk")
    shown(page, address, query="?camera=C-5")
    page.wait_for_selector("h1:has-text('C-5')")
    page.get_by_text("Other checks: 2").click()
    page.get_by_role("button", name="Dismiss the pass: cleanliness").click()
    page.wait_for_selector("input[aria-label^='Why is it no pass']:focus")
    page.keyboard.type("a web hangs over it")
    page.keyboard.press("Enter")
    until(page, lambda: state_of(book, "C-5", "cleanliness") == "to check", "the pass was not dismissed")
    assert book.verdicts(1, "C-5")[0].state == "to check"
    page.wait_for_selector("text=a web hangs over it")
    keep(page, "pass_dismissed")
    press(page, "z")
    until(page, lambda: book.verdicts(1, "C-5")[0].state == "as planned", "it was not taken back")
    press(page, "a", button="say_open")
    choose(page, "Check", "mounting")
    page.get_by_text("confirm the fault", exact=True).click()
    page.get_by_label("In your words").fill("a screw is missing")
    page.keyboard.press("Tab")
    idle(page)
    page.get_by_role("button", name="Save").click()
    until(page, lambda: state_of(book, "C-5", "mounting") == "defect", "the check was not decided")
    press(page, "z")
    until(page, lambda: state_of(book, "C-5", "mounting") is None, "it was not taken back")


def test_a_signed_visit_offers_none_of_it(worked_on: tuple[str, Logbook], page_of: Callable[[str], Any]) -> None:
    address, book = worked_on
    book.sign(1, ADA, unprotected=True)
    page = page_of("desk")
    shown(page, address, query="?camera=C-1")
    page.wait_for_selector(".gallery button[disabled]")
    assert page.get_by_role("button", name="Add what you see").count() == 0
    assert page.locator(".gallery button:not([disabled])").count() == 0
