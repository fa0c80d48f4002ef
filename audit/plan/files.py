"""Plans in and out: CSV, XLSX and GeoJSON, with every problem named by file, row, column and value.

Columns are those of the contract; unknown ones are kept. Round trips lose nothing: what is written is read back as
the same site. Positions may be given as local metres, as latitude and longitude, or both; where both are given the
site's origin is chosen so that they agree, and a contradiction of more than a few metres is said.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from audit.errors import PlanError, PlanProblem
from audit.plan.geojson import feature_collection, write_json
from audit.plan.landmarks import LANDMARK_COLUMNS, read_landmarks
from audit.plan.model import Site
from audit.plan.places import from_local
from audit.plan.rows import TARGET_COLUMNS, check_columns, check_ids, read_camera, read_targets
from audit.plan.separated import write_csv
from audit.plan.settling import find_origin, settle, site_columns
from audit.plan.table import Cell, Problems, shown_name
from audit.plan.tables import read_tables
from audit.plan.workbook import write_xlsx

__all__ = ["read_plan", "read_plan_problems", "write_plan"]


def read_plan(path: str | Path) -> Site:
    """Read a plan.

    Raises
    ------
    PlanError
        With every problem of the file, where at least one keeps the plan from being used.
    """
    site, problems = read_plan_problems(path)
    if site is None:
        raise PlanError(tuple(p for p in problems if p.severity == "error"))
    return site


def read_plan_problems(path: str | Path) -> tuple[Site | None, tuple[PlanProblem, ...]]:
    """Read a plan, and everything that is wrong or doubtful in it; the site is None where it can't be used."""
    path = Path(path)
    problems = Problems()
    tables = read_tables(path, problems)
    if "cameras" not in tables:
        return None, problems.all()
    table = tables["cameras"]
    check_columns(table, problems)
    rough = [r for r in (read_camera(table, i, problems) for i in range(len(table.rows))) if r is not None]
    if not table.rows and not problems.serious:
        problems.add(table.place, "the plan has no cameras below its header.")
    check_ids(table, rough, problems)
    site_name, origin = site_columns(table, problems)
    targets = read_targets(tables.get("targets"), {r.camera.camera for r in rough}, problems)
    origin = find_origin(table, rough, origin, problems)
    cameras = tuple(settle(r, targets.get(r.camera.camera, []), origin, problems) for r in rough)
    landmarks = read_landmarks(tables.get("landmarks"), origin, problems)
    if problems.serious:
        return None, problems.all()
    site = Site(
        cameras,
        name=site_name or path.stem,
        file=shown_name(path),
        origin_latitude=None if origin is None else origin[0],
        origin_longitude=None if origin is None else origin[1],
        landmarks=landmarks,
    )
    return site, problems.all()


def write_plan(site: Site, path: str | Path) -> None:
    """Write a plan as CSV, XLSX or GeoJSON by the file's ending; :func:`read_plan` gives the same site back.

    A CSV's targets go to ``NAME.targets.csv`` beside it, its landmarks to ``NAME.landmarks.csv``.

    Raises
    ------
    PlanError
        If the ending is none of these, or the file can't be written.
    """
    path = Path(path)
    suffix = path.suffix.lower()
    if suffix not in (".csv", ".xlsx", ".geojson"):
        raise PlanError(
            (
                PlanProblem(
                    shown_name(path), f"a plan is written as .csv, .xlsx or .geojson, not '{suffix or 'no ending'}'."
                ),
            )
        )
    cameras, targets, landmarks = _camera_rows(site, path.stem), _target_rows(site), _landmark_rows(site)
    fresh = path.with_name(path.name + ".part")
    try:
        if suffix == ".csv":
            write_csv(fresh, *_square(cameras))
            _write_beside(path, "targets", targets, TARGET_COLUMNS)
            _write_beside(path, "landmarks", landmarks, LANDMARK_COLUMNS)
        elif suffix == ".xlsx":
            sheets = {"cameras": _square(cameras), "targets": _square(targets, TARGET_COLUMNS)}
            if landmarks:
                sheets["landmarks"] = _square(landmarks, LANDMARK_COLUMNS)
            write_xlsx(fresh, sheets)
        else:
            write_json(fresh, feature_collection(cameras, targets, landmarks))
        os.replace(fresh, path)
    except OSError as error:
        raise PlanError(
            (PlanProblem(shown_name(path), f"can't be written ({error.strerror}); choose another folder."),)
        ) from error


def _write_beside(path: Path, word: str, rows: list[dict[str, Cell]], columns: Iterable[str]) -> None:
    """A CSV's further table in its own file, also to empty one that is there."""
    beside = path.with_name(f"{path.stem}.{word}.csv")
    if rows or beside.exists():
        fresh = beside.with_name(beside.name + ".part")
        write_csv(fresh, *_square(rows, columns))
        os.replace(fresh, beside)


def _camera_rows(site: Site, stem: str) -> list[dict[str, Cell]]:
    rows: list[dict[str, Cell]] = []
    origin = _origin(site)
    for index, c in enumerate(site.cameras):
        row: dict[str, Cell] = {"camera": c.camera, "name": c.name or None}
        _put_place(row, c.east_m, c.north_m, origin)
        lens = c.lens
        row |= {
            "position_sd_m": c.position_sd_m,
            "floor": c.floor or None,
            "height_m": c.height_m,
            "ground_up_m": c.ground_up_m or None,
            "bearing_deg": c.bearing_deg,
            "pitch_deg": c.pitch_deg,
            "roll_deg": c.roll_deg,
            "hfov_deg": lens.hfov_deg,
            "hfov_sd_deg": lens.hfov_sd_deg or None,
            "image_width_px": lens.width_px,
            "image_height_px": lens.height_px,
            "projection": lens.projection,
            "k1": lens.k1 or None,
            "k2": lens.k2 or None,
            "principal_x_px": lens.principal_px[0] if lens.principal_px else None,
            "principal_y_px": lens.principal_px[1] if lens.principal_px else None,
            "form": c.form_detail or c.form,
            "surface": c.surface_detail or c.surface,
            "setting": c.setting,
            "mount": str(c.mount) or None,
            "serial": c.serial or None,
            "night": c.night,
            "purpose": c.purpose,
        }
        if index == 0:
            row["site"] = site.name if site.name != stem else None
            if origin is not None:
                row["origin_latitude"], row["origin_longitude"] = origin
        row |= dict(c.extra)
        rows.append(row)
    return rows


def _target_rows(site: Site) -> list[dict[str, Cell]]:
    rows: list[dict[str, Cell]] = []
    origin = _origin(site)
    for c in site.cameras:
        for t in c.targets:
            row: dict[str, Cell] = {"camera": c.camera, "target": t.name}
            _put_place(row, t.east_m, t.north_m, origin)
            row |= {"up_m": t.up_m, "purpose": t.purpose, "required_px_per_m": t.required_px_per_m}
            row["position_sd_m"] = t.position_sd_m
            rows.append(row | dict(t.extra))
    return rows


def _landmark_rows(site: Site) -> list[dict[str, Cell]]:
    rows: list[dict[str, Cell]] = []
    for mark in site.landmarks:
        row: dict[str, Cell] = {"landmark": mark.landmark}
        _put_place(row, mark.east_m, mark.north_m, _origin(site))
        row |= {"up_m": mark.up_m, "position_sd_m": mark.position_sd_m, "floor": mark.floor or None}
        rows.append(row | dict(mark.extra))
    return rows


def _origin(site: Site) -> tuple[float, float] | None:
    if site.origin_latitude is None or site.origin_longitude is None:
        return None
    return site.origin_latitude, site.origin_longitude


def _put_place(row: dict[str, Cell], east_m: float, north_m: float, origin: tuple[float, float] | None) -> None:
    if origin is not None:
        row["latitude"], row["longitude"] = from_local(east_m, north_m, origin)
    row["east_m"], row["north_m"] = east_m, north_m


def _square(rows: list[dict[str, Cell]], columns: Iterable[str] = ()) -> tuple[list[str], list[list[Cell]]]:
    """Columns in first-seen order (empty ones left out), and every row's values in that order."""
    order = {name: None for name in columns}
    for row in rows:
        order |= {name: None for name, value in row.items() if value is not None}
    names = list(order)
    return names, [[row.get(name) for name in names] for row in rows]
