"""One word on findings that are alike at several cameras: each is recorded on its own, and all can be taken back at once."""

from __future__ import annotations

from collections.abc import Sequence

from audit.account.alike import Alike
from audit.errors import AuditError
from audit.logbook import DecisionRecord, Logbook, VisitRecord
from audit.visit.done import take_back

__all__ = ["decide_together", "take_back_together"]


def decide_together(
    logbook: Logbook, visit: VisitRecord, items: Sequence[Alike], decision: str, by: str, why: str
) -> tuple[tuple[DecisionRecord, ...], tuple[str, ...]]:
    """Record one decision with one reason on each of the findings.

    Returns
    -------
    tuple of DecisionRecord, tuple of str
        What was recorded, and why not where somebody else was faster; those are left as they are.
    """
    done: list[DecisionRecord] = []
    refused: list[str] = []
    for item in items:
        try:
            done.append(logbook.decide(visit, item.camera, item.check, decision, by, why, latest_seen=item.latest))
        except AuditError as error:
            refused.append(error.message)
    return tuple(done), tuple(dict.fromkeys(refused))


def take_back_together(
    logbook: Logbook, visit: VisitRecord, entries: Sequence[DecisionRecord], by: str
) -> tuple[DecisionRecord, ...]:
    """Take back those of the entries that still count; what anybody said since stays.

    Returns
    -------
    tuple of DecisionRecord
        Those that were taken back.
    """
    counting = {d.id for d in logbook.standing(visit)}
    taken = tuple(entry for entry in entries if entry.id in counting)
    for entry in taken:
        take_back(logbook, visit, entry.camera, entry.check, by)
    return taken
