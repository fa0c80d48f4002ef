"""Step three: measure every placed snapshot that has no measurement with its camera's lens yet."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from audit.lens import Lens
from audit.match.placement import Placement
from audit.measure.image import measure_image, measurement_method
from audit.measure.record import measurement_to_record
from audit.photos.photo import Photo
from audit.visit.kept import KeptImage, kept_image
from audit.visit.run import Progress, Run, Task, do_each

__all__ = ["measure"]


@dataclass(frozen=True, slots=True)
class _MeasureJob:
    name: str
    image: KeptImage
    lens: Lens
    method: str


def measure(run: Run, photos: Mapping[str, Photo], snapshots: Sequence[Placement]) -> None:
    """Measure what waits, and keep it.

    Parameters
    ----------
    photos : mapping
        Photos of the visit by name.
    snapshots : sequence of Placement
        Placed snapshots.
    """

    def waiting() -> Iterator[_MeasureJob]:
        for placement in snapshots:
            photo, lens = photos[placement.photo], run.lens(placement.camera or "")
            method = measurement_method(lens)
            if run.logbook.measurement(photo.sha256, method) is None:
                yield _MeasureJob(photo.name, kept_image(run, photo.sha256), lens, method)

    def keep(job: _MeasureJob, record: dict[str, Any]) -> None:
        run.logbook.put_measurement(job.image.sha256, job.method, record)

    do_each(run, Task("measure", _measure_one, keep, "could not be measured"), waiting(), len(snapshots))
    run.progress(Progress("measure", len(snapshots), len(snapshots)))


def _measure_one(job: _MeasureJob) -> dict[str, Any]:
    return measurement_to_record(measure_image(job.image.pixels(), job.lens))
