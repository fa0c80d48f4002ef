"""What a guide's list may say, and what it may not."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from audit.logbook import Logbook
from audit.plan.files import read_plan
from audit.report.guide import guide
from audit.visit.guided import GUIDE_FORMAT, GUIDE_LIST, note_guided
from tests.conftest import Ran
from tests.desk_samples import judged_logbook, photograph

DAY = date(2026, 6, 16)


@pytest.fixture
def book(tmp_path: Path, plan: Path) -> Iterator[Logbook]:
    with Logbook.create(str(tmp_path / "logbook"), read_plan(plan), plan.name, plan.read_bytes()) as book:
        yield book


@pytest.fixture
def written(book: Logbook, tmp_path: Path) -> Callable[..., Path]:
    """A folder as the guide's ZIP unpacks to, with a list of one's choice."""

    def write(photos: object, **changed: object) -> Path:
        folder = tmp_path / "photos" / "guide-1"
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "C-1_label_1.jpg").write_bytes(photograph(0))
        (tmp_path / "photos" / "outside.jpg").write_bytes(photograph(1))
        listed: dict[str, Any] = {"format": GUIDE_FORMAT, "logbook": book.identity(), "by": "Cleo", "photos": photos}
        (folder / GUIDE_LIST).write_text(json.dumps(listed | changed), encoding="utf-8")
        return tmp_path / "photos"

    return write


GOOD = {"file": "C-1_label_1.jpg", "camera": "C-1", "shot": "label"}


def test_a_photo_is_whose_the_list_says_and_a_persons_word_stays(book: Logbook, written: Callable[..., Path]) -> None:
    visit = book.open_visit("commissioning", DAY)
    folder = written([GOOD | {"name": "IMG.jpg", "checks": {"sharpness": 3}}])
    assert note_guided(book, visit, folder) == 1 and note_guided(book, visit, folder) == 0
    told = book.told(visit)["guide-1/C-1_label_1.jpg"]
    assert (told.camera, told.role) == ("C-1", "label")
    book.answer(visit, "guide-1/C-1_label_1.jpg", None, "Ada Example")
    assert note_guided(book, visit, folder) == 0 and book.answers(visit) == {"guide-1/C-1_label_1.jpg": None}


@pytest.mark.parametrize(
    ("photos", "changed"),
    [
        ([GOOD], {"logbook": "another"}),
        ([GOOD], {"format": "photo-audit photos 2"}),
        ([GOOD | {"file": "../outside.jpg"}], {}),
        ([GOOD | {"file": "/etc/passwd"}], {}),
        ([GOOD | {"file": "..\\outside.jpg"}], {}),
        ([GOOD | {"file": "absent.jpg"}], {}),
        ([GOOD | {"camera": "C-99"}], {}),
        ([{"file": 5, "camera": []}], {}),
        ("photos", {}),
        ([GOOD], {"by": 7}),
    ],
)
def test_a_list_that_is_none_of_this_site_says_nothing(
    book: Logbook, written: Callable[..., Path], photos: object, changed: dict[str, object]
) -> None:
    visit = book.open_visit("commissioning", DAY)
    assert note_guided(book, visit, written(photos, **changed)) == 0
    assert book.answers(visit) == {}


@pytest.mark.parametrize("text", ["", "{", "[" * 100_000, "null", '{"photos": ' + "9" * 6000 + "}"])
def test_a_list_that_can_not_be_read_says_nothing(book: Logbook, written: Callable[..., Path], text: str) -> None:
    visit = book.open_visit("commissioning", DAY)
    folder = written([])
    (folder / "guide-1" / GUIDE_LIST).write_text(text, encoding="utf-8")
    assert note_guided(book, visit, folder) == 0


def test_the_command_takes_the_guides_file(
    book: Logbook, written: Callable[..., Path], tmp_path: Path, audit: Callable[..., Ran]
) -> None:
    import shutil

    folder = written([GOOD])
    (folder / "outside.jpg").unlink()
    shutil.make_archive(str(tmp_path / "handed"), "zip", folder)
    ran = audit("visit", tmp_path / "logbook", tmp_path / "handed.zip", "--kind", "commissioning", "--on", "2026-06-16")
    assert ran.code == 0, ran.err
    assert [(p.photo, p.camera, p.role) for p in book.placements(1)] == [("guide-1/C-1_label_1.jpg", "C-1", "label")]
    assert audit("guide", tmp_path / "logbook", "-o", tmp_path / "guide.html").code == 0
    assert audit("guide", tmp_path / "logbook", "-o", tmp_path / "absent" / "guide.html").code == 2


def test_a_wrong_choice_is_found_by_the_labels_code_and_said(
    book: Logbook, written: Callable[..., Path], tmp_path: Path, audit: Callable[..., Ran]
) -> None:
    """The label is a QR code (ISO/IEC 18004) made by PyPI's zxing-cpp, with the serial of C-2; chosen was C-1."""
    import cv2
    import numpy as np
    import zxingcpp

    folder = written([GOOD])
    (folder / "outside.jpg").unlink()
    serial = book.site().camera("C-2").serial
    code = np.asarray(zxingcpp.create_barcode(serial, zxingcpp.BarcodeFormat.QRCode).to_image(scale=8))
    picture = np.full((600, 800), 200, np.uint8)
    picture[100 : 100 + code.shape[0], 100 : 100 + code.shape[1]] = code
    cv2.imwrite(str(folder / "guide-1" / "C-1_label_1.jpg"), picture)
    ran = audit("visit", tmp_path / "logbook", folder, "--kind", "commissioning", "--on", "2026-06-16")
    assert f"was taken for C-1, but its label's code is that of C-2 ({serial})" in ran.err
    assert [p.camera for p in book.placements(1)] == ["C-1"], "a person's word stays until a person looks"


def test_what_is_asked_for(tmp_path: Path, book: Logbook) -> None:
    """Everything before the first visit; what is missing in a commissioning; at a maintenance only what a finding wants."""
    first = guide(book)
    assert all(f'aria-label="C-1: {shot}"' in first for shot in ("label", "wide view", "bracket"))
    assert 'aria-label="C-1: turned"' in first, "asked for at a commissioning"
    assert "Working at height" in first and "http:" not in first and "https:" not in first
    judged = judged_logbook(tmp_path / "site", cameras=4)
    page = guide(judged, judged.visit(2))
    assert ": turned" not in page
    assert page.count('aria-label="C-') <= 4 and ": label" not in page and ": wide view" not in page
    hostile = guide(judged)
    assert "<script>alert" not in hostile, "the fourth camera's name"
    judged.close()
