"""GeoJSON (RFC 7946) in and out: a Point feature for each camera, target and landmark, null geometry where unlocated."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from audit.plan.separated import decoded
from audit.plan.table import MAX_ROWS, Cell, Problems, Row, Table, clean, column_key, shown_name

__all__ = ["feature_collection", "read_features", "write_json"]


def read_features(path: Path, data: bytes, problems: Problems) -> dict[str, Table]:
    """Cameras, targets and landmarks of a feature collection; rows are features counted from 1."""
    name = shown_name(path)
    try:
        document = json.loads(decoded(data), parse_constant=lambda word: word)
    except (ValueError, RecursionError) as error:
        where = f", line {error.lineno}" if isinstance(error, json.JSONDecodeError) else ""
        problems.add(name, f"this is no valid JSON{where}; export the plan again.")
        return {}
    features = document.get("features") if isinstance(document, dict) else None
    if not isinstance(document, dict) or document.get("type") != "FeatureCollection" or not isinstance(features, list):
        problems.add(
            name,
            "a GeoJSON plan is a FeatureCollection with one Point feature a camera (RFC 7946).",
            accepted="FeatureCollection",
        )
        return {}
    if len(features) > MAX_ROWS:
        problems.add(name, f"the file has more than {MAX_ROWS:,} features; a plan holds one site: split it.")
        return {}
    place = f"{name}, features"
    rows: dict[str, list[Row]] = {word: [] for word in ("cameras", "targets", "landmarks")}
    titles: dict[str, dict[str, str]] = {word: {} for word in rows}
    for number, feature in enumerate(features, start=1):
        found = _feature(place, number, feature, problems)
        if found is None:
            continue
        cells, own = found
        kind = str(cells.pop("feature", None) or _kind(set(cells)))
        word = {"target": "targets", "landmark": "landmarks"}.get(kind, "cameras")
        for key, title in own.items():
            if key != "feature":
                titles[word].setdefault(key, title)
        rows[word].append(Row(number, cells))
    if not rows["cameras"] and not problems.serious:
        problems.add(name, "the file has no camera features.")
    return {word: Table(place, titles[word], tuple(rows[word])) for word in rows if rows[word]}


def _kind(columns: set[str]) -> str:
    """What a feature is where it does not say."""
    if {"bearing_deg", "height_m"} & columns:
        return "camera"
    if {"camera", "target"} <= columns:
        return "target"
    return "landmark" if "landmark" in columns and "camera" not in columns else "camera"


def _feature(
    place: str, number: int, feature: Any, problems: Problems
) -> tuple[dict[str, Cell], dict[str, str]] | None:
    if not isinstance(feature, dict) or feature.get("type") != "Feature":
        problems.add(place, "this is no GeoJSON feature.", row=number, accepted="Feature")
        return None
    properties = feature.get("properties") or {}
    if not isinstance(properties, dict):
        problems.add(place, "the feature's properties are no object.", row=number, column="properties")
        return None
    cells: dict[str, Cell] = {}
    titles: dict[str, str] = {}
    for title, value in properties.items():
        key = column_key(clean(title))
        if isinstance(value, (dict, list)):
            value = json.dumps(value, ensure_ascii=False)
        if value is None or (isinstance(value, str) and not value.strip()):
            continue
        titles[key] = clean(title)
        cells[key] = clean(value).strip() if isinstance(value, str) else value
    geometry = feature.get("geometry")
    if geometry is None:
        return cells, titles
    point = geometry.get("coordinates") if isinstance(geometry, dict) else None
    numbers = (
        isinstance(point, list)
        and len(point) in (2, 3)
        and all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in point)
    )
    if not isinstance(geometry, dict) or geometry.get("type") != "Point" or not numbers or point is None:
        problems.add(
            place,
            "a camera, target or landmark is a Point with [longitude, latitude].",
            row=number,
            column="geometry",
            value=json.dumps(geometry)[:60],
            accepted="Point",
        )
        return None
    cells["longitude"], cells["latitude"] = point[0], point[1]
    titles["longitude"], titles["latitude"] = "longitude", "latitude"
    return cells, titles


def feature_collection(
    cameras: list[dict[str, Cell]], targets: list[dict[str, Cell]], landmarks: list[dict[str, Cell]]
) -> dict[str, Any]:
    """Rows of cameras, targets and landmarks as one collection."""
    features = []
    for kind, rows in (("camera", cameras), ("target", targets), ("landmark", landmarks)):
        for row in rows:
            properties = {k: v for k, v in row.items() if v is not None and k not in ("latitude", "longitude")}
            point = None
            if "latitude" in row:
                point = {"type": "Point", "coordinates": [row["longitude"], row["latitude"]]}
            features.append({"type": "Feature", "geometry": point, "properties": {"feature": kind} | properties})
    return {"type": "FeatureCollection", "features": features}


def write_json(path: Path, document: dict[str, Any]) -> None:
    """Write a JSON document (UTF-8, readable)."""
    path.write_text(json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False) + "\n", encoding="utf-8")
