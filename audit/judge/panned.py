"""Where a camera is panned to: unknown until something of the plan was seen in its picture.

The bearing starts at "anything". Clicks and boards narrow it by resection; what was shown once is carried to later
visits by the turn that is measured against the signed reference. The planned bearing is what the answer is held to, and
never part of it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from audit.frames import camera_from_world, wrap_bearing_deg
from audit.judge.carried import shows_the_view
from audit.judge.evidence import CameraEvidence, Pointed
from audit.judge.intended import Intended, straight_down
from audit.judge.limits import Limits, planned_lens
from audit.measure.bending import as_it_may_bend
from audit.measure.measurement import Orientation
from audit.measure.resection import Refused, Resection, Residual, Sighting, Station, resect, turn_about_plumb
from audit.plan.model import Camera, Landmark, Site

__all__ = ["PLUMB_SD_DEG", "Panned", "landmarks_of", "panned", "place_of"]

#: A person who says that a mark lies on a thing says it of the thing, not of its middle: its half width (our default).
_CONFIRMED_SD_M = 0.3
_TWO_SIDED_95 = 1.96
#: A fisheye that hangs to look down, where its picture does not tell how plumb (our default, as the tolerance of tilt).
PLUMB_SD_DEG = 2.5
_LOOKS_DOWN_DEG = -60.0


@dataclass(frozen=True, slots=True)
class Panned:
    """What is known of the bearing.

    Attributes
    ----------
    bearing_deg, bearing_sd_deg : float or None
        None where nothing showed it. Straight down: the turn about the plumb line.
    intended_deg : float
        What it is held to, counted the same way.
    pose : Resection or None
        The whole pose by what was pointed out today.
    source : str
        What showed it, in words.
    seen, absent : tuple of str
        Things pointed out, and things said not to be in the picture.
    refused : tuple of Refused
        Clicks that can't be true, each with its reason.
    residuals : tuple of Residual
    """

    bearing_deg: float | None
    bearing_sd_deg: float | None
    intended_deg: float
    pose: Resection | None = None
    source: str = ""
    seen: tuple[str, ...] = ()
    absent: tuple[str, ...] = ()
    refused: tuple[Refused, ...] = ()
    residuals: tuple[Residual, ...] = ()


def landmarks_of(site: Site, camera: Camera) -> tuple[Landmark, ...]:
    """Everything that can be pointed out in a camera's picture: its targets, the plan's landmarks, other cameras.

    Of equal names the first counts, in this order.
    """
    found: dict[str, Landmark] = {}
    for target in camera.targets:
        found[target.name] = Landmark(target.name, target.east_m, target.north_m, target.up_m, target.position_sd_m)
    for landmark in site.landmarks:
        found.setdefault(landmark.landmark, landmark)
    for other in site.cameras:
        if other.camera != camera.camera:
            place = Landmark(other.camera, other.east_m, other.north_m, other.up_m, other.position_sd_m, other.floor)
            found.setdefault(other.camera, place)
    return tuple(found.values())


def place_of(site: Site, camera: Camera, name: str) -> Landmark | None:
    """The thing of that name that can be pointed out in a camera's picture."""
    return next((mark for mark in landmarks_of(site, camera) if mark.landmark == name), None)


def panned(
    camera: Camera, evidence: CameraEvidence, intended: Intended, measured: Orientation | None, limits: Limits
) -> Panned:
    """The bearing by today's clicks and boards, else by what was shown before and the turn since."""
    plumb = straight_down(camera, intended.pitch_deg)
    held_to = intended.bearing_deg
    if plumb:
        held_to = turn_about_plumb(camera_from_world(intended.bearing_deg, intended.pitch_deg, intended.roll_deg))
    absent = tuple(p.landmark for p in evidence.pointed if p.at_px is None)
    nothing = Panned(None, None, held_to, absent=absent)
    by_today = _by_pointing(camera, evidence.pointed, measured, plumb, limits)
    if by_today is not None and by_today.bearing_deg is not None:
        refused = {r.landmark for r in by_today.refused}
        used = [p for p in evidence.pointed if p.at_px is not None and p.landmark not in refused]
        return replace(
            nothing,
            bearing_deg=by_today.bearing_deg,
            bearing_sd_deg=by_today.bearing_sd_deg,
            pose=by_today,
            source=_source(used),
            seen=tuple(p.landmark for p in used),
            refused=by_today.refused,
            residuals=by_today.residuals,
        )
    if by_today is not None:
        nothing = replace(nothing, refused=by_today.refused)
    return _carried(evidence, nothing, limits)


def _by_pointing(
    camera: Camera, pointed: Iterable[Pointed], measured: Orientation | None, plumb: bool, limits: Limits
) -> Resection | None:
    """The pose by what was pointed out in one picture, the one with most clicks; None without any."""
    seen = [p for p in pointed if p.at_px is not None]
    if not seen:
        return None
    by_photo: dict[str, list[Pointed]] = {}
    for one in seen:
        by_photo.setdefault(one.photo, []).append(one)
    chosen = max(by_photo.values(), key=len)
    refused = [r for p in chosen if (r := _elsewhere(camera, p)) is not None]
    bad = {r.landmark for r in refused}
    lens, k1_sd = as_it_may_bend(planned_lens(camera, limits), measured)
    if (lens.width_px, lens.height_px) != chosen[0].size_px:
        lens = lens.resized(*chosen[0].size_px)
    roll, roll_sd = (None, None) if measured is None else (measured.roll_deg, measured.roll_sd_deg)
    if roll is None or roll_sd is None:
        roll, roll_sd = 0.0, limits.level.roll_tolerance_deg / _TWO_SIDED_95
    pitch, pitch_sd = (None, None) if measured is None else (measured.pitch_deg, measured.pitch_sd_deg)
    if plumb and (pitch is None or pitch_sd is None or pitch > _LOOKS_DOWN_DEG):
        pitch, pitch_sd = -90.0, PLUMB_SD_DEG
    station = Station(
        lens,
        camera.east_m,
        camera.north_m,
        camera.up_m,
        camera.position_sd_m if camera.position_sd_m is not None else limits.pan.drawing_sd_m,
        pitch_deg=pitch,
        pitch_sd_deg=pitch_sd,
        roll_deg=None if plumb else roll,
        roll_sd_deg=None if plumb else roll_sd,
        k1_sd=k1_sd,
    )
    found = resect(station, tuple(_sighting(p, limits) for p in chosen if p.landmark not in bad))
    return replace(found, refused=(*refused, *found.refused))


def _elsewhere(camera: Camera, pointed: Pointed) -> Refused | None:
    """A click on what is on another floor, or no longer in the plan."""
    place = pointed.place
    if place is None:
        return Refused(pointed.landmark, f"'{pointed.landmark}' is no longer in the plan; point out something that is.")
    if place.floor and camera.floor and place.floor != camera.floor:
        return Refused(
            pointed.landmark,
            f"'{pointed.landmark}' is on floor {place.floor}, the camera on floor {camera.floor}; choose something on its "
            "own floor.",
        )
    return None


def _sighting(pointed: Pointed, limits: Limits) -> Sighting:
    place, at = pointed.place, pointed.at_px
    assert place is not None and at is not None
    sd = place.position_sd_m if place.position_sd_m is not None else limits.pan.drawing_sd_m
    if pointed.confirmed or pointed.by_board:
        sd = math.hypot(sd, _CONFIRMED_SD_M)
    pixel_sd = 0.5 if pointed.by_board else None
    return Sighting(pointed.landmark, *at, place.east_m, place.north_m, place.up_m, sd, pixel_sd)


def _source(used: list[Pointed]) -> str:
    """What showed the bearing, in words."""
    names = ", ".join(f"'{p.landmark}'" for p in used)
    if all(p.by_board for p in used):
        return f"by the board at {names}"
    people = sorted({p.by for p in used if not p.by_board})
    return f"by {names}, pointed out by {' and '.join(people)}"


def _carried(evidence: CameraEvidence, unknown: Panned, limits: Limits) -> Panned:
    """What was shown in the reference's visit, turned by what is measured since."""
    then = evidence.reference_bearing
    since = next((c.change for c in evidence.comparisons if not c.night and shows_the_view(c, limits)), None)
    if then is None or since is None or since.pan_change_deg is None:
        return unknown
    return replace(
        unknown,
        bearing_deg=wrap_bearing_deg(then.bearing_deg + since.pan_change_deg),
        bearing_sd_deg=math.hypot(then.bearing_sd_deg, since.pan_change_sd_deg or 0.0),
        source=f"shown in visit {then.visit}, with the turn measured since",
    )
