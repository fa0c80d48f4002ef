"""Site plan in a real headless browser: a floor plan is brought in, placed by clicks, kept; the drawing zooms and moves."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from audit.logbook import Logbook
from tests.browser.desk_server import idle, served, shown
from tests.desk_samples import judged_logbook

pytestmark = pytest.mark.browser
PLACES = {"C-1": (0.0, 0.0), "C-2": (20.0, 1.0), "C-3": (31.0, 14.0), "C-4": (28.0, 30.0), "C-5": (9.0, 33.0), "C-6": (-4.0, 17.0)}
METRES_PER_PX = 0.05
WEST, NORTH, WIDE, HIGH = -8.0, 38.0, 900, 880


def pixel(camera: str) -> tuple[float, float]:
    east, north = PLACES[camera]
    return (east - WEST) / METRES_PER_PX, (NORTH - north) / METRES_PER_PX


def floor_png() -> bytes:
    """Walls around, and a line between two cameras."""
    grey = np.full((HIGH, WIDE), 255, np.uint8)
    grey[20:24, 20:-20] = grey[-24:-20, 20:-20] = 40
    grey[20:-20, 20:24] = grey[20:-20, -24:-20] = 40
    grey[300:304, 200:700] = 40
    out = BytesIO()
    Image.fromarray(grey).save(out, "PNG")
    return out.getvalue()


@pytest.fixture
def site(tmp_path: Path) -> Iterator[tuple[str, Logbook]]:
    book = judged_logbook(tmp_path, cameras=6, visits=1)
    cameras = tuple(
        replace(c, east_m=PLACES[c.camera][0], north_m=PLACES[c.camera][1], floor="", targets=()) for c in book.site().cameras
    )
    book.replace_plan(replace(book.site(), cameras=cameras, _index={}), "moved.csv", b"moved")
    with served(tmp_path / "logbook") as address:
        yield address, book
    book.close()


def bring_in(page: Any, address: str) -> None:
    shown(page, address, "site")
    page.wait_for_selector(".drawing svg")
    page.get_by_text("Drawing of this floor").click()
    page.locator("[data-testid='stFileUploaderDropzone'] input").set_input_files(
        {"name": "floor.png", "mimeType": "image/png", "buffer": floor_png()}
    )
    page.wait_for_selector("text=floor.png")
    idle(page)
    page.get_by_role("button", name="Open the drawing").click()
    page.wait_for_selector(".point img")
    idle(page)


def click_place(page: Any, camera: str, number: int) -> None:
    """Write the place and click it in the drawing."""
    label = "or EAST,NORTH in metres"
    page.wait_for_function(
        "(label) => { const boxes = document.querySelectorAll(`input[aria-label^='${label}']`);"
        " return boxes.length === 1 && boxes[0].value === ''; }",
        arg=label,
    )
    box = page.get_by_label(label)
    box.fill(camera)
    box.press("Enter")
    page.wait_for_selector(f"text=Click {camera} in the drawing.")
    idle(page)
    frame = page.wait_for_selector(".point")
    frame.scroll_into_view_if_needed()
    place = frame.bounding_box()
    x, y = pixel(camera)
    page.mouse.click(place["x"] + (x + 0.5) / WIDE * place["width"], place["y"] + (y + 0.5) / HIGH * place["height"])
    page.wait_for_function("(n) => document.querySelectorAll('table.plain tbody tr').length >= n", arg=number)
    idle(page)


def test_a_floor_plan_is_placed_by_clicks(site: tuple[str, Logbook], page_of: Callable[[str], Any], keep: Any) -> None:
    address, book = site
    page = page_of("desk")
    bring_in(page, address)
    assert page.get_by_role("button", name="Keep under the cameras").is_disabled()
    for number, camera in enumerate(("C-1", "C-4"), start=1):
        click_place(page, camera, number)
    page.wait_for_selector("text=Two points fit any drawing")
    click_place(page, "C-6", 3)
    page.wait_for_selector("text=Residual:")
    keep(page, "site_drawing_placing")
    page.get_by_role("button", name="Keep under the cameras").click()
    page.wait_for_selector(".drawing svg image")
    idle(page)
    keep(page, "site_drawing_desk")
    record = book.drawing(1, "")
    assert record is not None and record.drawing is not None and record.by == "Ada Example"
    placed = record.drawing.placed
    assert placed.residual_m is not None and placed.residual_m < 0.15  # clicks fall on whole pixels of a smaller picture
    assert placed.at(*pixel("C-3")) == pytest.approx(PLACES["C-3"], abs=0.2)


def test_the_drawing_zooms_and_moves_by_keys_and_buttons(site: tuple[str, Logbook], page_of: Callable[[str], Any]) -> None:
    address, _ = site
    page = page_of("phone")
    shown(page, address, "site")
    page.wait_for_selector(".drawing svg")

    def box() -> list[float]:
        return [float(v) for v in page.locator(".drawing svg").get_attribute("viewBox").split()]

    whole = box()
    page.locator(".drawing .sheet").focus()
    page.keyboard.press("+")
    near = box()
    assert near[2] < whole[2]
    page.keyboard.press("ArrowRight")
    assert box()[0] > near[0] and box()[2] == near[2]
    page.keyboard.press("0")
    assert box() == pytest.approx(whole)
    page.get_by_role("button", name="Zoom in").click()
    assert box()[2] < whole[2]
    before = box()
    edge = page.locator(".drawing svg").bounding_box()
    x, y = edge["x"] + edge["width"] / 2, edge["y"] + edge["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x - 60, y, steps=4)
    page.mouse.up()
    assert box()[0] > before[0]
    page.get_by_role("button", name="Show all").click()
    assert box() == pytest.approx(whole)
