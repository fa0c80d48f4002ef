"""Step five: each snapshot against the signed reference of its camera, day with day and night with night."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from audit.account.account import Account
from audit.judge.intended import intended_pose
from audit.lens import Lens
from audit.logbook import ReferenceRecord
from audit.measure.image import METHOD
from audit.measure.record import change_to_record
from audit.measure.view import compare as compare_views
from audit.visit.kept import KeptImage, kept_image
from audit.visit.run import Progress, Run, Task, do_each

__all__ = ["compare"]


@dataclass(frozen=True, slots=True)
class _CompareJob:
    name: str
    reference: ReferenceRecord
    then: KeptImage
    today: KeptImage
    lens: Lens
    reference_pitch_deg: float
    reference_roll_deg: float


def compare(run: Run, accounts: Mapping[str, Account]) -> None:
    """Compare the best snapshot of each light with the reference of that light where that was not done yet."""
    pairs = [
        (account, shot, reference)
        for account in accounts.values()
        for shot in (account.day, account.night)
        if shot is not None and (reference := account.reference(shot.night)) is not None
    ]

    def waiting() -> Iterator[_CompareJob]:
        for account, shot, reference in pairs:
            if run.logbook.comparison(reference.sha256, shot.photo.sha256, METHOD) is None:
                then, now = (kept_image(run, sha256) for sha256 in (reference.sha256, shot.photo.sha256))
                pitch, roll = _pose_then(account, reference)
                yield _CompareJob(shot.photo.name, reference, then, now, run.lens(reference.camera), pitch, roll)

    def keep(job: _CompareJob, record: dict[str, Any]) -> None:
        run.logbook.put_comparison(job.reference.sha256, job.today.sha256, METHOD, record)

    do_each(run, Task("compare", _compare_one, keep, "could not be compared"), waiting(), len(pairs))
    run.progress(Progress("compare", len(pairs), len(pairs)))


def _compare_one(job: _CompareJob) -> dict[str, Any]:
    reference, today = job.then.pixels(), job.today.pixels()
    lens = job.lens.resized(reference.shape[1], reference.shape[0])
    pose = {"reference_pitch_deg": job.reference_pitch_deg, "reference_roll_deg": job.reference_roll_deg}
    return change_to_record(compare_views(reference, today, lens, **pose))


def _pose_then(account: Account, reference: ReferenceRecord) -> tuple[float, float]:
    """Pitch and roll of the reference, which split a turn into pan and roll: as measured, else as intended."""
    measured = account.then.get(reference.channel)
    if measured is not None and measured.pitch_deg is not None and measured.roll_deg is not None:
        return measured.pitch_deg, measured.roll_deg
    intended = intended_pose(account.camera)
    return intended.pitch_deg, intended.roll_deg
