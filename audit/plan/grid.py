"""A plan's sheet as it is: cells in rows, with what a spreadsheet adds to them (units, strikes, hidden rows, merges)."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from openpyxl.utils import get_column_letter

from audit.plan.table import Cell

__all__ = ["Grid", "Mark", "is_blank", "ranges"]


@dataclass(frozen=True, slots=True)
class Mark:
    """What a cell carries beside its value: the unit of its number format, whether it is struck through or computed.

    ``trouble`` says why its value can't be had (a formula without a stored value, an error).
    """

    unit: str = ""
    struck: bool = False
    formula: bool = False
    trouble: str = ""


@dataclass(slots=True)
class Grid:
    """One sheet.

    Attributes
    ----------
    file, sheet : str
        File name, and the sheet's title in a workbook.
    rows : list of rows
        Values, the first row being row 1.
    marks : dict of (row, column) from 1
    hidden_rows, hidden_columns : set of int
    merged : tuple of (top, left, bottom, right)
    hidden : bool
        The whole sheet.
    sideways : bool
        Rows and columns are exchanged against the file.
    features : bool
        GeoJSON: row 1 holds the property names, row n + 1 the n-th feature.
    word : str
        The table that it must be (``cameras``, ``targets``, ``landmarks``); empty where its titles tell.
    """

    file: str
    sheet: str = ""
    rows: list[list[Cell]] = field(default_factory=list)
    marks: dict[tuple[int, int], Mark] = field(default_factory=dict)
    hidden_rows: frozenset[int] = frozenset()
    hidden_columns: frozenset[int] = frozenset()
    merged: tuple[tuple[int, int, int, int], ...] = ()
    hidden: bool = False
    sideways: bool = False
    features: bool = False
    word: str = ""

    @property
    def place(self) -> str:
        """File and sheet for messages about the whole sheet."""
        if self.features:
            return f"{self.file}, features"
        return f"{self.file}, sheet {self.sheet}" if self.sheet else self.file

    def value(self, row: int, column: int) -> Cell:
        """The value at a row and column from 1, None beyond the sheet."""
        cells = self.rows[row - 1] if 0 < row <= len(self.rows) else []
        return cells[column - 1] if 0 < column <= len(cells) else None

    def mark(self, row: int, column: int) -> Mark:
        """What the cell carries beside its value."""
        return self.marks.get((row, column), _PLAIN)

    def line(self, row: int) -> int:
        """The row's number as a person counts it."""
        return row - 1 if self.features else row

    def address(self, row: int, column: int) -> str:
        """The cell as a person finds it: ``cameras!F12``, ``F12``, or ``feature 11``."""
        if self.features:
            return f"feature {row - 1}"
        if self.sideways:
            row, column = column, row
        cell = f"{get_column_letter(column)}{row}"
        return f"{self.sheet}!{cell}" if self.sheet else cell

    def turned(self) -> Grid:
        """The sheet with rows and columns exchanged."""
        width = max((len(r) for r in self.rows), default=0)
        return Grid(
            self.file,
            self.sheet,
            [[self.value(row, column) for row in range(1, len(self.rows) + 1)] for column in range(1, width + 1)],
            {(column, row): mark for (row, column), mark in self.marks.items()},
            self.hidden_columns,
            self.hidden_rows,
            tuple((left, top, right, bottom) for top, left, bottom, right in self.merged),
            self.hidden,
            not self.sideways,
            word=self.word,
        )


_PLAIN = Mark()


def is_blank(cell: Cell) -> bool:
    """Whether a cell holds nothing to read."""
    return cell is None or (isinstance(cell, str) and not cell.strip())


def ranges(grid: Grid, column: int, rows: Iterable[int]) -> str:
    """Cells of one column as ranges: ``cameras!F5:F16, F20``."""
    runs: list[tuple[int, int]] = []
    for row in sorted(set(rows)):
        if runs and row == runs[-1][1] + 1:
            runs[-1] = (runs[-1][0], row)
        else:
            runs.append((row, row))
    told: list[str] = []
    for first, last in runs:
        start = grid.address(first, column)
        end = grid.address(last, column).rsplit("!", 1)[-1]
        start = start if not told else start.rsplit("!", 1)[-1]
        told.append(start if first == last else f"{start}:{end}")
    return ", ".join(told) if len(told) <= 6 else f"{', '.join(told[:5])} and {len(told) - 5} more"
