"""Measurements as plain JSON values, for keeping and for printing.

Arrays are kept as small as an overlay needs: the sky mask as a PNG of at most 480 px, the longest 250 line segments.
"""

from __future__ import annotations

import base64
from dataclasses import asdict, dataclass, fields
from typing import Any, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.lens import Lens
from audit.measure.board import Board
from audit.measure.measurement import Clarity, ImageMeasurement, Orientation, Sky, ViewChange
from audit.stored import checked

__all__ = [
    "change_from_record",
    "change_line",
    "change_to_record",
    "clarity_from_record",
    "clarity_to_record",
    "measure_line",
    "measurement_from_record",
    "measurement_to_record",
]

_MASK_SIDE_PX = 480
_SEGMENTS = 250

Record = dict[str, Any]
#: Of the records' form; a reader refuses later ones, and reads earlier ones as they were meant.
VERSION = 1


@dataclass(frozen=True, slots=True)
class _KeptOrientation:
    roll_deg: float | None
    roll_sd_deg: float | None
    pitch_deg: float | None
    pitch_sd_deg: float | None
    note: str | None
    lens: Lens
    cues: tuple[str, ...] = ()
    segments_px: list[list[float]] | None = None
    level_lines: tuple[float, ...] | None = None
    k1: float | None = None
    k1_sd: float | None = None


@dataclass(frozen=True, slots=True)
class _KeptSky:
    fraction: float | None
    sd: float | None
    note: str | None
    mask_png: str | None


@dataclass(frozen=True, slots=True)
class _KeptMeasurement:
    width_px: int
    height_px: int
    orientation: _KeptOrientation
    sky: _KeptSky
    clarity: Clarity
    elapsed_ms: float | None
    overlay_fraction: float | None
    upside_down_probability: float | None
    boards: tuple[Board, ...] = ()


def measurement_to_record(measured: ImageMeasurement) -> Record:
    """A measurement as JSON values."""
    orientation = measured.orientation
    return {
        "version": VERSION,
        "width_px": measured.width_px,
        "height_px": measured.height_px,
        "elapsed_ms": round(measured.elapsed_ms, 1),
        "orientation": {
            "roll_deg": orientation.roll_deg,
            "roll_sd_deg": orientation.roll_sd_deg,
            "pitch_deg": orientation.pitch_deg,
            "pitch_sd_deg": orientation.pitch_sd_deg,
            "note": orientation.note,
            "lens": {f.name: getattr(orientation.lens, f.name) for f in fields(Lens) if f.init},
            "cues": list(orientation.cues),
            "segments_px": _segments(orientation.segments_px),
            "level_lines": orientation.level_lines,
            "k1": orientation.k1,
            "k1_sd": orientation.k1_sd,
        },
        "sky": {
            "fraction": measured.sky.fraction,
            "sd": measured.sky.sd,
            "note": measured.sky.note,
            "mask_png": _mask_png(measured.sky.mask),
        },
        "clarity": asdict(measured.clarity),
        # digits that are kept
        "overlay_fraction": _rounded(measured.overlay_fraction, 5),
        # digits that are kept
        "upside_down_probability": _rounded(measured.upside_down_probability, 5),
        "boards": [asdict(board) for board in measured.boards],
    }


def measurement_from_record(record: Record) -> ImageMeasurement:
    """The measurement back from its JSON values (the mask at its kept size).

    Raises
    ------
    LogbookError
        Where they are not what was kept; so for the other two.
    """
    kept = checked(_KeptMeasurement, record, "measurement", VERSION)
    o = kept.orientation
    segments = None if o.segments_px is None else np.asarray(o.segments_px, dtype=np.float32).reshape(-1, 4)
    return ImageMeasurement(
        width_px=kept.width_px,
        height_px=kept.height_px,
        orientation=Orientation(
            o.roll_deg, o.roll_sd_deg, o.pitch_deg, o.pitch_sd_deg, o.note, o.lens, o.cues, segments, o.level_lines,
            o.k1, o.k1_sd,
        ),  # fmt: skip
        sky=Sky(kept.sky.fraction, kept.sky.sd, kept.sky.note, _mask(kept.sky.mask_png)),
        clarity=kept.clarity,
        elapsed_ms=kept.elapsed_ms or 0.0,
        overlay_fraction=kept.overlay_fraction,
        upside_down_probability=kept.upside_down_probability,
        boards=kept.boards,
    )


def clarity_to_record(clarity: Clarity) -> Record:
    """What was measured of glass and focus as JSON values."""
    return {"version": VERSION, **asdict(clarity)}


def clarity_from_record(record: Record) -> Clarity:
    """The same back from its JSON values."""
    return checked(Clarity, record, "series", VERSION)


def change_to_record(change: ViewChange) -> Record:
    """A comparison as JSON values."""
    return {"version": VERSION, **asdict(change)}


def change_from_record(record: Record) -> ViewChange:
    """The comparison back from its JSON values."""
    return checked(ViewChange, record, "comparison", VERSION)


def measure_line(file: str, width: int, height: int, measured: ImageMeasurement) -> Record:
    """The contract's ``measure`` line for an image of ``width`` x ``height`` pixels (full, oriented size)."""
    o, s, c = measured.orientation, measured.sky, measured.clarity
    return {
        "file": file,
        "width": width,
        "height": height,
        "hfov_deg": _rounded(o.lens.hfov_deg, 3),
        "hfov_sd_deg": _rounded(o.lens.hfov_sd_deg, 3),
        "hfov_source": o.lens.source,
        "roll_deg": _rounded(o.roll_deg, 4),
        "roll_sd_deg": _rounded(o.roll_sd_deg, 4),
        "pitch_deg": _rounded(o.pitch_deg, 4),
        "pitch_sd_deg": _rounded(o.pitch_sd_deg, 4),
        "orientation_note": o.note,
        "bearing_deg": None,
        "bearing_sd_deg": None,
        "bearing_note": "one picture alone does not tell it: point out a thing of the plan in it, or take it with a board",
        "orientation_cues": list(o.cues),
        # digits that are kept
        "sky_fraction": _rounded(s.fraction, 5),
        # digits that are kept
        "sky_sd": _rounded(s.sd, 5),
        "sky_note": s.note,
        # digits that are kept
        "dirt_probability": _rounded(c.dirt_probability, 5),
        "dirt_cause": c.cause,
        "dirt_note": c.note,
        "sharpness": _rounded(c.sharpness, 4),
        "night": c.night,
        # digits that are kept
        "overlay_fraction": _rounded(measured.overlay_fraction, 5),
        # digits that are kept
        "upside_down_probability": _rounded(measured.upside_down_probability, 5),
        "elapsed_ms": round(measured.elapsed_ms, 1),
        "error": None,
    }


def change_line(reference: str, today: str, change: ViewChange) -> Record:
    """The contract's ``compare`` line."""
    # digits that are kept
    record = {key: _rounded(value, 5) for key, value in asdict(change).items() if key != "patches"}
    return {"reference": reference, "today": today, **record, "patches": change.patches, "error": None}


def _rounded(value: Any, digits: int) -> Any:
    return round(float(value), digits) if isinstance(value, float | np.floating) else value


def _segments(segments: NDArray[np.float32] | None) -> list[list[float]] | None:
    if segments is None:
        return None
    length = np.hypot(segments[:, 2] - segments[:, 0], segments[:, 3] - segments[:, 1])
    longest = segments[np.argsort(-length)[:_SEGMENTS]]
    return cast("list[list[float]]", np.round(longest.astype(float), 1).tolist())


def _mask_png(mask: NDArray[np.bool_] | None) -> str | None:
    if mask is None:
        return None
    height, width = mask.shape
    scale = min(1.0, _MASK_SIDE_PX / max(height, width))
    size = max(1, round(width * scale)), max(1, round(height * scale))
    small = cv2.resize(mask.astype(np.uint8) * 255, size, interpolation=cv2.INTER_AREA)
    _, data = cv2.imencode(".png", np.where(small >= 128, 255, 0).astype(np.uint8))
    return base64.b64encode(data.tobytes()).decode("ascii")


def _mask(text: str | None) -> NDArray[np.bool_] | None:
    if text is None:
        return None
    image = cv2.imdecode(np.frombuffer(base64.b64decode(text), np.uint8), cv2.IMREAD_GRAYSCALE)
    # half of white
    return None if image is None else np.asarray(image >= 128)
