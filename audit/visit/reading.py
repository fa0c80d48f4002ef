"""Between placing and measuring: the printed text of photos that the metadata leaves open, read once and placed by."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from audit.extras import has
from audit.match.placement import Placement
from audit.match.reading import (
    READ_SIDE_PX,
    TEXT_METHOD,
    Ids,
    id_reader,
    ids_of,
    lines_from_record,
    lines_to_record,
    read_label,
    to_read,
)
from audit.photos.photo import Photo
from audit.visit.kept import KeptImage, kept_image
from audit.visit.run import Run, Task, do_each

__all__ = ["read_texts", "with_texts"]


@dataclass(frozen=True, slots=True)
class _TextJob:
    name: str
    image: KeptImage
    ids: Ids


def read_texts(run: Run, photos: Mapping[str, Photo], placements: Sequence[Placement]) -> None:
    """Read the text of every photo that nothing else has placed; what was read by this version stays.

    Without the engine nothing is read or kept, so that a later run with it reads them.
    """
    if not has("reading"):
        return
    wanted = [photos[p.photo] for p in placements if to_read(photos[p.photo], p)]
    ids = ids_of(run.site)

    def waiting() -> Iterator[_TextJob]:
        for photo in wanted:
            if run.logbook.measurement(photo.sha256, TEXT_METHOD) is None:
                yield _TextJob(photo.name, kept_image(run, photo.sha256), ids)

    def keep(job: _TextJob, record: dict[str, Any]) -> None:
        run.logbook.put_measurement(job.image.sha256, TEXT_METHOD, record)

    do_each(run, Task("text", _read_one, keep, "its text could not be read"), waiting(), len(wanted))


def _read_one(job: _TextJob) -> dict[str, Any]:
    return lines_to_record(read_label(job.image.pixels(READ_SIDE_PX), id_reader(job.ids)))


def with_texts(run: Run, photos: Mapping[str, Photo]) -> dict[str, Photo]:
    """The photos, each with the one id of the plan that is printed in it beside the codes that were read."""
    ids = id_reader(ids_of(run.site))
    found = dict(photos)
    for name, record in _kept(run, photos).items():
        told = ids.told(lines_from_record(record))
        if told is not None:
            found[name] = replace(photos[name], codes=(*photos[name].codes, told))
    return found


def _kept(run: Run, photos: Mapping[str, Photo]) -> dict[str, dict[str, Any]]:
    read = run.logbook.measurements(run.visit, TEXT_METHOD)
    return {name: read[photo.sha256] for name, photo in photos.items() if photo.sha256 in read}
