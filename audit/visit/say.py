"""A person says whose a photo is and what it shows, and the cameras that it touches are judged again in the same moment."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from audit.errors import AuditError
from audit.judge.finding import Verdict
from audit.logbook import Logbook, SaidRole, VisitRecord
from audit.match.placement import Placement
from audit.visit.again import judge_anew
from audit.visit.near import planned_camera

__all__ = ["say_photos", "take_photo_back"]


def say_photos(
    logbook: Logbook,
    visit: VisitRecord,
    photos: Sequence[str],
    camera: str | None,
    by: str,
    *,
    role: SaidRole | None = None,
    latest_seen: int | None = None,
) -> tuple[Verdict, ...]:
    """Record whose photos are and, perhaps, what they show, and judge the cameras that lose or get one again.

    Parameters
    ----------
    camera : str or None
        None: they belong to no camera.
    role : SaidRole or None
        None leaves what was said before, else what the program thinks.
    latest_seen : int or None
        See :meth:`audit.logbook.Logbook.answer`.

    Raises
    ------
    AuditError
        Where the plan has no such camera, the visit no such photo, or the visit is signed; then nothing is recorded.
    """
    _refuse_signed(logbook, visit)
    if camera is not None:
        planned_camera(logbook.site(visit), camera)
    before = [_placement(logbook, visit, name) for name in photos]
    logbook.answer(visit, photos, camera, by, role, latest_seen)
    return judge_anew(logbook, visit, _touched([*before, *([] if camera is None else [camera])]))


def take_photo_back(
    logbook: Logbook, visit: VisitRecord, photos: Sequence[str], by: str, *, latest_seen: int | None = None
) -> tuple[Verdict, ...]:
    """Take the latest word on each photo back, and judge the cameras that it touches again.

    Raises
    ------
    AuditError
        Where nothing was said of a photo, somebody has spoken since, or the visit is signed.
    """
    _refuse_signed(logbook, visit)
    before = [_placement(logbook, visit, name) for name in photos]
    for name in photos:
        logbook.undo_answer(visit, name, by, latest_seen)
    return judge_anew(logbook, visit, _touched([*before, *(_placement(logbook, visit, name) for name in photos)]))


def _touched(places: Iterable[Placement | str | None]) -> list[str]:
    """Cameras at which photos lie, and those whose photos they may be while they wait for a person."""
    found: list[str] = []
    for place in places:
        if isinstance(place, str):
            found.append(place)
        elif place is not None:
            found += [place.camera] if place.camera is not None else []
            found += [a.camera for a in place.alternatives[:2] if a.camera is not None and place.decision == "uncertain"]
    return list(dict.fromkeys(found))


def _placement(logbook: Logbook, visit: VisitRecord, photo: str) -> Placement | None:
    if logbook.photo(visit, photo) is None:
        raise AuditError(f"visit {visit.number} has no photo '{photo}'; check its name.")
    return logbook.placement(visit, photo)


def _refuse_signed(logbook: Logbook, visit: VisitRecord) -> None:
    now = logbook.visit(visit.number)
    if now.signed_at is not None:
        raise AuditError(
            f"visit {now.number} was signed by {now.signed_by} on {now.signed_at:%Y-%m-%d}: its photos stay where they "
            f"are. Add the photo to the next visit, and say there whose it is and what it shows."
        )
