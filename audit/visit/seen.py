"""What a person saw at many cameras, from one list: every line that can be kept is kept, the others are named."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from audit.errors import AuditError
from audit.logbook import Logbook, VisitRecord
from audit.match.table import table_rows

__all__ = ["Seen", "read_seen", "record_seen"]


@dataclass(frozen=True, slots=True)
class Seen:
    """A person's own finding: camera and check of the plan, state as the checks have it, what is seen."""

    camera: str
    check: str
    state: str
    why: str


def read_seen(path: Path) -> list[Seen]:
    """Findings of a CSV with the columns ``camera, check, state, why``.

    Raises
    ------
    AuditError
        Naming the file that can't be read or the column that it lacks.
    """
    rows = table_rows(path, ("camera", "check", "state", "why"), "list of findings")
    return [Seen(*(cells[name] for name in ("camera", "check", "state", "why"))) for _, cells in rows]


def record_seen(
    logbook: Logbook, visit: VisitRecord, seen: Sequence[Seen], by: str
) -> tuple[list[Seen], list[tuple[Seen, AuditError]]]:
    """The findings that were kept, and those that could not be with the reason."""
    kept, refused = [], []
    for one in seen:
        try:
            logbook.add_finding(visit, one.camera, one.check, one.state, by, one.why)
            kept.append(one)
        except AuditError as error:
            refused.append((one, error))
    return kept, refused
