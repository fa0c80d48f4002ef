"""Reading print and codes, against pictures and fonts of others and a standard's kinds of damage."""

from __future__ import annotations

import os
import re
from pathlib import Path

import cv2
import numpy as np
import pytest
import zxingcpp
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from audit.match.labels import read_codes
from audit.match.reading import IdReader, read_label
from audit.photos.text import find_text, legible, read_boxes

#: Debian's opencv-doc (Apache-2.0): scans of a printed page, upright and turned by about 15 degrees.
OPENCV = Path("/usr/share/doc/opencv-doc/examples/data")
#: What stands on that page, as a person reads it.
PAGE = """In teaching our courses, we have found it useful for the students to attempt a number of small implementation projects, which
often build on one another, in order to get them used to working with real-world images and the challenges that these present. The students
are then asked to choose an individual topic for each of their small-group, final projects. (Sometimes these projects even turn into
conference papers!) The exercises at the end of each chapter contain numerous suggestions for smaller mid-term projects, as well as more
open-ended problems whose solutions are still active research topics. Wherever possible, I encourage students to try their algorithms on
their own personal photographs, since this better motivates them, often leads to creative variants on the problems, and better acquaints
them with the variety and complexity of real-world imagery. In formulating and solving computer vision problems, I have often found it
useful to draw inspiration from three high-level approaches"""
IDS = (("TH-01", "SN4471183"), ("TH-07", "SN4471188"), ("QK-35", "7C0B55"), ("WX-96", "DM2680D4"))
READER = IdReader(IDS)
#: Debian's fonts-dejavu-core, and, where they are, fonts-freefont-ttf, fonts-liberation, fonts-hack, fonts-open-sans, fonts-roboto-unhinted,
#: fonts-inconsolata, fonts-droid-fallback, fonts-vlgothic and fonts-wqy-zenhei, or a folder that holds such fonts.
FONTS = (Path("/usr/share/fonts/truetype"), Path(os.environ.get("PHOTO_AUDIT_TEST_FONTS", "/nowhere")))
LEAST_FONTS = 10


def words(text: str) -> set[str]:
    return set(re.findall(r"[a-z]{3,}", text.lower()))


@pytest.mark.skipif(not OPENCV.is_dir(), reason="Debian's opencv-doc is not installed")
@pytest.mark.parametrize("name", ["imageTextN.png", "imageTextR.png"])
def test_a_printed_page_is_read_upright_and_askew(name: str) -> None:
    picture = cv2.cvtColor(cv2.imread(str(OPENCV / name)), cv2.COLOR_BGR2RGB)
    read = words(" ".join(line.text for line in legible(read_boxes(picture, find_text(picture)))))
    wanted = words(PAGE)
    assert len(wanted & read) >= 0.95 * len(wanted)


@pytest.mark.skipif(not OPENCV.is_dir(), reason="Debian's opencv-doc is not installed")
@pytest.mark.parametrize("name", ["imageTextN.png", "text_defocus.jpg", "licenseplate_motion.jpg", "box.png", "board.jpg", "cards.png", "sudoku.png"])
def test_print_that_is_no_label_names_no_camera(name: str) -> None:
    picture = cv2.cvtColor(cv2.imread(str(OPENCV / name)), cv2.COLOR_BGR2RGB)
    assert READER.told(read_label(picture, READER)) is None


def fonts() -> list[str]:
    """Upright fonts with Latin letters, at most two of a family."""
    files = sorted(f for folder in FONTS if folder.is_dir() for f in folder.rglob("*.tt[fc]"))
    unfit = ("oblique", "italic", "math", "light", "thin", "fallback")
    kept: dict[str, list[str]] = {}
    for file in files:
        if not any(word in file.stem.lower() for word in unfit):
            kept.setdefault(str(file.parent), []).append(str(file))
    return [file for family in kept.values() for file in family[:6]]


@pytest.mark.skipif(len(fonts()) < LEAST_FONTS, reason="fewer than ten fonts are installed; PHOTO_AUDIT_TEST_FONTS names a folder with more")
def test_ids_in_the_fonts_of_others_are_read_right_or_left_open() -> None:
    right, wrong, count = 0, [], 0
    for number, file in enumerate(fonts()):
        for _, serial in IDS:
            picture = Image.new("RGB", (900, 420), (116, 122, 118))
            draw = ImageDraw.Draw(picture)
            draw.rectangle((70, 60, 830, 360), fill=(238, 238, 232))
            font = ImageFont.truetype(file, (34, 48, 72)[number % 3])
            draw.text((110, 90), f"S/N {serial}", font=font, fill=(25, 25, 28))
            draw.text((110, 220), "DC 12 V 7 W", font=font, fill=(25, 25, 28))
            told = READER.told(read_label(np.asarray(picture), READER))
            count, right = count + 1, right + (told == serial)
            wrong += [(Path(file).stem, serial, told)] if told not in (serial, None) else []
    assert not wrong
    assert right >= 0.95 * count


def code(text: str = "TH0012") -> NDArray[np.uint8]:
    made = np.array(zxingcpp.create_barcode(text, zxingcpp.BarcodeFormat.DataMatrix).to_image(scale=1), dtype=np.uint8)
    return made if made.ndim == 2 else made[:, :, 0]


def photographed(modules: NDArray[np.uint8], contrast: float = 0.9, stretch: float = 1.0, growth_px: int = 0) -> NDArray[np.uint8]:
    """Modules of nine pixels on a light page, with a contrast, longer than wide, and their dark parts grown."""
    large = np.kron(modules, np.ones((9, 9), np.uint8))
    large = cv2.resize(large, None, fx=1.0, fy=stretch, interpolation=cv2.INTER_AREA)
    if growth_px:
        large = cv2.erode(large, np.ones((growth_px + 1, growth_px + 1), np.uint8))
    page = np.full((large.shape[0] + 160, large.shape[1] + 200), 255, np.uint8)
    page[80:-80, 100:-100] = large
    light = 20.0 + 205.0 * contrast
    grey = cv2.GaussianBlur(20.0 + (light - 20.0) * (page / 255.0), (0, 0), 1.5)
    noisy = grey + np.random.default_rng(4).normal(0, 1.5, grey.shape)
    return np.repeat(np.clip(noisy, 0, 255).astype(np.uint8)[:, :, None], 3, axis=2)


# Kinds of damage by which ISO/IEC 15415 grades symbols; the grades' bounds are from memory: contrast 70, 55, 40, 20 %, axial
# non-uniformity 6, 8, 10, 12 %, and unused error correction.
@pytest.mark.parametrize("contrast", [0.7, 0.55, 0.4, 0.2])
def test_a_code_of_each_grade_of_contrast_is_read(contrast: float) -> None:
    assert read_codes(photographed(code(), contrast)) == ("TH0012",)


@pytest.mark.parametrize("stretch", [1.06, 1.08, 1.1, 1.12])
def test_a_code_of_each_grade_of_axial_non_uniformity_is_read(stretch: float) -> None:
    assert read_codes(photographed(code(), stretch=stretch)) == ("TH0012",)


@pytest.mark.parametrize("growth_px", [1, 2, 3])
def test_a_code_whose_print_has_grown_is_read(growth_px: int) -> None:
    assert read_codes(photographed(code(), growth_px=growth_px)) == ("TH0012",)


def test_a_code_with_broken_modules_is_read_or_left_open_and_never_read_as_another() -> None:
    rng, read = np.random.default_rng(15415), 0
    modules = code()
    quiet = int(np.argmax((modules < 128).any(axis=1)))
    inner = slice(quiet + 1, modules.shape[0] - quiet - 1)
    for broken in (0, 2, 4, 8, 16, 32) * 6:
        damaged = modules.copy()
        part = damaged[inner, inner]
        flat = rng.choice(part.size, min(broken, part.size), replace=False)
        rows, columns = np.unravel_index(flat, part.shape)
        part[rows, columns] = 255 - part[rows, columns]
        found = read_codes(photographed(damaged))
        assert found in ((), ("TH0012",))
        read += bool(found) and broken <= 4
    assert read >= 12
