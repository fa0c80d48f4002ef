"""A camera's comparisons with its references over all visits, as rows for a plot."""

from __future__ import annotations

from typing import Any

from audit.logbook import Logbook
from audit.report.case import case_of, evidence_of

__all__ = ["history_rows"]

_BAND = 1.96


def history_rows(logbook: Logbook, camera: str) -> list[dict[str, Any]]:
    """Rows of (visit day, what, value, low, high): turned, tipped and rolled degrees, and the local contrast ratio."""
    rows: list[dict[str, Any]] = []
    for entry in logbook.camera_history(camera):
        site = logbook.site(entry.visit)
        if camera not in site:
            continue
        case = case_of(logbook, entry.visit, site.camera(camera))
        if case is None or case.day is None:
            continue
        _, change = evidence_of(logbook, case, case.day)
        if change is None:
            continue
        on = entry.visit.on.isoformat()
        for kind, what, value, sd in (
            ("move", "turned right", change.pan_change_deg, change.pan_change_sd_deg),
            ("move", "tipped up", change.pitch_change_deg, change.pitch_change_sd_deg),
            ("move", "rolled", change.roll_change_deg, change.roll_change_sd_deg),
            ("contrast", "local contrast", change.contrast_ratio, change.contrast_ratio_sd),
        ):
            if value is not None:
                spread = _BAND * (sd or 0.0)
                rows.append({"on": on, "kind": kind, "what": what, "value": value, "low": value - spread,
                             "high": value + spread})  # fmt: skip
    return rows
