"""From the contrast of past visits to a date by which the glass should be cleaned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

__all__ = ["Trend", "trend"]

#: Contrast ratio from which a glass is cleaned (chosen: a third of the contrast is lost).
CLEAN_BELOW = 0.7
#: Visits and days without which no line is drawn, and days beyond the last visit to which it is followed (chosen).
_FEWEST, _SHORTEST_DAYS, _FARTHEST_DAYS = 3, 45, 3 * 365
#: A jump up by more than this, and by more than so many sds of both visits, is a cleaning (chosen).
_CLEANED_STEP, _CLEANED_SDS = 0.08, 2
#: Smaller sds of a contrast ratio count as this.
_LEAST_SD = 1e-3
_TWO_SIDED_95 = 1.96
#: Days of a Julian year.
_YEAR_DAYS = 365.25


@dataclass(frozen=True, slots=True)
class Trend:
    """A robust line through the contrast ratios since the last cleaning.

    Attributes
    ----------
    change_per_year, low_per_year, high_per_year : float or None
        Slope of the contrast ratio per year and its 95 % interval; None where there are too few visits.
    clean_by : date or None
        When the line falls to the limit; None where no date can be given.
    earliest, latest : date or None
        The same at the ends of the slope's interval; ``latest`` None where it lies beyond three years.
    note : str or None
        Why there is no date, or that it has passed.
    """

    change_per_year: float | None = None
    low_per_year: float | None = None
    high_per_year: float | None = None
    clean_by: date | None = None
    earliest: date | None = None
    latest: date | None = None
    note: str | None = None


def trend(dates: Sequence[date], contrast_ratios: Sequence[float], sds: Sequence[float],
          clean_below: float = CLEAN_BELOW) -> Trend:
    """When the contrast ratio will fall to ``clean_below`` if it goes on as since the last cleaning.

    The line is Theil's (1950) and Sen's (1968): the median of the slopes of all pairs of visits, with Sen's 95 %
    interval, never narrower than the measurements' sd allow. A jump up by more than two sd and 0.08 is a cleaning.

    Parameters
    ----------
    dates : sequence of date
        Visits, in any order.
    contrast_ratios, sds : sequence of float
        Contrast against the reference and its sd, one each.
    clean_below : float
        Contrast ratio at which to clean.

    Raises
    ------
    ValueError
        If the sequences differ in length.
    """
    if not len(dates) == len(contrast_ratios) == len(sds):
        raise ValueError("dates, contrast ratios and their sds must be equally many")
    visits = sorted(zip(dates, contrast_ratios, sds, strict=True), key=lambda visit: visit[0])
    start = _last_cleaning(visits)
    since = visits[start:]
    cleaned = " since the last cleaning" if start else ""
    if len(since) < _FEWEST:
        return Trend(note=f"no date: {len(since)} visit{'s' if len(since) != 1 else ''}{cleaned}, "
                          f"at least {_FEWEST} are needed")
    span = (since[-1][0] - since[0][0]).days
    if span < _SHORTEST_DAYS:
        return Trend(note=f"no date: the visits{cleaned} span {span} days, at least {_SHORTEST_DAYS} are needed")
    return _dated(since, _line(since), clean_below)


_Visit = tuple[date, float, float]


def _last_cleaning(visits: Sequence[_Visit]) -> int:
    """Index of the first visit after the last jump up."""
    start = 0
    for index in range(1, len(visits)):
        step = visits[index][1] - visits[index - 1][1]
        if step > max(_CLEANED_STEP, _CLEANED_SDS * float(np.hypot(visits[index][2], visits[index - 1][2]))):
            start = index
    return start


@dataclass(frozen=True, slots=True)
class _Line:
    """Ratio on the first day, and its change a day with the 95 % interval; ``middle_day`` is the visits' median."""

    level: float
    slope: float
    low: float
    high: float
    middle_day: float


def _line(since: Sequence[_Visit]) -> _Line:
    from scipy.stats import theilslopes  # takes a second to import; every command would wait for it

    days = np.array([(day - since[0][0]).days for day, _, _ in since], np.float64)
    ratios = np.array([ratio for _, ratio, _ in since], np.float64)
    sd = np.maximum(np.array([s for _, _, s in since], np.float64), _LEAST_SD)
    # the 95 % interval
    slope, level, low, high = (float(v) for v in theilslopes(ratios, days, 0.95))
    weight = 1 / sd**2
    centre = float((weight * days).sum() / weight.sum())
    least = _TWO_SIDED_95 / float(np.sqrt((weight * (days - centre) ** 2).sum()))
    return _Line(level, slope, min(low, slope - least), max(high, slope + least), float(np.median(days)))


def _dated(since: Sequence[_Visit], line: _Line, clean_below: float) -> Trend:
    """The line with the dates at which it falls to the limit."""
    first, last = since[0][0], since[-1][0]
    span = (last - first).days
    middle = line.level + line.slope * line.middle_day
    per_year = (line.slope * _YEAR_DAYS, line.low * _YEAR_DAYS, line.high * _YEAR_DAYS)

    def falls(rate: float) -> date | None:
        if rate >= 0:
            return None
        wait = line.middle_day + (middle - clean_below) / -rate
        return first + timedelta(days=round(wait)) if wait <= span + _FARTHEST_DAYS else None

    if line.level + line.slope * span <= clean_below:
        return Trend(*per_year, clean_by=last, earliest=last, latest=last, note="the contrast is below the limit now")
    if line.high >= 0:
        return Trend(*per_year, note="no date: the contrast shows no steady loss that its scatter would allow to extend")
    by = falls(line.slope)
    if by is None:
        return Trend(*per_year, note="no date: at this rate the limit is more than three years away")
    return Trend(*per_year, clean_by=by, earliest=max(falls(line.low) or by, last), latest=falls(line.high))
