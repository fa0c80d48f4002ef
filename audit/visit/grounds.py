"""The ground in the cameras' pictures, laid flat once a picture, for those that have a neighbour to hold it against."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from audit.judge.evidence import CameraEvidence
from audit.judge.hints import OwnGround, own_grounds
from audit.lens import Lens
from audit.measure.ground import GROUND_METHOD, GroundView, ground_from_record, ground_to_record, ground_view
from audit.visit.kept import KeptImage, kept_image
from audit.visit.run import Run, Task, do_each

__all__ = ["grounds_of"]


@dataclass(frozen=True, slots=True)
class _GroundJob:
    name: str
    method: str
    image: KeptImage
    lens: Lens
    roll_deg: float
    pitch_deg: float


def grounds_of(run: Run, evidence: Mapping[str, CameraEvidence]) -> dict[str, GroundView]:
    """The ground by camera; what was laid flat with the same lens and tilt stays."""
    wanted = own_grounds(run.site, evidence)
    records: dict[tuple[str, str], dict[str, Any]] = {}
    for own in wanted:
        kept = run.logbook.measurement(own.shot.sha256, _method(own))
        if kept is not None:
            records[own.shot.sha256, _method(own)] = kept

    def waiting() -> Iterator[_GroundJob]:
        for own in wanted:
            if (own.shot.sha256, _method(own)) not in records:
                image = kept_image(run, own.shot.sha256)
                yield _GroundJob(own.shot.photo, _method(own), image, own.lens, own.roll_deg, own.pitch_deg)

    def keep(job: _GroundJob, record: dict[str, Any]) -> None:
        run.logbook.put_measurement(job.image.sha256, job.method, record)
        records[job.image.sha256, job.method] = record

    do_each(run, Task("compare", _look, keep, "its ground could not be laid flat"), waiting(), len(wanted))
    found = {}
    for own in wanted:
        record = records.get((own.shot.sha256, _method(own)))
        view = None if record is None else ground_from_record(record)
        if view is not None:
            found[own.camera] = view
    return found


def _method(own: OwnGround) -> str:
    """Names all that the ground depends on but the picture."""
    lens = own.lens
    bent = f"{lens.hfov_deg:.2f}/{lens.k1:g}/{lens.k2:g}"
    return f"{GROUND_METHOD} {lens.projection}/{bent} {own.roll_deg:.2f}/{own.pitch_deg:.2f}"


def _look(job: _GroundJob) -> dict[str, Any]:
    return ground_to_record(ground_view(job.image.pixels(), job.lens, job.roll_deg, job.pitch_deg))
