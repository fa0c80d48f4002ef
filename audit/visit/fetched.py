"""What was fetched from the cameras themselves becomes part of a visit."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

from audit.collect.journal import Entry
from audit.logbook import Logbook
from audit.visit.collected import note_collected
from audit.visit.conduct import run_visit
from audit.visit.run import Report

__all__ = ["visit_collected"]


def visit_collected(
    logbook: Logbook,
    folder: Path,
    kind: str,
    on: date,
    entries: Sequence[Entry],
    *,
    workers: int = 0,
    progress: Report = lambda _: None,
) -> int:
    """Take what was fetched into the visit of a kind and day, and conduct it where there is any picture.

    Returns
    -------
    int
        The visit's number.
    """
    visit = logbook.open_visit("commissioning" if kind == "commissioning" else "maintenance", on)
    note_collected(logbook, visit, entries)
    if any(entry.file is not None for entry in entries):
        run_visit(logbook, folder, kind, on, workers=workers, progress=progress)
    return visit.number
