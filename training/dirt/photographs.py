"""Photographs that installed packages carry, and views cut from panoramas, split by photograph or place.

Debian: lomiri-wallpapers-16.04 and -20.04, mate-backgrounds, plasma-workspace-wallpapers, opencv-doc, palapeli-data,
gcompris-qt-data (see :mod:`.gather`); PyPI: scikit-image and scikit-learn. Their licences are in each package's copyright file.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["LAID_OVER_SIZE", "part_of", "photographs"]

#: Rows and columns of the pictures of fixed cameras that are laid over one another.
LAID_OVER_SIZE = (560, 800)

PARTS = (("train", 0.62), ("tune", 0.16), ("check", 0.22))


def part_of(name: str) -> str:
    """Which part (train, tune, check) a photograph belongs to; by its name alone, so that it never changes."""
    place = int.from_bytes(hashlib.sha256(f"glass {name}".encode()).digest()[:4]) / 2**32
    total = 0.0
    for part, share in PARTS:
        total += share
        if place < total:
            return part
    return PARTS[-1][0]


def photographs(folder: Path, part: str) -> Iterator[tuple[str, NDArray[np.uint8]]]:
    """Name and 8-bit RGB pixels of the photographs of one part, sorted by name."""
    for path in sorted(folder.glob("*.jpg")):
        if part_of(path.stem.split("@")[0]) == part:
            pixels = cv2.imread(str(path), cv2.IMREAD_COLOR)
            yield path.stem, np.ascontiguousarray(pixels[..., ::-1])
