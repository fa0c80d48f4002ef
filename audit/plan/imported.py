"""Cameras of a drawing to a plan: DXF blocks, their attributes to columns, their rotation to a bearing.

What a drawing says of its cameras is read as any plan that people have written: attributes are titles, and what can't be
read waits with its reason. A mapping file (TOML) names what a drawing calls otherwise::

    [dxf]
    blocks = ["CAM_*"]        # names of blocks that are cameras; without it, names with cam, cctv or kamera
    metres_per_unit = 0.001   # without it, the drawing's own unit
    looks_deg = 0             # where the block's symbol looks in its own drawing, counter-clockwise from its x axis
    north_deg = 0             # bearing of the drawing's y axis, clockwise from true north
    grid = "EPSG:25832"       # where the drawing's coordinates are those of a grid
    [columns]
    NUMMER = "camera"         # an attribute's tag, and the plan's column
"""

from __future__ import annotations

import fnmatch
import math
from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from audit.errors import PlanError, PlanProblem
from audit.extras import need
from audit.plan.grid import Grid
from audit.plan.mapping import WHERE_TOLD, read_mapping, refused
from audit.plan.model import Site
from audit.plan.table import Cell, clean, shown_name

__all__ = ["MAX_INSERTS", "counted_inserts", "import_drawing"]

_MAX_BYTES = 100 * 2**20
#: A drawing has fewer insertions than this; blocks that hold blocks can multiply without end.
MAX_INSERTS = 200_000
_MAX_DEPTH = 12
_CAMERA_BLOCKS = ("*cam*", "*cctv*", "*kamera*", "*camara*", "*telecamera*")
_KEYS = frozenset({"blocks", "metres_per_unit", "looks_deg", "north_deg", "grid"})


@dataclass(frozen=True, slots=True)
class _Mapping:
    blocks: tuple[str, ...]
    metres_per_unit: float | None
    looks_deg: float
    north_deg: float
    grid: str
    columns: Mapping[str, str]


def import_drawing(
    drawing: str | Path, out: str | Path, mapping: str | Path | None = None
) -> tuple[Site, tuple[PlanProblem, ...]]:
    """Write the cameras of a DXF drawing as a plan.

    Returns the site as the plan has it, and what is asked.

    Raises
    ------
    PlanError
        If the drawing can't be read, is too large, holds no cameras, doesn't tell its unit; the mapping is wrong; ``out``
        is there already or can't be written.
    """
    from audit.plan.files import write_grid

    drawing = Path(drawing)
    need("drawings", "Importing a drawing")
    if drawing.suffix.lower() != ".dxf":
        raise refused(shown_name(drawing), "a plan is imported from a DXF drawing or an IFC model; save it as .dxf or .ifc.")
    settings = read_mapping(None if mapping is None else Path(mapping), "dxf", _KEYS, _mapping)
    grid = _grid(shown_name(drawing), _cameras(drawing, settings), settings)
    return write_grid(grid, Path(out), drawing.stem)


def _mapping(dxf: Mapping[str, Any], columns: Mapping[str, str]) -> _Mapping:
    unit = dxf.get("metres_per_unit")
    if unit is not None and not (isinstance(unit, (int, float)) and math.isfinite(unit) and unit > 0):
        raise ValueError("metres_per_unit is a number above 0")
    return _Mapping(
        tuple(str(b) for b in dxf.get("blocks", _CAMERA_BLOCKS)),
        None if unit is None else float(unit),
        float(dxf.get("looks_deg", 0.0)),
        float(dxf.get("north_deg", 0.0)),
        str(dxf.get("grid", "")),
        columns,
    )


def _cameras(path: Path, settings: _Mapping) -> list[dict[str, Cell]]:
    """A row of titles and values a camera block."""
    name = shown_name(path)
    document = _open(path)
    scale = settings.metres_per_unit or _metres_per_unit(name, document)
    rows = []
    for insert in _inserts(name, document):
        block = str(insert.dxf.name)
        if not any(fnmatch.fnmatchcase(block.casefold(), pattern.casefold()) for pattern in settings.blocks):
            continue
        rows.append(_row(insert, scale, settings))
    if not rows:
        blocks = ", ".join(sorted({str(i.dxf.name) for i in _inserts(name, document)})[:8])
        raise refused(
            name,
            f"no block is a camera (blocks: {blocks or 'none'}); name the camera blocks in a mapping file: {WHERE_TOLD}.",
        )
    return rows


def _open(path: Path) -> Any:
    from ezdxf.filemanagement import readfile

    name = shown_name(path)
    try:
        if not path.is_file():
            raise refused(name, "no such file; give the path of a DXF drawing.")
        if path.stat().st_size > _MAX_BYTES:
            raise refused(
                name, f"the drawing is larger than {_MAX_BYTES // 2**20} MB; save the cameras' layers alone."
            )
        with path.open("rb") as stream:
            if stream.read(4) == b"AC10":
                raise refused(name, "this is a drawing of a closed format; save it as DXF.")
        return readfile(path)
    except PlanError:
        raise
    except OSError as error:
        reason = error.strerror or str(error)
        raise refused(name, f"is no DXF drawing, or can't be read ({reason}); export it again.") from error
    except Exception as error:  # ezdxf raises DXFError, ValueError, IndexError and more on damage
        raise refused(name, f"the drawing is damaged ({type(error).__name__}); export it again as DXF.") from error


def _metres_per_unit(name: str, document: Any) -> float:
    from ezdxf.enums import InsertUnits
    from ezdxf.units import conversion_factor

    if not document.units:
        raise refused(
            name, f"the drawing doesn't tell its unit; write metres_per_unit into a mapping file: {WHERE_TOLD}."
        )
    return float(conversion_factor(InsertUnits(document.units), InsertUnits.Meters))


def _inserts(name: str, document: Any) -> Iterator[Any]:
    """Every insertion of a block in the model, those inside other blocks too, in the model's coordinates."""
    if counted_inserts(document.modelspace(), document) > MAX_INSERTS:
        raise refused(
            name, "its blocks hold blocks over and over, more than a site's drawing can; save the cameras alone."
        )
    waiting = deque(document.modelspace().query("INSERT"))
    while waiting:
        insert = waiting.popleft()
        for single in insert.multi_insert() if insert.mcount > 1 else (insert,):
            yield single
            block = single.block()
            if block is not None and any(e.dxftype() == "INSERT" for e in block):
                waiting += [e for e in single.virtual_entities() if e.dxftype() == "INSERT"]


def counted_inserts(space: Any, document: Any) -> int:
    """How many insertions a layout comes to, those inside its blocks counted each time."""
    return _count(space, document, {}, 0)


def _count(space: Any, document: Any, known: dict[str, int], depth: int) -> int:
    if depth > _MAX_DEPTH:
        return MAX_INSERTS + 1
    total = 0
    for insert in space.query("INSERT"):
        block = str(insert.dxf.name)
        if block not in known:
            inner = document.blocks.get(block)
            known[block] = 0 if inner is None else _count(inner, document, known, depth + 1)
        total += max(1, int(insert.mcount)) * (1 + known[block])
    return total


def _row(insert: Any, scale: float, settings: _Mapping) -> dict[str, Cell]:
    """One camera: its attributes by tag, its place in metres, its bearing."""
    east, north = ("east", "north") if settings.grid else ("east_m", "north_m")
    suffix = f" ({settings.grid})" if settings.grid else ""
    row: dict[str, Cell] = {}
    for attribute in insert.attribs:
        text = clean(str(attribute.dxf.text)).strip()
        tag = clean(str(attribute.dxf.tag)).strip()
        if text:
            row.setdefault(settings.columns.get(tag.casefold(), tag), text)
    matrix = insert.matrix44()
    place = matrix.transform((0.0, 0.0, 0.0))
    look = math.radians(settings.looks_deg)
    ahead = matrix.transform_direction((math.cos(look), math.sin(look), 0.0))
    row[east + suffix] = round(place[0] * scale, 6)
    row[north + suffix] = round(place[1] * scale, 6)
    bearing = math.degrees(math.atan2(ahead[0], ahead[1])) + settings.north_deg
    row["rotation of the block"] = round(bearing % 360.0, 6)
    row["layer"] = clean(str(insert.dxf.layer))
    return row


def _grid(name: str, rows: list[dict[str, Cell]], settings: _Mapping) -> Grid:
    """The rows as a sheet; where no attribute tells a bearing, the block's rotation is it."""
    from audit.plan.titles import read_title

    titles = list(dict.fromkeys(title for row in rows for title in row))
    known = {title: read for title in titles if (read := read_title(title, "cameras")) is not None}
    if not any(read.key == "bearing_deg" for read in known.values()):
        titles = ["bearing_deg" if t == "rotation of the block" else t for t in titles]
        rows = [{("bearing_deg" if t == "rotation of the block" else t): v for t, v in row.items()} for row in rows]
    if not any(read.key == "camera" for read in known.values()):
        titles = ["camera", *titles]
        rows = [{"camera": f"C{number:02d}", **row} for number, row in enumerate(rows, start=1)]
    cells: list[list[Cell]] = [list(titles), *([row.get(title) for title in titles] for row in rows)]
    return Grid(name, rows=cells, word="cameras")
