"""All cameras by all checks of a visit, and each camera's reference: one table each, as they would be kept by hand."""

from __future__ import annotations

from audit.judge.finding import CHECKS, STATE_MARKS, Check
from audit.logbook import Logbook, VisitRecord

__all__ = ["PASSED", "check_table", "reference_table"]

#: How a passed check reads in the table.
PASSED = f"{STATE_MARKS['as planned']} as planned"


def check_table(logbook: Logbook, visit: VisitRecord) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Header and rows: camera, its state, and the state of each check that any camera has; worst cameras first.

    A check that a camera doesn't have is left empty; what a person tolerated or promised stands behind its state.
    """
    verdicts = logbook.verdicts(visit)
    said = {(d.camera, d.check): d.decision for d in logbook.standing(visit)}
    there: set[Check] = {f.check for v in verdicts for f in v.findings}
    checks = tuple(check for check in CHECKS if check in there)
    rows = []
    for verdict in verdicts:
        cells = dict.fromkeys(checks, "")
        for finding in verdict.findings:
            word = said.get((verdict.camera, finding.check), "")
            more = f" ({word})" if word in ("tolerate", "promise") else ""
            cells[finding.check] = f"{STATE_MARKS[finding.state]} {finding.state}{more}"
        rows.append((verdict.camera, f"{STATE_MARKS[verdict.state]} {verdict.state}", *cells.values()))
    return ("camera", "state", *checks), rows


def reference_table(logbook: Logbook, visit: VisitRecord) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Header and rows: the reference that each camera is held to in a visit, where it came from, and, where this visit's
    pictures would give none as things stand, why."""
    kept: dict[str, list[str]] = {}
    for reference in logbook.references(visit):
        glass = "" if reference.glass_verified else "; glass not seen clean"
        text = f"{reference.channel}: {reference.photo} of visit {reference.visit} ({reference.why or 'no reason kept'}{glass})"
        kept.setdefault(reference.camera, []).append(text)
    bars = logbook.no_reference_yet(visit)
    rows: list[tuple[str, ...]] = [
        (camera, "; ".join(kept.get(camera, ())) or "no reference yet", bars.get(camera, ""))
        for camera, _ in logbook.verdict_order(visit)
    ]
    return ("camera", "held to", "no new reference because"), rows
