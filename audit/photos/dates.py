"""Dates and times as people and devices write them: every reading that a text allows, none chosen by guess."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

__all__ = ["Order", "WrittenTime", "readings", "without_times"]

#: What a written date begins with; without a word for the month, all but a whole year can be mistaken.
Order = Literal["year first", "day first", "month first"]

_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
#: What a reader of print takes for figures and signs (common practice, no source).
_PLAIN = str.maketrans({"：": ":", "／": "/", "－": "-", "—": "-", "–": "-", "．": ".", "，": ",", "　": " ", "年": "-", "月": "-", "日": " "})
_FIGURES = str.maketrans("OoQIl|", "000111")
_MISREAD = re.compile(r"(?<=[\d:/.-])[OoQIl|](?=[\d:/. -]|$)|(?<![A-Za-z])[OoQIl|](?=\d[\d:/.-])")
_SEPARATOR = r"\s?[-/.,]\s?"
#: Months as they are read, with the figures that print takes for letters.
_NAMED = r"jan|feb|mar|apr|may|jun|ju[l1]|aug|[s5]ep|[o0]ct|n[o0]v|dec"
_LETTERS = str.maketrans("015", "ols")
_BEFORE, _AFTER = rf"(?P<leading>{_NAMED})[a-z]*\.?", rf"(?P<following>{_NAMED})[a-z]*\.?"
_WEEKDAY = r"(?:[\s,(]*(?P<weekday>" + "|".join(_WEEKDAYS) + r")[a-z]*[\s,).]*|[\s,(]*星期.[\s,)]*)?"
_TIME = r"(?P<hour>\d{1,2})\s?[:.;]\s?(?P<minute>[0-5]\d)(?:\s?[:.;]\s?(?P<second>[0-5]\d))?(?!\d)(?:\s?(?P<half>[AaPp])\.?\s?[Mm])?"
#: ISO 8601's T between date and time, taken for a figure.
_MISREAD_T = r"[17](?=\d\d\s?[:.;]\s?\d\d)"
_DATES = (
    r"(?P<a>(?:19|20)\d\d)" + _SEPARATOR + r"(?P<b>\d{1,2})" + _SEPARATOR + r"(?P<c>\d\d|\d(?!\d))",
    r"(?P<a>(?<!\d)\d|\d\d)" + _SEPARATOR + r"(?P<b>\d{1,2})" + _SEPARATOR + r"(?P<c>(?:19|20)\d\d)",
    r"(?P<a>(?<!\d)\d|\d\d)[\s./,-]*" + _AFTER + r"[\s./,-]*(?P<c>(?:19|20)\d\d|\d\d)",
    _BEFORE + r"[\s./-]*(?P<a>\d\d|\d(?!\d))[\s./,-]+(?P<c>(?:19|20)\d\d)",
    _BEFORE + r"[\s./-]*(?P<a>\d\d)\s?,?\s?(?P<c>(?:19|20)\d\d)",
    r"(?P<a>\d\d)" + _SEPARATOR + r"(?P<b>\d\d)" + _SEPARATOR + r"(?P<c>\d\d)(?!\s?[:.;]?\d\d\d)",
)
_BOTH = tuple(
    re.compile(pattern, re.IGNORECASE)
    for date in _DATES
    for pattern in (rf"{_WEEKDAY}{date}(?:[T\s,]*|{_MISREAD_T}){_WEEKDAY.replace('weekday', 'weekday2')}{_TIME}", rf"{_TIME}[\s,]+{_WEEKDAY}{date}")
)
_CENTURY = 2000


@dataclass(frozen=True, slots=True)
class WrittenTime:
    """One reading of a date and time, without a time zone.

    Attributes
    ----------
    order : Order
        In which the date would be written then.
    seconds : bool
        Whether the text gives them.
    plain : bool
        Nobody can mistake day and month: all four figures of the year come first, or the month is a word.
    """

    moment: datetime
    order: Order
    seconds: bool = True
    plain: bool = False


def readings(text: str) -> tuple[WrittenTime, ...]:
    """Every date with its time that a text can mean: none, one, or one for each order that gives a day of the calendar.

    A weekday beside the date leaves those that fall on it.

    Examples
    --------
    >>> [r.order for r in readings("04/03/2026 15:30:05")]
    ['day first', 'month first']
    >>> [str(r.moment) for r in readings("Wed 04/03/2026 03:30 PM")]
    ['2026-03-04 15:30:00']
    """
    match = _match(_plain(text))
    return () if match is None else tuple(dict.fromkeys(_read(match)))


def without_times(text: str) -> str:
    """What is left of a text when its date and time are taken out."""
    plain = _plain(text)
    match = _match(plain)
    if match is None:
        return text.strip()
    return f"{plain[: match.start()]} {plain[match.end() :]}".strip(" -_|,")


def _plain(text: str) -> str:
    return _MISREAD.sub(lambda found: found.group().translate(_FIGURES), text.translate(_PLAIN))


def _match(text: str) -> re.Match[str] | None:
    for pattern in _BOTH:
        match = pattern.search(text)
        if match is not None:
            return match
    return None


def _read(match: re.Match[str]) -> Iterator[WrittenTime]:
    parts = match.groupdict()
    hour, minute, second = int(parts["hour"]), int(parts["minute"]), int(parts["second"] or 0)
    if parts["half"]:
        if not 1 <= hour <= 12:
            return
        hour = hour % 12 + (12 if parts["half"].lower() == "p" else 0)
    weekday = (parts.get("weekday") or parts.get("weekday2") or "").lower()
    for order, year, month, day in _days(parts):
        try:
            moment = datetime(year, month, day, hour, minute, second)  # noqa: DTZ001
        except ValueError:
            continue
        if not weekday or _WEEKDAYS[moment.weekday()] == weekday:
            plain = len(parts["a"] or "") == 4 or bool(parts.get("leading") or parts.get("following"))
            yield WrittenTime(moment, order, parts["second"] is not None, plain)


def _days(parts: dict[str, str | None]) -> Iterator[tuple[Order, int, int, int]]:
    """Order, year, month and day of each way to read a date."""
    first, second, third = parts["a"] or "", parts.get("b") or "", parts["c"] or ""
    leading, following = parts.get("leading"), parts.get("following")
    named = leading or following
    if named is not None:
        yield ("day first" if leading is None else "month first"), _year(third), _MONTHS.index(named.lower().translate(_LETTERS)) + 1, int(first)
        return
    if len(first) == 4:
        yield "year first", int(first), int(second), int(third)
        return
    yield "day first", _year(third), int(second), int(first)
    yield "month first", _year(third), int(first), int(second)
    if len(third) == 2:
        yield "year first", _year(first), int(second), int(third)


def _year(text: str) -> int:
    return int(text) if len(text) == 4 else _CENTURY + int(text)
