"""Where the sun stands, and when it looks into a camera.

Equations of NOAA's solar calculator (after Meeus, *Astronomical Algorithms*), with its refraction; within 0.02
degrees of the full algorithm of NREL/TP-560-34302 between 1950 and 2050 while the sun is up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import tzfpy
from numpy.typing import ArrayLike, NDArray

from audit.frames import camera_from_world
from audit.plan.model import Camera

__all__ = ["Glare", "glare", "sun_position", "time_zone"]

FloatArray = NDArray[np.float64]

_J2000_UNIX_S = 946_728_000.0
_SAMPLED_DAYS = 24
_SAMPLED_MINUTES = 10
#: Beyond the picture's edge by this much, low sun still veils it: stray light starts well outside the frame (common
#: practice); the width is our default.
GLARE_CONE_DEG = 10.0
#: Sun lower than this is taken to stand behind terrain, trees or houses (our default).
_LOWEST_SUN_DEG = 1.0


@dataclass(frozen=True, slots=True)
class Glare:
    """When the sun stands in a camera's picture or close to its edge, over a year, sky clear and nothing in the way.

    Attributes
    ----------
    hours_in_picture, hours_near : float
        Hours a year in the picture, and within the glare cone beyond its edge.
    worst_at : datetime
        Local time of the year when the sun stands nearest to the optical axis.
    worst_elevation_deg : float
    months : tuple of int
        Months in which it stands in the picture (in the cone, where never in the picture).
    earliest, latest : str
        Earliest and latest local time of day, ``HH:MM``, over those months.
    """

    hours_in_picture: float
    hours_near: float
    worst_at: datetime
    worst_elevation_deg: float
    months: tuple[int, ...]
    earliest: str
    latest: str


def sun_position(
    unix_s: ArrayLike, latitude: float, longitude: float, *, refraction: bool = True
) -> tuple[FloatArray, FloatArray]:
    """Elevation and azimuth of the sun's centre in degrees (azimuth clockwise from true north).

    Parameters
    ----------
    unix_s : array_like, shape (...)
        Seconds since 1970-01-01T00:00 UTC.
    latitude, longitude : float
        WGS 84 degrees, south and west negative.
    refraction : bool
        Lift the elevation by the standard atmosphere's refraction.
    """
    t = (np.asarray(unix_s, dtype=np.float64) - _J2000_UNIX_S) / (86_400.0 * 36_525.0)
    mean_longitude = 280.46646 + t * (36000.76983 + 0.0003032 * t)
    anomaly = np.radians(357.52911 + t * (35999.05029 - 0.0001537 * t))
    eccentricity = 0.016708634 - t * (0.000042037 + 0.0000001267 * t)
    centre = (
        np.sin(anomaly) * (1.914602 - t * (0.004817 + 0.000014 * t))
        + np.sin(2 * anomaly) * (0.019993 - 0.000101 * t)
        + np.sin(3 * anomaly) * 0.000289
    )
    node = np.radians(125.04 - 1934.136 * t)
    apparent = np.radians(mean_longitude + centre - 0.00569 - 0.00478 * np.sin(node))
    tilt = 23.0 + (26.0 + (21.448 - t * (46.815 + t * (0.00059 - 0.001813 * t))) / 60.0) / 60.0
    obliquity = np.radians(tilt + 0.00256 * np.cos(node))
    declination = np.arcsin(np.sin(obliquity) * np.sin(apparent))
    y = np.tan(obliquity / 2) ** 2
    double = np.radians(2 * mean_longitude)
    equation_min = 4 * np.degrees(
        y * np.sin(double)
        - 2 * eccentricity * np.sin(anomaly)
        + 4 * eccentricity * y * np.sin(anomaly) * np.cos(double)
        - 0.5 * y * y * np.sin(2 * double)
        - 1.25 * eccentricity**2 * np.sin(2 * anomaly)
    )
    minutes = (np.asarray(unix_s, dtype=np.float64) / 60.0) % 1440.0
    hour = np.radians((minutes + equation_min + 4 * longitude) / 4.0 - 180.0)
    lat = math.radians(latitude)
    east = -np.cos(declination) * np.sin(hour)
    north = np.sin(declination) * math.cos(lat) - np.cos(declination) * np.cos(hour) * math.sin(lat)
    up = np.sin(declination) * math.sin(lat) + np.cos(declination) * np.cos(hour) * math.cos(lat)
    elevation = np.degrees(np.arctan2(up, np.hypot(east, north)))
    azimuth = np.degrees(np.arctan2(east, north)) % 360.0
    return elevation + (_refraction_deg(elevation) if refraction else 0.0), azimuth


def _refraction_deg(elevation: FloatArray) -> FloatArray:
    """NOAA's piecewise approximation of atmospheric refraction, degrees."""
    e = np.asarray(elevation, dtype=np.float64)
    tangent = np.tan(np.radians(np.clip(e, -89.9, 89.9)))
    safe = np.where(np.abs(tangent) < 1e-9, 1e-9, tangent)
    high = 58.1 / safe - 0.07 / safe**3 + 0.000086 / safe**5
    low = 1735.0 + e * (-518.2 + e * (103.4 + e * (-12.79 + e * 0.711)))
    below = -20.774 / safe
    return np.asarray(np.where(e > 85, 0.0, np.where(e > 5, high, np.where(e > -0.575, low, below))) / 3600.0)


@dataclass(frozen=True, slots=True)
class _SunnyYear:
    """Sampled moments of a year when the sun is up: time (unix s), local month and minute of the day, elevation in
    degrees, direction east-north-up."""

    times: FloatArray
    months: NDArray[np.int64]
    minutes: NDArray[np.int64]
    zone: ZoneInfo
    elevations: FloatArray
    directions: FloatArray


@lru_cache(maxsize=16)
def _year_of_sun(latitude: float, longitude: float, year: int) -> _SunnyYear:
    start = datetime(year, 1, 1, tzinfo=UTC)
    step = 365.25 / _SAMPLED_DAYS
    days = [start + timedelta(days=int((i + 0.5) * step)) for i in range(_SAMPLED_DAYS)]
    minutes = np.arange(0, 1440, _SAMPLED_MINUTES)
    times = (np.array([d.timestamp() for d in days])[:, None] + 60.0 * minutes).ravel()
    elevation, azimuth = sun_position(times, latitude, longitude)
    up = elevation >= _LOWEST_SUN_DEG
    e, a = np.radians(elevation[up]), np.radians(azimuth[up])
    directions = np.stack([np.cos(e) * np.sin(a), np.cos(e) * np.cos(a), np.sin(e)], axis=-1)
    zone = time_zone(latitude, longitude)
    local = [datetime.fromtimestamp(float(t), zone) for t in times[up]]
    months = np.array([t.month for t in local], dtype=np.int64)
    clock = np.array([60 * t.hour + t.minute for t in local], dtype=np.int64)
    return _SunnyYear(times[up], months, clock, zone, elevation[up], directions)


def time_zone(latitude: float, longitude: float) -> ZoneInfo:
    """The time zone in force at a position (WGS 84 degrees); UTC where the zone's rules aren't known here."""
    try:
        return ZoneInfo(tzfpy.get_tz(longitude, latitude) or "UTC")
    except (ZoneInfoNotFoundError, ValueError):
        return ZoneInfo("UTC")


def glare(camera: Camera, latitude: float, longitude: float, year: int = 2026) -> Glare | None:
    """When the sun looks into the planned camera over a year; None where never.

    Sampled on 24 days at 10 minute steps; what stands in the sun's way is not known.
    """
    sun = _year_of_sun(round(latitude, 2), round(longitude, 2), year)
    lens = camera.lens
    seen = sun.directions @ camera_from_world(camera.bearing_deg, camera.pitch_deg, camera.roll_deg).T
    across, down, ahead = seen.T
    if lens.projection == "rectilinear":
        wide = math.radians(lens.hfov_deg / 2 + GLARE_CONE_DEG)
        vfov = lens.vfov_deg
        tall = math.radians((vfov if math.isfinite(vfov) else lens.hfov_deg) / 2 + GLARE_CONE_DEG)
        near = (np.abs(np.arctan2(across, ahead)) < wide) & (np.abs(np.arctan2(down, ahead)) < tall) & (ahead > 0)
    else:
        near = np.arctan2(np.hypot(across, down), ahead) < lens.half_angle_limit_rad
    chosen = np.flatnonzero(near)
    if not len(chosen):
        return None
    inside = lens.in_frame(lens.project(seen[chosen]))
    counted = chosen[inside] if inside.any() else chosen
    worst = counted[int(np.argmax(ahead[counted]))]
    hours = 365.25 / _SAMPLED_DAYS * _SAMPLED_MINUTES / 60.0
    return Glare(
        hours * int(inside.sum()),
        hours * int((~inside).sum()),
        datetime.fromtimestamp(float(sun.times[worst]), sun.zone),
        float(sun.elevations[worst]),
        tuple(int(m) for m in np.unique(sun.months[counted])),
        _clock(int(sun.minutes[counted].min())),
        _clock(int(sun.minutes[counted].max())),
    )


def _clock(minutes: int) -> str:
    return f"{minutes // 60:02d}:{minutes % 60:02d}"
