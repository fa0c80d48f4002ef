"""Aiming: the answer while the camera is being turned, read from simulated cameras, stored nowhere unless asked for.

The turned views are the demo's rendered pictures turned about the lens by our own projection: they show that a turn is
followed, not how well a pose is measured, for which see the measuring rooms.
"""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import cv2
import numpy as np
import pytest

from audit.account.case import Turn
from audit.account.pictures import decode_picture, remedy_preview
from audit.aiming import Aiming
from audit.collect.conduct import folder_of
from audit.collect.soap import CALLS
from audit.demo import sample_folder
from audit.demo_devices import PASSWORD, USER, write_credentials
from audit.devices import Device, SimulatedSite
from audit.errors import AuditError
from audit.judge.limits import load_limits
from audit.lens import Lens
from audit.logbook import Logbook
from audit.measure.image import measure_image
from audit.measure.measurement import ImageMeasurement
from audit.photos.inbox import Inbox
from audit.plan.files import read_plan
from audit.plan.model import Camera
from audit.plan.optics import geometry
from audit.visit import aim_pose
from audit.visit.aim import Aimed, Aimer, AimJob

CAMERA = "TH-01"
SIZE = (1600, 900)


def own_picture() -> bytes:
    return next((sample_folder() / "maintenance" / "snapshots").glob(f"{CAMERA}_*day.jpg")).read_bytes()


def turned(right_deg: float = 0.0, up_deg: float = 0.0, clockwise_deg: float = 0.0, side_px: int = 1280) -> np.ndarray:
    """What the camera would show after a turn from its planned pose."""
    lens = read_plan(sample_folder() / "plan.csv").camera(CAMERA).lens
    return remedy_preview(decode_picture(own_picture(), side_px), lens, Turn(right_deg, up_deg, clockwise_deg, -15.0, 0.0))


def planned() -> Camera:
    return read_plan(sample_folder() / "plan.csv").camera(CAMERA)


def line(seen: Aimed, axis: str):
    return next(found for found in seen.lines if found.axis == axis)


@pytest.fixture
def aimer() -> Aimer:
    site = read_plan(sample_folder() / "plan.csv")
    return Aimer(site, site.camera(CAMERA), load_limits())


def tap_target(aimer: Aimer, seen: Aimed) -> None:
    """Where the plan's optics put the target in the planned pose, which the first picture has."""
    target = geometry(read_plan(sample_folder() / "plan.csv").camera(CAMERA)).targets[0]
    aimer.point(seen.number, target.target, ((target.column_px + 0.5) / SIZE[0], (target.row_px + 0.5) / SIZE[1]))


def test_each_line_says_which_way_and_how_far(aimer: Aimer) -> None:
    seen = aimer.look(turned(up_deg=8.0, clockwise_deg=6.0), SIZE)
    assert line(seen, "tilt").correction_deg == pytest.approx(-8.0, abs=1.5) and line(seen, "tilt").state == "defect"
    assert line(seen, "rotate").correction_deg == pytest.approx(-6.0, abs=1.5) and line(seen, "rotate").state == "defect"
    assert line(seen, "pan").correction_deg is None and "Tap 'who drives in'" in line(seen, "pan").note
    assert seen.target == "" and not seen.still and seen.jpeg[:2] == b"\xff\xd8"


@pytest.mark.parametrize("right_deg", [-9.0, -3.0, 2.0, 8.0])
def test_after_one_tap_the_pan_is_followed_to_a_third_of_a_degree(aimer: Aimer, right_deg: float) -> None:
    tap_target(aimer, aimer.look(turned(), SIZE))
    start = line(aimer.look(turned(), SIZE), "pan").correction_deg
    assert start == pytest.approx(0.0, abs=0.3)
    seen = aimer.look(turned(right_deg), SIZE)
    assert line(seen, "pan").correction_deg - start == pytest.approx(-right_deg, abs=0.3)
    assert line(seen, "pan").sd_deg > 0.5, "the drawing's own uncertainty stays"
    assert seen.target


def test_a_camera_that_is_turned_far_step_by_step_is_followed(aimer: Aimer) -> None:
    """Past where the tapped picture and the one of now share anything."""
    tap_target(aimer, aimer.look(turned(), SIZE))
    for right_deg in (6, 12, 18, 24):
        seen = aimer.look(turned(right_deg), SIZE)
        assert line(seen, "pan").correction_deg == pytest.approx(-right_deg, abs=1.5)
    back = [line(aimer.look(turned(d), SIZE), "pan").correction_deg for d in (16, 8, 0)]
    assert back == pytest.approx([-16.0, -8.0, 0.0], abs=1.5)


@pytest.fixture
def measured(monkeypatch: pytest.MonkeyPatch) -> list[float | None]:
    """Pitches of what was measured by itself, one after the other."""
    found: list[float | None] = []

    def measure(pixels: np.ndarray, lens: Lens) -> ImageMeasurement:
        one = measure_image(pixels, lens)
        found.append(one.orientation.pitch_deg)
        return one

    monkeypatch.setattr(aim_pose, "measure_image", measure)
    return found


def test_between_measured_pictures_a_turn_is_followed_and_measured_again_when_it_stands_still(
    aimer: Aimer, measured: list[float | None]
) -> None:
    first = line(aimer.look(turned(), SIZE), "tilt")
    aimer.settle()
    assert len(measured) == 1
    moving = aimer.look(turned(0.0, 0.8, 0.3), SIZE)
    aimer.settle()
    assert len(measured) == 1 and not moving.still, "it is followed while it moves a little"
    assert first.correction_deg is not None and line(moving, "tilt").correction_deg is not None
    assert line(moving, "tilt").correction_deg - first.correction_deg == pytest.approx(-0.8, abs=0.1)
    assert moving.sharpness == pytest.approx(measure_image(turned(0.0, 0.8, 0.3), None).clarity.sharpness, abs=0.05)
    assert aimer.look(turned(0.0, 0.8, 0.3), SIZE).still and len(measured) == 1
    aimer.settle()
    assert len(measured) == 2, "it stands still and was not measured by itself"
    aimer.look(turned(0.0, 0.8, 0.3), SIZE)
    aimer.settle()
    assert len(measured) == 2
    aimer.look(turned(), SIZE)
    aimer.look(np.full((720, 1280, 3), 90, np.uint8), SIZE)
    assert len(measured) == 3, "what shows too little of the one before is measured by itself"


def test_full_measures_of_several_pictures_are_brought_together(aimer: Aimer, measured: list[float | None]) -> None:
    """The weights are the measures' own; so their mean lies between them, and the turn since is taken off each."""
    ups = [0.0, 3.0, -2.0, 5.0, 1.5]
    for up_deg in ups:
        aimer.look(turned(up_deg=up_deg), SIZE)
        aimer.settle()
    again = aimer.look(turned(up_deg=-4.0), SIZE)
    level = [pitch - up for pitch, up in zip(measured, ups, strict=True) if pitch is not None]
    now_deg = planned().pitch_deg - line(again, "tilt").correction_deg
    assert len(level) == len(ups) and min(level) - 0.05 < now_deg + 4.0 < max(level) + 0.05
    alone = [
        line(Aimer(read_plan(sample_folder() / "plan.csv"), planned(), load_limits()).look(turned(up_deg=up), SIZE), "tilt")
        for up in (-4.0, 5.0)
    ]
    surest_deg = min(one.sd_deg for one in alone)
    assert line(again, "tilt").sd_deg < surest_deg, "several pictures tell more than one"
    # six that err each by itself would come to 0.41 of one
    assert line(again, "tilt").sd_deg > 0.7 * surest_deg, "what they err by alike stays"


def test_a_camera_that_is_zoomed_is_measured_anew(aimer: Aimer, measured: list[float | None]) -> None:
    aimer.look(turned(), SIZE)
    zoomed = cv2.resize(turned()[72:-72, 128:-128], (1280, 720), interpolation=cv2.INTER_CUBIC)
    aimer.look(zoomed, SIZE)
    assert len(measured) == 2


def test_it_knows_when_the_camera_stands_still(aimer: Aimer) -> None:
    stills = [aimer.look(turned(d), SIZE).still for d in (0.0, 0.0, 1.0, 1.0)]
    assert stills == [False, True, False, True]


def test_what_can_not_be_tapped_is_one_sentence(aimer: Aimer) -> None:
    seen = aimer.look(turned(), SIZE)
    with pytest.raises(AuditError, match="no 'moon'"):
        aimer.point(seen.number, "moon", (0.5, 0.5))
    with pytest.raises(AuditError, match="some seconds old"):
        aimer.point(seen.number + 99, "who drives in", (0.5, 0.5))
    with pytest.raises(AuditError):
        aimer.point(seen.number, "who drives in", (0.5, 0.99))  # 30 degrees below where it can be
    assert line(aimer.look(turned(), SIZE), "pan").correction_deg is None


def test_a_picture_of_another_shape_is_not_judged(aimer: Aimer) -> None:
    with pytest.raises(AuditError, match="640 × 480 px, the plan says 1600 × 900"):
        aimer.look(np.zeros((480, 640, 3), np.uint8), (640, 480))


def test_a_dark_picture_is_not_measured_with_a_reason(aimer: Aimer) -> None:
    seen = aimer.look(np.zeros((720, 1280, 3), np.uint8), SIZE)
    assert all(found.correction_deg is None and found.note for found in seen.lines)


# From here on the process beside a server, with simulated cameras.


@pytest.fixture
def devices(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[SimulatedSite]:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    gate = Device(CAMERA, own_picture(), "TH0001", "gate", *SIZE, USER, PASSWORD)
    others = (
        replace(gate, camera="TH-02", password="another"), replace(gate, camera="TH-05", silent=True),
        replace(gate, camera="TH-07", picture=b"<html>sign in</html>"),
    )  # fmt: skip
    with SimulatedSite((gate, *others)) as site:
        (tmp_path / "addresses.csv").write_text(site.table(), encoding="utf-8")
        write_credentials(tmp_path / "credentials.csv")
        yield site


@pytest.fixture
def started(tmp_path: Path, devices: SimulatedSite) -> Iterator[Callable[[str], Aiming]]:
    plan = sample_folder() / "plan.csv"
    Logbook.create(str(tmp_path / "logbook"), read_plan(plan), plan.name, plan.read_bytes()).close()
    running = []

    def start(camera: str) -> Aiming:
        tables = str(tmp_path / "addresses.csv"), str(tmp_path / "credentials.csv")
        running.append(Aiming(AimJob(str(tmp_path / "logbook"), None, camera, *tables, "commissioning", "2026-06-16")))
        running[-1].start()
        return running[-1]

    yield start
    for aim in running:
        aim.stop()
        aim.wait(20)
        assert not aim.alive


def until(aim: Aiming, met: Callable[[], object], seconds: float = 60.0) -> None:
    end = time.monotonic() + seconds
    while not met():
        aim.look()
        assert time.monotonic() < end and (aim.alive or met()), aim.problem
        time.sleep(0.05)


def contents(folder: Path) -> dict[str, str]:
    """Hashes of a logbook's files, without the database's own notes of who reads it."""
    with Logbook.open(folder) as book:
        state = str(book.visits())
    files = {p.relative_to(folder).as_posix(): p for p in folder.rglob("*") if p.is_file() and "sqlite" not in p.name}
    return {"state": state, **{name: hashlib.sha256(p.read_bytes()).hexdigest() for name, p in files.items()}}


def test_looking_reads_only_and_stores_nothing_and_keeping_does(
    started: Callable[[str], Aiming], devices: SimulatedSite, tmp_path: Path
) -> None:
    before = contents(tmp_path / "logbook")
    aim = started(CAMERA)
    until(aim, lambda: aim.view is not None and aim.view.number >= 3)
    view = aim.look()
    assert line(view, "tilt").state == "as planned" and view.sharpness == view.best_sharpness
    aim.point(view.number, view.landmarks[0], (0.5, 0.29))
    until(aim, lambda: aim.notice)
    assert "nothing was stored" in aim.notice
    until(aim, lambda: line(aim.view, "pan").correction_deg is not None)
    assert contents(tmp_path / "logbook") == before
    assert set(devices.sent) <= {f"{{{space}}}{name}" for space, names in CALLS.items() for name in names}, "nothing that could change a camera"
    assert devices.calls.count("GetProfiles") == 1, "a camera is asked once where its picture is"
    aim.keep()
    until(aim, lambda: aim.notice and not aim.keeping)
    assert "in visit 1" in aim.notice
    with Logbook.open(tmp_path / "logbook") as book:
        assert [(p.camera, p.decision) for p in book.placements(1)] == [(CAMERA, "placed")]
        assert next(f for f in book.verdicts(1, CAMERA)[0].findings if f.check == "identity").state == "as planned"
    aim.keep("turned")
    until(aim, lambda: aim.notice and not aim.keeping)
    assert "number 1 from while it is turned" in aim.notice
    with Logbook.open(tmp_path / "logbook") as book:
        assert [(p.camera, p.role, p.turned) for p in book.placements(1)] == [(CAMERA, "snapshot", False), (CAMERA, "turned", False)]
    for path in (p for p in (tmp_path / "logbook").rglob("*") if p.is_file()):
        assert PASSWORD.encode() not in path.read_bytes(), path


def test_a_picture_that_can_not_be_kept_is_one_sentence_and_aiming_goes_on(started: Callable[[str], Aiming], tmp_path: Path) -> None:
    """As on a full disk: the folder of what is collected can't be made, since a file lies there."""
    aim = started(CAMERA)
    until(aim, lambda: aim.view is not None)
    there = folder_of(Inbox.of(str(tmp_path / "logbook"), "commissioning", date(2026, 6, 16)).folder, "commissioning", "2026-06-16")
    there.parent.mkdir(parents=True, exist_ok=True)
    there.write_text("in the way", encoding="utf-8")
    number = aim.view.number
    aim.keep()
    until(aim, lambda: aim.notice)
    assert aim.notice.startswith(f"{CAMERA}: could not be kept (") and not aim.keeping
    until(aim, lambda: aim.view.number > number)
    with Logbook.open(tmp_path / "logbook") as book:
        assert book.visits() == ()


def test_a_wrong_password_ends_it_at_once(started: Callable[[str], Aiming], devices: SimulatedSite) -> None:
    aim = started("TH-02")
    until(aim, lambda: aim.problem)
    assert aim.reason == "wrong password" and PASSWORD not in aim.problem
    aim.wait(20)
    assert not aim.alive and devices.calls.count("GetDeviceInformation") == 1


@pytest.mark.parametrize(("camera", "says"), [("TH-05", "did not answer"), ("TH-07", "sent no whole picture")])
def test_a_camera_that_gives_no_picture_is_said_and_asked_again(
    started: Callable[[str], Aiming], camera: str, says: str
) -> None:
    aim = started(camera)
    until(aim, lambda: aim.silent)
    assert says in aim.silent and aim.alive and aim.view is None


def test_a_camera_without_an_address_is_one_sentence(started: Callable[[str], Aiming]) -> None:
    aim = started("TH-03")
    until(aim, lambda: aim.problem)
    assert "has no address" in aim.problem


def test_with_nobody_looking_the_camera_is_left_alone(
    started: Callable[[str], Aiming], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("audit.aiming._NOBODY_S", 0.5)
    aim = started(CAMERA)
    aim.wait(60)
    assert not aim.alive and aim.problem is None
