"""What speaks against a planned bearing without proving it: it puts a camera up to be looked at, never more."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from audit.judge.carried import todays_orientation
from audit.judge.evidence import CameraEvidence, Snapshot
from audit.judge.finding import Verdict
from audit.judge.ground import GroundMisfit, GroundSeen, ground_misfits
from audit.judge.intended import intended_pose, straight_down
from audit.judge.limits import Limits
from audit.judge.lines import LinesSeen, Misfit, misfits
from audit.judge.panned import panned
from audit.lens import Lens
from audit.measure.ground import GroundView
from audit.plan.model import Camera, Site

__all__ = ["OwnGround", "bearing_hints", "ground_worth_a_look", "kept_hints", "own_grounds", "worth_a_look"]

#: From this probability on the lines are worth a look: fewer than one good camera in a hundred is put up for nothing
#: (measured by ``python -m tests.bench.hint_bench``).
_WORTH_A_LOOK = 0.5
#: Fewer neighbours that should see some of the same are no consensus; and where they should see less of its view than
#: this, what is left may be a fence or a house that stands askew (our defaults).
_LEAST_OTHERS, _LEAST_COVERED = 3, 0.8
#: The ground is worth a look from this probability on (measured by ``python -m tests.bench.hint_bench ground``).
_GROUND_WORTH_A_LOOK = 0.9
#: Ground is laid flat from pictures whose tilt is known to this, degrees (our default: a metre at 20 m from 4 m up).
_GROUND_TILT_SD_DEG = 1.5
#: Cameras farther apart than this see no ground in common that could be laid flat (our default: ten times a usual height).
_GROUND_APART_M = 60.0
#: The crew's directions have a middle where they agree by this much (length of their mean, 0..1; our default).
_AGREE = 0.3


@dataclass(frozen=True, slots=True)
class OwnGround:
    """A camera's picture whose ground can be laid flat, with the lens and the tilt to do it by."""

    camera: str
    shot: Snapshot
    lens: Lens
    roll_deg: float
    pitch_deg: float


def bearing_hints(
    site: Site, evidence: Mapping[str, CameraEvidence], limits: Limits, grounds: Mapping[str, GroundView] | None = None
) -> dict[str, tuple[str, ...]]:
    """Sentences by camera, for those whose bearing nothing shows and something speaks against.

    Parameters
    ----------
    evidence : mapping from camera to CameraEvidence
        What the visit brought for all cameras of the site.
    grounds : mapping from camera to GroundView
        The ground in the pictures of :func:`own_grounds`.
    """
    seen = [
        lines for camera in site.cameras if (lines := _lines(camera, evidence.get(camera.camera), limits)) is not None
    ]
    told: dict[str, tuple[str, ...]] = {
        name: (_sentence(misfit),)
        for name, misfit in misfits(seen).items()
        if worth_a_look(misfit)
    }
    flat = [_ground(site.camera(name), evidence[name], view, limits) for name, view in (grounds or {}).items()]
    for name, shifted in ground_misfits(flat).items():
        if ground_worth_a_look(shifted):
            told[name] = (*told.get(name, ()), _ground_sentence(shifted))
    return told


def own_grounds(site: Site, evidence: Mapping[str, CameraEvidence]) -> tuple[OwnGround, ...]:
    """The day pictures of known tilt of cameras that have another such camera near by on their floor."""
    found = {c.camera: own for c in site.cameras if (own := _own_ground(c, evidence.get(c.camera))) is not None}
    spaces: dict[str, list[Camera]] = {}
    for camera in site.cameras:
        if camera.camera in found:
            spaces.setdefault(_space(camera), []).append(camera)
    near = {c.camera for cameras in spaces.values() for c in _with_another_near(cameras)}
    return tuple(found[c.camera] for c in site.cameras if c.camera in near)


def _own_ground(camera: Camera, evidence: CameraEvidence | None) -> OwnGround | None:
    shot = None if evidence is None else evidence.day
    if shot is None or shot.turned or camera.height_m <= 0:
        return None
    told = shot.measured.orientation
    if told.roll_deg is None or told.pitch_deg is None or told.pitch_sd_deg is None or told.roll_sd_deg is None:
        return None
    if max(told.pitch_sd_deg, told.roll_sd_deg) > _GROUND_TILT_SD_DEG:
        return None
    return OwnGround(camera.camera, shot, told.lens, told.roll_deg, told.pitch_deg)


def _with_another_near(cameras: list[Camera]) -> list[Camera]:
    if len(cameras) < 2:
        return []
    places = np.array([(c.east_m, c.north_m) for c in cameras])
    # the nearest of any place is the camera itself, or one on the same spot
    apart = cKDTree(places).query(places, k=2)[0][:, 1]
    return [c for c, metres in zip(cameras, apart, strict=True) if metres <= _GROUND_APART_M]


def _space(camera: Camera) -> str:
    return f"{camera.floor}/{camera.setting}"


def _ground(camera: Camera, evidence: CameraEvidence, view: GroundView, limits: Limits) -> GroundSeen:
    known = panned(camera, evidence, intended_pose(camera), todays_orientation(evidence, limits), limits)
    shown = known.bearing_deg is not None
    bearing = intended_pose(camera).bearing_deg if known.bearing_deg is None else known.bearing_deg
    place = camera.camera, camera.east_m, camera.north_m, camera.height_m, camera.ground_up_m, _space(camera)
    return GroundSeen(*place, bearing, view, shown)


def ground_worth_a_look(misfit: GroundMisfit) -> bool:
    """Whether the ground puts a camera up: it fits at least one neighbour's, and only after a turn."""
    return bool(misfit.others) and misfit.probability >= _GROUND_WORTH_A_LOOK


def _ground_sentence(misfit: GroundMisfit) -> str:
    turn = abs(misfit.turn_deg)
    way = "right" if misfit.turn_deg > 0 else "left"
    names = ", ".join(misfit.others)
    return f"The ground in its picture fits what {names} sees there only if it is panned about {turn:z.0f}° too far {way}."


def worth_a_look(misfit: Misfit) -> bool:
    """Whether the lines put a camera up: they doubt it, and enough others should see most of what it should see."""
    heard = misfit.others >= _LEAST_OTHERS and misfit.covered >= _LEAST_COVERED
    return heard and misfit.probability >= _WORTH_A_LOOK


def kept_hints(verdicts: Iterable[Verdict]) -> tuple[str, ...]:
    """The hints that an earlier verdict on the camera was given: they come from the whole site, and outlive a click."""
    told = (finding.evidence.get("hints", []) for v in verdicts for finding in v.findings if finding.check == "pan")
    return tuple(str(hint) for hints in told for hint in hints)


def _lines(camera: Camera, evidence: CameraEvidence | None, limits: Limits) -> LinesSeen | None:
    """The level edges of a camera's best picture, by day if there is one; None where it shows none."""
    intended = intended_pose(camera)
    if evidence is None or straight_down(camera, intended.pitch_deg):
        return None
    shots = (s for s in (evidence.day, evidence.night) if s is not None)
    lines = next((s.measured.orientation.level_lines for s in shots if s.measured.orientation.level_lines), None)
    if lines is None:
        return None
    known = panned(camera, evidence, intended, todays_orientation(evidence, limits), limits)
    bearing = intended.bearing_deg if known.bearing_deg is None else known.bearing_deg
    shown = known.bearing_deg is not None
    place, hfov = (camera.camera, camera.east_m, camera.north_m), camera.lens.hfov_deg
    return LinesSeen(*place, bearing, hfov, lines, shown, _middle(evidence.crew_bearings_deg))


def _middle(bearings_deg: tuple[float, ...]) -> float | None:
    """The middle of bearings on the circle; None where there are none or they cancel each other."""
    sines, cosines = (sum(f(math.radians(b)) for b in bearings_deg) for f in (math.sin, math.cos))
    if math.hypot(sines, cosines) < _AGREE * max(len(bearings_deg), 1):
        return None
    return math.degrees(math.atan2(sines, cosines)) % 360.0


def _sentence(misfit: Misfit) -> str:
    turn = abs(misfit.turn_deg)
    way, other = ("right", "left") if misfit.turn_deg > 0 else ("left", "right")
    text = (
        f"Level edges in its picture fit those that {misfit.others} cameras with the same in view see only if it is panned about "
        f"{turn:z.0f}° too far {way}"
    )
    if misfit.one_way:
        return f"{text}, and the crew's compass agrees."
    return f"{text}, or {180 - turn:z.0f}° too far {other}."
