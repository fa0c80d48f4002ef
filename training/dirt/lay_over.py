"""Lays the clean pictures of each fixed camera over one another, for :mod:`.batch_real`.

    python -m training.dirt.lay_over FOLDER OUT

FOLDER holds ``pairs.csv`` (columns reference, today, camera, truth) and its pictures. OUT gets ``CAMERA__NAME.webp``,
800 x 560. A picture that can't be registered (fog, night) lies as the one before it: these cameras creep, they don't jump.
"""

from __future__ import annotations

import argparse
import csv
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.lens import Lens
from audit.measure.registration import Registration, grey_at_work_size, reference_in_today, register
from training.dirt.photographs import LAID_OVER_SIZE

__all__ = ["clean_pictures"]

HFOV_DEG = 60.0
SURE, FARTHEST_DEG, LARGEST_ZOOM = 0.9, 6.0, 0.3


def clean_pictures(rows: list[dict[str, str]]) -> dict[str, list[str]]:
    """Pictures of each camera that no pair calls spoilt, moved or another camera's, in the order of their names."""
    spoilt = {row["today"] for row in rows if not row["truth"].startswith("clean")}
    found: dict[str, set[str]] = {}
    for row in rows:
        for name in (row["reference"], row["today"]):
            if name not in spoilt:
                found.setdefault(row["camera"], set()).add(name)
    return {camera: sorted(names) for camera, names in found.items() if len(names) > 1}


def _read(path: Path) -> NDArray[np.uint8]:
    pixels = np.ascontiguousarray(cv2.imread(str(path), cv2.IMREAD_COLOR)[..., ::-1])
    scale = min(1.0, 1280 / max(pixels.shape[:2]))
    return np.asarray(cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8)


def _onto(base: NDArray[np.uint8], picture: NDArray[np.uint8]) -> Registration:
    one, two = grey_at_work_size(picture), grey_at_work_size(base)
    return register(one, two, Lens(one.shape[1], one.shape[0], HFOV_DEG))


def _sure(found: Registration) -> bool:
    turn = np.degrees(np.arccos(np.clip((np.trace(found.rotation) - 1) / 2, -1, 1)))
    return found.same_view_probability >= SURE and turn < FARTHEST_DEG and abs(found.zoom - 1) < LARGEST_ZOOM


def _placed(found: Registration, picture: NDArray[np.uint8], base: NDArray[np.uint8]) -> NDArray[np.uint8]:
    sized = replace(found, reference_lens=found.reference_lens.resized(picture.shape[1], picture.shape[0]),
                    today_lens=found.today_lens.resized(base.shape[1], base.shape[0]))
    moved, reach = reference_in_today(sized, picture)
    return np.where(reach[..., None], np.maximum(moved, 1), 0).astype(np.uint8)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--quality", type=int, default=80)
    arguments = parser.parse_args()
    arguments.out.mkdir(parents=True, exist_ok=True)
    with (arguments.folder / "pairs.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    for camera, names in clean_pictures(rows).items():
        pictures = [_read(arguments.folder / name) for name in names]
        base, last = pictures[len(pictures) // 2], None
        count = 0
        for name, picture in zip(names, pictures, strict=True):
            found = _onto(base, picture)
            if _sure(found):
                last, count = found, count + 1
            laid = picture if last is None else _placed(last, picture, base)
            small = cv2.resize(laid, LAID_OVER_SIZE[::-1], interpolation=cv2.INTER_AREA)
            cv2.imwrite(str(arguments.out / f"{camera}__{Path(name).stem}.webp"), small[..., ::-1],
                        [cv2.IMWRITE_WEBP_QUALITY, arguments.quality])
        print(camera, len(names), "pictures,", count, "registered")


if __name__ == "__main__":
    main()
