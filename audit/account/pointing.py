"""Where the plan's things should stand in a camera's picture, for a person to say whether they do."""

from __future__ import annotations

import html
import math
from dataclasses import dataclass, replace

import numpy as np

from audit.account.case import Case
from audit.frames import camera_from_world
from audit.judge.intended import Intended, intended_pose, straight_down
from audit.judge.limits import Limits, planned_lens
from audit.judge.panned import landmarks_of
from audit.lens import Lens
from audit.logbook import Logbook, PointRecord, VisitRecord
from audit.measure.bending import as_it_may_bend
from audit.plan.model import Camera, Landmark, Site

__all__ = ["Mark", "Pointing", "pointing_of"]

_TWO_SIDED_95 = 1.96
#: Spread of a tilt or level that was not measured, for the region that is drawn (our default).
_UNMEASURED_SD_DEG = 5.0
_MAP_PX = (340.0, 260.0)
_MAP_MARGIN_PX = 16.0
_MOST_ON_MAP = 14
_STEP_RAD = 1e-3


@dataclass(frozen=True, slots=True)
class Mark:
    """One thing that can be pointed out.

    Attributes
    ----------
    at : (x, y) or None
        Where the pose puts it, shares of the picture's width and height; None outside the picture.
    region : (x, y)
        Half width and height of the region in which it lies with 95 % probability, in the same shares.
    told : PointRecord or None
        What a person said of it in this picture.
    """

    landmark: str
    at: tuple[float, float] | None
    region: tuple[float, float]
    distance_m: float
    told: PointRecord | None


@dataclass(frozen=True, slots=True)
class Pointing:
    """A camera's picture with its marks, targets first, and a small drawing of what lies where."""

    photo: str
    sha256: str
    width_px: int
    height_px: int
    marks: tuple[Mark, ...]
    map_svg: str

    @property
    def first(self) -> Mark | None:
        """What to ask about first: in the picture by the plan and not told of yet."""
        waiting = [m for m in self.marks if m.told is None]
        return next((m for m in waiting if m.at is not None), next(iter(waiting), next(iter(self.marks), None)))


def pointing_of(logbook: Logbook, visit: VisitRecord, case: Case) -> Pointing | None:
    """The marks of a camera's best picture; None without a picture or without anything to point out."""
    shot = case.day or case.night
    site, camera = logbook.site(visit), case.camera
    places = landmarks_of(site, camera)
    if shot is None or shot.measured is None or not places:
        return None
    limits = logbook.limits(visit)
    pose = _pose(case)
    lens, k1_sd = as_it_may_bend(planned_lens(camera, limits), shot.measured.orientation)
    size = shot.photo.width_px, shot.photo.height_px
    if (lens.width_px, lens.height_px) != size:
        lens = lens.resized(*size)
    told = {p.landmark: p for p in logbook.points(visit, camera.camera) if p.in_force and p.photo == shot.photo.name}
    marks = tuple(_mark(camera, place, (lens, k1_sd), pose, limits, told.get(place.landmark)) for place in places)
    return Pointing(shot.photo.name, shot.photo.sha256, *size, marks, _map(site, camera, places))


@dataclass(frozen=True, slots=True)
class _Pose:
    bearing_deg: float
    pitch_deg: float
    roll_deg: float
    pitch_sd_deg: float
    roll_sd_deg: float


def _pose(case: Case) -> _Pose:
    """The bearing as shown, else as intended; pitch and roll as measured, else as intended and vague."""
    held: Intended = intended_pose(case.camera)
    pan = next((f for f in case.verdict.findings if f.check == "pan"), None)
    bearing = held.bearing_deg if pan is None or pan.measured is None else pan.measured
    shot = case.day or case.night
    seen = None if shot is None or shot.measured is None else shot.measured.orientation
    plumb = straight_down(case.camera, held.pitch_deg)
    if plumb:
        return _Pose(bearing, -90.0, 0.0, _UNMEASURED_SD_DEG, _UNMEASURED_SD_DEG)
    pitch = None if seen is None else seen.pitch_deg
    roll = None if seen is None else seen.roll_deg
    pitch_sd = None if seen is None else seen.pitch_sd_deg
    roll_sd = None if seen is None else seen.roll_sd_deg
    return _Pose(
        bearing,
        held.pitch_deg if pitch is None else pitch,
        held.roll_deg if roll is None else roll,
        _UNMEASURED_SD_DEG if pitch_sd is None else pitch_sd,
        _UNMEASURED_SD_DEG if roll_sd is None else roll_sd,
    )


def _mark(
    camera: Camera, place: Landmark, bent: tuple[Lens, float], pose: _Pose, limits: Limits, told: PointRecord | None
) -> Mark:
    """A thing's mark through a lens with the sd of its radial term."""
    lens, k1_sd = bent
    up = camera.up_m if place.up_m is None else place.up_m
    offset = np.array([place.east_m - camera.east_m, place.north_m - camera.north_m, up - camera.up_m])
    distance = max(float(np.linalg.norm(offset)), 0.1)
    direction = camera_from_world(pose.bearing_deg, pose.pitch_deg, pose.roll_deg) @ offset / distance
    column, row = lens.project(direction)
    inside = bool(lens.in_frame(np.array([column, row]))) and math.isfinite(column)
    if told is not None and told.at_px is not None:
        column, row = told.at_px
        inside = True
    size = np.array([lens.width_px, lens.height_px])
    sds = [p.position_sd_m if p.position_sd_m is not None else limits.pan.drawing_sd_m for p in (place, camera)]
    region = _region(lens, pose, direction, math.hypot(*sds) / distance) if inside else np.zeros(2)
    region = np.hypot(region, _TWO_SIDED_95 * _by_bending(lens, k1_sd, direction)) if inside else region
    shares = (np.array([column, row]) + 0.5) / size
    return Mark(
        place.landmark,
        (float(shares[0]), float(shares[1])) if inside else None,
        (float(region[0] / size[0]), float(region[1] / size[1])),
        distance,
        told,
    )


def _region(lens: Lens, pose: _Pose, direction: np.ndarray, places_rad: float) -> np.ndarray:
    """Half axes in pixels from the spread of tilt and level, and of both places as seen from the camera."""
    steps = np.array([[_STEP_RAD, 0.0, 0.0], [0.0, _STEP_RAD, 0.0]])
    moved = lens.project(direction + steps) - lens.project(direction)
    per_rad = np.abs(np.array([moved[0, 0], moved[1, 1]])) / _STEP_RAD
    off_axis = math.hypot(float(direction[0]), float(direction[1]))
    roll = math.radians(pose.roll_sd_deg) * off_axis
    across, down = math.hypot(places_rad, roll), math.hypot(places_rad, math.radians(pose.pitch_sd_deg), roll)
    return np.asarray(_TWO_SIDED_95 * per_rad * np.array([across, down]))


def _by_bending(lens: Lens, k1_sd: float, direction: np.ndarray) -> np.ndarray:
    """How far one sd of the radial term moves a direction, pixels across and down; the angle of view stays."""
    if k1_sd == 0.0:
        return np.zeros(2)
    straighter = replace(lens, k1=lens.k1 + k1_sd)
    return np.asarray(np.abs(straighter.project(direction) - lens.project(direction)))


def _map(site: Site, camera: Camera, places: tuple[Landmark, ...]) -> str:
    """Camera, its planned view, and the nearest things that can be pointed out, north up, as SVG."""
    near = sorted(places, key=lambda p: math.hypot(p.east_m - camera.east_m, p.north_m - camera.north_m))
    targets = {t.name for t in camera.targets}
    shown = [p for p in near if p.landmark in targets] + [p for p in near if p.landmark not in targets]
    shown = shown[:_MOST_ON_MAP]
    reach = max(5.0, *(math.hypot(p.east_m - camera.east_m, p.north_m - camera.north_m) for p in shown))
    width, height = _MAP_PX
    scale = (min(width, height) / 2 - _MAP_MARGIN_PX) / reach

    def at(east: float, north: float) -> tuple[float, float]:
        return width / 2 + (east - camera.east_m) * scale, height / 2 - (north - camera.north_m) * scale

    held = intended_pose(camera)
    parts = [_cone(camera, held, reach, at(camera.east_m, camera.north_m), scale)]
    for place in shown:
        x, y = at(place.east_m, place.north_m)
        target = place.landmark in targets
        shape = f'<rect x="{x - 4:.1f}" y="{y - 4:.1f}" width="8" height="8" fill="#9c4300"/>' if target else (
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3.5" fill="#4a4c55"/>'
        )  # fmt: skip
        anchor = "end" if x > width * 0.7 else "start"
        label = html.escape(place.landmark)
        parts.append(
            f'{shape}<text x="{x + (-7 if anchor == "end" else 7):.1f}" y="{y + 4:.1f}" text-anchor="{anchor}">{label}</text>'
        )
    x, y = at(camera.east_m, camera.north_m)
    parts.append(f'<path d="M {x:.1f} {y - 6:.1f} l 5 10 h -10 z" fill="#0072b2"/>')
    parts.append(
        '<path d="M 14 26 v -16 l -4 6 m 4 -6 l 4 6" fill="none" stroke="#1d1f24"/><text x="22" y="22">N</text>'
    )
    title = html.escape(f"{camera.camera}: {len(shown)} things around it, north up")
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" role="img" aria-label="{title}" '
        f'font-size="11" fill="#1d1f24">{"".join(parts)}</svg>'
    )


def _cone(camera: Camera, held: Intended, reach_m: float, at: tuple[float, float], scale: float) -> str:
    if straight_down(camera, held.pitch_deg):
        return ""
    half = min(camera.lens.hfov_deg, 178.0) / 2
    ends = []
    for bearing in (held.bearing_deg - half, held.bearing_deg + half):
        b = math.radians(bearing)
        ends.append(f"{at[0] + reach_m * scale * math.sin(b):.1f} {at[1] - reach_m * scale * math.cos(b):.1f}")
    large = 1 if 2 * half > 180 else 0
    radius = reach_m * scale
    path = f"M {at[0]:.1f} {at[1]:.1f} L {ends[0]} A {radius:.1f} {radius:.1f} 0 {large} 1 {ends[1]} Z"
    return f'<path d="{path}" fill="#0072b2" fill-opacity="0.12" stroke="#0072b2" stroke-dasharray="4 3"/>'
