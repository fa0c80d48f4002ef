"""The crew's list of one trip: one file for a phone without network, which prints as well."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from importlib import resources
from typing import Any

from audit.account import pictures
from audit.account.case import Case, cases, open_findings, preview_of, turned_by
from audit.account.unproven import unproven, unproven_sentences
from audit.account.worklist import asks, missing_work, trip_of
from audit.judge.finding import STATE_MARKS
from audit.judge.trip import Stop, Task, Trip
from audit.logbook import Logbook, VisitRecord
from audit.plan.model import Camera, Site
from audit.report.paged import page_of
from audit.visit.hand_in import HAND_IN_FORMAT

__all__ = ["bring_words", "crew_list"]

_PICTURE_PX = 480
_QUALITY = 60
_CAUTIONS = (
    "Work at height, near traffic, on mains or beside infrared emitters is for trained people under the site's own "
    "rules; local regulations apply, and licensed work stays with licensed people.",
    "No photo is worth an unsafe ladder: use a camera pole, or shoot from the ground.",
)


def bring_words(trip: Trip) -> tuple[str, ...]:
    """What to bring: what a crew always takes, then the parts with their number."""
    return (*trip.bring_always, *(f"{number} × {part}" if number > 1 else part for part, number in trip.parts))


def crew_list(logbook: Logbook, visit: VisitRecord, *, with_pictures: bool = True, language: str = "en") -> str:
    """The list as HTML that needs nothing else: no font, no picture, no script from outside.

    While the visit is open the crew answers back in it: its one script, named by its hash, saves a file and sends nothing.

    Parameters
    ----------
    with_pictures : bool
        Whether the view after each turn is shown; pictures can show people.
    language : str
        The crew's language.
    """
    site, trip = logbook.site(visit), trip_of(logbook, visit)
    shots = dict(missing_work(logbook, visit))
    found = {case.camera.camera: case for case in cases(logbook, visit)} if with_pictures else {}
    stops = [_stop(logbook, site, stop, shots, found) for stop in trip.stops]
    reached = {name for stop in trip.stops for name in stop.cameras}
    return page_of(
        "crew_list.html",
        language,
        title=f"Job list: {site.name or site.file or 'site'}",
        subtitle=f"{visit.kind.capitalize()} visit {visit.number}, {visit.on.isoformat()}"
        + ("" if visit.signed_at else ", not signed"),
        walk_m=trip.walk_m,
        bring=bring_words(trip) if stops else (),
        cautions=_CAUTIONS,
        stops=stops,
        missing=[
            {"name": _name(site.camera(camera)), "place": _place(site.camera(camera)), "shots": lacking}
            for camera, lacking in shots.items()
            if camera not in reached
        ],
        unseen=unproven_sentences(unproven(logbook, visit)),
        answers=_answers(logbook, visit) if stops and visit.signed_at is None else None,
    )


def _answers(logbook: Logbook, visit: VisitRecord) -> dict[str, Any]:
    """What the page needs to answer back: the script and its hash, and for which visit of which logbook it is."""
    script = resources.files("audit.report").joinpath("crew_list.js").read_text(encoding="utf-8")
    digest = hashlib.sha256(script.encode("utf-8")).digest()
    return {
        "format": HAND_IN_FORMAT,
        "logbook": logbook.identity(),
        "visit": visit.number,
        "script": script,
        "script_hash": base64.b64encode(digest).decode("ascii"),
    }


def _stop(
    logbook: Logbook, site: Site, stop: Stop, shots: Mapping[str, Sequence[str]], found: Mapping[str, Case]
) -> dict[str, Any]:
    cameras = [site.camera(name) for name in stop.cameras]
    return {
        "cameras": [_name(c) for c in cameras],
        "place": "; ".join(dict.fromkeys(_place(c) for c in cameras)),
        "tasks": [_task(logbook, t, found.get(t.camera)) for t in stop.tasks],
        "shots": [f"{c.camera}: {shot}" for c in cameras for shot in shots.get(c.camera, ())],
        "cautions": " ".join(stop.cautions),
    }


def _task(logbook: Logbook, task: Task, case: Case | None) -> dict[str, Any]:
    return {
        "camera": task.camera,
        "checks": ", ".join(task.checks),
        "checks_json": json.dumps(task.checks),
        "state": task.state,
        "mark": STATE_MARKS[task.state],
        "action": task.action,
        "field_check": task.field_check,
        "parts": ", ".join(task.parts),
        "after": None if case is None else _after(logbook, case, task.checks),
    }


def _after(logbook: Logbook, case: Case, checks: Iterable[str]) -> str | None:
    """The view after the task's turn, as an address that holds the picture."""
    shot = case.day
    if shot is None:
        return None
    for finding in open_findings(case):
        turn = turned_by(case, shot, finding) if asks(finding) and finding.check in checks else None
        if turn is not None:
            picture = pictures.decode_picture(preview_of(logbook, shot.photo.sha256), _PICTURE_PX)
            jpeg = pictures.encode_jpeg(pictures.remedy_preview(picture, case.camera.lens, turn), _QUALITY)
            return f"data:image/jpeg;base64,{base64.b64encode(jpeg).decode('ascii')}"
    return None


def _name(camera: Camera) -> str:
    return f"{camera.camera} {camera.name}".strip()


def _place(camera: Camera) -> str:
    parts = [f"{camera.height_m:.1f} m high"]
    if camera.floor:
        parts.append(f"floor {camera.floor}")
    if camera.mount.parts:
        parts.append(f"mount {camera.mount}")
    if camera.serial:
        parts.append(f"serial {camera.serial}")
    return ", ".join(parts)
