"""Something right before the lens, seen in one picture alone: found, and taken for one where nothing is.

    python -m tests.bench.near_bench FOLDER [--seed 7]

FOLDER holds ``real.csv`` (file, camera, …) and pictures of real fixed cameras that nothing hides (looked at by eye). Into one
picture of each camera a plain, leafy or box-shaped thing is set over 20 to 40 % of it, out of focus or nearly sharp, its
texture from another picture. Counts are by camera and in halves of the cameras, none of which the network was trained on. The
limit, a cell's chance and the share of the rim were chosen on all of them, so the counts flatter. It gates nothing.
"""

from __future__ import annotations

import argparse
import csv
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.judge.limits import load_limits
from audit.measure.clarity import measure_clarity
from audit.measure.image import MEASURE_SIDE_PX
from audit.measure.sky import measure_sky

KINDS = ("plain", "box", "leaves")
LEAST, MOST = 0.2, 0.4
Picture = NDArray[np.uint8]


def read(path: Path) -> Picture | None:
    """A picture at measuring size, RGB."""
    found = cv2.imread(str(path))
    if found is None:
        return None
    scale = min(1.0, MEASURE_SIDE_PX / max(found.shape))
    small = cv2.resize(found, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA) if scale < 1 else found
    return np.asarray(cv2.cvtColor(small, cv2.COLOR_BGR2RGB), np.uint8)


def _shape(kind: str, seed: int, size: float, height: int, width: int) -> NDArray[np.float32]:
    """The thing's mask, larger with ``size``; the same shape for one seed."""
    rng = np.random.default_rng(seed)
    mask = np.zeros((height, width), np.float32)
    long = max(height, width)
    edges = [(0.0, rng.uniform(0, height)), (width, rng.uniform(0, height)), (rng.uniform(0, width), 0.0), (rng.uniform(0, width), height)]
    foot = np.array(edges[int(rng.integers(4))])
    blobs = [(foot, size * long * 0.5, 14)]
    if kind == "box":
        turn = rng.uniform(0, np.pi)
        way = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        corners = np.array([[-1, -0.6], [1, -0.6], [1, 0.6], [-1, 0.6]]) * size * long * 0.5 @ way + foot
        return np.asarray(cv2.fillPoly(mask, [corners.astype(np.int32)], 1.0), np.float32)
    if kind == "leaves":
        blobs = [(foot + rng.normal(0, size * 0.22, 2) * (width, height), size * long * 0.13, 7) for _ in range(9)]
    for middle, radius, count in blobs:
        around, reach = np.sort(rng.uniform(0, 2 * np.pi, count)), radius * rng.uniform(0.6, 1.2, count)
        points = middle + reach[:, None] * np.stack([np.cos(around), np.sin(around)], axis=1)
        cv2.fillPoly(mask, [points.astype(np.int32)], 1.0)
    return mask


def hidden(picture: Picture, donor: Picture, rng: np.random.Generator) -> Picture:
    """The picture with a near thing over 20 to 40 % of it."""
    height, width = picture.shape[:2]
    kind, seed, wanted = str(rng.choice(KINDS)), int(rng.integers(1 << 31)), rng.uniform(LEAST, MOST)
    low, high = 0.05, 1.6
    for _ in range(14):
        size = (low + high) / 2
        low, high = (size, high) if _shape(kind, seed, size, height, width).mean() < wanted else (low, size)
    part = cv2.resize(donor, (max(width // 4, 8), max(height // 4, 8)))
    texture = cv2.resize(part, (width, height)).astype(np.float32)
    mean = texture.mean(axis=(0, 1))
    tone = np.clip(mean * rng.uniform(0.2, 1.2), 5, 250)
    blur = float(np.exp(rng.uniform(0, np.log(25)))) * width / MEASURE_SIDE_PX
    thing = cv2.GaussianBlur(np.clip((texture - mean) * rng.uniform(0.1, 0.6) + tone, 0, 255), (0, 0), max(blur, 0.5))
    cover = cv2.GaussianBlur(_shape(kind, seed, high, height, width), (0, 0), max(blur, 0.6))[..., None]
    return np.asarray(np.clip(picture * (1 - cover) + thing * cover, 0, 255), np.uint8)


def main() -> None:
    """Print shares told for each half of the cameras."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, default=7)
    args = parser.parse_args()
    cv2.setNumThreads(1)
    rng = np.random.default_rng(args.seed)
    by_camera: dict[str, list[str]] = {}
    for line in csv.DictReader((args.folder / "real.csv").open(encoding="utf-8")):
        by_camera.setdefault(line["camera"], []).append(line["file"])
    files = [names[int(rng.integers(len(names)))] for names in by_camera.values()]
    limit, told = load_limits().obstruction.single_image_fraction, dict[tuple[int, str], list[bool]]()
    for number, name in enumerate(files):
        picture, donor = read(args.folder / name), read(args.folder / files[int(rng.integers(len(files)))])
        if picture is None or donor is None:
            continue
        for what, shown in (("clean", picture), ("hidden", hidden(picture, donor, rng))):
            share = measure_clarity(shown, measure_sky(shown)).blocked_fraction
            told.setdefault((number % 2, what), []).append(share is not None and share >= limit)
    for (half, what), said in sorted(told.items()):
        print(f"half {half + 1}, {what}: told of {np.mean(said):.1%} ({sum(said)} of {len(said)} cameras)")


if __name__ == "__main__":
    main()
