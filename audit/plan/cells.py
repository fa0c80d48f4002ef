"""What the cells of a plan mean: numbers with their units, words from a list, and a clear sentence where not."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from audit.plan.catalogue import plain_words
from audit.plan.table import Cell, Problems, Row, cell_text

__all__ = ["CellReader", "Measure"]

_NUMBER = re.compile(r"^([+-]?(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?)\s*([^\d\s].*)?$", re.IGNORECASE)
#: Length units that plans are found in, in metres.
_LENGTHS = {
    "m": 1.0,
    "metre": 1.0,
    "metres": 1.0,
    "meter": 1.0,
    "meters": 1.0,
    "mm": 0.001,
    "cm": 0.01,
    "km": 1000.0,
    "ft": 0.3048,
    "feet": 0.3048,
    "foot": 0.3048,
    "'": 0.3048,
    "′": 0.3048,
    "in": 0.0254,
    "inch": 0.0254,
    '"': 0.0254,
    "″": 0.0254,
    "yd": 0.9144,
}
_ANGLES = {
    "°": 1.0,
    "deg": 1.0,
    "degree": 1.0,
    "degrees": 1.0,
    "rad": math.degrees(1),
    "gon": 0.9,
    "°n": 1.0,
    "°e": 1.0,
}
_UNITS: dict[str, dict[str, float]] = {
    "m": _LENGTHS,
    "mm": {k: v * 1000 for k, v in _LENGTHS.items()},
    "deg": _ANGLES,
    "px": {"px": 1.0, "pixel": 1.0, "pixels": 1.0},
    "px/m": {"px/m": 1.0, "ppm": 1.0, "px/ft": 1 / 0.3048},
    "": {},
}


@dataclass(frozen=True, slots=True)
class Measure:
    """What a numeric column accepts: unit, lowest and highest value (None = open), whole numbers or not."""

    unit: str
    lowest: float | None = None
    highest: float | None = None
    above: bool = False
    below: bool = False
    whole: bool = False

    @property
    def accepted(self) -> str:
        """The range in words."""
        low, high = self.lowest, self.highest
        kind = "a whole number" if self.whole else "a number"
        unit = f" {self.unit}" if self.unit else ""
        if low is not None and high is not None:
            words = f" {'above' if self.above else 'from'} {low:g} {'to below' if self.below else 'to'} {high:g}"
        elif low is not None:
            words = f" {'above' if self.above else 'from'} {low:g}"
        else:
            words = "" if high is None else f" up to {high:g}"
        return kind + words + unit

    def holds(self, value: float) -> bool:
        """Whether the value lies in the range."""
        low = self.lowest is None or value > self.lowest or (value == self.lowest and not self.above)
        high = self.highest is None or value < self.highest or (value == self.highest and not self.below)
        return low and high and (not self.whole or value == int(value))


class CellReader:
    """Reads the cells of one row, noting a problem with file, row, column, value and what is accepted."""

    def __init__(
        self, place: str, row: Row, titles: Mapping[str, str], problems: Problems, camera: str | None = None
    ) -> None:
        self.place, self.row, self.titles, self.problems, self.camera = place, row, titles, problems, camera

    def complain(
        self,
        column: str,
        message: str,
        *,
        value: object = None,
        accepted: str | None = None,
        severity: str = "error",
        remedy: str | None = None,
    ) -> None:
        """Note a problem with one cell of this row."""
        self.problems.add(
            self.place,
            message,
            row=self.row.number,
            column=self.titles.get(column, column),
            value=value,
            accepted=accepted,
            severity=severity,
            camera=self.camera,
            remedy=remedy,
        )

    def has(self, column: str) -> bool:
        """Whether the cell holds anything."""
        return column in self.row.cells

    def text(self, column: str, default: str = "") -> str:
        """The cell as text."""
        return cell_text(self.row.cells[column]) if column in self.row.cells else default

    def number(self, column: str, measure: Measure) -> float | None:
        """The cell as a number in the column's unit, None where empty or wrong (then noted)."""
        cell = self.row.cells.get(column)
        if cell is None:
            return None
        value = self._value(column, cell, measure)
        if value is None:
            return None
        if not measure.holds(value):
            self.complain(
                column,
                f"{_shown(cell)} is not {measure.accepted}{_hint(column, value)}.",
                value=cell,
                accepted=measure.accepted,
            )
            return None
        return value

    def _value(self, column: str, cell: Cell, measure: Measure) -> float | None:
        if isinstance(cell, bool) or isinstance(cell, date):
            kind = "a yes/no value" if isinstance(cell, bool) else "a date (a spreadsheet program may have changed it)"
            self.complain(column, f"{cell} is {kind}, not {measure.accepted}.", value=cell, accepted=measure.accepted)
            return None
        if isinstance(cell, (int, float)):
            try:
                value = float(cell)
            except OverflowError:
                value = math.inf
            if not math.isfinite(value):
                self.complain(column, f"{_shown(cell)} is no finite number.", value=cell, accepted=measure.accepted)
                return None
            return value
        return self._parsed(column, str(cell), measure)

    def _parsed(self, column: str, text: str, measure: Measure) -> float | None:
        plain = text.replace("−", "-").replace("\u00a0", " ").replace("\u202f", " ").strip()
        if "," in plain:
            if "." in plain or plain.count(",") > 1:
                self.complain(
                    column,
                    f"'{text}' mixes separators; write the number without thousands separators.",
                    value=text,
                    accepted=measure.accepted,
                )
                return None
            plain = plain.replace(",", ".")
        match = _NUMBER.match(plain)
        if match is None:
            self.complain(column, f"'{text}' is not {measure.accepted}.", value=text, accepted=measure.accepted)
            return None
        value = float(match.group(1))
        unit = (match.group(2) or "").strip().lower()
        if not math.isfinite(value):
            self.complain(column, f"'{text}' is no finite number.", value=text, accepted=measure.accepted)
            return None
        if unit:
            factor = _UNITS[measure.unit].get(unit)
            if factor is None:
                self.complain(column, f"'{text}' is not {measure.accepted}.", value=text, accepted=measure.accepted)
                return None
            if factor != 1.0:
                self.complain(
                    column,
                    f"'{text}' is not in {measure.unit}; write {value * factor:.4g}.",
                    value=text,
                    accepted=measure.accepted,
                )
                return None
        return value

    def choice(self, column: str, accepted: Sequence[str], also: Mapping[str, str] | None = None) -> str | None:
        """The cell as one of the accepted words (case and hyphens don't matter), None where empty or wrong."""
        if column not in self.row.cells:
            return None
        text = self.text(column)
        words = {plain_words(w): w for w in accepted} | {plain_words(k): v for k, v in (also or {}).items()}
        found = words.get(plain_words(text))
        if found is None:
            near = difflib.get_close_matches(plain_words(text), list(words), n=1)
            guess = f" Did you mean '{words[near[0]]}'?" if near else ""
            self.complain(
                column,
                f"'{text}' is not one of: {', '.join(accepted)}.{guess}",
                value=text,
                accepted=", ".join(accepted),
            )
        return found


def _shown(cell: Cell) -> str:
    return f"{cell:g}" if isinstance(cell, (int, float)) and abs(float(cell)) < 1e15 else f"'{cell}'"


def _hint(column: str, value: float) -> str:
    """A guess at what went wrong with a number out of range."""
    if column.endswith("bearing_deg"):
        return f" (a full turn is 360; {value:g} would be {value % 360:g})"
    if column.endswith("height_m") and value > 100:
        return f" (in millimetres it would be {value / 1000:g} m)"
    if column.endswith("latitude") and abs(value) <= 180:
        return " (is it a longitude, the two columns swapped?)"
    return ""
