"""Copies photographs of Debian's background packages into the packed folder, with sky masks drawn by hand.

``python -m training.photograph_masks --packages FOLDER -o .train/photos`` where FOLDER holds each
package unpacked under its own name (``dpkg -x``). Outlines are in shares of width and height; a band about each
outline, and what is too fine to outline, stays unknown. Photographs of opencv-doc and scikit-image are left to
the tests.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

__all__ = ["NO_SKY", "OUTLINED", "Outline", "main"]

Points = tuple[tuple[float, float], ...]
LONG_SIDE_PX = 640
SKY, UNKNOWN = 255, 128


@dataclass(frozen=True, slots=True)
class Outline:
    """``below``: the sky's lower edge from left to right; ``unknown``: lines (x0, y0, x1, y1, thickness) and areas."""

    below: Points
    unknown_lines: tuple[tuple[float, float, float, float, float], ...] = ()
    unknown_areas: tuple[tuple[float, float, float, float], ...] = ()
    warm_unknown: bool = False
    blue_only: bool = False


OUTLINED: dict[str, Outline] = {
    "Bridge_by_Sander_Klootwijk": Outline(
        ((0, 0.85), (0.55, 0.845), (1, 0.825)),
        ((0, 0.43, 0.5, 0.01, 0.03), (0.24, 1, 1, 0.28, 0.03), (0.47, 0, 0.75, 1, 0.05)),
    ),
    "Dragonfly_by_Bolly": Outline(((0, 1), (1, 1)), blue_only=True),
    "aitzgorri_by_Aitzol_Berasategi": Outline(
        ((0, 0.28), (0.05, 0.25), (0.15, 0.17), (0.3, 0.15), (0.4, 0.15), (0.5, 0.12), (0.56, 0.14), (0.7, 0.17),
         (0.8, 0.15), (0.88, 0.21), (0.95, 0.24), (1, 0.27)),
    ),
    "picosdeeuropa_by_Aitzol_Berasategi": Outline(
        ((0, 0.17), (0.07, 0.23), (0.13, 0.3), (0.25, 0.36), (0.3, 0.41), (0.34, 0.44), (0.42, 0.38), (0.47, 0.3),
         (0.53, 0.22), (0.64, 0.2), (0.72, 0.26), (0.85, 0.23), (0.93, 0.18), (1, 0.15)),
    ),
    "sunset_by_Aitzol_Berasategi": Outline(
        ((0, 0.505), (0.15, 0.49), (0.3, 0.47), (0.5, 0.455), (0.65, 0.45), (0.8, 0.435), (1, 0.42)),
        unknown_areas=((0.4, 0.25, 0.6, 0.5),),
    ),
    "Dune": Outline(((0, 0.315), (1, 0.31)), warm_unknown=True),
    "Storm": Outline(((0, 0.61), (0.45, 0.615), (0.6, 0.625), (1, 0.62))),
    "BytheWater": Outline(((0, 0.2), (0.3, 0.2), (0.5, 0.22), (1, 0.19)), unknown_areas=((0.88, 0, 1, 0.25),)),
    "EveningGlow": Outline(
        ((0, 0.3), (0.1, 0.27), (0.2, 0.28), (0.3, 0.33), (0.5, 0.335), (0.75, 0.335), (0.85, 0.29), (0.95, 0.25),
         (1, 0.24)),
    ),
    "Kite": Outline(((0, 1), (1, 1)), unknown_areas=((0.62, 0.27, 0.73, 0.44),)),
    "summer_1am": Outline(((0, 0.645), (0.6, 0.645), (0.85, 0.635), (1, 0.62))),
    "life_by_Aitzol_Berasategi": Outline(((0, 0), (1, 0)), unknown_areas=((0, 0, 1, 0.07),)),
    "Path": Outline(((0, 0), (1, 0)), unknown_areas=((0, 0, 1, 0.3),)),
}  # fmt: skip
"""Photographs that show sky, or almost none, by the stem of the file or of the wallpaper's folder."""

NO_SKY: tuple[str, ...] = (
    "adwaita-d", "adwaita-l", "grid-d", "grid-l", "licorice-d", "licorice-l", "pixels-d", "pixels-l", "symbolic-d",
    "symbolic-l", "truchet-d", "truchet-l", "wood-d", "wood-l", "Picture_0B_by_freespace", "Picture_1A_by_freespace",
    "Wine_by_Jakkub_Mede", "analogpattern_by_Peter_Nerlich", "free_by_Peter_Nerlich",
    "friends_by_Aitzol_Berasategi", "greentock_by_Peter_Nerlich", "umang_by_Abhishek_Mudgal", "Fossa_by_Jasper_Roks",
    "Kleiber_by_Lukas_Baubkus", "Elephants", "Flow", "Gulp", "Waves", "GreenTraditional", "MATE-Stripes-Dark",
    "MATE-Stripes-Light", "Stripes", "Aqua", "Blinds", "FreshFlower", "Garden", "GreenMeadow", "LadyBird",
    "RainDrops", "TwoWings", "Wood", "YellowFlower", "Canopee", "Cascade", "Cluster", "ColorfulCups", "Elarun",
    "FallenLeaf", "Grey", "Honeywave", "IceCold", "Kay", "Kokkini", "OneStandsOut", "Opal", "Patak", "SafeLanding",
    "Shell", "Volna", "2004default", "calla", "city", "desert", "firstgeneration", "fluent-color", "goldfish",
    "rhythm", "rollpaper", "string", "the-mouse",
)  # fmt: skip
"""Pictures without any sky: indoors, close-ups, water, snow, objects on plain ground, drawings."""


def draw_mask(outline: Outline, picture: np.ndarray) -> np.ndarray:
    """Mask (h, w) of a photograph (h, w, 3, BGR): 255 sky, 128 unknown, 0 other."""
    height, width = picture.shape[:2]
    size = np.array([width, height])
    edge = np.array(outline.below) * size
    mask = np.zeros((height, width), np.uint8)
    around = np.vstack([[[0, 0]], edge, [[width, 0]]]).astype(np.int32)
    cv2.fillPoly(mask, [around], SKY)
    if outline.below[0][1] not in (0, 1):
        cv2.polylines(mask, [edge.astype(np.int32)], False, UNKNOWN, max(3, round(0.05 * height)))
    for x0, y0, x1, y1, thickness in outline.unknown_lines:
        start, end = (np.array([x0, y0]) * size).astype(int).tolist(), (np.array([x1, y1]) * size).astype(int).tolist()
        cv2.line(mask, start, end, UNKNOWN, max(2, round(thickness * width)))
    for left, top, right, bottom in outline.unknown_areas:
        corners = (np.array([[left, top], [right, bottom]]) * size).astype(int)
        mask[corners[0, 1] : corners[1, 1], corners[0, 0] : corners[1, 0]] = UNKNOWN
    blue, _, red = (picture[..., k].astype(int) for k in range(3))
    if outline.warm_unknown:
        warm = cv2.dilate((red - blue > 0).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
        mask[warm & (mask == SKY)] = UNKNOWN
    if outline.blue_only:
        mask = np.where(blue - red > 40, SKY, np.where(blue - red > 0, UNKNOWN, 0)).astype(np.uint8)
    return mask


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--packages", type=Path, required=True)
    parser.add_argument("-o", "--output", type=Path, default=Path(".train/photos"))
    given = parser.parse_args()
    given.output.mkdir(parents=True, exist_ok=True)
    found: dict[str, Path] = {}
    for path in sorted(p for package in given.packages.iterdir() for p in package.rglob("*")):
        if path.suffix.lower() not in (".jpg", ".png", ".webp") or not path.is_file() or "screenshot" in path.name:
            continue
        name = path.parents[2].name if path.parent.name == "images" else path.stem
        if (name in OUTLINED or name in NO_SKY) and "opencv-doc" not in str(path):
            if name not in found or path.stat().st_size > found[name].stat().st_size:
                found[name] = path
    for name, path in found.items():
        picture = cv2.imread(str(path), cv2.IMREAD_COLOR)
        if picture is None:
            continue
        scale = LONG_SIDE_PX / max(picture.shape[:2])
        picture = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        mask = draw_mask(OUTLINED[name], picture) if name in OUTLINED else np.zeros(picture.shape[:2], np.uint8)
        cv2.imwrite(str(given.output / f"{name}.jpg"), picture, [cv2.IMWRITE_JPEG_QUALITY, 92])
        cv2.imwrite(str(given.output / f"{name}.png"), mask)
    print(f"{len(found)} photographs; not found: {sorted((set(OUTLINED) | set(NO_SKY)) - set(found))}")


if __name__ == "__main__":
    main()
