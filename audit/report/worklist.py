"""Open work of a visit as rows for a table."""

from __future__ import annotations

from audit.logbook import Logbook, VisitRecord

__all__ = ["open_work"]

_SETTLED = ("reject", "waive")


def open_work(logbook: Logbook, visit: VisitRecord) -> list[dict[str, str]]:
    """Findings that ask for work or a look and are neither rejected nor waived, worst first."""
    settled = {(d.camera, d.check) for d in logbook.decisions(visit) if d.in_force and d.decision in _SETTLED}
    accepted = {(d.camera, d.check) for d in logbook.decisions(visit) if d.in_force and d.decision == "accept"}
    rows = []
    for state in ("put right", "look again"):
        for verdict in logbook.verdicts(visit, state=state):
            for finding in verdict.findings:
                key = (verdict.camera, finding.check)
                if finding.state in ("put right", "look again") and key not in settled:
                    rows.append({
                        "camera": verdict.camera, "check": finding.check, "state": finding.state, "why": finding.why,
                        "remedy": finding.remedy.action if finding.remedy else "",
                        "decided": "accepted" if key in accepted else "",
                    })  # fmt: skip
    return rows
