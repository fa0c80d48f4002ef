"""The photo guide in a real browser: off the network, killed at random moments, and taken in by the visit.

40 cameras, 120 photos of 4 MB and 20 kills with PHOTO_AUDIT_TEST_GUIDE=40 (the photos are real ones of PyPI's scikit-image,
made large by bytes after their end).
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import time
import zipfile
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from audit.logbook import Logbook
from audit.plan.files import read_plan
from audit.report.guide import guide
from audit.visit import run_visit
from audit.visit.guided import GUIDE_LIST
from tests.browser import test_axe
from tests.browser.desk_server import SIZES
from tests.desk_samples import photograph, write_plan_of

pytestmark = pytest.mark.browser
axe = test_axe.axe
CAMERAS = int(os.environ.get("PHOTO_AUDIT_TEST_GUIDE", "4"))
BYTES = 4_000_000 if CAMERAS >= 40 else 400_000
KILLS = max(3, CAMERAS // 2)
SHOTS = ("label", "wide view", "bracket")
DAY = date(2026, 6, 16)


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Logbook]:
    plan = write_plan_of(tmp_path / "plan.csv", CAMERAS)
    with Logbook.create(str(tmp_path / "logbook"), read_plan(plan), plan.name, plan.read_bytes()) as book:
        yield book


@pytest.fixture
def phone(browser: Any) -> Iterator[Any]:
    """A browser of its own without a network; what it asks for is noted."""
    context = browser.new_context(viewport=SIZES["phone"], offline=True, accept_downloads=True)
    context.asked = []
    context.on("request", lambda request: context.asked.append(request.url))
    yield context
    context.close()


@pytest.fixture
def opened(book: Logbook, phone: Any, tmp_path: Path) -> Callable[[], Any]:
    file = tmp_path / "guide.html"
    file.write_text(guide(book), encoding="utf-8")

    def open_page() -> Any:
        page = phone.new_page()
        page.set_default_timeout(30_000)
        page.goto(file.as_uri())
        page.wait_for_selector("body[data-ready=yes]")
        return page

    return open_page


def photo(folder: Path, number: int) -> Path:
    path = folder / f"IMG_{number:04d}.jpg"
    data = photograph(number) + number.to_bytes(4, "big")
    path.write_bytes(data + bytes(BYTES - len(data)))
    return path


def button(page: Any, camera: str, shot: str) -> Any:
    return page.locator(f'section[data-camera="{camera}"] .shot[data-shot="{shot}"]')


def is_kept(page: Any, camera: str, shot: str) -> bool:
    return "Kept on this phone" in button(page, camera, shot).inner_text()


def test_no_photo_is_lost_and_every_one_is_placed(
    book: Logbook, opened: Callable[[], Any], phone: Any, tmp_path: Path, keep: Any
) -> None:
    """Kills are Chromium's own crash page in the middle of keeping a photo, or the tab closed at once."""
    chance = random.Random(4)
    wanted = [(f"C-{n}", shot) for n in range(1, CAMERAS + 1) for shot in SHOTS]
    kills = set(chance.sample(range(len(wanted)), KILLS))
    files = {one: photo(tmp_path, n) for n, one in enumerate(wanted)}
    page = opened()
    page.get_by_label("Your name").fill("Cleo Example")
    page.get_by_label("Your name").blur()
    said_kept: set[tuple[str, str]] = set()
    for number, one in enumerate(wanted):
        if number in kills:
            button(page, *one).locator("input").set_input_files(files[one], no_wait_after=True)
            page.wait_for_timeout(chance.choice((0, 5, 30, 120, 400)))
            if is_kept(page, *one):
                said_kept.add(one)
            page.close()
            page = opened()
            assert all(is_kept(page, *before) for before in said_kept), "what was said to be kept is there"
            if is_kept(page, *one):
                said_kept.add(one)
                continue
        button(page, *one).locator("input").set_input_files(files[one])
        page.wait_for_function("(b) => b.innerText.includes('Kept')", arg=button(page, *one).element_handle())
        said_kept.add(one)
    assert f"{len(wanted)} of {len(wanted)} taken, {len(wanted)} photos" in page.locator("#bar output").inner_text()
    assert page.get_by_label("Your name").input_value() == "Cleo Example"
    keep(page, "guide_phone")
    began = time.perf_counter()
    with page.expect_download(timeout=60_000) as download:
        page.get_by_role("button", name="Hand in").click()
    download.value.save_as(tmp_path / "handed_in.zip")
    took = time.perf_counter() - began
    print(f"{len(wanted)} photos of {BYTES / 1e6:.1f} MB, {KILLS} kills: one ZIP in {took:.1f} s")
    assert took < 30.0
    assert not [url for url in phone.asked if not url.startswith(("file:", "blob:", "data:"))], "nothing is asked of anybody"
    with zipfile.ZipFile(tmp_path / "handed_in.zip") as archive:
        assert archive.testzip() is None
        listed = json.loads(archive.read(next(n for n in archive.namelist() if n.endswith(GUIDE_LIST))))
        folder = archive.namelist()[0].partition("/")[0]
        for told in listed["photos"]:
            data = archive.read(f"{folder}/{told['file']}")
            assert data == files[told["camera"], told["shot"]].read_bytes()
            assert told["sha256"] == hashlib.sha256(data).hexdigest() and told["checks"]["sharpness"] > 0
    run_visit(book, tmp_path / "handed_in.zip", "commissioning", DAY)
    placed = {(p.camera, p.role) for p in book.placements(1) if p.decision == "placed"}
    assert placed == set(wanted) and len(book.placements(1)) == len(wanted)
    assert {a.by for a in book.answer_history(1)} == {"Cleo Example"}
    assert not [r for r in book.refusals(1)]


def test_a_photo_is_looked_at_before_its_taker_climbs_down(opened: Callable[[], Any], tmp_path: Path, keep: Any) -> None:
    """A dark picture and a blurred one, made with Pillow; one that is none."""
    from PIL import Image, ImageFilter

    Image.new("RGB", (800, 600), (6, 6, 6)).save(tmp_path / "dark.jpg")
    (tmp_path / "sharp.jpg").write_bytes(photograph(0))
    with Image.open(tmp_path / "sharp.jpg") as image:
        image.filter(ImageFilter.GaussianBlur(6)).save(tmp_path / "blurred.jpg")
    (tmp_path / "none.jpg").write_bytes(b"no picture")
    page = opened()
    for shot, file, says in (
        ("label", "dark.jpg", "very dark"), ("wide view", "blurred.jpg", "may be blurred"), ("bracket", "none.jpg", "can't show it"),
    ):  # fmt: skip
        button(page, "C-1", shot).locator("input").set_input_files(tmp_path / file)
        page.wait_for_function("(b) => b.innerText.includes('Kept')", arg=button(page, "C-1", shot).element_handle())
        assert says in button(page, "C-1", shot).inner_text()
    button(page, "C-2", "wide view").locator("input").set_input_files(tmp_path / "sharp.jpg")
    page.wait_for_function("(b) => b.innerText.includes('Kept')", arg=button(page, "C-2", "wide view").element_handle())
    assert "kept" in button(page, "C-2", "wide view").get_attribute("class"), "nothing is said against a good one"
    keep(page, "guide_phone_doubts")
    page.get_by_role("button", name="Take away: C-1, label").click()
    page.wait_for_function("(b) => b.innerText.includes('Not taken yet')", arg=button(page, "C-1", "label").element_handle())


def labelled(path: Path, text: str, background: int) -> Path:
    """A label with a QR code (PyPI's segno) held askew before a photograph of PyPI's scikit-image, in a phone's noise."""
    import io

    import cv2
    import numpy as np
    import segno
    from PIL import Image

    with Image.open(io.BytesIO(photograph(background))) as image:
        scene = cv2.resize(np.asarray(image.convert("RGB")), (2400, 1800))
    code = np.array(list(segno.make(text, micro=False).matrix_iter(scale=9, border=4)), np.uint8)
    label = np.full((code.shape[0] + 60, code.shape[1] * 2, 3), 235, np.uint8)
    label[30 : 30 + code.shape[0], 20 : 20 + code.shape[1]] = np.where(code, 0, 255)[..., None]
    height, width = label.shape[:2]
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32)
    askew = (corners @ np.array([[1.2, 0.25], [-0.25, 1.2]]) + np.array([700, 500]) + np.array([[0, 0], [30, 20], [-20, 40], [10, -20]])).astype(np.float32)
    view = cv2.getPerspectiveTransform(corners, askew)
    shown = cv2.warpPerspective(label, view, (2400, 1800), scene.copy(), borderMode=cv2.BORDER_TRANSPARENT)
    shown = cv2.GaussianBlur(shown, (0, 0), 1.5) + np.random.default_rng(1).normal(0, 6, shown.shape)
    Image.fromarray(np.clip(shown, 0, 255).astype(np.uint8)).save(path, quality=85)
    return path


def test_a_labels_code_is_read_in_a_browser_that_has_no_reader(phone: Any, opened: Callable[[], Any], tmp_path: Path) -> None:
    phone.add_init_script("delete window.BarcodeDetector")
    page = opened()
    assert page.evaluate("!('BarcodeDetector' in window)")
    plain = tmp_path / "plain.jpg"
    plain.write_bytes(photograph(0))
    serials = page.evaluate("JSON.parse(document.getElementById('guide').textContent).cameras.map((c) => c.serial || c.camera)")
    own, other = labelled(tmp_path / "own.jpg", serials[0], 0), labelled(tmp_path / "other.jpg", serials[1], 1)
    for camera, file in (("C-1", own), ("C-2", plain), ("C-3", other)):
        button(page, camera, "label").locator("input").set_input_files(file)
        page.wait_for_function("(b) => b.innerText.includes('Kept')", arg=button(page, camera, "label").element_handle())
    assert "kept" in button(page, "C-1", "label").get_attribute("class"), button(page, "C-1", "label").inner_text()
    assert "No QR code can be read" in button(page, "C-2", "label").inner_text()
    assert "This is the label of C-2" in button(page, "C-3", "label").inner_text()


def test_the_browsers_own_reader_comes_first(phone: Any, opened: Callable[[], Any], tmp_path: Path) -> None:
    phone.add_init_script(
        "window.BarcodeDetector = class { async detect() { return [{ rawValue: 'C-2' }]; } }; window.ownAsked = 0;"
    )
    page = opened()
    page.evaluate("readQR = { decodeQR() { window.ownAsked += 1; throw new Error('none'); } }")
    (tmp_path / "sharp.jpg").write_bytes(photograph(0))
    button(page, "C-1", "label").locator("input").set_input_files(tmp_path / "sharp.jpg")
    page.wait_for_function("(b) => b.innerText.includes('label of C-2')", arg=button(page, "C-1", "label").element_handle())
    assert page.evaluate("window.ownAsked") == 0


def test_what_the_page_carries_is_as_it_was_made() -> None:
    """SHA-256 of the bundled reader; how it was made of npm's qr 0.7.0 stands at its head."""
    from audit.report import guide as module

    reader = Path(module.__file__).with_name("qr") / "reader.js"
    assert hashlib.sha256(reader.read_bytes()).hexdigest() == "bf877422bf7ac025fa61a7e359656b06664ba052416656ce45520aa0da4f2e71"


def test_a_full_phone_and_a_private_window_are_one_sentence(opened: Callable[[], Any], tmp_path: Path, phone: Any) -> None:
    page = opened()
    page.evaluate(
        "() => { IDBObjectStore.prototype.add = () => { throw new DOMException('full', 'QuotaExceededError'); }; }"
    )
    (tmp_path / "sharp.jpg").write_bytes(photograph(0))
    button(page, "C-1", "label").locator("input").set_input_files(tmp_path / "sharp.jpg")
    page.wait_for_selector("text=storage is full and the photo is not kept")
    phone.add_init_script("indexedDB.open = () => { const r = {}; setTimeout(() => r.onerror && r.onerror(), 0); return r; }")
    other = phone.new_page()
    other.goto(page.url)
    other.wait_for_selector("text=keeps nothing for a page")


def test_a_phone_that_may_not_say_where_it_is_says_so_and_goes_on(opened: Callable[[], Any], tmp_path: Path) -> None:
    """No permission is given in this browser; the camera is asked for by a file field, which old browsers show as a choice of files."""
    page = opened()
    page.get_by_label("Note where this phone is").click()
    page.wait_for_selector("text=does not say where it is")
    assert not page.get_by_label("Note where this phone is").is_checked()
    (tmp_path / "sharp.jpg").write_bytes(photograph(0))
    field = button(page, "C-1", "wide view").locator("input")
    assert (field.get_attribute("type"), field.get_attribute("capture")) == ("file", "environment")
    field.set_input_files(tmp_path / "sharp.jpg")
    page.wait_for_function("(b) => b.innerText.includes('Kept')", arg=button(page, "C-1", "wide view").element_handle())


def test_it_is_read_in_sunlight_and_by_everybody(opened: Callable[[], Any], axe: str, tmp_path: Path) -> None:
    """axe-core: no serious fault by WCAG 2, and a contrast of 7:1 (WCAG 2.2, 1.4.6), before and after a photo is taken."""
    page = opened()
    (tmp_path / "sharp.jpg").write_bytes(photograph(0))
    page.evaluate(axe)
    for taken in (False, True):
        if taken:
            button(page, "C-1", "wide view").locator("input").set_input_files(tmp_path / "sharp.jpg")
            page.wait_for_function("(b) => b.innerText.includes('Kept')", arg=button(page, "C-1", "wide view").element_handle())
        found = page.evaluate("axe.run({rules: {'color-contrast-enhanced': {enabled: true}}}).then(r => r.violations)")
        told = {v["id"]: [n["html"][:90] for n in v["nodes"]] for v in found if v["impact"] in ("serious", "critical")}
        assert not told


def test_buttons_are_large_and_nothing_runs_out_of_the_phone(opened: Callable[[], Any]) -> None:
    """48 px, as for gloves (WCAG 2.2, 2.5.5 asks for 44)."""
    page = opened()
    sizes = page.evaluate("[...document.querySelectorAll('button, .shot, input[type=text], label.tick')].map(e => e.getBoundingClientRect().height)")
    assert len(sizes) > 5 and min(sizes) >= 48
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
