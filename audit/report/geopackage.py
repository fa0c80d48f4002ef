"""The cameras as they were built as a GeoPackage (OGC 12-128r18, version 1.3): cameras, views, targets, landmarks, findings.

Positions are WGS 84 longitude and latitude; where the plan has local metres alone, they are its metres in an undefined plane
(spatial reference -1 of the standard).
"""

from __future__ import annotations

import sqlite3
import struct
from collections.abc import Iterable, Mapping, Sequence
from contextlib import closing
from datetime import datetime
from pathlib import Path

from audit.account.case import Case
from audit.plan.model import Site
from audit.plan.places import from_local
from audit.report.as_built import Built, sector

__all__ = ["write_geopackage"]

#: ``GPKG`` as a number, and version 1.3.0 (clause 1.1.1.1.1).
_APPLICATION, _VERSION = 0x47504B47, 10300
_WGS84, _PLANE = 4326, -1
_POINT, _POLYGON = 1, 3
_WGS84_TEXT = (
    'GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563,AUTHORITY["EPSG","7030"]],AUTHORITY["EPSG","6326"]],'
    'PRIMEM["Greenwich",0,AUTHORITY["EPSG","8901"]],UNIT["degree",0.0174532925199433,AUTHORITY["EPSG","9122"]],AUTHORITY["EPSG","4326"]]'
)
#: Tables and columns of clauses 1.1.2 (spatial references), 1.1.3 (contents) and 2.1.5 (geometry columns), as the standard has them.
_SCHEMA = """
CREATE TABLE gpkg_spatial_ref_sys (srs_name TEXT NOT NULL, srs_id INTEGER NOT NULL PRIMARY KEY, organization TEXT NOT NULL,
  organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT);
CREATE TABLE gpkg_contents (table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE,
  description TEXT DEFAULT '', last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
  min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE, srs_id INTEGER,
  CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
CREATE TABLE gpkg_geometry_columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL, geometry_type_name TEXT NOT NULL,
  srs_id INTEGER NOT NULL, z TINYINT NOT NULL, m TINYINT NOT NULL,
  CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name), CONSTRAINT uk_gc_table_name UNIQUE (table_name),
  CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
  CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id));
"""
Place = tuple[float, float]
Row = Mapping[str, str | float | int | None]


def write_geopackage(site: Site, built: Sequence[Built], found: Sequence[Case], at: datetime, path: Path) -> None:
    """Write the package.

    Parameters
    ----------
    at : datetime
        When its contents were as they are: the visit's sign-off or start, so that the same visit gives the same file.
    """
    path.unlink(missing_ok=True)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.executescript(f"PRAGMA application_id = {_APPLICATION}; PRAGMA user_version = {_VERSION};{_SCHEMA}")
        connection.executemany(
            "INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, ?)",
            [
                ("Undefined Cartesian SRS", _PLANE, "NONE", _PLANE, "undefined", "metres of the plan, east and north"),
                ("Undefined geographic SRS", 0, "NONE", 0, "undefined", "undefined geographic coordinate reference system"),
                ("WGS 84 geodetic", _WGS84, "EPSG", _WGS84, _WGS84_TEXT, "degrees east and north, WGS 84"),
            ],
        )
        sheet = _Sheet(connection, site, at.strftime("%Y-%m-%dT%H:%M:%S.000Z"))
        sheet.layer("cameras", "POINT", [([(b.camera.east_m, b.camera.north_m)], _camera_row(b)) for b in built])
        sheet.layer("views", "POLYGON", [(_ring(b), {"camera": b.camera.camera, "bearing_deg": b.pose.bearing_deg}) for b in built])
        targets = [(c, t) for c in site.cameras for t in c.targets]
        sheet.layer(
            "targets", "POINT",
            [([(t.east_m, t.north_m)], {"camera": c.camera, "target": t.name, "up_m": t.up_m, "purpose": t.purpose}) for c, t in targets],
        )  # fmt: skip
        sheet.layer("landmarks", "POINT", [([(m.east_m, m.north_m)], {"landmark": m.landmark, "up_m": m.up_m}) for m in site.landmarks])
        sheet.attributes("findings", list(_finding_rows(found)))


class _Sheet:
    """Writes tables with what the standard's own tables say of them."""

    def __init__(self, connection: sqlite3.Connection, site: Site, at: str) -> None:
        self.connection, self.at = connection, at
        located = site.origin_latitude is not None and site.origin_longitude is not None
        self.origin = (site.origin_latitude or 0.0, site.origin_longitude or 0.0) if located else None
        self.srs = _WGS84 if located else _PLANE

    def layer(self, name: str, kind: str, features: Sequence[tuple[Sequence[Place], Row]]) -> None:
        """A table of points or polygons; none where there is nothing."""
        if not features:
            return
        placed = [([self._place(p) for p in places], row) for places, row in features]
        xs = [x for places, _ in placed for x, _ in places]
        ys = [y for places, _ in placed for _, y in places]
        rows = [row for _, row in placed]
        self._table(name, rows, f", geom {kind}")
        self.connection.execute(
            "INSERT INTO gpkg_contents VALUES (?, 'features', ?, '', ?, ?, ?, ?, ?, ?)",
            (name, name, self.at, min(xs), min(ys), max(xs), max(ys), self.srs),
        )
        self.connection.execute("INSERT INTO gpkg_geometry_columns VALUES (?, 'geom', ?, ?, 0, 0)", (name, kind, self.srs))
        shapes = [_geometry(kind, places, self.srs) for places, _ in placed]
        self._fill(name, rows, shapes)

    def attributes(self, name: str, rows: Sequence[Row]) -> None:
        """A table without places."""
        if not rows:
            return
        self._table(name, rows, "")
        values = (name, name, self.at)
        self.connection.execute("INSERT INTO gpkg_contents VALUES (?, 'attributes', ?, '', ?, NULL, NULL, NULL, NULL, NULL)", values)
        self._fill(name, rows, None)

    def _place(self, place: Place) -> Place:
        if self.origin is None:
            return place
        latitude, longitude = from_local(*place, self.origin)
        return longitude, latitude

    def _table(self, name: str, rows: Sequence[Row], geometry: str) -> None:
        columns = ", ".join(f'"{column}" {_sql_type(rows, column)}' for column in rows[0])
        self.connection.execute(f'CREATE TABLE "{name}" (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, {columns}{geometry})')

    def _fill(self, name: str, rows: Sequence[Row], shapes: Sequence[bytes] | None) -> None:
        columns = [*rows[0], *(["geom"] if shapes is not None else [])]
        names = ", ".join(f'"{column}"' for column in columns)
        values = [(*row.values(), *([shapes[n]] if shapes is not None else [])) for n, row in enumerate(rows)]
        self.connection.executemany(f'INSERT INTO "{name}" ({names}) VALUES ({", ".join("?" * len(columns))})', values)


def _sql_type(rows: Sequence[Row], column: str) -> str:
    """One of the standard's types (table 1) that holds every value of a column."""
    kinds = {type(row[column]) for row in rows} - {type(None)}
    return "INTEGER" if kinds == {int} else "DOUBLE" if kinds and kinds <= {int, float} else "TEXT"


def _geometry(kind: str, places: Sequence[Place], srs: int) -> bytes:
    """A GeoPackage geometry (clause 2.1.3): its header without an envelope, then well-known binary, little end first."""
    head = b"GP" + struct.pack("<BBi", 0, 1, srs)
    points = b"".join(struct.pack("<dd", *place) for place in places)
    if kind == "POINT":
        return head + struct.pack("<BI", 1, _POINT) + points
    return head + struct.pack("<BIII", 1, _POLYGON, 1, len(places)) + points


def _ring(one: Built) -> list[Place]:
    """What a camera looks at, as a closed ring, counter-clockwise."""
    edge = sector(one.camera, one.pose.bearing_deg)
    return [*edge, edge[0]]


def _camera_row(one: Built) -> Row:
    camera = one.camera
    return {
        "camera": camera.camera, "name": camera.name, "floor": camera.floor, "state": one.state,
        "east_m": camera.east_m, "north_m": camera.north_m, "height_m": camera.height_m,
        "bearing_deg": one.pose.bearing_deg, "pitch_deg": one.pose.pitch_deg, "roll_deg": one.pose.roll_deg,
        "measured": ", ".join(one.measured), "planned_bearing_deg": camera.bearing_deg, "planned_pitch_deg": camera.pitch_deg,
        "planned_roll_deg": camera.roll_deg, "hfov_deg": camera.lens.hfov_deg, "serial": camera.serial,
        "open_checks": ", ".join(one.open_checks),
    }  # fmt: skip


def _finding_rows(found: Sequence[Case]) -> Iterable[Row]:
    for case in found:
        for finding in case.verdict.findings:
            decision = case.decision(finding)
            yield {
                "camera": finding.camera, "check": finding.check, "state": finding.state, "why": finding.why,
                "measured": finding.measured, "measured_sd": finding.measured_sd, "planned": finding.planned,
                "limit": finding.limit, "unit": finding.unit, "remedy": None if finding.remedy is None else finding.remedy.action,
                "decision": None if decision is None else decision.decision,
            }  # fmt: skip
