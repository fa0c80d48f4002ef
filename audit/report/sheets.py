"""Tables that are handed over: repairs as CSV and XLSX, and the as-built plan as GeoJSON."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence
from pathlib import Path

from openpyxl import Workbook
from openpyxl.styles import Alignment, Font

from audit.account.case import Case, open_findings
from audit.account.unproven import Unproven
from audit.judge.finding import STATES
from audit.visible import visible
from audit.wording import translated

__all__ = [
    "COLUMNS", "UNPROVEN_COLUMNS", "defuse_csv", "defused", "repair_rows", "table_csv", "unproven_rows", "write_repairs_csv",
    "write_repairs_xlsx",
]  # fmt: skip

COLUMNS = (
    "camera", "name", "check", "state", "why", "measured", "measured_sd", "planned", "limit", "unit", "remedy",
    "how_to_see_it_is_right", "parts", "cautions", "east_m", "north_m", "height_m", "photo", "decision", "decided_by",
    "reason",
)  # fmt: skip
UNPROVEN_COLUMNS = ("camera", "check", "reason", "why", "said", "by", "words", "due")
#: OWASP, CSV injection; the wide forms are read as the narrow ones by some.
_FORMULA_STARTS = ("=", "+", "-", "@", "|", "%", "\uff1d", "\uff0b", "\uff0d", "\uff20")
_WIDTHS = {"why": 60, "remedy": 60, "how_to_see_it_is_right": 50, "cautions": 60, "name": 28, "photo": 30}


def defused(text: str) -> str:
    """Text that no spreadsheet takes for a formula."""
    clean = visible(text.replace("\t", " ").replace("\r", " "), keep="\n")
    return f"'{clean}" if clean.lstrip().startswith(_FORMULA_STARTS) else clean


def defuse_csv(path: Path) -> None:
    """Make the texts of a CSV into such as no spreadsheet takes for a formula; numbers stay."""
    with path.open(encoding="utf-8-sig", newline="") as stream:
        rows = [[cell if _is_number(cell) else defused(cell) for cell in row] for row in csv.reader(stream)]
    path.write_bytes(table_csv(rows[0], rows[1:], defuse=False) if rows else b"")


def _is_number(cell: str) -> bool:
    return re.fullmatch(r"[+-]?[0-9]+(\.[0-9]*)?([eE][+-]?[0-9]+)?", cell) is not None


def repair_rows(cases: Iterable[Case]) -> list[list[str | float | None]]:
    """One row for each finding that asks for work or a look, worst first, then along the site from west to east.

    An exchange of two cameras is one row.
    """
    rows = []
    for case in cases:
        for finding in open_findings(case):
            if finding.told_by != finding.camera:
                continue
            decision, remedy, camera = case.decision(finding), finding.remedy, case.camera
            rows.append((STATES.index(finding.state), camera.east_m, [
                camera.camera, camera.name, finding.check, finding.state, finding.why, _short(finding.measured),
                _short(finding.measured_sd), _short(finding.planned), _short(finding.limit), finding.unit,
                remedy.action if remedy else None, remedy.field_check if remedy else None,
                "; ".join(remedy.parts) if remedy else None, " ".join(remedy.cautions) if remedy else None,
                _short(camera.east_m), _short(camera.north_m), _short(camera.height_m), finding.photo,
                decision.decision if decision else None, decision.by if decision else None,
                decision.why if decision else None,
            ]))  # fmt: skip
    return [row for _, _, row in sorted(rows, key=lambda item: (item[0], item[1], str(item[2][0])))]


def unproven_rows(items: Iterable[Unproven]) -> list[list[str | float | None]]:
    """One row for each check that is not verified."""
    return [
        [i.camera, i.check, i.reason, i.why, i.said, i.by, i.words, None if i.due is None else i.due.isoformat()]
        for i in items
    ]


def write_repairs_csv(rows: Sequence[Sequence[str | float | None]], path: Path) -> None:
    """The repairs as CSV in UTF-8 with a byte order mark, cells defused."""
    path.write_bytes(table_csv(COLUMNS, rows))


def table_csv(header: Sequence[str], rows: Iterable[Sequence[str | float | None]], defuse: bool = True) -> bytes:
    """A table as CSV in UTF-8 with a byte order mark, cells defused unless they are so already."""
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer)
    writer.writerow(header)
    writer.writerows([_cell(value) if defuse else value for value in row] for row in rows)
    return b"\xef\xbb\xbf" + buffer.getvalue().encode("utf-8")


def write_repairs_xlsx(rows: Sequence[Sequence[str | float | None]], path: Path, language: str = "en") -> None:
    """The repairs as XLSX with a fixed header row and a filter, in a language."""
    book = Workbook()
    sheet = book.active
    sheet.title = translated("repairs", language)
    sheet.append([translated(column, language) for column in COLUMNS])
    for row in rows:
        sheet.append([_cell(translated(value, language) if isinstance(value, str) else value) for value in row])
    for cell in sheet[1]:
        cell.font = Font(bold=True)
    for index, column in enumerate(COLUMNS, 1):
        letter = sheet.cell(row=1, column=index).column_letter
        sheet.column_dimensions[letter].width = _WIDTHS.get(column, 14)
    for cells in sheet.iter_rows(min_row=2):
        for cell in cells:
            cell.alignment = Alignment(wrap_text=True, vertical="top")
            if isinstance(cell.value, str):
                cell.data_type = "s"
    sheet.freeze_panes = "B2"
    sheet.auto_filter.ref = sheet.dimensions
    book.save(path)


def _cell(value: str | float | None) -> str | float | None:
    return defused(value) if isinstance(value, str) else value


def _short(value: float | None) -> float | None:
    return None if value is None else round(float(value), 3)
