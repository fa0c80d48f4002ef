"""Which cameras of a visit somebody wants to see: by state, floor, a word of their plan, or because they wait."""

from __future__ import annotations

from dataclasses import dataclass

from audit.account.worklist import asking, asks
from audit.judge.finding import State
from audit.logbook import Logbook, VisitRecord
from audit.plan.model import Camera

__all__ = ["Selection", "judged", "selected"]


@dataclass(frozen=True, slots=True)
class Selection:
    """What is asked for; empty takes all.

    Attributes
    ----------
    states : tuple of State
        Any of them.
    floor : str or None
        As the plan names it.
    text : str
        Part of the id, the name, the serial or the form, in any case.
    waiting : bool
        Only cameras with a finding that asks for something and is not decided.
    """

    states: tuple[State, ...] = ()
    floor: str | None = None
    text: str = ""
    waiting: bool = False

    @property
    def everything(self) -> bool:
        """Whether nothing is left out."""
        return self == Selection()


def judged(logbook: Logbook, visit: VisitRecord) -> list[tuple[str, State]]:
    """Cameras that were judged with their states, worst first; one whose row of the plan waits is not among them."""
    waits = {camera.camera for camera in logbook.site(visit).waiting}
    return [(camera, state) for camera, state in logbook.verdict_order(visit) if camera not in waits]


def selected(logbook: Logbook, visit: VisitRecord, selection: Selection) -> list[str]:
    """Cameras that fit, worst first; those whose row of the plan waits are not among them."""
    site = logbook.site(visit)
    order = judged(logbook, visit)
    if selection.everything:
        return [camera for camera, _ in order]
    waiting = _waiting(logbook, visit) if selection.waiting else frozenset()
    return [
        name
        for name, state in order
        if (not selection.states or state in selection.states)
        and (not selection.waiting or name in waiting)
        and (name in site and _fits(site.camera(name), selection))
    ]


def _fits(camera: Camera, selection: Selection) -> bool:
    if selection.floor is not None and camera.floor != selection.floor:
        return False
    wanted = selection.text.strip().casefold()
    return not wanted or any(
        wanted in text.casefold() for text in (camera.camera, camera.name, camera.serial or "", camera.form or "")
    )


def _waiting(logbook: Logbook, visit: VisitRecord) -> frozenset[str]:
    decided = {(d.camera, d.check) for d in logbook.standing(visit)}
    return frozenset(
        verdict.camera
        for verdict in asking(logbook, visit)
        if any(asks(f) and (verdict.camera, f.check) not in decided for f in verdict.findings)
    )
