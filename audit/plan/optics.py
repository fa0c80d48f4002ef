"""What a planned camera would see: horizon, open sky, ground, targets, pixels per metre, and how sure that is.

Ground is taken as level, ``height_m`` below the lens; the earth's curvature and refraction are left out (the dip of
the horizon is below 0.11 degrees up to 10 m of height, Nautical Almanac: 0.0293 sqrt(h)). All rows, columns and
edges follow :mod:`audit.frames` and :mod:`audit.lens`: the picture reaches from -0.5 to width - 0.5.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from audit.frames import camera_from_world, up_in_camera
from audit.lens import Lens
from audit.plan.model import Camera, Target

__all__ = [
    "Geometry",
    "GeometrySd",
    "Pose",
    "TargetSd",
    "TargetView",
    "geometry",
    "horizon_curve",
    "lowest_pitch_for_sky",
    "nearest_ground_m",
    "open_sky_fraction",
    "open_sky_under_poses",
    "uncertainty",
    "under_poses",
    "upright_span",
]

FloatArray = NDArray[np.float64]

_SKY_COLUMNS = 64
_SKY_ROWS = 49
_POSES_AT_ONCE = 128
_RIM_RAD = 1e-6
_CURVE_BEYOND = 1.2
_STEP_M = 0.005


@dataclass(frozen=True, slots=True)
class Pose:
    """Where a camera looks, conventions of :mod:`audit.frames`."""

    bearing_deg: float
    pitch_deg: float
    roll_deg: float = 0.0

    @classmethod
    def of(cls, camera: Camera) -> Pose:
        """The planned pose."""
        return cls(camera.bearing_deg, camera.pitch_deg, camera.roll_deg)


@dataclass(frozen=True, slots=True)
class TargetView:
    """One target as a camera sees it.

    Attributes
    ----------
    target : str
    in_frame : bool
        On the picture and imaged by the lens.
    column_px, row_px : float or None
        Also outside the frame; None where the lens can't image it (behind the camera, beyond the image circle).
    distance_m : float
        Straight from the lens.
    ground_distance_m : float
        Level distance from the camera's foot.
    px_per_m : float or None
        Pixels per metre on a plane square to the optical axis through the target, across the radius: for a
        rectilinear lens without radial terms the focal length over the depth along the axis; for a fisheye the local
        scale across the radius (for one that looks straight down: of something level).
    upright_px_per_m : float or None
        Pixels per metre of an upright at the target (what a standing person is long in the picture).
    along_ground_px_per_m : float or None
        Pixels per metre of level ground at the target's foot, away from the camera.
    look_down_deg : float
        How steeply the camera looks down on the target (+ down): 15 is good for a face, 30 the limit (common
        practice, no source).
    margin_px : float or None
        Distance inside the picture's nearest edge, negative outside.
    required_px_per_m : float or None
    met : bool or None
        In frame and dense enough; None where the plan asks for no density.
    """

    target: str
    in_frame: bool
    column_px: float | None
    row_px: float | None
    distance_m: float
    ground_distance_m: float
    px_per_m: float | None
    upright_px_per_m: float | None
    along_ground_px_per_m: float | None
    look_down_deg: float
    margin_px: float | None
    required_px_per_m: float | None
    met: bool | None


@dataclass(frozen=True, slots=True)
class Geometry:
    """What a camera's picture shows in a pose.

    Attributes
    ----------
    vfov_deg : float or None
        Full vertical angle of view; None where the lens's radial terms end before the picture does.
    horizon_row_px : float or None
        Row where the horizon crosses the middle column (through the principal point); None where it does not.
    open_sky_fraction : float
        Share of the image above the horizon, 0..1; for an equidistant lens, share of what lies on the picture inside
        the image circle.
    nearest_ground_m, farthest_ground_m : float or None
        Level ground seen along the middle column, from the camera's foot: the near one is how far the blind zone
        below reaches. Both None where no ground is seen; the far one None where the view reaches the horizon.
    targets : tuple of TargetView
        In the plan's order.
    """

    camera: str
    vfov_deg: float | None
    horizon_row_px: float | None
    open_sky_fraction: float
    nearest_ground_m: float | None
    farthest_ground_m: float | None
    targets: tuple[TargetView, ...]


@dataclass(frozen=True, slots=True)
class TargetSd:
    """One standard deviation of a target's numbers; None where the target is lost within the spread."""

    target: str
    column_px: float | None
    row_px: float | None
    px_per_m: float | None
    margin_px: float | None


@dataclass(frozen=True, slots=True)
class GeometrySd:
    """One standard deviation of each number of a :class:`Geometry`; None where it ends within the spread."""

    horizon_row_px: float | None
    open_sky_fraction: float
    nearest_ground_m: float | None
    farthest_ground_m: float | None
    targets: tuple[TargetSd, ...]


def geometry(camera: Camera, pose: Pose | None = None) -> Geometry:
    """What the picture shows, in the planned pose or another.

    Parameters
    ----------
    camera : Camera
        Planned camera with its lens and targets.
    pose : Pose, optional
        Where it really looks; the plan's pose without it.
    """
    pose = pose or Pose.of(camera)
    lens = camera.lens
    span = _middle_column(lens)
    near, far = _ground_reach(camera.height_m, pose, span)
    vfov = lens.vfov_deg
    return Geometry(
        camera.camera,
        vfov if math.isfinite(vfov) else None,
        _horizon_row(lens, pose),
        open_sky_fraction(lens, pose.pitch_deg, pose.roll_deg),
        near,
        far,
        _target_views(camera, pose),
    )


def nearest_ground_m(camera: Camera, pose: Pose) -> float | None:
    """How far from its foot the picture's lower edge meets level ground, metres, as :func:`geometry` has it; None where it never does."""
    return _ground_reach(camera.height_m, pose, _middle_column(camera.lens))[0]


def under_poses(
    camera: Camera, poses: ArrayLike, focal_scale: ArrayLike | None = None
) -> tuple[NDArray[np.bool_], FloatArray]:
    """Targets under many poses at once.

    Parameters
    ----------
    camera : Camera
        With T targets.
    poses : array_like, shape (N, 3)
        Bearing, pitch and roll in degrees.
    focal_scale : array_like, shape (N,), optional
        Factors on the focal length, for an angle of view that is not known exactly.

    Returns
    -------
    in_frame : ndarray of bool, shape (N, T)
    px_per_m : ndarray, shape (N, T)
        As in :class:`TargetView`; NaN where the lens can't image the target.
    """
    rotations = _rotations(np.atleast_2d(np.asarray(poses, dtype=np.float64)))
    points = np.einsum("nij,tj->nti", rotations, _offsets(camera, camera.targets))
    pixels, density = camera.lens.project(points), _density(camera.lens, points)
    if focal_scale is not None:
        scale = np.asarray(focal_scale, dtype=np.float64)[:, None]
        centre = np.array(camera.lens.centre_px)
        pixels, density = centre + (pixels - centre) * scale[..., None], density * scale
    return camera.lens.in_frame(pixels), density


def upright_span(camera: Camera, pose: Pose, target: Target, top_m: float = 6.0) -> tuple[float, float] | None:
    """Which part of an upright standing at a target's place is in the picture, heights above the ground in metres.

    Sampled every 2 cm from the ground up to ``top_m``; None where no part of it is.
    """
    heights = np.arange(0.0, top_m + 0.01, 0.02)
    foot = _offsets(camera, (target,))[0]
    points = np.stack(
        [np.full_like(heights, foot[0]), np.full_like(heights, foot[1]), heights - camera.height_m], axis=-1
    )
    rotation = camera_from_world(pose.bearing_deg, pose.pitch_deg, pose.roll_deg)
    seen = np.flatnonzero(camera.lens.in_frame(camera.lens.project(points @ rotation.T)))
    return (float(heights[seen[0]]), float(heights[seen[-1]])) if len(seen) else None


def uncertainty(camera: Camera, pose: Pose, sd_deg: tuple[float, float, float]) -> GeometrySd:
    """Standard deviations of a geometry from those of bearing, pitch and roll.

    Propagated to first order with central differences of one standard deviation (Guide to the expression of
    uncertainty in measurement, JCGM 100:2008, 5.1.3); the three angles are taken as independent.
    """
    pairs = []
    for axis in range(3):
        sides = []
        for sign in (-1.0, 1.0):
            angles = [pose.bearing_deg, pose.pitch_deg, pose.roll_deg]
            angles[axis] += sign * sd_deg[axis]
            sides.append(geometry(camera, Pose(*angles)))
        pairs.append((sides[0], sides[1]))

    def spread(values: list[tuple[float | None, float | None]]) -> float | None:
        total = 0.0
        for low, high in values:
            if low is None or high is None:
                return None
            total += ((high - low) / 2) ** 2
        return math.sqrt(total)

    targets = tuple(
        TargetSd(
            target.name,
            spread([(a.targets[i].column_px, b.targets[i].column_px) for a, b in pairs]),
            spread([(a.targets[i].row_px, b.targets[i].row_px) for a, b in pairs]),
            spread([(a.targets[i].px_per_m, b.targets[i].px_per_m) for a, b in pairs]),
            spread([(a.targets[i].margin_px, b.targets[i].margin_px) for a, b in pairs]),
        )
        for i, target in enumerate(camera.targets)
    )
    return GeometrySd(
        spread([(a.horizon_row_px, b.horizon_row_px) for a, b in pairs]),
        spread([(a.open_sky_fraction, b.open_sky_fraction) for a, b in pairs]) or 0.0,
        spread([(a.nearest_ground_m, b.nearest_ground_m) for a, b in pairs]),
        spread([(a.farthest_ground_m, b.farthest_ground_m) for a, b in pairs]),
        targets,
    )


def _rotations(poses: FloatArray) -> FloatArray:
    """Rotations of poses in degrees, (N, 3) -> (N, 3, 3); as :func:`audit.frames.camera_from_world`."""
    b, p, r = np.radians(poses).T
    sb, cb, sp, cp, sr, cr = np.sin(b), np.cos(b), np.sin(p), np.cos(p), np.sin(r), np.cos(r)
    zero = np.zeros_like(b)
    forward = np.stack([sb * cp, cb * cp, sp], axis=-1)
    right = np.stack([cb, -sb, zero], axis=-1)
    down = np.stack([sb * sp, cb * sp, -cp], axis=-1)
    turned_right = cr[:, None] * right + sr[:, None] * down
    turned_down = -sr[:, None] * right + cr[:, None] * down
    return np.stack([turned_right, turned_down, forward], axis=1)


def _offsets(camera: Camera, targets: tuple[Target, ...]) -> FloatArray:
    """Targets from the lens in east, north, up metres, shape (T, 3)."""
    here = np.array([camera.east_m, camera.north_m, camera.up_m])
    places = np.array([[t.east_m, t.north_m, t.up_m] for t in targets], dtype=np.float64).reshape(-1, 3)
    return np.asarray(places - here)


def _density(lens: Lens, points: FloatArray) -> FloatArray:
    """Pixels per metre across the radius at points in camera coordinates, (..., 3) -> (...)."""
    across = np.hypot(points[..., 0], points[..., 1])
    depth = points[..., 2]
    radius = lens.radius_px(np.arctan2(across, depth))
    distance = np.hypot(across, depth)
    near_axis = across <= 1e-9 * np.maximum(distance, 1e-12)
    on_axis = lens.focal_px / np.maximum(distance, 1e-9)
    scale = np.where(near_axis, on_axis, radius / np.where(near_axis, 1.0, across))
    return np.where(np.isfinite(radius), scale, np.nan)


def _target_views(camera: Camera, pose: Pose) -> tuple[TargetView, ...]:
    if not camera.targets:
        return ()
    lens = camera.lens
    rotation = camera_from_world(pose.bearing_deg, pose.pitch_deg, pose.roll_deg)
    offsets = _offsets(camera, camera.targets)
    points = offsets @ rotation.T
    pixels = lens.project(points)
    inside = lens.in_frame(pixels)
    density = _density(lens, points)
    level = np.hypot(offsets[:, 0], offsets[:, 1])
    distance = np.hypot(level, offsets[:, 2])
    upright, along = _lengths(lens, rotation, offsets, level, camera.height_m)
    edges = np.stack(
        [
            pixels[:, 0] + 0.5,
            lens.width_px - 0.5 - pixels[:, 0],
            pixels[:, 1] + 0.5,
            lens.height_px - 0.5 - pixels[:, 1],
        ]
    )
    margin = edges.min(axis=0)
    down = np.degrees(np.arctan2(-offsets[:, 2], level))

    def known(value: float) -> float | None:
        return float(value) if math.isfinite(value) else None

    views = []
    for i, target in enumerate(camera.targets):
        need = target.required_px_per_m
        met = None if need is None else bool(inside[i] and density[i] >= need)
        views.append(
            TargetView(
                target.name,
                bool(inside[i]),
                known(pixels[i, 0]),
                known(pixels[i, 1]),
                float(distance[i]),
                float(level[i]),
                known(density[i]),
                known(upright[i]),
                known(along[i]),
                float(down[i]),
                known(margin[i]),
                need,
                met,
            )
        )
    return tuple(views)


def _lengths(
    lens: Lens, rotation: FloatArray, offsets: FloatArray, level: FloatArray, height_m: float
) -> tuple[FloatArray, FloatArray]:
    """Pixels per metre of an upright at each target and of the ground at its foot, away from the camera."""
    step = np.zeros_like(offsets)
    step[:, 2] = _STEP_M
    away = np.zeros_like(offsets)
    away[:, :2] = _STEP_M * offsets[:, :2] / np.maximum(level, 1e-9)[:, None]
    foot = offsets.copy()
    foot[:, 2] = -height_m
    ends = np.stack([offsets - step, offsets + step, foot - away, foot + away]) @ rotation.T
    pixels = lens.project(ends)
    upright = np.hypot(*(pixels[1] - pixels[0]).T) / (2 * _STEP_M)
    along = np.hypot(*(pixels[3] - pixels[2]).T) / (2 * _STEP_M)
    return upright, np.where(level > _STEP_M, along, np.nan)


@lru_cache(maxsize=4096)
def _middle_column(lens: Lens) -> tuple[float, float]:
    """Angles off the axis of the top and bottom edge on the column through the principal point (+ down), radians."""
    top, bottom = lens.centre_px[1] + 0.5, lens.height_px - 0.5 - lens.centre_px[1]
    angles = lens.angle_rad(np.abs([top, bottom]))
    limited = np.where(np.isfinite(angles), angles, lens.half_angle_limit_rad)
    return -math.copysign(float(limited[0]), top), math.copysign(float(limited[1]), bottom)


def _horizon_angle(pose: Pose) -> tuple[float, float]:
    """Horizon on the middle column: its angle below the axis, and the steepness factor.

    A direction ``a`` below the axis on that column has sin(depression) = factor * sin(a - angle).
    """
    p, r = math.radians(pose.pitch_deg), math.radians(pose.roll_deg)
    across, along = math.cos(r) * math.cos(p), math.sin(p)
    return math.atan2(along, across), math.hypot(across, along)


def _horizon_row(lens: Lens, pose: Pose) -> float | None:
    angle, factor = _horizon_angle(pose)
    if factor < 1e-9:
        return None
    for candidate in sorted((angle, angle - math.copysign(math.pi, angle)), key=abs):
        if abs(candidate) >= lens.half_angle_limit_rad - _RIM_RAD:
            continue
        radius = float(lens.radius_px(abs(candidate)))
        row = lens.centre_px[1] + math.copysign(radius, candidate)
        if -0.5 <= row <= lens.height_px - 0.5:
            return row
    return None


def _ground_reach(height_m: float, pose: Pose, span: tuple[float, float]) -> tuple[float | None, float | None]:
    """Nearest and farthest level ground on the middle column; see :class:`Geometry`."""
    angle, factor = _horizon_angle(pose)
    top, bottom = span

    def sine(a: float) -> float:
        return factor * math.sin(a - angle)

    # quarter turns of the horizon, where the sine has its ends
    turns = [angle + quarter for quarter in (-1.5 * math.pi, -0.5 * math.pi, 0.5 * math.pi, 1.5 * math.pi)]
    sines = [sine(a) for a in (top, bottom, *(t for t in turns if top <= t <= bottom))]
    steepest, flattest = max(sines), min(sines)
    if steepest <= 1e-12:
        return None, None

    def ground(s: float) -> float:
        return height_m * math.sqrt(max(0.0, 1.0 - s * s)) / s

    near = ground(min(1.0, steepest))
    return (0.0 if near < 1e-9 else near), (None if flattest <= 1e-12 else ground(flattest))


def open_sky_fraction(lens: Lens, pitch_deg: float, roll_deg: float = 0.0) -> float:
    """Share of the image above the horizon, 0..1 (inside the image circle for an equidistant lens)."""
    return float(open_sky_under_poses(lens, np.array([pitch_deg]), np.array([roll_deg]))[0])


def lowest_pitch_for_sky(lens: Lens, fraction: float, roll_deg: float = 0.0) -> float | None:
    """Lowest pitch at which that share of the picture can lie above the horizon; None where none can.

    Open sky is at most what lies above the horizon, so a measured share tells at least how high the camera looks.
    """
    low, high = -90.0, 60.0
    if open_sky_fraction(lens, high, roll_deg) < fraction:
        return None
    # to a twentieth of a degree
    while high - low > 0.05:
        middle = 0.5 * (low + high)
        if open_sky_fraction(lens, middle, roll_deg) < fraction:
            low = middle
        else:
            high = middle
    return high


def open_sky_under_poses(lens: Lens, pitch_deg: ArrayLike, roll_deg: ArrayLike) -> FloatArray:
    """Share of the image above the horizon for many poses, shapes (N,) and (N,) -> (N,)."""
    p, r = np.broadcast_arrays(
        np.radians(np.asarray(pitch_deg, np.float64)), np.radians(np.asarray(roll_deg, np.float64))
    )
    up = np.stack([-np.sin(r) * np.cos(p), -np.cos(r) * np.cos(p), np.sin(p)], axis=-1).reshape(-1, 3)
    if lens.projection == "rectilinear" and lens.k1 == 0.0 and lens.k2 == 0.0:
        return _half_plane_share(lens, up)
    directions, weights = _sky_columns(lens)
    shares = [
        _column_shares(directions, weights, up[i : i + _POSES_AT_ONCE]) for i in range(0, len(up), _POSES_AT_ONCE)
    ]
    return np.concatenate(shares) if shares else np.zeros(0)


def _half_plane_share(lens: Lens, up: FloatArray) -> FloatArray:
    """Exact share of the frame on the sky's side of a straight horizon, (N, 3) -> (N,)."""
    cx, cy = lens.centre_px
    left, right = (-0.5 - cx) / lens.focal_px, (lens.width_px - 0.5 - cx) / lens.focal_px
    top, bottom = (-0.5 - cy) / lens.focal_px, (lens.height_px - 0.5 - cy) / lens.focal_px
    a, b, c = up[:, 0] * (right - left), up[:, 1] * (bottom - top), up[:, 2] + up[:, 0] * left + up[:, 1] * top
    # sky where a s + b t + c > 0 over the unit square; integrate over the axis along which it changes less
    slow, fast = np.where(np.abs(a) < np.abs(b), a, b), np.where(np.abs(a) < np.abs(b), b, a)
    steep = np.maximum(np.abs(fast), 1e-15)
    offset = np.where(fast < 0, c, c + fast)
    start, slope = offset / steep, slow / steep

    def ramp(t: FloatArray) -> FloatArray:
        return np.where(t <= 0, 0.0, np.where(t >= 1, t - 0.5, 0.5 * t * t))

    flat = np.abs(slope) < 1e-9
    tilted = (ramp(start + slope) - ramp(start)) / np.where(flat, 1.0, slope)
    return np.where(flat, np.clip(start + slope / 2, 0.0, 1.0), np.clip(tilted, 0.0, 1.0))


@lru_cache(maxsize=512)
def _sky_columns(lens: Lens) -> tuple[FloatArray, FloatArray]:
    """Directions along columns of the imaged part of the frame, (C, R, 3), and the columns' lengths, (C,)."""
    cx, cy = lens.centre_px
    x = (np.arange(_SKY_COLUMNS) + 0.5) / _SKY_COLUMNS * lens.width_px - 0.5
    rim = float(lens.radius_px(lens.half_angle_limit_rad)) * (1 - 1e-9)
    half = np.sqrt(np.maximum(rim**2 - (x - cx) ** 2, 0.0))
    top, bottom = np.maximum(-0.5, cy - half), np.minimum(lens.height_px - 0.5, cy + half)
    weights = np.maximum(bottom - top, 0.0)
    y = top[:, None] + np.linspace(0.0, 1.0, _SKY_ROWS) * (bottom - top)[:, None]
    directions = lens.unproject(np.stack([np.broadcast_to(x[:, None], y.shape), y], axis=-1))
    used = (weights > 0) & np.isfinite(directions).all(axis=(1, 2))
    return directions[used], weights[used]


def _column_shares(directions: FloatArray, weights: FloatArray, up: FloatArray) -> FloatArray:
    """Share above the horizon, columns weighted by length, zero crossings interpolated; (N, 3) -> (N,)."""
    height = np.einsum("crk,nk->ncr", directions, up)
    first, second = height[..., :-1], height[..., 1:]
    total = np.maximum(first, 0) + np.maximum(second, 0)
    spread = np.abs(first) + np.abs(second)
    share = np.divide(total, spread, out=np.zeros_like(total), where=spread > 0)
    return np.asarray((share.mean(axis=-1) * weights).sum(axis=-1) / weights.sum())


def horizon_curve(lens: Lens, pitch_deg: float, roll_deg: float = 0.0, points: int = 200) -> FloatArray:
    """The horizon in the image, left to right.

    Returns
    -------
    ndarray, shape (points, 2)
        (x, y) pixels, a little beyond the frame; NaN rows where the lens does not image the horizon (all of them
        where it lies outside the picture's reach).
    """
    up = up_in_camera(roll_deg, pitch_deg)
    corners = np.array([[x, y] for x in (-0.5, lens.width_px - 0.5) for y in (-0.5, lens.height_px - 0.5)])
    radius = np.hypot(*(corners - np.array(lens.centre_px)).T).max()
    reach = float(np.nan_to_num(lens.angle_rad(radius * _CURVE_BEYOND), nan=lens.half_angle_limit_rad))
    ahead = np.array([0.0, 0.0, 1.0]) - up[2] * up
    if np.linalg.norm(ahead) < 1e-9:
        r = math.radians(roll_deg)
        ahead = np.array([math.sin(r), math.cos(r), 0.0]) * math.copysign(1.0, pitch_deg)
        width = math.pi
    else:
        cosine = math.cos(reach) / math.cos(math.radians(pitch_deg))
        if cosine > 1.0:
            return np.full((points, 2), np.nan)
        width = math.acos(max(-1.0, cosine))
    ahead = ahead / np.linalg.norm(ahead)
    right = np.cross(ahead, up)
    turn = np.linspace(-width, width, points)
    return lens.project(np.cos(turn)[:, None] * ahead + np.sin(turn)[:, None] * right)
