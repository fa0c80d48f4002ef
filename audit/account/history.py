"""A camera's comparisons with its references over all visits, and when its glass will need cleaning."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np

from audit.account.case import case_of
from audit.logbook import Logbook

__all__ = ["Cleaning", "cleaning_due", "history_rows"]

_BAND = 1.96
_LEAST_SD = 0.01
_LONGEST = timedelta(days=3 * 365)


@dataclass(frozen=True, slots=True)
class Cleaning:
    """When local contrast reaches the limit for cleaning.

    Attributes
    ----------
    on, earliest, latest : date or None
        Expected day and 95 % interval; ``latest`` None where the loss may as well not go on.
    note : str or None
        Why there is no answer.
    """

    on: date | None
    earliest: date | None = None
    latest: date | None = None
    note: str | None = None


def history_rows(logbook: Logbook, camera: str) -> list[dict[str, Any]]:
    """Rows of (visit day, day of its reference, what, value, low, high): turned, tipped and rolled, and local contrast."""
    rows: list[dict[str, Any]] = []
    for entry in logbook.camera_history(camera):
        site = logbook.site(entry.visit)
        if camera not in site:
            continue
        case = case_of(logbook, entry.visit, site.camera(camera))
        if case is None or case.day is None:
            continue
        reference, change = case.compared(case.day)
        if reference is None or change is None:
            continue
        on, since = entry.visit.on.isoformat(), logbook.visit(reference.visit).on.isoformat()
        for kind, what, value, sd in (
            ("move", "turned right", change.pan_change_deg, change.pan_change_sd_deg),
            ("move", "tipped up", change.pitch_change_deg, change.pitch_change_sd_deg),
            ("move", "rolled clockwise", change.roll_change_deg, change.roll_change_sd_deg),
            ("contrast", "local contrast", change.contrast_ratio, change.contrast_ratio_sd),
        ):
            if value is not None:
                spread = _BAND * (sd or 0.0)
                rows.append({"on": on, "kind": kind, "what": what, "value": value, "low": value - spread,
                             "high": value + spread, "sd": sd, "since": since})  # fmt: skip
    return rows


def cleaning_due(rows: Sequence[dict[str, Any]], signed_on: date, limit: float) -> Cleaning:
    """How fast local contrast falls since a reference was signed, and when it meets the limit.

    Parameters
    ----------
    rows : sequence of dict
        As from :func:`history_rows`.
    signed_on : date
        Day of the latest reference, where the ratio is 1 by definition.
    limit : float
        Contrast ratio from which the glass is cleaned.

    Notes
    -----
    Weighted least squares over the days since each visit's own reference, through (0 days, ratio 1), weights 1/sd².
    The interval is that of the slope alone: it says nothing of rain that washes a cover or of webs that come in a night.
    """
    points = [
        (days, r["value"], max(r["sd"] or 0.0, _LEAST_SD))
        for r in rows
        if r["kind"] == "contrast" and (days := (date.fromisoformat(r["on"]) - date.fromisoformat(r["since"])).days) > 0
    ]
    if len(points) < 2:
        return Cleaning(None, note="Cleaning date needs two more visits.")
    since, ratios, sds = (np.array(column, dtype=float) for column in zip(*points, strict=True))
    weight = since / sds**2
    slope = float(np.sum(weight * (ratios - 1.0)) / np.sum(weight * since))
    slope_sd = float(1.0 / np.sqrt(np.sum(weight * since)))
    scatter = np.sum(((ratios - 1.0 - slope * since) / sds) ** 2) / (len(points) - 1)
    slope_sd *= float(np.sqrt(max(1.0, scatter)))
    steepest, flattest = slope - _BAND * slope_sd, slope + _BAND * slope_sd
    if slope >= 0 or timedelta(days=(limit - 1.0) / slope) > _LONGEST:
        return Cleaning(None, note="Local contrast does not fall: nothing tells of dirt that grows.")
    latest = None
    if flattest < 0 and (limit - 1.0) / flattest <= _LONGEST.days:
        latest = signed_on + timedelta(days=round((limit - 1.0) / flattest))
    return Cleaning(
        signed_on + timedelta(days=round((limit - 1.0) / slope)),
        signed_on + timedelta(days=round((limit - 1.0) / steepest)),
        latest,
    )
