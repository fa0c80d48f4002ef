"""What a column of a plan accepts: a number with its unit and range, a word of a list, text, a day."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

__all__ = ["UNITS", "Choice", "Day", "Finer", "Kind", "Measure", "Pair", "Text", "unit_named"]

_FOOT_M = 0.3048
_LENGTH_NAMES: dict[str, str] = {
    "m": "m metre metres meter meters mtr mètre mètres metro metros metri",
    "mm": "mm millimetre millimetres millimeter millimeters millimètres milímetros millimetri",
    "cm": "cm centimetre centimetres centimeter centimeters zentimeter centimètres centímetros centimetri",
    "km": "km kilometre kilometres kilometer kilometers kilomètres kilómetros chilometri",
    "ft": "ft feet foot fuss fuß pied pieds pie pies piede piedi ' ′ ’",
    "in": "in inch inches zoll pouce pouces pulgada pulgadas pollice pollici \" ″ ” '' ’’",
    "yd": "yd yard yards",
}
_ANGLE_NAMES: dict[str, str] = {
    "°": "° º deg degs degree degrees grad grade degré degrés degres grado grados gradi",
    "gon": "gon gons g grads neugrad",
    "rad": "rad radian radians radiant radiants radianti radianes",
    "mil": "mil mils",
}
#: Factor of each unit to the column's own unit, by the column's unit.
_FACTORS: dict[str, dict[str, float]] = {
    "m": {"m": 1.0, "mm": 1e-3, "cm": 1e-2, "km": 1e3, "ft": _FOOT_M, "in": _FOOT_M / 12, "yd": 3 * _FOOT_M},
    "deg": {"°": 1.0, "gon": 0.9, "rad": math.degrees(1.0), "mil": 360.0 / 6400.0},
    "px": {"px": 1.0},
    "px/m": {"px/m": 1.0, "px/ft": 1.0 / _FOOT_M},
    "": {},
}
_FACTORS["mm"] = {unit: 1000.0 * factor for unit, factor in _FACTORS["m"].items()}
_OTHER_NAMES: dict[str, str] = {
    "px": "px pixel pixels píxel píxeles pxl",
    "px/m": "px/m ppm pixel/m pixels/m",
    "px/ft": "px/ft ppf",
    "%": "%",
}
#: Unit by each of its names in five languages.
UNITS: dict[str, str] = {
    name: unit
    for names in (_LENGTH_NAMES, _ANGLE_NAMES, _OTHER_NAMES)
    for unit, words in names.items()
    for name in words.split()
}


def unit_named(text: str) -> str | None:
    """The unit that a text names and nothing else, e.g. ``ft`` for ``[feet]``; None where it names none."""
    plain = text.strip().strip("()[]{}.: ").lower()
    return UNITS.get(plain)


@dataclass(frozen=True, slots=True)
class Measure:
    """What a numeric column accepts: unit, lowest and highest value (None = open), whole numbers or not.

    ``sort`` says what directions mean in it: ``bearing`` (NE), ``pitch`` (down), ``latitude``, ``longitude``, or nothing.
    """

    unit: str
    lowest: float | None = None
    highest: float | None = None
    above: bool = False
    below: bool = False
    whole: bool = False
    sort: str = ""

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

    def factor(self, unit: str) -> float | None:
        """What a number in that unit is multiplied by to be in the column's unit; None where the unit doesn't fit."""
        return _FACTORS[self.unit].get(unit)


@dataclass(frozen=True, slots=True)
class Choice:
    """One of some words; ``also`` holds other spellings and languages."""

    words: tuple[str, ...]
    also: Mapping[str, str] = field(default_factory=dict)

    @property
    def accepted(self) -> str:
        """The words."""
        return ", ".join(self.words)


@dataclass(frozen=True, slots=True)
class Finer:
    """One of the plan's words, or a finer name that the catalogue knows under it (``forms`` or ``surfaces``)."""

    kind: str
    words: tuple[str, ...]

    @property
    def accepted(self) -> str:
        """The words."""
        return ", ".join(self.words)


@dataclass(frozen=True, slots=True)
class Text:
    """Any text."""

    accepted: str = "text"


@dataclass(frozen=True, slots=True)
class Day:
    """A date."""

    accepted: str = "a date, best as 2026-04-30"


@dataclass(frozen=True, slots=True)
class Pair:
    """Two columns in one cell, as in ``1920 x 1080`` or ``46.5, -18.0``."""

    columns: tuple[str, str]
    accepted: str = "two numbers"


Kind = Measure | Choice | Finer | Text | Day | Pair
