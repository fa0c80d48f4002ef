"""From the contrast of past visits to a date by which the glass should be cleaned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

__all__ = ["Trend", "trend"]

CLEAN_BELOW = 0.7
_FEWEST = 3
_SHORTEST_DAYS = 45
_FARTHEST_DAYS = 3 * 365
_CLEANED_STEP = 0.08


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
    start = 0
    for index in range(1, len(visits)):
        step = visits[index][1] - visits[index - 1][1]
        if step > max(_CLEANED_STEP, 2 * float(np.hypot(visits[index][2], visits[index - 1][2]))):
            start = index
    since = visits[start:]
    cleaned = " since the last cleaning" if start else ""
    if len(since) < _FEWEST:
        return Trend(note=f"no date: {len(since)} visit{'s' if len(since) != 1 else ''}{cleaned}, "
                          f"at least {_FEWEST} are needed")
    first, last = since[0][0], since[-1][0]
    if (last - first).days < _SHORTEST_DAYS:
        return Trend(note=f"no date: the visits{cleaned} span {(last - first).days} days, "
                          f"at least {_SHORTEST_DAYS} are needed")
    from scipy.stats import theilslopes  # takes a second to import; every command would wait for it

    days = np.array([(day - first).days for day, _, _ in since], np.float64)
    ratios = np.array([ratio for _, ratio, _ in since], np.float64)
    sd = np.maximum(np.array([s for _, _, s in since], np.float64), 1e-3)
    slope, level, low, high = (float(v) for v in theilslopes(ratios, days, 0.95))
    weight = 1 / sd**2
    centre = float((weight * days).sum() / weight.sum())
    least = 1.96 / float(np.sqrt((weight * (days - centre) ** 2).sum()))
    low, high = min(low, slope - least), max(high, slope + least)
    per_year = (slope * 365.25, low * 365.25, high * 365.25)
    middle_day = float(np.median(days))
    middle = level + slope * middle_day

    def falls(rate: float) -> date | None:
        if rate >= 0:
            return None
        wait = middle_day + (middle - clean_below) / -rate
        return first + timedelta(days=round(wait)) if wait <= (last - first).days + _FARTHEST_DAYS else None

    if level + slope * float(days[-1]) <= clean_below:
        return Trend(*per_year, clean_by=last, earliest=last, latest=last, note="the contrast is below the limit now")
    if high >= 0:
        return Trend(*per_year, note="no date: the contrast shows no steady loss that its scatter would allow to extend")
    by = falls(slope)
    if by is None:
        return Trend(*per_year, note="no date: at this rate the limit is more than three years away")
    return Trend(*per_year, clean_by=by, earliest=max(falls(low) or by, last), latest=falls(high))
