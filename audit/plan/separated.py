"""Separated text (CSV) in and out: any usual encoding, commas or semicolons, decimal points or commas."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from audit.plan.table import HEADER_SEARCH_ROWS, Cell, Problems, Table, assemble, column_key, number_text

__all__ = ["decoded", "read_csv", "write_csv"]


_DELIMITERS = ",;\t|"


def read_csv(place: str, data: bytes, problems: Problems, id_column: str = "camera") -> Table | None:
    """One table, its delimiter guessed from the header; None where there is no header."""
    delimiter, text = _delimiter(decoded(data).replace("\x00", ""), id_column)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    return assemble(place, _csv_rows(reader, place, problems), problems, spreadsheet=False, id_column=id_column)


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


def _delimiter(text: str, id_column: str) -> tuple[str, str]:
    """The delimiter, and the text without a spreadsheet's ``sep=`` line (its row still counts)."""
    first = text.split("\n", 1)[0].strip().strip('"')
    if first.lower().startswith("sep=") and len(first) == 5:
        return first[4], "\n" + text.split("\n", 1)[1] if "\n" in text else ""
    for line in text.split("\n", HEADER_SEARCH_ROWS)[:HEADER_SEARCH_ROWS]:
        keys = {d: [column_key(t.strip(' "\r')) for t in line.split(d)] for d in _DELIMITERS}
        best = max(_DELIMITERS, key=lambda d: ((id_column in keys[d]), len(keys[d])))
        if id_column in keys[best]:
            return best, text
    counts = {d: text[:4000].count(d) for d in _DELIMITERS}
    return max(_DELIMITERS, key=lambda d: counts[d]), text


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


def write_csv(path: Path, columns: Sequence[str], rows: Iterable[Sequence[Cell]]) -> None:
    """Write one table as CSV (UTF-8, commas, decimal points); empty for None."""
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow(["" if v is None else number_text(v) for v in row])
    path.write_text(stream.getvalue(), encoding="utf-8", newline="")
