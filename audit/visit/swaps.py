"""Step six: cameras that show each other's views."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from audit.judge.evidence import Comparison, Snapshot
from audit.match.swaps import Swap, swapped_pairs
from audit.measure.image import MEASURE_SIDE_PX
from audit.measure.swaps import best_views, swapped
from audit.photos.photo import Photo
from audit.photos.pixels import decode
from audit.visit.compare import References
from audit.visit.run import Run

__all__ = ["find_swaps"]

#: Cameras with a strange view that are matched against each other's references at once.
_MOST_STRANGE = 60


def find_swaps(
    run: Run,
    photos: Iterable[Photo],
    references: References,
    snapshots: Mapping[str, tuple[Snapshot, ...]],
    comparisons: Mapping[str, list[Comparison]],
) -> tuple[Swap, ...]:
    """Pairs that the photos' own words tell, then pairs that the signed references tell."""
    told = swapped_pairs(run.site, photos)
    return (*told, *_by_picture(run, references, snapshots, comparisons))


def _by_picture(
    run: Run,
    references: References,
    snapshots: Mapping[str, tuple[Snapshot, ...]],
    comparisons: Mapping[str, list[Comparison]],
) -> tuple[Swap, ...]:
    """Cameras that don't show their own reference but each other's."""
    least = run.limits.movement.same_view_probability
    strange = [
        camera
        for camera, found in comparisons.items()
        if any(not c.night and (c.change.same_view_probability or 0.0) < least for c in found)
    ][:_MOST_STRANGE]
    if len(strange) < 2:
        return ()
    shots = [next(s for s in snapshots[camera] if not s.night) for camera in strange]
    today = [decode(run.logbook.image(shot.sha256), MEASURE_SIDE_PX) for shot in shots]
    then = [decode(run.logbook.image(references[camera, "day"].sha256), MEASURE_SIDE_PX) for camera in strange]
    lenses = [
        run.lens(camera).resized(pixels.shape[1], pixels.shape[0]) for camera, pixels in zip(strange, then, strict=True)
    ]
    matches = best_views(today, then, lenses)
    return tuple(
        Swap(
            strange[one],
            strange[other],
            (
                f"{shots[one].photo} shows the signed reference of {strange[other]}.",
                f"{shots[other].photo} shows the signed reference of {strange[one]}.",
            ),
        )
        for one, other in swapped(matches, range(len(strange)))
    )
