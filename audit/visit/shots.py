"""Before placing: what each photo that was taken by hand shows, looked at once, in its preview; and what that says of brackets after."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from audit.account.account import Account
from audit.judge.bracket import BracketSeen
from audit.match.bodies import Body
from audit.match.look import look_at
from audit.match.roles import by_hand
from audit.match.shots import SHOT_METHOD, shows_from_record, shows_to_record
from audit.photos.photo import Photo
from audit.photos.pixels import decode
from audit.visit.run import Run, Task, do_each

__all__ = ["brackets_seen", "look_at_shots"]


@dataclass(frozen=True, slots=True)
class _LookJob:
    name: str
    sha256: str
    preview: bytes


def look_at_shots(run: Run, photos: Mapping[str, Photo]) -> None:
    """Look at every photo that a person may have taken; what this version looked at stays."""
    seen = run.logbook.measurements(run.visit, SHOT_METHOD)
    wanted = [photo for photo in photos.values() if by_hand(photo) and photo.sha256 not in seen]

    def waiting() -> Iterator[_LookJob]:
        for photo in wanted:
            preview = run.logbook.preview(photo.sha256)
            if preview is not None:
                yield _LookJob(photo.name, photo.sha256, preview)

    def keep(job: _LookJob, record: dict[str, Any]) -> None:
        run.logbook.put_measurement(job.sha256, SHOT_METHOD, record)

    do_each(run, Task("text", _look, keep, "could not be looked at"), waiting(), len(wanted))


def _look(job: _LookJob) -> dict[str, Any]:
    return shows_to_record(look_at(decode(job.preview)))


def brackets_seen(run: Run, accounts: Mapping[str, Account]) -> dict[str, tuple[BracketSeen, ...]]:
    """What the close-ups of each camera's bracket show, where they were looked at."""
    close_ups = [(name, shot.photo) for name, account in accounts.items() for shot in account.shots if shot.placement.role == "bracket"]
    if len(accounts) > 1:
        kept = run.logbook.measurements(run.visit, SHOT_METHOD)
    else:
        kept = {p.sha256: told for _, p in close_ups if (told := run.logbook.measurement(p.sha256, SHOT_METHOD)) is not None}
    found: dict[str, list[BracketSeen]] = defaultdict(list)
    for name, photo in close_ups:
        shows = shows_from_record(kept[photo.sha256]) if photo.sha256 in kept else None
        if shows is not None and shows.bodies:
            found[name].append(BracketSeen(photo.name, Body.of(shows.bodies)))
    return {name: tuple(seen) for name, seen in found.items()}
