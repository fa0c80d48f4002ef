"""Measurements as plain JSON values, for keeping and for printing.

Arrays are kept as small as an overlay needs: the sky mask as a PNG of at most 480 px, the longest 250 line segments.
"""

from __future__ import annotations

import base64
from dataclasses import asdict, fields
from typing import Any, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.lens import Lens
from audit.measure.measurement import Clarity, ImageMeasurement, Orientation, Sky, ViewChange

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


def measurement_to_record(measured: ImageMeasurement) -> Record:
    """A measurement as JSON values."""
    orientation = measured.orientation
    return {
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
        },
        "sky": {
            "fraction": measured.sky.fraction,
            "sd": measured.sky.sd,
            "note": measured.sky.note,
            "mask_png": _mask_png(measured.sky.mask),
        },
        "clarity": clarity_to_record(measured.clarity),
        "overlay_fraction": _rounded(measured.overlay_fraction, 5),
        "upside_down_probability": _rounded(measured.upside_down_probability, 5),
    }


def measurement_from_record(record: Record) -> ImageMeasurement:
    """The measurement back from its JSON values (the mask at its kept size)."""
    o, s, c = record["orientation"], record["sky"], record["clarity"]
    lens = dict(o["lens"])
    if lens.get("principal_px") is not None:
        lens["principal_px"] = tuple(lens["principal_px"])
    segments = o["segments_px"]
    orientation = Orientation(
        roll_deg=o["roll_deg"],
        roll_sd_deg=o["roll_sd_deg"],
        pitch_deg=o["pitch_deg"],
        pitch_sd_deg=o["pitch_sd_deg"],
        note=o["note"],
        lens=Lens(**lens),
        cues=tuple(o["cues"]),
        segments_px=None if segments is None else np.asarray(segments, dtype=np.float32).reshape(-1, 4),
    )
    sky = Sky(s["fraction"], s["sd"], s["note"], _mask(s["mask_png"]))
    clarity = clarity_from_record(c)
    return ImageMeasurement(record["width_px"], record["height_px"], orientation, sky, clarity, record["elapsed_ms"],
                            record.get("overlay_fraction"), record.get("upside_down_probability"))


def clarity_to_record(clarity: Clarity) -> Record:
    """What was measured of glass and focus as JSON values."""
    return asdict(clarity)


def clarity_from_record(record: Record) -> Clarity:
    """The same back from its JSON values."""
    return Clarity(**{**record, "patches": _polygons(record["patches"])})


def change_to_record(change: ViewChange) -> Record:
    """A comparison as JSON values."""
    return asdict(change)


def change_from_record(record: Record) -> ViewChange:
    """The comparison back from its JSON values."""
    return ViewChange(**{**record, "patches": _polygons(record["patches"])})


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
        "orientation_cues": list(o.cues),
        "sky_fraction": _rounded(s.fraction, 5),
        "sky_sd": _rounded(s.sd, 5),
        "sky_note": s.note,
        "dirt_probability": _rounded(c.dirt_probability, 5),
        "dirt_cause": c.cause,
        "dirt_note": c.note,
        "sharpness": _rounded(c.sharpness, 4),
        "night": c.night,
        "overlay_fraction": _rounded(measured.overlay_fraction, 5),
        "upside_down_probability": _rounded(measured.upside_down_probability, 5),
        "elapsed_ms": round(measured.elapsed_ms, 1),
        "error": None,
    }


def change_line(reference: str, today: str, change: ViewChange) -> Record:
    """The contract's ``compare`` line."""
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
    return None if image is None else np.asarray(image >= 128)


def _polygons(patches: Any) -> tuple[tuple[tuple[float, float], ...], ...]:
    return tuple(tuple((float(x), float(y)) for x, y in patch) for patch in patches)
