"""Draws close-ups of labels, screens that show a camera's picture, printed pages, and views of places alone, for training.

    python -m training.shots.flat OUT_FOLDER --places FOLDER… --count 2000 [--first 0]

What is flat is drawn large, set obliquely into a view, and blurred, dirtied and lit as hands and lamps do it. Pictures are named
``KIND_PLACE_NUMBER.jpg``.
"""

from __future__ import annotations

import glob
import math
from functools import partial
from pathlib import Path

import cv2
import numpy as np
import segno
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from training.shots import scenes
from training.shots.scenes import FINER, LONG_PX, SHORT_PX, command, keep, place_view, places_of

__all__ = ["KINDS", "main"]

Pixels = NDArray[np.uint8]
Floats = NDArray[np.float32]

KINDS = ("label", "screen", "page", "place")
SHARES = (0.4, 0.2, 0.1, 0.3)
#: Words of plates (invented; units and signs as the trade writes them).
WORDS = ("INPUT", "DC 12V", "48 V", "7 W", "IP66", "IP67", "MODEL", "S/N", "NO.", "ID", "MAC", "MADE", "2026", "CLASS", "DO NOT OPEN", "PoE", "IR", "850 nm",
         "NETWORK CAMERA", "DOME", "OUTDOOR UNIT", "-30 +50 C", "WARNING", "REV", "TYPE", "P/N")  # fmt: skip
FONTS = tuple(sorted(f for f in glob.glob("/usr/share/fonts/truetype/*/*.ttf") if "ymbol" not in f and "emoji" not in f.lower()))


def _font(rng: np.random.Generator, size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    for _ in range(5):
        try:
            return ImageFont.truetype(FONTS[int(rng.integers(len(FONTS)))], size)
        except OSError:
            continue
    return ImageFont.load_default()


def _id(rng: np.random.Generator) -> str:
    letters = "".join(rng.choice(list("ABCDEFGHKLMNPRSTX"), int(rng.integers(1, 4))))
    return f"{letters}{rng.choice(['-', '', ' ', '_'])}{int(rng.integers(1, 10 ** int(rng.integers(2, 9))))}"


def _plate(rng: np.random.Generator) -> Pixels:
    """A label: lines of print, often a code."""
    width, height = int(rng.uniform(380, 760)), int(rng.uniform(160, 460))
    light = rng.random() < 0.8
    paper = rng.uniform(200, 250, 3) if light else rng.uniform(15, 70, 3)
    if rng.random() < 0.12:
        paper = np.array(((240, 210, 60), (60, 120, 200), (210, 70, 60)))[int(rng.integers(3))] * 1.0
    ink = tuple(int(v) for v in (rng.uniform(0, 60, 3) if paper.mean() > 120 else rng.uniform(200, 250, 3)))
    sheet = Image.new("RGB", (width, height), tuple(int(v) for v in paper))
    pen = ImageDraw.Draw(sheet)
    left = 16
    if rng.random() < 0.5:
        kind = rng.random()
        if kind < 0.55:
            code = np.array([[bool(c) for c in row] for row in segno.make(_id(rng) + _id(rng), micro=False).matrix])
            side = min(height - 30, width // 2) // len(code)
            block = np.kron(np.where(code, 0, 255).astype(np.uint8), np.ones((side, side), np.uint8))
            sheet.paste(Image.fromarray(block).convert("RGB"), (left, 15))
            left += block.shape[1] + 18
        else:
            x, bottom = 20, height - int(height * rng.uniform(0.05, 0.3))
            top = bottom - int(height * rng.uniform(0.2, 0.45))
            while x < width - 30:
                bar = int(rng.integers(2, 9))
                pen.rectangle((x, top, x + bar, bottom), fill=ink)
                x += bar + int(rng.integers(2, 9))
    y = float(rng.uniform(6, 22))
    for k in range(int(rng.integers(1, 7))):
        size = int(height * (rng.uniform(0.12, 0.42) if k == 0 else rng.uniform(0.06, 0.14)))
        text = _id(rng) if k == 0 and rng.random() < 0.7 else " ".join(rng.choice(WORDS, int(rng.integers(1, 4))))
        if y + size > height - 4:
            break
        pen.text((left, y), text, font=_font(rng, max(size, 9)), fill=ink)
        y += size * rng.uniform(1.1, 1.6)
    if rng.random() < 0.4:
        pen.rectangle((4, 4, width - 5, height - 5), outline=ink, width=int(rng.integers(2, 6)))
    return np.asarray(sheet)


def _page(rng: np.random.Generator) -> Pixels:
    """A sheet full of lines, or a poster: print that is no label."""
    width, height = (520, 720) if rng.random() < 0.6 else (760, 520)
    sheet = Image.new("RGB", (width, height), tuple(int(v) for v in rng.uniform(225, 255, 3)))
    pen = ImageDraw.Draw(sheet)
    if rng.random() < 0.4:
        pen.rectangle((0, 0, width, height * rng.uniform(0.1, 0.5)), fill=tuple(int(v) for v in rng.uniform(20, 230, 3)))
    y, size = 20.0, int(rng.uniform(10, 20))
    font = _font(rng, size)
    while y < height - 30:
        words = ["".join(rng.choice(list("abcdefghilmnoprstu"), int(rng.integers(2, 9)))) for _ in range(int(rng.integers(3, 14)))]
        pen.text((24, y), " ".join(words)[: int(width / size * 1.7)], font=font, fill=(30, 30, 30))
        y += size * rng.uniform(1.2, 1.9)
    return np.asarray(sheet)


def _screen(rng: np.random.Generator, places: list[Path]) -> Pixels:
    """A monitor with one camera's picture or several, with names and clocks burnt in, or a desk's page about them."""
    tiles = int(rng.choice((1, 2, 3), p=(0.6, 0.3, 0.1)))
    width, height = 800, 450
    shown = np.zeros((height, width, 3), np.uint8)
    for row in range(tiles):
        for column in range(tiles):
            w, h = width // tiles, height // tiles
            place = places[int(rng.integers(len(places)))]
            down, turn = math.radians(rng.uniform(5, 40)), rng.uniform(0, 2 * math.pi)
            axes = np.column_stack([(1, 0, 0), (0, math.sin(down), math.cos(down)), (0, math.cos(down), -math.sin(down))])
            view = place_view(place, axes, w / 2 / math.tan(math.radians(rng.uniform(30, 55))), (w, h), turn) * np.exp(rng.normal(0, 0.3))
            if rng.random() < 0.25:
                view = np.repeat(view.mean(axis=2, keepdims=True), 3, axis=2)
            tile = Image.fromarray(np.clip(view * 255, 0, 255).astype(np.uint8))
            pen = ImageDraw.Draw(tile)
            font = _font(rng, max(10, h // 20))
            if rng.random() < 0.8:
                pen.text((8, 6), f"2026-{int(rng.integers(1, 13)):02d}-{int(rng.integers(1, 29)):02d} {int(rng.integers(24)):02d}:{int(rng.integers(60)):02d}:07", font=font, fill=(255, 255, 255))
            if rng.random() < 0.6:
                pen.text((8, h - h // 12 - 6), _id(rng), font=font, fill=(255, 255, 255))
            shown[row * h : (row + 1) * h, column * w : (column + 1) * w] = np.asarray(tile)
    if rng.random() < 0.45:
        bar = Image.fromarray(shown)
        pen = ImageDraw.Draw(bar)
        shade = tuple(int(v) for v in (rng.uniform(20, 60, 3) if rng.random() < 0.6 else rng.uniform(200, 245, 3)))
        pen.rectangle((0, 0, width, int(rng.uniform(18, 40))), fill=shade)
        if rng.random() < 0.6:
            pen.rectangle((0, 0, int(rng.uniform(60, 180)), height), fill=shade)
            for k in range(int(rng.integers(3, 12))):
                pen.text((10, 50 + 28 * k), _id(rng), font=_font(rng, 14), fill=(128, 128, 128))
        shown = np.asarray(bar).copy()
    edge = int(rng.uniform(0, 40))
    frame = tuple(int(v) for v in rng.uniform(5, 50, 3))
    return np.asarray(cv2.copyMakeBorder(shown, edge, edge + int(rng.uniform(0, 30)), edge, edge, cv2.BORDER_CONSTANT, value=frame), np.uint8)


def _lines(picture: Floats, rng: np.random.Generator) -> Floats:
    """The stripes and the glow that a camera sees on a screen."""
    y, x = np.mgrid[: picture.shape[0], : picture.shape[1]].astype(np.float32)
    turn, period = rng.uniform(0, math.pi), rng.uniform(2.5, 30)
    wave = np.sin(2 * math.pi * (x * math.cos(turn) + y * math.sin(turn) + 0.002 * x * y * rng.normal()) / period)
    picture = picture * (1 + rng.uniform(0, 0.12) * wave)[..., None].astype(np.float32)
    return picture * np.float32(rng.uniform(0.8, 1.25)) + np.float32(rng.uniform(0, 18)) * np.array([0.8, 0.9, 1.2], np.float32)


def _held(flat: Pixels, behind: Floats, share: float, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """A flat thing set obliquely before what is behind it: picture and mask."""
    height, width = behind.shape[:2]
    h, w = flat.shape[:2]
    scale = share * min(width / w, height / h)
    tilt, turn, roll = math.radians(rng.uniform(-50, 50)), math.radians(rng.uniform(-30, 30)), math.radians(rng.normal(0, 8))
    corners = np.array([(-w, -h), (w, -h), (w, h), (-w, h)], float) / 2 * scale
    c, s = math.cos(roll), math.sin(roll)
    corners = corners @ np.array([(c, s), (-s, c)])
    depth = 1 + (corners[:, 0] * math.sin(tilt) + corners[:, 1] * math.sin(turn)) / (1.6 * width)
    flatter = corners * np.array([math.cos(tilt), math.cos(turn)]) / depth[:, None]
    middle = np.array([width, height]) / 2 + rng.normal(0, 0.06, 2) * (width, height)
    matrix = cv2.getPerspectiveTransform(np.float32([(0, 0), (w, 0), (w, h), (0, h)]), np.float32(flatter + middle))
    size = (width, height)
    warped = cv2.warpPerspective(flat.astype(np.float32), matrix, size, flags=cv2.INTER_AREA)
    mask = cv2.warpPerspective(np.ones((h, w), np.float32), matrix, size, flags=cv2.INTER_LINEAR)[..., None]
    return warped, mask


def _body(rng: np.random.Generator, size: tuple[int, int], place: Path) -> Floats:
    """What a label sticks on: a body or a wall close by, with the place about it at times."""
    width, height = size
    y, x = np.mgrid[:height, :width].astype(np.float32)
    base = rng.uniform(20, 235) * np.clip(1 + rng.normal(0, 0.05, 3), 0, 1.2)
    slope = 1 + rng.uniform(-0.5, 0.5) * (x / width - 0.5) + rng.uniform(-0.5, 0.5) * (y / height - 0.5)
    body = (base * slope[..., None]).astype(np.float32)
    body += cv2.GaussianBlur(rng.normal(0, 1, (height, width)).astype(np.float32), (0, 0), float(rng.uniform(0.7, 20)))[..., None] * np.float32(rng.uniform(2, 30))
    for _ in range(int(rng.integers(0, 4))):
        at = (int(rng.uniform(0, width)), int(rng.uniform(0, height)))
        cv2.circle(body, at, int(rng.uniform(6, 30)), (rng.uniform(20, 200, 3)).tolist(), -1, cv2.LINE_AA)
    if rng.random() < 0.5:
        far = place_view(place, np.eye(3)[:, [0, 2, 1]], width * 0.8, size, rng.uniform(0, 6.28)) * 255
        far = cv2.GaussianBlur(far, (0, 0), float(rng.uniform(1, 10)))
        a, b = rng.uniform(-0.4, 0.4, 2)
        side = (x / width - 0.5) * math.cos(rng.uniform(0, 6.28)) + (y / height - 0.5) * math.sin(rng.uniform(0, 6.28)) > a + 0.2 * abs(b)
        body = np.where(side[..., None], far, body)
    return body


def draw(kind: str, place: Path, places: list[Path], seed: int) -> Pixels:
    """One picture, (H, W, 3) RGB."""
    rng = np.random.default_rng([72, seed])
    kept = (LONG_PX, SHORT_PX) if rng.random() < 0.65 else (SHORT_PX, LONG_PX)
    size = (int(kept[0] * FINER), int(kept[1] * FINER))
    if kind == "place":
        up = math.radians(rng.normal(0, 14))
        axes = np.column_stack([(1, 0, 0), (0, -math.sin(up), math.cos(up)), (0, math.cos(up), math.sin(up))])
        focal = max(size) / 2 / math.tan(math.radians(rng.uniform(22, 38)))
        picture = place_view(place, axes, focal, size, rng.uniform(0, 6.28)) * 255 * np.exp(rng.normal(0, 0.2))
    else:
        flat = _plate(rng) if kind == "label" else (_page(rng) if kind == "page" else _screen(rng, places))
        on_body = kind == "label" and rng.random() < 0.6
        if on_body:
            body = scenes.draw("bracket", place, seed, close=True)
            behind = cv2.resize(body, size, interpolation=cv2.INTER_CUBIC).astype(np.float32)
        elif kind == "label" or rng.random() < 0.2:
            behind = _body(rng, size, place)
        else:
            axes = np.eye(3)[:, [0, 2, 1]]
            behind = cv2.GaussianBlur(place_view(place, axes, size[0] * 0.7, size, rng.uniform(0, 6.28)) * 255, (0, 0), 2.5) * np.float32(rng.uniform(0.3, 1.0))
        shares = {"label": (0.35, 1.25), "screen": (0.75, 1.45), "page": (0.6, 1.4)}[kind]
        warped, mask = _held(flat, behind, float(rng.uniform(*((0.3, 0.75) if on_body else shares))), rng)
        if kind == "screen":
            warped = _lines(warped, rng)
        else:
            warped = warped * np.float32(rng.uniform(0.55, 1.05))
        picture = behind * (1 - mask) + warped * mask
        if rng.random() < 0.35:
            y, x = np.mgrid[: size[1], : size[0]]
            gx, gy, r = rng.uniform(0, size[0]), rng.uniform(0, size[1]), rng.uniform(20, 160)
            picture = picture + (np.exp(-((x - gx) ** 2 + (y - gy) ** 2) / (2 * r * r)) * rng.uniform(30, 160))[..., None]
    small = cv2.resize(np.clip(picture, 0, 255).astype(np.uint8), kept, interpolation=cv2.INTER_AREA)
    if rng.random() < 0.3:
        small = cv2.GaussianBlur(small, (0, 0), float(rng.uniform(0.4, 1.4)))
    noisy = small.astype(np.float32) + rng.normal(0, rng.uniform(0, 5), small.shape)
    return np.asarray(np.clip(noisy, 0, 255), np.uint8)


def main() -> None:
    """Draw what is not there yet."""
    parser = command(__doc__, 2000)
    parser.add_argument("--only", choices=KINDS)
    given = parser.parse_args()
    places = places_of(given.places)
    for number in range(given.first, given.first + given.count):
        rng = np.random.default_rng([73, number])
        kind, place = given.only or str(rng.choice(KINDS, p=SHARES)), places[int(rng.integers(len(places)))]
        keep(given.output, kind, place, number, partial(draw, kind, place, places, number))


if __name__ == "__main__":
    main()
