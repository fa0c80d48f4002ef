"""An empty plan to fill in: the columns that a camera needs, notes, lists to choose from, and an example row."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import openpyxl
from openpyxl.comments import Comment
from openpyxl.styles import Alignment, Font, PatternFill
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.datavalidation import DataValidation

from audit.errors import PlanError, PlanProblem
from audit.plan.columns import Column, TableWord, columns_of
from audit.plan.measures import Choice, Finer, Measure
from audit.plan.model import PURPOSE_PX_PER_M
from audit.plan.table import shown_name
from audit.plan.writing import Sheets, put_sheets

__all__ = ["EXAMPLE", "write_template"]

#: Id of the row that shows how a plan is filled in; a reader leaves it out.
EXAMPLE = "EXAMPLE"
_ROWS_WITH_LISTS = 2000
_HEADER_FILL = PatternFill("solid", fgColor="D9E5EE")
_EXAMPLE_FONT = Font(italic=True, color="666666")


def write_template(path: str | Path) -> None:
    """Write an empty plan by the file's ending; the example row is left out when it is read.

    Raises
    ------
    PlanError
        If the file is there already, its ending is no plan's, or it can't be written.
    """
    path = Path(path)
    if path.exists():
        raise PlanError((PlanProblem(shown_name(path), "is there already and is not written over; name a new file."),))
    if path.suffix.lower() != ".xlsx":
        put_sheets(Sheets([_example("cameras")], [_example("targets")], []), path)
        return
    book = openpyxl.Workbook()
    book.remove(book.active)
    for word in ("cameras", "targets", "landmarks"):
        _put_sheet(book, word)
    try:
        book.save(path)
    except OSError as error:
        raise PlanError(
            (PlanProblem(shown_name(path), f"can't be written ({error.strerror}); choose another folder."),)
        ) from error


def _asked(word: TableWord) -> list[Column]:
    return [c for c in columns_of(word) if word != "cameras" or c.asked]


def _example(word: TableWord) -> dict[str, Any]:
    asked = _asked(word)
    return {c.key: EXAMPLE if c is asked[0] else c.example for c in asked}


def _put_sheet(book: Any, word: TableWord) -> None:
    sheet = book.create_sheet(word)
    sheet.freeze_panes = "B2"
    for number, column in enumerate(_asked(word), start=1):
        letter = get_column_letter(number)
        head = sheet.cell(1, number, column.key)
        head.font, head.fill, head.alignment = Font(bold=True), _HEADER_FILL, Alignment(wrap_text=True)
        head.comment = Comment(f"{column.meaning}\n{column.kind.accepted}", "photo-audit", width=320, height=120)
        sheet.column_dimensions[letter].width = max(12, len(column.key) + 3)
        example = sheet.cell(2, number, EXAMPLE if number == 1 else column.example)
        example.font = _EXAMPLE_FONT
        rule = _rule(column)
        if rule is not None:
            sheet.add_data_validation(rule)
            rule.add(f"{letter}3:{letter}{_ROWS_WITH_LISTS}")


def _rule(column: Column) -> DataValidation | None:
    """The list to choose from, or the range, that a spreadsheet program keeps to (as a hint, never a wall)."""
    kind = column.kind
    words = tuple(PURPOSE_PX_PER_M) if column.key == "purpose" else ()
    if isinstance(kind, (Choice, Finer)):
        words = kind.words
    if words:
        rule = DataValidation("list", formula1=f'"{",".join(words)}"', allow_blank=True, showErrorMessage=False)
    elif isinstance(kind, Measure) and kind.lowest is not None and kind.highest is not None:
        rule = DataValidation(
            type="whole" if kind.whole else "decimal",
            operator="between",
            formula1=str(kind.lowest),
            formula2=str(kind.highest),
            allow_blank=True,
            showErrorMessage=True,
            errorStyle="warning",
        )
    else:
        return None
    rule.error, rule.errorTitle = f"{column.key}: {kind.accepted}", "photo-audit"
    return rule
