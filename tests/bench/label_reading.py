"""Printed ids on drawn label photos of 12 megapixels: read right, wrong or not at all, and what that costs.

    nice -n 10 python -m tests.bench.label_reading --photos 100 --seed 1

A plate with an id and three other lines of print is put before one of the demo's pictures: letters 20 to 200 px high, seen up to 50 degrees from
the side, up to 12 degrees rolled, each twelfth photo turned by a quarter or a half; out of focus, with dirt, and with glare. A fifth of the
photos bear an id of another site, which must name none. With ``--sent`` each is what a messenger leaves of it: 1,600 px at a low quality.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from audit.demo import sample_folder
from audit.match.reading import IdReader, read_label

FONTS = sorted((Path(__file__).parents[2] / "audit" / "report" / "fonts").glob("*.ttf"))
SIZE = (4000, 3000)
SENT_PX, SENT_QUALITY = 1600, 60
FOREIGN, TURNED = 5, 12
Pixels = NDArray[np.uint8]


def plan_ids(rng: np.random.Generator, count: int = 300) -> list[tuple[str, str]]:
    """Ids and serials of a plan."""
    form = ("CAM-{:03d}", "K{:04d}", "B2.{:03d}", "TH-{:02d}")[int(rng.integers(4))]
    letters = "ABCDEFGHJKLMNPQRSTUVWXYZ0123456789"
    return [(form.format(n + 1), "".join(rng.choice(list(letters), 3)) + f"{int(rng.integers(10**5, 10**6))}") for n in range(count)]


def plate(text: str, high_px: int, rng: np.random.Generator) -> Pixels:
    """A label with the id between other lines of print."""
    font = ImageFont.truetype(str(FONTS[int(rng.integers(len(FONTS)))]), round(high_px / 0.73))
    small = ImageFont.truetype(str(FONTS[0]), max(12, round(high_px * 0.8)))
    first = f"{('S/N ', 'ID ', 'Serial: ', '')[int(rng.integers(4))]}{text}"
    lines = [("MODEL D40-IR", small), (first, font), ("DC 12V 7W IP66", small), ("MAC 00:1A:7B:33:0F", small)]
    wide = max(font.getlength(line) for line, font in lines)
    step, edge = 1.9 * high_px, 1.2 * high_px
    light = bool(rng.random() < 0.8)
    paper, ink = ((232, 232, 226), (28, 28, 30)) if light else ((40, 44, 52), (216, 218, 220))
    made = Image.new("RGB", (round(wide + 2 * edge), round(4 * step + edge)), paper)
    draw = ImageDraw.Draw(made)
    for row, (line, used) in enumerate(lines):
        draw.text((edge, edge / 2 + row * step), line, font=used, fill=ink)
    return np.asarray(made)


def seen(flat: Pixels, background: Pixels, rng: np.random.Generator) -> Pixels:
    """The plate as a phone sees it from the side, before a background."""
    high, wide = flat.shape[:2]
    yaw, roll, far = np.radians(rng.uniform(-50, 50)), np.radians(rng.uniform(-12, 12)), 3.0 * max(wide, high)
    corners = np.array([(-wide / 2, -high / 2), (wide / 2, -high / 2), (wide / 2, high / 2), (-wide / 2, high / 2)])
    depth = far / (far + corners[:, 0] * np.sin(yaw))
    flat_at = np.stack([corners[:, 0] * np.cos(yaw) * depth, corners[:, 1] * depth], axis=1)
    flat_at = flat_at @ np.array([[np.cos(roll), np.sin(roll)], [-np.sin(roll), np.cos(roll)]])
    fit = min(1.0, 0.95 * SIZE[0] / np.ptp(flat_at[:, 0]), 0.95 * SIZE[1] / np.ptp(flat_at[:, 1]))
    flat_at *= fit
    spare = np.maximum((np.array(SIZE) - np.ptp(flat_at, axis=0)) / 2 - 20, 0) * 0.5
    at = flat_at - (flat_at.max(axis=0) + flat_at.min(axis=0)) / 2 + np.array(SIZE) / 2 + rng.uniform(-spare, spare)
    onto = cv2.getPerspectiveTransform(np.array([(0, 0), (wide, 0), (wide, high), (0, high)], np.float32), at.astype(np.float32))
    warped = cv2.warpPerspective(flat, onto, SIZE, flags=cv2.INTER_AREA if fit < 1 else cv2.INTER_LINEAR)
    cover = cv2.warpPerspective(np.full((high, wide), 255, np.uint8), onto, SIZE)
    return np.where(cover[..., None] > 127, warped, background)


def worn(picture: Pixels, high_px: int, rng: np.random.Generator) -> Pixels:
    """Out of focus, dirty, and with a light's reflection."""
    small = cv2.resize(picture, None, fx=0.25, fy=0.25)
    layer = np.zeros(small.shape[:2], np.float32)
    for _ in range(int(rng.integers(0, 25))):
        centre = tuple(int(v) for v in rng.uniform((0, 0), (small.shape[1], small.shape[0])))
        cv2.circle(layer, centre, int(rng.uniform(2, 14)), float(rng.uniform(0.1, 0.5)), -1)
    dirt = cv2.GaussianBlur(cv2.resize(layer, SIZE), (0, 0), 6)[..., None]
    out = picture * (1 - dirt) + dirt * np.array((96, 84, 66))
    if rng.random() < 0.35:
        glare = np.zeros(small.shape[:2], np.float32)
        centre = tuple(int(v) for v in rng.uniform((0.3 * small.shape[1], 0.3 * small.shape[0]), (0.7 * small.shape[1], 0.7 * small.shape[0])))
        cv2.circle(glare, centre, int(rng.uniform(20, 90)), 1.0, -1)
        out = out + 150 * float(rng.uniform(0.3, 1.0)) * cv2.resize(cv2.GaussianBlur(glare, (0, 0), 25), SIZE)[..., None]
    blur_px = float(rng.uniform(0.4, 1.0)) + 0.05 * high_px * float(rng.random())
    out = cv2.GaussianBlur(np.clip(out * rng.uniform(0.6, 1.1), 0, 255).astype(np.uint8), (0, 0), blur_px)
    noise = np.empty(out.shape, np.int8)
    cv2.setRNGSeed(int(rng.integers(10**6)))
    cv2.randn(noise, (0, 0, 0), (4, 4, 4))
    return np.asarray(cv2.add(out, noise, dtype=cv2.CV_8U), dtype=np.uint8)


def photo(number: int, ids: list[tuple[str, str]], backgrounds: list[Pixels], rng: np.random.Generator) -> tuple[Pixels, str | None]:
    """A label photo and the id that is on it; None where it is of another site."""
    foreign = number % FOREIGN == FOREIGN - 1
    meant = None if foreign else str(ids[int(rng.integers(len(ids)))][int(rng.random() < 0.5)])
    text = f"YD{int(rng.integers(10**6, 10**7))}" if meant is None else meant
    high_px = round(float(np.exp(rng.uniform(np.log(20), np.log(200)))))
    picture = worn(seen(plate(text, high_px, rng), backgrounds[number % len(backgrounds)], rng), high_px, rng)
    if number % TURNED == TURNED - 1:
        picture = np.rot90(picture, int(rng.integers(1, 4)))
    return np.ascontiguousarray(picture), meant


def sent(picture: Pixels) -> Pixels:
    """What a messenger leaves of a picture."""
    scale = SENT_PX / max(picture.shape[:2])
    small = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    coded = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, SENT_QUALITY])[1]
    return np.asarray(cv2.imdecode(coded, cv2.IMREAD_COLOR), dtype=np.uint8)


def main() -> None:
    """Print the counts, what was read wrong, and the processor time of a photo."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--sent", action="store_true")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    rng = np.random.default_rng([61, given.seed])
    files = sorted((sample_folder() / "commissioning" / "photos").glob("*.jpg"))
    backgrounds = [cv2.resize(cv2.imread(str(files[int(i)])), SIZE) for i in rng.permutation(len(files))[:4]]
    ids = plan_ids(rng)
    reader = IdReader(ids)
    counts = dict.fromkeys(("right", "open", "wrong", "foreign", "foreign named"), 0)
    spent: dict[bool, list[float]] = {True: [], False: []}
    for number in range(given.photos):
        picture, meant = photo(number, ids, backgrounds, rng)
        picture = sent(picture) if given.sent else picture
        began = time.process_time()
        told = reader.told(read_label(picture, reader))
        spent[meant is not None].append(time.process_time() - began)
        if meant is None:
            counts["foreign"] += 1
            counts["foreign named"] += told is not None
        else:
            counts["right" if told == meant else "open" if told is None else "wrong"] += 1
    asked = counts["right"] + counts["open"] + counts["wrong"]
    times = ", ".join(f"{np.mean(spent[own][1:]):.2f} s a photo of {'the plan' if own else 'another site'}" for own in (True, False))
    print(f"read right {counts['right'] / asked:.1%} of {asked}, {counts}; {times}")


if __name__ == "__main__":
    main()
