"""Step two: photos to planned cameras."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from audit.match.assign import match_photos
from audit.match.placement import Placement
from audit.match.told import role_said
from audit.photos.photo import Photo
from audit.visit.run import Progress, Run

__all__ = ["place", "placed_snapshots"]


def place(run: Run, photos: Sequence[Photo], at_least: float) -> tuple[Placement, ...]:
    """Put every photo of the visit to a camera, with what persons said as facts, and keep it."""
    run.progress(Progress("place", 0, 1))
    told = run.logbook.told(run.visit)
    cameras = {name: said.camera for name, said in told.items()}
    roles = {name: role_said(said.role) for name, said in told.items() if said.role is not None}
    given = _handed_in(run, cameras)
    wanted = tuple(p for p in photos if p.name not in given)
    placements = match_photos(run.site, wanted, cameras, at_least, roles)
    placements = tuple(sorted((*placements, *given.values()), key=lambda p: p.photo)) if given else placements
    kept = run.logbook.put_placements(run.visit, placements)
    run.progress(Progress("place", 1, 1))
    return kept


def _handed_in(run: Run, answers: Mapping[str, str | None]) -> dict[str, Placement]:
    """Photos that came with the word that work is done at a camera: they stay where they were handed in, unless a person
    moved them since."""
    names = {
        name for given in run.logbook.done_pictures(run.visit).values() for name in (*given.counting, *given.taken_back)
    }
    names -= answers.keys()
    return {p.photo: p for p in run.logbook.placements(run.visit) if p.photo in names} if names else {}


def placed_snapshots(placements: Iterable[Placement]) -> list[Placement]:
    """Pictures that cameras themselves took, where it is decided whose they are."""
    return [p for p in placements if p.decision == "placed" and p.role == "snapshot" and p.camera is not None]
