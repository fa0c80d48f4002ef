"""Landmarks of a plan: places that a person can point out in a camera's picture (posts, corners, doors, manholes)."""

from __future__ import annotations

from audit.errors import PlanProblem
from audit.plan.columns import by_key
from audit.plan.model import Landmark
from audit.plan.rows import Speaker, read_place
from audit.plan.settling import settled_place
from audit.plan.table import Problems, Row, Table, cell_text

__all__ = ["read_landmarks"]


def read_landmarks(tables: list[Table], origin: tuple[float, float] | None, problems: Problems) -> tuple[Landmark, ...]:
    """The landmarks in local metres; a row that can't be used is named and left out. A height may be missing."""
    found: dict[str, Landmark] = {}
    for table in tables:
        titles = set(table.titles)
        if table.rows and not ({"east_m", "north_m"} <= titles or {"latitude", "longitude"} <= titles):
            words = "east_m + north_m or latitude + longitude"
            problems.add(PlanProblem(table.place, f"the column {words} is missing.", column="east_m", accepted=words))
            continue
        for row in table.rows:
            speaker = Speaker(table, row, problems)
            landmark = None if row.dropped or row.reasons else _read_landmark(table, row, speaker, origin)
            if landmark is None:
                continue
            if landmark.landmark in found:
                name = landmark.landmark
                speaker.say("landmark", f"the landmark '{name}' stands there twice.", accepted="a unique name")
                continue
            found[landmark.landmark] = landmark
    return tuple(found.values())


def _read_landmark(table: Table, row: Row, speaker: Speaker, origin: tuple[float, float] | None) -> Landmark | None:
    name = row.text("landmark")
    if not name:
        speaker.say("landmark", "the landmark has no name.", accepted="a unique name")
        return None
    place = read_place(speaker, "east_m", "north_m", "latitude", "longitude")
    if place is None:
        if not row.reasons:
            column = "east_m" if "east_m" in table.titles else "latitude"
            accepted = "east_m and north_m, or latitude and longitude"
            speaker.say(column, "the landmark has no position.", accepted=accepted)
        return None
    east, north = settled_place(place, origin, speaker, ("east_m", "latitude"))
    if row.reasons:
        return None
    known = by_key("landmarks")
    extra = tuple((k, cell_text(v)) for k, v in row.cells.items() if k not in known)
    return Landmark(name, east, north, row.number_in("up_m"), row.number_in("position_sd_m"), row.text("floor"), extra)
