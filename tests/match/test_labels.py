"""Codes in pictures, and ids and serials as whole words."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import zxingcpp

from audit.lens import Lens
from audit.match.labels import LabelIndex, read_codes
from audit.photos.photo import Metadata, Photo
from audit.plan.model import Camera, Site

LENS = Lens(1920, 1080, 60.0)


def site(*cameras: tuple[str, str]) -> Site:
    return Site(tuple(Camera(name, 0, 0, 3, 0, -10, LENS, serial=serial) for name, serial in cameras))


def photo(name: str = "x.jpg", codes: tuple[str, ...] = (), **meta: str) -> Photo:
    return Photo(name, "0" * 64, 1, "JPEG", 10, 10, Metadata(**meta), codes=codes)  # type: ignore[arg-type]


def named(index: LabelIndex, found: Photo) -> set[int]:
    return {camera for hit in index.hits(found) for camera in hit.cameras}


INDEX = LabelIndex(site(("TH-1", "TH0001"), ("TH-10", "S/N TH0010"), ("bay", "X9"), ("7", "X9")))


@pytest.mark.parametrize(("name", "expected"), [
    ("TH-1 overview.jpg", {0}), ("th_10/overview.jpg", {1}), ("visit/TH10.jpg", {1}), ("TH-100.jpg", set()),
    ("th1.jpg", {0}), ("XTH-1.jpg", set()), ("s-th0010-b.png", {1}), ("bay view.jpg", set()), ("IMG_7.jpg", set()),
])
def test_ids_are_found_as_whole_words_in_names_and_folders(name: str, expected: set[int]) -> None:
    assert named(INDEX, photo(name)) == expected


def test_a_serial_planned_twice_names_both_and_says_so() -> None:
    hits = INDEX.hits(photo(codes=("x9",)))
    assert hits[0].cameras == (2, 3)
    assert "planned for 2 cameras" in hits[0].sentence()


def test_a_short_id_counts_where_it_is_the_whole_code() -> None:
    assert named(INDEX, photo(codes=("7",))) == {3}


def test_sentences_say_where_the_label_was_found() -> None:
    assert INDEX.hits(photo(text="box TH0001"))[0].sentence() == "serial TH0001 found in the photo's text"
    assert INDEX.hits(photo(serial="TH0001"))[0].sentence().startswith("serial TH0001 is the serial number")


def picture(code_format: zxingcpp.BarcodeFormat, text: str, scale: int, turn_deg: float = 0.0) -> np.ndarray:
    made = np.array(zxingcpp.create_barcode(text, code_format).to_image(scale=scale), dtype=np.uint8)
    made = made if made.ndim == 2 else made[:, :, 0]
    high = max(made.shape[0], 60)
    bars = np.repeat(made[:1], high, axis=0) if made.shape[0] < 60 else made
    page = np.full((700, 900), 235, dtype=np.uint8)
    y, x = (700 - bars.shape[0]) // 2, (900 - bars.shape[1]) // 2
    page[y : y + bars.shape[0], x : x + bars.shape[1]] = bars
    turn = cv2.getRotationMatrix2D((450, 350), turn_deg, 1.0)
    page = cv2.warpAffine(page, turn, (900, 700), borderValue=235)
    return np.repeat(page[:, :, None], 3, axis=2)


@pytest.mark.parametrize(("code_format", "scale", "turn_deg"), [
    (zxingcpp.BarcodeFormat.QRCode, 4, 0), (zxingcpp.BarcodeFormat.QRCode, 3, 37),
    (zxingcpp.BarcodeFormat.DataMatrix, 5, 12), (zxingcpp.BarcodeFormat.Code128, 3, 0),
    *((zxingcpp.BarcodeFormat.Code128, 3, turn) for turn in (24, -28, 45, -55, 66, 115)),
    (zxingcpp.BarcodeFormat.Code39, 3, 50), (zxingcpp.BarcodeFormat.DataMatrix, 5, 45),
    (zxingcpp.BarcodeFormat.DataMatrix, 6, -33),
])
def test_codes_are_read_upright_and_turned(code_format: zxingcpp.BarcodeFormat, scale: int, turn_deg: float) -> None:
    assert read_codes(picture(code_format, "TH0012", scale, turn_deg)) == ("TH0012",)


def test_nothing_is_read_from_noise_and_tiny_pictures() -> None:
    noise = np.random.default_rng(0).integers(0, 255, (300, 400, 3), dtype=np.uint8)
    assert read_codes(noise) == ()
    assert read_codes(np.zeros((2, 2, 3), dtype=np.uint8)) == ()
