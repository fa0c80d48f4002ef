"""Open work of a visit as rows for a table, and the shots that are still missing."""

from __future__ import annotations

from collections.abc import Iterable

from audit.judge.finding import Finding, Verdict
from audit.judge.trip import Trip, plan_trip
from audit.logbook import DecisionRecord, Logbook, VisitRecord
from audit.logbook.records import VisitKind
from audit.match import roles as crew
from audit.plan.model import Camera

__all__ = ["SHOTS", "asking", "asks", "lacking_shots", "missing_work", "open_work", "shots_wanted", "trip_of"]

#: What a crew photographs at every camera, in the order of the work (common practice, no source).
SHOTS = (*crew.CREW_SHOTS, "day snapshot", "night snapshot")


def asks(finding: Finding) -> bool:
    """Whether a finding asks for work or for a look."""
    return finding.state in ("defect", "to check")


def asking(logbook: Logbook, visit: VisitRecord) -> list[Verdict]:
    """Verdicts of the cameras that ask for work or for a look, worst first; no others are read."""
    return [v for state in ("defect", "to check") for v in logbook.verdicts(visit, state=state)]


def open_work(logbook: Logbook, visit: VisitRecord) -> list[dict[str, str]]:
    """Findings that ask for something and are neither dismissed nor tolerated, worst first.

    An exchange of two cameras is one row, at the first of the two.
    """
    return list(_rows(asking(logbook, visit), logbook.standing(visit)))


def trip_of(logbook: Logbook, visit: VisitRecord) -> Trip:
    """One trip through every finding that asks for work or a look and is neither dismissed nor tolerated."""
    settled = [(d.camera, d.check) for d in logbook.standing(visit) if d.settles]
    return plan_trip(logbook.site(visit), asking(logbook, visit), settled=settled)


def _rows(verdicts: Iterable[Verdict], decisions: Iterable[DecisionRecord]) -> Iterable[dict[str, str]]:
    words = {(d.camera, d.check): d for d in decisions}
    for verdict in verdicts:
        for finding in verdict.findings:
            decision = words.get((verdict.camera, finding.check))
            settled = decision is not None and decision.settles
            second = finding.told_by != verdict.camera
            if not asks(finding) or settled or second:
                continue
            yield {
                "camera": " / ".join(finding.shared) or verdict.camera,
                "check": finding.check,
                "state": finding.state,
                "why": finding.why,
                "remedy": finding.remedy.action if finding.remedy else "",
                "decided": "" if decision is None else decision.decision,
            }


def shots_wanted(camera: Camera, kind: VisitKind) -> tuple[str, ...]:
    """The shots that make sense at a camera: the crew's at commissioning alone, for nobody need climb for them again; a
    night snapshot only where the plan has it work at night."""
    shots = SHOTS if kind == "commissioning" else SHOTS[len(crew.CREW_SHOTS) :]
    return shots if camera.night != "none" else shots[:-1]


def lacking_shots(
    camera: Camera, roles: Iterable[str], day: bool, night: bool, kind: VisitKind = "commissioning"
) -> tuple[str, ...]:
    """Shots of a camera that are not here.

    As many photos of unknown role stand for as many of overview and mount: a person tells them apart.

    Parameters
    ----------
    roles : iterable of str
        Role of each photo that lies at the camera.
    day, night : bool
        Whether the camera's own picture by day and by night is here.
    kind : VisitKind
        What the visit is for; a maintenance visit asks for the camera's own pictures alone.
    """
    lacking: set[str] = set(crew.lacking_shots(roles)[0])
    lacking |= {name for name, here in (("day snapshot", day), ("night snapshot", night)) if not here}
    return tuple(shot for shot in shots_wanted(camera, kind) if shot in lacking)


def missing_work(logbook: Logbook, visit: VisitRecord) -> list[tuple[str, tuple[str, ...]]]:
    """Every camera that lacks shots, in plan order, with what it lacks; whether night was seen is the verdict's word."""
    roles = logbook.placed_roles(visit)
    dark = {v.camera for v in logbook.verdicts(visit) for f in v.findings if _night_unseen(f)}
    found = []
    for camera in logbook.site(visit).cameras:
        have = roles.get(camera.camera, ())
        own = "snapshot" in have
        lacking = lacking_shots(camera, have, own, own and camera.camera not in dark, visit.kind)
        if lacking:
            found.append((camera.camera, lacking))
    return found


def _night_unseen(finding: Finding) -> bool:
    return finding.check == "night" and finding.state == "not verified" and finding.photo is None
