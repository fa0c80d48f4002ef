"""No serious fault on any page by axe-core (npm, MPL-2.0), which checks WCAG 2 rules in a real browser."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.browser.desk_server import ARTEFACTS, idle, served, shown
from tests.desk_samples import judged_logbook

pytestmark = pytest.mark.browser
PAGES = ("", "bring_in", "aim", "place", "site", "over_time", "checks", "sign", "plan")
#: Streamlit's own elements that the desk can't change; each with what axe says of it.
NOT_OURS: dict[str, tuple[str, ...]] = {}


@pytest.fixture(scope="module")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """axe-core's script, installed by npm for this run."""
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip("npm is not installed: apt-get install npm")
    folder = tmp_path_factory.mktemp("npm")
    try:
        subprocess.run(
            [npm, "install", "axe-core@4", "--silent", "--ignore-scripts", "--no-audit", "--no-fund"],
            cwd=folder, check=True, timeout=60, capture_output=True,
        )  # fmt: skip
    except (subprocess.SubprocessError, OSError) as error:
        pytest.skip(f"axe-core can't be fetched from npm here: {error}")
    return (folder / "node_modules" / "axe-core" / "axe.min.js").read_text(encoding="utf-8")


def test_no_serious_fault(axe: str, tmp_path: Path, page_of: Callable[[str], Any]) -> None:
    judged_logbook(tmp_path).close()
    found = []
    with served(tmp_path / "logbook") as address:
        for size in ("desk", "phone"):
            page = page_of(size)
            for name in PAGES:
                page.goto(f"{address}/{name}?visit=1")
                page.wait_for_selector(".counts")
                page.wait_for_timeout(1200)
                page.evaluate(axe)
                faults = page.evaluate("axe.run().then(r => r.violations)")
                for fault in faults:
                    nodes = [n for n in fault["nodes"] if not _not_ours(fault["id"], n["html"])]
                    if fault["impact"] in ("serious", "critical") and nodes:
                        found.append((size, name or "review", fault["id"], [n["html"][:160] for n in nodes[:4]]))
    assert found == []


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
        faults = page.evaluate("axe.run().then(r => r.violations)")
        page.locator(".point").last.scroll_into_view_if_needed()
        ARTEFACTS.mkdir(exist_ok=True)
        page.screenshot(path=str(ARTEFACTS / "saying_desk.png"), full_page=True)
        found = [(f["id"], [n["html"][:160] for n in f["nodes"][:4]]) for f in faults if f["impact"] in ("serious", "critical")]
        assert found == []


def _not_ours(rule: str, html: str) -> bool:
    return any(part in html for part in NOT_OURS.get(rule, ()))
