"""Writes views with known roll, pitch and sky from the packed panoramas, to judge what was not trained on them.

``python -m training.evaluation_views --packed .train -o FOLDER``

The folder gets the views as JPEG, ``truth.csv`` (file, hfov_deg, roll_deg, pitch_deg, kind, split, place, mask,
projection, k1; an empty mask means that the sky is not known there) and the sky masks as PNG. Views of a place come
only from its own panorama, with the panorama's measured true vertical taken out first. ``--lenses mixed`` draws
barrel distortion, fisheyes and upright pictures in turn; they are for the orientation alone and carry no mask.
``--by-the-wall`` looks from where cameras hang, near a wall and high up, while panoramas stand mid-room: the panorama is
taken to be painted on a level ground and an upright cylinder, so that uprights stay upright and level lines level.
"""

from __future__ import annotations

import argparse
import csv
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.frames import camera_from_world
from audit.lens import Lens
from training.prepare import LOG_STOPS_BELOW, LOG_STOPS_TOTAL, turn_sphere

__all__ = ["develop_view", "level_rotation", "main", "panorama_stops", "render_view"]

FloatArray = NDArray[np.float64]

_PANORAMA_HEIGHT_M = 1.6
"""Usual height of a panorama's camera; common practice, no source."""


def level_rotation(axis: tuple[float, float, float] | None) -> FloatArray:
    """Rotation (3, 3) that takes level east-north-up directions into a panorama whose true vertical is ``axis``."""
    if axis is None:
        return np.eye(3)
    a = np.array(axis) / np.linalg.norm(axis)
    turn = np.cross([0.0, 0.0, 1.0], a)
    skew = np.array([[0, -turn[2], turn[1]], [turn[2], 0, -turn[0]], [-turn[1], turn[0], 0]])
    return np.asarray(np.eye(3) + skew + skew @ skew / (1 + a[2]))


def render_view(
    picture: NDArray[np.float32], lens: Lens, bearing_deg: float, pitch_deg: float, roll_deg: float, level: FloatArray,
    spot: tuple[FloatArray, float] | None = None,
) -> NDArray[np.float32]:
    """View of a panorama (h, w, channels) through a lens, sampled bicubically.

    ``spot`` is where the camera stands, east, north and up of the panorama's own spot in metres, and the wall's radius.
    """
    height, width = picture.shape[:2]
    x, y = np.meshgrid(np.arange(lens.width_px), np.arange(lens.height_px))
    world = lens.unproject(np.stack([x, y], -1)) @ camera_from_world(bearing_deg, pitch_deg, roll_deg)
    if spot is not None:
        world = _from_panorama(world, *spot)
    d = world @ level.T
    column = (0.5 + np.arctan2(d[..., 0], d[..., 1]) / (2 * np.pi)) * width - 0.5
    row = (0.5 - np.arcsin(np.clip(d[..., 2], -1, 1)) / np.pi) * height - 0.5
    pad = 8
    wrapped = np.concatenate([picture[:, -pad:], picture, picture[:, :pad]], 1)
    return cv2.remap(wrapped, (column + pad).astype(np.float32), row.astype(np.float32), cv2.INTER_CUBIC,
                     borderMode=cv2.BORDER_REPLICATE)  # fmt: skip


def _from_panorama(rays: FloatArray, shift_m: FloatArray, radius_m: float) -> FloatArray:
    """Directions from the panorama's own spot to what rays (h, w, 3) from another spot hit, wall or ground."""
    flat = np.maximum(rays[..., 0] ** 2 + rays[..., 1] ** 2, 1e-9)
    along = rays[..., :2] @ shift_m[:2]
    wall = (np.sqrt(along**2 - flat * (shift_m[:2] @ shift_m[:2] - radius_m**2)) - along) / flat
    ground = (_PANORAMA_HEIGHT_M + shift_m[2]) / np.maximum(-rays[..., 2], 1e-6)
    hit = shift_m + np.minimum(wall, ground)[..., None] * rays
    return np.asarray(hit / np.linalg.norm(hit, axis=-1, keepdims=True))


def _by_the_wall(rng: np.random.Generator, room: bool, bearing_deg: float) -> tuple[FloatArray, float]:
    """A spot near the wall and high up, from which a camera looks along the wall or away from it; and the wall's radius."""
    radius = float(np.exp(rng.uniform(1.0, 2.0) if room else rng.uniform(2.0, 3.2)))
    out = np.radians(bearing_deg + rng.choice([-1, 1]) * rng.uniform(50, 180))
    away = radius * rng.uniform(0.6, 0.92)
    up = rng.uniform(0.3, min(1.3, 0.35 * radius)) if room else rng.uniform(0.5, 2.5)
    return np.array([away * np.sin(out), away * np.cos(out), up]), radius


def panorama_stops(packed: Path, place: Mapping[str, Any]) -> NDArray[np.float32]:
    """A packed panorama (h, w, 3), RGB, as stops of light; ``place`` is its entry in ``places.json``."""
    code = cv2.imread(str(packed / f"{place['key']}.jp2"), cv2.IMREAD_UNCHANGED)[..., ::-1]
    stops = code.astype(np.float32) / (2 ** place["bits"] - 1) * LOG_STOPS_TOTAL - LOG_STOPS_BELOW
    return np.asarray(stops if place["turn"] is None else turn_sphere(stops, np.array(place["turn"]).T))


def develop_view(
    stops: NDArray[np.float32], rng: np.random.Generator, inside: NDArray[np.bool_] | slice = slice(None)
) -> NDArray[np.float32]:
    """Display values about 0..1 of a rendered view (h, w, 3): exposed by what is inside, toned, sharpened, with noise."""
    linear = np.nan_to_num(np.exp2(stops))
    linear *= 0.22 * 2 ** rng.normal(0, 0.6) / np.exp(np.mean(np.log(linear[inside].mean(-1) + 1e-3)))
    shown = np.clip(linear * 1.1 / (1 + 0.4 * linear), 0, 1) ** (1 / 2.2)
    shown += np.float32(rng.uniform(0.2, 1.0)) * (shown - cv2.GaussianBlur(shown, (0, 0), 2.5))
    shown += rng.normal(0, rng.uniform(0.002, 0.015), shown.shape).astype(np.float32)
    return np.asarray(shown)


def _other_lens(number: int, hfov_deg: float) -> Lens:
    """Barrel distortion, fisheye or upright picture, in turn."""
    if number % 3 == 0:
        return Lens(1280, 720, hfov_deg, k1=-0.03 - 0.07 * (number % 7) / 6)
    if number % 3 == 1:
        return Lens(960, 960, 140.0 + 45.0 * (number % 5) / 4, projection="equidistant")
    return Lens(720, 1280, 30.0 + 0.35 * (hfov_deg - 40.0))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--packed", type=Path, default=Path(".train"))
    parser.add_argument("-o", "--output", type=Path, required=True)
    parser.add_argument("--built", type=int, default=240, help="held-out views of towns and rooms")
    parser.add_argument("--country", type=int, default=100, help="held-out views of countryside")
    parser.add_argument("--train", type=int, default=100, help="views of places that are trained on")
    parser.add_argument("--split", default="held out", help="split that the views named held-out come from")
    parser.add_argument("--seed", type=int, default=20261125)
    parser.add_argument("--lenses", choices=("plain", "mixed"), default="plain")
    parser.add_argument("--pitch", type=float, nargs=2, default=(-45.0, 25.0), help="lowest and highest pitch in degrees")
    parser.add_argument("--by-the-wall", action="store_true")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    rng = np.random.default_rng(given.seed)
    given.output.mkdir(parents=True, exist_ok=True)
    places = json.loads((given.packed / "places.json").read_text())
    if any(p["turn"] is not None for p in places):
        parser.error(f"{given.packed} was packed with --turned, for training; give a folder packed without it.")
    held = [p for p in places if p["split"] == given.split]
    trained = [p for p in places if p["split"] == "train" and p["axis"] is not None]
    built = [p for p in held if p["kind"] != "country"]
    wanted = [built[i % len(built)] for i in range(given.built)]
    country = [p for p in held if p["kind"] == "country"]
    wanted += [country[i % len(country)] for i in range(given.country)]
    wanted += [trained[i] for i in rng.integers(0, len(trained), given.train)]
    rows = []
    cache: dict[str, tuple[NDArray[np.float32], NDArray[np.float32] | None]] = {}
    for number, place in enumerate(wanted):
        key = place["key"]
        if key not in cache:
            stops = panorama_stops(given.packed, place)
            mask = cv2.imread(str(given.packed / f"{key}.png"), 0) if place["sky"] else None
            cache[key] = (stops, None if mask is None else mask.astype(np.float32) / 255)
        stops, sky = cache[key]
        hfov, pitch, roll = rng.uniform(40, 105), rng.uniform(*given.pitch), rng.normal(0, 6)
        bearing = rng.uniform(0, 360)
        lens = Lens(1280, 720, hfov) if given.lenses == "plain" else _other_lens(number, hfov)
        level = level_rotation(tuple(place["axis"]) if place["axis"] else None)
        spot = _by_the_wall(rng, place["kind"] == "room", bearing) if given.by_the_wall else None
        shown = develop_view(render_view(stops, lens, bearing, pitch, roll, level, spot), rng)
        name = f"view{number:04d}"
        cv2.imwrite(str(given.output / f"{name}.jpg"), (np.clip(shown, 0, 1) * 255).astype(np.uint8)[..., ::-1],
                    [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(60, 95))])  # fmt: skip
        mask_name = ""
        if sky is not None and given.lenses == "plain" and spot is None:
            seen = render_view(sky, lens, bearing, pitch, roll, level)
            mask_name = f"{name}_sky.png"
            cv2.imwrite(str(given.output / mask_name), (seen > 0.5).astype(np.uint8) * 255)
        rows.append([f"{name}.jpg", f"{lens.hfov_deg:.4f}", f"{roll:.4f}", f"{pitch:.4f}", place["kind"],
                     place["split"], place["name"], mask_name, lens.projection, f"{lens.k1:.4f}"])  # fmt: skip
    with (given.output / "truth.csv").open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["file", "hfov_deg", "roll_deg", "pitch_deg", "kind", "split", "place", "mask", "projection",
                         "k1"])  # fmt: skip
        writer.writerows(rows)


if __name__ == "__main__":
    main()
