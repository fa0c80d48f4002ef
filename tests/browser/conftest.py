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


@pytest.fixture(scope="package")
def window(browser: Any) -> Iterator[Any]:
    """A window for one page after another, kept open by an empty one: a new one costs as much as half a page of the desk."""
    context = browser.new_context()
    context.new_page()
    yield context
    context.close()


@pytest.fixture
def page_of(browser: Any, window: Any) -> Iterator[Callable[[str], Any]]:
    """A page of a size's name: a test's first one in the kept window, which forgets what it held, further ones (of other
    people) in windows of their own."""
    pages = []

    def make(size: str) -> Any:
        page = browser.new_page() if pages else window.new_page()
        page.set_viewport_size(SIZES[size])
        page.set_default_timeout(30_000)
        pages.append(page)
        return page

    yield make
    for page in pages:
        if not page.is_closed() and page.url.startswith("http"):
            page.evaluate("() => { localStorage.clear(); sessionStorage.clear(); }")
        page.close()
    window.clear_cookies()
    window.clear_permissions()


@pytest.fixture
def keep(request: pytest.FixtureRequest) -> Callable[[Any, str], None]:
    """Keep a picture of the page for whoever looks at the run."""

    def save(page: Any, name: str) -> None:
        ARTEFACTS.mkdir(exist_ok=True)
        page.screenshot(path=str(ARTEFACTS / f"{name}.png"))

    return save
