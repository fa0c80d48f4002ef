"""A browser for all files of tests; skipped, with the reason, where there is none."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from tests.browser.desk_server import ARGUMENTS, ARTEFACTS, CHROMIUM, SIZES

#: No page of a test lives long enough to win back what optimising its scripts costs: a fifteenth of a page's processor time (benches
#: of what a user waits for leave it on).
PLAIN_SCRIPTS = "--js-flags=--no-opt,--no-maglev"


@pytest.fixture(scope="package")
def browser() -> Iterator[Any]:
    """One for each worker, closed before it goes on to another room: while it is open its loop runs in this process, and no
    other test of the worker could run one. Each page or context that a test opens has its own cookies and its own storage."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed: pip install playwright")
    if not CHROMIUM.exists():
        pytest.skip(f"{CHROMIUM} is missing: apt-get install chromium")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=[*ARGUMENTS, PLAIN_SCRIPTS])
        yield browser
        browser.close()


@pytest.fixture(scope="package")
def window(browser: Any) -> Iterator[Any]:
    """A window for one page after another, kept open by an empty one: a new one costs as much as half a page of the desk."""
    context = browser.new_context()
    context.new_page()
    yield context
    context.close()


@pytest.fixture(scope="package")
def kept_pages(window: Any) -> list[Any]:
    """The page that stays open from one test to the next, on the desk of the test before: the next one is drawn by the same
    process, which has the desk's scripts compiled (1.0 s of processor time for each page that is gone to; 1.7 s in a new one)."""
    return [window.new_page()]


@pytest.fixture
def page_of(browser: Any, window: Any, kept_pages: list[Any]) -> Iterator[Callable[[str], Any]]:
    """A page of a size's name: a test's first one is the kept page, which forgets what it held, further ones (of other
    people) stand in windows of their own. A test that listens to its page asks for :func:`new_page_of`."""
    pages = []

    def make(size: str) -> Any:
        page = _sized(browser.new_page() if pages else kept_pages[-1], size)
        pages.append(page)
        return page

    yield make
    for page in pages[1:]:
        page.close()
    if pages:
        _forget(pages[0])
        if pages[0].is_closed():
            kept_pages[:] = [window.new_page()]
    window.clear_cookies()
    window.clear_permissions()


@pytest.fixture
def new_page_of(window: Any) -> Iterator[Callable[[str], Any]]:
    """A page of a size's name that no test had before or gets after."""
    pages = []

    def make(size: str) -> Any:
        pages.append(_sized(window.new_page(), size))
        return pages[-1]

    yield make
    for page in pages:
        _forget(page)
        page.close()
    window.clear_cookies()


def _sized(page: Any, size: str) -> Any:
    page.set_viewport_size(SIZES[size])
    page.set_default_timeout(30_000)
    return page


def _forget(page: Any) -> None:
    """Empty what a page's address keeps in the browser."""
    if not page.is_closed() and page.url.startswith("http"):
        page.evaluate("() => { localStorage.clear(); sessionStorage.clear(); }")


@pytest.fixture
def keep(request: pytest.FixtureRequest) -> Callable[[Any, str], None]:
    """Keep a picture of the page for whoever looks at the run."""

    def save(page: Any, name: str) -> None:
        ARTEFACTS.mkdir(exist_ok=True)
        page.screenshot(path=str(ARTEFACTS / f"{name}.png"))

    return save
