"""Separated text (CSV) in and out: any usual encoding, commas or semicolons, decimal points or commas."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from itertools import islice
from pathlib import Path

from audit.errors import PlanProblem
from audit.plan.grid import Grid, Mark
from audit.plan.table import MAX_ROWS, Cell, Problems, certain_text, clean
from audit.plan.titles import read_title

__all__ = ["decoded", "read_csv", "write_csv"]


_DELIMITERS = ",;\t|"
_LINES_LOOKED_AT = 200
_ROWS_READ = MAX_ROWS + 2 * _LINES_LOOKED_AT


def read_csv(name: str, data: bytes, problems: Problems, word: str) -> Grid:
    """One sheet, its delimiter guessed from the header; ``word`` is the table that it must be."""
    delimiter, text = _delimiter(decoded(data).replace("\x00", ""))
    marks: dict[tuple[int, int], Mark] = {}
    try:
        found = list(islice(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True), _ROWS_READ))
    except csv.Error:
        found = _line_by_line(text, delimiter, marks)
        for row, _ in marks:
            problem = "a quotation mark is not closed; look through the row's cells."
            problems.add(PlanProblem(name, problem, row=row))
    rows: list[list[Cell]] = [[clean(cell).strip() or None for cell in cells] for cells in found]
    return Grid(name, rows=rows, marks=marks, word=word)


def _line_by_line(text: str, delimiter: str, marks: dict[tuple[int, int], Mark]) -> list[list[str]]:
    """Rows of a file with a quotation mark that is never closed: each line by itself, so that one spoils no other."""
    rows: list[list[str]] = []
    for number, line in enumerate(text.splitlines()[:_ROWS_READ], start=1):
        try:
            rows.append(next(csv.reader([line], delimiter=delimiter, strict=True), []))
        except csv.Error:
            cells = line.split(delimiter)
            column = next((i for i, cell in enumerate(cells, start=1) if cell.count('"') % 2), 1)
            marks[number, column] = Mark(trouble="stands in a row with a quotation mark that is not closed")
            rows.append([cell.strip(' "') or "?" for cell in cells])
    return rows


def decoded(data: bytes) -> str:
    """Text of a file in UTF-8, UTF-16 (also without its mark) or Windows-1252."""
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
    best, most = ",", 0
    lines = text.split("\n", _LINES_LOOKED_AT)[:_LINES_LOOKED_AT]
    for delimiter in _DELIMITERS:
        known = max((_titles_in(line, delimiter) for line in lines if delimiter in line), default=0)
        if known > most:
            best, most = delimiter, known
    if most > 1:
        return best, text
    firsts = [line.split(d, 1)[0] for d in _DELIMITERS for line in lines[:40] if d in line]
    if firsts:
        sideways = {
            d: sum(_titles_in(line.split(d, 1)[0], "\n") for line in lines[:80] if d in line) for d in _DELIMITERS
        }
        if max(sideways.values()) > 2:
            return max(_DELIMITERS, key=lambda d: sideways[d]), text
    counts = {d: text[:4000].count(d) for d in _DELIMITERS}
    return max(_DELIMITERS, key=lambda d: counts[d]), text


def _titles_in(line: str, delimiter: str) -> int:
    words = {t.strip(' "\r') for t in line.split(delimiter)[:200]}
    return sum(1 for word in words if word and len(word) < 80 and read_title(word, "cameras") is not None)


def write_csv(path: Path, columns: Sequence[str], rows: Iterable[Sequence[Cell]]) -> None:
    """Write one table as CSV (UTF-8, commas, decimal points); empty for None."""
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow(["" if v is None else certain_text(v) for v in row])
    path.write_text(stream.getvalue(), encoding="utf-8", newline="")
