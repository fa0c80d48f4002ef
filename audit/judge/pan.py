"""The check *pan*: whether the camera is panned to where the plan wants it, and what would show it where nothing did."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from audit.frames import bearing_difference_deg
from audit.judge import remedies
from audit.judge.chances import PoseBelief, outside, state_of, weighed
from audit.judge.evidence import CameraEvidence, Pointed, Snapshot
from audit.judge.finding import Finding
from audit.judge.intended import Intended, intended_pose, straight_down
from audit.judge.limits import Limits
from audit.judge.panned import Panned
from audit.plan import optics
from audit.plan.model import Camera, Target

__all__ = ["pan_finding", "pan_tolerance", "what_would_show_it"]

_TWO_SIDED_95 = 1.96
#: An angle that rounds to nothing where it is said.
_LEAST_SAID_DEG = 0.05
_ASKING = ("defect", "to check")
_STEP_DEG = 0.25
#: Chance that a person overlooks a thing that is in the picture, or something hides it (our default).
_OVERLOOKED = 0.03
_TRIED_BEARINGS = 41


def pan_finding(
    camera: Camera,
    shot: Snapshot,
    known: Panned,
    evidence: CameraEvidence,
    belief: PoseBelief | None,
    limits: Limits,
) -> Finding:
    """The bearing against what it is held to; *not verified* with what would show it, where nothing did.

    What hints said is kept with the finding, also where something showed the bearing since: it counts again when that is
    taken back.
    """
    found: Finding | None = None
    if known.bearing_deg is not None and known.bearing_sd_deg is not None:
        found = _shown(camera, shot, known, limits)
    elif belief is not None and known.absent:
        found = _absent(camera, shot, known, evidence, belief, limits)
    if found is None:
        found = _not_shown(camera, shot, known, evidence)
    return replace(found, evidence=found.evidence | {"hints": list(evidence.hints)}) if evidence.hints else found


def _not_shown(camera: Camera, shot: Snapshot, known: Panned, evidence: CameraEvidence) -> Finding:
    """Nothing shows it: *to check* where a hint speaks against the plan, else *not verified*."""
    refused = " ".join(r.reason for r in known.refused)
    why = what_would_show_it(camera, evidence)
    hinted = bool(evidence.hints) and not known.refused
    if hinted:
        why = f"{' '.join(evidence.hints)} {why}"
    return Finding(
        camera.camera,
        "pan",
        "to check" if hinted else "not verified",
        " ".join(text for text in (refused, why, *evidence.board_notes) if text),
        planned=known.intended_deg,
        unit="deg",
        photo=shot.photo,
    )


def what_would_show_it(camera: Camera, evidence: CameraEvidence) -> str:
    """The one sentence that says how the bearing can be shown."""
    if not evidence.can_point:
        return (
            "Not shown where it is panned to: the plan names no target, landmark or other camera; add a landmark to the "
            "plan and point it out in the picture."
        )
    what = f"'{camera.targets[0].name}'" if camera.targets else "a landmark of the plan"
    return (
        f"Not shown where it is panned to: point out {what} in its picture (Review, one key or click; or 'photo-audit "
        "point'), or take its picture with the printed board there."
    )


def pan_tolerance(camera: Camera, intended: Intended, limits: Limits) -> tuple[float, float]:
    """How far it may be panned left and right, degrees: the policy's tolerance, less where a target is lost sooner."""
    most, least = limits.pan.tolerance_deg, limits.pan.least_tolerance_deg
    if not camera.targets or straight_down(camera, intended.pitch_deg):
        return most, most
    turns = np.arange(0.0, most + _STEP_DEG / 2, _STEP_DEG)
    needs = np.array([t.required_px_per_m or 0.0 for t in camera.targets]) * limits.target.density_fraction
    reach = []
    for side in (-1.0, 1.0):
        poses = [[intended.bearing_deg + side * turn, intended.pitch_deg, intended.roll_deg] for turn in turns]
        inside, density = optics.under_poses(camera, poses)
        good = inside & (np.nan_to_num(density) >= needs)
        lost = np.any(~good[:, good[0]], axis=1)
        reach.append(max(least, float(turns[int(np.argmax(lost)) - 1])) if lost.any() else most)
    return reach[0], reach[1]


def _shown(camera: Camera, shot: Snapshot, known: Panned, limits: Limits) -> Finding:
    intended = intended_pose(camera)
    assert known.bearing_deg is not None and known.bearing_sd_deg is not None
    plumb = straight_down(camera, intended.pitch_deg)
    off, sd = bearing_difference_deg(known.bearing_deg, known.intended_deg), known.bearing_sd_deg
    left, right = pan_tolerance(camera, intended, limits)
    probability = outside(off, sd, -left, right)
    state = weighed(probability, outside(0.0, sd, -left, right), limits)
    give = f"± {_TWO_SIDED_95 * sd:z.1f}°"
    tolerance = left if off < 0 else right
    bearing = f"bearing {known.bearing_deg:z.1f}° {give}, planned {known.intended_deg:z.1f}°"
    if state == "as planned":
        why = f"Panned as planned within {tolerance:g}° ({bearing}), {known.source}"
    elif abs(off) < _LEAST_SAID_DEG:
        why = f"{bearing[0].upper()}{bearing[1:]}, {known.source}"
    elif plumb:
        way = "clockwise" if off > 0 else "counter-clockwise"
        why = f"Turned {abs(off):z.1f}° too far {way} about the plumb line, seen from above ({bearing}), {known.source}"
    else:
        why = f"Panned {abs(off):z.1f}° too far {'right' if off > 0 else 'left'} ({bearing}), {known.source}"
    if state == "not verified":
        why += ": too vague to decide; point out a second thing, farther away"
    refused = "".join(f" {r.reason}" for r in known.refused)
    remedy = None
    if state in _ASKING:
        give_pose = remedies.turn_remedy if plumb else remedies.pan_remedy
        remedy = give_pose(camera, intended.pose, -off, sd)
    return Finding(
        camera.camera,
        "pan",
        state,
        f"{why}.{refused}",
        measured=round(known.bearing_deg, 6) % 360.0,
        measured_sd=sd,
        planned=known.intended_deg,
        limit=tolerance,
        unit="deg",
        probability_bad=probability,
        remedy=remedy,
        photo=shot.photo,
        evidence={
            "source": known.source,
            "off_deg": _shortly(off),
            "residuals": [
                {
                    "landmark": r.landmark,
                    "across_px": _shortly(r.across_px),
                    "down_px": _shortly(r.down_px),
                    "sds": _shortly(r.sds),
                }
                for r in known.residuals
            ],
        },
    )


def _shortly(value: float) -> float:
    """To two digits, never a negative nought."""
    return round(value, 2) + 0.0


def _absent(
    camera: Camera,
    shot: Snapshot,
    known: Panned,
    evidence: CameraEvidence,
    belief: PoseBelief,
    limits: Limits,
) -> Finding | None:
    """What is not in the picture, and would be if the camera were panned within its tolerance."""
    intended = intended_pose(camera)
    missed = [p for p in evidence.pointed if p.at_px is None and p.place is not None]
    if not missed:
        return None
    left, right = pan_tolerance(camera, intended, limits)
    unseen = _unseen_share(camera, missed, belief, (known.intended_deg - left, known.intended_deg + right))
    elsewhere = 1.0 - camera.lens.hfov_deg / 360.0
    probability = elsewhere / (elsewhere + max(unseen, _OVERLOOKED))
    state = state_of(probability, limits)
    if state != "defect":
        return None
    names = ", ".join(f"'{p.landmark}'" for p in missed)
    return Finding(
        camera.camera,
        "pan",
        state,
        f"{names} is not in the picture, says {missed[0].by}, and would be if it were panned within {max(left, right):g}°. "
        "By how much is not known: point out anything else of the plan that is in the picture.",
        planned=known.intended_deg,
        limit=max(left, right),
        unit="deg",
        probability_bad=probability,
        remedy=remedies.find_target_remedy(camera, intended.pose, names),
        photo=shot.photo,
    )


def _unseen_share(camera: Camera, missed: list[Pointed], belief: PoseBelief, band: tuple[float, float]) -> float:
    """How often all that was missed lies outside the picture when the bearing lies in a band."""
    places = tuple(
        Target(p.landmark, p.place.east_m, p.place.north_m, p.place.up_m if p.place.up_m is not None else 0.0)
        for p in missed
        if p.place is not None
    )
    poses, scale = belief.draws()
    turned = poses.copy()
    turned[:, 0] = np.resize(np.linspace(*band, _TRIED_BEARINGS), len(poses))
    inside, _ = optics.under_poses(replace(camera, targets=places), turned, scale)
    return float(np.mean(~inside.any(axis=1)))
