"""Cameras of an IFC model to a plan: placements to places, property sets to columns.

IFC 4 (ISO 16739-1) knows cameras as IfcAudioVisualAppliance of the type CAMERA. Where the model has a map conversion they get
latitude and longitude, else the model's metres turned to true north. Its own zero of heights is the plan's; a camera's ground is the
level of its storey. The model is opened in a process of its own with limits on memory and time. A mapping file (TOML) names what a
model calls otherwise::

    [ifc]
    classes = ["IfcBuildingElementProxy"]  # elements of these classes are cameras too, where their name fits
    names = ["*cam*"]
    looks = "x"                            # axis of its own placement along which a camera looks: x, -x, y, -y, z or -z
    grid = "EPSG:25832"                    # where the map conversion doesn't name its grid
    [columns]
    "Pset_Site.No" = "camera"              # a property, with its set or without, and the plan's column
"""

from __future__ import annotations

import fnmatch
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from audit.errors import AuditError, PlanProblem
from audit.extras import need
from audit.photos.guard import Guard, GuardFailure
from audit.plan.crs import NamedGrid, grid_named
from audit.plan.grid import Grid
from audit.plan.mapping import WHERE_TOLD, read_mapping, refused
from audit.plan.model import Site
from audit.plan.table import Cell, clean, shown_name

__all__ = ["import_ifc", "read_cameras"]

#: A larger model takes more memory than one file is given: ten times its size in what reads it (measured on made-up ones).
MAX_BYTES = 200 * 2**20
_MEMORY_BYTES, _TIME_S, _WALL_S = 4 << 30, 120.0, 300.0
_MOST_CAMERAS, _MOST_PROPERTIES, _LONGEST = 20_000, 200, 500
_AXES = {"x": (0, 1), "-x": (0, -1), "y": (1, 1), "-y": (1, -1), "z": (2, 1), "-z": (2, -1)}
_CAMERA_NAMES = ("*cam*", "*cctv*", "*kamera*")
_KEYS = frozenset({"classes", "names", "looks", "grid"})
#: Properties of the standard's own sets (Pset_AudioVisualApplianceTypeCamera, Pset_ManufacturerOccurrence) as columns.
_STANDARD = {"videoresolutionwidth": "image_width_px", "videoresolutionheight": "image_height_px", "serialnumber": "serial"}
_UNITS_M = (1.0, 0.001, 0.01, 0.3048, 0.0254, 1200 / 3937)


@dataclass(frozen=True, slots=True)
class _Mapping:
    classes: tuple[str, ...]
    names: tuple[str, ...]
    looks: str
    grid: str
    columns: Mapping[str, str]


def import_ifc(path: Path, out: Path, mapping: Path | None = None) -> tuple[Site, tuple[PlanProblem, ...]]:
    """Write the cameras of an IFC model as a plan.

    Returns the site as the plan has it, and what is asked.

    Raises
    ------
    PlanError
        If the model can't be read, is too large, holds no cameras or names a grid that isn't known; the mapping is wrong; ``out`` is
        there already or can't be written.
    """
    from audit.plan.files import write_grid

    name = shown_name(path)
    settings = read_mapping(mapping, "ifc", _KEYS, _mapping)
    told = _opened(path, name, settings)
    rows = _rows(name, told, settings)
    titles = list(dict.fromkeys(title for row in rows for title in row))
    cells: list[list[Cell]] = [list(titles), *([row.get(title) for title in titles] for row in rows)]
    site, problems = write_grid(Grid(name, rows=cells, word="cameras"), out, path.stem)
    if any(row.get("bearing from") == "placement" for row in rows):
        problems = (*problems, _looks_along(name, settings.looks))
    return site, problems


def _looks_along(name: str, axis: str) -> PlanProblem:
    return PlanProblem(
        name,
        f"the model doesn't say which way its cameras look: each is taken to look along the {axis} axis of its own placement; if they "
        f"don't, say so by 'looks' in a mapping file.",
        severity="caution",
    )


def _mapping(ifc: Mapping[str, Any], columns: Mapping[str, str]) -> _Mapping:
    looks = str(ifc.get("looks", "x"))
    if looks not in _AXES:
        raise ValueError(f"looks is one of {', '.join(_AXES)}")
    return _Mapping(
        tuple(str(c) for c in ifc.get("classes", ())), tuple(str(n) for n in ifc.get("names", _CAMERA_NAMES)), looks,
        str(ifc.get("grid", "")), columns,
    )  # fmt: skip


def _opened(path: Path, name: str, settings: _Mapping) -> dict[str, Any]:
    """What the limited process reads of the model."""
    try:
        size = path.stat().st_size
        with path.open("rb") as stream:
            head = stream.read(256)
    except OSError as error:
        raise refused(name, f"can't be read ({error.strerror}); check the path.") from error
    if not head.lstrip().startswith(b"ISO-10303-21"):
        raise refused(name, "is no IFC model as text (STEP, ISO 10303-21); export it as .ifc.")
    if size > MAX_BYTES:
        raise refused(
            name,
            f"the model is larger than {MAX_BYTES // 2**20} MB; export the storeys and the cameras alone (no geometry is needed).",
        )
    need("ifc", "Importing an IFC model")
    guard = Guard(_MEMORY_BYTES, _TIME_S, _WALL_S)
    try:
        options = {"path": str(path), "classes": settings.classes, "names": settings.names}
        told, _ = guard.call("audit.drawings.ifc:read_cameras", b"", options)
    except GuardFailure as failure:
        why = {
            "timeout": "reading the model takes too long; export the storeys and the cameras alone.",
            "memory": "the model takes more memory than is given to one file; export the storeys and the cameras alone.",
        }.get(failure.kind, "the model is damaged; export it again.")
        raise refused(name, why) from failure
    finally:
        guard.close()
    if "refused" in told:
        raise refused(name, str(told["refused"]))
    return told


def read_cameras(blob: bytes, options: Mapping[str, Any]) -> tuple[dict[str, Any], bytes]:
    """What the limited process runs: every camera with its placement in metres and its properties."""
    import ifcopenshell

    try:
        model = ifcopenshell.open(options["path"])
    except MemoryError:
        raise
    except Exception:  # the reader raises many kinds at a damaged or unknown model
        return {"refused": "the model is damaged, or of a schema that isn't known; export it as IFC 4."}, b""
    try:
        found = _elements(model, options["classes"], options["names"])
    except AuditError as error:
        return {"refused": error.message}, b""
    if not found:
        return {"refused": f"no element is a camera (IfcAudioVisualAppliance of the type CAMERA); name others in a mapping file: {WHERE_TOLD}."}, b""
    if len(found) > _MOST_CAMERAS:
        return {"refused": f"the model has {len(found):,} cameras, more than a plan holds; export a part of it."}, b""
    frame = _frame(model)
    return {"cameras": [_told(element, frame) for element in found], "crs": frame["crs"]}, b""


def _elements(model: Any, classes: Sequence[str], names: Sequence[str]) -> list[Any]:
    """Cameras by their own type or their type object's, and elements of other classes by name."""
    from ifcopenshell.util.element import get_predefined_type

    found: list[Any] = []
    if model.schema != "IFC2X3":
        found = [e for e in model.by_type("IfcAudioVisualAppliance") if _is_camera(get_predefined_type(e))]
    for kind in classes:
        try:
            others = model.by_type(kind)
        except RuntimeError:
            raise AuditError(f"'{kind}' is no class of {model.schema}; correct it in the mapping file.") from None
        found += [e for e in others if any(fnmatch.fnmatchcase(str(e.Name or "").casefold(), n.casefold()) for n in names)]
    return [e for e in dict.fromkeys(found) if e.ObjectPlacement is not None]


def _is_camera(kind: str | None) -> bool:
    said = str(kind or "").casefold()
    return said == "camera" or ("camera" in said or "cctv" in said)


def _frame(model: Any) -> dict[str, Any]:
    """Units, true north and map conversion of a model."""
    from ifcopenshell.util.geolocation import get_helmert_transformation_parameters
    from ifcopenshell.util.unit import calculate_unit_scale

    unit_m = float(calculate_unit_scale(model))
    helmert = get_helmert_transformation_parameters(model)
    crs, map_unit_m = "", 1.0
    if helmert is not None:
        projected = model.by_type("IfcProjectedCRS") if model.schema != "IFC2X3" else []
        crs = str(projected[0].Name or "") if projected else ""
        map_unit_m = _map_unit_m(projected[0] if projected else None, unit_m, float(helmert.scale))
    return {"model": model, "unit_m": unit_m, "helmert": helmert, "crs": crs, "map_unit_m": map_unit_m, "north": _true_north(model)}


def _map_unit_m(crs: Any, unit_m: float, scale: float) -> float:
    """Metres of a map's unit: as it says; else the length that the conversion's scale leads to from the model's unit."""
    from ifcopenshell.util.unit import convert_unit

    unit = getattr(crs, "MapUnit", None)
    if unit is not None:
        if unit.is_a("IfcConversionBasedUnit"):
            return float(unit.ConversionFactor.ValueComponent.wrappedValue) * float(
                convert_unit(1.0, unit.ConversionFactor.UnitComponent, _metre(unit))
            )
        return float(convert_unit(1.0, unit, _metre(unit)))
    return min(_UNITS_M, key=lambda known: abs(math.log(known * scale / unit_m)))


def _metre(unit: Any) -> Any:
    import ifcopenshell

    file = ifcopenshell.file(schema="IFC4")
    return file.create_entity("IfcSIUnit", UnitType="LENGTHUNIT", Name="METRE")


def _true_north(model: Any) -> tuple[float, float]:
    """Direction of true north in the model's own plane; its y axis where it doesn't say."""
    for context in model.by_type("IfcGeometricRepresentationContext", include_subtypes=False):
        if context.TrueNorth is not None:
            x, y = (float(v) for v in context.TrueNorth.DirectionRatios[:2])
            if math.hypot(x, y) > 0:
                return x / math.hypot(x, y), y / math.hypot(x, y)
    return 0.0, 1.0


def _told(element: Any, frame: Mapping[str, Any]) -> dict[str, Any]:
    """One camera: place and axes in the map's metres and directions, or the model's turned to true north."""
    import numpy as np
    from ifcopenshell.util.element import get_container, get_psets
    from ifcopenshell.util.geolocation import auto_local2global
    from ifcopenshell.util.placement import get_local_placement

    own = np.asarray(get_local_placement(element.ObjectPlacement), dtype=np.float64)
    up_m = float(own[2, 3]) * frame["unit_m"]
    if frame["helmert"] is not None:
        placed = np.asarray(auto_local2global(frame["model"], own.copy()), dtype=np.float64)
        east, north = (float(v) * frame["map_unit_m"] for v in placed[:2, 3])
        axes = placed[:3, :3]
    else:
        x, y = frame["north"]
        turn = np.array([[y, -x, 0.0], [x, y, 0.0], [0.0, 0.0, 1.0]])
        east, north, _ = (float(v) * frame["unit_m"] for v in turn @ own[:3, 3])
        axes = turn @ own[:3, :3]
    axes = axes / np.linalg.norm(axes, axis=0)
    storey = get_container(element, ifc_class="IfcBuildingStorey")
    level = 0.0
    if storey is not None and storey.ObjectPlacement is not None:
        level = float(get_local_placement(storey.ObjectPlacement)[2, 3]) * frame["unit_m"]
    sets = get_psets(element, psets_only=True)
    return {
        "name": element.Name, "tag": getattr(element, "Tag", None), "description": element.Description,
        "storey": None if storey is None else storey.Name, "level_m": level, "up_m": up_m, "east_m": east, "north_m": north,
        "axes": axes.tolist(), "properties": [[s, p, _plain(v)] for s, values in sets.items() for p, v in values.items() if p != "id"][:_MOST_PROPERTIES],
    }  # fmt: skip


def _plain(value: Any) -> str | float | int | bool | None:
    if isinstance(value, bool | int | str) or value is None:
        return value[:_LONGEST] if isinstance(value, str) else value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return str(value)[:_LONGEST]


def _rows(name: str, told: Mapping[str, Any], settings: _Mapping) -> list[dict[str, Cell]]:
    """A row of titles and values a camera."""
    cameras = told["cameras"]
    grid = _grid(name, settings.grid or str(told["crs"] or ""))
    names = [clean(str(c["name"] or "")).strip() for c in cameras]
    unique = all(names) and len(set(names)) == len(names)
    tags = [clean(str(c["tag"] or "")).strip() for c in cameras]
    by_tag = all(tags) and len(set(tags)) == len(tags)
    rows = []
    for number, camera in enumerate(cameras):
        row: dict[str, Cell] = {"camera": names[number] if unique else tags[number] if by_tag else f"C{number + 1:02d}"}
        if names[number] and not unique:
            row["name"] = names[number]
        elif camera["description"]:
            row["name"] = clean(str(camera["description"]))
        rows.append(row | _placed(name, camera, grid, settings.looks))
        _properties(rows[-1], camera["properties"], settings)
    return rows


def _grid(name: str, said: str) -> NamedGrid | None:
    if not said:
        return None
    named = grid_named(said)
    if isinstance(named, NamedGrid):
        return named
    why = named or f"'{said[:60]}' is no grid that is known"
    raise refused(name, f"{why}; name the map's grid by 'grid' in a mapping file: {WHERE_TOLD}.")


def _placed(name: str, camera: Mapping[str, Any], grid: NamedGrid | None, looks: str) -> dict[str, Cell]:
    """Place, level, height and direction."""
    import numpy as np

    from audit.frames import pose_from_rotation

    axis, sign = _AXES[looks]
    axes = np.asarray(camera["axes"], dtype=np.float64)
    forward = sign * axes[:, axis]
    up = axes[:, 2] if axis != 2 else axes[:, 1]
    bearing, pitch, roll = pose_from_rotation(np.stack([np.cross(forward, up), -up, forward]))
    row: dict[str, Cell] = {}
    if grid is None:
        row |= {"east_m": round(camera["east_m"], 4), "north_m": round(camera["north_m"], 4)}
    else:
        place = grid.to_wgs84(camera["east_m"], camera["north_m"])
        if place is None:
            raise refused(name, f"the model's map conversion puts cameras outside {grid.name}; check its eastings, northings and units.")
        row |= {"latitude": round(place[0], 9), "longitude": round(place[1], 9)}
        bearing = (bearing + (grid.convergence_deg(*place) or 0.0)) % 360.0
    if camera["storey"]:
        row["floor"] = clean(str(camera["storey"]))
    row |= {
        "ground_up_m": round(camera["level_m"], 4), "height_m": round(camera["up_m"] - camera["level_m"], 4),
        "bearing_deg": round(bearing % 360.0, 4), "pitch_deg": round(pitch + 0.0, 4), "roll_deg": round(roll + 0.0, 4),
        "bearing from": "placement",
    }  # fmt: skip
    return row


def _properties(row: dict[str, Cell], properties: Sequence[Sequence[Any]], settings: _Mapping) -> None:
    """Properties as columns; what they say of direction and height counts before the placement."""
    from audit.plan.titles import read_title

    said: dict[str, Cell] = {}
    for group, title, value in properties:
        if value is None or value == "":
            continue
        whole, alone = f"{group}.{title}".casefold(), str(title).casefold()
        column = settings.columns.get(whole) or settings.columns.get(alone) or _STANDARD.get(alone)
        if alone == "isoutdoors" and isinstance(value, bool):
            column, value = "setting", "outdoor" if value else "indoor"
        said.setdefault(column or clean(str(title)), clean(value) if isinstance(value, str) else value)
    known = {title: read.key for title in said if (read := read_title(title, "cameras")) is not None}
    for key in known.values():
        if key in ("bearing_deg", "pitch_deg", "tilt_down_deg"):
            row.pop("bearing_deg" if key == "bearing_deg" else "pitch_deg", None)
            if key == "bearing_deg":
                row.pop("bearing from", None)
        elif key not in ("latitude", "longitude", "east_m", "north_m"):
            row.pop(key, None)
    places = ("latitude", "longitude", "east_m", "north_m")
    row |= {title: value for title, value in said.items() if known.get(title) not in places}
