"""Columns of words: one of a list, a name of the catalogue, dates, and two numbers in one cell."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime

from audit.plan.catalogue import finer_name, nearest_name, plain_words, translated
from audit.plan.columns import by_key
from audit.plan.grid import is_blank
from audit.plan.layout import Heading, Sheet
from audit.plan.measures import Choice, Day, Finer, Measure, Pair, Text
from audit.plan.quantities import plain_letters, quantities
from audit.plan.table import Cell, Row, cell_text
from audit.plan.voice import Voice

__all__ = ["WordReader"]

_EMPTY = frozenset(("-", "–", "—", "--", "n/a", "n.a.", "k.a.", "s.o."))
_SIZE = re.compile(r"^\s*(\d{2,5})\s*(?:px)?\s*[x×*X/]\s*(\d{2,5})\s*(?:px|pixels?)?\s*$")
#: Names of picture sizes that stand for one size alone (ITU-R BT.709 and BT.2020; SMPTE ST 296).
_SIZES = {
    "1080p": (1920, 1080), "full hd": (1920, 1080), "fullhd": (1920, 1080), "fhd": (1920, 1080), "720p": (1280, 720),
    "uhd": (3840, 2160), "4k uhd": (3840, 2160), "2160p": (3840, 2160),
}  # fmt: skip
_MONTHS = {
    name: number
    for number, names in enumerate(
        ("jan january januar janvier enero gennaio ene gen", "feb february februar fevrier febrero febbraio fev",
         "mar march marz mars marzo mrz", "apr april avril abril aprile abr avr", "may mai mayo maggio mag",
         "jun june juni juin junio giugno giu", "jul july juli juillet julio luglio lug", "aug august aout agosto ago",
         "sep sept september septembre septiembre settembre set", "oct october oktober octobre octubre ottobre okt ott",
         "nov november novembre noviembre", "dec december dezember decembre diciembre dicembre dez dic"), start=1)
    for name in names.split()
}  # fmt: skip
_NUMBERS = re.compile(r"^(\d{1,4})[./\- ]+(\d{1,2})[./\- ]+(\d{2,4})(?:[T ]+\d{1,2}:\d{2}(?::\d{2})?)?$")


@dataclass(slots=True)
class WordReader:
    """Reads one column that is not numeric."""

    sheet: Sheet
    heading: Heading
    key: str
    kind: Choice | Finer | Text | Day | Pair
    voice: Voice
    put: Callable[[Row, int, str, Cell], None]

    def read(self, rows: list[Row], lines: list[int]) -> None:
        """Every cell of the column."""
        order = self._day_order(lines) if isinstance(self.kind, Day) else ""
        for row, line in zip(rows, lines, strict=True):
            cell = self.sheet.grid.value(line, self.heading.column)
            if is_blank(cell):
                continue
            row.where[self.key] = self.sheet.grid.address(line, self.heading.column)
            mark = self.sheet.grid.mark(line, self.heading.column)
            if mark.trouble:
                row.raw[self.key] = cell_text(cell)
                self.voice.question(row, line, cell, mark.trouble)
                continue
            text = cell_text(cell)
            if not isinstance(self.kind, Text) and text.strip().lower() in _EMPTY:
                continue
            match self.kind:
                case Text():
                    self._text(row, line, cell)
                case Choice():
                    self._choice(row, line, text, self.kind)
                case Finer():
                    self._finer(row, line, text, self.kind)
                case Day():
                    self._day(row, line, cell, order)
                case Pair():
                    self._pair(row, line, text, self.kind)
        self.voice.flush()

    def _text(self, row: Row, line: int, cell: Cell) -> None:
        if self.key == "camera" and isinstance(cell, date):
            row.raw[self.key] = cell_text(cell)
            self.put(row, line, self.key, cell_text(cell))
            self.voice.question(
                row,
                line,
                cell,
                "is a date, which a spreadsheet program may have made of an id such as 3-5; type the id as text",
            )
            return
        self.put(row, line, self.key, cell_text(cell))

    def _unknown(self, row: Row, line: int, text: str, near: str | None, accepted: str) -> None:
        """An unknown word: a warning with a guess, and the camera alone waits."""
        if near is not None and self.voice.take:
            self.put(row, line, self.key, near)
            self.voice.note(row, line, text, f"is no word that is known here; '{near}' is taken")
            return
        row.raw[self.key] = text
        guess = f" Did you mean '{near}'?" if near else ""
        self.voice.question(
            row, line, text, f"is no word that is known here, so the camera waits.{guess}", accepted, "warning"
        )

    def _choice(self, row: Row, line: int, text: str, kind: Choice) -> None:
        words = {plain_words(plain_letters(w)): w for w in kind.words}
        words |= {plain_words(plain_letters(k)): v for k, v in kind.also.items()}
        plain = plain_words(plain_letters(text)).strip(". ")
        if plain in words:
            self.put(row, line, self.key, words[plain])
            return
        near = difflib.get_close_matches(plain, list(words), n=1, cutoff=0.7)
        held = [w for name, w in words.items() if f" {name} " in f" {plain} "]
        self._unknown(
            row, line, text, words[near[0]] if near else held[0] if len(set(held)) == 1 else None, kind.accepted
        )

    def _finer(self, row: Row, line: int, text: str, kind: Finer) -> None:
        if finer_name(kind.kind, text) is not None:
            self.put(row, line, self.key, text.strip())
            return
        plain = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c)).strip()
        word = plain if finer_name(kind.kind, plain) is not None else translated(kind.kind, text)
        if word is not None:
            self.put(row, line, self.key, word)
            self.voice.note(row, line, text, f"is read as '{word}'")
            return
        self._unknown(row, line, text, nearest_name(kind.kind, text), kind.accepted)

    def _day_order(self, lines: list[int]) -> str:
        """Whether the column's dates can only be read with the day or the month first; empty where nothing tells."""
        said: set[str] = set()
        for line in lines:
            cell = self.sheet.grid.value(line, self.heading.column)
            match = _NUMBERS.match(cell.strip()) if isinstance(cell, str) else None
            if match is None or len(match.group(1)) > 2:
                continue
            first, second = int(match.group(1)), int(match.group(2))
            if isinstance(cell, str) and "." in cell:
                said.add("day")
            elif first > 12 >= second:
                said.add("day")
            elif second > 12 >= first:
                said.add("month")
        return said.pop() if len(said) == 1 else ""

    def _day(self, row: Row, line: int, cell: Cell, order: str) -> None:
        if isinstance(cell, date):
            self.put(row, line, self.key, cell.date() if isinstance(cell, datetime) else cell)
            return
        text = cell_text(cell).strip()
        found = _dates(text)
        if len(found) == 2 and order:
            found = [found[0] if order == "day" else found[1]]
            self.voice.note(
                row, line, text, f"is read with the {order} first, as other dates of the column can only be"
            )
        if len(found) == 1:
            self.put(row, line, self.key, found[0])
            return
        self.put(row, line, self.key, text)
        if found:
            first, second = found
            self.voice.warn(
                row,
                line,
                text,
                f"is {first:%d %B %Y} or {second:%d %B %Y}; it is kept as it is: write {first} or {second}",
            )
        else:
            self.voice.warn(row, line, text, f"is not {self.kind.accepted}; it is kept as it is")

    def _pair(self, row: Row, line: int, text: str, kind: Pair) -> None:
        for values in _pairs(text, kind):
            for column, value in zip(kind.columns, values, strict=True):
                self.put(row, line, column, value)
            return
        row.raw[self.key] = text
        self.voice.question(row, line, text, f"is not {kind.accepted} for {' and '.join(kind.columns)}", kind.accepted)


def _dates(text: str) -> list[date]:
    """The dates that a text may be: one, or two where day and month can be exchanged (day first, then month first)."""
    match = _NUMBERS.match(text)
    if match is not None:
        first, second, third = (int(g) for g in match.groups())
        if len(match.group(1)) == 4:
            orders = [(first, second, third)]
        else:
            year = third + 2000 if third < 100 else third
            orders = [(year, second, first)] if "." in text else [(year, second, first), (year, first, second)]
        return list(dict.fromkeys(d for order in orders if (d := _date(*order)) is not None))
    words = re.findall(r"\d+|[a-z]+", plain_letters(text))
    months = [_MONTHS[w] for w in words if w in _MONTHS]
    figures = [int(w) for w in words if w.isdigit()]
    if len(months) == 1 and len(figures) == 2:
        day, year = (figures[1], figures[0]) if figures[0] > 31 else figures
        return [d for d in (_date(year + 2000 if year < 100 else year, months[0], day),) if d is not None]
    return []


def _date(year: int, month: int, day: int) -> date | None:
    try:
        return date(year, month, day)
    except ValueError:
        return None


def _pairs(text: str, kind: Pair) -> list[tuple[float, float]]:
    """The two numbers of a cell; empty where there are not just two that fit."""
    first, second = (by_key("cameras")[column].kind for column in kind.columns)
    assert isinstance(first, Measure) and isinstance(second, Measure)
    size = _SIZE.match(text)
    named = _SIZES.get(" ".join(text.lower().split()))
    if first.unit == "px":
        found = (float(size.group(1)), float(size.group(2))) if size else named
        return (
            [(float(found[0]), float(found[1]))] if found and first.holds(found[0]) and second.holds(found[1]) else []
        )
    for splitter in (r"\s*[;|\n]\s*", r"\s+/\s+", r",\s+", r"(?<=[NSns])[\s,]*(?=[\d EWOewo])", r"\s+", r","):
        parts = [p for p in re.split(splitter, text.strip(" ()[]")) if p]
        if len(parts) != 2:
            continue
        one = [q for q in quantities(parts[0], first) if first.holds(q.value)]
        two = [q for q in quantities(parts[1], second) if second.holds(q.value)]
        if len(one) == 1 and len(two) == 1 and one[0].sense in (None, "n", "s") and two[0].sense in (None, "e", "w"):
            return [
                (
                    -one[0].value if one[0].sense == "s" else one[0].value,
                    -two[0].value if two[0].sense == "w" else two[0].value,
                )
            ]
    return []
