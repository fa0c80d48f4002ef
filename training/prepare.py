"""Packs the panoramas that training reads: level, log-encoded, with a sky mask, in one small folder.

``python -m training.prepare --panoramas FOLDER --blender FOLDER --assets FOLDER --open3d FOLDER
--qt3d FOLDER --maniskill FOLDER -o .train``

What compression leaves behind lies along a panorama's rows and columns, and so tells where up is. ``--turned`` turns each
sphere at random before it is coded; training turns it back. What figures come from is packed without loss and not turned.
"""

from __future__ import annotations

import argparse
import base64
import csv
import json
import re
import tempfile
import zlib
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from training.cubemaps import equirectangular, read_dds, read_ktx
from training.places import HELD_OUT, PLACES, Place, more_places

__all__ = ["LOG_STOPS_BELOW", "LOG_STOPS_TOTAL", "add_folders", "given_folders", "main", "random_turn", "read_panorama", "sky_mask", "turn_sphere"]

LOG_STOPS_BELOW = 8.0
"""Stops below the panorama's own middle grey at which the 16-bit code starts."""
LOG_STOPS_TOTAL = 16.0
HEIGHT, WIDTH = 512, 1024
Float = NDArray[np.float32]


def _read_exr(path: Path) -> Float:
    import OpenEXR

    channels = OpenEXR.File(str(path)).channels()
    for name in ("RGB", "RGBA"):
        if name in channels:
            return np.asarray(channels[name].pixels[..., :3], np.float32)
    return np.stack([channels[c].pixels for c in "RGB"], -1).astype(np.float32)


def _read_shown(path: Path) -> Float:
    """Radiance of a picture of 8 bits by the common gamma; what is burnt out stays burnt out."""
    picture = cv2.imread(str(path))
    if picture is None:
        raise FileNotFoundError(f"{path} can't be read; give its folder with --more.")
    return np.asarray((picture[..., ::-1].astype(np.float32) / 255) ** 2.2, np.float32)


def read_panorama(place: Place, folders: dict[str, Path]) -> Float:
    """Linear RGB radiance of a place, (512, 1024, 3) float32, longitude 0 in the middle, zenith on top."""
    folder = folders[place.source]
    if place.source == "folder":
        picture = cv2.imread(str(folder / f"{place.name}_1k.hdr"), cv2.IMREAD_UNCHANGED)
        if picture is None:
            raise FileNotFoundError(f"{folder / place.name}_1k.hdr can't be read; give its folder with --panoramas.")
        radiance = np.asarray(picture[..., ::-1], np.float32)
    elif place.source == "more":
        radiance = _read_exr(folder / place.file) if place.file.endswith(".exr") else _read_shown(folder / place.file)
    elif place.source == "blender":
        radiance = _read_exr(folder / f"{place.name}.exr")
    elif place.source == "open3d":
        radiance = equirectangular(read_ktx(folder / f"{place.name}_skybox.ktx"), WIDTH, HEIGHT)
    elif place.source == "qt3d":
        radiance = equirectangular(read_dds(folder / f"{place.name}_specular.dds"), WIDTH, HEIGHT)
    elif place.source == "maniskill":
        picture = cv2.imread(str(folder / f"{place.name}.hdr"), cv2.IMREAD_UNCHANGED)
        if picture is None:
            raise FileNotFoundError(f"{folder / place.name}.hdr can't be read; give its folder with --maniskill.")
        radiance = cv2.resize(np.asarray(picture[..., ::-1], np.float32), (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)
    else:
        found = re.search(r"base64,([A-Za-z0-9+/=]+)", (folder / f"{place.name}.exr.js").read_text())
        if found is None:
            raise ValueError(f"{place.name}.exr.js holds no base64 EXR; give npm's hdri folder with --assets.")
        with tempfile.NamedTemporaryFile(suffix=".exr") as file:
            file.write(base64.b64decode(found.group(1)))
            file.flush()
            radiance = _read_exr(Path(file.name))
    broken = ~np.isfinite(radiance).all(-1) | (radiance < 0).any(-1)
    radiance = np.maximum(np.nan_to_num(radiance, posinf=6e4), 0)
    if broken.any():
        around = cv2.dilate(radiance, np.ones((7, 7), np.uint8))
        radiance[broken] = around[broken]
    if radiance.shape[:2] != (HEIGHT, WIDTH):
        radiance = np.maximum(cv2.resize(radiance, (WIDTH, HEIGHT), interpolation=cv2.INTER_CUBIC), 0)
    return np.ascontiguousarray(radiance, np.float32)


def _otsu(values: Float) -> float:
    counts, edges = np.histogram(values, 256)
    centres = (edges[1:] + edges[:-1]) / 2
    below = np.cumsum(counts) / counts.sum()
    moment = np.cumsum(counts * centres) / counts.sum()
    between = (moment[-1] * below - moment) ** 2 / np.maximum(below * (1 - below), 1e-9)
    return float(centres[between.argmax()])


def _connected_to_top(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    twice = np.hstack([mask, mask]).astype(np.uint8)
    labels = cv2.connectedComponents(twice, connectivity=4)[1]
    kept = np.unique(labels[:8])
    joined = np.isin(labels, kept[kept > 0])
    return np.asarray(joined[:, :WIDTH] | joined[:, WIDTH:])


def sky_mask(place: Place, radiance: Float) -> NDArray[np.uint8] | None:
    """Sky mask (0 or 255) in the panorama's own frame, or None where the place's sky is not known."""
    horizon = 262
    mask = np.zeros((HEIGHT, WIDTH), bool)
    if place.sky == "unknown":
        return None
    if place.sky == "above horizon":
        mask[: HEIGHT // 2] = True
    elif place.sky != "none":
        blueish = np.log(radiance @ np.array([0.1, 0.3, 0.6], np.float32) + 1e-3)
        mask[:horizon] = blueish[:horizon] > _otsu(blueish[: 256 if place.sky == "bright" else horizon])
        if place.sky != "bright":
            mask = _connected_to_top(mask)
        if place.sky.startswith("cut"):
            scaled = radiance / (np.median(radiance[:300].mean(-1)) * 2 + 1e-6)
            shown = (np.clip(scaled / (1 + scaled) * 1.3, 0, 1) ** (1 / 2.2) * 255).astype(np.uint8)[:300]
            seeds = np.full((300, WIDTH), cv2.GC_PR_BGD, np.uint8)
            if place.sky == "cut":
                seeds[: max(200, place.clear_rows + 40)] = cv2.GC_PR_FGD
                seeds[: place.clear_rows] = cv2.GC_FGD
            else:
                seeds[mask[:300]] = cv2.GC_PR_FGD
                seeds[cv2.erode(mask.astype(np.uint8), np.ones((25, 25), np.uint8))[:300] > 0] = cv2.GC_FGD
            seeds[horizon:] = cv2.GC_BGD
            cv2.setRNGSeed(1)
            cv2.grabCut(np.ascontiguousarray(shown), seeds, None, np.zeros((1, 65)), np.zeros((1, 65)), 4,
                        cv2.GC_INIT_WITH_MASK)  # fmt: skip
            mask = np.zeros((HEIGHT, WIDTH), bool)
            mask[:300] = (seeds == cv2.GC_FGD) | (seeds == cv2.GC_PR_FGD)
            mask = _connected_to_top(mask)
            _, labels, stats, _ = cv2.connectedComponentsWithStats((~mask).astype(np.uint8), connectivity=4)
            mask |= (stats[:, cv2.CC_STAT_AREA] < 40)[labels]
    for left, top, right, bottom in place.not_sky:
        mask[top:bottom, left:right] = False
    return np.asarray(cv2.medianBlur(mask.astype(np.uint8) * 255, 3), np.uint8)


def random_turn(name: str) -> NDArray[np.float64]:
    """A rotation (3, 3), any as likely as another, always the same for a name."""
    return np.asarray(Rotation.random(random_state=zlib.crc32(name.encode())).as_matrix())


def turn_sphere(picture: NDArray[np.generic], rotation: NDArray[np.float64]) -> NDArray[np.generic]:
    """A panorama (h, w, channels) that shows along d what the given one shows along ``rotation @ d``, bicubic."""
    height, width = picture.shape[:2]
    longitude = ((np.arange(width) + 0.5) / width - 0.5) * 2 * np.pi
    latitude = (0.5 - (np.arange(height) + 0.5) / height) * np.pi
    flat = np.cos(latitude)[:, None]
    d = np.stack([flat * np.sin(longitude), flat * np.cos(longitude), np.tile(np.sin(latitude)[:, None], width)], -1)
    x, y, z = np.moveaxis(d @ rotation.T, -1, 0)
    column = (0.5 + np.arctan2(x, y) / (2 * np.pi)) * width - 0.5
    row = (0.5 - np.arcsin(np.clip(z, -1, 1)) / np.pi) * height - 0.5
    pad = 8
    wrapped = np.concatenate([picture[:, -pad:], picture, picture[:, :pad]], 1)
    return np.asarray(cv2.remap(wrapped, (column + pad).astype(np.float32), row.astype(np.float32), cv2.INTER_CUBIC,
                                borderMode=cv2.BORDER_REPLICATE))  # fmt: skip


def true_verticals(folder: Path) -> dict[str, tuple[float, float, float]]:
    """True vertical of each panorama that has one, from level.csv (x east, y north, z up)."""
    with (folder / "level.csv").open(newline="") as file:
        return {
            row["name"].removesuffix("_1k.hdr"): (float(row["axis_x"]), float(row["axis_y"]), float(row["axis_z"]))
            for row in csv.DictReader(file)
        }


_OPTIONS = {
    "panoramas": ("folder", "folder of Radiance HDR files with level.csv"),
    "blender": ("blender", ".../blender/datafiles/studiolights/world"),
    "assets": ("assets", ".../@pmndrs/assets/hdri"),
    "open3d": ("open3d", ".../open3d/resources"),
    "qt3d": ("qt3d", ".../exampleresources/assets/envmaps/cedar-bridge"),
    "maniskill": ("maniskill", ".../mani_skill/assets/environment_maps"),
    "more": ("more", "folder with the files of more_places.csv"),
}
"""Option, source and help of each folder."""


def add_folders(parser: argparse.ArgumentParser) -> None:
    """Options that say where the sources lie; a source that isn't given is left out."""
    for option, (_, text) in _OPTIONS.items():
        parser.add_argument(f"--{option}", type=Path, help=text)


def given_folders(given: argparse.Namespace) -> dict[str, Path]:
    """Folder of each source that was given, from the options of :func:`add_folders`."""
    return {source: getattr(given, option) for option, (source, _) in _OPTIONS.items() if getattr(given, option)}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    add_folders(parser)
    parser.add_argument("-o", "--output", type=Path, default=Path(".train"))
    parser.add_argument("--compression", type=int, default=110, help="JPEG 2000 rate, thousandths of the raw size")
    parser.add_argument("--bits", type=int, default=16, help="bits of a channel's code; 10 are a 64th of a stop")
    parser.add_argument("--split", action="append", help="splits to pack; all where none is named")
    parser.add_argument("--turned", action="store_true", help="turn each sphere before it is coded, for training")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    folders = given_folders(given)
    given.output.mkdir(parents=True, exist_ok=True)
    verticals = true_verticals(given.panoramas) if given.panoramas else {}
    index = []
    for place in (*PLACES, *more_places()):
        split = "held out" if place.name in HELD_OUT and place.source == "folder" else place.split
        if place.source not in folders or (given.split and split not in given.split):
            continue
        radiance = read_panorama(place, folders)
        mask = sky_mask(place, radiance)
        middle = float(np.exp(np.mean(np.log(radiance.mean(-1) + 1e-4))))
        stops = np.log2(np.maximum(radiance / middle, 1e-6)) + LOG_STOPS_BELOW
        code = (np.clip(stops / LOG_STOPS_TOTAL, 0, 1) * (2**given.bits - 1)).round().astype(np.uint16)
        key = f"{place.source}_{place.name}"
        turn = random_turn(key) if given.turned else None
        if turn is not None:
            code = turn_sphere(code, turn)
        cv2.imwrite(str(given.output / f"{key}.jp2"), code[..., ::-1], [cv2.IMWRITE_JPEG2000_COMPRESSION_X1000, given.compression])
        if mask is not None:
            cv2.imwrite(str(given.output / f"{key}.png"), mask)
        index.append(
            {
                "key": key, "name": place.name, "kind": place.kind, "split": split, "sky": mask is not None,
                "outdoor": place.sky not in ("none", "unknown"),
                "axis": verticals.get(place.name) if place.source == "folder" else place.axis,
                "turn": None if turn is None else turn.tolist(), "bits": given.bits,
            }
        )  # fmt: skip
    (given.output / "places.json").write_text(json.dumps(index, indent=1))


if __name__ == "__main__":
    main()
