"""Forty cameras with fifteen findings reviewed by keys alone, at a reader's pace.

    python -m tests.bench.review_speed [SECONDS_TO_READ]

A script looks at each camera for so long (2 s unless told otherwise), decides what the camera asks for and goes on: most
findings are confirmed with the key that goes on, every sixth camera's is dismissed with a reason that was taken over. Prints
the whole time, keys a finding (all keys pressed at cameras that ask for something, the one that goes on among them), and the
time from the key to the next camera's picture on the screen, beside an empty page's in the same run. Gates nothing.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from playwright.sync_api import sync_playwright

from audit.account.worklist import asks
from audit.logbook import Logbook
from tests.bench.desk_scale import decided, empty_page
from tests.browser.desk_server import ARGUMENTS, CHROMIUM, SIZES, idle, served, shown
from tests.desk_samples import judged_logbook, verdict_of

CAMERAS = 40
#: Cameras that ask for two things, and for one.
OF_TWO, OF_ONE = 3, 9
DISMISSED_EVERY = 6
_ROUNDS = 10

#: Notes when a key was pressed that goes on, and when another camera's picture stands there whole.
WATCH = """
() => {
  window.pictureTimes = [];
  const seen = () => {
    for (const host of document.querySelectorAll(".st-key-viewer *")) {
      const image = host.shadowRoot?.querySelector(".frame img") ?? (host.matches(".frame img") ? host : null);
      if (image) return image;
    }
    return null;
  };
  const name = () => { const image = seen(); return image?.complete && image.naturalWidth ? image.alt.split(":")[0] : null; };
  document.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || /^(INPUT|TEXTAREA)$/.test(event.composedPath()[0].tagName)) return;
    const before = name(), begun = performance.now();
    const look = () => {
      const now = name();
      if (now && now !== before) window.pictureTimes.push(performance.now() - begun);
      else if (performance.now() - begun < 20000) requestAnimationFrame(look);
    };
    requestAnimationFrame(look);
  }, true);
}
"""


@dataclass(slots=True)
class Review:
    """What a run came to."""

    seconds: float = 0.0
    keys: int = 0
    keys_at_findings: int = 0
    findings: int = 0
    picture_ms: tuple[float, ...] = ()


def asking_site(folder: Path, cameras: int = CAMERAS, of_two: int = OF_TWO, of_one: int = OF_ONE) -> Logbook:
    """A logbook with one open visit in which some cameras ask for two things, some for one, the rest for nothing."""
    book = judged_logbook(folder, cameras=cameras, visits=1)
    visit, site = book.visit(), book.site()
    verdicts = []
    for n, camera in enumerate(site.cameras):
        like = 0 if n < of_two else 3 if n < of_two + of_one else 5
        verdict = verdict_of(site, like, 0)
        photo = f"{camera.camera}_day.jpg"
        findings = tuple(replace(f, camera=camera.camera, photo=photo if f.photo else None) for f in verdict.findings)
        verdicts.append(replace(verdict, camera=camera.camera, findings=findings, photos=(photo,)))
    with book.writing(visit):
        book.put_verdicts(visit, verdicts)
    return book


def reviewed(page: Any, book: Logbook, read_s: float) -> Review:
    """Go through every camera that the open page shows, by keys alone."""
    asking = {v.camera: sum(map(asks, v.findings)) for v in book.verdicts(1)}
    review, begun, met = Review(), time.perf_counter(), 0
    page.evaluate(WATCH)
    for at in range(len(asking)):
        page.wait_for_timeout(1000 * read_s)
        idle(page)
        camera = page.locator("h1").inner_text().split()[0]
        there = asking[camera]
        keys = 0
        if there == 1:
            met += 1
            if met % DISMISSED_EVERY == 0:
                keys += dismissed(page)
        if at < len(asking) - 1 or there:
            page.keyboard.press("Enter")
            keys += 1
        if at < len(asking) - 1:
            page.wait_for_function("was => !document.querySelector('h1')?.innerText.startsWith(was)", arg=f"{camera} ")
        review.keys += keys
        review.findings += there
        review.keys_at_findings += keys if there else 0
    review.seconds = time.perf_counter() - begun
    idle(page)
    review.picture_ms = tuple(page.evaluate("() => window.pictureTimes"))
    return review


def dismissed(page: Any) -> int:
    """Dismiss the finding with the first reason at hand; how many keys that took."""
    page.keyboard.press("d")
    page.wait_for_selector("input[aria-label^='Why is it no fault']:focus")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=dismissed by")
    idle(page)
    return 3


def share(times: tuple[float, ...], of: float) -> float:
    """The time that so large a share of them stays below."""
    return sorted(times)[min(len(times) - 1, int(of * len(times)))]


def main(read_s: float) -> None:
    """Generate, review, print."""
    with tempfile.TemporaryDirectory() as place, sync_playwright() as playwright:
        folder = Path(place)
        book = asking_site(folder)
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=ARGUMENTS)
        with empty_page(folder) as empty, served(folder / "logbook") as desk:
            page = browser.new_page(viewport=SIZES["desk"])
            page.goto(empty)
            page.wait_for_selector(".counts")
            page.wait_for_timeout(1000)
            bare = 1000 * statistics.median(decided(page, _ROUNDS))
            shown(page, desk)
            review = reviewed(page, book, read_s)
        browser.close()
        book.close()
    print(f"{CAMERAS} cameras, {review.findings} findings, {read_s:g} s to read each: {review.seconds:.0f} s, {review.keys} keys, "
          f"{review.keys_at_findings / review.findings:.2f} keys a finding")  # fmt: skip
    print(f"next picture: median {statistics.median(review.picture_ms):.0f} ms, 95 % within {share(review.picture_ms, 0.95):.0f} ms "
          f"({len(review.picture_ms)} of them); an empty page's run: {bare:.0f} ms")  # fmt: skip


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 2.0)
