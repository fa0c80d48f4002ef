"""Plan files as tables by name, opened safely whatever their format; every problem names its cell."""

from __future__ import annotations

from pathlib import Path

from audit.plan.geojson import read_features
from audit.plan.separated import read_csv
from audit.plan.table import Problems, Table, shown_name
from audit.plan.workbook import read_workbook

__all__ = ["read_tables"]


_MAX_BYTES = 64 * 2**20


def read_tables(path: Path, problems: Problems) -> dict[str, Table]:
    """Tables of a plan file by name (``cameras``, and ``targets`` and ``landmarks`` where there are any).

    A CSV's targets come from ``NAME.targets.csv`` beside it, its landmarks from ``NAME.landmarks.csv``. What
    can't be read is noted in ``problems``.
    """
    name = shown_name(path)
    suffix = path.suffix.lower()
    readers = {
        ".csv": _csv_tables,
        ".tsv": _csv_tables,
        ".txt": _csv_tables,
        ".xlsx": read_workbook,
        ".xlsm": read_workbook,
        ".geojson": read_features,
        ".json": read_features,
    }
    reader = readers.get(suffix)
    if reader is None:
        problems.add(
            name,
            f"a plan is a CSV, XLSX or GeoJSON file; '{suffix or 'no ending'}' is none of these.",
            accepted=".csv, .xlsx, .geojson",
        )
        return {}
    data = _bytes_of(path, problems)
    return {} if data is None else reader(path, data, problems)


def _bytes_of(path: Path, problems: Problems) -> bytes | None:
    name = shown_name(path)
    try:
        if not path.is_file():
            problems.add(name, "no such file; give the path of a CSV, XLSX or GeoJSON plan.")
            return None
        if path.stat().st_size > _MAX_BYTES:
            problems.add(name, f"the file is larger than {_MAX_BYTES // 2**20} MB; a plan of one site is far smaller.")
            return None
        return path.read_bytes()
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        problems.add(name, f"can't be read ({reason}); check its permissions.")
        return None


def _csv_tables(path: Path, data: bytes, problems: Problems) -> dict[str, Table]:
    tables = {}
    table = read_csv(shown_name(path), data, problems)
    if table is not None:
        tables["cameras"] = table
    for word, id_column in (("targets", "camera"), ("landmarks", "landmark")):
        beside = path.with_name(f"{path.stem}.{word}{path.suffix}")
        if beside.exists():
            more = _bytes_of(beside, problems)
            if more is not None and more.strip():
                table = read_csv(shown_name(beside), more, problems, id_column)
                if table is not None:
                    tables[word] = table
    return tables
