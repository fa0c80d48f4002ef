"""Text that is burnt into a picture is read, and disturbs nothing else that is measured in it."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import skimage.data
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from audit.lens import Lens
from audit.match.written import NameReader
from audit.measure.burned_in import read_burned_in
from audit.measure.image import measure_image
from audit.photos import text as engine
from audit.photos.dates import readings
from tests.bench.burnt_in_bench import FORMS, draw, font_files, plan_names

FONT = str(Path(__file__).parents[2] / "audit" / "report" / "fonts" / "DejaVuSans-Bold.ttf")
CLOCK = "2026-03-04 15:30:05"
#: Debian's opencv-doc (Apache-2.0) and scikit-image's data (its README names each licence).
OPENCV = Path("/usr/share/doc/opencv-doc/examples/data")
PLACES = ("home.jpg", "building.jpg", "leuvenA.jpg", "aero1.jpg")


def burnt(pixels: NDArray[np.uint8], *texts: tuple[str, bool, bool], share: float = 0.035) -> NDArray[np.uint8]:
    """White, black-edged text in corners: text, whether at the top, whether at the left."""
    height, width = pixels.shape[:2]
    image = Image.fromarray(pixels)
    drawing = ImageDraw.Draw(image)
    font = ImageFont.truetype(FONT, int(share * height))
    for text, top, left in texts:
        _, _, wide, high = drawing.textbbox((0, 0), text, font=font, stroke_width=2)
        at = (16 if left else width - wide - 16, 12 if top else height - high - 16)
        drawing.text(at, text, font=font, fill=(255, 255, 255), stroke_width=2, stroke_fill=(0, 0, 0))
    return np.asarray(image)


def scene(name: str = "coffee", width: int = 1280) -> NDArray[np.uint8]:
    picture = getattr(skimage.data, name)()
    height = width * 9 // 16
    return np.asarray(cv2.resize(picture[: picture.shape[1] * 9 // 16], (width, height), interpolation=cv2.INTER_CUBIC), np.uint8)


@pytest.mark.parametrize(("top", "left"), [(True, True), (True, False), (False, True), (False, False)])
def test_name_and_clock_are_read_in_each_corner(top: bool, left: bool) -> None:
    lines = read_burned_in(burnt(scene(), (CLOCK, top, left), ("TH-07 Gate", not top, not left)))
    assert NameReader((("TH-07", "Gate"), ("TH-01", "Yard"))).camera(lines) == "TH-07"
    assert [str(r.moment) for line in lines for r in readings(line.text)] == [CLOCK]


def test_parts_of_one_line_are_put_together() -> None:
    """Read apart, the half of the day would be lost and the clock be wrong by twelve hours."""
    lines = read_burned_in(burnt(scene(width=1920), ("A-17   Nov 28 2024 12:40:58   AM", True, True)))
    assert [str(r.moment) for line in lines for r in readings(line.text)] == ["2024-11-28 00:40:58"]


@pytest.mark.parametrize("name", ["astronaut", "chelsea", "coffee", "rocket", "grass", "brick"])
def test_a_picture_without_text_gives_none_that_means_anything(name: str) -> None:
    picture = getattr(skimage.data, name)()
    picture = cv2.cvtColor(picture, cv2.COLOR_GRAY2RGB) if picture.ndim == 2 else picture
    lines = read_burned_in(picture)
    assert not any(readings(line.text) for line in lines)
    assert NameReader((("TH-07", "Gate"), ("7", "Yard"))).camera(lines) is None


def test_mirrored_and_upside_down_text_names_nothing() -> None:
    plain = burnt(scene(), (CLOCK, True, True), ("TH-07 Gate", False, False))
    for turned in (plain[:, ::-1], plain[::-1], plain[::-1, ::-1]):
        lines = read_burned_in(np.ascontiguousarray(turned))
        assert not any(str(r.moment) == CLOCK for line in lines for r in readings(line.text))


def test_thumbnails_and_a_missing_engine_give_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    picture = burnt(scene(), (CLOCK, True, True))
    assert read_burned_in(cv2.resize(picture, (160, 90))) == ()
    monkeypatch.setattr(engine, "_engine", lambda **_: None)
    assert read_burned_in(picture) == ()


def test_drawn_pictures_are_read_right_or_left_open() -> None:
    """A sample of what ``tests.bench.burnt_in_bench`` counts."""
    right, count = 0, 16
    for seed in range(10_000, 10_000 + count):
        rng = np.random.default_rng(seed)
        plan = plan_names(rng)
        own = plan[int(rng.integers(len(plan)))]
        picture, told = draw(rng, own[0], font_files())
        lines = read_burned_in(picture)
        times = {r.moment for line in lines for r in readings(line.text) if r.order == FORMS[told.form]}
        named = NameReader(tuple(plan)).camera(lines)
        assert named in (own[0], None) and times in (set(), {told.moment})
        right += (named is not None) + bool(times)
    assert right >= 0.9 * 2 * count


@pytest.mark.skipif(not OPENCV.is_dir(), reason="Debian's opencv-doc is not installed")
def test_burnt_in_text_disturbs_neither_orientation_nor_sky_nor_dirt() -> None:
    """The same pictures without and with text: what changes lies far below the measurement's own uncertainty."""
    for name in PLACES:
        picture = cv2.cvtColor(cv2.imread(str(OPENCV / name)), cv2.COLOR_BGR2RGB)
        width, height = 960, 540
        cut = picture[: picture.shape[1] * 9 // 16]
        plain = np.asarray(cv2.resize(cut, (width, height), interpolation=cv2.INTER_CUBIC), np.uint8)
        lens = Lens(width, height, 60.0)
        without = measure_image(plain, lens)
        text = measure_image(burnt(plain, (CLOCK, True, True), ("TH-07 Gate south", False, False)), lens)
        one, other = without.orientation, text.orientation
        assert (one.pitch_deg is None) == (other.pitch_deg is None), name
        if one.pitch_deg is not None and other.pitch_deg is not None:
            assert abs(one.pitch_deg - other.pitch_deg) < (one.pitch_sd_deg or 0), name
            assert abs((one.roll_deg or 0) - (other.roll_deg or 0)) < (one.roll_sd_deg or 0), name
        assert (without.sky.fraction is None) == (text.sky.fraction is None), name
        if without.sky.fraction is not None and text.sky.fraction is not None:
            assert abs(without.sky.fraction - text.sky.fraction) < max(0.01, without.sky.sd or 0), name
        assert without.clarity.cause == text.clarity.cause, name
        assert abs((without.clarity.dirt_probability or 0) - (text.clarity.dirt_probability or 0)) < 0.1, name


def test_a_plain_band_is_not_handed_to_the_engine(monkeypatch: pytest.MonkeyPatch) -> None:
    """A grey wall with a camera's noise holds no steps like letters; the same wall with a clock does."""
    handed: list[int] = []
    monkeypatch.setattr("audit.measure.burned_in.read_strip", lambda band: handed.append(len(band)) or ())
    wall = np.random.default_rng(2).normal(120, 6, (720, 1280, 3)).clip(0, 255).astype(np.uint8)
    read_burned_in(wall)
    assert handed == []
    read_burned_in(burnt(wall, (CLOCK, True, False), share=0.02))
    assert handed == [144]
