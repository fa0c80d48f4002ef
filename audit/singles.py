"""Single images, pairs and folders without a logbook: what ``measure``, ``compare``, ``match`` and ``plan`` print."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, cast, get_args

import cv2
import numpy as np

from audit import compute
from audit.errors import AuditError, PhotoRefused
from audit.judge.finding import Verdict
from audit.judge.trip import Trip
from audit.lens import Lens, Projection
from audit.match.assign import match_photos
from audit.match.labels import read_codes
from audit.match.placement import Placement
from audit.match.table import read_answers, read_metadata_table, table_rows
from audit.measure.image import MEASURE_SIDE_PX, measure_image
from audit.measure.record import change_line, measure_line
from audit.measure.view import compare
from audit.photos.intake import find_files, open_photo
from audit.photos.photo import Photo
from audit.plan.files import read_plan
from audit.plan.model import Site
from audit.plan.optics import geometry

__all__ = [
    "compare_files",
    "compare_jobs",
    "compare_sentence",
    "geometry_lines",
    "geometry_sentence",
    "lens_of",
    "match_files",
    "match_sentence",
    "measure_files",
    "measure_jobs",
    "measure_sentence",
    "trip_sentences",
    "verdict_line",
    "verdict_sentence",
]

Line = dict[str, Any]
#: Spread of an angle of view worked out from EXIF (35 mm equivalents are whole millimetres, zoom and crop unknown).
EXIF_HFOV_SD_FRACTION = 0.03

_MEASURE_KEYS = (
    "file",
    "width",
    "height",
    "hfov_deg",
    "hfov_sd_deg",
    "hfov_source",
    "roll_deg",
    "roll_sd_deg",
    "pitch_deg",
    "pitch_sd_deg",
    "orientation_note",
    "orientation_cues",
    "sky_fraction",
    "sky_sd",
    "sky_note",
    "dirt_probability",
    "dirt_cause",
    "dirt_note",
    "sharpness",
    "night",
    "elapsed_ms",
    "error",
)
_COMPARE_KEYS = (
    "reference",
    "today",
    "same_view_probability",
    "pan_change_deg",
    "pan_change_sd_deg",
    "pitch_change_deg",
    "pitch_change_sd_deg",
    "roll_change_deg",
    "roll_change_sd_deg",
    "contrast_ratio",
    "contrast_ratio_sd",
    "sharpness_ratio",
    "soiled_fraction",
    "blocked_fraction",
    "dirt_probability",
    "dirt_cause",
    "note",
    "patches",
    "error",
)


@dataclass(frozen=True, slots=True)
class MeasureJob:
    """One image to measure: its name as given, where it lies, and what is known of its lens."""

    file: str
    path: Path
    hfov_deg: float | None
    projection: Projection | None
    k1: float
    k2: float
    mask: Path | None = None


@dataclass(frozen=True, slots=True)
class CompareJob:
    """A reference and today's image of the same camera."""

    reference: str
    today: str
    reference_path: Path
    today_path: Path
    hfov_deg: float | None
    projection: Projection | None


def lens_of(
    photo: Photo, hfov_deg: float | None, projection: Projection | None, k1: float = 0.0, k2: float = 0.0
) -> Lens | None:
    """The lens of a photo: as given, else from its EXIF; None where nothing tells the angle of view.

    Raises
    ------
    ValueError
        Where the given angle doesn't fit the projection.
    """
    kind: Projection = projection or "rectilinear"
    if hfov_deg is not None:
        return Lens(photo.width_px, photo.height_px, hfov_deg, 0.0, "given", kind, k1, k2)
    if kind == "equidistant":
        return Lens(photo.width_px, photo.height_px, 180.0, 10.0, "assumed", kind, k1, k2)
    from_exif = photo.metadata.hfov_deg
    if from_exif is not None and 1.0 < from_exif < 175.0:
        sd = EXIF_HFOV_SD_FRACTION * from_exif
        return Lens(photo.width_px, photo.height_px, from_exif, sd, "exif", kind, k1, k2)
    return None


def measure_jobs(
    images: Sequence[str], list_file: Path | None, hfov_deg: float | None, projection: str | None
) -> tuple[MeasureJob, ...]:
    """Images named on the command line and in a list, in input order.

    Raises
    ------
    AuditError
        Where there is nothing to measure, or the list can't be read.
    """
    kind = _projection(projection, "--projection")
    if hfov_deg is not None:
        _check_hfov(hfov_deg, kind, "--hfov")
    jobs = [MeasureJob(name, Path(name), hfov_deg, kind, 0.0, 0.0) for name in images]
    if list_file is not None:
        for where, row in _rows(list_file, ("file",)):
            row_kind = _projection(row.get("projection"), where) or kind
            angle = _number(row.get("hfov_deg"), where, "hfov_deg")
            jobs.append(
                MeasureJob(
                    row["file"],
                    _beside(list_file, row["file"]),
                    hfov_deg if angle is None else angle,
                    row_kind,
                    _number(row.get("k1"), where, "k1") or 0.0,
                    _number(row.get("k2"), where, "k2") or 0.0,
                )
            )
    if not jobs:
        raise AuditError("Name at least one picture, or a list with --list FILE.csv.")
    return tuple(jobs)


def measure_files(jobs: Sequence[MeasureJob], masks: Path | None, workers: int) -> Iterator[Line]:
    """One contract line per job, in order; a file that can't be used has its reason in ``error``."""
    used: set[str] = set()
    for job, line in _in_order(_measure_one, [_with_mask(job, masks, used) for job in jobs], workers):
        if isinstance(line, BaseException):
            yield {**dict.fromkeys(_MEASURE_KEYS), "file": job.file, "error": f"{job.file}: {_reason(line)}"}
        else:
            yield line


def _with_mask(job: MeasureJob, masks: Path | None, used: set[str]) -> MeasureJob:
    if masks is None:
        return job
    name = f"{Path(job.file).stem}.png"
    if name in used:
        name = f"{Path(job.file).name}.png"
    used.add(name)
    return replace(job, mask=masks / name)


def _measure_one(job: MeasureJob) -> Line:
    blank: Line = {**dict.fromkeys(_MEASURE_KEYS), "file": job.file}
    try:
        opened = open_photo(job.path, job.file, max_side_px=MEASURE_SIDE_PX, guarded=True)
        lens = lens_of(opened.photo, job.hfov_deg, job.projection, job.k1, job.k2)
    except PhotoRefused as refused:
        return {**blank, "error": refused.message}
    except ValueError as error:
        return {**blank, "error": f"{job.file}: {error}."}
    measured = measure_image(opened.pixels, lens)
    width, height = opened.photo.width_px, opened.photo.height_px
    if job.mask is not None and measured.sky.mask is not None:
        mask = measured.sky.mask.astype(np.uint8) * 255
        full = cv2.resize(mask, (width, height), interpolation=cv2.INTER_LINEAR)
        encoded = cv2.imencode(".png", np.where(full >= 128, 255, 0).astype(np.uint8))[1]
        job.mask.write_bytes(encoded.tobytes())
    return measure_line(job.file, width, height, measured)


def measure_sentence(line: Line) -> str:
    """One measured image for a person."""
    if line["error"]:
        return str(line["error"])
    if line["pitch_deg"] is None:
        pose = f"pose not measured ({line['orientation_note']})"
    else:
        turn = "turn about the plumb line not measured"
        if line["roll_deg"] is not None:
            turn = f"roll {line['roll_deg']:+.2f}° ± {1.96 * line['roll_sd_deg']:.2f}°"
        pose = f"{turn}, pitch {line['pitch_deg']:+.2f}° ± {1.96 * line['pitch_sd_deg']:.2f}°"
    sky = (
        f"sky not measured ({line['sky_note']})"
        if line["sky_fraction"] is None
        else f"sky {line['sky_fraction']:.1%} ± {1.96 * line['sky_sd']:.1%}"
    )
    dirt = (
        f"dirt not measured ({line['dirt_note']})"
        if line["dirt_probability"] is None
        else f"{line['dirt_cause']} (dirt probability {line['dirt_probability']:.0%})"
    )
    return f"{line['file']}: {pose}; {sky}; {dirt}; angle of view {line['hfov_deg']:.1f}° {line['hfov_source']}"


def compare_jobs(
    reference: str | None, today: str | None, list_file: Path | None, hfov_deg: float | None, projection: str | None
) -> tuple[CompareJob, ...]:
    """Pairs named on the command line or in a list, in input order.

    Raises
    ------
    AuditError
        Where there is no pair, or the list can't be read.
    """
    kind = _projection(projection, "--projection")
    if hfov_deg is not None:
        _check_hfov(hfov_deg, kind, "--hfov")
    jobs = []
    if reference is not None and today is not None:
        jobs.append(CompareJob(reference, today, Path(reference), Path(today), hfov_deg, kind))
    elif reference is not None:
        raise AuditError("Name two pictures, the reference and today's, or a list with --list FILE.csv.")
    if list_file is not None:
        for where, row in _rows(list_file, ("reference", "today")):
            angle = _number(row.get("hfov_deg"), where, "hfov_deg")
            jobs.append(
                CompareJob(
                    row["reference"],
                    row["today"],
                    _beside(list_file, row["reference"]),
                    _beside(list_file, row["today"]),
                    hfov_deg if angle is None else angle,
                    _projection(row.get("projection"), where) or kind,
                )
            )
    if not jobs:
        raise AuditError("Name two pictures, the reference and today's, or a list with --list FILE.csv.")
    return tuple(jobs)


def compare_files(jobs: Sequence[CompareJob], workers: int) -> Iterator[Line]:
    """One contract line per pair, in order."""
    for job, line in _in_order(_compare_one, jobs, workers):
        if isinstance(line, BaseException):
            blank = dict.fromkeys(_COMPARE_KEYS)
            yield {
                **blank,
                "reference": job.reference,
                "today": job.today,
                "error": f"{job.reference}, {job.today}: {_reason(line)}",
            }
        else:
            yield line


def _compare_one(job: CompareJob) -> Line:
    try:
        reference = open_photo(job.reference_path, job.reference, max_side_px=MEASURE_SIDE_PX, guarded=True)
        today = open_photo(job.today_path, job.today, max_side_px=MEASURE_SIDE_PX, guarded=True)
        lens = lens_of(reference.photo, job.hfov_deg, job.projection)
    except (PhotoRefused, ValueError) as error:
        text = error.message if isinstance(error, PhotoRefused) else f"{job.reference}: {error}."
        return {**dict.fromkeys(_COMPARE_KEYS), "reference": job.reference, "today": job.today, "error": text}
    if lens is not None:
        lens = lens.resized(reference.pixels.shape[1], reference.pixels.shape[0])
    return change_line(job.reference, job.today, compare(reference.pixels, today.pixels, lens))


def compare_sentence(line: Line) -> str:
    """One comparison for a person."""
    if line["error"]:
        return str(line["error"])
    head = f"{line['today']} against {line['reference']}: "
    if line["same_view_probability"] is None:
        return head + f"not compared ({line['note']})"
    parts = [f"same view with probability {line['same_view_probability']:.0%}"]
    if line["pan_change_deg"] is not None:
        parts.append(
            f"turned {line['pan_change_deg']:+.2f}° right, {line['pitch_change_deg']:+.2f}° up, "
            f"{line['roll_change_deg']:+.2f}° clockwise"
        )
    if line["contrast_ratio"] is not None:
        parts.append(f"local contrast {line['contrast_ratio']:.2f} of the reference's")
    if line["dirt_probability"] is not None:
        parts.append(f"{line['dirt_cause']} (dirt probability {line['dirt_probability']:.0%})")
    return head + "; ".join(parts)


def match_files(
    plan: Path, photos: Path, answers: Path | None, at_least: float, report: Callable[[str, int, int, str], None]
) -> list[Line]:
    """The contract's ``match`` lines of a folder of photos or a CSV of their metadata, in input order."""
    site = read_plan(plan)
    told = read_answers(answers) if answers is not None else {}
    refused: dict[str, str] = {}
    order: list[str] = []
    taken: list[Photo] = []
    if photos.is_dir():
        files = list(find_files(photos))
        for done, found in enumerate(files, 1):
            order.append(found.name)
            try:
                opened = open_photo(found.path, found.name, max_side_px=MEASURE_SIDE_PX, guarded=True)
                taken.append(replace(opened.photo, codes=read_codes(opened.pixels)))
            except PhotoRefused as error:
                refused[found.name] = error.message
            report("read", done, len(files), found.name)
        if not files:
            raise AuditError(f"{photos}: holds no files; name the folder that holds the photos.")
    elif photos.is_file():
        table, problems = read_metadata_table(photos)
        taken = list(table)
        order = [p.name for p in taken]
        for problem in problems:
            order.insert(problem.row - 2, problem.photo)
        refused = {problem.photo: problem.message for problem in problems}
    else:
        raise AuditError(f"{photos}: no such folder or CSV file.")
    placed = {p.photo: p for p in match_photos(site, taken, told, at_least)}
    return [_match_line(placed[name]) if name in placed else _refused_line(name, refused[name]) for name in order]


def _match_line(placement: Placement) -> Line:
    line = asdict(placement)
    line["probability"] = round(placement.probability, 6)
    line["alternatives"] = [
        {"camera": a.camera, "probability": round(a.probability, 6)} for a in placement.alternatives
    ]
    return {**line, "error": None}


def _refused_line(name: str, message: str) -> Line:
    return {
        "photo": name,
        "camera": None,
        "probability": None,
        "decision": "uncertain",
        "group": name,
        "alternatives": [],
        "role": "unknown",
        "evidence": [],
        "error": message,
    }


def match_sentence(line: Line) -> str:
    """One placed photo for a person."""
    if line["error"]:
        return str(line["error"])
    why = f" ({'; '.join(line['evidence'][:3])})" if line["evidence"] else ""
    if line["decision"] == "placed":
        return f"{line['photo']}: {line['camera']}, {line['role']}, probability {line['probability']:.1%}{why}"
    if line["decision"] == "unmatched":
        return f"{line['photo']}: belongs to no camera, probability {line['probability']:.1%}{why}"
    best = ", ".join(f"{a['camera'] or 'no camera'} {a['probability']:.0%}" for a in line["alternatives"][:2])
    return f"{line['photo']}: uncertain, {best}{why}"


def geometry_lines(site: Site) -> Iterator[Line]:
    """The contract's ``plan geometry`` lines."""
    for camera in site.cameras:
        yield cast(Line, _finite(asdict(geometry(camera))))


def geometry_sentence(line: Line) -> str:
    """One camera's planned picture for a person."""
    horizon = "no horizon in view" if line["horizon_row_px"] is None else f"horizon at row {line['horizon_row_px']:.0f}"
    near = "no ground in view" if line["nearest_ground_m"] is None else f"ground from {line['nearest_ground_m']:.1f} m"
    targets = "; ".join(_target_sentence(t) for t in line["targets"])
    return f"{line['camera']}: {horizon}, {near}, open sky {line['open_sky_fraction']:.0%}. {targets}"


def _target_sentence(target: Line) -> str:
    if not target["in_frame"]:
        return f"{target['target']}: outside the picture"
    need = (
        ""
        if target["required_px_per_m"] is None
        else f", {target['required_px_per_m']:g} required ({'met' if target['met'] else 'not met'})"
    )
    return f"{target['target']} at {target['distance_m']:.1f} m: {target['px_per_m']:.0f} px/m{need}"


def verdict_line(verdict: Verdict, visit: int) -> Line:
    """The contract's ``visit`` and ``show`` line."""
    findings = []
    for finding in verdict.findings:
        line = asdict(finding)
        line["remedy"] = finding.remedy.action if finding.remedy is not None else None
        line["remedy_detail"] = asdict(finding.remedy) if finding.remedy is not None else None
        line.pop("camera")
        findings.append(line)
    return cast(
        Line,
        _finite(
            {
                "camera": verdict.camera,
                "visit": visit,
                "state": verdict.state,
                "findings": findings,
                "photos": list(verdict.photos),
            }
        ),
    )


def verdict_sentence(verdict: Verdict) -> str:
    """One camera's state for a person, with what stands against it."""
    against = [f for f in verdict.findings if f.state in ("defect", "to check")]
    shown = against or [f for f in verdict.findings if f.state == "not verified"][:2]
    lines = [f"{verdict.camera}: {verdict.state}"]
    for finding in shown:
        lines.append(f"  {finding.check} [{finding.state}] {finding.why}")
        if finding.remedy is not None:
            lines.append(f"    -> {finding.remedy.action}")
    return "\n".join(lines)


def trip_sentences(trip: Trip) -> Iterator[str]:
    """A crew's trip for a person: stops in walking order, then what to bring."""
    if not trip.stops:
        yield "Nothing asks for a trip."
        return
    for number, stop in enumerate(trip.stops, 1):
        yield f"Stop {number}: {', '.join(stop.cameras)} ({stop.east_m:.0f} m east, {stop.north_m:.0f} m north)"
        for task in stop.tasks:
            yield f"  {task.camera} [{task.state}] {', '.join(task.checks)}: {task.action}"
            if task.field_check:
                yield f"    to see that it is right: {task.field_check}"
        for caution in stop.cautions:
            yield f"  caution: {caution}"
    bring = [*(f"{count} x {part}" for part, count in trip.parts), *trip.bring_always]
    yield f"Bring: {'; '.join(bring)}. Walk: {trip.walk_m:.0f} m."


def _in_order(function: Callable[[Any], Line], jobs: Sequence[Any], workers: int) -> Iterator[tuple[Any, Any]]:
    """Results in input order with bounded work under way; a failure comes back as the exception."""
    with compute.executor(workers) as pool:
        for outcome in compute.each(pool, function, jobs):
            yield outcome.item, outcome.error if outcome.value is None else outcome.value


def _reason(error: BaseException) -> str:
    if isinstance(error, MemoryError):
        return "memory ran out while measuring it; use a smaller picture."
    text = str(error).splitlines()[0] if str(error) else type(error).__name__
    return f"could not be measured ({text})."


def _rows(path: Path, needed: tuple[str, ...]) -> Iterator[tuple[str, dict[str, str]]]:
    for line, row in table_rows(path, needed, "list"):
        if all(row[name] for name in needed):
            yield f"{path.name}, row {line}", row


def _beside(list_file: Path, name: str) -> Path:
    """A file of a list: as named from here, else from the list's own folder."""
    path = Path(name)
    if path.is_absolute() or path.exists():
        return path
    beside = list_file.parent / path
    return beside if beside.exists() else path


def _projection(text: str | None, where: str) -> Projection | None:
    if not text:
        return None
    if text not in get_args(Projection):
        raise AuditError(f"{where}: projection '{text}' is neither rectilinear nor equidistant.")
    return cast(Projection, text)


def _number(text: str | None, where: str, column: str) -> float | None:
    if not text:
        return None
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise AuditError(f"{where}, column {column}: '{text}' is not a number.")
    return value


def _check_hfov(hfov_deg: float, projection: Projection | None, where: str) -> None:
    try:
        Lens(2, 2, hfov_deg, projection=projection or "rectilinear")
    except ValueError as error:
        raise AuditError(f"{where}: {error}.") from None


def _finite(value: Any) -> Any:
    """JSON has no NaN and no infinity: absent instead."""
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(item) for item in value]
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, np.integer):
        return int(value)
    if isinstance(value, np.bool_):
        return bool(value)
    return value
