"""Plan files as plain tables: rows of named cells with the place each stands in, whatever the file format.

What a cell means is decided elsewhere; here a file is opened safely (size, rows, archives that unpack to too much,
external entities, formulas, merged cells) and every problem names its cell.
"""

from __future__ import annotations

import csv
import io
import json
import re
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

import openpyxl
from openpyxl.cell import WriteOnlyCell
from openpyxl.utils import get_column_letter
from openpyxl.utils.cell import range_boundaries
from openpyxl.utils.escape import escape, unescape

from audit.errors import PlanProblem

__all__ = [
    "MAX_ROWS",
    "Cell",
    "Problems",
    "Row",
    "Table",
    "cell_text",
    "column_key",
    "read_tables",
    "shown_name",
    "write_csv",
    "write_json",
    "write_xlsx",
]

Cell = str | float | int | bool | date | None

#: A site of more cameras than this is not one site; the limit keeps a broken file from filling the memory.
MAX_ROWS = 50_000
_MAX_BYTES = 64 * 2**20
_MAX_UNPACKED_BYTES = 512 * 2**20
_MAX_COLUMNS = 500
_MAX_BLANK_ROWS = 10_000
_MAX_PROBLEMS = 1_000
_HEADER_SEARCH_ROWS = 20
_WORKBOOK_SHEETS = ("cameras", "targets")
_DELIMITERS = ",;\t|"
_DECLARATIONS = tuple(
    text.encode(code) for text in ("<!DOCTYPE", "<!ENTITY") for code in ("utf-8", "utf-16-le", "utf-16-be")
)
_MERGED = re.compile(rb"<(?:\w+:)?mergeCell\s[^>]*?ref=\"([A-Z]+[0-9]+:[A-Z]+[0-9]+)\"")
_SURROGATES = re.compile("[\ud800-\udfff]")


def shown_name(path: Path) -> str:
    """File name for messages, with bytes that are no text escaped."""
    raw = path.name.encode("utf-8", "surrogateescape")
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in raw.decode("utf-8", "backslashreplace"))


def column_key(title: str) -> str:
    """A column title as it is compared: lower case, words joined by underscores."""
    return re.sub(r"[\s\-]+", "_", title.strip().lower())


@dataclass(frozen=True, slots=True)
class Row:
    """One row: its number as a spreadsheet shows it, and its non-empty cells by column key."""

    number: int
    cells: dict[str, Cell]


@dataclass(frozen=True, slots=True)
class Table:
    """A table with its place for messages (file, and sheet if any); ``titles`` keeps the file's own spelling."""

    place: str
    titles: dict[str, str]
    rows: tuple[Row, ...]


class Problems:
    """Collects problems in the order found, up to a limit, so that one broken file can't fill the memory."""

    def __init__(self) -> None:
        self._found: list[PlanProblem] = []
        self._left_out = 0
        self._serious = False

    def add(
        self,
        place: str,
        message: str,
        *,
        row: int | None = None,
        column: str | None = None,
        value: object = None,
        accepted: str | None = None,
        severity: str = "error",
        camera: str | None = None,
        remedy: str | None = None,
    ) -> None:
        """Note one problem; ``value`` is shown as text, shortened."""
        self._serious = self._serious or severity == "error"
        if len(self._found) >= _MAX_PROBLEMS:
            self._left_out += 1
            return
        text = None if value is None else _shortened(str(value))
        self._found.append(
            PlanProblem(
                place,
                message,
                row=row,
                column=column,
                value=text,
                accepted=accepted,
                severity=severity,
                camera=camera,
                remedy=remedy,
            )
        )

    @property
    def serious(self) -> bool:
        """Whether any of them keeps the plan from being used."""
        return self._serious

    def all(self) -> tuple[PlanProblem, ...]:
        """Everything found; a last line says how many more there were beyond the limit."""
        if not self._left_out:
            return tuple(self._found)
        last = self._found[-1]
        return (
            *self._found,
            PlanProblem(
                last.file,
                f"{self._left_out} more problems are not listed; correct these first.",
                severity="error" if self._serious else "warning",
            ),
        )


def _shortened(text: str, most: int = 60) -> str:
    flat = " ".join(text.split())
    return flat if len(flat) <= most else flat[: most - 1] + "…"


def _clean(text: str) -> str:
    return _SURROGATES.sub("�", text)


def read_tables(path: Path, problems: Problems) -> dict[str, Table]:
    """Tables of a plan file by name (``cameras``, and ``targets`` where there are any).

    A CSV's targets come from ``NAME.targets.csv`` beside it. What can't be read is noted in ``problems``.
    """
    name = shown_name(path)
    suffix = path.suffix.lower()
    readers = {
        ".csv": _csv_tables,
        ".tsv": _csv_tables,
        ".txt": _csv_tables,
        ".xlsx": _xlsx_tables,
        ".xlsm": _xlsx_tables,
        ".geojson": _geojson_tables,
        ".json": _geojson_tables,
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


def _decoded(data: bytes) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", "replace")
    head = data[:400]
    if head[1::2].count(0) > len(head) // 4:
        return data.decode("utf-16-le", "replace")
    if head[0::2].count(0) > len(head) // 4:
        return data.decode("utf-16-be", "replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", "replace")


def _delimiter(text: str) -> tuple[str, str]:
    """The delimiter, and the text without a spreadsheet's ``sep=`` line (its row still counts)."""
    first = text.split("\n", 1)[0].strip().strip('"')
    if first.lower().startswith("sep=") and len(first) == 5:
        return first[4], "\n" + text.split("\n", 1)[1] if "\n" in text else ""
    for line in text.split("\n", _HEADER_SEARCH_ROWS)[:_HEADER_SEARCH_ROWS]:
        keys = {d: [column_key(t.strip(' "\r')) for t in line.split(d)] for d in _DELIMITERS}
        best = max(_DELIMITERS, key=lambda d: (("camera" in keys[d]), len(keys[d])))
        if "camera" in keys[best]:
            return best, text
    counts = {d: text[:4000].count(d) for d in _DELIMITERS}
    return max(_DELIMITERS, key=lambda d: counts[d]), text


def _csv_tables(path: Path, data: bytes, problems: Problems) -> dict[str, Table]:
    tables = {}
    table = _csv_table(shown_name(path), data, problems)
    if table is not None:
        tables["cameras"] = table
    beside = path.with_name(path.stem + ".targets" + path.suffix)
    if beside.exists():
        more = _bytes_of(beside, problems)
        if more is not None and more.strip():
            table = _csv_table(shown_name(beside), more, problems)
            if table is not None:
                tables["targets"] = table
    return tables


def _csv_table(place: str, data: bytes, problems: Problems) -> Table | None:
    delimiter, text = _delimiter(_decoded(data).replace("\x00", ""))
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    return _table(place, _csv_rows(reader, place, problems), problems, spreadsheet=False)


def _csv_rows(reader: Iterator[list[str]], place: str, problems: Problems) -> Iterator[Sequence[Cell]]:
    number = 0
    while True:
        number += 1
        try:
            yield next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            problems.add(
                place, f"the row can't be taken apart ({error}); look for an unclosed quotation mark.", row=number
            )
            return


def _xlsx_tables(path: Path, data: bytes, problems: Problems) -> dict[str, Table]:
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
                + _shortened(", ".join(s.title for s in book.worksheets))
                + ").",
                accepted="sheets cameras and targets",
            )
            return {}
        for word, sheet in chosen.items():
            place = f"{name}, sheet {_shortened(sheet.title)}"
            sheet.reset_dimensions()
            merged = _merged_ranges(parts.get(str(sheet._worksheet_path).lstrip("/"), b""))
            rows = _xlsx_rows(sheet.iter_rows(max_col=_MAX_COLUMNS), place, problems)
            table = _table(place, rows, problems, spreadsheet=True, merged=merged)
            if table is not None:
                tables[word] = table
    except Exception as error:  # openpyxl raises KeyError, ValueError, TypeError, ParseError and more on damage
        reason = _shortened(str(error) or type(error).__name__)
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
                        f"'{_shortened(entry.filename)}' inside the workbook declares XML entities, "
                        "which a plan never needs; save it again from a spreadsheet program.",
                    )
                    return None
                if "worksheets/" in entry.filename:
                    sheets[entry.filename] = content
            return sheets
    except (zipfile.BadZipFile, OSError, EOFError, NotImplementedError, RuntimeError, ValueError, zipfile.LargeZipFile):
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


def _is_blank(cell: Cell) -> bool:
    return cell is None or (isinstance(cell, str) and not cell.strip())


def _table(
    place: str, rows: Iterable[Sequence[Cell]], problems: Problems, *, spreadsheet: bool, merged: tuple[str, ...] = ()
) -> Table | None:
    titles: dict[str, str] = {}
    keys: list[str | None] = []
    found: list[Row] = []
    header_row = 0
    blank = 0
    for number, cells in enumerate(rows, start=1):
        if all(map(_is_blank, cells)):
            blank += 1
            if blank > _MAX_BLANK_ROWS:
                break
            continue
        blank = 0
        if not header_row:
            if not any(isinstance(c, str) and column_key(c) == "camera" for c in cells):
                if number < _HEADER_SEARCH_ROWS:
                    continue
                break
            header_row = number
            keys = _header(place, number, cells, titles, problems)
            continue
        if len(found) >= MAX_ROWS:
            problems.add(
                place, f"the table has more than {MAX_ROWS:,} rows; a plan holds one site: split it.", row=number
            )
            return None
        found.append(Row(number, _row_cells(place, number, keys, cells, problems)))
    if not header_row:
        problems.add(
            place,
            "the table has no header row with a column 'camera'"
            + (" (the sheet is empty)." if not found and not titles and spreadsheet else "."),
            accepted="camera, name, latitude, longitude, height_m, bearing_deg, …",
        )
        return None
    for span in merged:
        left, top, right, bottom = range_boundaries(span)
        if bottom >= header_row:
            column = get_column_letter(left)
            problems.add(
                place,
                f"cells {span} are merged, so that their rows can't be told apart; unmerge them and fill in each cell.",
                row=max(top, header_row),
                column=column,
                value=span,
                accepted="single cells",
            )
    return Table(place, titles, tuple(found))


def _header(
    place: str, number: int, cells: Sequence[Cell], titles: dict[str, str], problems: Problems
) -> list[str | None]:
    keys: list[str | None] = []
    for index, cell in enumerate(cells):
        if _is_blank(cell):
            keys.append(None)
            continue
        title = _clean(str(cell)).strip()
        key = column_key(title)
        if key in titles:
            problems.add(
                place,
                f"the column '{_shortened(title)}' stands there twice; keep one.",
                row=number,
                column=title,
                value=get_column_letter(index + 1),
            )
            keys.append(None)
            continue
        titles[key] = title
        keys.append(key)
    return keys


def _row_cells(
    place: str, number: int, keys: Sequence[str | None], cells: Sequence[Cell], problems: Problems
) -> dict[str, Cell]:
    found: dict[str, Cell] = {}
    for index, cell in enumerate(cells):
        if _is_blank(cell):
            continue
        key = keys[index] if index < len(keys) else None
        if key is None:
            problems.add(
                place,
                f"the cell {get_column_letter(index + 1)}{number} stands under no column title; give "
                "the column a title, or look for an unquoted separator.",
                row=number,
                column=get_column_letter(index + 1),
                value=cell,
            )
            break
        found[key] = _clean(cell).strip() if isinstance(cell, str) else cell
    return found


def _geojson_tables(path: Path, data: bytes, problems: Problems) -> dict[str, Table]:
    name = shown_name(path)
    try:
        document = json.loads(_decoded(data), parse_constant=lambda word: word)
    except (ValueError, RecursionError) as error:
        where = f", line {error.lineno}" if isinstance(error, json.JSONDecodeError) else ""
        problems.add(name, f"this is no valid JSON{where}; export the plan again.")
        return {}
    features = document.get("features") if isinstance(document, dict) else None
    if not isinstance(document, dict) or document.get("type") != "FeatureCollection" or not isinstance(features, list):
        problems.add(
            name,
            "a GeoJSON plan is a FeatureCollection with one Point feature a camera (RFC 7946).",
            accepted="FeatureCollection",
        )
        return {}
    if len(features) > MAX_ROWS:
        problems.add(name, f"the file has more than {MAX_ROWS:,} features; a plan holds one site: split it.")
        return {}
    place = f"{name}, features"
    rows: dict[str, list[Row]] = {"cameras": [], "targets": []}
    titles: dict[str, dict[str, str]] = {"cameras": {}, "targets": {}}
    for number, feature in enumerate(features, start=1):
        found = _feature(place, number, feature, problems)
        if found is None:
            continue
        cells, own = found
        kind = cells.pop("feature", None) or (
            "target"
            if {"camera", "target"} <= set(cells) and not ({"bearing_deg", "height_m"} & set(cells))
            else "camera"
        )
        word = "targets" if kind == "target" else "cameras"
        for key, title in own.items():
            if key != "feature":
                titles[word].setdefault(key, title)
        rows[word].append(Row(number, cells))
    if not rows["cameras"] and not problems.serious:
        problems.add(name, "the file has no camera features.")
    return {word: Table(place, titles[word], tuple(rows[word])) for word in rows if rows[word]}


def _feature(
    place: str, number: int, feature: Any, problems: Problems
) -> tuple[dict[str, Cell], dict[str, str]] | None:
    if not isinstance(feature, dict) or feature.get("type") != "Feature":
        problems.add(place, "this is no GeoJSON feature.", row=number, accepted="Feature")
        return None
    properties = feature.get("properties") or {}
    if not isinstance(properties, dict):
        problems.add(place, "the feature's properties are no object.", row=number, column="properties")
        return None
    cells: dict[str, Cell] = {}
    titles: dict[str, str] = {}
    for title, value in properties.items():
        key = column_key(_clean(title))
        if isinstance(value, (dict, list)):
            value = json.dumps(value, ensure_ascii=False)
        if value is None or (isinstance(value, str) and not value.strip()):
            continue
        titles[key] = _clean(title)
        cells[key] = _clean(value).strip() if isinstance(value, str) else value
    geometry = feature.get("geometry")
    if geometry is None:
        return cells, titles
    point = geometry.get("coordinates") if isinstance(geometry, dict) else None
    numbers = (
        isinstance(point, list)
        and len(point) in (2, 3)
        and all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in point)
    )
    if not isinstance(geometry, dict) or geometry.get("type") != "Point" or not numbers or point is None:
        problems.add(
            place,
            "a camera or target is a Point with [longitude, latitude].",
            row=number,
            column="geometry",
            value=json.dumps(geometry)[:60],
            accepted="Point",
        )
        return None
    cells["longitude"], cells["latitude"] = point[0], point[1]
    titles["longitude"], titles["latitude"] = "longitude", "latitude"
    return cells, titles


def write_csv(path: Path, columns: Sequence[str], rows: Iterable[Sequence[Cell]]) -> None:
    """Write one table as CSV (UTF-8, commas, decimal points); empty for None."""
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow(["" if v is None else _number_text(v) for v in row])
    path.write_text(stream.getvalue(), encoding="utf-8", newline="")


def _number_text(value: Cell) -> str:
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return repr(value) if isinstance(value, float) else str(value)


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


def write_json(path: Path, document: dict[str, Any]) -> None:
    """Write a JSON document (UTF-8, readable)."""
    path.write_text(json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False) + "\n", encoding="utf-8")


def cell_text(value: Cell) -> str:
    """A cell as text, whole numbers without a decimal point."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (datetime, date, time)):
        return value.isoformat()
    return "" if value is None else _number_text(value)
