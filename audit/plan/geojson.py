"""GeoJSON (RFC 7946) in and out: a Point feature for each camera and each target, null geometry where unlocated."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

from audit.errors import PlanProblem
from audit.plan.crs import DEGREES
from audit.plan.grid import Grid
from audit.plan.separated import decoded
from audit.plan.table import MAX_ROWS, Cell, Problems, clean, shown_name

__all__ = ["feature_collection", "read_features", "write_json"]

_KINDS = ("camera", "target", "landmark")
#: A code of the EPSG register at the end of a name: ``EPSG:25832``, ``urn:ogc:def:crs:EPSG::25832``, ``…/crs/EPSG/0/25832`` (OGC 09-048r5).
_EPSG = re.compile(r"EPSG[:/](?:[\d.]*[:/])?(\d{4,5})$", re.IGNORECASE)


def read_features(path: Path, data: bytes, problems: Problems) -> list[Grid]:
    """A sheet a kind of feature; a property ``feature`` names the kind, or what the feature holds tells it."""
    name = shown_name(path)
    try:
        document = json.loads(decoded(data), parse_constant=lambda word: word)
    except (ValueError, RecursionError) as error:
        where = f", line {error.lineno}" if isinstance(error, json.JSONDecodeError) else ""
        problems.add(PlanProblem(name, f"this is no valid JSON{where}; export the plan again."))
        return []
    features = document.get("features") if isinstance(document, dict) else None
    if not isinstance(document, dict) or document.get("type") != "FeatureCollection" or not isinstance(features, list):
        problems.add(
            PlanProblem(
                name,
                "a GeoJSON plan is a FeatureCollection with one Point feature a camera (RFC 7946).",
                accepted="FeatureCollection",
            )
        )
        return []
    if len(features) > MAX_ROWS:
        problems.add(
            PlanProblem(name, f"the file has more than {MAX_ROWS:,} features; a plan holds one site: split it.")
        )
        return []
    titles: dict[str, dict[str, int]] = {kind: {} for kind in _KINDS}
    grids = {kind: Grid(name, rows=[[]], features=True, word=f"{kind}s") for kind in _KINDS}
    projected = _projected(document)
    for number, feature in enumerate(features, start=1):
        cells = _feature(f"{name}, features", number, feature, problems, projected)
        if cells is None:
            continue
        kind = _kind(cells)
        columns = titles[kind]
        row: list[Cell] = [None] * len(columns)
        for title, value in cells.items():
            if title != "feature":
                if title not in columns:
                    columns[title] = len(columns)
                row.extend([None] * (columns[title] + 1 - len(row)))
                row[columns[title]] = value
        grid = grids[kind]
        grid.rows.extend([] for _ in range(number - len(grid.rows)))
        grid.rows.append(row)
    if len(grids["camera"].rows) == 1 and not problems.serious:
        problems.add(PlanProblem(name, "the file has no camera features."))
    for kind in _KINDS:
        grids[kind].rows[0] = list(titles[kind])
    return [grids[kind] for kind in _KINDS if len(grids[kind].rows) > 1]


def _projected(document: dict[str, Any]) -> str:
    """Name of the grid of an older file's ``crs`` member, empty for WGS 84."""
    crs = document.get("crs")
    name = (
        crs.get("properties", {}).get("name")
        if isinstance(crs, dict) and isinstance(crs.get("properties"), dict)
        else None
    )
    text = str(name or "")
    code = _EPSG.search(text)
    if code is not None:
        return "" if int(code.group(1)) in DEGREES else f"EPSG:{code.group(1)}"
    return "" if "CRS84" in text else text


def _kind(cells: dict[str, Cell]) -> str:
    said = str(cells.get("feature") or "").strip().lower()
    if said in _KINDS:
        return said
    keys = {str(key).strip().lower() for key in cells}
    if "landmark" in keys:
        return "landmark"
    return "target" if {"camera", "target"} <= keys and not ({"bearing_deg", "height_m"} & keys) else "camera"


def _feature(place: str, number: int, feature: Any, problems: Problems, projected: str) -> dict[str, Cell] | None:
    """One feature's properties by title, with its position as two more; None where it is no feature."""
    if not isinstance(feature, dict) or feature.get("type") != "Feature":
        problems.add(PlanProblem(place, "this is no GeoJSON feature.", row=number, accepted="Feature"))
        return None
    properties = feature.get("properties") or {}
    if not isinstance(properties, dict):
        problems.add(PlanProblem(place, "the feature's properties are no object.", row=number, column="properties"))
        return None
    cells: dict[str, Cell] = {}
    for title, value in properties.items():
        if isinstance(value, (dict, list)):
            value = json.dumps(value, ensure_ascii=False)
        if value is None or (isinstance(value, str) and not value.strip()):
            continue
        cells[clean(title)] = clean(value).strip() if isinstance(value, str) else value
    geometry = feature.get("geometry")
    if geometry is None:
        return cells
    point = geometry.get("coordinates") if isinstance(geometry, dict) else None
    numbers = (
        isinstance(point, list)
        and len(point) in (2, 3)
        and all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in point)
    )
    if not isinstance(geometry, dict) or geometry.get("type") != "Point" or not numbers or point is None:
        problems.add(
            PlanProblem(
                place,
                "a camera or target is a Point with [longitude, latitude].",
                row=number,
                column="geometry",
                value=json.dumps(geometry)[:60],
                accepted="Point",
            )
        )
        return None
    across, up = (f"east ({projected})", f"north ({projected})") if projected else ("longitude", "latitude")
    cells[across], cells[up] = point[0], point[1]
    return cells


def feature_collection(tables: Mapping[str, Sequence[Mapping[str, Any]]]) -> dict[str, Any]:
    """Rows of cameras, targets and landmarks as one collection."""
    features = []
    for table, rows in tables.items():
        for row in rows:
            place = (row.get("longitude"), row.get("latitude"))
            located = all(isinstance(v, (int, float)) for v in place)
            beside = ("latitude", "longitude") if located else ()
            properties = {k: _plain(v) for k, v in row.items() if v is not None and k not in beside}
            point = {"type": "Point", "coordinates": list(place)} if located else None
            features.append(
                {"type": "Feature", "geometry": point, "properties": {"feature": table.removesuffix("s")} | properties}
            )
    return {"type": "FeatureCollection", "features": features}


def _plain(value: Any) -> Any:
    return value.isoformat() if isinstance(value, date) else value


def write_json(path: Path, document: dict[str, Any]) -> None:
    """Write a JSON document (UTF-8, readable)."""
    path.write_text(json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False) + "\n", encoding="utf-8")
