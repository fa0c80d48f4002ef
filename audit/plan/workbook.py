"""Workbooks (XLSX) in and out, opened safely: unpacked size, entities, formulas, merged cells."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any

import openpyxl
from openpyxl.cell import WriteOnlyCell
from openpyxl.utils import get_column_letter
from openpyxl.utils.escape import escape, unescape

from audit.plan.table import Cell, Problems, Table, assemble, shortened, shown_name

__all__ = ["read_workbook", "write_xlsx"]


_MAX_UNPACKED_BYTES = 512 * 2**20

_MAX_COLUMNS = 500

_WORKBOOK_SHEETS = ("cameras", "targets", "landmarks")

_DECLARATIONS = tuple(
    text.encode(code) for text in ("<!DOCTYPE", "<!ENTITY") for code in ("utf-8", "utf-16-le", "utf-16-be")
)

_MERGED = re.compile(rb"<(?:\w+:)?mergeCell\s[^>]*?ref=\"([A-Z]+[0-9]+:[A-Z]+[0-9]+)\"")


def read_workbook(path: Path, data: bytes, problems: Problems) -> dict[str, Table]:
    """The sheets ``cameras``, ``targets`` and ``landmarks``; a lone sheet is taken for the cameras."""
    name = shown_name(path)
    parts = _safe_archive(name, data, problems)
    if parts is None:
        return {}
    tables: dict[str, Table] = {}
    try:
        book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=False, keep_links=False)
        sheets = {s.title.strip().lower(): s for s in book.worksheets}
        chosen = {w: sheets[w] for w in _WORKBOOK_SHEETS if w in sheets}
        if "cameras" not in chosen and len(sheets) == 1:
            chosen = {"cameras": next(iter(sheets.values()))}
        if "cameras" not in chosen:
            problems.add(
                name,
                "the workbook has no sheet 'cameras' (found: "
                + shortened(", ".join(s.title for s in book.worksheets))
                + ").",
                accepted="sheets cameras, targets and landmarks",
            )
            return {}
        for word, sheet in chosen.items():
            place = f"{name}, sheet {shortened(sheet.title)}"
            sheet.reset_dimensions()
            merged = _merged_ranges(parts.get(str(sheet._worksheet_path).lstrip("/"), b""))
            rows = _xlsx_rows(sheet.iter_rows(max_col=_MAX_COLUMNS), place, problems)
            key = "landmark" if word == "landmarks" else "camera"
            table = assemble(place, rows, problems, spreadsheet=True, merged=merged, id_column=key)
            if table is not None:
                tables[word] = table
    except Exception as error:  # openpyxl raises KeyError, ValueError, TypeError, ParseError and more on damage
        reason = shortened(str(error) or type(error).__name__)
        problems.add(name, f"the workbook is damaged ({reason}); save it again as .xlsx.")
    return tables


def _safe_archive(name: str, data: bytes, problems: Problems) -> dict[str, bytes] | None:
    """The worksheets' bytes, or None where the archive must not be opened."""
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        problems.add(name, "this is an old or password-protected workbook; save it as .xlsx without a password.")
        return None
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            entries = archive.infolist()
            if sum(e.file_size for e in entries) > _MAX_UNPACKED_BYTES or len(entries) > 10_000:
                problems.add(name, "the workbook unpacks to more than a plan can hold; save the cameras alone.")
                return None
            sheets = {}
            left = _MAX_UNPACKED_BYTES
            for entry in entries:
                if not entry.filename.lower().endswith((".xml", ".rels", ".vml")):
                    continue
                with archive.open(entry) as stream:
                    content = stream.read(left + 1)
                left -= len(content)
                if left < 0:
                    problems.add(name, "the workbook unpacks to more than a plan can hold; save the cameras alone.")
                    return None
                if any(mark in content for mark in _DECLARATIONS):
                    problems.add(
                        name,
                        f"'{shortened(entry.filename)}' inside the workbook declares XML entities, "
                        "which a plan never needs; save it again from a spreadsheet program.",
                    )
                    return None
                if "worksheets/" in entry.filename:
                    sheets[entry.filename] = content
            return sheets
    except Exception:  # zipfile raises many kinds for a damaged archive (BadZipFile, zlib.error, struct.error and more)
        problems.add(name, "this is no XLSX workbook, or it is damaged; save it again as .xlsx.")
        return None


def _merged_ranges(content: bytes) -> tuple[str, ...]:
    return tuple(m.decode("ascii") for m in _MERGED.findall(content))


def _xlsx_rows(rows: Iterable[Sequence[Any]], place: str, problems: Problems) -> Iterator[Sequence[Cell]]:
    for number, cells in enumerate(rows, start=1):
        values: list[Cell] = []
        for cell in cells:
            value = cell.value
            if cell.data_type == "f":
                address = f"{get_column_letter(cell.column)}{cell.row}"
                problems.add(
                    place,
                    f"cell {address} holds a formula; paste its value instead.",
                    row=number,
                    column=get_column_letter(cell.column),
                    value=getattr(value, "text", value),
                    accepted="a value",
                )
                value = None
            elif cell.data_type == "e":
                address = f"{get_column_letter(cell.column)}{cell.row}"
                problems.add(
                    place,
                    f"cell {address} holds the error {value}.",
                    row=number,
                    column=get_column_letter(cell.column),
                    value=value,
                    accepted="a value",
                )
                value = None
            elif isinstance(value, str):
                value = unescape(value)
            values.append(
                value if value is None or isinstance(value, (str, float, int, bool, date, datetime)) else str(value)
            )
        yield values


def write_xlsx(path: Path, sheets: Mapping[str, tuple[Sequence[str], Sequence[Sequence[Cell]]]]) -> None:
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
