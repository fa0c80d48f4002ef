"""Plans in and out: CSV, XLSX and GeoJSON, as people write them; every problem names its cell.

Columns are those of :mod:`audit.plan.columns`; unknown ones are kept. A row that can't be used waits, with its reason;
the rest of the plan is used. Round trips lose nothing: what is written is read back as the same site. Positions may be
given as local metres, as latitude and longitude, or both; where both are given the site's origin is chosen so that they
agree, and a contradiction of more than a few metres is said.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from audit.errors import PlanError, PlanProblem
from audit.plan.columns import by_key
from audit.plan.grid import Grid
from audit.plan.landmarks import read_landmarks
from audit.plan.layout import lay_out
from audit.plan.model import Site, WaitingCamera
from audit.plan.plain import plain_table
from audit.plan.rows import RoughCamera, check_columns, read_camera, read_targets
from audit.plan.settling import find_origin, settle, site_columns
from audit.plan.suspicions import suspect
from audit.plan.table import Problems, Row, Table, certain_text, shown_name
from audit.plan.tables import read_grids
from audit.plan.writing import Sheets, put_sheets, sheets_of

__all__ = ["fix_plan", "look_at_plan", "read_plan", "read_plan_problems", "write_grid", "write_plan"]


def read_plan(path: str | Path) -> Site:
    """Read a plan; cameras whose rows can't be used wait in :attr:`Site.waiting`.

    Raises
    ------
    PlanError
        With every problem of the file, where no camera can be used.
    """
    site, problems = read_plan_problems(path)
    if site is None:
        wrong = tuple(p for p in problems if p.severity == "error")
        raise PlanError(wrong or problems)
    return site


def read_plan_problems(path: str | Path) -> tuple[Site | None, tuple[PlanProblem, ...]]:
    """Read a plan, and everything that is wrong or doubtful in it; the site is None where no camera can be used."""
    site, problems = look_at_plan(path)
    return (site if site is not None and site.cameras else None), problems


def look_at_plan(path: str | Path) -> tuple[Site | None, tuple[PlanProblem, ...]]:
    """The same, also where every camera waits; the site is None only where no table of cameras is found."""
    problems = Problems()
    found = _read(Path(path), problems, take=False)
    return (None if found is None else found.site), problems.all()


def fix_plan(path: str | Path, out: str | Path) -> tuple[Site, tuple[PlanProblem, ...]]:
    """Write a new plan with every guess taken, in the plan's own columns and units; what still waits says so in its row.

    Returns the site as the new plan has it, what was taken, and what is still asked.

    Raises
    ------
    PlanError
        If the plan holds no cameras, ``out`` is there already, its ending is no plan's, or it can't be written.
    """
    _refuse_to_write_over(Path(out))
    problems = Problems()
    found = _read(Path(path), problems, take=True)
    return _written(found, Path(out), problems)


def write_grid(grid: Grid, out: Path, name: str) -> tuple[Site, tuple[PlanProblem, ...]]:
    """Write one sheet as a new plan; guesses are not taken, what waits says so in its row.

    Raises
    ------
    PlanError
        As :func:`fix_plan`.
    """
    _refuse_to_write_over(out)
    problems = Problems()
    return _written(_understood([grid], name, grid.file, problems, take=False), out, problems)


def _refuse_to_write_over(out: Path) -> None:
    if out.exists():
        raise PlanError((PlanProblem(shown_name(out), "is there already and is not written over; name a new file."),))


def _written(found: _Found | None, out: Path, problems: Problems) -> tuple[Site, tuple[PlanProblem, ...]]:
    if found is None:
        raise PlanError(problems.all())
    put_sheets(Sheets(found.rows("cameras"), found.rows("targets"), found.rows("landmarks")), out)
    return found.site, problems.all()


def write_plan(site: Site, path: str | Path) -> None:
    """Write a plan as CSV, XLSX or GeoJSON by the file's ending; :func:`read_plan` gives the same site back.

    A CSV's targets go to ``NAME.targets.csv`` beside it, its landmarks to ``NAME.landmarks.csv``.

    Raises
    ------
    PlanError
        If the ending is none of these, or the file can't be written.
    """
    path = Path(path)
    put_sheets(sheets_of(site, path.stem), path)


@dataclass(slots=True)
class _Found:
    site: Site
    tables: list[tuple[str, Table]]

    def rows(self, word: str) -> list[dict[str, object]]:
        """The plain rows of one kind, what waits with its reasons."""
        return [_whole(row) for kind, table in self.tables if kind == word for row in table.rows if not row.dropped]


def _whole(row: Row) -> dict[str, object]:
    held = {**row.raw, **row.cells}
    cells: dict[str, object] = {
        key: held[key] for key in (*by_key("cameras"), *by_key("targets"), *held) if key in held
    }
    cells.pop("waits", None)
    if row.reasons:
        cells["waits"] = " | ".join(row.reasons)
    return cells


def _read(path: Path, problems: Problems, take: bool) -> _Found | None:
    return _understood(read_grids(path, problems), path.stem, shown_name(path), problems, take)


def _understood(grids: list[Grid], name: str, file: str, problems: Problems, take: bool) -> _Found | None:
    sheets = lay_out(grids, problems)
    tables: list[tuple[str, Table]] = []
    for sheet in sheets:
        ground = next((t.ground_sea_m for _, t in tables if t.ground_sea_m is not None), None)
        tables.append((str(sheet.table), plain_table(sheet, problems, take, ground)))
    cameras = [table for word, table in tables if word == "cameras"]
    if not cameras:
        return None
    check_columns(cameras, problems)
    if not any(table.rows for table in cameras) and not problems.serious:
        problems.add(PlanProblem(cameras[0].place, "the plan has no cameras below its header."))
    for table in cameras:
        suspect(table, problems, take)
    rough = [read_camera(table, row, problems) for table in cameras for row in table.rows if not row.dropped]
    _ids_of_all(rough)
    by_id: dict[str, RoughCamera] = {}
    for r in rough:
        by_id.setdefault(r.speaker.row.text("camera"), r)
    targets_table = next((table for word, table in tables if word == "targets"), None)
    targets = read_targets(targets_table, by_id, problems)
    site_name, origin = site_columns(cameras)
    origin = find_origin(rough, origin)
    settled = [settle(r, targets.get(r.speaker.row.text("camera"), []), origin) for r in rough]
    site = Site(
        tuple(camera for camera in settled if camera is not None),
        name=site_name or name,
        file=file,
        origin_latitude=None if origin is None else origin[0],
        origin_longitude=None if origin is None else origin[1],
        landmarks=read_landmarks([table for word, table in tables if word == "landmarks"], origin, problems),
        waiting=tuple(_waiting(r, targets_table) for r, camera in zip(rough, settled, strict=True) if camera is None),
    )
    return _Found(site, tables)


def _ids_of_all(rough: list[RoughCamera]) -> None:
    """The same id on two sheets."""
    first: dict[str, RoughCamera] = {}
    for r in rough:
        name = r.speaker.row.text("camera")
        before = first.setdefault(name, r)
        if name and before is not r and before.speaker.table is not r.speaker.table:
            r.speaker.say(
                "camera",
                f"'{name}' stands on another sheet already, in row {before.speaker.row.number}.",
                accepted="a unique id",
            )
            before.speaker.row.wait(f"'{name}' stands on two sheets.")


def _waiting(rough: RoughCamera, targets: Table | None) -> WaitingCamera:
    row = rough.speaker.row
    name = row.text("camera")
    own = (
        [t for t in targets.rows if t.text("camera") == name and not t.dropped] if targets is not None and name else []
    )
    return WaitingCamera(
        name or f"row {row.number}",
        tuple(row.reasons) or ("its row is incomplete.",),
        _texts(row),
        tuple(_texts(t) for t in own),
        row.number,
    )


def _texts(row: Row) -> tuple[tuple[str, str], ...]:
    cells = {**row.raw, **{key: certain_text(value) for key, value in row.cells.items()}}
    cells.pop("waits", None)
    return tuple(cells.items())
