"""A browser for all files of tests; skipped, with the reason, where there is none."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from tests.browser.desk_server import ARGUMENTS, ARTEFACTS, CHROMIUM, SIZES


@pytest.fixture(scope="package")
def browser() -> Iterator[Any]:
    """One for each worker, closed before it goes on to another room: while it is open its loop runs in this process, and no
    other test of the worker could run one. Each page or context that a test opens has its own cookies and its own storage."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed: pip install playwright")
    if not CHROMIUM.exists():
        pytest.skip(f"{CHROMIUM} is missing: apt-get install chromium")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture
def page_of(browser: Any) -> Iterator[Callable[[str], Any]]:
    """A page of a size's name; what the browser says went wrong fails the test."""
    pages = []

    def make(size: str) -> Any:
        page = browser.new_page(viewport=SIZES[size])
        page.set_default_timeout(30_000)
        pages.append(page)
        return page

    yield make
    for page in pages:
        page.close()


@pytest.fixture
def keep(request: pytest.FixtureRequest) -> Callable[[Any, str], None]:
    """Keep a picture of the page for whoever looks at the run."""

    def save(page: Any, name: str) -> None:
        ARTEFACTS.mkdir(exist_ok=True)
        page.screenshot(path=str(ARTEFACTS / f"{name}.png"))

    return save
