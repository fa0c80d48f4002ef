"""Step three: measure every placed snapshot that has no measurement with its camera's lens yet."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from audit.account.boards import boards_of
from audit.extras import has
from audit.lens import Lens
from audit.match.placement import Placement
from audit.measure.board import find_boards
from audit.measure.burned_in import WRITTEN_METHOD, read_burned_in
from audit.measure.image import measure_image, measurement_method
from audit.measure.record import measurement_to_record
from audit.photos.photo import Photo
from audit.photos.text import lines_to_record
from audit.visit.kept import KeptImage, kept_image
from audit.visit.run import Progress, Run, Task, do_each

__all__ = ["Measuring", "measure", "measure_with"]


@dataclass(frozen=True, slots=True)
class _MeasureJob:
    name: str
    image: KeptImage
    lens: Lens | None
    method: str
    boards: tuple[int, ...]
    unread: bool


@dataclass(frozen=True, slots=True)
class Measuring:
    """A picture to be measured with a lens; None estimates the angle of view.

    ``boards`` are the numbers of the site's boards, to be looked for at full size; none: no board is looked for.
    """

    photo: str
    sha256: str
    lens: Lens | None
    boards: tuple[int, ...] = ()


def measure(run: Run, photos: Mapping[str, Photo], snapshots: Sequence[Placement]) -> None:
    """Measure what waits, and keep it.

    Parameters
    ----------
    photos : mapping
        Photos of the visit by name.
    snapshots : sequence of Placement
        Placed snapshots.
    """
    placed = ((photos[placement.photo], run.lens(placement.camera or "")) for placement in snapshots)
    boards = tuple(boards_of(run.logbook, run.site))
    measure_with(run, [Measuring(photo.name, photo.sha256, lens, boards) for photo, lens in placed])


def measure_with(run: Run, wanted: Sequence[Measuring]) -> None:
    """Measure each picture with its lens where that was not done yet, and keep it."""

    def waiting() -> Iterator[_MeasureJob]:
        for one in wanted:
            method = measurement_method(one.lens)
            if run.logbook.measurement(one.sha256, method) is None:
                unread = has("reading") and run.logbook.measurement(one.sha256, WRITTEN_METHOD) is None
                yield _MeasureJob(one.photo, kept_image(run, one.sha256), one.lens, method, one.boards, unread)

    def keep(job: _MeasureJob, records: dict[str, Any]) -> None:
        run.logbook.put_measurement(job.image.sha256, job.method, records["measured"])
        if job.unread:
            run.logbook.put_measurement(job.image.sha256, WRITTEN_METHOD, records["written"])

    do_each(run, Task("measure", _measure_one, keep, "could not be measured"), waiting(), len(wanted))
    run.progress(Progress("measure", len(wanted), len(wanted)))


def _measure_one(job: _MeasureJob) -> dict[str, Any]:
    pixels = job.image.pixels()
    measured = measure_image(pixels, job.lens)
    if job.boards:
        measured = replace(measured, boards=find_boards(job.image.grey(), job.boards))
    written = lines_to_record(read_burned_in(pixels)) if job.unread else None
    return {"measured": measurement_to_record(measured), "written": written}
