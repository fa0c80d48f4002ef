"""Which cameras of a visit somebody wants to see: by check, state, floor, part, the crew's device, words, or because they wait."""

from __future__ import annotations

from dataclasses import dataclass

from audit.account.worklist import asking, asks
from audit.judge.finding import Check, State
from audit.logbook import Logbook, VisitRecord
from audit.plan.model import Camera, Site

__all__ = ["Selection", "crew_devices", "judged", "parts_of", "selected"]


@dataclass(frozen=True, slots=True)
class Selection:
    """What is asked for; empty takes all.

    Attributes
    ----------
    states : tuple of State
        Any of them; of the camera, or of the check where one is asked for.
    floor : str or None
        As the plan names it.
    text : str
        Words; each stands in the id, the name, the serial, the form, the purpose or a part, in any case.
    waiting : bool
        Only cameras with a finding that asks for something and is not decided.
    check : Check or None
        Only cameras whose finding on it is in one of the states, or, without states, not as planned.
    part : str or None
        A part of the mounting, as the plan names it.
    device : str or None
        What took a photo of the crew's, as the file names it.
    """

    states: tuple[State, ...] = ()
    floor: str | None = None
    text: str = ""
    waiting: bool = False
    check: Check | None = None
    part: str | None = None
    device: str | None = None

    @property
    def everything(self) -> bool:
        """Whether nothing is left out."""
        return self == Selection()


def judged(logbook: Logbook, visit: VisitRecord) -> list[tuple[str, State]]:
    """Cameras that were judged with their states, worst first; one whose row of the plan waits is not among them."""
    waits = {camera.camera for camera in logbook.site(visit).waiting}
    return [(camera, state) for camera, state in logbook.verdict_order(visit) if camera not in waits]


def parts_of(site: Site) -> tuple[str, ...]:
    """Every part that a mounting of the plan has, by name."""
    return tuple(sorted({part for camera in site.cameras for part in camera.mount.parts}))


def crew_devices(logbook: Logbook, visit: VisitRecord) -> dict[str, frozenset[str]]:
    """Devices that took the crew's photos, by name, each with the cameras at which such a photo lies."""
    taken_by = {photo.name: photo.metadata.device for photo in logbook.photos(visit)}
    found: dict[str, set[str]] = {}
    for placed in logbook.placements(visit):
        device = taken_by.get(placed.photo)
        if device is not None and placed.camera is not None and placed.role != "snapshot":
            found.setdefault(device, set()).add(placed.camera)
    return {device: frozenset(found[device]) for device in sorted(found)}


def selected(logbook: Logbook, visit: VisitRecord, selection: Selection) -> list[str]:
    """Cameras that fit, worst first; those whose row of the plan waits are not among them."""
    site = logbook.site(visit)
    order = judged(logbook, visit)
    if selection.everything:
        return [camera for camera, _ in order]
    allowed: list[frozenset[str]] = []
    if selection.waiting:
        allowed.append(_waiting(logbook, visit))
    if selection.check is not None:
        allowed.append(_with_check(logbook, visit, selection))
    elif selection.states:
        allowed.append(frozenset(name for name, state in order if state in selection.states))
    if selection.device is not None:
        allowed.append(crew_devices(logbook, visit).get(selection.device, frozenset()))
    return [
        name
        for name, _ in order
        if all(name in names for names in allowed) and name in site and _fits(site.camera(name), selection)
    ]


def _fits(camera: Camera, selection: Selection) -> bool:
    if selection.floor is not None and camera.floor != selection.floor:
        return False
    parts = camera.mount.parts
    if selection.part is not None and selection.part not in parts:
        return False
    told = (camera.camera, camera.name, camera.serial or "", camera.form or "", camera.purpose or "", *parts)
    words = "\n".join(told).casefold()
    return all(word in words for word in selection.text.casefold().split())


def _with_check(logbook: Logbook, visit: VisitRecord, selection: Selection) -> frozenset[str]:
    wanted = selection.states or ("defect", "to check", "not verified")
    return frozenset(
        verdict.camera
        for verdict in logbook.verdicts(visit)
        if any(f.check == selection.check and f.state in wanted for f in verdict.findings)
    )


def _waiting(logbook: Logbook, visit: VisitRecord) -> frozenset[str]:
    decided = {(d.camera, d.check) for d in logbook.standing(visit)}
    return frozenset(
        verdict.camera
        for verdict in asking(logbook, visit)
        if any(asks(f) and (verdict.camera, f.check) not in decided for f in verdict.findings)
    )
