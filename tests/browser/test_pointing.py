"""Review's question where a camera is panned to, in a real headless browser: one key, one click, not in the picture."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from audit.logbook import Logbook
from audit.visit.point import judge_camera_again
from tests.browser.desk_server import idle, press, served, shown
from tests.desk_samples import judged_logbook

pytestmark = pytest.mark.browser
#: On C-5's planned axis (bearing 200, pitch -15), 30 m out, and 25 degrees to its left, as far.
MARKS = "landmark,east_m,north_m,up_m,position_sd_m\nmast,-10.26,16.28,-5.04,0.05\nshed,2.61,14.58,-5.04,0.05\n"


@pytest.fixture
def asked(tmp_path: Path) -> Iterator[tuple[str, Logbook]]:
    """A desk on C-5, whose pan nothing has shown yet."""
    (tmp_path / "plan.landmarks.csv").write_text(MARKS, encoding="utf-8")
    book = judged_logbook(tmp_path, visits=1)
    judge_camera_again(book, book.visit(1), "C-5")
    with served(tmp_path / "logbook") as address:
        yield address, book
    book.close()


def state_of(book: Logbook, check: str = "pan") -> str:
    return next(f.state for f in book.verdicts(1, "C-5")[0].findings if f.check == check)


def wait_for(book: Logbook, page: Any, entries: int) -> None:
    for _ in range(100):
        if len(book.points(1)) >= entries:
            idle(page)
            return
        page.wait_for_timeout(100)
    raise AssertionError(f"{len(book.points(1))} clicks were kept, {entries} expected")


def test_one_key_says_that_the_mark_lies_on_it(
    asked: tuple[str, Logbook], page_of: Callable[[str], Any], keep: Any
) -> None:
    address, book = asked
    page = page_of("desk")
    shown(page, address, query="?camera=C-5")
    page.wait_for_selector("h1:has-text('C-5')")
    page.wait_for_selector(".point img")
    assert state_of(book) == "not verified"
    keep(page, "pointing_desk")
    press(page, "Enter")
    wait_for(book, page, 1)
    point = book.points(1)[0]
    assert (point.landmark, point.confirmed, point.by) == ("mast", True, "Ada Example")
    assert state_of(book) == "as planned"


def test_a_click_a_denial_and_taking_back(asked: tuple[str, Logbook], page_of: Callable[[str], Any]) -> None:
    address, book = asked
    page = page_of("desk")
    shown(page, address, query="?camera=C-5")
    frame = page.wait_for_selector(".point")
    frame.scroll_into_view_if_needed()
    box = frame.bounding_box()
    page.mouse.click(box["x"] + 0.95 * box["width"], box["y"] + 0.5 * box["height"])
    wait_for(book, page, 1)
    clicked = book.points(1)[0]
    assert clicked.at_px is not None and clicked.at_px[0] == pytest.approx(0.95 * 640, abs=6) and not clicked.confirmed
    assert state_of(book) == "defect"
    page.wait_for_selector("text=Panned")
    page.get_by_role("button", name="Take it back").click()
    wait_for(book, page, 2)
    assert state_of(book) == "not verified"
    page.get_by_role("button", name="Not in the picture").click()
    wait_for(book, page, 3)
    assert book.points(1)[-1].at_px is None


def test_an_impossible_click_is_told_and_not_kept(asked: tuple[str, Logbook], page_of: Callable[[str], Any]) -> None:
    address, book = asked
    page = page_of("desk")
    shown(page, address, query="?camera=C-5")
    frame = page.wait_for_selector(".point")
    frame.scroll_into_view_if_needed()
    box = frame.bounding_box()
    page.mouse.click(box["x"] + 0.5 * box["width"], box["y"] + 0.02 * box["height"])
    page.wait_for_selector("text=at the sky or a roof")
    assert book.points(1) == ()
