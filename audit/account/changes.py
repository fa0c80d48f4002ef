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
    """

    camera: str
    before: State | None
    now: State | None
    came: tuple[str, ...]
    gone: tuple[str, ...]


def signed_before(logbook: Logbook, visit: VisitRecord) -> VisitRecord | None:
    """The latest signed visit before this one."""
    earlier = [v for v in logbook.visits() if v.signed_at is not None and v.number < visit.number]
    return max(earlier, key=lambda v: v.number, default=None)


def changes(logbook: Logbook, before: VisitRecord, now: VisitRecord) -> tuple[Change, ...]:
    """Cameras whose state or open findings differ between two visits, worst now first."""
    then, today = dict(logbook.verdict_order(before)), dict(logbook.verdict_order(now))
    asked_then, asked_now = _asked(logbook, before), _asked(logbook, now)
    found = []
    for camera in dict.fromkeys((*today, *then)):
        had, has = asked_then.get(camera, ()), asked_now.get(camera, ())
        came = tuple(check for check in has if check not in had)
        gone = tuple(check for check in had if check not in has)
        if then.get(camera) != today.get(camera) or came or gone:
            found.append(Change(camera, then.get(camera), today.get(camera), came, gone))
    return tuple(sorted(found, key=lambda change: _rank(change.now)))


def _rank(state: State | None) -> int:
    return len(STATES) if state is None else STATES.index(state)


def _asked(logbook: Logbook, visit: VisitRecord) -> dict[str, tuple[str, ...]]:
    """Checks that ask for something, by camera; only the cameras that ask are read."""
    return {v.camera: tuple(f.check for f in v.findings if asks(f)) for v in asking(logbook, visit)}
