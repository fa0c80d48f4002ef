"""A plan's table in its plain form, whatever the file looked like: typed cells by column, and its problems."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

from audit.errors import PlanProblem

__all__ = [
    "MAX_ROWS",
    "Cell",
    "Problems",
    "Row",
    "Table",
    "cell_text",
    "certain_text",
    "clean",
    "column_key",
    "number_text",
    "shortened",
    "shown_name",
]


Cell = str | float | int | bool | date | None

#: A site of more cameras than this is not one site; the limit keeps a broken file from filling the memory.
MAX_ROWS = 50_000

_MAX_PROBLEMS = 1_000

_SURROGATES = re.compile("[\ud800-\udfff]")


def shown_name(path: Path) -> str:
    """File name for messages, with bytes that are no text escaped."""
    raw = path.name.encode("utf-8", "surrogateescape")
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in raw.decode("utf-8", "backslashreplace"))


def column_key(title: str) -> str:
    """A column title as it is compared: lower case, words joined by underscores."""
    return re.sub(r"[\s\-]+", "_", title.strip().lower())


@dataclass(slots=True)
class Row:
    """One row in plain form.

    Attributes
    ----------
    number : int
        As a spreadsheet shows it.
    line : int
        Its place on the sheet, from 1.
    cells : dict
        Values by column, in the column's unit and words; unknown columns by their own title.
    raw : dict
        Text of the cells that could not be taken, as the file has them, with the unit that they were meant in.
    reasons : list of str
        Why the row waits; empty where it may be used.
    where : dict
        Address of each cell.
    dropped : bool
        Whether it is left out (struck through, a copy).
    suspected : set of str
        Columns whose value looks odd; those that ``as_written`` names are left alone.
    """

    number: int
    line: int = 0
    cells: dict[str, Cell] = field(default_factory=dict)
    raw: dict[str, str] = field(default_factory=dict)
    reasons: list[str] = field(default_factory=list)
    where: dict[str, str] = field(default_factory=dict)
    dropped: bool = False
    suspected: set[str] = field(default_factory=set)

    def wait(self, reason: str) -> None:
        """Note why the row waits, each reason once."""
        if reason not in self.reasons:
            self.reasons.append(reason)

    def number_in(self, column: str) -> float | None:
        """A numeric cell, None where it is empty or could not be read."""
        value = self.cells.get(column)
        return float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else None

    def text(self, column: str, default: str = "") -> str:
        """A cell as text."""
        return cell_text(self.cells[column]) if column in self.cells else default

    def has(self, column: str) -> bool:
        """Whether the file has something in that cell, taken or not."""
        return column in self.cells or column in self.raw


@dataclass(slots=True)
class Table:
    """A table in plain form.

    Attributes
    ----------
    place : str
        File and sheet for messages.
    titles : dict
        The file's own title of each column.
    rows : list of Row
    extras : tuple of str
        Keys of the columns that the plan does not know, in the file's order.
    language : str
        Of most of its titles.
    grid, at
        The sheet it was read from, and where each column stands on it: its number and its title.
    ground_sea_m : float or None
        The level above the sea, in metres, from which the ground of all rows counts; None where heights count from the ground.
    """

    place: str
    titles: dict[str, str]
    rows: list[Row]
    extras: tuple[str, ...] = ()
    language: str = "en"
    grid: Any = None
    at: dict[str, tuple[int, str]] = field(default_factory=dict)
    ground_sea_m: float | None = None


class Problems:
    """Collects problems in the order found, up to a limit, so that one broken file can't fill the memory."""

    def __init__(self) -> None:
        self._found: list[PlanProblem] = []
        self._left_out = 0
        self._serious = False

    def add(self, problem: PlanProblem) -> None:
        """Note one problem; its value is shown on one line, shortened."""
        self._serious = self._serious or problem.severity == "error"
        if len(self._found) >= _MAX_PROBLEMS:
            self._left_out += 1
            return
        self._found.append(problem)

    @property
    def serious(self) -> bool:
        """Whether any of them is an error."""
        return self._serious

    def all(self) -> tuple[PlanProblem, ...]:
        """Everything found; a last line says how many more there were beyond the limit."""
        if not self._left_out:
            return tuple(self._found)
        return (
            *self._found,
            PlanProblem(
                self._found[-1].file,
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


_LOOKS_GROUPED = re.compile(r"-?[1-9]\d{0,2}\.\d{3}")


def certain_text(value: Cell) -> str:
    """A cell as text that no reader takes for another number: never three digits behind a point, as thousands have."""
    text = cell_text(value)
    return text + "0" if isinstance(value, float) and _LOOKS_GROUPED.fullmatch(text) else text
