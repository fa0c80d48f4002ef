"""Takes the photographs of Debian's gcompris-qt-data out of its resource files.

    python -m training.dirt.gather RCC_FOLDER OUT

The pictures lie uncompressed in the ``.rcc`` files (Qt resources); ``gcompris_photographs.csv`` lists those that are
photographs (no drawings, no paintings) by the start of their SHA-256. OUT gets ``NAME.jpg``, at most 1536 px.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import struct
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np

__all__ = ["main", "webp_files"]

SMALLEST_BYTES, LARGEST_BYTES = 25_000, 5_000_000
LONGEST_PX = 1536


def webp_files(data: bytes) -> Iterator[bytes]:
    """Every WebP file inside ``data``."""
    at = data.find(b"RIFF")
    while at >= 0:
        size = struct.unpack_from("<I", data, at + 4)[0] + 8 if at + 8 <= len(data) else 0
        if data[at + 8:at + 12] == b"WEBP" and SMALLEST_BYTES < size < LARGEST_BYTES:
            yield data[at:at + size]
        at = data.find(b"RIFF", at + 4)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("out", type=Path)
    arguments = parser.parse_args()
    arguments.out.mkdir(parents=True, exist_ok=True)
    with (Path(__file__).parent / "gcompris_photographs.csv").open(encoding="utf-8", newline="") as file:
        names = {row["sha256_start"]: row["name"] for row in csv.DictReader(file)}
    for path in sorted(arguments.folder.rglob("*.rcc")):
        for content in webp_files(path.read_bytes()):
            name = names.get(hashlib.sha256(content).hexdigest()[:16])
            if name is None:
                continue
            picture = cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_COLOR)
            height, width = picture.shape[:2]
            if height > width:
                top = (height - int(width * 0.75)) // 2
                picture = picture[top:top + int(width * 0.75)]
            scale = LONGEST_PX / max(picture.shape[:2])
            if scale < 1:
                picture = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
            cv2.imwrite(str(arguments.out / f"{name}.jpg"), picture, [cv2.IMWRITE_JPEG_QUALITY, 95])


if __name__ == "__main__":
    main()
