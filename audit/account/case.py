"""One camera's case as it is shown and handed over: verdict, pictures, decisions, all from the logbook."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from audit.judge.finding import Finding, Verdict
from audit.judge.intended import intended_pose
from audit.judge.limits import Limits, planned_lens
from audit.logbook import DecisionRecord, Logbook, ReferenceRecord, VisitRecord, given_to
from audit.match.placement import Placement
from audit.measure.image import METHOD, measurement_method
from audit.measure.measurement import ImageMeasurement, ViewChange
from audit.measure.record import change_from_record, measurement_from_record
from audit.photos.photo import Photo
from audit.plan.model import Camera

__all__ = ["Case", "Shot", "case_of", "cases", "evidence_of", "open_findings", "preview_of", "turned_by"]


@dataclass(frozen=True, slots=True)
class Shot:
    """A photo of the camera with its place and, for the camera's own pictures, its measurement."""

    photo: Photo
    placement: Placement
    measured: ImageMeasurement | None


@dataclass(frozen=True, slots=True)
class Case:
    """Everything about one camera in one visit.

    Attributes
    ----------
    shots : tuple of Shot
        The camera's own pictures first.
    decisions : tuple of DecisionRecord
        In force, one a check at most.
    references : tuple of ReferenceRecord
        Signed earlier, by day and by night.
    """

    visit: VisitRecord
    camera: Camera
    verdict: Verdict
    shots: tuple[Shot, ...]
    decisions: tuple[DecisionRecord, ...]
    references: tuple[ReferenceRecord, ...]

    @property
    def day(self) -> Shot | None:
        """The best day snapshot."""
        return next((s for s in self.shots if s.measured is not None and not s.measured.clarity.night), None)

    @property
    def night(self) -> Shot | None:
        """The best night snapshot."""
        return next((s for s in self.shots if s.measured is not None and s.measured.clarity.night), None)

    def decision(self, finding: Finding) -> DecisionRecord | None:
        """What was decided on a finding."""
        return next((d for d in self.decisions if d.check == finding.check), None)

    def reference(self, night: bool) -> ReferenceRecord | None:
        """The signed reference by day or by night."""
        return next((r for r in self.references if r.channel == ("night" if night else "day")), None)


def case_of(logbook: Logbook, visit: VisitRecord, camera: Camera, limits: Limits | None = None) -> Case | None:
    """The case of one camera; None where the visit has not judged it."""
    verdicts = logbook.verdicts(visit, camera.camera)
    if not verdicts:
        return None
    method = measurement_method(planned_lens(camera, limits or logbook.limits(visit)))
    until = visit.signed_at
    places = {p.photo: p for p in logbook.placements(visit, camera.camera)}
    shots = []
    for photo in logbook.photos(visit, camera.camera):
        placement = places.get(photo.name)
        if placement is None:
            continue
        record = None
        if placement.role == "snapshot":
            kept = _kept_method(method, logbook.methods(photo.sha256, until))
            record = None if kept is None else logbook.measurement(photo.sha256, kept)
        shots.append(Shot(photo, placement, None if record is None else measurement_from_record(record)))
    shots.sort(key=_own_pictures_first)
    decisions = tuple(d for d in logbook.decisions(visit, camera.camera) if d.in_force)
    return Case(visit, camera, verdicts[0], tuple(shots), decisions, logbook.camera_references(camera.camera, visit))


def _kept_method(wanted: str, there: tuple[str, ...]) -> str | None:
    """This program's method where it has measured; else the latest before it, by which the visit was judged then."""
    if wanted in there:
        return wanted
    same_lens = [method for method in there if given_to(method) == given_to(wanted)]
    return same_lens[-1] if same_lens else None


def cases(logbook: Logbook, visit: VisitRecord) -> Iterator[Case]:
    """All cases of a visit, worst first."""
    limits = logbook.limits(visit)
    site = logbook.site(visit)
    for verdict in logbook.verdicts(visit):
        if verdict.camera in site:
            case = case_of(logbook, visit, site.camera(verdict.camera), limits)
            if case is not None:
                yield case


def open_findings(case: Case) -> tuple[Finding, ...]:
    """Findings that ask for something and are neither dismissed nor tolerated."""
    found = []
    for finding in case.verdict.findings:
        decision = case.decision(finding)
        settled = decision is not None and decision.settles
        if finding.state in ("defect", "to check") and not settled:
            found.append(finding)
    return tuple(found)


def evidence_of(logbook: Logbook, case: Case, shot: Shot) -> tuple[ReferenceRecord | None, ViewChange | None]:
    """The reference that a snapshot was compared with, and what came out."""
    if shot.measured is None:
        return None, None
    reference = case.reference(shot.measured.clarity.night)
    if reference is None:
        return None, None
    there = logbook.comparison_methods(reference.sha256, shot.photo.sha256, case.visit.signed_at)
    if not there:
        return reference, None
    record = logbook.comparison(reference.sha256, shot.photo.sha256, METHOD if METHOD in there else there[-1])
    return reference, None if record is None else change_from_record(record)


def turned_by(case: Case, shot: Shot, finding: Finding) -> tuple[float, float, float, float, float] | None:
    """How a finding's remedy turns the view, for :func:`audit.account.pictures.remedy_preview`.

    Returns
    -------
    tuple or None
        Turn, tip and roll of the correction, then pitch and roll of the picture as it is, in degrees; None where the
        remedy is no turn.
    """
    remedy = finding.remedy
    if remedy is None or not any((remedy.turn_deg, remedy.tip_deg, remedy.roll_deg)):
        return None
    held = intended_pose(case.camera).pose
    orientation = shot.measured.orientation if shot.measured is not None else None
    pitch = orientation.pitch_deg if orientation is not None and orientation.pitch_deg is not None else held.pitch_deg
    roll = orientation.roll_deg if orientation is not None and orientation.roll_deg is not None else held.roll_deg
    return remedy.turn_deg or 0.0, remedy.tip_deg or 0.0, remedy.roll_deg or 0.0, pitch, roll


def preview_of(logbook: Logbook, sha256: str) -> bytes:
    """A picture's preview, or the picture itself where none is kept."""
    return logbook.preview(sha256) or logbook.image(sha256)


def _own_pictures_first(shot: Shot) -> tuple[bool, bool, float, str]:
    if shot.measured is None:
        return True, False, 1.0, shot.photo.name
    dirt = shot.measured.clarity.dirt_probability
    return False, shot.measured.clarity.night, 1.0 if dirt is None else round(dirt, 3), shot.photo.name
