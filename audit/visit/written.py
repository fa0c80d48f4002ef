"""What is burnt into the cameras' own pictures, read once as they are measured, as evidence for their judgement."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime

from audit.collect.names import asked_at
from audit.judge.written import SiteTime, Written, site_time
from audit.match.placement import Placement
from audit.match.written import NameReader, name_reader, names_of
from audit.measure.burned_in import WRITTEN_METHOD
from audit.photos.dates import readings, without_times
from audit.photos.photo import Photo
from audit.photos.text import TextLine, lines_from_record
from audit.plan.sun import time_zone
from audit.visit.collected import COLLECTOR
from audit.visit.place import placed_snapshots
from audit.visit.run import Run

__all__ = ["written_by_camera"]

#: Letters of a name and of a clock that belong together differ in height by less than this factor.
_ALIKE = 1.6
#: Other text than a name of the plan counts with this many letters or figures, read this surely.
_LEAST_CHARACTERS, _SURE = 3, 0.9


def written_by_camera(run: Run, placements: Iterable[Placement]) -> tuple[dict[str, tuple[Written, ...]], SiteTime]:
    """What stands in the pictures of each camera, and what that tells of the site's way to write dates.

    Parameters
    ----------
    placements : iterable of Placement
        All of the visit's, for the order of dates is learnt over the site.
    """
    kept = run.logbook.measurements(run.visit, WRITTEN_METHOD)
    site = run.site
    zone = None
    if site.origin_latitude is not None and site.origin_longitude is not None:
        zone = time_zone(site.origin_latitude, site.origin_longitude)
    if not any(record.get("lines") for record in kept.values()):
        return {}, SiteTime(zone, run.visit.on)
    photos = {photo.name: photo for photo in run.logbook.photos(run.visit)}
    collected = {a.photo for a in run.logbook.answer_history(run.visit) if a.by == COLLECTOR}
    names = name_reader(names_of(site))
    found: dict[str, list[Written]] = {}
    for placement in placed_snapshots(placements):
        photo = photos[placement.photo]
        lines = lines_from_record(kept.get(photo.sha256, {}))
        if lines:
            asked = asked_at(photo.name) if photo.name in collected else None
            found.setdefault(placement.camera or "", []).append(_written(photo, lines, names, asked))
    written = {camera: tuple(several) for camera, several in found.items()}
    return written, site_time(written, zone, run.visit.on)


def _written(photo: Photo, lines: Sequence[TextLine], names: NameReader, asked: datetime | None) -> Written:
    clocks = [line for line in lines if readings(line.text)]
    named = names.camera(lines)
    beside = [line for line in lines if without_times(line.text) and (line in clocks or any(_alike(line, c) for c in clocks))]
    own = [line for line in lines if named is not None and names.camera([line]) == named]
    said = own or [line for line in beside if _tells(line)]
    return Written(
        photo.name,
        without_times(said[0].text) if said else "",
        named,
        any(line in beside for line in said[:1]),
        readings(clocks[0].text) if clocks else (),
        photo.metadata.taken_at,
        asked,
    )


def _alike(one: TextLine, other: TextLine) -> bool:
    low, high = sorted((one.height_px, other.height_px))
    return high < _ALIKE * low


def _tells(line: TextLine) -> bool:
    """Whether a line that names no camera of the plan is worth telling: surely read, and more than a sign or two."""
    return line.score >= _SURE and sum(c.isalnum() for c in without_times(line.text)) >= _LEAST_CHARACTERS
