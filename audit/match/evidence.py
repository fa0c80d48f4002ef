"""How well a photo fits a camera: position, direction, time and labels as arrays and log-likelihoods.

Everything here works on whole visits at once. A quantity that a photo lacks is NaN and adds nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audit.match.shot_order import ShotOrder
from audit.match.shots import EVEN
from audit.match.stays import CodeHabit
from audit.photos.photo import Metadata, Photo
from audit.plan.magnetic import declination_deg
from audit.plan.model import Site

__all__ = [
    "NU",
    "SPACING_NEIGHBOURS",
    "PhotoArrays",
    "Settings",
    "SiteArrays",
    "declination_deg",
    "direction_log_density",
    "direction_log_ratio",
    "local_metres",
    "photo_arrays",
    "position_log_density",
    "site_arrays",
    "true_bearing_deg",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Degrees of freedom of the position errors: heavy tails, finite variance.
NU = 4.0
_WGS84_A_M = 6378137.0
_WGS84_F = 1 / 298.257223563
#: Steeper than this, a camera looks to no side that a photographer would face it from (chosen).
_STRAIGHT_DOWN_DEG = 70.0
#: A change of floor counts as a walk of this length (chosen: stairs and the way to them).
_FLOOR_CHANGE_M = 25.0
#: The plan's spacing is the median distance to this nearest camera; without another camera the default; and its bounds.
SPACING_NEIGHBOURS = 3
_SPACING_M, _LEAST_SPACING_M, _MOST_SPACING_M = 10.0, 2.0, 200.0
#: Strays may lie this far outside the cameras' own rectangle (chosen).
_MARGIN_M = 30.0
#: A fix that comes again to the digit was taken before: how fast its photographer may have gone on since, metres a second, what a
#: fix that states no error is taken for, and the most that age makes of it (common practice, no source: phones that slept).
_OLD_M_PER_S, _UNSTATED_M, _OLDEST_M = 0.8, 10.0, 400.0
#: A position farther from the site than this is none, but a mistake.
_FARTHEST_M = 200_000.0
#: Year for which magnetic directions without any date are turned: the model's last one that was known when this was written.
_YEAR = 2026.0
#: Cells of the circle in which turns of one stay are compared: 2.5 degrees each.
_CELLS = 144
#: No look is surer than this of what a photo does not show (chosen: one in a hundred errs).
_LEAST_LOOK = 0.01
#: Least spread of the middles of stays about the direction that faces the camera, degrees (chosen).
_LEAST_MIDDLE_DEG = 4.0


@dataclass(frozen=True, slots=True)
class Settings:
    """What is assumed of a crew and its phones, before a visit's own photos correct it.

    Attributes
    ----------
    position_scale : float
        True scale of position errors over the phone's own figure.
    position_floor_m, position_absent_m : float
        Least scale of a position error, and the scale where the phone states none.
    standoff_m, standoff_sd_m : float
        Distance from the photographer to the camera on the ground, and how it varies.
    correlation_s : float
        Time over which position errors persist.
    repeat_m, repeat_share : float
        Part of a position error that is new in every photo (receiver noise, steps of the photographer): metres,
        and a share of the scale.
    front_share : float
        Share of photos taken facing the camera from the side that it looks to.
    direction_sd_deg, direction_wide_deg, direction_wide_share : float
        Spread of such photos' directions (compass and stance), and its heavy tail.
    compass_repeat_sd_deg, compass_repeat_share : float
        Spread of the directions of one stay's photos about their own middle, and the share of photos that keep to it.
    stay_gap_s, stay_gap_spread, move_gap_s, move_gap_spread : float
        Median and log-sd of the time between photos of one stay, and between stays (travel apart).
    burst_share, burst_gap_s : float
        Share of photos of one stay that follow at once, and how soon.
    stay_share : float
        Share of photos that are followed by another one of the same stay.
    lengths : tuple of float
        Shares of stays with 1, 2, … photos (bursts counted once); the last holds all longer ones.
    walk_scale_m : float or None
        Scale of the distance between cameras visited one after the other (None: from the plan's spacing).
    order_share, back_share : float
        Share of moves to the next and to the last camera of the plan's order, over what nearness alone gives.
    stray_share, beside_share : float
        Share of photos that belong to no camera, and share of those that are taken beside one on the walk.
    resume_share : float
        Share of such photos after which the stay that they interrupt goes on.
    missed_share, again_share : float
        Share of cameras without any photo, and of cameras that are visited again.
    habit : CodeHabit
        How labels are photographed.
    shots : ShotOrder
        How kinds of shots follow one another.
    """

    position_scale: float = 1.0
    position_floor_m: float = 3.0
    position_absent_m: float = 10.0
    standoff_m: float = 4.0
    standoff_sd_m: float = 2.5
    correlation_s: float = 150.0
    repeat_m: float = 2.0
    repeat_share: float = 0.25
    front_share: float = 0.8
    direction_sd_deg: float = 22.0
    direction_wide_deg: float = 50.0
    direction_wide_share: float = 0.25
    compass_repeat_sd_deg: float = 14.0
    compass_repeat_share: float = 0.85
    stay_gap_s: float = 15.0
    stay_gap_spread: float = 0.7
    move_gap_s: float = 90.0
    move_gap_spread: float = 0.7
    burst_share: float = 0.08
    burst_gap_s: float = 1.5
    lengths: tuple[float, ...] = (0.17, 0.27, 0.25, 0.15, 0.08, 0.04, 0.02, 0.01, 0.005, 0.005)
    stay_share: float = 0.65
    walk_scale_m: float | None = None
    order_share: float = 0.1
    back_share: float = 0.03
    stray_share: float = 0.1
    beside_share: float = 0.75
    resume_share: float = 0.4
    missed_share: float = 0.04
    again_share: float = 0.01
    habit: CodeHabit = field(default_factory=CodeHabit)
    shots: ShotOrder = field(default_factory=ShotOrder)


@dataclass(frozen=True, slots=True)
class SiteArrays:
    """The plan's cameras as arrays of length N: metres, radians (NaN where a camera looks straight down)."""

    east_m: FloatArray
    north_m: FloatArray
    up_m: FloatArray
    bearing: FloatArray
    area_m2: float
    spacing_m: float

    @property
    def size(self) -> int:
        """Number of cameras."""
        return int(self.east_m.size)

    @property
    def walk_coordinates(self) -> FloatArray:
        """Coordinates (N, 3) whose straight distances stand for walking distances; another floor counts extra."""
        return np.column_stack([self.east_m, self.north_m, self.up_m])


@dataclass(frozen=True, slots=True)
class PhotoArrays:
    """A visit's photos as arrays of length M.

    Attributes
    ----------
    time_s : float
        Seconds on the device's own clock from an arbitrary start, NaN where unknown.
    east_m, north_m, position_m : float
        Position and its stated scale, NaN where absent.
    bearing : float
        Direction that the photographer looked, radians clockwise from true north, NaN where absent.
    shows : float array (M, kinds) or None
        What each photo shows by its look, all kinds alike where nobody looked; None where nobody looked at any.
    """

    time_s: FloatArray
    east_m: FloatArray
    north_m: FloatArray
    position_m: FloatArray
    bearing: FloatArray
    shows: FloatArray | None = None

    @property
    def size(self) -> int:
        """Number of photos."""
        return int(self.time_s.size)


def local_metres(
    latitude_deg: FloatArray, longitude_deg: FloatArray, origin: tuple[float, float]
) -> tuple[FloatArray, FloatArray]:
    """East and north metres of positions near an origin (latitude, longitude) on the WGS 84 ellipsoid.

    Uses the ellipsoid's radii of curvature halfway between origin and position; it differs from the geodesic by about
    the meridians' convergence: below 1.5 cm within 500 m and 1.5 m within 5 km (65 degrees of latitude).
    """
    e2 = _WGS84_F * (2 - _WGS84_F)
    middle = np.radians((np.asarray(latitude_deg, dtype=np.float64) + origin[0]) / 2)
    root = np.sqrt(1 - e2 * np.sin(middle) ** 2)
    meridian = _WGS84_A_M * (1 - e2) / root**3
    turn = (np.asarray(longitude_deg, dtype=np.float64) - origin[1] + 180.0) % 360.0 - 180.0
    north = np.radians(np.asarray(latitude_deg, dtype=np.float64) - origin[0]) * meridian
    east = np.radians(turn) * _WGS84_A_M / root * np.cos(middle)
    return east, north


def _decimal_year(when: datetime) -> float:
    start = datetime(when.year, 1, 1, tzinfo=UTC)
    whole = when.replace(tzinfo=UTC) if when.tzinfo is None else when
    # days of the year, to a tenth of a year
    return when.year + (whole - start).total_seconds() / (366 if when.year % 4 == 0 else 365) / 86400.0


def true_bearing_deg(metadata: Metadata, origin: tuple[float, float] | None) -> float | None:
    """Direction that the photographer looked, degrees from true north; magnetic directions are turned.

    A magnetic direction without any place (neither the photo nor the site has one) is None: its declination is
    unknown.
    """
    bearing = metadata.bearing_deg
    if bearing is None or not math.isfinite(bearing):
        return None
    if metadata.bearing_reference != "M":
        return bearing % 360.0
    place = origin
    if place is None and metadata.latitude is not None and metadata.longitude is not None:
        place = (metadata.latitude, metadata.longitude)
    if place is None:
        return None
    when = metadata.gps_at or metadata.taken_at
    year = round(_decimal_year(when), 1) if when is not None else _YEAR
    return (bearing + declination_deg(round(place[0], 2), round(place[1], 2), 0.0, year)) % 360.0


def site_arrays(site: Site) -> SiteArrays:
    """The plan's cameras as arrays."""
    from scipy.spatial import cKDTree

    east = np.array([c.east_m for c in site.cameras], dtype=np.float64)
    north = np.array([c.north_m for c in site.cameras], dtype=np.float64)
    floors = {name: i for i, name in enumerate(sorted({c.floor for c in site.cameras}, key=_floor_key))}
    up = np.array([floors[c.floor] * _FLOOR_CHANGE_M for c in site.cameras], dtype=np.float64)
    bearing = np.array(
        [math.radians(c.bearing_deg) if abs(c.pitch_deg) < _STRAIGHT_DOWN_DEG else math.nan for c in site.cameras]
    )
    spacing = _SPACING_M
    if len(site.cameras) > 1:
        points = np.column_stack([east, north, up])
        nearest = cKDTree(points).query(points, k=min(SPACING_NEIGHBOURS + 1, len(points)))[0][:, -1]
        spacing = float(np.clip(np.median(nearest), _LEAST_SPACING_M, _MOST_SPACING_M))
    area = float((np.ptp(east) + 2 * _MARGIN_M) * (np.ptp(north) + 2 * _MARGIN_M)) if east.size else 1.0
    return SiteArrays(east, north, up, bearing, area, spacing)


def _floor_key(floor: str) -> tuple[float, str]:
    try:
        return float(floor), floor
    except ValueError:
        return (-0.5 if floor.lower().startswith("b") else 0.0), floor


def photo_arrays(site: Site, photos: Sequence[Photo]) -> PhotoArrays:
    """The photos' metadata as arrays, positions in the site's metres and directions from true north."""
    size = len(photos)
    nan = np.full(size, np.nan)
    time_s, latitude, longitude, stated, bearing = (nan.copy() for _ in range(5))
    origin: tuple[float, float] | None = None
    if site.origin_latitude is not None and site.origin_longitude is not None:
        origin = (site.origin_latitude, site.origin_longitude)
    for i, photo in enumerate(photos):
        meta = photo.metadata
        when = meta.taken_at or meta.gps_at
        if when is not None:
            aware = when if when.tzinfo is not None else when.replace(tzinfo=UTC)
            time_s[i] = aware.timestamp()
        if meta.latitude is not None and meta.longitude is not None:
            latitude[i], longitude[i] = meta.latitude, meta.longitude
        if meta.position_error_m is not None:
            stated[i] = meta.position_error_m
        direction = true_bearing_deg(meta, origin)
        if direction is not None:
            bearing[i] = math.radians(direction)
    stated = _grown_with_age(photos, time_s, np.column_stack([latitude, longitude]), stated)
    if origin is None:
        east, north = nan.copy(), nan.copy()
    else:
        east, north = local_metres(latitude, longitude, origin)
    far = np.hypot(east, north) > _FARTHEST_M
    east[far] = north[far] = np.nan
    return PhotoArrays(time_s, east, north, stated, bearing, _looks(photos))


def _looks(photos: Sequence[Photo]) -> FloatArray | None:
    """What photos show, (M, kinds)."""
    if not any(photo.shows for photo in photos):
        return None
    return np.maximum(np.array([photo.shows or EVEN for photo in photos], dtype=np.float64), _LEAST_LOOK)


def _grown_with_age(photos: Sequence[Photo], time_s: FloatArray, fixes: FloatArray, stated: FloatArray) -> FloatArray:
    """Stated errors (M,), larger where a device gave the fix of an earlier photo once more: it doesn't know where it is now."""
    by_device: dict[str | None, list[int]] = {}
    for i in np.flatnonzero(~np.isnan(time_s) & ~np.isnan(fixes).any(axis=1)).tolist():
        by_device.setdefault(photos[i].metadata.device, []).append(i)
    grown = stated.copy()
    for members in by_device.values():
        index = np.array(sorted(members, key=lambda i: (time_s[i], photos[i].name)), dtype=np.int64)
        _, first, of = np.unique(fixes[index], axis=0, return_index=True, return_inverse=True)
        age_s = time_s[index] - time_s[index][first][of.ravel()]
        own = np.where(np.isnan(stated[index]), _UNSTATED_M, stated[index])
        grown[index] = np.where(age_s > 0, np.hypot(own, np.minimum(_OLD_M_PER_S * age_s, _OLDEST_M)), stated[index])
    return grown


def position_log_density(residual2_m2: NDArray[Any], scale2_m2: NDArray[Any], nu: float = NU) -> NDArray[Any]:
    """Log density, per square metre, of a plane Student-t error of given squared length and squared scale."""
    return np.asarray(-(nu + 2) / 2 * np.log1p(residual2_m2 / (nu * scale2_m2)) - np.log(2 * np.pi * scale2_m2))


def direction_log_density(turn: FloatArray, settings: Settings) -> FloatArray:
    """Log density, per radian, of the angle between a photo's direction and the one facing the camera.

    A mixture of a narrow and a wide wrapped bell and a level floor; NaN (a camera that looks straight down, a
    photo without direction) gives the level density.
    """
    wrapped = np.abs((turn + np.pi) % (2 * np.pi) - np.pi)
    level = 1 / (2 * np.pi)

    def bell(sd_deg: float) -> FloatArray:
        sd = math.radians(sd_deg)
        mass = math.erf(math.pi / (sd * math.sqrt(2)))
        return np.asarray(np.exp(-0.5 * (wrapped / sd) ** 2) / (sd * math.sqrt(2 * math.pi) * mass))

    front, wide = settings.front_share, settings.direction_wide_share
    density = front * ((1 - wide) * bell(settings.direction_sd_deg) + wide * bell(settings.direction_wide_deg))
    density = np.where(np.isnan(wrapped), level, density + (1 - front) * level)
    return np.asarray(np.log(density))


def _wrapped_bells(middle: FloatArray, sd: float) -> FloatArray:
    """Wrapped bells about the cells of the circle, (len(middle), cells), each of sum 1."""
    cells = np.linspace(0.0, 2 * np.pi, _CELLS, endpoint=False)
    turn = np.abs((middle[:, None] - cells[None, :] + np.pi) % (2 * np.pi) - np.pi)
    bells = np.exp(-0.5 * (turn / sd) ** 2)
    return np.asarray(bells / bells.sum(axis=1, keepdims=True))


@lru_cache(maxsize=256)
def _direction_ratios(
    front: float, narrow_deg: float, wide_deg: float, wide_share: float, repeat_deg: float, repeat_share: float
) -> FloatArray:
    """Log of how much likelier one turn is after another one of the same stay than by itself, (cells, cells)."""
    cells = np.linspace(0.0, 2 * np.pi, _CELLS, endpoint=False)
    least = math.radians(_LEAST_MIDDLE_DEG)
    repeat = math.radians(repeat_deg)

    def middles(sd_deg: float) -> FloatArray:
        bell = _wrapped_bells(np.zeros(1), math.sqrt(max(math.radians(sd_deg) ** 2 - repeat**2, least**2)))
        return np.asarray(bell[0])

    middle = front * ((1 - wide_share) * middles(narrow_deg) + wide_share * middles(wide_deg)) + (1 - front) / _CELLS
    about = _wrapped_bells(cells, repeat)
    both = about.T @ (middle[:, None] * about)
    alone = both.sum(axis=1)
    return np.asarray(np.log(repeat_share * both / (alone[:, None] * alone[None, :]) + (1 - repeat_share)))


def direction_log_ratio(then: FloatArray, now: FloatArray, settings: Settings) -> FloatArray:
    """Log of how much likelier a photo's turn is after that of another photo of its stay than by itself.

    Parameters
    ----------
    then, now : float array, any shape
        Angles between the photos' directions and the one facing the camera, radians; NaN adds nothing.

    Notes
    -----
    The photos of a stay spread about a middle of their own (where the photographer stands, and how the compass errs
    there), and the middles spread as single photos do. The sum over middles is exact and alike in both photos; the
    turns are rounded to 2.5 degrees.
    """
    table = _direction_ratios(
        settings.front_share,
        settings.direction_sd_deg,
        settings.direction_wide_deg,
        settings.direction_wide_share,
        settings.compass_repeat_sd_deg,
        settings.compass_repeat_share,
    )
    known = ~np.isnan(then) & ~np.isnan(now)

    def cell(turn: FloatArray) -> IntArray:
        return np.where(known, np.rint(np.nan_to_num(turn) * (_CELLS / (2 * np.pi))), 0).astype(np.int64) % _CELLS

    return np.where(known, table[cell(then), cell(now)], 0.0)
