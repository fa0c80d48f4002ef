"""What was fetched from the cameras themselves becomes part of a visit."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from audit.collect.journal import Entry
from audit.logbook import Logbook, VisitRecord
from audit.visit.collected import note_collected
from audit.visit.conduct import run_visit
from audit.visit.run import Report

__all__ = ["visit_collected"]


def visit_collected(
    logbook: Logbook,
    folder: Path,
    visit: VisitRecord,
    entries: Sequence[Entry],
    *,
    workers: int = 0,
    progress: Report = lambda _: None,
) -> None:
    """Take what was fetched into a visit, and conduct it where there is any picture."""
    note_collected(logbook, visit, entries)
    if any(entry.file is not None for entry in entries):
        run_visit(logbook, folder, visit.kind, visit.on, workers=workers, progress=progress)
