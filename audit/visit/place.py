"""Step two: photos to planned cameras."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from audit.match.assign import match_photos
from audit.match.placement import Placement
from audit.photos.photo import Photo
from audit.visit.run import Progress, Run

__all__ = ["place", "placed_snapshots"]


def place(run: Run, photos: Sequence[Photo], at_least: float) -> tuple[Placement, ...]:
    """Put every photo of the visit to a camera, with what persons said as facts, and keep it."""
    run.progress(Progress("place", 0, 1))
    placements = match_photos(run.site, tuple(photos), run.logbook.answers(run.visit), at_least)
    run.logbook.put_placements(run.visit, placements)
    run.progress(Progress("place", 1, 1))
    return placements


def placed_snapshots(placements: Iterable[Placement]) -> list[Placement]:
    """Pictures that cameras themselves took, where it is decided whose they are."""
    return [p for p in placements if p.decision == "placed" and p.role == "snapshot" and p.camera is not None]
