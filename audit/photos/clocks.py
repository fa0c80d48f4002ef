"""How far each device's clock is off, from photos that carry both its time and the satellites'.

A camera writes its own clock (``taken_at``), with or without an offset from UTC, and often the time of the last
satellite fix (``gps_at``, always UTC). Zones are multiples of 15 minutes (the IANA time zone database knows no other
in use today), so what is left beyond the nearest one is the clock's error.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from audit.photos.photo import Metadata, Photo

__all__ = ["DeviceClock", "device_clock_offsets", "taken_utc"]

_ZONE_STEP = timedelta(minutes=15)
_RESOLUTION_SD_S = 0.5


@dataclass(frozen=True, slots=True)
class DeviceClock:
    """One device's clock.

    Attributes
    ----------
    error : timedelta
        Device clock minus true time, the zone taken out; the median over its photos.
    zone : timedelta or None
        Offset from UTC of its times without an offset, a multiple of 15 minutes; None where all its times have one.
    error_sd_s : float
        One standard deviation of ``error`` in seconds, from the scatter (median absolute deviation).
    photos : int
        How many photos carried both times.

    Notes
    -----
    For times without an offset, a clock that is wrong by whole quarter hours can't be told from another zone; the
    time in UTC comes out right all the same. Where the receiver repeats an old fix the satellite time is too early;
    the median stands that in less than half of a device's photos.
    """

    error: timedelta
    zone: timedelta | None
    error_sd_s: float
    photos: int

    def to_utc(self, taken_at: datetime) -> datetime | None:
        """True time in UTC of a time by this device's clock; None where it lacks an offset and no zone is known."""
        if taken_at.tzinfo is not None:
            return taken_at.astimezone(UTC) - self.error
        return None if self.zone is None else taken_at.replace(tzinfo=UTC) - self.zone - self.error


def device_clock_offsets(photos: Iterable[Photo]) -> Mapping[str, DeviceClock]:
    """Clock of every device that has at least one photo with both times; devices without a name are passed over."""
    aware: dict[str, list[float]] = {}
    naive: dict[str, list[float]] = {}
    for photo in photos:
        found = photo.metadata
        if found.device is None or found.taken_at is None or found.gps_at is None:
            continue
        kind = naive if found.taken_at.tzinfo is None else aware
        taken = found.taken_at if found.taken_at.tzinfo else found.taken_at.replace(tzinfo=UTC)
        kind.setdefault(found.device, []).append((taken - found.gps_at).total_seconds())
    return {device: _clock(aware.get(device, []), naive.get(device, [])) for device in sorted({*aware, *naive})}


def taken_utc(metadata: Metadata, clocks: Mapping[str, DeviceClock]) -> datetime | None:
    """Best time in UTC of one photo: by its device's clock, its own offset, or its satellite time, in that order."""
    taken = metadata.taken_at
    if taken is not None and metadata.device is not None and metadata.device in clocks:
        corrected = clocks[metadata.device].to_utc(taken)
        if corrected is not None:
            return corrected
    if taken is not None and taken.tzinfo is not None:
        return taken.astimezone(UTC)
    return metadata.gps_at


def _clock(aware: list[float], naive: list[float]) -> DeviceClock:
    zone_step = _ZONE_STEP.total_seconds()
    used = aware or naive
    middle = statistics.median(used)
    zone_s: float | None = None
    if naive:
        known_error = middle if aware else 0.0
        zone_s = round((statistics.median(naive) - known_error) / zone_step) * zone_step
    error_s = middle if aware else middle - (zone_s or 0.0)
    spread = 1.4826 * statistics.median(abs(value - middle) for value in used)
    sd_s = math.hypot(1.2533 * spread / math.sqrt(len(used)), _RESOLUTION_SD_S)
    return DeviceClock(
        error=timedelta(seconds=error_s),
        zone=None if zone_s is None else timedelta(seconds=zone_s),
        error_sd_s=sd_s,
        photos=len(aware) + len(naive),
    )
