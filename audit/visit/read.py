"""Step one: files to photos, with what each says of itself, its codes and a preview."""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audit import compute
from audit.account.boards import boards_of
from audit.errors import PhotoRefused
from audit.extras import has
from audit.lens import Lens
from audit.match.labels import LabelIndex, label_index, read_codes
from audit.match.roles import of_a_phone
from audit.measure.board import find_boards
from audit.measure.burned_in import WRITTEN_METHOD, read_burned_in
from audit.measure.image import MEASURE_SIDE_PX, measure_image, measurement_method
from audit.measure.record import measurement_to_record
from audit.photos.intake import FoundFile, open_photo, read_file
from audit.photos.photo import Photo
from audit.photos.pixels import preview_jpeg
from audit.photos.text import lines_to_record
from audit.visit.run import Progress, Run, first_line

__all__ = ["read"]

log = logging.getLogger(__name__)

PREVIEW_SIDE_PX = 960


@dataclass(frozen=True, slots=True)
class _FileJob:
    found: FoundFile
    lens: Lens | None
    boards: tuple[int, ...]
    keep: bool


@dataclass(frozen=True, slots=True)
class _Taken:
    """What a worker read; the file's bytes stay behind, so that they need not pass between processes, and so do the pixels but where
    they are to be looked at again in this process."""

    photo: Photo
    preview: bytes
    measured: dict[str, Any] | None
    written: dict[str, Any] | None
    pixels: NDArray[np.uint8] | None


def read(run: Run, files: Sequence[FoundFile]) -> None:
    """Take in every file that this visit has not seen yet."""
    index = label_index(run.site)
    seen = {(s.name, s.size_bytes, s.mtime_ns) for s in run.logbook.seen(run.visit)}
    waiting = [f for f in files if (f.name, *_stamp(f)) not in seen]
    done = len(files) - len(waiting)
    run.progress(Progress("read", done, len(files)))
    boards = tuple(boards_of(run.logbook, run.site))
    here = isinstance(run.executor, compute.InProcess)
    jobs = (_FileJob(f, _lens_by_name(run, index, f.name), boards, here) for f in waiting)
    for outcome in compute.each(run.executor, _take, jobs, stop=run.stop):
        job, taken = outcome.item, outcome.value
        size, mtime_ns = _stamp(job.found)
        error = outcome.error
        if taken is not None:
            error = _keep(run, job, taken, mtime_ns)
        if error is not None:
            kind, message = _refusal(job.found.name, error)
            run.logbook.add_refusal(run.visit, job.found.name, kind, message, size_bytes=size, mtime_ns=mtime_ns)
        done += 1
        run.progress(Progress("read", done, len(files), job.found.name))
    run.stop_if_asked()


def _keep(run: Run, job: _FileJob, taken: _Taken, mtime_ns: int | None) -> PhotoRefused | None:
    """Keep what a worker read, with the file's bytes; a refusal where they are no longer those that it read."""
    name, photo = job.found.name, taken.photo
    try:
        data = read_file(job.found.path, name)
    except PhotoRefused as refusal:
        return refusal
    if hashlib.sha256(data).hexdigest() != photo.sha256:
        return PhotoRefused(name, "unreadable", f"{name}: the file changed while it was read; run the visit again.")
    run.logbook.add_photo(run.visit, photo, data, taken.preview, mtime_ns=mtime_ns)
    if taken.measured is not None and job.lens is not None:
        run.logbook.put_measurement(photo.sha256, measurement_method(job.lens), taken.measured)
    if taken.written is not None:
        run.logbook.put_measurement(photo.sha256, WRITTEN_METHOD, taken.written)
    if taken.pixels is not None:
        run.opened.put(photo.sha256, taken.pixels)
    return None


def _stamp(found: FoundFile) -> tuple[int | None, int | None]:
    try:
        status = found.path.stat()
    except OSError:
        return None, None
    return status.st_size, status.st_mtime_ns


def _lens_by_name(run: Run, index: LabelIndex, name: str) -> Lens | None:
    """The planned lens of the one camera that a file's name tells, so that it can be measured as it is read."""
    hits = index.hits(Photo(name, "", 0, "", 1, 1))
    cameras = {c for hit in hits for c in hit.cameras}
    return run.lens(run.site.cameras[cameras.pop()].camera) if len(cameras) == 1 else None


def _take(job: _FileJob) -> _Taken:
    """Read one file: what it says of itself, its codes, a preview, and, where it is a camera's own, its measurement and
    what is burnt into it."""
    size = None if job.lens is None else (job.lens.width_px, job.lens.height_px)
    opened = open_photo(job.found.path, job.found.name, max_side_px=MEASURE_SIDE_PX, guarded=True, grey_of=size)
    own = opened.grey is not None
    measured = None if opened.grey is None else _measured(job, opened.pixels, opened.grey)
    written = lines_to_record(read_burned_in(opened.pixels)) if own and has("reading") else None
    codes = () if own else read_codes(opened.pixels)
    # a copy: the worker's answer holds the shades at full size too
    kept = opened.pixels.copy() if job.keep and not of_a_phone(opened.photo) else None
    return _Taken(replace(opened.photo, codes=codes), preview_jpeg(opened.pixels, PREVIEW_SIDE_PX), measured, written, kept)


def _measured(job: _FileJob, pixels: NDArray[np.uint8], grey: NDArray[np.uint8]) -> dict[str, Any]:
    """The measurement of a camera's own picture, boards looked for at its full size."""
    measured = measure_image(pixels, job.lens)
    return measurement_to_record(replace(measured, boards=find_boards(grey, job.boards)))


def _refusal(name: str, error: Exception | None) -> tuple[str, str]:
    if isinstance(error, PhotoRefused):
        return error.kind, error.message
    if isinstance(error, MemoryError):
        return "too large", f"{name}: memory ran out while reading it; send a smaller picture."
    log.warning("%s: %s", name, error)
    return "unreadable", f"{name}: could not be read ({first_line(error)}); copy it again from the device."
