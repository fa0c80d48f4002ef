"""Plan files as sheets, opened safely whatever their format."""

from __future__ import annotations

from pathlib import Path

from audit.errors import PlanProblem
from audit.plan.geojson import read_features
from audit.plan.grid import Grid
from audit.plan.separated import read_csv
from audit.plan.table import Problems, shown_name
from audit.plan.workbook import read_workbook

__all__ = ["BESIDE", "read_grids"]


_MAX_BYTES = 64 * 2**20
#: Tables that stand beside a CSV, as ``NAME.targets.csv``.
BESIDE = ("targets", "landmarks")


def read_grids(path: Path, problems: Problems) -> list[Grid]:
    """The sheets of a plan file, and of the tables beside a CSV.

    What can't be read is noted in ``problems``.
    """
    name = shown_name(path)
    suffix = path.suffix.lower()
    readers = {".xlsx": read_workbook, ".xlsm": read_workbook, ".geojson": read_features, ".json": read_features}
    if suffix not in (*readers, ".csv", ".tsv", ".txt"):
        problems.add(
            PlanProblem(
                name,
                f"a plan is a CSV, XLSX or GeoJSON file; '{suffix or 'no ending'}' is none of these.",
                accepted=".csv, .xlsx, .geojson",
            )
        )
        return []
    data = _bytes_of(path, problems)
    if data is None:
        return []
    if suffix in readers:
        return readers[suffix](path, data, problems)
    grids = [read_csv(name, data, problems, "cameras")]
    for word in BESIDE:
        beside = path.with_name(f"{path.stem}.{word}{path.suffix}")
        more = _bytes_of(beside, problems) if beside.exists() else None
        if more is not None and more.strip():
            grids.append(read_csv(shown_name(beside), more, problems, word))
    return grids


def _bytes_of(path: Path, problems: Problems) -> bytes | None:
    name = shown_name(path)
    try:
        if not path.is_file():
            problems.add(PlanProblem(name, "no such file; give the path of a CSV, XLSX or GeoJSON plan."))
            return None
        if path.stat().st_size > _MAX_BYTES:
            problems.add(
                PlanProblem(
                    name, f"the file is larger than {_MAX_BYTES // 2**20} MB; a plan of one site is far smaller."
                )
            )
            return None
        return path.read_bytes()
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        problems.add(PlanProblem(name, f"can't be read ({reason}); check its permissions."))
        return None
