"""Numbers and days as the catalogue's language writes them."""

from __future__ import annotations

from datetime import date, datetime

from ui.parts.words import word

__all__ = ["amount", "day", "figure", "limit_of", "minute", "with_interval"]

_BAND = 1.96
_PERCENT = ("share", "probability", "fraction")
_SIGNED = ("deg",)


def amount(value: float, unit: str | None, signed: bool = True) -> str:
    """A value with its unit."""
    if unit in _PERCENT:
        return f"{_number(100 * value, 0)} %"
    if unit == "deg":
        sign = "+" if signed and round(value, 1) > 0 else ""
        return f"{sign}{_number(value, 1)}°"
    digits = 0 if unit == "px" else 2
    return f"{_number(value, digits)} {unit or ''}".strip()


def with_interval(value: float, sd: float | None, unit: str | None, signed: bool = True) -> str:
    """A value with its 95 % interval."""
    shown = amount(value, unit, signed)
    return shown if sd is None else f"{shown} ± {amount(_BAND * sd, unit, signed=False)}"


def figure(value: float, digits: int, signed: bool = False) -> str:
    """A bare number; a signed one says + as well."""
    return f"{'+' if signed and round(value, digits) > 0 else ''}{_number(value, digits)}"


def limit_of(value: float, unit: str | None) -> str:
    """A limit; angles may be off to either side."""
    return f"± {amount(value, unit, signed=False)}" if unit in _SIGNED else amount(value, unit, signed=False)


def day(value: date) -> str:
    """A day."""
    return value.strftime(word("numbers.day"))


def minute(value: datetime) -> str:
    """A day and time, UTC."""
    return f"{value.strftime(word('numbers.minute'))} UTC"


def _number(value: float, digits: int) -> str:
    text = f"{value:z,.{digits}f}".replace("-", "−")
    marks = {",": word("numbers.thousands"), ".": word("numbers.decimal")}
    return "".join(marks.get(c, c) for c in text)
