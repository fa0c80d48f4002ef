"""The conductor: one visit from a heap of files to findings.

intake -> metadata -> match -> measure -> judge -> logbook, in that order; each step keeps what it made before the next
begins, so a visit that is stopped at any moment goes on where it was.
"""

from __future__ import annotations

import hashlib
import logging
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from contextlib import nullcontext
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from audit import compute
from audit.errors import AuditError, PhotoRefused
from audit.judge.evidence import CameraEvidence, Comparison, Snapshot
from audit.judge.finding import Verdict
from audit.judge.findings import judge_camera
from audit.judge.intended import intended_pose
from audit.judge.limits import Limits, planned_lens
from audit.lens import Lens
from audit.logbook import ImageStore, Logbook, ReferenceRecord, VisitRecord
from audit.match.assign import match_photos
from audit.match.labels import LabelIndex, label_index, read_codes
from audit.match.placement import Placement
from audit.match.swaps import Swap, swapped_pairs
from audit.measure.clarity import measure_series
from audit.measure.image import MEASURE_SIDE_PX, METHOD, measure_image, measurement_method
from audit.measure.measurement import Clarity, Orientation
from audit.measure.orientation import combine_orientations
from audit.measure.record import (
    Record,
    change_from_record,
    change_to_record,
    clarity_from_record,
    clarity_to_record,
    measurement_from_record,
    measurement_to_record,
)
from audit.measure.swaps import best_views, swapped
from audit.measure.view import compare
from audit.photos.intake import FoundFile, find_files, open_photo, read_file
from audit.photos.photo import Photo
from audit.photos.pixels import decode, preview_jpeg
from audit.plan.model import Camera, Site

__all__ = [
    "KINDS",
    "Progress",
    "Stopped",
    "VisitSummary",
    "judge_again",
    "measure_anew",
    "run_visit",
    "summary_of",
]

log = logging.getLogger(__name__)

PREVIEW_SIDE_PX = 960
KINDS = ("commissioning", "maintenance")
_SNAPSHOTS_PER_LIGHT = 4
#: Cameras with a strange view that are matched against each other's references at once.
_MOST_STRANGE = 60

Report = Callable[["Progress"], None]
Ask = Callable[[], bool]
Job = TypeVar("Job")
References = Mapping[tuple[str, str], ReferenceRecord]


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a visit is.

    Attributes
    ----------
    step : str
        ``read``, ``place``, ``measure``, ``compare`` or ``judge``.
    done, total : int
    name : str
        What was just finished.
    """

    step: str
    done: int
    total: int
    name: str = ""


class Stopped(AuditError):
    """Somebody asked the visit to stop; it goes on when it is run again."""


@dataclass(frozen=True, slots=True)
class VisitSummary:
    """What a visit brought.

    Attributes
    ----------
    refused : tuple of (name, sentence)
    decisions, states : Counter
        Placements by decision; cameras by state.
    """

    visit: VisitRecord
    photos: int
    refused: tuple[tuple[str, str], ...]
    decisions: Counter[str]
    states: Counter[str]


@dataclass(frozen=True, slots=True)
class _FileJob:
    found: FoundFile
    lens: Lens | None


@dataclass(frozen=True, slots=True)
class _Taken:
    """What a worker read; the file's bytes stay behind, so that they need not pass between processes."""

    photo: Photo
    preview: bytes
    measured: Record | None


@dataclass(frozen=True, slots=True)
class _Kept:
    """A kept image for a worker: where it lies, or its bytes where the worker may not reach the place."""

    sha256: str
    place: str
    data: bytes | None = None

    def pixels(self) -> NDArray[np.uint8]:
        """At measuring size."""
        return decode(ImageStore(self.place).get(self.sha256) if self.data is None else self.data, MEASURE_SIDE_PX)


@dataclass(frozen=True, slots=True)
class _MeasureJob:
    name: str
    image: _Kept
    lens: Lens
    method: str


@dataclass(frozen=True, slots=True)
class _CompareJob:
    name: str
    reference: ReferenceRecord
    then: _Kept
    today: _Kept
    lens: Lens
    reference_pitch_deg: float
    reference_roll_deg: float


@dataclass(frozen=True, slots=True)
class _SeriesJob:
    camera: str
    hashes: tuple[str, ...]
    images: tuple[_Kept, ...]


def run_visit(
    logbook: Logbook,
    photos: Path,
    kind: str,
    on: date,
    *,
    workers: int = 0,
    cluster: str | None = None,
    executor: Executor | None = None,
    limits: Limits | None = None,
    at_least: float = 0.97,
    progress: Report = lambda _: None,
    stop: Ask = lambda: False,
) -> VisitSummary:
    """The main job: photos of one visit to findings in the logbook.

    Safe to stop at any moment and to run again: photos that were read or measured are not read or measured again.

    Parameters
    ----------
    photos : Path
        Folder, searched whole.
    kind : str
        ``commissioning`` or ``maintenance``.
    on : date
        Day of the visit; the same kind and day go on with that visit.
    limits : Limits or None
        What is asked of the cameras, kept with the visit; None goes on with the limits that it has.
    workers, cluster
        Where work runs, see :func:`audit.compute.executor`.
    executor : Executor or None
        Where work runs, started before and left running; None starts one by ``workers`` and ``cluster``.
    progress, stop
        ``progress`` is called after each finished item; ``stop`` returning True ends the visit with
        :class:`Stopped`.

    Raises
    ------
    AuditError
        Where the folder can't be read, the logbook is busy, or the visit is signed already.
    """
    if kind not in KINDS:
        raise AuditError(f"A visit is one of {' or '.join(KINDS)}, not '{kind}'.")
    if not photos.is_dir():
        raise AuditError(f"{photos}: no such folder of photos; name the folder that holds them.")
    files = tuple(find_files(photos))
    if not files:
        raise AuditError(f"{photos}: holds no files; copy the crew's photos there first.")
    visit = logbook.open_visit("commissioning" if kind == "commissioning" else "maintenance", on)
    there = compute.executor(workers, cluster) if executor is None else nullcontext(executor)
    with logbook.writing(visit), there as work:
        if limits is not None:
            logbook.put_limits(visit, limits)
        limits = logbook.limits(visit)
        _read(logbook, visit, files, limits, work, progress, stop)
        return _from_photos(logbook, visit, limits, at_least, work, progress, stop)


def judge_again(
    logbook: Logbook,
    visit: VisitRecord,
    *,
    at_least: float = 0.97,
    progress: Report = lambda _: None,
) -> VisitSummary:
    """Place, measure what is newly placed, and judge again by the visit's own limits, after a person answered where
    photos belong."""
    with logbook.writing(visit), compute.executor(0) as executor:
        limits = logbook.limits(visit)
        return _from_photos(logbook, visit, limits, at_least, executor, progress, lambda: False)


def _from_photos(
    logbook: Logbook,
    visit: VisitRecord,
    limits: Limits,
    at_least: float,
    executor: Executor,
    progress: Report,
    stop: Ask,
) -> VisitSummary:
    site = logbook.site()
    photos = {photo.name: photo for photo in logbook.photos(visit)}
    progress(Progress("place", 0, 1))
    placements = match_photos(site, tuple(photos.values()), logbook.answers(visit), at_least)
    logbook.put_placements(visit, placements)
    progress(Progress("place", 1, 1))
    snapshots = _placed_snapshots(placements)
    _measure(logbook, site, photos, snapshots, limits, executor, progress, stop)
    known = _snapshots_by_camera(logbook, site, photos, snapshots, limits)
    references: References = {
        (r.camera, r.channel): r for camera in known for r in logbook.camera_references(camera, visit)
    }
    series = _series(logbook, visit, known, executor, progress, stop)
    comparisons = _compare(logbook, references, site, known, limits, executor, progress, stop)
    swaps = (
        *swapped_pairs(site, photos.values()),
        *_swaps_by_picture(logbook, references, site, known, comparisons, limits),
    )
    verdicts = _judge(
        logbook, visit, site, placements, known, series, comparisons, references, swaps, limits, progress
    )
    logbook.put_verdicts(visit, verdicts)
    return summary_of(logbook, visit)


def measure_anew(
    logbook: Logbook,
    visit: VisitRecord,
    *,
    workers: int = 0,
    cluster: str | None = None,
    progress: Report = lambda _: None,
    stop: Ask = lambda: False,
) -> None:
    """Measure a visit's placed snapshots by this program's version, signed or not; nothing else of it changes."""
    photos = {photo.name: photo for photo in logbook.photos(visit)}
    placed = _placed_snapshots(logbook.placements(visit))
    with compute.executor(workers, cluster) as executor:
        _measure(logbook, logbook.site(visit), photos, placed, logbook.limits(visit), executor, progress, stop)


def _placed_snapshots(placements: Iterable[Placement]) -> list[Placement]:
    return [p for p in placements if p.decision == "placed" and p.role == "snapshot" and p.camera is not None]


def summary_of(logbook: Logbook, visit: VisitRecord) -> VisitSummary:
    """What a visit has brought so far, as the logbook keeps it."""
    return VisitSummary(
        visit,
        len(logbook.photos(visit)),
        tuple((r.name, r.message) for r in logbook.refusals(visit)),
        Counter(p.decision for p in logbook.placements(visit)),
        Counter({state: n for state, n in logbook.verdict_counts(visit).items()}),
    )


def _read(
    logbook: Logbook,
    visit: VisitRecord,
    files: Sequence[FoundFile],
    limits: Limits,
    executor: Executor,
    progress: Report,
    stop: Ask,
) -> None:
    """Take in every file that this visit has not seen yet."""
    site = logbook.site()
    index = label_index(site)
    seen = {(s.name, s.size_bytes, s.mtime_ns) for s in logbook.seen(visit)}
    waiting = [f for f in files if (f.name, *_stamp(f)) not in seen]
    done = len(files) - len(waiting)
    progress(Progress("read", done, len(files)))
    jobs = (_FileJob(f, _lens_by_name(site, index, f.name, limits)) for f in waiting)
    for outcome in compute.each(executor, _take, jobs, stop=stop):
        job, taken = outcome.item, outcome.value
        size, mtime_ns = _stamp(job.found)
        error = outcome.error
        if taken is not None:
            error = _keep(logbook, visit, job, taken, mtime_ns)
        if error is not None:
            kind, message = _refusal(job.found.name, error)
            logbook.add_refusal(visit, job.found.name, kind, message, size_bytes=size, mtime_ns=mtime_ns)
        done += 1
        progress(Progress("read", done, len(files), job.found.name))
    _stop_if_asked(stop)


def _keep(
    logbook: Logbook, visit: VisitRecord, job: _FileJob, taken: _Taken, mtime_ns: int | None
) -> PhotoRefused | None:
    """Keep what a worker read, with the file's bytes; a refusal where they are no longer those that it read."""
    name, photo = job.found.name, taken.photo
    try:
        data = read_file(job.found.path, name)
    except PhotoRefused as refusal:
        return refusal
    if hashlib.sha256(data).hexdigest() != photo.sha256:
        return PhotoRefused(name, "unreadable", f"{name}: the file changed while it was read; run the visit again.")
    logbook.add_photo(visit, photo, data, taken.preview, mtime_ns=mtime_ns)
    if taken.measured is not None and job.lens is not None:
        logbook.put_measurement(photo.sha256, measurement_method(job.lens), taken.measured)
    return None


def _kept(logbook: Logbook, sha256: str, executor: Executor) -> _Kept:
    """An image by its place where workers share this machine's files, else with its bytes."""
    place = logbook.images.address
    far = not compute.shares_files(executor) and logbook.images.folder is not None
    return _Kept(sha256, place, logbook.image(sha256) if far else None)


def _stamp(found: FoundFile) -> tuple[int | None, int | None]:
    try:
        status = found.path.stat()
    except OSError:
        return None, None
    return status.st_size, status.st_mtime_ns


def _lens_by_name(site: Site, index: LabelIndex, name: str, limits: Limits) -> Lens | None:
    """The planned lens of the one camera that a file's name tells, so that it can be measured as it is read."""
    hits = index.hits(Photo(name, "", 0, "", 1, 1))
    cameras = {c for hit in hits for c in hit.cameras}
    return planned_lens(site.cameras[cameras.pop()], limits) if len(cameras) == 1 else None


def _take(job: _FileJob) -> _Taken:
    """Read one file: what it says of itself, its codes, a preview, and, where it is a camera's own, its measurement."""
    opened = open_photo(job.found.path, job.found.name, max_side_px=MEASURE_SIDE_PX, guarded=True)
    photo = opened.photo
    own = job.lens is not None and (photo.width_px, photo.height_px) == (job.lens.width_px, job.lens.height_px)
    measured = measurement_to_record(measure_image(opened.pixels, job.lens)) if own else None
    codes = () if own else read_codes(opened.pixels)
    return _Taken(replace(photo, codes=codes), preview_jpeg(opened.pixels, PREVIEW_SIDE_PX), measured)


def _refusal(name: str, error: Exception | None) -> tuple[str, str]:
    if isinstance(error, PhotoRefused):
        return error.kind, error.message
    if isinstance(error, MemoryError):
        return "too large", f"{name}: memory ran out while reading it; send a smaller picture."
    log.warning("%s: %s", name, error)
    return "unreadable", f"{name}: could not be read ({_first_line(error)}); copy it again from the device."


def _first_line(error: Exception | None) -> str:
    return next(iter(str(error).splitlines()), type(error).__name__)


def _stop_if_asked(stop: Ask) -> None:
    if stop():
        raise Stopped("The visit was stopped; run it again to go on where it was.")


def _work(
    executor: Executor,
    do: Callable[[Job], Record],
    jobs: Iterator[Job],
    keep: Callable[[Job, Record], None],
    name: Callable[[Job], str],
    failed: str,
    step: str,
    total: int,
    progress: Report,
    stop: Ask,
) -> None:
    """Do every job and keep each result as it comes; one that fails is logged and the rest goes on."""
    done = 0
    for outcome in compute.each(executor, do, jobs, stop=stop):
        job = outcome.item
        if outcome.value is not None:
            keep(job, outcome.value)
        else:
            log.warning("%s: %s (%s)", name(job), failed, _first_line(outcome.error))
        done += 1
        progress(Progress(step, done, total, name(job)))
    _stop_if_asked(stop)


def _measure(
    logbook: Logbook,
    site: Site,
    photos: dict[str, Photo],
    snapshots: Sequence[Placement],
    limits: Limits,
    executor: Executor,
    progress: Report,
    stop: Ask,
) -> None:
    """Measure every placed snapshot that has no measurement with its camera's lens yet."""

    def waiting() -> Iterator[_MeasureJob]:
        for placement in snapshots:
            photo = photos[placement.photo]
            lens = planned_lens(site.camera(placement.camera or ""), limits)
            method = measurement_method(lens)
            if logbook.measurement(photo.sha256, method) is None:
                yield _MeasureJob(photo.name, _kept(logbook, photo.sha256, executor), lens, method)

    def keep(job: _MeasureJob, record: Record) -> None:
        logbook.put_measurement(job.image.sha256, job.method, record)

    _work(executor, _measure_one, waiting(), keep, lambda job: job.name, "could not be measured",
          "measure", len(snapshots), progress, stop)  # fmt: skip
    progress(Progress("measure", len(snapshots), len(snapshots)))


def _measure_one(job: _MeasureJob) -> Record:
    return measurement_to_record(measure_image(job.image.pixels(), job.lens))


def _snapshots_by_camera(
    logbook: Logbook, site: Site, photos: dict[str, Photo], snapshots: Iterable[Placement], limits: Limits
) -> dict[str, tuple[Snapshot, ...]]:
    """Each camera's snapshots, day before night, the clearest first."""
    found: dict[str, list[Snapshot]] = {}
    for placement in snapshots:
        photo, camera = photos[placement.photo], placement.camera or ""
        record = logbook.measurement(photo.sha256, measurement_method(planned_lens(site.camera(camera), limits)))
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


def _series(
    logbook: Logbook,
    visit: VisitRecord,
    snapshots: dict[str, tuple[Snapshot, ...]],
    executor: Executor,
    progress: Report,
    stop: Ask,
) -> dict[str, Clarity]:
    """What stays on the glass over several day snapshots of one camera, by camera."""
    several: dict[str, tuple[str, ...]] = {}
    for camera, shots in snapshots.items():
        day = tuple(s.sha256 for s in shots if not s.night)[:_SNAPSHOTS_PER_LIGHT]
        if len(day) > 1:
            several[camera] = day

    def waiting() -> Iterator[_SeriesJob]:
        for camera, hashes in several.items():
            if logbook.series(visit, camera, hashes, METHOD) is None:
                yield _SeriesJob(camera, hashes, tuple(_kept(logbook, sha256, executor) for sha256 in hashes))

    def keep(job: _SeriesJob, record: Record) -> None:
        logbook.put_series(visit, job.camera, job.hashes, METHOD, record)

    _work(executor, _series_of_one, waiting(), keep, lambda job: job.camera, "its pictures could not be seen together",
          "measure", len(several), progress, stop)  # fmt: skip
    kept = {camera: logbook.series(visit, camera, hashes, METHOD) for camera, hashes in several.items()}
    return {camera: clarity_from_record(record) for camera, record in kept.items() if record is not None}


def _series_of_one(job: _SeriesJob) -> Record:
    return clarity_to_record(measure_series([image.pixels() for image in job.images]))


def _compare(
    logbook: Logbook,
    references: References,
    site: Site,
    snapshots: dict[str, tuple[Snapshot, ...]],
    limits: Limits,
    executor: Executor,
    progress: Report,
    stop: Ask,
) -> dict[str, list[Comparison]]:
    """Each snapshot against the signed reference of its camera, day with day and night with night."""
    pairs = [
        (camera, shot, reference)
        for camera, shots in snapshots.items()
        for shot in _best_of_each_light(shots)
        if (reference := references.get((camera, "night" if shot.night else "day"))) is not None
    ]

    def waiting() -> Iterator[_CompareJob]:
        for camera, shot, reference in pairs:
            if logbook.comparison(reference.sha256, shot.sha256, METHOD) is None:
                lens = planned_lens(site.camera(camera), limits)
                then, now = (_kept(logbook, sha256, executor) for sha256 in (reference.sha256, shot.sha256))
                pitch, roll = _reference_pose(logbook, site.camera(camera), reference, limits)
                yield _CompareJob(shot.photo, reference, then, now, lens, pitch, roll)

    def keep(job: _CompareJob, record: Record) -> None:
        logbook.put_comparison(job.reference.sha256, job.today.sha256, METHOD, record)

    _work(executor, _compare_one, waiting(), keep, lambda job: job.name, "could not be compared",
          "compare", len(pairs), progress, stop)  # fmt: skip
    progress(Progress("compare", len(pairs), len(pairs)))
    found: dict[str, list[Comparison]] = {}
    for camera, shot, reference in pairs:
        record = logbook.comparison(reference.sha256, shot.sha256, METHOD)
        if record is not None:
            change = change_from_record(record)
            found.setdefault(camera, []).append(Comparison(reference.photo, shot.photo, shot.night, change))
    return found


def _swaps_by_picture(
    logbook: Logbook,
    references: References,
    site: Site,
    snapshots: dict[str, tuple[Snapshot, ...]],
    comparisons: dict[str, list[Comparison]],
    limits: Limits,
) -> tuple[Swap, ...]:
    """Cameras that don't show their own reference but each other's."""
    least = limits.movement.same_view_probability
    strange = [
        camera
        for camera, found in comparisons.items()
        if any(not c.night and (c.change.same_view_probability or 0.0) < least for c in found)
    ][:_MOST_STRANGE]
    if len(strange) < 2:
        return ()
    shots = [next(s for s in snapshots[camera] if not s.night) for camera in strange]
    today = [decode(logbook.image(shot.sha256), MEASURE_SIDE_PX) for shot in shots]
    then = [decode(logbook.image(references[camera, "day"].sha256), MEASURE_SIDE_PX) for camera in strange]
    lenses = [
        planned_lens(site.camera(camera), limits).resized(pixels.shape[1], pixels.shape[0])
        for camera, pixels in zip(strange, then, strict=True)
    ]
    matches = best_views(today, then, lenses)
    return tuple(
        Swap(
            strange[one],
            strange[other],
            (
                f"{shots[one].photo} shows the signed reference of {strange[other]}.",
                f"{shots[other].photo} shows the signed reference of {strange[one]}.",
            ),
        )
        for one, other in swapped(matches, range(len(strange)))
    )


def _compare_one(job: _CompareJob) -> Record:
    reference, today = job.then.pixels(), job.today.pixels()
    lens = job.lens.resized(reference.shape[1], reference.shape[0])
    pose = {"reference_pitch_deg": job.reference_pitch_deg, "reference_roll_deg": job.reference_roll_deg}
    return change_to_record(compare(reference, today, lens, **pose))


def _reference_orientation(
    logbook: Logbook, reference: ReferenceRecord | None, camera: Camera, limits: Limits
) -> Orientation | None:
    """What was measured in a signed reference by the camera's planned lens, if it was."""
    if reference is None:
        return None
    record = logbook.measurement(reference.sha256, measurement_method(planned_lens(camera, limits)))
    return None if record is None else measurement_from_record(record).orientation


def _reference_pose(
    logbook: Logbook, camera: Camera, reference: ReferenceRecord, limits: Limits
) -> tuple[float, float]:
    """Pitch and roll of the reference, which split a turn into pan and roll: as measured, else as intended."""
    measured = _reference_orientation(logbook, reference, camera, limits)
    if measured is not None and measured.pitch_deg is not None and measured.roll_deg is not None:
        return measured.pitch_deg, measured.roll_deg
    intended = intended_pose(camera)
    return intended.pitch_deg, intended.roll_deg


def _best_of_each_light(shots: Sequence[Snapshot]) -> list[Snapshot]:
    day = [s for s in shots if not s.night][:1]
    night = [s for s in shots if s.night][:1]
    return day + night


def _judge(
    logbook: Logbook,
    visit: VisitRecord,
    site: Site,
    placements: Sequence[Placement],
    snapshots: dict[str, tuple[Snapshot, ...]],
    series: Mapping[str, Clarity],
    comparisons: dict[str, list[Comparison]],
    references: References,
    swaps: Sequence[Swap],
    limits: Limits,
    progress: Report,
) -> tuple[Verdict, ...]:
    placed: dict[str, list[Placement]] = {}
    uncertain: Counter[str] = Counter()
    for placement in placements:
        if placement.decision == "placed" and placement.camera is not None:
            placed.setdefault(placement.camera, []).append(placement)
        elif placement.decision == "uncertain":
            uncertain.update(a.camera for a in placement.alternatives[:2] if a.camera is not None)
    pairs = {
        one: (other, swap) for swap in swaps for one, other in ((swap.first, swap.second), (swap.second, swap.first))
    }
    verdicts = []
    for done, camera in enumerate(site.cameras, 1):
        name = camera.camera
        shots = snapshots.get(name, ())
        other, swap = pairs.get(name, (None, None))
        evidence = CameraEvidence(
            placements=tuple(placed.get(name, ())),
            uncertain=uncertain[name],
            snapshots=shots,
            orientation=_combined(shots),
            series=series.get(name),
            comparisons=tuple(comparisons.get(name, ())),
            reference_orientation=_reference_orientation(logbook, references.get((name, "day")), camera, limits),
            swapped_with=other,
            swap_evidence=swap.evidence if swap is not None else (),
            swap_certain=swap is None or swap.certain,
            maintenance=visit.kind == "maintenance",
        )
        verdicts.append(judge_camera(camera, evidence, limits))
        progress(Progress("judge", done, len(site.cameras), name))
    return tuple(verdicts)


def _combined(shots: Sequence[Snapshot]) -> Orientation | None:
    day = [s.measured.orientation for s in shots if not s.night]
    return combine_orientations(day) if len(day) > 1 else None
