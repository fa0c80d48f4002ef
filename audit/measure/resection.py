"""Where a camera looks, from things of the plan that a person or a marker points out in its picture (resection).

A click ties a pixel to a place of the plan. One click gives the bearing where roll and pitch are measured; more give
pitch, roll, angle of view and the camera's own place as well. The answer is the most likely one: every click's pixel
error and its place's error, the measured tilt, the lens with its bending and the camera's planned place count with their
own standard deviations, and the bearing starts at "anything". The planned pose plays no part.

The tilt is held as the world's up direction in the camera, so that a camera that looks straight down is no special
case: its bearing is the turn about the plumb line, the direction to which the picture's upper edge points.

Source: maximum likelihood with Gauss-Newton steps as in Hartley and Zisserman, Multiple View Geometry, 2nd ed. 2004,
appendix 6; covariance by their 5.2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from audit.frames import camera_from_world, pose_from_rotation, up_in_camera, wrap_bearing_deg
from audit.lens import Lens, least_k1

__all__ = ["CLICK_SD_FRACTION", "Refused", "Resection", "Residual", "Sighting", "Station", "resect", "turn_about_plumb"]

FloatArray = NDArray[np.float64]

#: How well a person hits a thing with one click, share of the picture's width (our default: 4 px of 1,000).
CLICK_SD_FRACTION = 0.004
#: A roll that was not measured: installed cameras hang level within this (our default; not the plan's roll).
_ROLL_UNKNOWN_SD_DEG = 5.0
#: Pitch beyond which roll and bearing are one turn about the plumb line.
_PLUMB_PITCH_DEG = -60.0
#: Smaller sds than this make the equations stiff; far below anything measurable.
_LEAST_SD_RAD = 1e-7
_LEAST_SD_M = 1e-6
_LEAST_K1_SD = 1e-6
#: Nearer than this to the camera's foot, or than this many sds of both places (2 m at most), nothing tells a bearing.
_OWN_PLACE_M = 0.5
_OWN_PLACE_SD = 1.5
#: A click this far above or below where its place can be is no slip of the hand.
_IMPOSSIBLE_SD = 4.0
_IMPOSSIBLE_DEG = 3.0
#: Chance of a fit as bad as this among good clicks, below which they contradict each other.
_CONTRADICTION = 1e-4
#: Smaller angles are told with a digit.
_SAID_WHOLE_DEG = 3.0
_STEPS = 40
_CONVERGED = 1e-10
_DIFFERENCE = 1e-6
_STATES = 8
_BEND = 7
#: A radial term is tried up to this share of the one that folds the picture's corners.
_SHORT_OF_FOLDING = 0.95


@dataclass(frozen=True, slots=True)
class Sighting:
    """One thing of the plan seen at a pixel.

    Attributes
    ----------
    landmark : str
        Its name in the plan.
    column_px, row_px : float
        Pixel in the picture that the station's lens describes.
    east_m, north_m, up_m : float
        Its planned place in the site's local metres; ``up_m`` None where the plan gives no height: then only its
        direction on the map counts.
    position_sd_m : float
        One standard deviation of each coordinate.
    pixel_sd_px : float or None
        One standard deviation of the click, each way; None: ``CLICK_SD_FRACTION`` of the picture's width.
    """

    landmark: str
    column_px: float
    row_px: float
    east_m: float
    north_m: float
    up_m: float | None
    position_sd_m: float = 0.3
    pixel_sd_px: float | None = None


@dataclass(frozen=True, slots=True)
class Station:
    """What is known of the camera before any click.

    Attributes
    ----------
    lens : Lens
        For the picture that was clicked, with ``hfov_sd_deg``.
    east_m, north_m, up_m, position_sd_m : float
        Planned place of the lens in local metres and the sd of each coordinate.
    k1_sd : float
        Of the lens's radial term; the angle of view is held, so that it moves what lies between the middle and the edge.
    pitch_deg, pitch_sd_deg, roll_deg, roll_sd_deg : float or None
        As measured in the picture; None where not measured. Near the plumb line roll is None.
    """

    lens: Lens
    east_m: float
    north_m: float
    up_m: float
    position_sd_m: float = 0.3
    pitch_deg: float | None = None
    pitch_sd_deg: float | None = None
    roll_deg: float | None = None
    roll_sd_deg: float | None = None
    k1_sd: float = 0.0


@dataclass(frozen=True, slots=True)
class Residual:
    """How far a click lies from where the answer puts its place: pixels, and standard deviations of the two together."""

    landmark: str
    across_px: float
    down_px: float
    sds: float


@dataclass(frozen=True, slots=True)
class Refused:
    """A click that was not used, and why in one sentence."""

    landmark: str
    reason: str


@dataclass(frozen=True, slots=True)
class Resection:
    """The most likely pose of a camera.

    Attributes
    ----------
    bearing_deg, bearing_sd_deg : float or None
        None where no click could be used. Straight down: the turn about the plumb line.
    pitch_deg, pitch_sd_deg, roll_deg, roll_sd_deg, hfov_deg, hfov_sd_deg : float or None
    east_m, north_m, up_m, position_sd_m : float or None
        The lens's place; the largest sd of its coordinates.
    covariance : ndarray, shape (3, 3), or None
        Of bearing, pitch and roll, square degrees.
    residuals : tuple of Residual
    refused : tuple of Refused
    fit_probability : float or None
        Chance that good clicks fit this badly or worse; None where nothing is left to tell.
    note : str or None
        Why there is no answer, or what limits it.
    """

    bearing_deg: float | None = None
    bearing_sd_deg: float | None = None
    pitch_deg: float | None = None
    pitch_sd_deg: float | None = None
    roll_deg: float | None = None
    roll_sd_deg: float | None = None
    hfov_deg: float | None = None
    hfov_sd_deg: float | None = None
    east_m: float | None = None
    north_m: float | None = None
    up_m: float | None = None
    position_sd_m: float | None = None
    covariance: FloatArray | None = None
    residuals: tuple[Residual, ...] = ()
    refused: tuple[Refused, ...] = ()
    fit_probability: float | None = None
    note: str | None = None


def resect(station: Station, sightings: tuple[Sighting, ...]) -> Resection:
    """The most likely pose by all clicks that can be true; those that can't are refused, each with its reason.

    Clicks that fit together but not with the measured tilt win over it, with a note: the picture's own answer may be
    wrong, two places that agree are not. Two clicks that fit neither way are both refused.
    """
    refused = [Refused(s.landmark, reason) for s in sightings if (reason := _unusable(station, s)) is not None]
    names = {r.landmark for r in refused}
    left = tuple(s for s in sightings if s.landmark not in names)
    if len(left) == 1:
        reason = _too_high_or_low(station, left[0])
        if reason is not None:
            refused.append(Refused(left[0].landmark, reason))
            left = ()
    note = None
    while left:
        fit = _fitted(station, left)
        if fit.probability >= _CONTRADICTION or len(left) == 1:
            return _answer(station, left, fit, refused, note)
        free = _fitted(_untilted(station), left)
        if free.probability >= _CONTRADICTION and station.pitch_deg is not None:
            note = "the clicks agree with each other but not with the tilt measured in the picture, which is left out"
            return _answer(_untilted(station), left, free, refused, note)
        if len(left) == 2:
            refused += [Refused(s.landmark, _contradiction(station, left, s)) for s in left]
            break
        worst = max(left, key=lambda s: _fitted(station, tuple(t for t in left if t is not s)).probability)
        left = tuple(s for s in left if s is not worst)
        refused.append(Refused(worst.landmark, _outvoted(station, left, worst)))
    reasons = " ".join(r.reason for r in refused)
    return Resection(refused=tuple(refused), note=reasons or "no thing of the plan was pointed out in the picture")


def turn_about_plumb(rotation: FloatArray) -> float:
    """Where the picture's upper edge points, bearing in degrees, once a camera is brought to plumb by the shortest way.

    Parameters
    ----------
    rotation : ndarray, shape (3, 3)
        Camera from world, of a camera that looks down.
    """
    level = _shortest(np.array([0.0, 0.0, -1.0]), rotation[:, 2]).T @ rotation
    return pose_from_rotation(level)[0]


# -- what can't be true ------------------------------------------------------------------------------------------------


def _unusable(station: Station, sighting: Sighting) -> str | None:
    """Why a click says nothing whatever the pose."""
    lens, name = station.lens, sighting.landmark
    at = f"({sighting.column_px:.0f}, {sighting.row_px:.0f})"
    pixel = np.array([sighting.column_px, sighting.row_px])
    if not bool(lens.in_frame(pixel)):
        return (
            f"'{name}': {at} lies outside the picture of {lens.width_px} × {lens.height_px} px; click inside it, or say "
            "that it is not in the picture."
        )
    if not np.all(np.isfinite(lens.unproject(pixel))):
        return f"'{name}': {at} lies outside the lens's image circle, where no light falls; click inside the circle."
    level = math.hypot(sighting.east_m - station.east_m, sighting.north_m - station.north_m)
    if level < max(_OWN_PLACE_M, min(_OWN_PLACE_SD * math.hypot(sighting.position_sd_m, station.position_sd_m), 2.0)):
        return (
            f"'{name}' stands {level:.1f} m from the camera's own place, too near for a direction; choose something "
            "farther away."
        )
    return None


def _too_high_or_low(station: Station, sighting: Sighting) -> str | None:
    """Whether a click lies above or below where its place can be by the measured tilt."""
    if station.pitch_deg is None or station.pitch_sd_deg is None or sighting.up_m is None:
        return None
    lens = station.lens
    up, click = up_in_camera(station.roll_deg or 0.0, station.pitch_deg), [sighting.column_px, sighting.row_px]
    seen = _elevation_deg(lens.unproject(click), up)
    bent = _elevation_deg(_bent(lens, station.k1_sd).unproject(click), up)
    level = math.hypot(sighting.east_m - station.east_m, sighting.north_m - station.north_m)
    planned = math.degrees(math.atan2(sighting.up_m - station.up_m, level))
    roll_sd = _ROLL_UNKNOWN_SD_DEG if station.roll_sd_deg is None else station.roll_sd_deg
    aside = abs(sighting.column_px - lens.centre_px[0]) / lens.width_px * math.radians(lens.hfov_deg)
    sd = math.hypot(
        bent - seen if math.isfinite(bent) else 0.0,
        # near the plumb line one picture tells pitch no better
        station.pitch_sd_deg if station.pitch_deg > _PLUMB_PITCH_DEG else max(5.0, station.pitch_sd_deg),
        roll_sd * math.sin(min(aside, math.pi / 2)),
        math.degrees(math.hypot(sighting.position_sd_m, station.position_sd_m) / level),
        _click_sd_px(lens, sighting) / lens.width_px * lens.hfov_deg,
        lens.hfov_sd_deg / 2,
    )
    off = seen - planned
    if abs(off) <= max(_IMPOSSIBLE_DEG, _IMPOSSIBLE_SD * sd):
        return None
    if planned < 0 < seen:
        where = (
            f"the click looks {seen:.0f}° above the horizon, at the sky or a roof, and it stands {-planned:.0f}° below"
        )
    else:
        where = (
            f"the click looks {abs(off):.0f}° {'above' if off > 0 else 'below'} where it can stand by the measured tilt"
        )
    return f"'{sighting.landmark}': {where}; click again, or click a second thing if the click is right."


def _contradiction(station: Station, pair: tuple[Sighting, ...], sighting: Sighting) -> str:
    other = next(s for s in pair if s is not sighting)
    apart = _outvoted(station, (other,), sighting)
    return apart.replace("the other clicks", f"the click on '{other.landmark}'")


def _outvoted(station: Station, others: tuple[Sighting, ...], sighting: Sighting) -> str:
    """How far a click lies from where the others put its place."""
    fit = _fitted(station, others)
    rotation, lens = _rotation(station, fit.state), _bent(station.lens, float(fit.state[_BEND]))
    place = _offsets(station, (sighting,), fit.state[None])[0, 0]
    direction = rotation @ place
    ray = lens.unproject([sighting.column_px, sighting.row_px])
    apart = math.degrees(math.acos(float(np.clip(direction @ ray / np.linalg.norm(direction), -1.0, 1.0))))
    behind = direction[2] <= 0 and lens.projection == "rectilinear"
    where = "behind the camera" if behind else f"{apart:.{0 if apart >= _SAID_WHOLE_DEG else 1}f}° away from this click"
    return f"'{sighting.landmark}': by the other clicks it lies {where}; one of them is wrong: take it back and click again."


def _elevation_deg(ray: FloatArray, up: FloatArray) -> float:
    return math.degrees(math.asin(float(np.clip(ray @ up, -1.0, 1.0))))


# -- the fit -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Fit:
    """State: turn about the vertical, tilt (2), log of the focal length's factor, place (3), the radial term's change; and
    how well it fits."""

    state: FloatArray
    covariance: FloatArray
    probability: float


def _fitted(station: Station, sightings: tuple[Sighting, ...]) -> _Fit:
    """Gauss-Newton from every click's own bearing; the best of them."""
    best: tuple[float, FloatArray, FloatArray] | None = None
    for turn in _starts(station, sightings):
        state = np.zeros(_STATES)
        state[0] = turn
        cost, state, normal = _descended(station, sightings, state)
        if best is None or cost < best[0] - 1e-9:
            best = cost, state, normal
    assert best is not None
    cost, state, normal = best
    freedom = _freedom(station, sightings)
    probability = float(chdtrc(freedom, cost)) if freedom > 0 else 1.0
    return _Fit(state, np.asarray(np.linalg.inv(normal)), probability)


def _starts(station: Station, sightings: tuple[Sighting, ...]) -> list[float]:
    """The bearing by each click alone, radians (closed form: both directions turned into the level frame)."""
    zero = np.zeros((1, _STATES))
    level = _rotation(station, zero[0])
    found: list[float] = []
    for sighting, offset in zip(sightings, _offsets(station, sightings, zero)[0], strict=True):
        east, north, _ = level.T @ station.lens.unproject([sighting.column_px, sighting.row_px])
        turn = math.atan2(offset[0], offset[1]) - math.atan2(east, north)
        # starts nearer to each other than three degrees climb to one answer
        if all(abs(math.remainder(turn - other, math.tau)) > 0.05 for other in found):
            found.append(turn)
    if station.position_sd_m > 5.0:  # far from the planned place the first guess says little
        found += list(np.arange(0.0, math.tau, math.tau / 12))
    return found


def _descended(
    station: Station, sightings: tuple[Sighting, ...], state: FloatArray
) -> tuple[float, FloatArray, FloatArray]:
    """Cost (chi-square), state and normal matrix at the end of the damped steps."""
    damping = 1e-6
    residual, slope = _linearised(station, sightings, state)
    cost = float(residual @ residual)
    for _ in range(_STEPS):
        normal, gradient = slope.T @ slope, slope.T @ residual
        step = -np.linalg.solve(normal + damping * np.diag(np.diag(normal)), gradient)
        there = _whitened(station, sightings, (state + step)[None])[0]
        if float(there @ there) > cost + 1e-12:
            damping *= 10
            # damped so much, no step helps
            if damping > 1e8:
                break
            continue
        state, damping = state + step, max(damping / 10, 1e-12)
        residual, slope = _linearised(station, sightings, state)
        settled = (
            abs(cost - float(residual @ residual)) <= _CONVERGED * (1 + cost) and float(np.abs(step[:3]).max()) < 1e-9
        )
        cost = float(residual @ residual)
        if settled:
            break
    return cost, state, slope.T @ slope


def _linearised(station: Station, sightings: tuple[Sighting, ...], state: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Residuals in standard deviations and their slopes, by central differences; all states at once."""
    steps = _DIFFERENCE * np.eye(_STATES)
    values = _whitened(station, sightings, np.concatenate([state[None], state + steps, state - steps]))
    slope = (values[1 : _STATES + 1] - values[_STATES + 1 :]).T / (2 * _DIFFERENCE)
    return values[0], slope


def _whitened(station: Station, sightings: tuple[Sighting, ...], states: FloatArray) -> FloatArray:
    """Residuals in standard deviations, shape (S, R): two a click, then what was known beforehand."""
    rotations = _rotations(station, states)
    offsets = _offsets(station, sightings, states)
    distance = np.linalg.norm(offsets, axis=-1)
    rays = _rays(station.lens, sightings, states)
    directions = np.einsum("sij,snj->sni", rotations, offsets) / distance[..., None]
    errors = _apart(rays, directions)
    columns = [errors[..., 0], errors[..., 1]]
    for index, sighting in enumerate(sightings):
        across = _click_sd_px(station.lens, sighting) / _px_per_rad(station.lens, sighting)
        place = max(sighting.position_sd_m, _LEAST_SD_M) / float(distance[0, index])
        for column in columns:
            column[:, index] /= math.hypot(max(across, _LEAST_SD_RAD), place)
    known = [states[:, i] / sd for i, sd in _known_sds(station)]
    return np.concatenate([*columns, np.stack(known, axis=1)], axis=1)


def _apart(rays: FloatArray, directions: FloatArray) -> FloatArray:
    """Angle from a ray to a direction as a vector in the plane across the ray, radians, (S, N, 3) -> (S, N, 2)."""
    # beside the axis the vector is square to, so that the cross product does not vanish
    helper = np.where(np.abs(rays[..., 2:3]) < 0.9, [0.0, 0.0, 1.0], [1.0, 0.0, 0.0])
    first = _crossed(helper, rays)
    first /= np.linalg.norm(first, axis=-1, keepdims=True)
    second = _crossed(rays, first)
    flat = np.stack([np.sum(first * directions, axis=-1), np.sum(second * directions, axis=-1)], axis=-1)
    sine = np.linalg.norm(flat, axis=-1, keepdims=True)
    cosine = np.sum(rays * directions, axis=-1, keepdims=True)
    angle = np.arctan2(sine, cosine)
    return np.asarray(flat * np.where(sine > 1e-12, angle / np.maximum(sine, 1e-12), 1.0))


def _crossed(a: FloatArray, b: FloatArray) -> FloatArray:
    """Vector products along the last axis; numpy's own costs four times as much for so few numbers."""
    a0, a1, a2 = (a[..., i] for i in range(3))
    b0, b1, b2 = (b[..., i] for i in range(3))
    return np.stack([a1 * b2 - a2 * b1, a2 * b0 - a0 * b2, a0 * b1 - a1 * b0], axis=-1)


def _rays(lens: Lens, sightings: tuple[Sighting, ...], states: FloatArray) -> FloatArray:
    """Directions of the clicks in the camera, (S, N, 3), by each state's focal length and radial term."""
    pixels = np.array([[s.column_px, s.row_px] for s in sightings])
    centre = np.array(lens.centre_px)
    scaled = centre + (pixels - centre) * np.exp(-states[:, 3])[:, None, None]
    rays = lens.unproject(scaled)
    for change in np.unique(states[:, _BEND]):
        if change != 0.0:
            some = states[:, _BEND] == change
            rays[some] = _bent(lens, float(change)).unproject(scaled[some])
    return np.where(np.isfinite(rays), rays, lens.unproject(pixels))


@lru_cache(maxsize=64)
def _bent(lens: Lens, change: float) -> Lens:
    """The lens with another radial term and the same angle of view, as far as its picture does not fold."""
    if change == 0.0:
        return lens
    return replace(lens, k1=max(lens.k1 + change, _SHORT_OF_FOLDING * least_k1(lens)))


def _offsets(station: Station, sightings: tuple[Sighting, ...], states: FloatArray) -> FloatArray:
    """From the lens to the places, east north up metres, (S, N, 3); without a height, along the click's own elevation."""
    here = np.array([station.east_m, station.north_m, station.up_m]) + states[:, 4:7]
    places = np.array([[s.east_m, s.north_m, station.up_m if s.up_m is None else s.up_m] for s in sightings])
    offsets = places[None] - here[:, None]
    flat = [s.up_m is None for s in sightings]
    if any(flat):
        rays = np.einsum("sji,snj->sni", _rotations(station, states), _rays(station.lens, sightings, states))
        slope = rays[..., 2] / np.maximum(np.hypot(rays[..., 0], rays[..., 1]), 1e-6)
        offsets[..., 2] = np.where(flat, slope * np.hypot(offsets[..., 0], offsets[..., 1]), offsets[..., 2])
    return np.asarray(offsets)


def _rotation(station: Station, state: FloatArray) -> FloatArray:
    return np.asarray(_rotations(station, state[None])[0])


def _rotations(station: Station, states: FloatArray) -> FloatArray:
    """Camera from world, (S, 3, 3): turned about the vertical, then tilted off the measured tilt by the shortest way."""
    first, about_pitch, about_roll = _tilt_axes(*_first_tilt(station))
    sine, cosine = np.sin(states[:, 0]), np.cos(states[:, 0])
    about_up = np.zeros((len(states), 3, 3))
    about_up[:, 0, 0], about_up[:, 0, 1] = cosine, -sine
    about_up[:, 1, 0], about_up[:, 1, 1], about_up[:, 2, 2] = sine, cosine, 1.0
    turned = first @ about_up
    # rotation vector across up and the way it moves: the angle is the tilt's size (Rodrigues)
    axis = states[:, 1:2] * about_pitch + states[:, 2:3] * about_roll
    angle = np.linalg.norm(axis, axis=1)[:, None, None]
    skew = np.zeros((len(states), 3, 3))
    skew[:, 0, 1], skew[:, 0, 2], skew[:, 1, 2] = -axis[:, 2], axis[:, 1], -axis[:, 0]
    skew -= skew.transpose(0, 2, 1)
    tilted = np.eye(3) + np.sinc(angle / np.pi) * skew + 0.5 * np.sinc(angle / (2 * np.pi)) ** 2 * (skew @ skew)
    return np.asarray(tilted @ turned)


@lru_cache(maxsize=64)
def _tilt_axes(pitch_deg: float, roll_deg: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Camera from world at a tilt, (3, 3), and the axes about which up moves: with pitch, and with roll."""
    p, r = math.radians(pitch_deg), math.radians(roll_deg)
    up = up_in_camera(roll_deg, pitch_deg)
    along = np.array([math.sin(r) * math.sin(p), math.cos(r) * math.sin(p), math.cos(p)])
    across = np.array([-math.cos(r), math.sin(r), 0.0])
    return camera_from_world(0.0, pitch_deg, roll_deg), np.cross(up, along), np.cross(up, across)


def _shortest(before: FloatArray, after: FloatArray) -> FloatArray:
    """The smallest rotation that takes one unit vector to another (Rodrigues)."""
    axis, cosine = np.cross(before, after), float(before @ after)
    if cosine < -1 + 1e-12:
        raise ValueError("opposite directions have no smallest rotation")
    skew = np.array([[0.0, -axis[2], axis[1]], [axis[2], 0.0, -axis[0]], [-axis[1], axis[0], 0.0]])
    return np.asarray(np.eye(3) + skew + skew @ skew / (1 + cosine))


def _first_tilt(station: Station) -> tuple[float, float]:
    """Pitch and roll from which the tilt is counted: as measured, plumb, or level."""
    if _plumb(station):
        return -90.0, 0.0
    return station.pitch_deg or 0.0, station.roll_deg or 0.0


def _plumb(station: Station) -> bool:
    return station.pitch_deg is not None and station.pitch_deg <= _PLUMB_PITCH_DEG and station.roll_deg is None


def _known_sds(station: Station) -> list[tuple[int, float]]:
    """What was known beforehand: index in the state and its sd."""
    known = []
    roll_sd = _ROLL_UNKNOWN_SD_DEG if station.roll_sd_deg is None else station.roll_sd_deg
    if station.pitch_deg is not None and station.pitch_sd_deg is not None:
        along = station.pitch_sd_deg
        if _plumb(station):
            along = across = math.hypot(90 + station.pitch_deg, station.pitch_sd_deg)
        else:
            across = roll_sd * math.cos(math.radians(station.pitch_deg))
        known += [(1, math.radians(along)), (2, math.radians(across))]
    else:
        known.append((2, math.radians(roll_sd)))
    lens = station.lens
    known.append((3, lens.hfov_sd_deg / lens.hfov_deg))
    known = [(i, max(sd, _LEAST_SD_RAD)) for i, sd in known]
    known.append((_BEND, max(station.k1_sd, _LEAST_K1_SD)))
    # east, north and up among the parameters
    return known + [(i, max(station.position_sd_m, _LEAST_SD_M)) for i in (4, 5, 6)]


def _freedom(station: Station, sightings: tuple[Sighting, ...]) -> int:
    """Equations more than unknowns."""
    seen = sum(2 if s.up_m is not None else 1 for s in sightings)
    return seen + len(_known_sds(station)) - _STATES


def _click_sd_px(lens: Lens, sighting: Sighting) -> float:
    return CLICK_SD_FRACTION * lens.width_px if sighting.pixel_sd_px is None else sighting.pixel_sd_px


@lru_cache(maxsize=256)
def _px_per_rad(lens: Lens, sighting: Sighting) -> float:
    """Pixels per radian at a click, the coarser of both ways."""
    pixel = np.array([sighting.column_px, sighting.row_px])
    rays = lens.unproject(pixel + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]))
    steps = np.linalg.norm(rays[1:] - rays[0], axis=-1)
    return float(1.0 / np.nanmax(steps)) if np.any(np.isfinite(steps)) else lens.focal_px


def _untilted(station: Station) -> Station:
    return replace(station, pitch_deg=None, pitch_sd_deg=None, roll_deg=None, roll_sd_deg=None)


# -- the answer --------------------------------------------------------------------------------------------------------


def _pose(station: Station, state: FloatArray) -> FloatArray:
    """Bearing, pitch and roll in degrees of a state."""
    rotation = _rotation(station, state)
    if _plumb(station):
        pitch = math.degrees(math.asin(float(np.clip(rotation[2, 2], -1.0, 1.0))))
        return np.array([math.degrees(float(state[0])), pitch, 0.0])
    return np.array(pose_from_rotation(rotation))


def _answer(
    station: Station, sightings: tuple[Sighting, ...], fit: _Fit, refused: list[Refused], note: str | None
) -> Resection:
    pose = _pose(station, fit.state)
    slopes = np.zeros((3, _STATES))
    for index in range(3):
        step = np.zeros(_STATES)
        step[index] = _DIFFERENCE
        ahead, behind = _pose(station, fit.state + step), _pose(station, fit.state - step)
        slopes[:, index] = ((ahead - behind + 180.0) % 360.0 - 180.0) / (2 * _DIFFERENCE)
    angles = slopes @ fit.covariance @ slopes.T
    sds = np.sqrt(np.maximum(np.diag(angles), 0.0))
    spread = np.sqrt(np.diag(fit.covariance))
    hfov = _hfov(_bent(station.lens, float(fit.state[_BEND])), float(fit.state[3]))
    plumb = _plumb(station)
    flat = [s.landmark for s in sightings if s.up_m is None]
    if flat:
        heights = f"the plan gives no height for {', '.join(flat)}: only the direction on the map counts"
        note = heights if note is None else f"{note}; {heights}"
    return Resection(
        bearing_deg=wrap_bearing_deg(float(pose[0])),
        bearing_sd_deg=float(sds[0]),
        pitch_deg=float(pose[1]),
        pitch_sd_deg=station.pitch_sd_deg if plumb else float(sds[1]),
        roll_deg=None if plumb else float(pose[2]),
        roll_sd_deg=None if plumb else float(sds[2]),
        hfov_deg=hfov,
        hfov_sd_deg=float(spread[3]) * hfov,
        east_m=station.east_m + float(fit.state[4]),
        north_m=station.north_m + float(fit.state[5]),
        up_m=station.up_m + float(fit.state[6]),
        position_sd_m=float(spread[4:7].max()),
        covariance=angles,
        residuals=_residuals(station, sightings, fit.state),
        refused=tuple(refused),
        fit_probability=fit.probability if _freedom(station, sightings) > 0 else None,
        note=note,
    )


def _hfov(lens: Lens, log_focal: float) -> float:
    """The full horizontal angle with the focal length's factor applied."""
    return float(2 * np.degrees(lens.angle_rad(lens.width_px / 2 * math.exp(-log_focal))))


def _residuals(station: Station, sightings: tuple[Sighting, ...], state: FloatArray) -> tuple[Residual, ...]:
    lens = _bent(station.lens, float(state[_BEND]))
    whitened = _whitened(station, sightings, state[None])[0]
    directions = _offsets(station, sightings, state[None])[0] @ _rotation(station, state).T
    centre = np.array(lens.centre_px)
    pixels = centre + (lens.project(directions) - centre) * math.exp(float(state[3]))
    count = len(sightings)
    return tuple(
        Residual(
            s.landmark,
            s.column_px - float(pixels[i, 0]),
            s.row_px - float(pixels[i, 1]),
            float(math.hypot(whitened[i], whitened[count + i])),
        )
        for i, s in enumerate(sightings)
    )
