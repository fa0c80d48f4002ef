"""Workbooks (XLSX) in and out, opened safely: unpacked size, entities; formulas, formats, strikes and hidden rows told."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any

import openpyxl
from openpyxl.cell import WriteOnlyCell
from openpyxl.cell.rich_text import CellRichText, TextBlock
from openpyxl.utils.cell import column_index_from_string, range_boundaries
from openpyxl.utils.escape import escape, unescape

from audit.errors import PlanProblem
from audit.plan.grid import Grid, Mark
from audit.plan.measures import unit_named
from audit.plan.table import MAX_ROWS, Cell, Problems, clean, shortened, shown_name

__all__ = ["read_workbook", "write_xlsx"]


_MAX_UNPACKED_BYTES = 512 * 2**20

_MAX_COLUMNS = 500
_ROWS_READ = MAX_ROWS + 400
_MAX_SHEETS = 200

_DECLARATIONS = tuple(
    text.encode(code) for text in ("<!DOCTYPE", "<!ENTITY") for code in ("utf-8", "utf-16-le", "utf-16-be")
)

_MERGED = re.compile(rb"<(?:\w+:)?mergeCell\s[^>]*?ref=\"([A-Z]+[0-9]+:[A-Z]+[0-9]+)\"")
_HIDDEN_ROW = re.compile(rb"<(?:\w+:)?row\s(?=[^>]*\bhidden=\"(?:1|true)\")[^>]*?\br=\"([0-9]+)\"")
_HIDDEN_COLUMN = re.compile(rb"<(?:\w+:)?col\s(?=[^>]*\bhidden=\"(?:1|true)\")[^>]*>")
_SPAN = re.compile(rb"\b(min|max)=\"([0-9]+)\"")
_STRUCK_RUN = re.compile(rb"<(?:\w+:)?strike\b")
_INLINE = re.compile(rb"<(?:\w+:)?c\s+r=\"([A-Z]+)([0-9]+)\"[^>]*?t=\"inlineStr\"[^>]*>(.*?)</(?:\w+:)?c>", re.DOTALL)
_STRUCK_IN_PART = "is struck through in part: write the value that counts"
_FORMULA = re.compile(rb"<(?:\w+:)?f[\s/>]")
_LITERAL = re.compile(r'"([^"]*)"|\\(.)|\[\$([^\]-]*)[^\]]*\]')


def read_workbook(path: Path, data: bytes, problems: Problems) -> list[Grid]:
    """The sheets of a workbook as they are."""
    name = shown_name(path)
    parts = _safe_archive(name, data, problems)
    if parts is None:
        return []
    grids: list[Grid] = []
    try:
        partly = any(_STRUCK_RUN.search(content) for word, content in parts.items() if not word.endswith("styles.xml"))
        book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True, keep_links=False, rich_text=partly)
        computed = any(_FORMULA.search(content) for content in parts.values())
        formulas = openpyxl.load_workbook(io.BytesIO(data), read_only=True, keep_links=False) if computed else None
        struck = any(b"strike" in content for word, content in parts.items() if word.endswith("styles.xml"))
        for sheet in book.worksheets[:_MAX_SHEETS]:
            content = parts.get(str(sheet._worksheet_path).lstrip("/"), b"")
            grid = Grid(
                name,
                shortened(clean(sheet.title)),
                hidden_rows=frozenset(int(r) for r in _HIDDEN_ROW.findall(content)),
                hidden_columns=_hidden_columns(content),
                merged=_merged_ranges(content),
                hidden=sheet.sheet_state != "visible",
            )
            _fill(grid, sheet, struck)
            _mark_struck_runs(grid, content)
            if formulas is not None:
                _mark_formulas(grid, formulas[sheet.title])
            grids.append(grid)
    except Exception as error:  # openpyxl raises KeyError, ValueError, TypeError, ParseError and more on damage
        reason = shortened(str(error) or type(error).__name__)
        problems.add(PlanProblem(name, f"the workbook is damaged ({reason}); save it again as .xlsx."))
        return []
    return grids


def _safe_archive(name: str, data: bytes, problems: Problems) -> dict[str, bytes] | None:
    """The worksheets', styles' and shared texts' bytes, or None where the archive must not be opened."""
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        problems.add(
            PlanProblem(name, "this is an old or password-protected workbook; save it as .xlsx without a password.")
        )
        return None
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            entries = archive.infolist()
            if sum(e.file_size for e in entries) > _MAX_UNPACKED_BYTES or len(entries) > 10_000:
                problems.add(
                    PlanProblem(name, "the workbook unpacks to more than a plan can hold; save the cameras alone.")
                )
                return None
            sheets = {}
            for entry in entries:
                if not entry.filename.lower().endswith((".xml", ".rels", ".vml")):
                    continue
                with archive.open(entry) as stream:  # holds no more than it says, or is damaged
                    content = stream.read(entry.file_size)
                if any(mark in content for mark in _DECLARATIONS):
                    problems.add(
                        PlanProblem(
                            name,
                            f"'{shortened(entry.filename)}' inside the workbook declares XML entities, "
                            "which a plan never needs; save it again from a spreadsheet program.",
                        )
                    )
                    return None
                if "worksheets/" in entry.filename or entry.filename.endswith(("styles.xml", "sharedStrings.xml")):
                    sheets[entry.filename] = content
            return sheets
    except Exception:  # zipfile raises many kinds for a damaged archive (BadZipFile, zlib.error, struct.error and more)
        problems.add(PlanProblem(name, "this is no XLSX workbook, or it is damaged; save it again as .xlsx."))
        return None


def _merged_ranges(content: bytes) -> tuple[tuple[int, int, int, int], ...]:
    """Merged cells as (top, left, bottom, right)."""
    spans = (range_boundaries(m.decode("ascii")) for m in _MERGED.findall(content))
    return tuple((top, left, bottom, right) for left, top, right, bottom in spans)


def _hidden_columns(content: bytes) -> frozenset[int]:
    found: set[int] = set()
    for element in _HIDDEN_COLUMN.findall(content):
        span = {key: int(value) for key, value in _SPAN.findall(element)}
        found |= set(range(span.get(b"min", 0), min(span.get(b"max", -1), _MAX_COLUMNS) + 1))
    return frozenset(found)


def _fill(grid: Grid, sheet: Any, struck: bool) -> None:
    """Values, and the marks of the few cells that carry one."""
    sheet.reset_dimensions()
    units: dict[str, str] = {}
    for number, cells in enumerate(sheet.iter_rows(max_col=_MAX_COLUMNS, max_row=_ROWS_READ), start=1):
        row: list[Cell] = []
        for column, cell in enumerate(cells, start=1):
            value = cell.value
            if value is None:
                row.append(None)
                continue
            if isinstance(value, CellRichText) and (struck_part := _struck_part(value)):
                value = str(value)
                whole = struck_part == len(value.strip())
                grid.marks[number, column] = Mark(struck=True) if whole else Mark(trouble=_STRUCK_IN_PART)
            if cell.data_type == "e":
                grid.marks[number, column] = Mark(trouble=f"holds the error {value}")
            elif isinstance(value, (str, CellRichText)):
                value = clean(unescape(str(value))).strip() or None
            elif not isinstance(value, (float, int, bool, date, datetime)):
                value = clean(str(value))
            row.append(value)
            if isinstance(value, (int, float)) and not isinstance(value, bool):
                unit = units.setdefault(cell.number_format, "") or _format_unit(cell.number_format, units)
                if unit:
                    grid.marks[number, column] = Mark(unit=unit)
            if struck and cell.font is not None and cell.font.strike:
                grid.marks[number, column] = Mark(unit=grid.mark(number, column).unit, struck=True)
        grid.rows.append(row)


def _mark_struck_runs(grid: Grid, content: bytes) -> None:
    """Texts that a sheet holds itself, with a part that is struck through."""
    for row, column, text in ((int(m[2]), column_index_from_string(m[1].decode()), m[3]) for m in _INLINE.finditer(content)):
        if _STRUCK_RUN.search(text):
            grid.marks[row, column] = Mark(trouble=_STRUCK_IN_PART)


def _struck_part(text: CellRichText) -> int:
    """How many letters of a text are struck through."""
    return sum(len(run.text.strip()) for run in text if isinstance(run, TextBlock) and run.font is not None and run.font.strike)


def _format_unit(code: str, known: dict[str, str]) -> str:
    """The unit that a number format writes behind the number, e.g. ``0.0" ft"``."""
    if code == "General" or code in known and known[code]:
        return known.get(code, "")
    literal = "".join(a or b or c for a, b, c in _LITERAL.findall(code.split(";")[0]))
    bare = _LITERAL.sub("", code.split(";")[0])
    unit = unit_named(literal) or ("%" if "%" in bare else "°" if "°" in bare else "")
    known[code] = unit
    return unit


def _mark_formulas(grid: Grid, sheet: Any) -> None:
    """Cells that are computed: their stored value is taken; where there is none, the cell says so."""
    sheet.reset_dimensions()
    for number, cells in enumerate(sheet.iter_rows(max_col=_MAX_COLUMNS, max_row=_ROWS_READ), start=1):
        for column, cell in enumerate(cells, start=1):
            if cell.value is None or cell.data_type != "f":
                continue
            old = grid.mark(number, column)
            trouble = old.trouble
            if grid.value(number, column) is None:
                while len(grid.rows) < number:
                    grid.rows.append([])
                row = grid.rows[number - 1]
                row.extend([None] * (column - len(row)))
                row[column - 1] = shortened(str(getattr(cell.value, "text", cell.value)))
                trouble = "holds a formula without a stored value; open and save it in a spreadsheet program, or type the value"
            grid.marks[number, column] = Mark(old.unit, old.struck, True, trouble)


def write_xlsx(path: Path, sheets: dict[str, tuple[Sequence[str], Sequence[Sequence[Cell]]]]) -> None:
    """Write tables as one workbook; text stays text, also where it starts with an equals sign."""
    book = openpyxl.Workbook(write_only=True)
    for word, (columns, rows) in sheets.items():
        sheet = book.create_sheet(word)
        sheet.freeze_panes = "B2"
        for row in (columns, *rows):
            line: list[Any] = []
            for value in row:
                if isinstance(value, (str, float)):
                    # numbers go as text of full length under the number type: the library would cut them to 16 digits
                    cell = WriteOnlyCell(sheet, escape(value) if isinstance(value, str) else repr(value))
                    cell.data_type = "s" if isinstance(value, str) else "n"
                    line.append(cell)
                else:
                    line.append(value)
            sheet.append(line)
    book.save(path)
