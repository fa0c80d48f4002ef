"""How far a clock is off, in words, and why it is likely to be."""

from __future__ import annotations

from audit.judge.finding import Remedy

__all__ = ["CLOCK_REMEDY", "UNSET_BEHIND_S", "cause_of", "span"]

#: Zones differ by quarters of an hour, summer time by an hour (common practice, no source); a clock that is off by a whole
#: number of quarters, as exactly as it could be read, has the wrong zone rather than a drift.
_ZONE_STEP_S = 900.0
_ZONE_WITHIN_S = 60.0
_WIDEST_ZONE_S = 26 * 3600.0
#: An earlier time than this was never set (devices start at 1970 or 2000).
UNSET_BEHIND_S = 3 * 365 * 86_400.0

CLOCK_REMEDY = Remedy(
    "Set the device's time source (NTP server), time zone and summer time, as for every camera of the site.",
    "The clock in the picture and a reference clock show the same second.",
)


def cause_of(off_s: float, zone_set: str | None = None) -> str:
    """What a clock that is off by so many seconds (+ ahead) likely suffers from; continues a sentence."""
    if off_s < -UNSET_BEHIND_S:
        return ": it was never set"
    steps = round(off_s / _ZONE_STEP_S)
    if steps and abs(off_s - steps * _ZONE_STEP_S) <= _ZONE_WITHIN_S and abs(off_s) <= _WIDEST_ZONE_S:
        summer = " or summer time" if abs(steps) == 4 else ""
        zone = f"; its time zone is set to {zone_set}" if zone_set else ""
        return f": a wrong time zone{summer} rather than a drift{zone}"
    return ": it drifts, or has no time source"


def span(seconds: float) -> str:
    """A time in the unit in which people would say it."""
    # two minutes are told in seconds, two hours in minutes, two days in hours
    if seconds < 2 * 60:
        return f"{seconds:z.0f} s"
    if seconds < 2 * 3600:
        return f"{seconds / 60:z.0f} min"
    return f"{seconds / 3600:z.1f} h" if seconds < 2 * 86_400 else f"{seconds / 86_400:z.0f} days"
