"""What a drawing says of its own place: the keys of a GeoTIFF, a world file beside it, or the geographic data of a DXF.

GeoTIFF: OGC 19-008r4. World file: six lines, the size of a pixel across, two turns, its size down, and where the middle of the
upper left pixel lies (common practice, no standard).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from audit.drawings.placing import Matrix
from audit.errors import AuditError
from audit.plan.crs import grid_named
from audit.plan.model import Site
from audit.plan.places import to_local

__all__ = ["SITE", "Georeference", "geotiff", "to_site", "world_file"]

#: Name of a grid whose coordinates are the plan's own local metres.
SITE = "site"
_SCALE, _TIEPOINTS, _MATRIX, _KEYS = 33550, 33922, 34264, 34735
_MODEL_TYPE, _RASTER_TYPE, _GEOGRAPHIC, _PROJECTED = 1024, 1025, 2048, 3072
_PIXEL_IS_POINT, _USER_DEFINED = 2, 32767
_WORLD_LINES = 6


@dataclass(frozen=True, slots=True)
class Georeference:
    """From pixels to a grid's coordinates.

    Attributes
    ----------
    matrix : Matrix
        Column and row, counted from the middle of the upper left pixel, to the grid's coordinates: east and north, or longitude
        and latitude.
    grid : str
        ``EPSG:25832``, a description in WKT, ``site``, or empty where it isn't told.
    """

    matrix: Matrix
    grid: str = ""


def world_file(text: str, name: str, grid: str = "") -> Georeference:
    """A world file's six lines.

    Raises
    ------
    AuditError
        If they are no six numbers.
    """
    lines = text.replace(",", ".").split()
    try:
        across, turn_down, turn_across, down, x, y = (float(line) for line in lines)
    except ValueError:
        raise AuditError(f"{name}: a world file has six lines, each a number; this one hasn't: export it again.") from None
    values = (across, turn_across, x, turn_down, down, y)
    if not all(map(math.isfinite, values)):
        raise AuditError(f"{name}: a world file has six lines, each a number; this one hasn't: export it again.")
    return Georeference(values, grid)


def geotiff(tags: Mapping[int, Sequence[float]]) -> Georeference | None:
    """The georeference of a TIFF's tags; None where it has none that places every pixel.

    Parameters
    ----------
    tags : mapping
        By number: 33550, 33922, 34264 and 34735 as far as the file has them.
    """
    keys = _geo_keys(tags.get(_KEYS, ()))
    matrix = _model_matrix(tags)
    if matrix is None:
        return None
    a, b, c, d, e, f = matrix
    if keys.get(_RASTER_TYPE) != _PIXEL_IS_POINT:
        # a pixel is an area: coordinates are of its corner, ours of its middle
        c, f = c + 0.5 * (a + b), f + 0.5 * (d + e)
    code = keys.get(_PROJECTED) or keys.get(_GEOGRAPHIC) or 0
    return Georeference((a, b, c, d, e, f), f"EPSG:{code}" if 0 < code < _USER_DEFINED else "")


def _geo_keys(values: Sequence[float]) -> dict[int, int]:
    """Keys whose values stand in the directory itself."""
    whole = [int(v) for v in values]
    return {whole[at]: whole[at + 3] for at in range(4, len(whole) - 3, 4) if whole[at + 1] == 0}


def _model_matrix(tags: Mapping[int, Sequence[float]]) -> Matrix | None:
    whole = tags.get(_MATRIX)
    if whole is not None and len(whole) == 16:
        return whole[0], whole[1], whole[3], whole[4], whole[5], whole[7]
    scale, ties = tags.get(_SCALE), tags.get(_TIEPOINTS)
    if scale is None or ties is None or len(scale) < 2 or len(ties) < 6:
        return None
    column, row, _, x, y = ties[:5]
    return scale[0], 0.0, x - scale[0] * column, 0.0, -scale[1], y + scale[1] * row


def to_site(grid: str, site: Site) -> Callable[[float, float], tuple[float, float]]:
    """From a grid's coordinates to the plan's local metres.

    Raises
    ------
    AuditError
        If the grid isn't known, or the plan has no latitude and longitude.
    """
    if grid == SITE:
        return lambda east, north: (east, north)
    if site.origin_latitude is None or site.origin_longitude is None:
        raise AuditError(
            "the plan has local metres alone, so that coordinates of a grid can't be put on it; point out two places of the "
            "drawing, or say --grid site where its coordinates are the plan's."
        )
    origin = (site.origin_latitude, site.origin_longitude)
    transformer = _transformer(grid)

    def local(x: float, y: float) -> tuple[float, float]:
        longitude, latitude = transformer.transform(x, y)
        if not (math.isfinite(longitude) and math.isfinite(latitude) and abs(latitude) <= 90):
            return math.nan, math.nan
        return to_local(latitude, longitude, origin)

    return local


@lru_cache(maxsize=8)
def _transformer(grid: str) -> Any:
    """From a grid as a person or a file names it to longitude and latitude."""
    from pyproj import CRS, Transformer
    from pyproj.exceptions import CRSError

    named = None if "[" in grid else grid_named(grid)
    if isinstance(named, str):
        raise AuditError(f"--grid {grid}: {named}.")
    try:
        if named is not None and named.code:
            crs = CRS.from_epsg(named.code)
        else:
            crs = CRS.from_user_input(grid)
    except CRSError:
        raise AuditError(f"--grid {grid}: no grid that is known here; write its EPSG code, such as EPSG:25832.") from None
    # a grid with heights: its plane alone
    plane = crs.sub_crs_list[0] if crs.is_compound else crs
    return Transformer.from_crs(plane, 4326, always_xy=True)
