"""One camera's case as it is shown and handed over: its account, the verdict, and what persons decided."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

from audit.account.account import Account, Shot, accounts_of
from audit.judge.finding import Finding, Verdict
from audit.judge.intended import intended_pose
from audit.logbook import DecisionRecord, Logbook, ReferenceRecord, VisitRecord, done_pictures
from audit.measure.measurement import ViewChange
from audit.photos.photo import Photo
from audit.plan.model import Camera

__all__ = ["Case", "Shot", "Turn", "case_of", "cases", "marks_in", "open_findings", "preview_of", "turned_by"]


@dataclass(frozen=True, slots=True)
class Case:
    """Everything about one camera in one visit.

    Attributes
    ----------
    decisions : tuple of DecisionRecord
        In force, one a check at most.
    """

    account: Account
    verdict: Verdict
    decisions: tuple[DecisionRecord, ...]

    @property
    def visit(self) -> VisitRecord:
        """The visit that it is of."""
        return self.account.visit

    @property
    def camera(self) -> Camera:
        """The camera as planned."""
        return self.account.camera

    @property
    def shots(self) -> tuple[Shot, ...]:
        """Photos of the camera, its own pictures first."""
        return self.account.shots

    @property
    def day(self) -> Shot | None:
        """The best day snapshot."""
        return self.account.day

    @property
    def night(self) -> Shot | None:
        """The best night snapshot."""
        return self.account.night

    def decision(self, finding: Finding) -> DecisionRecord | None:
        """What was decided on a finding."""
        return next((d for d in self.decisions if d.check == finding.check), None)

    def reference(self, night: bool) -> ReferenceRecord | None:
        """The signed reference by day or by night."""
        return self.account.reference(night)

    def compared(self, shot: Shot) -> tuple[ReferenceRecord | None, ViewChange | None]:
        """The reference that a snapshot was compared with, and what came out."""
        return self.account.compared(shot)


def case_of(logbook: Logbook, visit: VisitRecord, camera: Camera) -> Case | None:
    """The case of one camera; None where the visit has not judged it."""
    with logbook.one_view():
        return next(_cases(logbook, visit, logbook.verdicts(visit, camera.camera), [camera]), None)


def cases(logbook: Logbook, visit: VisitRecord) -> tuple[Case, ...]:
    """All cases of a visit, worst first."""
    with logbook.one_view():
        site = logbook.site(visit)
        verdicts = [v for v in logbook.verdicts(visit) if v.camera in site]
        return tuple(_cases(logbook, visit, verdicts, [site.camera(v.camera) for v in verdicts]))


def _cases(
    logbook: Logbook, visit: VisitRecord, verdicts: Iterable[Verdict], cameras: list[Camera]
) -> Iterator[Case]:
    judged = tuple(verdicts)
    if not judged:
        return
    entries = logbook.decisions(visit, cameras[0].camera if len(cameras) == 1 else None)
    accounts = accounts_of(logbook, visit, cameras, given=done_pictures(entries))
    decisions: dict[str, tuple[DecisionRecord, ...]] = {}
    for decision in entries:
        if decision.in_force:
            decisions[decision.camera] = (*decisions.get(decision.camera, ()), decision)
    for verdict in judged:
        yield Case(accounts[verdict.camera], verdict, decisions.get(verdict.camera, ()))


def open_findings(case: Case) -> tuple[Finding, ...]:
    """Findings that ask for something and are neither dismissed nor tolerated."""
    found = []
    for finding in case.verdict.findings:
        decision = case.decision(finding)
        settled = decision is not None and decision.settles
        if finding.state in ("defect", "to check") and not settled:
            found.append(finding)
    return tuple(found)


def marks_in(case: Case, photo: Photo) -> tuple[tuple[float, float], ...]:
    """Places that people marked in a photo of the camera, in 0..1 of its width and height."""
    found = []
    for finding in case.verdict.findings:
        at = finding.evidence.get("at_px") if finding.photo == photo.name else None
        if at:
            found.append(((at[0] + 0.5) / photo.width_px, (at[1] + 0.5) / photo.height_px))
    return tuple(found)


class Turn(NamedTuple):
    """How a remedy turns the view.

    Attributes
    ----------
    turn_deg, tip_deg, roll_deg : float
        Correction: + right, + up, + clockwise seen from behind.
    pitch_deg, roll_now_deg : float
        Pose of the picture as it is.
    """

    turn_deg: float
    tip_deg: float
    roll_deg: float
    pitch_deg: float
    roll_now_deg: float


def turned_by(case: Case, shot: Shot, finding: Finding) -> Turn | None:
    """How a finding's remedy turns the view; None where the remedy is no turn."""
    remedy = finding.remedy
    if remedy is None or not any((remedy.turn_deg, remedy.tip_deg, remedy.roll_deg)):
        return None
    held = intended_pose(case.camera).pose
    orientation = shot.measured.orientation if shot.measured is not None else None
    pitch = orientation.pitch_deg if orientation is not None and orientation.pitch_deg is not None else held.pitch_deg
    roll = orientation.roll_deg if orientation is not None and orientation.roll_deg is not None else held.roll_deg
    return Turn(remedy.turn_deg or 0.0, remedy.tip_deg or 0.0, remedy.roll_deg or 0.0, pitch, roll)


def preview_of(logbook: Logbook, sha256: str) -> bytes:
    """A picture's preview, or the picture itself where none is kept."""
    return logbook.preview(sha256) or logbook.image(sha256)
