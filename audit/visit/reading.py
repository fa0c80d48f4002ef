"""Between placing and measuring: the text of photos that the metadata leaves open, read once and placed by.

A picture that no phone took may be a camera's own: what is burnt into it is read first, and where that names a camera the
rest of it is not read.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from audit.extras import has
from audit.match.labels import label_index
from audit.match.placement import Placement
from audit.match.reading import READ_SIDE_PX, TEXT_METHOD, Ids, id_reader, ids_of, may_hold_print, read_label, to_read
from audit.match.roles import of_a_phone
from audit.match.written import Names, name_reader, names_of
from audit.measure.burned_in import WRITTEN_METHOD, read_burned_in
from audit.photos.photo import Photo
from audit.photos.text import lines_from_record, lines_to_record
from audit.visit.kept import KeptImage, kept_image
from audit.visit.run import Run, Task, do_each

__all__ = ["read_texts", "with_texts"]

#: Longest that one run of a visit begins to read further photos, seconds (chosen: reading takes about a second a photo, and thousands may be
#: open where a whole walk lost its metadata); the next run goes on with the rest.
MOST_S = 1200.0


@dataclass(frozen=True, slots=True)
class _TextJob:
    name: str
    image: KeptImage
    ids: Ids
    names: Names
    own: bool
    labelled: bool


def read_texts(run: Run, photos: Mapping[str, Photo], placements: Sequence[Placement]) -> None:
    """Read the text of every photo that nothing else has placed; what was read by this version stays.

    Without the engine, or where time runs out, nothing is kept of a photo, so that a later run reads it.
    """
    if not has("reading"):
        return
    wanted = [photos[p.photo] for p in placements if to_read(photos[p.photo], p)]
    ids, names = ids_of(run.site), names_of(run.site)

    began = time.monotonic()

    def waiting() -> Iterator[_TextJob]:
        for photo in wanted:
            if time.monotonic() - began > MOST_S:
                return
            own = not of_a_phone(photo)
            labelled = may_hold_print(photo)
            last = WRITTEN_METHOD if own and (not labelled or _names_one(run, photo)) else TEXT_METHOD
            if run.logbook.measurement(photo.sha256, last) is None:
                yield _TextJob(photo.name, kept_image(run, photo.sha256), ids, names, own, labelled)

    def keep(job: _TextJob, records: dict[str, Any]) -> None:
        for method, record in records.items():
            run.logbook.put_measurement(job.image.sha256, method, record)

    do_each(run, Task("text", _read_one, keep, "its text could not be read"), waiting(), len(wanted))


def _names_one(run: Run, photo: Photo) -> bool:
    """Whether what was read in the picture before names a camera already."""
    record = run.logbook.measurement(photo.sha256, WRITTEN_METHOD)
    return record is not None and name_reader(names_of(run.site)).camera(lines_from_record(record)) is not None


def _read_one(job: _TextJob) -> dict[str, Any]:
    """Records by method."""
    written = read_burned_in(job.image.pixels()) if job.own else ()
    burnt = {WRITTEN_METHOD: lines_to_record(written)} if job.own else {}
    if not job.labelled or name_reader(job.names).camera(written) is not None:
        return burnt
    return {**burnt, TEXT_METHOD: lines_to_record(read_label(job.image.pixels(READ_SIDE_PX), id_reader(job.ids)))}


def with_texts(run: Run, photos: Mapping[str, Photo]) -> dict[str, Photo]:
    """The photos with what their text names: a label's one id beside the codes that were read, and, where neither file nor
    folder names a camera, the one whose name is burnt in."""
    ids, names, index = id_reader(ids_of(run.site)), name_reader(names_of(run.site)), label_index(run.site)
    found = dict(photos)
    for name, record in _kept(run, photos, TEXT_METHOD).items():
        told = ids.told(lines_from_record(record))
        if told is not None:
            found[name] = replace(photos[name], codes=(*photos[name].codes, told))
    for name, record in _kept(run, photos, WRITTEN_METHOD).items():
        camera = names.camera(lines_from_record(record))
        if camera is not None and not of_a_phone(photos[name]) and not index.hits(found[name]):
            found[name] = replace(found[name], written=(camera,))
    return found


def _kept(run: Run, photos: Mapping[str, Photo], method: str) -> dict[str, dict[str, Any]]:
    read = run.logbook.measurements(run.visit, method)
    return {name: read[photo.sha256] for name, photo in photos.items() if photo.sha256 in read}
