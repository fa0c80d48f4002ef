"""What ``measure`` and ``compare`` print: single images and pairs, without a logbook."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, cast, get_args

import cv2
import numpy as np

from audit import compute
from audit.cli.lines import CompareLine, MeasureLine
from audit.errors import AuditError, PhotoRefused
from audit.lens import Lens, Projection
from audit.match.table import table_rows
from audit.measure.image import MEASURE_SIDE_PX, measure_image
from audit.measure.record import change_line, measure_line
from audit.measure.view import compare
from audit.photos.intake import open_photo
from audit.photos.photo import Photo

__all__ = ["compare_files", "compare_jobs", "lens_of", "measure_files", "measure_jobs"]

Line = dict[str, Any]
#: Spread of an angle of view worked out from EXIF (35 mm equivalents are whole millimetres, zoom and crop unknown).
EXIF_HFOV_SD_FRACTION = 0.03

_MEASURE_KEYS = tuple(MeasureLine.__annotations__)
_COMPARE_KEYS = tuple(CompareLine.__annotations__)


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
