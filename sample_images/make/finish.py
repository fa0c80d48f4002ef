"""Turn rendered linear light into pictures as a camera or a phone would store them.

    python finish.py RENDERED_FOLDER OUT_FOLDER [--workers 2] [--only PATTERN]

Works on linear light: haze and fog by distance, lens glare, film, dried water, defocus, shot noise by gain; then tone,
noise reduction, sharpening and JPEG. Writes NAME.jpg and NAME.json (share of sky) for each render.
"""

from __future__ import annotations

import argparse
import json
import re
import zlib
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import OpenEXR
import visits
from numpy.typing import NDArray

__all__ = ["contrast", "finish", "read_render"]

Image = NDArray[np.float32]

# Infrared lamps on this side of a hung fisheye are switched off: a roof's edge is close there (degrees from true north).
LAMPS_OFF = {"TH-03": 225.0}


def read_render(path: Path) -> tuple[Image, Image]:
    """Linear RGB (H, W, 3) and distance in metres (H, W) of a render."""
    channels: dict[str, Any] = {}
    with OpenEXR.File(str(path)) as file:
        for part in file.parts:
            channels.update({name: c.pixels for name, c in part.channels.items()})
    colour = next(k for k in channels if "Combined" in k or k in ("RGB", "RGBA"))
    if channels[colour].ndim == 3:
        rgb = channels[colour][..., :3]
    else:
        stem = colour.rsplit(".", 1)[0]
        rgb = np.stack([channels[f"{stem}.{c}"] for c in "RGB"], -1)
    depth = next(v for k, v in channels.items() if "Depth" in k)
    return np.ascontiguousarray(np.nan_to_num(rgb), np.float32), np.ascontiguousarray(depth, np.float32)


def _blur(image: Image, sigma: float) -> Image:
    """Gaussian blur; wide ones at reduced size."""
    if sigma < 8:
        return cv2.GaussianBlur(image, (0, 0), sigma, borderType=cv2.BORDER_REFLECT)
    step = int(sigma // 3)
    h, w = image.shape[:2]
    small = cv2.resize(image, (max(8, w // step), max(8, h // step)), interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma / step, borderType=cv2.BORDER_REFLECT)
    return cv2.resize(small, (w, h), interpolation=cv2.INTER_CUBIC)


def _cloud(shape: tuple[int, int], scale: float, rng: np.random.Generator) -> Image:
    """Smooth random field with mean 0 and deviation 1."""
    h, w = shape
    coarse = rng.normal(0, 1, (max(4, int(h / scale)), max(4, int(w / scale)))).astype(np.float32)
    field = cv2.resize(cv2.GaussianBlur(coarse, (0, 0), 1.2), (w, h), interpolation=cv2.INTER_CUBIC)
    return (field - field.mean()) / (field.std() + 1e-6)


def _haze(light: Image, distance: Image, sky: NDArray[np.bool_], reach_m: float, rng: np.random.Generator, patchy: bool) -> Image:
    """Airlight over distance; the airlight is the sky's light near the horizon."""
    rows = np.where(sky.any(1))[0]
    band = light[sky & (np.arange(sky.shape[0])[:, None] > rows.max() - 0.08 * sky.shape[0])] if len(rows) else light.reshape(-1, 3)
    air = np.median(band, 0) if len(band) else np.median(light.reshape(-1, 3), 0)
    d = np.minimum(distance, 1800.0)
    density = 1.0 / reach_m
    if patchy:
        air = np.full(3, np.mean(air), np.float32) * 0.85
        density = density * np.clip(1 + 0.22 * _cloud(d.shape, d.shape[1] / 6, rng), 0.4, 1.8)
        d = np.where(sky, 190.0, d)
    through = np.exp(-d * density)[..., None]
    if not patchy:
        through = np.where(sky[..., None], 1.0, through)
    return (light * through + air * (1 - through)).astype(np.float32)


def _defocus(light: Image, radius: float) -> Image:
    size = int(np.ceil(radius)) * 2 + 3
    y, x = np.mgrid[:size, :size] - size // 2
    disc = np.clip(radius + 0.5 - np.hypot(x, y), 0, 1).astype(np.float32)
    return cv2.filter2D(light, -1, disc / disc.sum(), borderType=cv2.BORDER_REFLECT)


def _film(light: Image, rng: np.random.Generator, night: bool) -> Image:
    """Protective film left on the bubble: even milky veil, softened detail, faint wrinkles."""
    h, w = light.shape[:2]
    k = w / 1600
    soft = 0.35 * light + 0.40 * _blur(light, 2.4 * k) + 0.25 * _blur(light, 9 * k)
    milk = 0.5 * light.mean((0, 1)) + 0.5 * _blur(light, 260 * k)
    wrinkle = 1 + 0.05 * _cloud((h, w), 70 * k, rng) + 0.03 * _cloud((h, w), 22 * k, rng)
    veil = (0.62 if night else 0.56) * wrinkle[..., None]
    return (soft * (1 - veil) + milk * (1.5 if night else 1.15) * veil).astype(np.float32)


def _dried_water(light: Image, rng: np.random.Generator, night: bool) -> Image:
    """Residue low on a bubble that faces outwards: hardly seen by day, glows under the camera's own infrared."""
    h, w = light.shape[:2]
    y, x = np.mgrid[:h, :w].astype(np.float32)
    radius = np.hypot((x - 0.5 * w) / w, (y + 0.10 * h) / w)
    arc = np.exp(-0.5 * ((radius - 0.575) / 0.055) ** 2) + 0.45 * np.exp(-0.5 * ((radius - 0.50) / 0.10) ** 2)
    grain = np.clip(1 + 0.35 * _cloud((h, w), w / 50, rng) + 0.20 * _cloud((h, w), w / 180, rng), 0.15, None)
    spots = np.zeros((h, w), np.float32)
    for _ in range(170):
        cx, cy = rng.uniform(0, w), h * (1 - rng.exponential(0.16))
        cv2.circle(spots, (int(cx), int(cy)), int(rng.uniform(2, 9) * w / 1600) + 1, float(rng.uniform(0.2, 0.9)), 1 + int(w / 1000), cv2.LINE_AA)
    residue = arc * grain + 0.5 * _blur(spots, 2.5 * w / 1600)
    level = float(np.percentile(light, 92 if night else 60))
    strength = 1.9 if night else 0.045
    return (light * (1 - (0.25 if night else 0.03) * np.clip(residue, 0, 1))[..., None] + strength * level * (residue + (0.10 if night else 0.0))[..., None]).astype(np.float32)


def _sensor(light: Image, electrons: float, read: float, rng: np.random.Generator) -> Image:
    """Shot and read noise, spread a little as interpolation of the colour mosaic does."""
    noise = rng.normal(0, 1, light.shape).astype(np.float32) * np.sqrt(np.maximum(light, 0) / electrons + (read / electrons) ** 2)
    return light + cv2.GaussianBlur(noise, (0, 0), 0.55) * 1.5


def _tone(light: Image, white: float) -> Image:
    x = np.maximum(light, 0)
    y = np.clip(x * (1 + x / white**2) / (1 + x), 0, 1)
    return np.where(y < 0.0031308, 12.92 * y, 1.055 * np.power(np.maximum(y, 1e-6), 1 / 2.4) - 0.055).astype(np.float32)


def contrast(picture: Image) -> Image:
    """What a camera's processor does last by day: black level drawn down a little, and a gentle S-curve."""
    black = min(0.65 * float(np.percentile(picture, 0.5)), 0.12)
    y = np.clip((picture - black) / (1 - black), 0, 1)
    return (y - 0.20 * np.sin(2 * np.pi * y) / (2 * np.pi)).astype(np.float32)


def finish(job: dict[str, Any], render: Path, out: Path) -> dict[str, Any]:
    """Make one picture; returns its facts (share of sky among all pixels)."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng(zlib.crc32(job["name"].encode()))
    light, distance = read_render(render)
    if job["kind"] == "phone" and distance.shape != (job["height"], job["width"]):
        size = (job["width"], job["height"])
        light, distance = cv2.resize(light, size, interpolation=cv2.INTER_CUBIC), cv2.resize(distance, size, interpolation=cv2.INTER_NEAREST)
    h, w = distance.shape
    night = job["light"]["kind"] == "night"
    phone = job["kind"] == "phone"
    inside = np.ones((h, w), bool)
    if job["projection"] == "equidistant":
        y, x = np.mgrid[:h, :w]
        f = w / np.radians(job["hfov_deg"])
        inside = np.hypot(x - (w - 1) / 2, y - (h - 1) / 2) < f * np.radians(job["circle_deg"] / 2) - 1
    sky = (distance > 1e6) & inside
    facts = {"sky_fraction": round(float(sky.mean()), 4)}
    if not night:
        light = _haze(light, distance, sky, 5200.0, rng, False)
        if job["weather"] == "fog":
            light = _haze(light, distance, sky, 48.0, rng, True)
    if night:
        grey = light @ np.array([0.45, 0.35, 0.20], np.float32)
        light = np.repeat(grey[..., None], 3, -1)
        if job["projection"] == "equidistant" and job["pitch_deg"] == -90.0:
            y, x = np.mgrid[:h, :w]
            off = np.degrees(np.hypot(x - (w - 1) / 2, y - (h - 1) / 2) / (w / np.radians(job["hfov_deg"])))
            pattern = np.exp(-((off / 58.0) ** 4))
            if job["place"] in LAMPS_OFF:
                azimuth = np.degrees(np.arctan2(x - (w - 1) / 2, (h - 1) / 2 - y))
                aside = np.abs((azimuth - LAMPS_OFF[job["place"]] + 180) % 360 - 180)
                pattern = pattern * (1 - 0.97 * np.clip((75 - aside) / 20, 0, 1) * np.clip((off - 12) / 15, 0, 1))
            light = light * pattern[..., None]
    ground = light[inside & ~sky].mean(-1)
    ground = ground[ground > 0] if (ground > 0).any() else np.array([1e-3])
    if night:
        key = 0.20 * np.exp(np.mean(np.log(np.percentile(ground, (40, 60, 80, 92)) + 1e-9)))
        key = max(float(key) / 0.20, 1e-6)
        light = light * (0.30 / key)
        over = float(np.percentile(light[inside], 99.3))
        if over > 9.0:
            light = light * (9.0 / over)
    else:
        key = float(np.exp(np.mean(np.log(ground + 1e-4 * ground.max()))))
        light = light * (0.21 / key)
        over = float(np.percentile(light[inside & ~sky], 96))
        if over > 3.2:
            light = light * (3.2 / over) ** 0.8
        mean = np.median(light[inside & ~sky], 0)
        light = light * (mean.mean() / np.maximum(mean, 1e-6)) ** (0.55 if job["camera"] in ("TH-04", "TH-05", "TH-06", "TH-14") else 0.15)
    light = light.astype(np.float32)
    k = w / 1600
    if job["optics"] == "film":
        light = _film(light, rng, night)
    elif job["optics"] == "dried water":
        light = _dried_water(light, rng, night)
    elif job["optics"] == "defocus":
        light = _defocus(light, 7.5 * k)
    light = 0.965 * _blur(light, 0.62 if not phone else 0.5) + 0.025 * _blur(light, 18 * k) + 0.010 * _blur(light, 120 * k)
    y, x = np.mgrid[:h, :w]
    corner = ((x - w / 2) ** 2 + (y - h / 2) ** 2) / ((w / 2) ** 2 + (h / 2) ** 2)
    light = light * (1 - (0.10 if phone else 0.16) * corner[..., None].astype(np.float32))
    if job["projection"] == "equidistant":
        light = light * inside[..., None] + 0.004
    indoor = float(key) < 0.02 and not night
    electrons = 1100.0 if night else 3500.0 if phone or indoor else 6500.0
    light = _sensor(light, electrons, 6.0 if night else 4.0, rng)
    if night:
        light = np.repeat(light.mean(-1, keepdims=True), 3, -1)
    picture = _tone(light, 9.0 if night else 5.0)
    smooth = cv2.bilateralFilter(picture, 5, 0.08 if night else 0.02, 1.5 if night else 1.2)
    share = 0.70 if night else 0.45
    picture = (1 - share) * picture + share * smooth
    picture = picture + (0.45 if phone else 0.35) * (picture - cv2.GaussianBlur(picture, (0, 0), 1.0))
    if not night:
        picture = contrast(picture)
    stored = (np.clip(picture, 0, 1) * 255 + 0.5).astype(np.uint8)
    quality = 80 if phone else 64 if night else 74 if w > 2000 else 80
    cv2.imwrite(str(out / f"{job['name']}.jpg"), stored[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_OPTIMIZE, 1])
    (out / f"{job['name']}.json").write_text(json.dumps(facts))
    return facts


def _source(job: dict[str, Any], rendered: Path) -> Path:
    """The job's render; a night of the second visit may use the first visit's, where the camera had not moved."""
    own = rendered / f"{job['name']}.exr"
    if own.exists() or job["visit"] != "maintenance" or job["kind"] != "snapshot" or job["part"] != "night":
        return own
    for first in visits.jobs("commissioning"):
        same = all(first.get(k) == job[k] for k in ("kind", "position", "bearing_deg", "pitch_deg", "roll_deg"))
        if same and first["part"] == "night":
            return rendered / f"{first['name']}.exr"
    return own


def _newer(picture: Path, render: Path) -> bool:
    return picture.exists() and picture.stat().st_mtime > render.stat().st_mtime


def main() -> None:
    """Finish every render that has no newer picture."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("rendered", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--only", default="")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    unfinished = [j for v in visits.VISITS for j in visits.jobs(v) if re.search(args.only, j["name"])]
    unfinished = [(j, _source(j, args.rendered)) for j in unfinished]
    unfinished = [(j, source) for j, source in unfinished if source.exists() and not _newer(args.out / f"{j['name']}.jpg", source)]
    with ProcessPoolExecutor(args.workers) as pool:
        waiting = [pool.submit(finish, j, source, args.out) for j, source in unfinished]
        for (job, _), result in zip(unfinished, waiting, strict=False):
            print(job["name"], result.result(), flush=True)


if __name__ == "__main__":
    main()
