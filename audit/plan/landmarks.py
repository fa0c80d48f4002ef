"""Landmarks of a plan: places that a person can point out in a camera's picture (posts, corners, doors, manholes)."""

from __future__ import annotations

from audit.plan.cells import CellReader
from audit.plan.model import Landmark
from audit.plan.rows import POSITION_SD, UP, read_place
from audit.plan.settling import settled_place
from audit.plan.table import Problems, Row, Table, cell_text

__all__ = ["LANDMARK_COLUMNS", "read_landmarks"]

LANDMARK_COLUMNS = (
    "landmark",
    "latitude",
    "longitude",
    "east_m",
    "north_m",
    "up_m",
    "position_sd_m",
    "floor",
)


def read_landmarks(table: Table | None, origin: tuple[float, float] | None, problems: Problems) -> tuple[Landmark, ...]:
    """The landmarks in local metres; a row that can't be used is named. A height may be missing, a place may not."""
    if table is None:
        return ()
    titles = set(table.titles)
    if table.rows and not ({"east_m", "north_m"} <= titles or {"latitude", "longitude"} <= titles):
        words = "east_m + north_m or latitude + longitude"
        problems.add(table.place, f"the column {words} is missing.", column="east_m", accepted=words)
        return ()
    found: dict[str, Landmark] = {}
    for row in table.rows:
        reader = CellReader(table.place, row, table.titles, problems)
        landmark = _read_landmark(table, row, reader, origin)
        if landmark is None:
            continue
        if landmark.landmark in found:
            name = landmark.landmark
            reader.complain(
                "landmark", f"the landmark '{name}' stands there twice.", value=name, accepted="a unique name"
            )
            continue
        found[landmark.landmark] = landmark
    return tuple(found.values())


def _read_landmark(table: Table, row: Row, reader: CellReader, origin: tuple[float, float] | None) -> Landmark | None:
    name = reader.text("landmark")
    if not name:
        reader.complain("landmark", "the landmark has no name.", accepted="a unique name")
        return None
    place = read_place(reader, "east_m", "north_m", "latitude", "longitude", required="landmark")
    up = reader.number("up_m", UP)
    sd = reader.number("position_sd_m", POSITION_SD)
    if place is None:
        return None
    east, north = settled_place(place, origin, reader, ("east_m", "latitude"))
    extra = tuple((table.titles[k], cell_text(v)) for k, v in row.cells.items() if k not in LANDMARK_COLUMNS)
    return Landmark(name, east, north, up, sd, reader.text("floor"), extra)
