"""Makes small copies of what :mod:`.fit` reads, for a machine that takes no more than some MiB.

    python -m training.dirt.carry PHOTOS REAL OUT

OUT gets ``photos`` (those of PHOTOS that belong to the part ``train``) and ``real`` (REAL, from :mod:`.lay_over`).
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2

from training.dirt.photographs import part_of

__all__ = ["shrink"]

LONGEST_PX, QUALITY = 1152, 79
REAL_LONGEST_PX, REAL_QUALITY = 800, 80


def shrink(source: Path, target: Path, longest_px: int, quality: int) -> int:
    """Writes a smaller WebP; returns its bytes."""
    picture = cv2.imread(str(source), cv2.IMREAD_COLOR)
    scale = longest_px / max(picture.shape[:2])
    if scale < 1:
        picture = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    cv2.imwrite(str(target), picture, [cv2.IMWRITE_WEBP_QUALITY, quality])
    return target.stat().st_size


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("photos", type=Path)
    parser.add_argument("real", type=Path)
    parser.add_argument("out", type=Path)
    arguments = parser.parse_args()
    photos, real = arguments.out / "photos", arguments.out / "real"
    for folder in (photos, real):
        folder.mkdir(parents=True, exist_ok=True)
    paths = [path for path in sorted(arguments.photos.glob("*.jpg")) if part_of(path.stem.split("@")[0]) == "train"]
    total = sum(shrink(path, photos / f"{path.stem}.webp", LONGEST_PX, QUALITY) for path in paths)
    total += sum(shrink(path, real / path.name, REAL_LONGEST_PX, REAL_QUALITY) for path in sorted(arguments.real.glob("*__*.webp")))
    print(len(paths), "photographs;", round(total / 2**20, 1), "MiB")


if __name__ == "__main__":
    main()
