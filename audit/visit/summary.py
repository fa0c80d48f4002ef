"""What a visit brought."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from audit.logbook import Logbook, VisitRecord

__all__ = ["VisitSummary", "summary_of"]


@dataclass(frozen=True, slots=True)
class VisitSummary:
    """What a visit brought.

    Attributes
    ----------
    refused : tuple of (name, sentence)
    decisions, states : Counter
        Placements by decision; cameras by state.
    """

    visit: VisitRecord
    photos: int
    refused: tuple[tuple[str, str], ...]
    decisions: Counter[str]
    states: Counter[str]


def summary_of(logbook: Logbook, visit: VisitRecord) -> VisitSummary:
    """What a visit has brought so far, as the logbook keeps it."""
    return VisitSummary(
        visit,
        len(logbook.photos(visit)),
        tuple((r.name, r.message) for r in logbook.refusals(visit)),
        Counter(p.decision for p in logbook.placements(visit)),
        Counter({state: n for state, n in logbook.verdict_counts(visit).items()}),
    )
