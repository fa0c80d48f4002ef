"""Grids that a plan's titles may name (UTM and national ones), and their coordinates to WGS 84.

Names are those of the EPSG dataset's coordinate systems; transformations come with PROJ, whose accuracy where no
shift file lies on the machine is a few metres for the older national datums.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from audit.plan.quantities import plain_letters

__all__ = ["DEGREES", "NamedGrid", "grid_named"]


@dataclass(frozen=True, slots=True)
class NamedGrid:
    """A projected coordinate system.

    Attributes
    ----------
    code : int
        EPSG code; 0 where the text names a family, and the values' leading figures its zone.
    name : str
        As a person calls it.
    """

    code: int
    name: str

    def to_wgs84(self, east_m: float, north_m: float) -> tuple[float, float] | None:
        """Latitude and longitude; None where the position lies outside what the grid is made for."""
        code, east = self._zone(east_m)
        if not code:
            return None
        transformer, bounds = _transformer(code)
        longitude, latitude = transformer.transform(east, north_m)
        west, south, east_end, north = bounds
        inside = west - 1 <= longitude <= east_end + 1 and south - 1 <= latitude <= north + 1
        return (float(latitude), float(longitude)) if inside else None

    def _zone(self, east_m: float) -> tuple[int, float]:
        """Code and easting, where the easting begins with the zone's number."""
        if self.name == "Gauss-Krüger":
            zone = int(east_m // 1_000_000)
            return (31464 + zone, east_m) if 2 <= zone <= 5 else (0, east_m)
        if 25828 <= self.code <= 25838 and east_m > 1_000_000:
            return (
                (self.code, east_m - 1_000_000 * (self.code - 25800))
                if east_m // 1_000_000 == self.code - 25800
                else (0, east_m)
            )
        return self.code, east_m

    def convergence_deg(self, latitude: float, longitude: float) -> float | None:
        """Grid north clockwise from true north at a place, degrees; None where PROJ has no figure."""
        from pyproj import Proj

        if not self.code:
            return None
        return float(Proj(self.code).get_factors(longitude, latitude).meridian_convergence)


@lru_cache(maxsize=8)
def _transformer(code: int) -> tuple[Any, tuple[float, float, float, float]]:
    from pyproj import CRS, Transformer

    crs = CRS.from_epsg(code)
    area = crs.area_of_use
    bounds = (area.west, area.south, area.east, area.north) if area is not None else (-180.0, -90.0, 180.0, 90.0)
    return Transformer.from_crs(crs, 4326, always_xy=True), bounds


#: EPSG codes by the names that people write.
_NAMED: tuple[tuple[str, int, str], ...] = (
    (r"lv ?95|ch1903 ?\+", 2056, "LV95"),
    (r"lv ?03|ch1903", 21781, "LV03"),
    (r"lambert[ -]?93|rgf ?93", 2154, "Lambert-93"),
    (r"british national grid|bng|osgb ?(19)?36|osgb|os grid|national grid", 27700, "British National Grid"),
    (r"irish transverse mercator|\bitm\b", 2157, "Irish Transverse Mercator"),
    (r"irish grid", 29903, "Irish Grid"),
    (r"rd new|rijksdriehoek|amersfoort", 28992, "RD New"),
    (r"lambert ?2008", 3812, "Belgian Lambert 2008"),
    (r"(belgian )?lambert ?72", 31370, "Belgian Lambert 72"),
    (r"luref", 2169, "LUREF"),
    (r"sweref ?99 ?tm", 3006, "SWEREF99 TM"),
    (r"tm35fin", 3067, "ETRS-TM35FIN"),
    (r"mgi.*m ?28|gk.*m ?28", 31257, "MGI M28"),
    (r"mgi.*m ?31|gk.*m ?31", 31258, "MGI M31"),
    (r"mgi.*m ?34|gk.*m ?34", 31259, "MGI M34"),
    (r"gauss[ -]?boaga.*ovest|monte mario.*1|gauss[ -]?boaga.*fuso 1", 3003, "Gauss-Boaga west"),
    (r"gauss[ -]?boaga.*est|monte mario.*2|gauss[ -]?boaga.*fuso 2", 3004, "Gauss-Boaga east"),
    (r"puwg ?(19)?92", 2180, "PL-1992"),
    (r"krovak|s-?jtsk", 5514, "S-JTSK Krovak East North"),
    (r"laa|3035", 3035, "ETRS89-LAEA"),  # "ae" is taken together in what is searched
    (r"nztm ?(2000)?", 2193, "NZTM2000"),
)
#: Codes of latitude and longitude in degrees: WGS 84, ETRS89, and WGS 84 with heights (EPSG register).
DEGREES = frozenset({4326, 4258, 4979})
_UTM = re.compile(
    r"\butm\b[^0-9a-z]*(?:zone|fuso|huso|fuseau|zona)?[^0-9a-z]*(\d{1,2})\s*(north|nord|norte|south|sud|sur|[c-hj-np-x])?\b"
)
_GAUSS = re.compile(r"gauss[ -]?kru?ger|\bgk\b")
_GAUSS_ZONE = re.compile(
    r"(?:zone|streifen|meridianstreifen|gk|kruger)[^0-9a-z]{0,3}([2-5])\b|\b([2-5])\.? ?(?:meridian)?streifen"
)


@lru_cache(maxsize=256)
def grid_named(text: str) -> NamedGrid | str | None:
    """The grid that a text names; a sentence where it names one that isn't certain; None where it names none."""
    plain = plain_letters(text)
    code = re.search(r"epsg[^0-9]{0,3}(\d{4,5})", plain)
    if code is not None:
        return _by_code(int(code.group(1)))
    utm = _UTM.search(plain)
    if utm is not None:
        return _utm(int(utm.group(1)), utm.group(2) or "", plain)
    if _GAUSS.search(plain) and "mgi" not in plain:
        zone = _GAUSS_ZONE.search(plain)
        return (
            NamedGrid(31464 + int(zone.group(1) or zone.group(2)), "Gauss-Krüger")
            if zone
            else NamedGrid(0, "Gauss-Krüger")
        )
    for pattern, number, name in _NAMED:
        if re.search(rf"(?<![a-z0-9])(?:{pattern})(?![a-z0-9])", plain):
            return NamedGrid(number, name)
    return None


def _utm(zone: int, band: str, plain: str) -> NamedGrid | str:
    if not 1 <= zone <= 60:
        return f"UTM has zones 1 to 60, not {zone}"
    if band == "s":
        return f"'UTM {zone}S' is band S of the northern half or the southern half; write EPSG:{32600 + zone} or EPSG:{32700 + zone}"
    south = band in ("south", "sud", "sur") or (len(band) == 1 and band < "n")
    if not south and "etrs" in plain and 28 <= zone <= 38:
        return NamedGrid(25800 + zone, f"ETRS89 / UTM zone {zone}N")
    if not south and "ed50" in plain and 28 <= zone <= 38:
        return NamedGrid(23000 + zone, f"ED50 / UTM zone {zone}N")
    return NamedGrid((32700 if south else 32600) + zone, f"UTM zone {zone}{'S' if south else 'N'}")


def _by_code(code: int) -> NamedGrid | str | None:
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    if code in DEGREES:
        return None
    try:
        crs = CRS.from_epsg(code)
    except CRSError:
        return f"EPSG:{code} is no coordinate system that is known here"
    return (
        NamedGrid(code, f"{crs.name} (EPSG:{code})")
        if crs.is_projected
        else f"EPSG:{code} ({crs.name}) is no grid in metres"
    )
