"""Step four: what stays on the glass over several day snapshots of one camera."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from audit.account.account import Account
from audit.measure.clarity import measure_series
from audit.measure.image import METHOD
from audit.measure.record import clarity_to_record
from audit.visit.kept import KeptImage, kept_image
from audit.visit.run import Run, Task, do_each

__all__ = ["see_together"]


@dataclass(frozen=True, slots=True)
class _SeriesJob:
    name: str
    hashes: tuple[str, ...]
    images: tuple[KeptImage, ...]


def see_together(run: Run, accounts: Mapping[str, Account]) -> None:
    """See a camera's day snapshots together where there are several and that was not done yet."""
    several = {name: account.seen_together for name, account in accounts.items() if account.seen_together}

    def waiting() -> Iterator[_SeriesJob]:
        for camera, hashes in several.items():
            if run.logbook.series(run.visit, camera, hashes, METHOD) is None:
                yield _SeriesJob(camera, hashes, tuple(kept_image(run, sha256) for sha256 in hashes))

    def keep(job: _SeriesJob, record: dict[str, Any]) -> None:
        run.logbook.put_series(run.visit, job.name, job.hashes, METHOD, record)

    do_each(
        run, Task("measure", _series_of_one, keep, "its pictures could not be seen together"), waiting(), len(several)
    )


def _series_of_one(job: _SeriesJob) -> dict[str, Any]:
    return clarity_to_record(measure_series([image.pixels() for image in job.images]))
