"""The panoramas that the network learns from: where each comes from, what it shows, and its split.

Everything is split by place. A place is one spot where a panorama was taken; two panoramas of the same spot
carry one name, and the lower-resolution copies that two packages carry of the same panorama are left out.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, cast

__all__ = ["HELD_OUT", "PLACES", "Place", "SkyRecipe", "more_places"]

SkyRecipe = Literal["none", "unknown", "bright", "bright connected", "cut", "cut from bright", "above horizon"]


@dataclass(frozen=True, slots=True)
class Place:
    """One panorama.

    Parameters
    ----------
    name : str
        File stem in its source.
    source : str
        ``folder`` (a folder of Radiance HDR files with ``level.csv``), ``blender`` (Debian blender-data),
        ``assets`` (npm @pmndrs/assets), ``open3d`` (PyPI open3d), ``qt3d`` (Debian qt3d5-examples), ``maniskill``
        (PyPI mani-skill) or ``more`` (a folder with the files of ``more_places.csv``).
    kind : str
        ``town``, ``room`` or ``country``.
    sky : SkyRecipe
        How the sky mask is made: ``none`` (indoors, windows are not sky), ``unknown`` (not used for sky),
        ``bright`` (Otsu's threshold above the horizon), ``bright connected`` (the same, connected to the
        zenith), ``cut`` (graph cut seeded by ``clear_rows``), ``cut from bright`` (graph cut seeded by the
        threshold), ``above horizon``.
    clear_rows : int
        Rows from the zenith (of 512) in which everything is sky.
    not_sky : tuple
        Rectangles (left, top, right, bottom) in a 1024 by 512 panorama that are mended to "not sky".
    axis : tuple or None
        True vertical (x east, y north, z up) in the panorama's own frame, fitted to its upright edges to about 0.3°
        (see ``level.py``), for sources without ``level.csv``.
    split : str
        ``train``; ``held out`` (constants are set on it), ``bench`` (looked at for figures alone), both by source.
    file : str
        File name in its source where it isn't the name with an ending.
    """

    name: str
    source: str
    kind: str
    sky: SkyRecipe = "none"
    clear_rows: int = 90
    not_sky: tuple[tuple[int, int, int, int], ...] = ()
    axis: tuple[float, float, float] | None = None
    split: str = "train"
    file: str = ""


HELD_OUT: frozenset[str] = frozenset(
    {
        "potsdamer_platz", "modern_buildings_2", "autoshop_01", "vestibule", "st_fagans_interior",
        "peppermint_powerplant", "thatch_chapel", "immenstadter_horn", "rainforest_trail", "chinese_garden",
    }
)  # fmt: skip
"""Places that no weight is fitted to; figures in the card and calibration of standard deviations use them."""

PLACES: tuple[Place, ...] = (
    Place("adams_place_bridge", "folder", "town", "unknown"),
    Place("aerodynamics_workshop", "folder", "room"),
    Place("autoshop_01", "folder", "room"),
    Place("blocky_photo_studio", "folder", "room"),
    Place("brown_photostudio_01", "folder", "room"),
    Place("brown_photostudio_02", "folder", "room"),
    Place("brown_photostudio_06", "folder", "room"),
    Place("brown_photostudio_07", "folder", "room"),
    Place("chinese_garden", "folder", "country", "cut from bright"),
    Place("christmas_photo_studio_07", "folder", "room"),
    Place("circus_arena", "folder", "room"),
    Place("dancing_hall", "folder", "room"),
    Place("dikhololo_night", "folder", "country", "cut", 205),
    Place("drachenfels_cellar", "folder", "room", "unknown"),
    Place("empty_warehouse_01", "folder", "room"),
    Place("forest_slope", "folder", "country", "bright"),
    Place("immenstadter_horn", "folder", "country", "bright connected"),
    Place("kiara_1_dawn", "folder", "country", "bright connected"),
    Place("leadenhall_market", "folder", "town", "unknown"),
    Place("lebombo", "folder", "room"),
    Place("modern_buildings_2", "folder", "town", "unknown"),
    Place("peppermint_powerplant", "folder", "room"),
    Place("phalzer_forest_01", "folder", "country", "bright"),
    Place("potsdamer_platz", "folder", "town", "cut from bright"),
    Place("rainforest_trail", "folder", "country", "bright"),
    Place("rooitou_park", "folder", "country", "cut", 215),
    Place("sepulchral_chapel_rotunda", "folder", "room"),
    Place("st_fagans_interior", "folder", "room"),
    Place("st_peters_square_night", "folder", "town", "cut"),
    Place("studio_small_03", "folder", "room"),
    Place("studio_small_05", "folder", "room"),
    Place("thatch_chapel", "folder", "room"),
    Place("venice_sunset", "folder", "town", "cut from bright"),
    Place("vestibule", "folder", "room"),
    Place("city", "blender", "town", "cut from bright"),
    Place("courtyard", "blender", "town", "unknown"),
    Place("forest", "blender", "country", "bright"),
    Place("interior", "blender", "room"),
    Place("night", "blender", "country", "cut", 210),
    Place("studio", "blender", "room"),
    Place("sunrise", "blender", "country", "cut", 200),
    Place("esplanade", "assets", "room"),
    Place("lab", "assets", "room"),
    Place("sky", "assets", "country", "above horizon"),
    Place("sunset", "assets", "town", "cut from bright", 90, ((228, 102, 272, 152),)),
    Place("venice", "assets", "town", "cut from bright"),
    Place("workshop", "assets", "room"),
    Place("brightday", "open3d", "country", "cut", 236),
    Place("crossroads", "open3d", "town", "cut from bright", axis=(0.00795, -0.00504, 0.99996)),
    Place("hall", "open3d", "room", axis=(0.00272, -0.00426, 0.99999)),
    Place("konzerthaus", "open3d", "town", "cut", 85, axis=(0.00115, 0.0034, 0.99999)),
    Place("nightlights", "open3d", "town", "unknown"),
    Place("park", "open3d", "country", "bright"),
    Place("park2", "open3d", "country", "bright"),
    Place("pillars", "open3d", "town", "unknown", axis=(0.0033, 0.00269, 0.99999)),
    Place("streetlamp", "open3d", "country", "cut", 90),
    Place("cedar_bridge", "qt3d", "town", "cut", 215),
    Place("default", "maniskill", "room"),
)


def more_places() -> tuple[Place, ...]:
    """The places of ``more_places.csv`` (file, kind, sky, split, true vertical, licence)."""
    with Path(__file__).with_name("more_places.csv").open(newline="", encoding="utf-8") as file:
        return tuple(
            Place(
                Path(row["file"]).name.rsplit("_1k.", 1)[0], "more", row["kind"], cast("SkyRecipe", row["sky"]),
                axis=(float(row["axis_x"]), float(row["axis_y"]), float(row["axis_z"])) if row["axis_x"] else None,
                split=row["split"], file=row["file"],
            )
            for row in csv.DictReader(file)
        )  # fmt: skip
