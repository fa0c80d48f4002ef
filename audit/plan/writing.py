"""A site, or plain rows, to a plan file: one way out for CSV, XLSX and GeoJSON."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from audit.errors import PlanError, PlanProblem
from audit.plan.columns import TableWord, by_key, columns_of
from audit.plan.geojson import feature_collection, write_json
from audit.plan.grid import Grid
from audit.plan.layout import lay_out
from audit.plan.model import Site
from audit.plan.places import from_local
from audit.plan.plain import plain_table
from audit.plan.separated import write_csv
from audit.plan.suspicions import suspect
from audit.plan.table import Cell, Problems, shown_name
from audit.plan.titles import read_title
from audit.plan.workbook import write_xlsx

__all__ = ["Sheets", "put_sheets", "sheets_of"]

Rows = list[dict[str, Any]]
_TABLES: tuple[TableWord, ...] = ("cameras", "targets", "landmarks")


@dataclass(slots=True)
class Sheets:
    """The plan's tables as rows of cells by column."""

    cameras: Rows
    targets: Rows = field(default_factory=list)
    landmarks: Rows = field(default_factory=list)


def sheets_of(site: Site, stem: str) -> Sheets:
    """A site's tables; what would look odd to a reader is confirmed in ``as_written``."""
    cameras = _camera_rows(site, stem)
    _confirm(cameras)
    for waiting in site.waiting:
        cameras.append({**dict(waiting.cells), "waits": " | ".join(waiting.reasons)})
    targets = _target_rows(site) + [dict(t) for w in site.waiting for t in w.targets]
    return Sheets(cameras, targets, _landmark_rows(site))


def put_sheets(sheets: Sheets, path: Path) -> None:
    """Write tables to a file whose ending tells its format; the old file stays whole until the new one is.

    Raises
    ------
    PlanError
        If the ending is no plan's, or the file can't be written.
    """
    suffix = path.suffix.lower()
    if suffix not in (".csv", ".xlsx", ".geojson"):
        raise PlanError(
            (
                PlanProblem(
                    shown_name(path), f"a plan is written as .csv, .xlsx or .geojson, not '{suffix or 'no ending'}'."
                ),
            )
        )
    fresh = path.with_name(path.name + ".part")
    tables = {
        word: _square(getattr(sheets, word), word) for word in _TABLES if word == "cameras" or getattr(sheets, word)
    }
    try:
        if suffix == ".csv":
            _put_csv(tables, path)
            return
        if suffix == ".xlsx":
            tables.setdefault("targets", _square([], "targets"))
            write_xlsx(fresh, {word: tables[word] for word in _TABLES if word in tables})
        else:
            write_json(fresh, feature_collection({word: getattr(sheets, word) for word in _TABLES}))
        os.replace(fresh, path)
    except OSError as error:
        raise PlanError(
            (PlanProblem(shown_name(path), f"can't be written ({error.strerror}); choose another folder."),)
        ) from error


def _put_csv(tables: Mapping[TableWord, tuple[list[str], list[list[Cell]]]], path: Path) -> None:
    for word in _TABLES:
        target = path if word == "cameras" else path.with_name(f"{path.stem}.{word}.csv")
        table = tables.get(word) or ((_square([], word)) if target.exists() else None)
        if table is not None:
            fresh = target.with_name(target.name + ".part")
            write_csv(fresh, *table)
            os.replace(fresh, target)


def _confirm(rows: Rows) -> None:
    """Names in ``as_written`` what a reader of these rows would ask about, so that they read back as they are."""
    names, cells = _square(rows, "cameras")
    grid = Grid("plan", rows=[list(names), *(list(r) for r in cells)])
    quiet = Problems()
    for sheet in lay_out([grid], quiet):
        table = plain_table(sheet, quiet, take=False)
        suspect(table, quiet, take=False)
        for row in table.rows:
            if row.suspected:
                rows[row.line - 2]["as_written"] = " ".join(sorted(row.suspected))


def _camera_rows(site: Site, stem: str) -> Rows:
    rows: Rows = []
    origin = _origin(site)
    written = [column for column in columns_of("cameras") if column.write is not None]
    for index, c in enumerate(site.cameras):
        row: dict[str, Any] = {}
        for column in written:
            assert column.write is not None
            row[column.key] = column.write(c)
            if column.key == "name":
                _put_place(row, c.east_m, c.north_m, origin)
        if index == 0:
            row["site"] = site.name if site.name != stem else None
            if origin is not None:
                row["origin_latitude"], row["origin_longitude"] = origin
        rows.append(row | dict(c.extra))
    return rows


def _target_rows(site: Site) -> Rows:
    rows: Rows = []
    origin = _origin(site)
    written = [column for column in columns_of("targets") if column.write is not None]
    for c in site.cameras:
        for t in c.targets:
            row: dict[str, Any] = {"camera": c.camera}
            for column in written:
                assert column.write is not None
                row[column.key] = column.write(t)
                if column.key == "target":
                    _put_place(row, t.east_m, t.north_m, origin)
            rows.append(row | dict(t.extra))
    return rows


def _landmark_rows(site: Site) -> Rows:
    rows: Rows = []
    written = [column for column in columns_of("landmarks") if column.write is not None]
    for mark in site.landmarks:
        row: dict[str, Any] = {}
        for column in written:
            assert column.write is not None
            row[column.key] = column.write(mark)
            if column.key == "landmark":
                _put_place(row, mark.east_m, mark.north_m, _origin(site))
        rows.append(row | dict(mark.extra))
    return rows


def _origin(site: Site) -> tuple[float, float] | None:
    if site.origin_latitude is None or site.origin_longitude is None:
        return None
    return site.origin_latitude, site.origin_longitude


def _put_place(row: dict[str, Any], east_m: float, north_m: float, origin: tuple[float, float] | None) -> None:
    if origin is not None:
        row["latitude"], row["longitude"] = from_local(east_m, north_m, origin)
    row["east_m"], row["north_m"] = east_m, north_m


def _square(rows: Rows, word: TableWord) -> tuple[list[str], list[list[Cell]]]:
    """Columns in first-seen order (empty ones left out), and every row's values in that order.

    A column of the plan whose meaning a kept column's title repeats stays, though it is empty: else that one would be
    taken for it.
    """
    order = {c.key: None for c in columns_of(word)} if word != "cameras" and not rows else {}
    for row in rows:
        order |= {name: None for name, value in row.items() if value is not None}
    meant = {t.key for name in order if name not in by_key(word) and (t := read_title(name, word)) is not None}
    names = [*(key for key in by_key(word) if key in meant and key not in order), *order]
    names = [n for n in names if n != "waits"] + [n for n in names if n == "waits"]
    return names, [[row.get(name) for name in names] for row in rows]
