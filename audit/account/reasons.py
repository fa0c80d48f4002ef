"""Reasons that were given for decisions like one that is about to be made."""

from __future__ import annotations

from audit.judge.finding import Check
from audit.logbook import Logbook, VisitRecord

__all__ = ["reasons_given"]


def reasons_given(logbook: Logbook, visit: VisitRecord, check: Check, decision: str, most: int = 4) -> tuple[str, ...]:
    """Reasons that stand in a visit for this decision, each once: those on the same check first, then the latest first."""
    said = [d for d in logbook.standing(visit) if d.decision == decision and d.why.strip()]
    said.sort(key=lambda d: (d.check == check, d.id), reverse=True)
    return tuple(dict.fromkeys(d.why.strip() for d in said))[:most]
