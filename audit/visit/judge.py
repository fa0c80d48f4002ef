"""The last step: the evidence of each camera to its verdict."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from audit.judge.evidence import CameraEvidence, Comparison, Exchange, Snapshot
from audit.judge.finding import Verdict
from audit.judge.findings import judge_camera
from audit.match.placement import Placement
from audit.measure.image import measurement_method
from audit.measure.measurement import Clarity, Orientation
from audit.measure.orientation import combine_orientations
from audit.measure.record import measurement_from_record
from audit.photos.photo import Photo
from audit.visit.compare import References, reference_orientation
from audit.visit.run import Progress, Run

__all__ = ["Seen", "evidence_by_camera", "judge", "snapshots_by_camera"]


@dataclass(frozen=True, slots=True)
class Seen:
    """What the steps before have brought, by camera."""

    placements: Sequence[Placement]
    snapshots: Mapping[str, tuple[Snapshot, ...]]
    series: Mapping[str, Clarity]
    comparisons: Mapping[str, list[Comparison]]
    references: References


def evidence_by_camera(run: Run, seen: Seen) -> dict[str, CameraEvidence]:
    """All that the visit brought for each camera of the plan."""
    placed, uncertain = _by_camera(seen.placements)
    found = {}
    for camera in run.site.cameras:
        name = camera.camera
        shots = seen.snapshots.get(name, ())
        found[name] = CameraEvidence(
            placements=tuple(placed.get(name, ())),
            uncertain=uncertain[name],
            snapshots=shots,
            orientation=_combined(shots),
            series=seen.series.get(name),
            comparisons=tuple(seen.comparisons.get(name, ())),
            reference_orientation=reference_orientation(run, name, seen.references.get((name, "day"))),
            maintenance=run.visit.kind == "maintenance",
        )
    return found


def judge(
    run: Run, evidence: Mapping[str, CameraEvidence], exchanged: Mapping[str, Exchange]
) -> tuple[Verdict, ...]:
    """Judge every camera of the plan, and keep the verdicts."""
    verdicts = []
    for done, camera in enumerate(run.site.cameras, 1):
        name = camera.camera
        verdicts.append(judge_camera(camera, replace(evidence[name], exchange=exchanged.get(name)), run.limits))
        run.progress(Progress("judge", done, len(run.site.cameras), name))
    run.logbook.put_verdicts(run.visit, verdicts)
    return tuple(verdicts)


def snapshots_by_camera(
    run: Run, photos: Mapping[str, Photo], placed: Iterable[Placement]
) -> dict[str, tuple[Snapshot, ...]]:
    """Each camera's snapshots, day before night, the clearest first."""
    found: dict[str, list[Snapshot]] = {}
    for placement in placed:
        photo, camera = photos[placement.photo], placement.camera or ""
        record = run.logbook.measurement(photo.sha256, measurement_method(run.lens(camera)))
        if record is None:
            continue
        measured = measurement_from_record(record)
        taken_at = photo.metadata.taken_at
        night = measured.clarity.night
        found.setdefault(camera, []).append(
            Snapshot(photo.name, photo.sha256, photo.width_px, photo.height_px, taken_at, night, measured)
        )
    return {camera: tuple(sorted(shots, key=_clearest_first)) for camera, shots in found.items()}


def _clearest_first(snapshot: Snapshot) -> tuple[bool, float, str]:
    dirt = snapshot.measured.clarity.dirt_probability
    return snapshot.night, 1.0 if dirt is None else round(dirt, 3), snapshot.photo


def _by_camera(placements: Iterable[Placement]) -> tuple[dict[str, list[Placement]], Counter[str]]:
    """Placed photos by camera, and how many uncertain ones may be each camera's."""
    placed: dict[str, list[Placement]] = {}
    uncertain: Counter[str] = Counter()
    for placement in placements:
        if placement.decision == "placed" and placement.camera is not None:
            placed.setdefault(placement.camera, []).append(placement)
        elif placement.decision == "uncertain":
            uncertain.update(a.camera for a in placement.alternatives[:2] if a.camera is not None)
    return placed, uncertain


def _combined(shots: Sequence[Snapshot]) -> Orientation | None:
    day = [s.measured.orientation for s in shots if not s.night]
    return combine_orientations(day) if len(day) > 1 else None
