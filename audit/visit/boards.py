"""Printed boards in the crew's photos: one that nothing else places belongs to the camera whose board it shows.

A phone stands where it likes, so its picture of a board names the camera and gives no pose.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from audit.account.boards import boards_of
from audit.match.placement import Placement
from audit.match.reading import left_open
from audit.match.roles import of_a_phone
from audit.measure.board import Board, find_boards
from audit.photos.photo import Photo
from audit.stored import checked
from audit.visit.kept import KeptImage, kept_image
from audit.visit.run import Run, Task, do_each

__all__ = ["BOARDS_METHOD", "boards_from_record", "look_for_boards", "with_boards"]

#: Version of the search; a photo that another version looked at is looked at again.
BOARDS_METHOD = "boards-1"
_VERSION = 1
#: Long side at which they are looked for: a crew photographs a board from a few steps away.
_SIDE_PX = 1600


@dataclass(frozen=True, slots=True)
class _BoardJob:
    name: str
    image: KeptImage
    numbers: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class _KeptBoards:
    boards: tuple[Board, ...] = ()


def look_for_boards(run: Run, photos: Mapping[str, Photo], placements: Sequence[Placement]) -> None:
    """Look for boards in every phone's photo that nothing else has placed; what this version looked at stays."""
    numbers = tuple(boards_of(run.logbook, run.site))
    wanted = [photos[p.photo] for p in placements if left_open(photos[p.photo], p) and of_a_phone(photos[p.photo])]

    def waiting() -> Iterator[_BoardJob]:
        for photo in wanted if numbers else ():
            if run.logbook.measurement(photo.sha256, BOARDS_METHOD) is None:
                yield _BoardJob(photo.name, kept_image(run, photo.sha256), numbers)

    def keep(job: _BoardJob, record: dict[str, Any]) -> None:
        run.logbook.put_measurement(job.image.sha256, BOARDS_METHOD, record)

    do_each(run, Task("text", _look, keep, "could not be searched for boards"), waiting(), len(wanted))


def _look(job: _BoardJob) -> dict[str, Any]:
    found = find_boards(job.image.pixels(_SIDE_PX), job.numbers)
    return {"version": _VERSION, "boards": [asdict(board) for board in found]}


def boards_from_record(record: dict[str, Any]) -> tuple[Board, ...]:
    """The boards of a kept record."""
    return checked(_KeptBoards, record, "boards", _VERSION).boards


def with_boards(run: Run, photos: Mapping[str, Photo]) -> dict[str, Photo]:
    """The photos with the cameras whose boards they show."""
    known, found = boards_of(run.logbook, run.site), dict(photos)
    kept = run.logbook.measurements(run.visit, BOARDS_METHOD)
    for name, photo in photos.items():
        if photo.sha256 in kept:
            read = (b.number for b in boards_from_record(kept[photo.sha256]) if b.number in known and not b.mirrored)
            cameras = (known[number].camera for number in read if number is not None)
            found[name] = replace(photo, boards=tuple(dict.fromkeys(c for c in cameras if c is not None)))
    return found
