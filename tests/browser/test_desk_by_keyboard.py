"""The desk in a real headless browser: the whole job by keyboard, at a desk's and a phone's size."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from audit.logbook import Logbook, verify_package
from audit.plan.files import read_plan
from tests.browser.desk_server import idle, press, served, shown, turned
from tests.desk_samples import HOSTILE_NAME, judged_logbook, photograph, write_plan_of

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Path]]:
    """A desk on a logbook with a signed and an open visit; only looked at."""
    folder = tmp_path_factory.mktemp("looked-at")
    judged_logbook(folder).close()
    with served(folder / "logbook") as address:
        yield address, folder / "logbook"


@pytest.fixture
def worked_on(tmp_path: Path) -> Iterator[tuple[str, Logbook]]:
    """A desk on a logbook with one open visit, to decide on."""
    book = judged_logbook(tmp_path, visits=1)
    with served(tmp_path / "logbook") as address:
        yield address, book
    book.close()


def in_force(book: Logbook) -> dict[tuple[str, str], tuple[str, str, str]]:
    return {(d.camera, d.check): (d.decision, d.by, d.why) for d in book.decisions(1) if d.in_force}


def wait_for(book: Logbook, page: Any, entries: int) -> None:
    for _ in range(100):
        if len(book.decisions(1)) >= entries:
            return
        page.wait_for_timeout(100)
    raise AssertionError(f"{len(book.decisions(1))} decisions were kept, {entries} expected")


def test_review_all_by_keyboard(worked_on: tuple[str, Logbook], page_of: Callable[[str], Any], keep: Any) -> None:
    address, book = worked_on
    page = page_of("desk")
    shown(page, address)
    page.wait_for_selector("h1:has-text('C-1')")
    keep(page, "review_desk")
    # One overruled: D, the reason, Enter.
    press(page, "d")
    page.wait_for_selector("input[aria-label^='Why is it no fault']:focus")
    page.keyboard.type("the ground slopes here")
    page.keyboard.press("Enter")
    wait_for(book, page, 1)
    idle(page)
    assert in_force(book) == {("C-1", "aim"): ("dismiss", "Ada Example", "the ground slopes here")}
    # The rest of the camera in order: one key, and the next camera is there.
    press(page, "Enter")
    page.wait_for_selector("h1:has-text('C-2')")
    wait_for(book, page, 2)
    assert in_force(book)["C-1", "sky"][0] == "confirm"
    # An exchange of two cameras is decided on once.
    press(page, "Enter")
    page.wait_for_selector("h1:has-text('C-3')")
    assert in_force(book)["C-2", "aim"][0] == in_force(book)["C-3", "aim"][0] == "confirm"
    press(page, "Enter")
    page.wait_for_selector("h1:has-text('C-4')")
    # One tolerated: T, the reason, Enter; and taken back.
    press(page, "t")
    page.wait_for_selector("input[aria-label^='Why is it tolerated']:focus")
    page.keyboard.type("=cleaned next week")
    page.keyboard.press("Enter")
    wait_for(book, page, 5)
    idle(page)
    assert in_force(book)["C-4", "cleanliness"][0] == "tolerate"
    page.wait_for_selector("text==cleaned next week")
    press(page, "z")
    wait_for(book, page, 6)
    assert ("C-4", "cleanliness") not in in_force(book)
    press(page, "c")
    wait_for(book, page, 7)
    assert in_force(book)["C-4", "cleanliness"][0] == "confirm"
    # A reload loses nothing.
    page.reload()
    page.wait_for_selector("h1:has-text('C-4')")
    page.wait_for_selector("text=confirmed by Ada Example")


def test_second_reviewer_is_told(worked_on: tuple[str, Logbook], page_of: Callable[[str], Any]) -> None:
    address, book = worked_on
    page = page_of("desk")
    shown(page, address)
    page.wait_for_selector("h1:has-text('C-1')")
    book.decide(1, "C-1", "aim", "tolerate", "Ben Other", "agreed on site")
    press(page, "c")
    page.wait_for_selector("text=Ben Other decided")
    assert in_force(book)["C-1", "aim"][1] == "Ben Other"


def test_name_is_asked_for_before_a_decision(site: tuple[str, Path], page_of: Callable[[str], Any]) -> None:
    """Nor does an address say it that somebody else made up."""
    page = page_of("desk")
    with served(site[1], name="") as address:
        shown(page, address, query="?name=Ada+Example")
        page.wait_for_selector("text=Enter your name above")
        assert page.get_by_label("Your name").input_value() == ""


def test_hostile_names_are_shown_as_text(site: tuple[str, Path], new_page_of: Callable[[str], Any]) -> None:
    address, _ = site
    page = new_page_of("desk")
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("dialog", lambda dialog: pytest.fail("a name was run as a script"))
    shown(page, address, query="?visit=1&camera=C-4")
    heading = page.wait_for_selector("h1:has-text('C-4')")
    assert HOSTILE_NAME in heading.inner_text()
    for name in ("place", "site", "sign", "plan", "bring_in"):
        turned(page, name)
    assert not [url for url in asked if not re.match(r"(http|ws)://127\.0\.0\.1|data:|blob:", url)]


def test_drawing_opens_a_camera_by_keyboard(site: tuple[str, Path], page_of: Callable[[str], Any]) -> None:
    address, _ = site
    page = page_of("desk")
    shown(page, address, "site")
    page.locator("[data-camera='C-2']").focus()
    page.keyboard.press("Enter")
    page.wait_for_selector("h1:has-text('C-2')")


def test_zoom_is_linked_and_nothing_jumps(site: tuple[str, Path], page_of: Callable[[str], Any]) -> None:
    address, _ = site
    page = page_of("desk")
    shown(page, address, query="?visit=2&camera=C-5")
    frames = page.locator(".frame")
    frames.nth(1).wait_for()
    assert "visit 1" in page.locator("figcaption").nth(1).inner_text()
    before = frames.first.bounding_box()
    frames.first.focus()
    page.keyboard.press("+")
    page.keyboard.press("ArrowRight")
    transforms = [frames.nth(i).locator("img").evaluate("i => i.style.transform + i.style.transformOrigin") for i in (0, 1)]
    assert transforms[0] == transforms[1] and "scale(1.5)" in transforms[0]
    press(page, "Escape")
    page.evaluate("document.activeElement.blur()")
    press(page, "ArrowRight")
    page.wait_for_selector("h1:has-text('C-6')")
    assert frames.first.bounding_box() == before


def test_place_then_sign_then_verify(
    worked_on: tuple[str, Logbook], page_of: Callable[[str], Any], keep: Any, tmp_path: Path
) -> None:
    address, book = worked_on
    page = page_of("desk")
    shown(page, address, "place")
    page.wait_for_selector("text=2 questions left")
    page.get_by_role("button", name="Not a camera photo").wait_for()
    idle(page)
    press(page, "1")
    page.wait_for_selector("text=1 questions left")
    press(page, "0")
    page.wait_for_selector("text=No photo to assign")
    assert {a.camera for a in book.answer_history(1)} == {"C-1", None} or len(book.answers(1)) == 2
    shown(page, address, "sign")
    page.locator("input[type='checkbox'][aria-label^='I sign with']").focus()
    page.keyboard.press("Space")
    idle(page)
    page.locator("input[type='password']").focus()
    page.keyboard.type("a long passphrase")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=Signed by Ada Example")
    page.get_by_role("button", name="Check that nothing changed").press("Enter")
    page.wait_for_selector("text=Nothing changed since it was signed.")
    page.locator("input[type='password']").fill("a long passphrase")
    page.locator("input[type='password']").press("Enter")
    idle(page)
    page.get_by_role("button", name="Write the handover package").press("Enter")
    page.wait_for_selector("text=Download as ZIP", timeout=60_000)
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Download as ZIP").press("Enter")
    package = tmp_path / "package.zip"
    shutil.copy(waiting.value.path(), package)
    assert verify_package(package) == ()
    keep(page, "signed_desk")
    assert "BEGIN ENCRYPTED PRIVATE KEY" in "".join(
        p.read_text(errors="replace") for p in book.keys_folder().iterdir() if p.is_file()
    )


def test_bring_in_by_folder_then_maintenance_visit(tmp_path: Path, page_of: Callable[[str], Any], keep: Any) -> None:
    plan = write_plan_of(tmp_path / "plan.csv", 3)
    book = Logbook.create(str(tmp_path / "logbook"), read_plan(plan), plan.name, plan.read_bytes())
    photos = tmp_path / "photos"
    photos.mkdir()
    began = datetime.now(UTC).date()
    for n in (1, 2):
        (photos / f"C-{n}_day.jpg").write_bytes(photograph(n))
    (photos / "notes.txt").write_text("not a photo")
    with served(tmp_path / "logbook") as address:
        page = page_of("phone")
        page.goto(f"{address}/bring_in")
        page.get_by_label("Folder on this computer").fill(str(photos))
        page.get_by_role("button", name="Start").press("Enter")
        page.wait_for_selector("text=2 photos read, 1 refused", timeout=90_000)
        page.wait_for_selector("text=notes.txt: this is not a photo")
        keep(page, "brought_in_phone")
        visit = book.visit()
        assert visit.kind == "commissioning" and len(book.photos(visit)) == 2
        assert began <= visit.on <= datetime.now(UTC).date()
        book.sign(visit, "Ada Example")
        book.open_visit("maintenance", visit.on + timedelta(days=200))
        shown(page, address, "over_time", "?visit=1")
        page.wait_for_selector("text=1 · commissioning")
    book.close()
