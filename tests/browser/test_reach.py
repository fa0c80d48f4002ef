"""Everyone reaches everything: zoom, narrow screens, and how many keys a camera takes."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from audit.logbook import Logbook
from tests.browser.desk_server import idle, press, served, shown, turned
from tests.desk_samples import judged_logbook

pytestmark = pytest.mark.browser
PAGES = ("", "bring_in", "aim", "place", "site", "over_time", "checks", "sign", "plan")
#: CSS pixels: a desk, the same at 200 % (WCAG 2.2, 1.4.4), a phone, and the width of 1.4.10 (reflow).
SIZES = {"desk": (1440, 900), "zoom 200 %": (720, 450), "phone": (390, 844), "reflow": (320, 640)}
#: Text that is cut off or lies outside the screen, leaving out what may scroll in two directions (1.4.10: drawings, the
#: editable table) and what is there for screen readers alone.
CUT_OFF = """() => {
  const found = [], wide = window.innerWidth + 1;
  for (const node of document.querySelectorAll('.stApp *')) {
    const text = [...node.childNodes].filter((n) => n.nodeType === 3).map((n) => n.data.trim()).join('');
    if (!text || node.closest("svg, .drawing, [data-testid='stDataFrame'], .unseen, [data-testid='stSidebar'], a[href^='#'], [data-testid='stSkipLink'], style, script, [hidden]")) continue;
    const style = getComputedStyle(node);
    if (style.visibility === 'hidden' || style.clipPath !== 'none' || node.closest('thead')) continue;
    const box = node.getBoundingClientRect();
    if (!box.width || !box.height) continue;
    if (box.right > wide || box.left < -1) found.push(['outside', text.slice(0, 60)]);
    if (style.overflowX === 'hidden' && node.scrollWidth > node.clientWidth + 1) found.push(['cut', text.slice(0, 60)]);
    for (let up = node.parentElement; up && up !== document.body; up = up.parentElement) {
      const frame = getComputedStyle(up), edge = up.getBoundingClientRect();
      if (frame.clipPath !== 'none' || edge.width < 2) break;
      if (frame.overflowX === 'hidden' && (box.right > edge.right + 1.5)) { found.push(['behind', text.slice(0, 60)]); break; }
      if (frame.overflowX === 'auto' || frame.overflowX === 'scroll') {
        if (up.scrollWidth > up.clientWidth + 1) found.push(['sideways', text.slice(0, 60)]);
        break;
      }
    }
  }
  return found;
}"""


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("looked-at")
    judged_logbook(folder).close()
    with served(folder / "logbook") as address:
        yield address


@pytest.fixture
def sized(browser: Any) -> Iterator[Callable[[str], Any]]:
    """A page of a size, two device pixels to each of the page's."""
    contexts = []

    def make(size: str) -> Any:
        wide, high = SIZES[size]
        contexts.append(browser.new_context(viewport={"width": wide, "height": high}, device_scale_factor=2))
        page = contexts[-1].new_page()
        page.set_default_timeout(30_000)
        return page

    yield make
    for context in contexts:
        context.close()


def test_each_page_is_drawn_and_nothing_is_cut_off(site: str, sized: Callable[[str], Any], keep: Any) -> None:
    """Each page is opened once and made wider and narrower, as one does who turns the screen or zooms."""
    page = sized(next(iter(SIZES)))
    found = {}
    shown(page, site)
    for name in PAGES:
        for visit in (1, 2) if name == "" else (2,):
            turned(page, name, f"?visit={visit}&camera=C-4")
            for size, (wide, high) in SIZES.items():
                page.set_viewport_size({"width": wide, "height": high})
                idle(page)
                page.wait_for_timeout(600)
                assert page.locator("[data-testid='stException']").count() == 0, name
                if visit == 2 and size in ("desk", "phone"):
                    keep(page, f"{name or 'review'}_{size}")
                over = page.evaluate("document.scrollingElement.scrollWidth - window.innerWidth")
                cut = [] if size == "desk" else page.evaluate(CUT_OFF)  # a long name may end in dots in the wide window's heading
                if over > 1 or cut:
                    found[name or "review", visit, size] = (over, cut[:5])
                    keep(page, f"cut_{name or 'review'}_{size.split()[0]}")
    assert not found, "\n".join(f"{place}: {what}" for place, what in found.items())


def _written(page: Any, field: Any, text: str) -> None:
    """Write in a field and leave it: the page takes over what is in a field as it is left, and moves its buttons under a click
    that leaves it."""
    field.fill(text)
    page.keyboard.press("Tab")
    idle(page)


@pytest.mark.parametrize("size", ["zoom 200 %", "phone"])
def test_no_function_is_lost(tmp_path: Path, sized: Callable[[str], Any], size: str) -> None:
    book = judged_logbook(tmp_path, visits=1)
    with served(tmp_path / "logbook") as address:
        page = sized(size)
        shown(page, address)
        page.get_by_role("button", name="Tolerate").click()
        _written(page, page.get_by_label("Why is it tolerated"), "agreed")
        page.get_by_role("button", name="Save").click()
        page.wait_for_selector("text=tolerated by Ada Example")
        idle(page)
        page.get_by_role("button", name="All cameras").click()
        idle(page)
        page.get_by_role("button", name="to check").click()
        page.wait_for_selector("h1:has-text('C-4')")
        idle(page)
        page.keyboard.press("Escape")
        page.get_by_role("button", name="Night", exact=True).or_(page.get_by_text("snapshot").first).first.wait_for()
        for name, words in (("Assign photos", "Photos to assign"), ("Site plan", "Site plan"), ("Sign-off", "Open findings")):
            page.get_by_role("button", name="Pages").click()
            page.get_by_role("link", name=name).click()
            page.get_by_role("heading", name=words).first.wait_for()
            idle(page)
        with page.expect_download() as waiting:
            page.get_by_role("button", name="Download job list").click()
        assert "C-2: aim" in Path(waiting.value.path()).read_text(encoding="utf-8")
        _written(page, page.locator("input[type='password']"), "a long passphrase")
        page.get_by_text("I sign with").click()
        idle(page)
        page.get_by_role("button", name="Sign off as Ada Example").click()
        page.wait_for_selector("text=Signed by Ada Example")
    assert book.visit().signed_by == "Ada Example"
    book.close()


@pytest.mark.parametrize("size", ["desk", "phone"])
def test_nothing_confirms_before_what_it_confirms(tmp_path: Path, page_of: Callable[[str], Any], size: str) -> None:
    """Camera, picture, worst finding with its buttons, then the rest: by scroll and by Tab."""
    judged_logbook(tmp_path, visits=1).close()
    with served(tmp_path / "logbook") as address:
        page = page_of(size)
        shown(page, address)
        page.wait_for_selector(".st-key-accept_all button")
        page.wait_for_selector(".st-key-confirm button")
        places = page.evaluate(
            """() => ['h1', '.st-key-review-pictures [data-testid^="stBidiComponent"]', '.finding', '.st-key-confirm button',
                      '.st-key-accept_all button', '.cautions', '.st-key-review-crew']
                .map(s => document.querySelector(s)).map(e => e && e.getBoundingClientRect())
                .map(b => b && [b.left, b.top, b.bottom])"""
        )
        assert all(places), places
        heading, picture, finding, confirm, go_on, cautions, crew = places
        assert heading[2] <= picture[1] and finding[1] < confirm[1] < go_on[1] < cautions[1]
        if size == "phone":
            assert picture[2] <= finding[1] and cautions[2] <= crew[1]
        order = page.evaluate(
            """() => ['.st-key-confirm button', '.st-key-accept_all button'].map(s => document.querySelector(s))
                .reduce((a, b) => a.compareDocumentPosition(b) & Node.DOCUMENT_POSITION_FOLLOWING)"""
        )
        assert order, "Tab comes to the finding's own button first"
        page.locator(".st-key-confirm button").focus()
        page.keyboard.press("Tab")
        ring = page.evaluate("getComputedStyle(document.activeElement).outline")
        assert "rgb(0, 114, 178)" in ring and "3px" in ring, ring


def test_keys_for_each_camera(tmp_path: Path, page_of: Callable[[str], Any]) -> None:
    """At most 2 keys for a camera in order or confirmed whole, 3 for one overruled besides its reason."""
    book: Logbook = judged_logbook(tmp_path, visits=1)
    used: dict[str, int] = {}
    with served(tmp_path / "logbook") as address:
        page = page_of("desk")
        shown(page, address)

        def key(name: str) -> None:
            camera = page.locator("h1").inner_text().split()[0]
            used[camera] = used.get(camera, 0) + 1
            press(page, name)

        for camera, findings in (("C-2", 1), ("C-1", 2)) if "C-2" in page.locator("h1").inner_text() else (("C-1", 2), ("C-2", 1)):
            page.wait_for_selector(f"h1:has-text('{camera}')")
            key("d")
            page.wait_for_selector("input[aria-label^='Why is it no fault']:focus")
            page.keyboard.type("checked on site")
            key("Enter")
            page.wait_for_selector("text=dismissed by Ada Example,")
            page.evaluate("document.activeElement.blur()")
            key("Enter")
            page.wait_for_function("was => !document.querySelector('h1').innerText.startsWith(was)", arg=f"{camera} ")
            assert used[camera] <= 3 and findings
        for camera in ("C-3", "C-4", "C-5", "C-6"):
            page.wait_for_selector(f"h1:has-text('{camera}')")
            idle(page)
            key("Enter")
    cameras = {c.camera for c in book.site().cameras}
    assert set(used) == cameras, "every camera was shown"
    assert all(n <= 2 for camera, n in used.items() if camera not in ("C-1", "C-2")), used
    decided = {(d.camera, d.check): d.decision for d in book.decisions(1) if d.in_force}
    assert decided == {("C-1", "aim"): "dismiss", ("C-1", "sky"): "confirm", ("C-2", "aim"): "dismiss", ("C-3", "aim"): "dismiss",
                       ("C-4", "cleanliness"): "confirm"}  # fmt: skip
    book.close()
