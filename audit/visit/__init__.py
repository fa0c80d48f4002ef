"""The conductor: one visit from a heap of files to findings.

intake -> metadata -> match -> measure -> judge -> logbook, in that order, one file a step; each step keeps what it made
before the next begins, so a visit that is stopped at any moment goes on where it was. Start reading at
:func:`audit.visit.conduct.conduct`.
"""

from __future__ import annotations

from audit.visit.collected import COLLECTOR, note_collected
from audit.visit.conduct import KINDS, judge_again, measure_anew, run_visit
from audit.visit.run import Progress, Run, Stopped
from audit.visit.summary import VisitSummary, summary_of

__all__ = [
    "COLLECTOR",
    "KINDS",
    "Progress",
    "Run",
    "Stopped",
    "VisitSummary",
    "judge_again",
    "measure_anew",
    "note_collected",
    "run_visit",
    "summary_of",
]
