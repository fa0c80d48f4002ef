"""A drawing comes under a floor of the plan: opened, placed by its georeference or by known points, kept."""

from __future__ import annotations

import difflib
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from audit.drawings.georeference import SITE, Georeference, to_site, world_file
from audit.drawings.picture import Opened, hold_size, open_drawing
from audit.drawings.placing import Drawing, KnownPoint, Placed, by_matrix, by_points
from audit.errors import AuditError
from audit.logbook import DrawingRecord, Logbook, VisitRecord
from audit.match.table import table_rows
from audit.plan.model import Site
from audit.plan.places import to_local
from audit.visit.clicks import pixel_of

__all__ = ["DrawingFile", "Opening", "draw", "floor_of", "known_places", "known_point", "open_file", "place_drawing", "read_points"]

#: Endings of a world file, by that of the picture (common practice); ``.wld`` fits any.
_WORLD_ENDINGS = {".png": ".pgw", ".jpg": ".jgw", ".jpeg": ".jgw", ".tif": ".tfw", ".tiff": ".tfw"}
_LARGEST_SIDECAR = 1 << 16
#: A drawing that lies farther from every camera than this many times its own diagonal belongs to another site (chosen).
_FAR_DIAGONALS = 1.0


@dataclass(frozen=True, slots=True)
class DrawingFile:
    """A drawing as it was handed in.

    Attributes
    ----------
    name : str
    data : bytes
    world : str or None
        Text of the world file beside it.
    grid : str
        What is said beside it of its coordinates' grid (the text of a ``.prj`` file).
    """

    name: str
    data: bytes
    world: str | None = None
    grid: str = ""

    @classmethod
    def read(cls, path: Path) -> DrawingFile:
        """A drawing with what lies beside it.

        Raises
        ------
        AuditError
            If it can't be read or is too large.
        """
        try:
            hold_size(path.stat().st_size, path.name)
            data = path.read_bytes()
        except OSError as error:
            raise AuditError(f"{path}: can't be read ({error.strerror}); check the path.") from None
        endings = (_WORLD_ENDINGS.get(path.suffix.lower(), ".wld"), ".wld", f"{path.suffix.lower()}w")
        return cls(path.name, data, _beside(path, endings), (_beside(path, (".prj",)) or "").strip())


@dataclass(frozen=True, slots=True)
class Opening:
    """How a drawing is opened and placed.

    Attributes
    ----------
    floor : str
    page : int
        Of a PDF, counted from 1.
    grid : str
        Grid of the drawing's coordinates: an EPSG code, a name, or ``site`` for the plan's metres; empty: as the file says.
    points : sequence of KnownPoint
        Places that are pointed out; none: by the georeference.
    metres_per_unit : float or None
        Of a DXF that doesn't tell its unit.
    """

    floor: str = ""
    page: int = 1
    grid: str = ""
    points: Sequence[KnownPoint] = ()
    metres_per_unit: float | None = None


def draw(logbook: Logbook, visit: VisitRecord | None, file: DrawingFile, how: Opening, by: str) -> DrawingRecord:
    """Open a drawing, place it, and keep it under its floor from this visit on; without one it waits for the next.

    Raises
    ------
    AuditError
        One sentence that names the file where it can't be opened or placed; nothing is kept then.
    """
    site = logbook.site(visit)
    opened = open_file(file, how)
    drawing = place_drawing(site, opened, file.name, how)
    return logbook.put_drawing(visit, how.floor, file.name, (file.data, opened.data), drawing, by)


def open_file(file: DrawingFile, how: Opening) -> Opened:
    """The picture of a drawing, with the georeference that it or a file beside it has."""
    opened = open_drawing(file.data, file.name, how.page, how.metres_per_unit)
    reference = opened.reference
    if file.world is not None and reference is None:
        reference = world_file(file.world, file.name, file.grid)
    elif reference is not None and not reference.grid and file.grid:
        reference = Georeference(reference.matrix, file.grid)
    return replace(opened, reference=reference)


def place_drawing(site: Site, opened: Opened, name: str, how: Opening) -> Drawing:
    """Where an opened drawing lies: by the points where there are any, else by its georeference."""
    try:
        if how.points:
            placed = by_points(how.points, opened.width_px, opened.height_px)
        else:
            placed = _by_georeference(site, opened, how.grid)
        _refuse_far(site, placed, opened, how.floor)
    except AuditError as error:
        raise AuditError(f"{name}: {error.message}") from error
    return Drawing(opened.width_px, opened.height_px, placed, how.page)


def floor_of(site: Site, floor: str | None) -> str:
    """The floor that is named, or the only one.

    Raises
    ------
    AuditError
        If the plan has no such floor, or several and none is named.
    """
    floors = site.floors
    if floor is None and len(floors) == 1:
        return floors[0]
    names = ", ".join(name or "'' (cameras without a floor)" for name in floors)
    if floor is None:
        raise AuditError(f"the plan has several floors; name the drawing's with --floor: {names}.")
    if floor not in floors:
        raise AuditError(f"--floor {floor}: the plan has no camera on such a floor; its floors are: {names}.")
    return floor


def known_places(site: Site, floor: str) -> dict[str, tuple[float, float]]:
    """Places of a floor by name that a drawing can be placed by: its cameras, landmarks and targets; the first of a name."""
    cameras = [c for c in site.cameras if c.floor == floor]
    found = {c.camera: (c.east_m, c.north_m) for c in cameras}
    for landmark in site.landmarks:
        if landmark.floor in ("", floor):
            found.setdefault(landmark.landmark, (landmark.east_m, landmark.north_m))
    for camera in cameras:
        for target in camera.targets:
            found.setdefault(target.name, (target.east_m, target.north_m))
    return found


def known_point(site: Site, floor: str, at_px: tuple[float, float], place: str) -> KnownPoint:
    """A pixel whose place is known: by a name of the plan, as ``EAST,NORTH`` in its metres, or as latitude and longitude.

    Raises
    ------
    AuditError
        If the plan has no such name and it is no pair of numbers.
    """
    named = known_places(site, floor)
    if place in named:
        return KnownPoint(place, *at_px, *named[place])
    degrees = place.startswith("@")
    try:
        first, second = (float(part) for part in place.removeprefix("@").split(","))
    except ValueError:
        near = difflib.get_close_matches(place, named, n=1)
        guess = f" Did you mean '{near[0]}'?" if near else ""
        raise AuditError(
            f"'{place}' is no camera, landmark or target of the floor; name one, or write EAST,NORTH in the plan's metres, or "
            f"@LATITUDE,LONGITUDE.{guess}"
        ) from None
    if not degrees:
        return KnownPoint(place, *at_px, first, second)
    if site.origin_latitude is None or site.origin_longitude is None:
        raise AuditError(f"'{place}': the plan has local metres alone; write EAST,NORTH.")
    return KnownPoint(place, *at_px, *to_local(first, second, (site.origin_latitude, site.origin_longitude)))


def read_points(path: Path, site: Site, floor: str) -> list[KnownPoint]:
    """Known points of a CSV with the columns ``column_px, row_px, place``."""
    found = []
    for line, cells in table_rows(path, ("column_px", "row_px", "place"), "list of known points"):
        where = f"{path.name}, line {line}"
        at = pixel_of(f"{cells['column_px']},{cells['row_px']}", where)
        try:
            found.append(known_point(site, floor, at, cells["place"]))
        except AuditError as error:
            raise AuditError(f"{where}: {error.message}") from error
    return found


def _by_georeference(site: Site, opened: Opened, grid: str) -> Placed:
    reference = opened.reference
    if reference is None:
        raise AuditError("the drawing doesn't tell where it lies; point out two places of it that are known, better three.")
    named = grid or reference.grid
    if not named:
        raise AuditError(
            "the drawing has coordinates, but doesn't tell of which grid; say --grid EPSG:…, or --grid site where they are the "
            "plan's metres, or point out two places."
        )
    return by_matrix(
        reference.matrix, to_site(named, site), opened.width_px, opened.height_px, named if "[" not in named else _grid_name(named)
    )


def _grid_name(wkt: str) -> str:
    """The name in a grid's description."""
    parts = wkt.split('"')
    return parts[1][:80] if len(parts) > 1 else wkt[:80]


def _refuse_far(site: Site, placed: Placed, opened: Opened, floor: str) -> None:
    """A drawing that shows none of the floor's cameras was placed wrongly, or is of another site."""
    width, height = opened.width_px, opened.height_px
    beyond = _FAR_DIAGONALS * math.hypot(width, height)
    cameras = [c for c in site.cameras if c.floor == floor]
    pixels = [placed.pixel(c.east_m, c.north_m) for c in cameras]
    off = [math.hypot(max(-x, 0.0, x - width), max(-y, 0.0, y - height)) for x, y in pixels]
    if off and min(off) > beyond:
        raise AuditError(
            f"the drawing would lie {min(off) * placed.metres_per_px:,.0f} m away from the nearest camera of the floor; check its grid "
            f"({SITE!r} where its coordinates are the plan's metres) or its points."
        )


def _beside(path: Path, endings: Sequence[str]) -> str | None:
    """Text of the first file beside a drawing with one of the endings, in small or capital letters."""
    for ending in endings:
        for name in (path.with_suffix(ending), path.with_suffix(ending.upper())):
            try:
                if name.is_file() and name.stat().st_size <= _LARGEST_SIDECAR:
                    return name.read_text(encoding="utf-8", errors="replace")
            except OSError:
                continue
    return None
