"""Numeric columns: every cell to the column's unit, or a note, a guess, a question."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

from audit.plan.grid import Grid, is_blank
from audit.plan.layout import Heading, Sheet
from audit.plan.measures import Measure
from audit.plan.quantities import Quantity, compass_deg, plain_letters, quantities
from audit.plan.table import Cell, Row, cell_text
from audit.plan.titles import Title
from audit.plan.voice import Voice

__all__ = ["NumberReader", "decimal_of"]

_EMPTY = frozenset(
    ("-", "–", "—", "--", "/", ".", "n/a", "na", "n.a.", "k.a.", "s.o.", "none", "keine", "nil", "entfällt")
)
_OPEN = frozenset(
    (
        "?",
        "??",
        "???",
        "tbc",
        "tbd",
        "tba",
        "offen",
        "open",
        "x",
        "à définir",
        "por definir",
        "da definire",
        "unknown",
        "unbekannt",
    )
)
#: Words for the two pitches that have a name, in degrees.
_POSES = {
    **dict.fromkeys(("level", "horizontal", "waagerecht", "waagrecht", "orizzontale"), 0.0),
    **dict.fromkeys(
        (
            "straight down",
            "vertical",
            "vertically down",
            "senkrecht",
            "senkrecht nach unten",
            "verticale",
            "a la verticale",
            "verticale verso il basso",
        ),
        -90.0,
    ),
}
_ONE_NUMBER = re.compile(r"^[^\d%\-−]*([\-−]?\d+(?:[.,]\d+)?)[^\d%]*$")
#: Beginnings of the months' names in five languages, in plain letters.
_MONTHS: tuple[tuple[str, ...], ...] = (
    ("jan", "ene", "gen"), ("feb", "fev"), ("mar", "mrz"), ("apr", "avr", "abr"), ("mai", "may", "mag"), ("jun", "juin", "giu"),
    ("jul", "juil", "lug"), ("aug", "aou", "ago"), ("sep", "set"), ("oct", "okt", "ott"), ("nov",), ("dec", "dez", "dic"),
)  # fmt: skip
_DAY_AND_MONTH = re.compile(r"^([0-3]?\d)[. \-/]+([a-z]{3,9})\.?$")
_LIMIT = re.compile(r"[<>≤≥]|(?<![a-z])(min|max|at least|at most|up to|mind|mindestens|höchstens|maximal|minimal|jusqu|al menos|almeno|hasta)(?![a-z])")
_LOWEST_M = 0.5  # our default: no camera hangs lower, where a number can be read in two ways
_COORDINATE = re.compile(r"^(-?\d{1,3})((?:[.,' ]\d{3})+)$")


def decimal_of(grid: Grid, column: int, rows: list[int], measure: Measure) -> set[str]:
    """The decimal signs that a column's texts can't be read without."""
    found: set[str] = set()
    for row in rows:
        cell = grid.value(row, column)
        if isinstance(cell, str) and ("." in cell or "," in cell):
            read = quantities(cell, measure)
            if len(read) == 1 and read[0].decimal is not None:
                found.add(read[0].decimal)
    return found


@dataclass(slots=True)
class NumberReader:
    """Reads one numeric column.

    Attributes
    ----------
    key : str
        The plan's column.
    measure : Measure
        What it accepts.
    unit : str or None
        Unit that title or sheet give; None for the column's own.
    decimal : str or None
        The decimal sign that the column's, or else the sheet's, other cells show.
    put : callable
        Keeps a value in its row.
    """

    sheet: Sheet
    heading: Heading
    title: Title
    key: str
    measure: Measure
    unit: str | None
    decimal: str | None
    voice: Voice
    put: Callable[[Row, int, str, float], None]
    magnetic: set[int]

    def read(self, rows: list[Row], lines: list[int]) -> None:
        """Every cell of the column."""
        self._say_unit(rows, lines)
        far: list[tuple[Row, int, Cell, float]] = []
        for row, line in zip(rows, lines, strict=True):
            cell = self.sheet.grid.value(line, self.heading.column)
            mark = self.sheet.grid.mark(line, self.heading.column)
            if is_blank(cell) or (isinstance(cell, str) and cell.strip().lower() in _EMPTY):
                continue
            row.where[self.key] = self.sheet.grid.address(line, self.heading.column)
            if mark.trouble:
                self._ask(row, line, cell, mark.trouble)
            elif self.unit is not None and self.measure.factor(self.unit) is None:
                self._foreign_unit(row, line, cell)
            elif isinstance(cell, bool):
                self._ask(row, line, cell, f"is a yes/no value, not {self.measure.accepted}")
            elif isinstance(cell, (int, float)):
                if mark.formula:
                    self.voice.note(row, line, cell, "is computed by a formula; its stored value is taken")
                value = self._number(row, line, cell, mark.unit)
                if value is not None and not self._take(row, line, cell, value):
                    far.append((row, line, cell, value))
            elif isinstance(cell, date):
                self._date(row, line, cell)
            elif (found := self._text(row, line, str(cell))) is not None and not self._take(row, line, cell, found):
                far.append((row, line, cell, found))
        self._far(far)
        self.voice.flush()

    def _foreign_unit(self, row: Row, line: int, cell: Cell) -> None:
        """The title names a unit that the column can't have; a slope in percent can be an angle."""
        read = quantities(cell_text(cell), self.measure)
        if self.unit == "%" and self.measure.sort == "pitch" and len(read) == 1:
            angle = round(math.degrees(math.atan(read[0].value / 100)), 6)
            message = "is in percent, as its title says, not in degrees"
            self.voice.guess(row, line, cell, message, "it is a slope, 100 % being 45°", lambda: self.put(row, line, self.key, angle))
            return
        self._ask(row, line, cell, f"is in {self.unit}, as its title says, which is no unit of this column")

    def _say_unit(self, rows: list[Row], lines: list[int]) -> None:
        factor = self.measure.factor(self.unit) if self.unit else 1.0
        if factor in (None, 1.0) or not rows:
            return
        for row, line in zip(rows, lines, strict=True):
            cell = self.sheet.grid.value(line, self.heading.column)
            if isinstance(cell, (int, float)) or (isinstance(cell, str) and re.fullmatch(r"[\d.,+\-−\s]+", cell)):
                self.voice.note(
                    row,
                    line,
                    cell,
                    f"counts in {self.unit}, as its title or the sheet says; it is turned to {self.measure.unit}",
                )

    def _number(self, row: Row, line: int, cell: float, format_unit: str) -> float | None:
        """A spreadsheet's number in the column's unit; None where its format says another unit than its title."""
        try:
            value = float(cell)
        except OverflowError:
            value = math.inf
        if not math.isfinite(value):
            self._ask(row, line, cell, "is no finite number")
            return None
        unit = self.unit
        if format_unit and (factor := self.measure.factor(format_unit)) is not None:
            stated = self.measure.factor(self.title.unit) if self.title.unit else 1.0 if self.title.exact else None
            if stated is not None and stated != factor:
                turned = round(value * factor, 9)
                self.voice.guess(row, line, cell, f"is formatted in {format_unit}, and the title says {self.title.unit or self.measure.unit}", f"it is in {format_unit}",
                                 lambda: self.put(row, line, self.key, turned))  # fmt: skip
                return None
            if factor != 1.0:
                self.voice.note(row, line, cell, f"is formatted in {format_unit}; it is turned to {self.measure.unit}")
            unit = format_unit
        elif format_unit == "%":
            self._ask(row, line, cell, f"is formatted in percent, not {self.measure.accepted}")
            return None
        return self._signed(_turned(value, (self.measure.factor(unit) if unit else None) or 1.0), None)

    def _date(self, row: Row, line: int, cell: date) -> None:
        meant = float(f"{cell.day}.{cell.month}")
        if self.measure.holds(meant):
            self._offer_date(row, line, cell, meant)
        else:
            self._ask(row, line, cell, f"is a date, which a spreadsheet program may have made of a number; not {self.measure.accepted}")

    def _offer_date(self, row: Row, line: int, cell: Cell, meant: float) -> None:
        self.voice.guess(
            row,
            line,
            cell,
            f"is a date, which a spreadsheet program may have made of a number; not {self.measure.accepted}",
            "day and month are the number, as in 3.5 for 3 May",
            lambda: self.put(row, line, self.key, meant),
        )

    def _text(self, row: Row, line: int, text: str) -> float | None:
        """A text in the column's unit; None where it was said that it can't be taken."""
        if text.strip().lower() in _OPEN:
            self._ask(row, line, text, "is still open")
            return None
        point = compass_deg(text, self.sheet.language) if self.measure.sort == "bearing" else None
        if point is not None:
            self.voice.note(
                row, line, text, "names a point of the compass, which stands for the degrees of its middle (NE = 45)"
            )
            return point
        if self.measure.sort == "pitch" and (named := _POSES.get(" ".join(plain_letters(text).split()))) is not None:
            self.voice.note(row, line, text, "is read as level (0) or straight down (90 downwards)")
            return named if self.key == "pitch_deg" else -named
        read = quantities(text, self.measure)
        if not read:
            self._unread(row, line, text)
            return None
        chosen = self._chosen(row, line, text, read)
        if chosen is None:
            return None
        value = self._evaluated(row, line, text, chosen)
        if value is not None and chosen.vague:
            self.voice.guess(
                row,
                line,
                text,
                "is only about that much",
                "it is that much",
                lambda: self.put(row, line, self.key, value),
            )
            return None
        return value

    def _unread(self, row: Row, line: int, text: str) -> None:
        if (meant := _month_number(text)) is not None and self.measure.holds(meant):
            self._offer_date(row, line, text, meant)
            return
        if _LIMIT.search(text.lower()):
            self._ask(row, line, text, "is a limit, not the value")
            return
        one = _ONE_NUMBER.match(text)
        alone = quantities(one.group(1), self.measure) if one else ()
        words = f"is not {self.measure.accepted}"
        if len(re.findall(r"\d+(?:[.,]\d+)?", text)) > 1 and re.search(
            r"\d\s*(?:[/;&+]|-|–|and|und|et|y|e|to|bis|or|oder|\n)\s*-?\d", text
        ):
            words = "holds two numbers; a plan has one row a camera and one number a cell"
        if self.key == "sensor_width_mm" and "/" in text:
            words = (
                "is a sensor's type, not its width in millimetres; the data sheet's angle of view (hfov_deg) is better"
            )
        elif len(alone) == 1 and self.measure.holds(alone[0].value) and not self.unit:
            value = alone[0].value
            self.voice.guess(
                row,
                line,
                text,
                words,
                "the number in it",
                lambda: self.put(row, line, self.key, self._signed(value, None) or 0.0),
            )
            return
        self._ask(row, line, text, words)

    def _chosen(self, row: Row, line: int, text: str, read: tuple[Quantity, ...]) -> Quantity | None:
        """The reading that the column's other cells, or the column's range, decide for."""
        if len(read) == 1:
            return read[0]
        fits = [q for q in read if self.measure.holds(q.value * self._factor(q))]
        if self.key == "height_m" and len(fits) > 1:
            fits = [q for q in fits if q.value * self._factor(q) >= _LOWEST_M] or fits
        by_others = next((q for q in read if q.decimal == self.decimal), None) if self.decimal else None
        if by_others is not None and (by_others in fits or not fits):
            if self.decimal == ",":
                self.voice.note(row, line, text, "is read with a comma for decimals, as other cells are written")
            return by_others
        if self.decimal is None and len(fits) == 1:
            self.voice.note(
                row,
                line,
                text,
                "could be read with a decimal sign or with one for thousands; only one lies in the column's range, and that is taken",
            )
            return fits[0]
        if by_others is not None and len(fits) == 1:
            value = fits[0].value * self._factor(fits[0])
            self.voice.guess(
                row,
                line,
                text,
                "is out of range, read as the other cells are",
                "its sign is the other one",
                lambda: self.put(row, line, self.key, value),
            )
            return None
        low, high = sorted(q.value for q in read)
        self._ask(
            row,
            line,
            text,
            f"is {low:g} or {high:g}: is that sign for decimals or for thousands? No other cell tells; write {low:.4f} or {high:.0f}",
        )
        return None

    def _factor(self, q: Quantity) -> float:
        unit = q.unit or self.unit
        return (self.measure.factor(unit) if unit else None) or 1.0

    def _evaluated(self, row: Row, line: int, text: str, q: Quantity) -> float | None:
        """The quantity in the column's unit and sign; directions count."""
        if q.unit and self._factor(q) != 1.0:
            self.voice.note(row, line, text, f"is in {q.unit}; it is turned to {self.measure.unit}")
        value = _turned(q.value, self._factor(q))
        if q.north == "magnetic":
            self.magnetic.add(id(row))
        if self.measure.sort == "bearing" and q.sense is not None:
            turned = _quadrant(value, q.sense)
            if turned is None:
                self._ask(row, line, text, f"is not {self.measure.accepted}")
            return turned
        if self.measure.sort in ("latitude", "longitude") and q.sense is not None:
            if q.sense in ("e", "w", "o") if self.measure.sort == "latitude" else q.sense in ("n", "s"):
                self._ask(
                    row, line, text, "names a hemisphere of the other coordinate; are latitude and longitude exchanged?"
                )
                return None
            if q.sense == "o" and self.sheet.language not in ("de", "fr", "es", "it"):
                self._ask(
                    row, line, text, "'O' is east in German and west in French, Spanish and Italian; write E or W"
                )
                return None
            west = q.sense in ("s", "w") or (q.sense == "o" and self.sheet.language != "de")
            return -abs(value) if west else value
        if q.sense is not None and self.measure.sort == "pitch":
            down = (q.sense == "down") != (self.key == "tilt_down_deg")
            return -abs(value) if down else abs(value)
        if q.sense in ("left", "counter"):
            return -abs(value)
        return self._signed(value, q.sense)

    def _signed(self, value: float, sense: str | None) -> float:
        """The sign that the title gives: ``Longitude W``."""
        western_o = "o" in self.title.words and self.sheet.language in ("fr", "es", "it")
        if sense is None and (western_o or {"west", "south"} & self.title.words):
            return -abs(value)
        return value

    def _take(self, row: Row, line: int, cell: Cell, value: float) -> bool:
        """Keeps a value that lies in the range; for what doesn't, False, or what is known of such slips is offered."""
        if self.measure.holds(value):
            self.put(row, line, self.key, value)
            return True
        if self.measure.sort == "bearing" and 360 < value <= 400 and self.unit is None:
            self._ask(
                row,
                line,
                cell,
                f"is more than a full turn of 360: is it {value % 360:g}, or in gon ({value * 0.9:g}°)?",
            )
            return True
        if self.measure.sort == "bearing" and -360 <= value < 720:
            self.voice.guess(
                row,
                line,
                cell,
                "is not within a full turn of 0 to below 360",
                "the same direction within a full turn",
                lambda: self.put(row, line, self.key, value % 360.0),
            )
            return True
        if self.measure.sort in ("latitude", "longitude"):
            text = cell_text(cell)
            split = _COORDINATE.match(text)
            meant = float(f"{split.group(1)}.{re.sub(r'[^0-9]', '', split.group(2))}") if split else None
            if meant is not None and self.measure.holds(meant):
                self.voice.guess(
                    row,
                    line,
                    cell,
                    "has signs for thousands in a coordinate, as a spreadsheet program puts them",
                    "the first of them is the decimal sign",
                    lambda: self.put(row, line, self.key, meant),
                )
                return True
        return False

    def _far(self, far: list[tuple[Row, int, Cell, float]]) -> None:
        """Values out of range: the unit that would bring all of them in, where there is just one."""
        if not far:
            return
        values = [abs(v) for *_, v in far]
        unit, factor = self._other_unit(values)
        for row, line, cell, value in far:
            if unit:
                self.voice.guess(
                    row,
                    line,
                    cell,
                    f"is not {self.measure.accepted}",
                    f"the numbers are in {unit}",
                    _putter(self.put, row, line, self.key, round(value * factor, 9)),
                )
            else:
                self._ask(row, line, cell, self._why_far(value), self.measure.accepted)

    def _other_unit(self, values: list[float]) -> tuple[str, float]:
        if self.key == "height_m":
            whole = all(v == int(v) for v in values)
            if whole and all(1500 <= v <= 15_000 for v in values):
                return "mm", 0.001
            if whole and all(200 < v <= 1500 for v in values) and (len(values) == 1 or max(values) - min(values) >= 20):
                return "cm", 0.01
        return "", 1.0

    def _why_far(self, value: float) -> str:
        words = f"is not {self.measure.accepted}"
        if self.key == "height_m" and value > 200:
            return f"{words}; is it above the sea, or in millimetres?"
        if self.key == "latitude" and abs(value) <= 180:
            return f"{words}; is it a longitude?"
        if self.key in ("east_m", "north_m", "target_east_m", "target_north_m") and abs(value) > 100_000:
            return "is a coordinate of a large grid; name the grid in the title, as in 'UTM 32N' or 'EPSG:25832'"
        return words

    def _ask(self, row: Row, line: int, cell: Cell, message: str, accepted: str | None = None) -> None:
        if self.key in ("focal_mm", "sensor_width_mm") and row.number_in("hfov_deg") is not None:
            row.cells[self.key] = cell_text(cell)
            self.voice.note(row, line, cell, f"{message}; the angle of view is given, so it is kept as text")
            return
        row.raw[self.key] = _raw(cell, self.unit)
        self.voice.question(row, line, cell, message, accepted or self.measure.accepted)


def _month_number(text: str) -> float | None:
    """``3. Feb`` as the 3.2 that a spreadsheet program made a date of; None where it is no day and month."""
    found = _DAY_AND_MONTH.match(plain_letters(text).strip())
    month = None if found is None else next((n for n, names in enumerate(_MONTHS, start=1) if found[2].startswith(names)), None)
    return None if found is None or month is None else float(f"{int(found[1])}.{month}")


def _turned(value: float, factor: float) -> float:
    """A value in another unit, without the digits that multiplying adds."""
    return value if factor == 1.0 else round(value * factor, 9)


def _putter(
    put: Callable[[Row, int, str, float], None], row: Row, line: int, key: str, value: float
) -> Callable[[], None]:
    return lambda: put(row, line, key, value)


def _raw(cell: Cell, unit: str | None) -> str:
    """A cell as text with the unit that it was meant in, so that it can't be read in another later."""
    text = cell_text(cell)
    return f"{text} {unit}" if unit and re.fullmatch(r"[\d.,+\-−\s]+", text) else text


def _quadrant(value: float, sense: str) -> float | None:
    """``N 45 E`` and its like in degrees from north."""
    if not 0 <= value <= 90:
        return None
    return {"n e": value, "s e": 180 - value, "s w": 180 + value, "n w": (360 - value) % 360}.get(sense)
