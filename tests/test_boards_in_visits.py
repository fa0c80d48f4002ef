"""Boards in a whole visit: what a phone's picture of one tells, and the sentence for each that can't be used."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path

import numpy as np
import piexif
import pytest
from PIL import Image

from audit.account.boards import boards_of, numbers_on
from audit.judge.finding import Finding
from audit.logbook import Logbook
from audit.measure.board import find_boards, marker_picture
from audit.plan.files import read_plan
from audit.visit import run_visit
from tests.measure.board_views import SIZE, scene

PLAN = (
    "camera,east_m,north_m,height_m,bearing_deg,pitch_deg,hfov_deg,image_width_px,image_height_px,"
    "target_east_m,target_north_m,target_up_m\n"
    f"C-1,0,0,4,0,-10,70,{SIZE[0]},{SIZE[1]},0,12,1.5\n"
    f"C-2,-10,12,4,90,-10,70,{SIZE[0]},{SIZE[1]},4.95,12,1.5\n"
)
SIDE_PX = 70
Sheets = Sequence[tuple[int, int, int]]


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    """An empty logbook of two cameras with a target each."""
    plan = tmp_path / "plan.csv"
    plan.write_text(PLAN, encoding="utf-8")
    return Logbook.create(str(tmp_path / "book"), read_plan(plan), plan.name, plan.read_bytes())


def _numbers(book: Logbook) -> dict[str, int]:
    return {camera: number for (camera, _), number in numbers_on(book, book.site(), "A4").items()}


def _picture(
    sheets: Sheets, change: Callable[[np.ndarray], np.ndarray] = lambda pixels: pixels, seed: int = 3
) -> np.ndarray:
    """A scene with markers of (number, column, row of the upper left corner) on white sheets."""
    pixels = scene(np.random.default_rng(seed), night=False).clip(0, 255).astype(np.uint8)
    for number, x, y in sheets:
        sheet = np.pad(marker_picture(number, SIDE_PX // 7), 12, constant_values=255)
        pixels[y : y + len(sheet), x : x + len(sheet)] = sheet[..., None]
    return change(pixels)


def _save(path: Path, pixels: np.ndarray, phone: bool = False) -> None:
    exif = {"Exif": {piexif.ExifIFD.FocalLengthIn35mmFilm: 26}, "0th": {piexif.ImageIFD.Model: b"Phone"}} if phone else {}
    data = io.BytesIO()
    Image.fromarray(pixels).save(data, "JPEG", quality=92, exif=piexif.dump(exif))
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(data.getvalue())


def _pan(book: Logbook, tmp_path: Path, camera: str = "C-1") -> Finding:
    summary = run_visit(book, tmp_path / "photos", "commissioning", date(2026, 6, 16))
    (verdict,) = book.verdicts(summary.visit, camera)
    return next(f for f in verdict.findings if f.check == "pan")


def test_a_phone_s_picture_of_a_board_names_the_camera_and_gives_no_pose(book: Logbook, tmp_path: Path) -> None:
    _save(tmp_path / "photos" / "C-1_day.jpg", _picture(()))
    _save(tmp_path / "photos" / "IMG_0001.jpg", _picture([(_numbers(book)["C-1"], 400, 200)], seed=5), phone=True)
    pan = _pan(book, tmp_path)
    placed = {p.photo: p for p in book.placements(book.visits()[0])}["IMG_0001.jpg"]
    assert placed.camera == "C-1" and placed.decision == "placed" and placed.role != "label"
    assert any("read from its printed board" in text for text in placed.evidence)
    assert pan.state == "not verified" and pan.measured is None
    assert "is in a crew's photo: it names the camera, and gives no pose" in pan.why


def test_two_boards_in_one_picture_each_count_for_their_own_target(book: Logbook, tmp_path: Path) -> None:
    numbers = _numbers(book)
    sheets = [(numbers["C-1"], 420, 244), (numbers["C-2"], 700, 244)]
    _save(tmp_path / "photos" / "C-1_day.jpg", _picture(sheets))
    pan = _pan(book, tmp_path)
    told = book.verdicts(book.visits()[0], "C-1")[0]
    assert pan.measured is not None
    # boards of one size come in the order of their measured sizes, which differ by thousandths of a pixel
    assert any(f"by the board at {both}" in pan.why for both in ("'target', 'target of C-2'", "'target of C-2', 'target'"))
    assert {f.check for f in told.findings} >= {"pan", "target", "image"}


def _torn(pixels: np.ndarray) -> np.ndarray:
    pixels[212 : 212 + SIDE_PX // 2, 412 : 412 + SIDE_PX // 3] = 255
    return pixels


@pytest.mark.parametrize(
    "change, words",
    [
        (lambda pixels: np.ascontiguousarray(pixels[:, ::-1]), "reads only in the mirror"),
        (_torn, "Not shown where it is panned to"),
    ],
)
def test_a_mirrored_or_torn_board_proves_nothing_and_loses_nothing(
    book: Logbook, tmp_path: Path, change: Callable[[np.ndarray], np.ndarray], words: str
) -> None:
    _save(tmp_path / "photos" / "C-1_day.jpg", _picture([(_numbers(book)["C-1"], 400, 200)], change))
    pan = _pan(book, tmp_path)
    assert pan.state == "not verified" and pan.measured is None and words in pan.why


def test_a_board_of_another_site_and_one_that_hangs_twice_are_told(book: Logbook, tmp_path: Path) -> None:
    known = boards_of(book, book.site())
    foreign = next(n for n in range(100, 330) if n not in known and marker_reads(n))
    _save(tmp_path / "photos" / "C-1_day.jpg", _picture([(foreign, 400, 200)]))
    assert "none of this site's" in _pan(book, tmp_path).why


def marker_reads(number: int) -> bool:
    """Whether a number is among those that are printed."""
    return any(b.number == number for b in find_boards(_picture([(number, 400, 200)])))


def test_the_same_board_twice_in_one_picture_is_not_used(book: Logbook, tmp_path: Path) -> None:
    own = _numbers(book)["C-1"]
    _save(tmp_path / "photos" / "C-1_day.jpg", _picture([(own, 300, 200), (own, 600, 220)]))
    pan = _pan(book, tmp_path)
    assert pan.measured is None and "hangs 2 times" in pan.why
