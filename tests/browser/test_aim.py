"""Aiming a camera on a phone, in a real headless browser, with a simulated camera that is turned meanwhile."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from audit.account.case import Turn
from audit.account.pictures import decode_picture, encode_jpeg, remedy_preview
from audit.demo import sample_folder
from audit.demo_devices import PASSWORD, USER, write_credentials
from audit.devices import Device, SimulatedSite
from audit.logbook import Logbook
from audit.plan.files import read_plan
from tests.browser.desk_server import idle, served

pytestmark = pytest.mark.browser
CAMERA = "TH-01"


@pytest.fixture
def aimed(tmp_path: Path) -> Iterator[tuple[str, Device, Path, SimulatedSite]]:
    """A desk on the demo's plan, its gate camera, the logbook, and the devices: a right one and one with another password."""
    plan = sample_folder() / "plan.csv"
    Logbook.create(str(tmp_path / "logbook"), read_plan(plan), plan.name, plan.read_bytes()).close()
    picture = own_picture()
    gate = Device(CAMERA, picture, "TH0001", "gate", 1600, 900, USER, PASSWORD)
    other = Device("TH-02", picture, "TH0002", "wicket", 1600, 900, USER, "not in the table")
    with SimulatedSite((gate, other)) as site:
        (tmp_path / "addresses.csv").write_text(site.table(), encoding="utf-8")
        write_credentials(tmp_path / "credentials.csv")
        tables = {
            "PHOTO_AUDIT_CAMERAS": str(tmp_path / "addresses.csv"), "PHOTO_AUDIT_CREDENTIALS": str(tmp_path / "credentials.csv"),
            "XDG_DATA_HOME": str(tmp_path / "data"),
        }  # fmt: skip
        with served(tmp_path / "logbook", tables) as address:
            yield address, gate, tmp_path / "logbook", site


def own_picture() -> bytes:
    return next((sample_folder() / "maintenance" / "snapshots").glob(f"{CAMERA}_*day.jpg")).read_bytes()


def turn(device: Device, right_deg: float, up_deg: float) -> None:
    """Turn the simulated camera: it shows the view that a turn about its lens gives."""
    picture = decode_picture(own_picture(), 1600)
    lens = read_plan(sample_folder() / "plan.csv").camera(CAMERA).lens
    object.__setattr__(device, "picture", encode_jpeg(remedy_preview(picture, lens, Turn(right_deg, up_deg, 0.0, -15.0, 0.0)), 92))


def opened(page: Any, address: str, camera: str) -> None:
    page.goto(f"{address}/aim?camera={camera}")
    page.get_by_role("button", name="Start").wait_for()
    idle(page)


def degrees(page: Any, line: int) -> float:
    return float(page.locator(".aim-how").nth(line).inner_text().split()[-1].rstrip("°").replace("−", "-"))


def test_a_fitter_aims_with_a_phone_and_keeps_the_picture(
    aimed: tuple[str, Device, Path, SimulatedSite], page_of: Callable[[str], Any], keep: Any
) -> None:
    address, gate, logbook, _ = aimed
    turn(gate, 0.0, 8.0)
    page = page_of("phone")
    opened(page, address, CAMERA)
    assert page.get_by_text("Working at height").count() == 1
    page.get_by_role("button", name="Start").click()
    page.wait_for_selector(".aim-line.defect, .aim-line.to-check", timeout=60_000)
    assert page.locator(".aim-what").nth(1).inner_text().startswith("Tilt down")
    assert 6.0 < degrees(page, 1) < 10.0
    assert "not measured" in page.locator(".aim-how").nth(0).inner_text()
    assert page.get_by_text("Tap 'who drives in' in the picture, where").count() == 1
    keep(page, "aim_phone_too_high")
    with Logbook.open(str(logbook)) as book:
        assert book.visits() == (), "looking stores nothing"
    turn(gate, 0.0, 0.0)
    page.wait_for_selector(".aim-line:nth-child(2).as-planned", timeout=30_000)
    frame = page.locator(".point")
    frame.scroll_into_view_if_needed()
    box = frame.bounding_box()
    page.mouse.click(box["x"] + 0.5 * box["width"], box["y"] + 0.29 * box["height"])
    page.wait_for_selector(".aim-line:nth-child(1).as-planned", timeout=30_000)
    turn(gate, 9.0, 0.0)
    page.wait_for_selector(".aim-line:nth-child(1).to-check, .aim-line:nth-child(1).defect", timeout=30_000)
    assert "Pan left" in page.locator(".aim-what").nth(0).inner_text() and 7.5 < degrees(page, 0) < 10.5
    keep(page, "aim_phone_panned")
    turn(gate, 0.0, 0.0)
    page.wait_for_selector(".aim-line:nth-child(1).as-planned", timeout=30_000)
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"), "nothing runs out of the phone's width"
    page.get_by_role("button", name="Keep this picture").click()
    page.wait_for_selector("text=in visit 1", timeout=60_000)
    keep(page, "aim_phone_kept")
    for number, up_deg in enumerate((2.0, -2.0), 1):
        turn(gate, 0.0, up_deg)
        page.wait_for_selector(".aim-give:has-text('still')", timeout=30_000)
        page.get_by_role("button", name="Keep one while it is turned").click()
        page.wait_for_selector(f"text=number {number} from while it is turned", timeout=60_000)
    keep(page, "aim_phone_kept_turned")
    page.get_by_role("button", name="Stop").click()
    page.get_by_role("button", name="Start").wait_for()
    with Logbook.open(str(logbook)) as book:
        assert [(p.camera, p.role) for p in book.placements(1)] == [(CAMERA, role) for role in ("snapshot", "turned", "turned")]


def test_a_wrong_password_is_tried_twice_and_never_again(
    aimed: tuple[str, Device, Path, SimulatedSite], page_of: Callable[[str], Any]
) -> None:
    address, _, _, site = aimed
    page = page_of("phone")
    opened(page, address, "TH-02")
    for _ in range(2):
        page.get_by_role("button", name="Start").click()
        page.get_by_role("button", name="Stop").wait_for()
        page.wait_for_selector("text=does not take the user or password", timeout=60_000)
        idle(page)
    calls = len(site.calls)
    page.get_by_role("button", name="Start").click()
    page.wait_for_selector("text=accounts lock")
    page.wait_for_timeout(1500)
    assert len(site.calls) == calls
