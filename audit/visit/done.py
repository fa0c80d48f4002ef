"""The crew answers back: a picture from after the work closes or keeps a finding, a small visit within the visit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import cast, get_args

from audit import compute
from audit.account.account import Account, Shot, accounts_of
from audit.account.boards import boards_of
from audit.errors import AuditError, PhotoRefused
from audit.judge.done import after_work, said_after
from audit.judge.finding import Check, Finding, State, Verdict
from audit.judge.findings import judge_camera
from audit.logbook import DecisionRecord, Logbook, VisitRecord
from audit.match.placement import Placement
from audit.measure.image import METHOD, measurement_method
from audit.measure.record import change_from_record, measurement_from_record
from audit.photos.intake import OpenedPhoto, open_photo
from audit.photos.photo import Photo
from audit.photos.pixels import preview_jpeg
from audit.plan.model import Camera
from audit.visit.again import evidence_of
from audit.visit.compare import compare
from audit.visit.conduct import judge_again
from audit.visit.measure import Measuring, measure_with
from audit.visit.near import planned_camera
from audit.visit.point import judge_camera_again
from audit.visit.proof import role_as_proof
from audit.visit.read import PREVIEW_SIDE_PX
from audit.visit.run import Run

__all__ = ["Answer", "HandedIn", "hand_in_done", "take_back"]


@dataclass(frozen=True, slots=True)
class Answer:
    """What the crew says is done.

    Attributes
    ----------
    checks : tuple of str
        Findings of the camera that the work was for.
    file : Path
        A picture from after the work: the camera's own, or the crew's photo of what was done.
    name : str
        The file's name as people know it.
    why : str
        The crew's words; may be empty.
    vouched : bool
        The person says that the picture is this camera's, where nothing in it shows that.
    """

    camera: str
    checks: tuple[str, ...]
    file: Path
    name: str
    by: str
    why: str = ""
    vouched: bool = False


@dataclass(frozen=True, slots=True)
class HandedIn:
    """What came of it.

    Attributes
    ----------
    photo : str
        Name of the picture in the visit.
    states : tuple of (check, state)
        What it made of each finding.
    """

    photo: str
    states: tuple[tuple[Check, State], ...]
    entries: tuple[DecisionRecord, ...]


def hand_in_done(logbook: Logbook, visit: VisitRecord, answer: Answer) -> HandedIn:
    """Take in a picture from after the work, measure it, and judge the camera by it.

    Raises
    ------
    AuditError
        Where the visit is signed, nothing of the kind was found at the camera, the file is no picture or was here before,
        or it shows another camera; then nothing counts as done, and a picture that is not taken as proof is noted among the
        refused files.
    """
    if visit.signed_at is not None:
        raise AuditError(
            f"visit {visit.number} is signed, and what is signed stays: hand {answer.name} in with the next visit "
            f"('photo-audit visit LOGBOOK FOLDER --kind maintenance', or Add photos at the desk)."
        )
    if not answer.by.strip():
        raise AuditError("say who did it (--by NAME).")
    site = logbook.site(visit)
    camera = planned_camera(site, answer.camera)
    checks = _open_checks(logbook, visit, camera, answer.checks)
    try:
        return _taken_in(logbook, visit, camera, checks, answer)
    except PhotoRefused as refusal:
        logbook.add_refusal(visit, answer.name, refusal.kind, refusal.message)
        raise


def take_back(logbook: Logbook, visit: VisitRecord, camera: str, check: str, by: str, why: str = "") -> None:
    """Take the last word on a check back; where it was that work is done, its picture no longer counts for any check."""
    entries = [d for d in logbook.decisions(visit, camera) if d.in_force]
    last = next((d for d in entries if d.check == check), None)
    if last is None or last.decision != "done":
        logbook.undo(visit, camera, check, by, why)
        return
    for entry in entries:
        if entry.decision == "done" and entry.photo == last.photo:
            logbook.undo(visit, camera, entry.check, by, why)
    judge_camera_again(logbook, visit, camera)


def _open_checks(logbook: Logbook, visit: VisitRecord, camera: Camera, checks: Sequence[str]) -> dict[Check, Finding]:
    """The findings that the work was for."""
    verdict = next(iter(logbook.verdicts(visit, camera.camera)), None)
    if verdict is None:
        raise AuditError(f"visit {visit.number} has not judged camera '{camera.camera}' yet; run the visit first.")
    here = {f.check: f for f in verdict.findings if f.state != "as planned"}
    for check in checks:
        if check not in get_args(Check):
            raise AuditError(f"'{check}' is no check; the checks are {', '.join(get_args(Check))}.")
        if check not in here:
            left = f"open there: {', '.join(here)}" if here else "nothing is open there"
            raise AuditError(f"{camera.camera} has no open finding on '{check}'; {left}.")
    return {cast(Check, check): here[cast(Check, check)] for check in checks}


def _taken_in(
    logbook: Logbook, visit: VisitRecord, camera: Camera, checks: dict[Check, Finding], answer: Answer
) -> HandedIn:
    opened = open_photo(answer.file, answer.name, guarded=True)
    account = accounts_of(logbook, visit, [camera])[camera.camera]
    _refuse_known(logbook, visit, account, opened, answer.vouched)
    site = logbook.site(visit)
    with compute.executor(0) as executor:
        run = Run(logbook, visit, site, logbook.limits(visit), executor)
        partners = {camera.camera, *(c for f in checks.values() for c in f.shared)}
        role = role_as_proof(run, account, partners, opened, answer.vouched)
        photo = logbook.add_photo(visit, opened.photo, opened.data, preview_jpeg(opened.pixels, PREVIEW_SIDE_PX))
        said = f"handed in as done by {answer.by}"
        placement = Placement(photo.name, camera.camera, 1.0, "placed", photo.name, role=role, evidence=(said,))
        verdict = _judged_after(run, account.with_done(_measured(run, camera, photo, placement))) if role == "snapshot" else None
    states = [_after(check, before, verdict, answer.why, photo.name) for check, before in checks.items()]
    entries = logbook.put_done(visit, placement, states, answer.by, verdict)
    if any(f.shared for f in checks.values()):
        judge_again(logbook, visit)
    return HandedIn(photo.name, tuple((check, state) for check, state, _ in states), entries)


def _measured(run: Run, camera: Camera, photo: Photo, placement: Placement) -> Shot:
    """The camera's own picture, measured as every other one."""
    lens = run.lens(camera.camera)
    boards = tuple(boards_of(run.logbook, run.site))
    measure_with(run, [Measuring(photo.name, photo.sha256, lens, boards)])
    record = run.logbook.measurement(photo.sha256, measurement_method(lens))
    if record is None:
        raise AuditError(f"{photo.name}: could not be measured; hand in another picture.")
    return Shot(photo, placement, measurement_from_record(record))


def _after(
    check: Check, before: Finding, verdict: Verdict | None, why: str, photo: str
) -> tuple[Check, State, str]:
    """What the picture makes of one finding; an exchange is for all its cameras' pictures together to settle."""
    state, after = after_work(before, check, None if before.shared else verdict)
    return check, state, said_after(why, before, after, state, photo)


def _judged_after(run: Run, account: Account) -> Verdict:
    """The camera's verdict with the picture from after the work, against its references too."""
    name = account.camera.camera
    compare(run, {name: account})
    changes = dict(account.changes)
    for shot in (account.day, account.night):
        reference = None if shot is None else account.reference(shot.night)
        if shot is not None and reference is not None:
            record = run.logbook.comparison(reference.sha256, shot.photo.sha256, METHOD)
            if record is not None:
                changes[reference.sha256, shot.photo.sha256] = change_from_record(record)
    account = replace(account, changes=changes)
    evidence = evidence_of(run.logbook, run.visit, run.site, account, run.limits)
    return judge_camera(account.camera, evidence, run.limits)


def _refuse_known(
    logbook: Logbook, visit: VisitRecord, account: Account, opened: OpenedPhoto, vouched: bool
) -> None:
    """A picture that was here before, or is older than the one that showed the fault, proves nothing of the work."""
    photo = opened.photo
    given = logbook.done_pictures(visit, account.camera.camera).get(account.camera.camera)
    placed = {p.photo for p in logbook.placements(visit)} - (frozenset() if given is None else given.taken_back)
    same = next((p.name for p in logbook.photos(visit) if p.sha256 == photo.sha256 and p.name in placed), None)
    if same is not None:
        raise PhotoRefused(photo.name, "not proof", f"{photo.name}: is in this visit already, as {same}; take a picture after the work.")
    before = account.day
    then = None if before is None else before.photo.metadata.taken_at
    now = photo.metadata.taken_at
    if before is not None and then is not None and now is not None and now < then and not vouched:
        raise PhotoRefused(
            photo.name,
            "not proof",
            f"{photo.name}: was taken at {now:%Y-%m-%d %H:%M}, before {before.photo.name} ({then:%Y-%m-%d %H:%M}) showed "
            f"the fault; take a picture after the work, or say that it is one (--vouch).",
        )
