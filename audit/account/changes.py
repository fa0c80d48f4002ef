"""What changed since the signed visit: states, findings that came and findings that are gone."""

from __future__ import annotations

from dataclasses import dataclass

from audit.account.worklist import asking, asks
from audit.judge.finding import STATES, State
from audit.logbook import Logbook, VisitRecord

__all__ = ["Change", "changes", "signed_before"]


@dataclass(frozen=True, slots=True)
class Change:
    """One camera that is not as it was.

    Attributes
    ----------
    before, now : State or None
        None where the visit did not judge the camera.
    came, gone : tuple of str
        Checks that ask for work or a look now and did not then, and the other way round.
    new : bool
        The camera gives its first picture now: then there was none, so that nothing is as it was.
    """

    camera: str
    before: State | None
    now: State | None
    came: tuple[str, ...]
    gone: tuple[str, ...]
    new: bool = False


def signed_before(logbook: Logbook, visit: VisitRecord) -> VisitRecord | None:
    """The latest signed visit before this one."""
    earlier = [v for v in logbook.visits() if v.signed_at is not None and v.number < visit.number]
    return max(earlier, key=lambda v: v.number, default=None)


def changes(logbook: Logbook, before: VisitRecord, now: VisitRecord) -> tuple[Change, ...]:
    """Cameras whose state or open findings differ between two visits, worst now first."""
    then, today = dict(logbook.verdict_order(before)), dict(logbook.verdict_order(now))
    asked_then, asked_now = _asked(logbook, before), _asked(logbook, now)
    seen_then, seen_now = _seen(logbook, before), _seen(logbook, now)
    found = []
    for camera in dict.fromkeys((*today, *then)):
        had, has = asked_then.get(camera, ()), asked_now.get(camera, ())
        came = tuple(check for check in has if check not in had)
        gone = tuple(check for check in had if check not in has)
        new = camera in seen_now and camera not in seen_then
        if then.get(camera) != today.get(camera) or came or gone or new:
            found.append(Change(camera, then.get(camera), today.get(camera), came, gone, new))
    return tuple(sorted(found, key=lambda change: _rank(change.now)))


def _seen(logbook: Logbook, visit: VisitRecord) -> frozenset[str]:
    """Cameras with a picture of their own in a visit."""
    return frozenset(camera for camera, roles in logbook.placed_roles(visit).items() if "snapshot" in roles)


def _rank(state: State | None) -> int:
    return len(STATES) if state is None else STATES.index(state)


def _asked(logbook: Logbook, visit: VisitRecord) -> dict[str, tuple[str, ...]]:
    """Checks that ask for something, by camera; only the cameras that ask are read."""
    return {v.camera: tuple(f.check for f in v.findings if asks(f)) for v in asking(logbook, visit)}
