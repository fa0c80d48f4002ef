"""Text that is burnt into pictures: how often the camera's name and the clock are read right, wrong, or not at all.

Names of a drawn plan and twelve forms of dates are written over photographs in fonts of Debian, light, dark, outlined and
on a plate, in one line or two, in each corner, then the picture is compressed. Photographs: scikit-image's (its data's
README names each licence) and, where Debian's ``opencv-doc`` is installed, OpenCV's samples. Run::

    python -m tests.bench.burnt_in_bench [pictures] [folder of more fonts]

A time is right where day, hour, minute and second are those that were written; a form that leaves day and month open is
given the order of the drawn site. A name is right where it names the camera whose name was written.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import skimage.data
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from audit.match.written import NameReader
from audit.measure.burned_in import read_burned_in
from audit.photos.dates import Order, readings

__all__ = ["FORMS", "Written", "draw", "font_files", "scenes"]

Pixels = NDArray[np.uint8]

#: The common forms (common practice, no source; the first three are ISO 8601's or near it), with the order of their day and month.
FORMS: dict[str, Order] = {
    "%Y-%m-%d %H:%M:%S": "year first",
    "%Y/%m/%d %H:%M:%S": "year first",
    "%Y-%m-%dT%H:%M:%S": "year first",
    "%d-%m-%Y %H:%M:%S": "day first",
    "%m-%d-%Y %H:%M:%S": "month first",
    "%d/%m/%Y %H:%M:%S": "day first",
    "%m/%d/%Y %I:%M:%S %p": "month first",
    "%d.%m.%Y %H:%M:%S": "day first",
    "%Y-%m-%d %a %H:%M:%S": "year first",
    "%d %b %Y %H:%M:%S": "day first",
    "%b %d %Y %I:%M:%S %p": "month first",
    "%d/%m/%y %H:%M:%S": "day first",
}
_STYLES = ("light", "dark", "outlined", "outlined dark", "plate")
_CORNERS = ("top left", "top right", "bottom left", "bottom right")
_WIDTHS = ((1280, 720), (1920, 1080), (2560, 1440), (2688, 1520), (3840, 2160))
_SKIMAGE = ("astronaut", "chelsea", "coffee", "rocket", "camera", "brick", "grass", "gravel", "moon", "coins")
_OPENCV = ("aero1", "aero3", "home", "building", "fruits", "stuff", "aloeL", "leuvenA", "butterfly", "baboon", "blox", "apple", "orange", "squirrel_cls")
_PLACES = ("Gate", "Yard", "Dock", "Hall", "Lobby", "Car park", "Stairs", "Fence", "Loading bay", "Tor", "Lager", "Einfahrt")
_SIDES = ("North", "South", "East", "West", "Nord", "Ost")
#: Least difference between text and what lies behind it where nothing sets them apart: less could not be read by eye.
_LEGIBLE = 70


@dataclass(frozen=True, slots=True)
class Written:
    """What was written into one picture."""

    name: str
    moment: datetime
    form: str
    style: str
    corner: str
    lines: int


@cache
def scenes() -> tuple[Pixels, ...]:
    """Photographs without text of their own, RGB."""
    found = [getattr(skimage.data, name)() for name in _SKIMAGE]
    folder = Path("/usr/share/doc/opencv-doc/examples/data")
    for name in _OPENCV:
        read = cv2.imread(str(folder / f"{name}.jpg")) if folder.is_dir() else None
        if read is not None:
            found.append(cv2.cvtColor(read, cv2.COLOR_BGR2RGB))
    return tuple(p if p.ndim == 3 else cv2.cvtColor(p, cv2.COLOR_GRAY2RGB) for p in found)


@cache
def font_files(more: str | None = None) -> tuple[str, ...]:
    """Fonts whose figures are upright and legible: Debian's DejaVu, and others where they are."""
    folders = [Path("/usr/share/fonts/truetype"), *([Path(more)] if more else [])]
    unfit = ("math", "extralight", "thin", "light", "fallback", "oblique", "italic", "condensedlight")
    files = (str(f) for folder in folders for kind in ("*.ttf", "*.ttc") for f in sorted(folder.rglob(kind)))
    return tuple(f for f in files if not any(word in Path(f).stem.lower() for word in unfit))


def plan_names(rng: np.random.Generator) -> list[tuple[str, str]]:
    """Ids and names of a drawn site."""
    prefix = str(rng.choice(["TH-", "CAM ", "K", "P1-C", "CAM-", "A-"]))
    count = int(rng.integers(12, 120))
    digits = 2 if count < 100 and rng.random() < 0.6 else 3
    places = [f"{p} {s}" for p in _PLACES for s in _SIDES]
    order = rng.permutation(len(places))
    return [(f"{prefix}{k + 1:0{digits}d}", places[order[k]] if k < len(places) else f"{places[order[k % len(places)]]} {k // len(places) + 1}")
            for k in range(count)]  # fmt: skip


def draw(rng: np.random.Generator, name: str, fonts: tuple[str, ...]) -> tuple[Pixels, Written]:
    """A picture with a name and a clock burnt in, as a file gives it back."""
    while True:
        width, height = _WIDTHS[int(rng.integers(len(_WIDTHS)))]
        picture = _scene(rng, width, height)
        moment = datetime(2024, 1, 1) + timedelta(seconds=int(rng.integers(0, 3 * 365 * 86_400)))  # noqa: DTZ001
        form, style = str(rng.choice(list(FORMS))), str(rng.choice(_STYLES))
        corner, lines = str(rng.choice(_CORNERS)), int(rng.integers(1, 4))
        told = Written(name, moment, form, style, corner, lines)
        written = _write(rng, picture, told, str(rng.choice(fonts)))
        if written is not None:
            quality = int(rng.integers(60, 93))
            _, data = cv2.imencode(".jpg", written[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
            return np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1], np.uint8), told


def _scene(rng: np.random.Generator, width: int, height: int) -> Pixels:
    scene = scenes()[int(rng.integers(len(scenes())))]
    h, w = scene.shape[:2]
    part = min(w, h * width / height) * rng.uniform(0.6, 1.0)
    pw, ph = int(part), int(part * height / width)
    x, y = int(rng.integers(0, w - pw + 1)), int(rng.integers(0, h - ph + 1))
    cut = cv2.resize(scene[y:y + ph, x:x + pw], (width, height), interpolation=cv2.INTER_CUBIC)
    noisy = cut * rng.uniform(0.5, 1.25) + rng.normal(0, rng.uniform(1, 6), cut.shape)
    return np.clip(noisy, 0, 255).astype(np.uint8)


def _write(rng: np.random.Generator, picture: Pixels, told: Written, font_file: str) -> Pixels | None:
    """The text drawn; None where a person could not read it on this ground."""
    height, width = picture.shape[:2]
    size = int(height * rng.uniform(0.016, 0.05))
    font = ImageFont.truetype(font_file, size)
    clock = told.moment.strftime(told.form)
    # one line with both, two lines below each other, or the name in the opposite corner
    texts = [(f"{told.name}  {clock}", told.corner)] if told.lines == 1 else [(f"{told.name}\n{clock}", told.corner)]
    if told.lines == 3:
        texts = [(clock, told.corner), (told.name, _CORNERS[3 - _CORNERS.index(told.corner)])]
    image = Image.fromarray(picture)
    drawing = ImageDraw.Draw(image)
    light = told.style in ("light", "outlined", "plate")
    tone, other = ((255, 255, 255), (0, 0, 0)) if light else ((0, 0, 0), (255, 255, 255))
    stroke = max(1, size // 14) if told.style.startswith("outlined") else 0
    margin = int(rng.uniform(0.008, 0.04) * height)
    for text, corner in texts:
        left, top, right, bottom = drawing.multiline_textbbox((0, 0), text, font=font, stroke_width=stroke)
        x = margin - left if "left" in corner else width - margin - right
        y = margin - top if "top" in corner else height - margin - bottom
        box = (int(x + left), int(y + top), int(x + right), int(y + bottom))
        behind = picture[max(0, box[1]):box[3], max(0, box[0]):box[2]].mean(axis=2)
        if box[0] < 0 or box[2] > width:
            return None
        if told.style in ("light", "dark") and abs(float(np.percentile(behind, 90 if light else 10)) - tone[0]) < _LEGIBLE:
            return None
        if told.style == "plate":
            drawing.rectangle((box[0] - 6, box[1] - 6, box[2] + 6, box[3] + 6), fill=other)
        align = "left" if "left" in corner else "right"
        drawing.multiline_text((x, y), text, font=font, fill=tone, stroke_width=stroke, stroke_fill=other, align=align)
    return np.asarray(image)


def main() -> None:
    """Print the shares, and what failed."""
    pictures = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    fonts = font_files(sys.argv[2] if len(sys.argv) > 2 else None)
    count: Counter[str] = Counter()
    failed: Counter[str] = Counter()
    spent = 0.0
    for seed in range(pictures):
        rng = np.random.default_rng(seed)
        plan = plan_names(rng)
        own = plan[int(rng.integers(len(plan)))]
        name = str(rng.choice([own[0], own[1], f"{own[0]} {own[1]}"]))
        picture, told = draw(rng, name, fonts)
        started = time.process_time()
        lines = read_burned_in(picture)
        spent += time.process_time() - started
        shown = NameReader(tuple(plan)).camera(lines)
        times = {r.moment for line in lines for r in readings(line.text) if r.order == FORMS[told.form]}
        for what, hit, miss in (("name", shown == own[0], shown is None), ("time", times == {told.moment}, not times)):
            kind = "right" if hit else "open" if miss else "wrong"
            count[f"{what} {kind}"] += 1
            if kind != "right":
                failed.update((f"{what} {kind}: {told.style}", f"{what} {kind}: {told.form}", f"{what} {kind}: lines {told.lines}"))
                if "-v" in sys.argv:
                    print(seed, what, kind, repr(name), told.moment.strftime(told.form), told.style, told.corner, told.lines, picture.shape,
                          [(line.text, line.score) for line in lines])  # fmt: skip
    for what in ("name", "time"):
        shares = ", ".join(f"{kind} {count[f'{what} {kind}'] / pictures:.1%}" for kind in ("right", "wrong", "open"))
        print(f"{what}: {shares} of {pictures}")
    print(f"{spent / pictures:.2f} s of processor time a picture, {len(fonts)} fonts, {len(scenes())} photographs")
    for text, times_failed in failed.most_common(20):
        print(f"  {times_failed:4d} {text}")


if __name__ == "__main__":
    main()
