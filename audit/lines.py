"""What the commands say of a logbook beside its verdicts: a change of method, and how far a visit is."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from audit.logbook import Remeasured, VisitProgress

__all__ = [
    "change_of_method_line",
    "change_of_method_sentence",
    "methods_sentence",
    "progress_line",
    "progress_sentence",
]

Line = dict[str, Any]
#: What a change of method is told by: word, value, its sd, unit, and how many of the unit a kept 1 is.
_TOLD = (
    ("roll", "orientation.roll_deg", "orientation.roll_sd_deg", "°", 1.0),
    ("pitch", "orientation.pitch_deg", "orientation.pitch_sd_deg", "°", 1.0),
    ("open sky", "sky.fraction", "sky.sd", " %", 100.0),
    ("dirt probability", "clarity.dirt_probability", None, " %", 100.0),
    ("dirt cause", "clarity.cause", None, "", 1.0),
    ("sharpness", "clarity.sharpness", None, " %", 100.0),
)
_TWO_SIDED_95 = 1.96


def change_of_method_line(photo: Remeasured) -> Line:
    """What two method versions measured in one photo: ``photo``, ``old_method``, ``new_method`` and, by name,
    ``[old, new]`` of every single value that differs."""
    names = [n for n in photo.new if photo.new[n] != photo.old.get(n)] + [n for n in photo.old if n not in photo.new]
    differing = {name: [photo.old.get(name), photo.new.get(name)] for name in names}
    return {"photo": photo.photo, "old_method": photo.old_method, "new_method": photo.new_method, "changes": differing}


def change_of_method_sentence(photo: Remeasured) -> str:
    """The same for a person: roll, pitch, sky, dirt and sharpness where they differ as far as they are shown."""
    parts = []
    for word, name, sd, unit, scale in _TOLD:
        before, now = (_told(values, name, sd, unit, scale) for values in (photo.old, photo.new))
        if before != now:
            parts.append(f"{word} {before} → {now}")
    versions = f"version {photo.old_method.partition('-')[0]} → {photo.new_method.partition('-')[0]}"
    return f"{photo.photo} ({versions}): {', '.join(parts) or 'the same'}"


def _told(values: Mapping[str, Any], name: str, sd: str | None, unit: str, scale: float) -> str:
    value = values.get(name)
    if value is None:
        return "not measured"
    if isinstance(value, str):
        return value
    spread = values.get(sd) if sd is not None else None
    give = "" if spread is None else f" ± {_TWO_SIDED_95 * scale * spread:.1f}"
    return f"{scale * value:.1f}{give}{unit}"


def methods_sentence(visit: int, photos: Sequence[Remeasured]) -> str:
    """How many photos two versions have measured, and in how many of them the pose differs beyond both errors."""
    if not photos:
        return f"visit {visit}: no picture was measured by more than one version; 'methods --measure' measures by this one."
    beyond = sum(_beyond(photo, angle) for photo in photos for angle in ("roll", "pitch"))
    return (
        f"visit {visit}: {len(photos)} picture{'s' if len(photos) != 1 else ''} measured by two versions; {beyond} "
        f"roll or pitch value{'s' if beyond != 1 else ''} further apart than both errors (95 %) allow."
    )


def _beyond(photo: Remeasured, angle: str) -> bool:
    name, sd = f"orientation.{angle}_deg", f"orientation.{angle}_sd_deg"
    values = photo.old.get(name), photo.new.get(name), photo.old.get(sd), photo.new.get(sd)
    if any(not isinstance(value, int | float) for value in values):
        return False
    before, now, before_sd, now_sd = (float(value) for value in values if value is not None)
    return abs(before - now) > _TWO_SIDED_95 * math.hypot(before_sd, now_sd)


def progress_line(far: VisitProgress) -> Line:
    """How far a visit is."""
    line = asdict(far)
    record = line.pop("visit")
    return {"visit": record["number"], "kind": record["kind"], "on": record["on"].isoformat(), **line}


def progress_sentence(far: VisitProgress) -> str:
    """The same for a person."""
    record = far.visit
    waiting = far.photos - far.placed - far.uncertain - far.unmatched
    parts = [f"{far.photos} photos taken in", f"{far.refused} refused", f"{far.placed} placed", f"{far.uncertain} uncertain"]
    parts += [f"{far.unmatched} unmatched"] * bool(far.unmatched) + [f"{waiting} not placed yet"] * bool(waiting)
    parts += [f"{far.measured} of {far.snapshots} placed snapshots measured", f"{far.judged} of {far.cameras} cameras judged"]
    state = "open" if record.signed_by is None else f"signed by {record.signed_by}"
    now = f"; {far.writer}" if far.writer is not None else ""
    return f"visit {record.number} ({record.kind}, {record.on}, {state}): {', '.join(parts)}{now}."
