"""Step five: each snapshot against the signed reference of its camera, day with day and night with night."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from audit.judge.evidence import Comparison, Snapshot
from audit.judge.intended import intended_pose
from audit.lens import Lens
from audit.logbook import ReferenceRecord
from audit.measure.image import METHOD, measurement_method
from audit.measure.measurement import Orientation
from audit.measure.record import change_from_record, change_to_record, measurement_from_record
from audit.measure.view import compare as compare_views
from audit.visit.kept import KeptImage, kept_image
from audit.visit.run import Progress, Run, Task, do_each

__all__ = ["References", "compare", "reference_orientation"]

#: Signed references by camera and channel (``day``, ``night``).
References = Mapping[tuple[str, str], ReferenceRecord]


@dataclass(frozen=True, slots=True)
class _CompareJob:
    name: str
    reference: ReferenceRecord
    then: KeptImage
    today: KeptImage
    lens: Lens
    reference_pitch_deg: float
    reference_roll_deg: float


def compare(
    run: Run, references: References, snapshots: Mapping[str, tuple[Snapshot, ...]]
) -> dict[str, list[Comparison]]:
    """Compare what waits, keep it, and give the comparisons by camera."""
    pairs = [
        (camera, shot, reference)
        for camera, shots in snapshots.items()
        for shot in _best_of_each_light(shots)
        if (reference := references.get((camera, "night" if shot.night else "day"))) is not None
    ]

    def waiting() -> Iterator[_CompareJob]:
        for camera, shot, reference in pairs:
            if run.logbook.comparison(reference.sha256, shot.sha256, METHOD) is None:
                then, now = (kept_image(run, sha256) for sha256 in (reference.sha256, shot.sha256))
                pitch, roll = _reference_pose(run, camera, reference)
                yield _CompareJob(shot.photo, reference, then, now, run.lens(camera), pitch, roll)

    def keep(job: _CompareJob, record: dict[str, Any]) -> None:
        run.logbook.put_comparison(job.reference.sha256, job.today.sha256, METHOD, record)

    do_each(run, Task("compare", _compare_one, keep, "could not be compared"), waiting(), len(pairs))
    run.progress(Progress("compare", len(pairs), len(pairs)))
    found: dict[str, list[Comparison]] = {}
    for camera, shot, reference in pairs:
        record = run.logbook.comparison(reference.sha256, shot.sha256, METHOD)
        if record is not None:
            change = change_from_record(record)
            found.setdefault(camera, []).append(Comparison(reference.photo, shot.photo, shot.night, change))
    return found


def reference_orientation(run: Run, camera: str, reference: ReferenceRecord | None) -> Orientation | None:
    """What was measured in a signed reference by the camera's planned lens, if it was."""
    if reference is None:
        return None
    record = run.logbook.measurement(reference.sha256, measurement_method(run.lens(camera)))
    return None if record is None else measurement_from_record(record).orientation


def _compare_one(job: _CompareJob) -> dict[str, Any]:
    reference, today = job.then.pixels(), job.today.pixels()
    lens = job.lens.resized(reference.shape[1], reference.shape[0])
    pose = {"reference_pitch_deg": job.reference_pitch_deg, "reference_roll_deg": job.reference_roll_deg}
    return change_to_record(compare_views(reference, today, lens, **pose))


def _reference_pose(run: Run, camera: str, reference: ReferenceRecord) -> tuple[float, float]:
    """Pitch and roll of the reference, which split a turn into pan and roll: as measured, else as intended."""
    measured = reference_orientation(run, camera, reference)
    if measured is not None and measured.pitch_deg is not None and measured.roll_deg is not None:
        return measured.pitch_deg, measured.roll_deg
    intended = intended_pose(run.site.camera(camera))
    return intended.pitch_deg, intended.roll_deg


def _best_of_each_light(shots: Sequence[Snapshot]) -> list[Snapshot]:
    day = [s for s in shots if not s.night][:1]
    night = [s for s in shots if s.night][:1]
    return day + night
