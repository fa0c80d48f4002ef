"""A plan's table, whatever the file format: rows of named cells with the place each stands in, and its problems."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path

from openpyxl.utils import get_column_letter
from openpyxl.utils.cell import range_boundaries

from audit.errors import PlanProblem

__all__ = [
    "MAX_ROWS",
    "Cell",
    "Problems",
    "Row",
    "Table",
    "assemble",
    "cell_text",
    "clean",
    "column_key",
    "number_text",
    "shortened",
    "shown_name",
]


Cell = str | float | int | bool | date | None

#: A site of more cameras than this is not one site; the limit keeps a broken file from filling the memory.
MAX_ROWS = 50_000

_MAX_BLANK_ROWS = 10_000

_MAX_PROBLEMS = 1_000

HEADER_SEARCH_ROWS = 20

_HEADERS = {
    "camera": "camera, name, latitude, longitude, height_m, bearing_deg, …",
    "landmark": "landmark, east_m, north_m, up_m, position_sd_m",
}

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
        text = None if value is None else shortened(str(value))
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


def shortened(text: str, most: int = 60) -> str:
    """Text on one line, cut with an ellipsis."""
    flat = " ".join(text.split())
    return flat if len(flat) <= most else flat[: most - 1] + "…"


def clean(text: str) -> str:
    """Text without lone surrogates, which no file can hold."""
    return _SURROGATES.sub("�", text)


def cell_text(value: Cell) -> str:
    """A cell as text, whole numbers without a decimal point."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (datetime, date, time)):
        return value.isoformat()
    return "" if value is None else number_text(value)


def number_text(value: Cell) -> str:
    """A number as text that reads back as the same number; whole numbers without a decimal point."""
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return repr(value) if isinstance(value, float) else str(value)


def _is_blank(cell: Cell) -> bool:
    return cell is None or (isinstance(cell, str) and not cell.strip())


def assemble(
    place: str,
    rows: Iterable[Sequence[Cell]],
    problems: Problems,
    *,
    spreadsheet: bool,
    merged: tuple[str, ...] = (),
    id_column: str = "camera",
) -> Table | None:
    """A table from raw rows: the header is the first row with a cell ``id_column``; None where there is none."""
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
            if not any(isinstance(c, str) and column_key(c) == id_column for c in cells):
                if number < HEADER_SEARCH_ROWS:
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
            f"the table has no header row with a column '{id_column}'"
            + (" (the sheet is empty)." if not found and not titles and spreadsheet else "."),
            accepted=_HEADERS[id_column],
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
        title = clean(str(cell)).strip()
        key = column_key(title)
        if key in titles:
            problems.add(
                place,
                f"the column '{shortened(title)}' stands there twice; keep one.",
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
        found[key] = clean(cell).strip() if isinstance(cell, str) else cell
    return found
