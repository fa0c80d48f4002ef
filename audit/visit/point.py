"""A person points a thing of the plan out in a camera's picture, and the camera is judged again in the same moment."""

from __future__ import annotations

import difflib
from dataclasses import replace

from audit.account.account import accounts_of
from audit.errors import AuditError
from audit.judge.carried import todays_orientation
from audit.judge.evidence import CameraEvidence, Pointed
from audit.judge.finding import Verdict
from audit.judge.intended import intended_pose
from audit.judge.limits import Limits
from audit.judge.panned import landmarks_of, panned, place_of
from audit.logbook import Logbook, VisitRecord
from audit.plan.model import Camera
from audit.visit.again import evidence_of, judge_anew
from audit.visit.near import planned_camera

__all__ = ["judge_camera_again", "point_out", "take_point_back"]


def point_out(
    logbook: Logbook,
    visit: VisitRecord,
    camera_id: str,
    landmark: str,
    at_px: tuple[float, float] | None,
    by: str,
    *,
    confirmed: bool = False,
    judge: bool = True,
) -> Verdict | None:
    """Record where a target or landmark is seen in the camera's best day picture, and judge the camera again.

    Parameters
    ----------
    at_px : (column, row) or None
        In the picture's full size; None: it is not in the picture.
    confirmed : bool
        The mark drawn there lies on it.
    judge : bool
        False leaves judging to the caller, who records several.

    Raises
    ------
    AuditError
        Where the plan has no such camera or thing, the camera has no picture, or the click can't be true; then nothing
        is recorded.
    """
    site = logbook.site(visit)
    camera = planned_camera(site, camera_id)
    if place_of(site, camera, landmark) is None:
        names = [m.landmark for m in landmarks_of(site, camera)]
        near = difflib.get_close_matches(landmark, names, n=1)
        guess = f" Did you mean '{near[0]}'?" if near else " Targets, landmarks and other cameras of the plan can be."
        raise AuditError(f"{camera_id}: the plan has no '{landmark}' to point out.{guess}")
    limits = logbook.limits(visit)
    account = accounts_of(logbook, visit, [camera], limits)[camera_id]
    shot = account.day or account.night
    if shot is None:
        raise AuditError(f"{camera_id}: the visit has no picture that the camera itself took; add its snapshot first.")
    if at_px is not None:
        size = shot.photo.width_px, shot.photo.height_px
        alone = Pointed(landmark, place_of(site, camera, landmark), shot.photo.name, at_px, size, by, confirmed)
        _refuse_impossible(camera, evidence_of(logbook, visit, site, account, limits), alone, limits)
    logbook.point(visit, camera_id, landmark, shot.photo.name, at_px, by, confirmed=confirmed)
    return judge_camera_again(logbook, visit, camera_id) if judge else None


def take_point_back(logbook: Logbook, visit: VisitRecord, camera_id: str, landmark: str, by: str) -> Verdict:
    """Take the latest click on a thing back, and judge the camera again."""
    planned_camera(logbook.site(visit), camera_id)
    logbook.undo_point(visit, camera_id, landmark, by)
    return judge_camera_again(logbook, visit, camera_id)


def judge_camera_again(logbook: Logbook, visit: VisitRecord, camera_id: str) -> Verdict:
    """Judge one camera again by what the logbook holds; the whole visit where it is part of an exchange."""
    planned_camera(logbook.site(visit), camera_id)
    return judge_anew(logbook, visit, [camera_id])[0]


def _refuse_impossible(camera: Camera, evidence: CameraEvidence, click: Pointed, limits: Limits) -> None:
    """Raise with the reason where the click alone can't be true; one that others speak for is left to them."""
    measured = todays_orientation(evidence, limits)
    others = tuple(p for p in evidence.pointed if p.landmark != click.landmark)
    kept = panned(camera, replace(evidence, pointed=(*others, click)), intended_pose(camera), measured, limits)
    reason = next((r.reason for r in kept.refused if r.landmark == click.landmark), None)
    if reason is not None and kept.bearing_deg is None and others:
        return  # the two contradict each other: both stay, and the finding says so
    if reason is not None:
        raise AuditError(f"{camera.camera}: {reason}")
