"""Findings that are alike and wait for a word: the same check in the same state at several cameras."""

from __future__ import annotations

from dataclasses import dataclass

from audit.judge.finding import Check, State
from audit.logbook import Logbook, VisitRecord

__all__ = ["Alike", "alike"]


@dataclass(frozen=True, slots=True)
class Alike:
    """One of them.

    Attributes
    ----------
    photo : str or None
        Photo that shows it.
    latest : int
        Id of the last entry on this camera and check when it was listed, 0 for none.
    """

    camera: str
    check: Check
    state: State
    why: str
    photo: str | None
    latest: int


def alike(logbook: Logbook, visit: VisitRecord, check: Check, state: State) -> tuple[Alike, ...]:
    """Undecided findings of a check in a state, cameras worst first; one that cameras share stands at the first of them."""
    entries = logbook.decisions(visit)
    decided = {(d.camera, d.check) for d in entries if d.in_force}
    latest = {(d.camera, d.check): d.id for d in entries}
    return tuple(
        Alike(v.camera, f.check, f.state, f.why, f.photo, latest.get((v.camera, f.check), 0))
        for v in logbook.verdicts(visit)
        for f in v.findings
        if (f.check, f.state) == (check, state) and f.told_by == v.camera and (v.camera, f.check) not in decided
    )
