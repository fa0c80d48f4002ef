"""No serious fault on any page by axe-core (npm, MPL-2.0), which checks WCAG 2 rules in a real browser."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import pytest

from tests.bench.review_speed import asking_site
from tests.browser.desk_server import ARTEFACTS, idle, press, served, shown, turned
from tests.desk_samples import judged_logbook

pytestmark = pytest.mark.browser
PAGES = ("", "bring_in", "aim", "place", "site", "over_time", "checks", "sign", "plan")
#: Streamlit's own elements that the desk can't change; each with what axe says of it.
NOT_OURS: dict[str, tuple[str, ...]] = {}


@pytest.fixture(scope="module")
def axe(for_all_workers: Callable[[str], AbstractContextManager[Path]]) -> str:
    """axe-core's script, installed by npm once in this run."""
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip("npm is not installed: apt-get install npm")
    with for_all_workers("npm") as folder:
        script = folder / "node_modules" / "axe-core" / "axe.min.js"
        try:
            if not script.exists():
                subprocess.run(
                    [npm, "install", "axe-core@4", "--silent", "--ignore-scripts", "--no-audit", "--no-fund"],
                    cwd=folder, check=True, timeout=60, capture_output=True,
                )  # fmt: skip
        except (subprocess.SubprocessError, OSError) as error:
            pytest.skip(f"axe-core can't be fetched from npm here: {error}")
        return script.read_text(encoding="utf-8")


#: Widths and heights: a desk, a tablet on its side, the desk at 200 % zoom (WCAG 2.2, 1.4.4: half as many CSS pixels), a phone.
WINDOWS = ((1440, 900), (1024, 768), (720, 450), (390, 844))


#: Buttons and badges whose words reach beyond them.
CUT = """() => [...document.querySelectorAll("button, .state, h1, h2")].filter((e) => e.offsetParent && e.scrollWidth > e.clientWidth + 2
  && getComputedStyle(e).overflowX !== "visible").map((e) => e.innerText.slice(0, 60))"""


def test_no_serious_fault(axe: str, tmp_path: Path, page_of: Callable[[str], Any]) -> None:
    judged_logbook(tmp_path).close()
    found = []
    with served(tmp_path / "logbook") as address:
        page = page_of("desk")
        shown(page, address, query="?visit=1")
        page.evaluate(axe)
        for name in PAGES:
            turned(page, name, "?visit=1")
            for width, height in WINDOWS:
                page.set_viewport_size({"width": width, "height": height})
                idle(page)
                found += [(width, name or "review", *fault) for fault in _serious(page)]
                over = page.evaluate("document.scrollingElement.scrollWidth - window.innerWidth")
                assert over <= 1, f"{name} is {over} px wider than a window of {width} px"
    assert found == []


@pytest.mark.parametrize("language", ["de", "fr"])
def test_longer_words_fit_too(axe: str, tmp_path: Path, page_of: Callable[[str], Any], language: str) -> None:
    """German and French are longer: no page grows wider than its window, and none of its buttons' words is cut off."""
    judged_logbook(tmp_path).close()
    found = []
    with served(tmp_path / "logbook") as address:
        page = page_of("desk")
        shown(page, address, query=f"?visit=1&language={language}")
        page.evaluate(axe)
        for name in PAGES:
            turned(page, name, f"?visit=1&language={language}")
            for width, height in WINDOWS[2:]:
                page.set_viewport_size({"width": width, "height": height})
                idle(page)
                if page.evaluate("document.scrollingElement.scrollWidth - window.innerWidth") > 1:
                    found.append((width, name, "wider than the window"))
                found += [(width, name, words) for words in page.evaluate(CUT)]
            found += [(width, name, *fault) for fault in _serious(page)]
    assert found == []


def test_no_serious_fault_while_one_decides(axe: str, tmp_path: Path, page_of: Callable[[str], Any]) -> None:
    """The choice of cameras, reasons to take over, and several cameras at once."""
    asking_site(tmp_path, cameras=6, of_two=1, of_one=3).close()
    found = []
    with served(tmp_path / "logbook") as address:
        page = page_of("desk")
        shown(page, address, query="?camera=C-2")
        page.evaluate(axe)
        press(page, "d", "dismiss")
        page.locator(".reasons button").first.wait_for()
        found += _serious(page)
        page.get_by_role("button", name="Cancel").click()
        page.get_by_role("button", name="Others with this finding").click()
        page.wait_for_selector("text=3 cameras wait for a word")
        idle(page)
        found += _serious(page)
        page.get_by_role("button", name="All cameras").click()
        page.wait_for_selector("text=Part of the mounting")
        idle(page)
        found += _serious(page)
    assert found == []


def _serious(page: Any) -> list[tuple[str, list[str]]]:
    """Serious and critical faults of the page as it stands."""
    faults = page.evaluate("axe.run({ resultTypes: ['violations'] }).then(r => r.violations)")
    return [
        (fault["id"], [n["html"][:160] for n in nodes[:4]])
        for fault in faults
        if fault["impact"] in ("serious", "critical")
        and (nodes := [n for n in fault["nodes"] if not _not_ours(fault["id"], n["html"])])
    ]


def test_no_serious_fault_where_somebody_speaks(axe: str, tmp_path: Path, page_of: Callable[[str], Any]) -> None:
    """The form of a finding of one's own with its mark, and a photo that is chosen to be named or moved."""
    judged_logbook(tmp_path, visits=1).close()
    with served(tmp_path / "logbook") as address:
        page = page_of("desk")
        shown(page, address, query="?camera=C-5")
        page.wait_for_selector("h1:has-text('C-5')")
        page.locator(".gallery button").first.click()
        page.wait_for_selector("text=Move it there")
        page.get_by_role("button", name="Add what you see").click()
        page.get_by_text("Mark the place in a photo").click()
        page.locator(".point").last.wait_for()
        idle(page)
        page.evaluate(axe)
        found = _serious(page)
        page.locator(".point").last.scroll_into_view_if_needed()
        ARTEFACTS.mkdir(exist_ok=True)
        page.screenshot(path=str(ARTEFACTS / "saying_desk.png"), full_page=True)
        assert found == []


def _not_ours(rule: str, html: str) -> bool:
    return any(part in html for part in NOT_OURS.get(rule, ()))
