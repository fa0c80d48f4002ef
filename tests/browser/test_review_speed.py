"""Review at speed: one key a finding, pictures fetched ahead, reasons taken over, several cameras at once."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from audit.logbook import Logbook
from tests.bench.review_speed import asking_site, reviewed, share
from tests.browser.desk_server import idle, press, served, shown

pytestmark = pytest.mark.browser


@pytest.fixture
def asking(tmp_path: Path) -> Iterator[tuple[str, Logbook]]:
    """A desk on twelve cameras with seven findings: two with two, three with one."""
    book = asking_site(tmp_path, cameras=12, of_two=2, of_one=3)
    with served(tmp_path / "logbook") as address:
        yield address, book
    book.close()


def standing(book: Logbook) -> dict[tuple[str, str], tuple[str, str]]:
    return {(d.camera, d.check): (d.decision, d.why) for d in book.standing(1)}


def test_every_finding_by_keys_alone(asking: tuple[str, Logbook], page_of: Callable[[str], Any]) -> None:
    """At most 1.3 keys a finding, the key that goes on among them; and every picture that came was the camera's own."""
    address, book = asking
    page = page_of("desk")
    shown(page, address)
    review = reviewed(page, book, 0.3)
    assert review.findings == 7 and review.keys_at_findings / review.findings <= 1.3
    assert len(review.picture_ms) == 11 and share(review.picture_ms, 0.95) <= 150
    assert len(standing(book)) == 7 and {said for said, _ in standing(book).values()} == {"confirm"}


def test_picture_and_worst_finding_stand_on_one_screen(asking: tuple[str, Logbook], page_of: Callable[[str], Any]) -> None:
    address, _ = asking
    page = page_of("desk")
    shown(page, address)
    for box in (page.locator(".frame").first, page.locator(".finding").first, page.locator(".st-key-confirm button")):
        place = box.bounding_box()
        assert place["y"] >= 0 and place["y"] + place["height"] <= 900, place


def test_the_next_picture_is_there_before_it_is_asked_for(
    asking: tuple[str, Logbook], new_page_of: Callable[[str], Any]
) -> None:
    """Its bytes travel once, with the page before; one that the browser has lost is sent again."""
    address, _ = asking
    page = new_page_of("desk")
    frames: list[str] = []
    page.on("websocket", lambda socket: socket.on("framereceived", lambda frame: frames.append(_text(frame))))
    shown(page, address)
    page.wait_for_function("() => window.photoAuditPictures?.size >= 1")
    token = page.evaluate("() => [...window.photoAuditPictures.keys()].at(-1)")
    source = page.evaluate("() => [...window.photoAuditPictures.values()].at(-1).src")
    idle(page)
    frames.clear()
    press(page, "ArrowRight", "next")
    page.wait_for_selector("h1:has-text('C-2')")
    image = page.locator(".frame img").first
    assert image.get_attribute("src") == source and image.get_attribute("alt").startswith("C-2:")
    sent = "".join(frames)
    assert token in sent and source[len(source) // 2 :][:60] not in sent
    page.wait_for_timeout(300)
    page.evaluate("() => window.photoAuditPictures.clear()")
    press(page, "ArrowRight", "next")
    page.wait_for_selector("h1:has-text('C-3')")
    page.wait_for_function("() => true")
    idle(page)
    assert page.locator(".frame img").first.get_attribute("alt").startswith("C-3:")
    assert page.locator(".frame img").first.evaluate("i => i.naturalWidth") > 0


def test_a_page_that_stays_takes_its_own_picture_back(asking: tuple[str, Logbook], page_of: Callable[[str], Any]) -> None:
    """The next picture is shown at once; where another person was faster the camera stays, and its own picture counts again."""
    address, book = asking
    page = page_of("desk")
    shown(page, address, query="?camera=C-3")
    page.wait_for_function("() => window.photoAuditGoing?.next")
    idle(page)
    book.decide(1, "C-3", "cleanliness", "dismiss", "Ben Other", "rain on that day")
    page.evaluate("""() => { window.seen = []; const look = () => {
      const image = [...document.querySelectorAll(".st-key-viewer *")].map((e) => e.shadowRoot?.querySelector(".frame img")).find(Boolean);
      const dim = document.querySelector(".st-key-review-findings")?.classList.contains("going-on") ?? false;
      window.seen.push([image?.alt.split(":")[0], dim]); requestAnimationFrame(look); }; look(); }""")
    page.keyboard.press("Enter")
    page.wait_for_function("() => window.seen.some(([name, dim]) => name === 'C-4' && dim)")
    page.wait_for_selector("text=Ben Other")
    idle(page)
    page.wait_for_function("() => { const [name, dim] = window.seen.at(-1); return name === 'C-3' && !dim; }")
    assert standing(book)["C-3", "cleanliness"] == ("dismiss", "rain on that day")


def _text(frame: str | bytes) -> str:
    return frame if isinstance(frame, str) else frame.decode("latin-1")


def test_reasons_are_taken_over_and_edited(asking: tuple[str, Logbook], page_of: Callable[[str], Any], keep: Any) -> None:
    address, book = asking
    book.decide(1, "C-5", "cleanliness", "dismiss", "Ben Other", "rain on that day")
    page = page_of("desk")
    shown(page, address, query="?camera=C-3")
    press(page, "d", "dismiss")
    field = page.locator("input[aria-label^='Why is it no fault']")
    page.wait_for_selector("input[aria-label^='Why is it no fault']:focus")
    chips = page.locator(".reasons button")
    assert chips.first.inner_text() == "rain on that day", "what was said of the same check in this visit comes first"
    keep(page, "reasons_desk")
    chips.nth(1).click()
    assert field.input_value() == chips.nth(1).inner_text()
    page.keyboard.press("ArrowUp")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowDown")
    assert field.input_value() in [chips.nth(n).inner_text() for n in range(chips.count())]
    chips.first.click()
    page.keyboard.press("End")
    page.keyboard.type(", seen again on 20 June")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=dismissed by Ada Example")
    assert standing(book)["C-3", "cleanliness"] == ("dismiss", "rain on that day, seen again on 20 June")


def test_several_cameras_at_once(asking: tuple[str, Logbook], page_of: Callable[[str], Any], keep: Any) -> None:
    """Listed, one left out, recorded each on its own; one is taken back, then all, and another person's word stays."""
    address, book = asking
    page = page_of("desk")
    shown(page, address, query="?camera=C-3")
    press(page, "o", "together_open")
    page.wait_for_selector("text=3 cameras wait for a word")
    keep(page, "together_desk")
    page.get_by_text("C-4: The picture").click()
    page.get_by_role("radio", name="tolerated").or_(page.get_by_role("button", name="tolerated")).first.click()
    page.get_by_label("Reason (needed to dismiss").fill("film is thin, cleaned in spring")
    page.get_by_role("button", name="Record for all that are ticked").click()
    page.wait_for_selector("text=Recorded for 2 cameras: C-3, C-5.")
    said = ("tolerate", "film is thin, cleaned in spring")
    assert standing(book) == {("C-3", "cleanliness"): said, ("C-5", "cleanliness"): said}
    book.undo(1, "C-5", "cleanliness", "Ben Other")
    book.decide(1, "C-5", "cleanliness", "confirm", "Ben Other", "")
    page.get_by_role("button", name="Undo all 2").click()
    page.wait_for_selector("text=Taken back for 1 of 2 cameras")
    assert standing(book) == {("C-5", "cleanliness"): ("confirm", "")}
