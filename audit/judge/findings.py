"""Plan and measurement to findings: each a probability that the camera is out of its limits, and what follows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import norm

from audit.judge import remedies
from audit.judge.evidence import CameraEvidence, Snapshot
from audit.judge.finding import STATES, Check, Finding, State, Verdict
from audit.judge.limits import Limits
from audit.plan import optics
from audit.plan.model import Camera

__all__ = ["Intended", "intended_pose", "judge_camera"]

_DRAWS = 2000
_SEED = 20260616


@dataclass(frozen=True, slots=True)
class Intended:
    """The pose that the camera is held to: the plan's, or what was agreed since.

    ``agreed_pitch_deg``, ``agreed_bearing_deg`` and ``agreed_roll_deg`` are optional columns of the plan;
    ``agreed_note`` says why.
    """

    bearing_deg: float
    pitch_deg: float
    roll_deg: float
    note: str | None


def intended_pose(camera: Camera) -> Intended:
    """Plan, overlaid by what was agreed."""
    extra = dict(camera.extra)

    def number(column: str, planned: float) -> float:
        try:
            return float(extra[column])
        except (KeyError, ValueError):
            return planned

    return Intended(
        number("agreed_bearing_deg", camera.bearing_deg),
        number("agreed_pitch_deg", camera.pitch_deg),
        number("agreed_roll_deg", camera.roll_deg),
        extra.get("agreed_note") or None,
    )


def judge_camera(camera: Camera, evidence: CameraEvidence, limits: Limits) -> Verdict:
    """Every check of one camera, worst first.

    Returns
    -------
    Verdict
        Its state is the worst among the findings; ``no evidence`` where nothing decided against the camera but
        something that the plan asks for was not seen.
    """
    findings: list[Finding] = []
    findings += _present(camera, evidence)
    if evidence.swapped_with is not None:
        findings.append(_swap(camera, evidence))
    else:
        findings += _pose(camera, evidence, limits)
        findings += _sky(camera, evidence, limits)
        findings += _against_reference(camera, evidence, limits)
    findings += _clarity(camera, evidence, limits)
    findings += _night(camera, evidence)
    findings += _evidence_shots(camera, evidence)
    findings.sort(key=lambda f: (STATES.index(f.state), -(f.probability_bad or 0.0)))
    decisive = [f.state for f in findings if f.check != "evidence" or f.state != "no evidence"]
    state: State = min(decisive, key=STATES.index, default="no evidence")
    return Verdict(camera.camera, state, tuple(findings), tuple(p.photo for p in evidence.placements))


def _state(probability: float, limits: Limits) -> State:
    if probability >= limits.put_right_at_least:
        return "put right"
    return "meets plan" if probability <= limits.meets_plan_at_most else "look again"


def _outside(measured: float, sd: float, low: float, high: float) -> float:
    """P(value outside low..high) for a normal measurement."""
    spread = max(sd, 1e-9)
    return float(norm.cdf((low - measured) / spread) + norm.sf((high - measured) / spread))


def _present(camera: Camera, evidence: CameraEvidence) -> list[Finding]:
    if evidence.snapshots:
        snapshot = evidence.snapshots[0]
        found = [
            Finding(camera.camera, "present", "meets plan", "The camera's own picture is here.", photo=snapshot.photo)
        ]
        planned = camera.lens.width_px, camera.lens.height_px
        if (snapshot.width_px, snapshot.height_px) != planned:
            found.append(
                Finding(
                    camera.camera,
                    "target",
                    "look again",
                    f"The snapshot has {snapshot.width_px} x {snapshot.height_px} px, planned {planned[0]} x {planned[1]}: "
                    "another stream, or turned.",
                    measured=snapshot.width_px,
                    planned=planned[0],
                    unit="px",
                    photo=snapshot.photo,
                )
            )
        return found
    waiting = f" {evidence.unsure} photos wait to be placed." if evidence.unsure else ""
    if evidence.placements:
        return [
            Finding(
                camera.camera,
                "present",
                "no evidence",
                "Crew photos are here, but no picture from the camera itself." + waiting,
                photo=evidence.placements[0].photo,
            )
        ]
    return [Finding(camera.camera, "present", "no evidence", "No photo of this camera was found." + waiting)]


def _swap(camera: Camera, evidence: CameraEvidence) -> Finding:
    other = evidence.swapped_with or ""
    snapshot = evidence.snapshots[0].photo if evidence.snapshots else None
    why = f"The pictures of {camera.camera} and {other} lie on each other's record. " + " ".join(evidence.swap_evidence)
    return Finding(
        camera.camera,
        "aim",
        "put right",
        why.strip(),
        probability_bad=0.99,
        photo=snapshot,
        pair=other,
        remedy=remedies.swap_remedy(camera, other),
    )


def _pose(camera: Camera, evidence: CameraEvidence, limits: Limits) -> list[Finding]:
    day = evidence.day
    if day is None:
        return [Finding(camera.camera, "aim", "no evidence", "Not measured: no day snapshot.")]
    measured = evidence.orientation or day.measured.orientation
    intended = intended_pose(camera)
    if measured.pitch_deg is None or measured.pitch_sd_deg is None:
        note = measured.note or "the picture does not carry it"
        return [
            Finding(
                camera.camera,
                "aim",
                "no evidence",
                f"Not measured: {note}",
                planned=intended.pitch_deg,
                unit="deg",
                photo=day.photo,
            )
        ]
    return [
        _aim(
            camera,
            day,
            intended,
            measured.roll_deg or 0.0,
            measured.roll_sd_deg or 0.0,
            measured.pitch_deg,
            measured.pitch_sd_deg,
            limits,
        ),
        *_level(camera, day, intended, measured.roll_deg, measured.roll_sd_deg, limits),
    ]


def _aim(
    camera: Camera,
    day: Snapshot,
    intended: Intended,
    roll: float,
    roll_sd: float,
    pitch: float,
    sd: float,
    limits: Limits,
) -> Finding:
    tolerance = limits.aim.pitch_tolerance_deg
    outside = _outside(pitch - intended.pitch_deg, sd, -tolerance, tolerance)
    rng = np.random.default_rng(_SEED)
    poses = np.column_stack(
        [np.full(_DRAWS, intended.bearing_deg), rng.normal(pitch, sd, _DRAWS), rng.normal(roll, roll_sd, _DRAWS)]
    )
    lost, lost_why = 0.0, ""
    if camera.targets:
        as_intended = np.array([[intended.bearing_deg, intended.pitch_deg, intended.roll_deg]])
        planned_in, planned_density = optics.under_poses(camera, as_intended)
        in_frame, density = optics.under_poses(camera, poses)
        for index, target in enumerate(camera.targets):
            need = target.required_px_per_m
            out = ~in_frame[:, index] if planned_in[0, index] else np.zeros(_DRAWS, bool)
            thin = np.zeros(_DRAWS, bool)
            if need is not None and planned_density[0, index] >= need:
                thin = density[:, index] < need * limits.target.density_fraction
            share = float(np.mean(out | thin))
            if share > lost:
                lost = share
                lost_why = (
                    f"'{target.name}' is out of the picture"
                    if np.mean(out) >= np.mean(thin)
                    else f"'{target.name}' has fewer pixels per metre than the purpose needs"
                )
    probability = max(outside, lost)
    off = pitch - intended.pitch_deg
    direction = "too high" if off > 0 else "too low"
    why = (
        f"Looks {abs(off):.1f}° {direction} (pitch {pitch:+.1f}° ± {1.96 * sd:.1f}°, meant {intended.pitch_deg:+.1f}°)"
    )
    if lost >= limits.meets_plan_at_most and lost_why:
        why += f"; {lost_why} with probability {lost:.0%}"
    if intended.note:
        why += f"; agreed: {intended.note}"
    state = _state(probability, limits)
    remedy = remedies.aim_remedy(camera, -off, sd, intended.pitch_deg) if state != "meets plan" else None
    return Finding(
        camera.camera,
        "aim",
        state,
        why + ".",
        measured=pitch,
        measured_sd=sd,
        planned=intended.pitch_deg,
        limit=tolerance,
        unit="deg",
        probability_bad=probability,
        remedy=remedy,
        photo=day.photo,
        evidence={"cues": list(day.measured.orientation.cues), "roll_deg": roll},
    )


def _level(
    camera: Camera, day: Snapshot, intended: Intended, roll: float | None, sd: float | None, limits: Limits
) -> list[Finding]:
    if roll is None or sd is None:
        return []
    tolerance = limits.level.roll_tolerance_deg
    off = roll - intended.roll_deg
    probability = _outside(off, sd, -tolerance, tolerance)
    state = _state(probability, limits)
    way = "clockwise" if off > 0 else "counter-clockwise"
    why = f"Turned {abs(off):.1f}° ± {1.96 * sd:.1f}° {way} about its axis, seen from behind."
    remedy = remedies.level_remedy(camera, -off, sd) if state != "meets plan" else None
    return [
        Finding(
            camera.camera,
            "level",
            state,
            why,
            measured=roll,
            measured_sd=sd,
            planned=intended.roll_deg,
            limit=tolerance,
            unit="deg",
            probability_bad=probability,
            remedy=remedy,
            photo=day.photo,
        )
    ]


def _sky(camera: Camera, evidence: CameraEvidence, limits: Limits) -> list[Finding]:
    day = evidence.day
    if day is None:
        return []
    sky = day.measured.sky
    intended = intended_pose(camera)
    planned = optics.open_sky_fraction(camera.lens, intended.pitch_deg, intended.roll_deg)
    if camera.setting == "indoor":
        return []
    if sky.fraction is None or sky.sd is None:
        return [
            Finding(
                camera.camera,
                "sky",
                "no evidence",
                f"Not measured: {sky.note or 'no answer'}",
                planned=planned,
                unit="share",
                photo=day.photo,
            )
        ]
    limit = planned + limits.sky.excess_fraction
    probability = float(norm.sf((limit - sky.fraction) / max(sky.sd, 1e-6)))
    state = _state(probability, limits)
    why = (
        f"{sky.fraction:.0%} ± {1.96 * sky.sd:.0%} of the picture is open sky; the plan's optics show at most "
        f"{planned:.0%}."
    )
    remedy = None
    measured = evidence.orientation or day.measured.orientation
    if state != "meets plan" and measured.pitch_deg is not None:
        remedy = remedies.aim_remedy(
            camera, intended.pitch_deg - measured.pitch_deg, measured.pitch_sd_deg or 1.0, intended.pitch_deg
        )
    return [
        Finding(
            camera.camera,
            "sky",
            state,
            why,
            measured=sky.fraction,
            measured_sd=sky.sd,
            planned=planned,
            limit=limit,
            unit="share",
            probability_bad=probability,
            remedy=remedy,
            photo=day.photo,
        )
    ]


def _clarity(camera: Camera, evidence: CameraEvidence, limits: Limits) -> list[Finding]:
    found: list[Finding] = []
    for snapshot in (evidence.day, evidence.night):
        if snapshot is None:
            continue
        clarity = snapshot.measured.clarity
        when = "night" if snapshot.night else "day"
        check: Check = (
            "sharp"
            if clarity.cause == "defocus"
            else "unobstructed"
            if clarity.cause == "blocked"
            else "night"
            if snapshot.night and clarity.cause == "infrared glow"
            else "clean"
        )
        if clarity.dirt_probability is None:
            found.append(
                Finding(
                    camera.camera,
                    check,
                    "no evidence",
                    f"Not measured by {when}: {clarity.note or 'too little texture'}",
                    photo=snapshot.photo,
                )
            )
            continue
        look = limits.sharp.single_image_look if check == "sharp" else limits.clean.single_image_look
        bad = clarity.dirt_probability >= look
        state: State = "look again" if bad else "meets plan"
        remedy = None
        if bad:
            remedy = (
                remedies.focus_remedy(camera)
                if check == "sharp"
                else remedies.night_remedy(camera)
                if check == "night"
                else remedies.clean_remedy(camera, clarity.cause)
            )
        why = (
            f"By {when} the picture looks spoilt: {clarity.cause} (probability {clarity.dirt_probability:.0%}); one "
            "image can't prove it."
            if bad
            else f"Nothing on the glass by {when}, as far as one image tells (probability of dirt "
            f"{clarity.dirt_probability:.0%})."
        )
        found.append(
            Finding(
                camera.camera,
                check,
                state,
                why,
                measured=clarity.dirt_probability,
                limit=look,
                unit="probability",
                probability_bad=clarity.dirt_probability,
                remedy=remedy,
                photo=snapshot.photo,
                evidence={"cause": clarity.cause},
            )
        )
    return _worst_per_check(found)


def _worst_per_check(findings: list[Finding]) -> list[Finding]:
    worst: dict[Check, Finding] = {}
    for finding in findings:
        known = worst.get(finding.check)
        if known is None or STATES.index(finding.state) < STATES.index(known.state):
            worst[finding.check] = finding
    return list(worst.values())


def _against_reference(camera: Camera, evidence: CameraEvidence, limits: Limits) -> list[Finding]:
    found: list[Finding] = []
    for comparison in evidence.comparisons:
        change = comparison.change
        if change.same_view_probability is None:
            found.append(
                Finding(
                    camera.camera,
                    "moved",
                    "no evidence",
                    f"Not compared with the reference: {change.note or 'no answer'}",
                    photo=comparison.photo,
                )
            )
            continue
        if change.same_view_probability < limits.moved.same_view_probability:
            found.append(
                Finding(
                    camera.camera,
                    "moved",
                    "look again",
                    "Shows another scene than the signed reference.",
                    probability_bad=1 - change.same_view_probability,
                    photo=comparison.photo,
                )
            )
            continue
        turn, tip = change.pan_change_deg, change.pitch_change_deg
        if turn is not None and tip is not None:
            sd = max(change.pan_change_sd_deg or 0.0, change.pitch_change_sd_deg or 0.0)
            size = float(np.hypot(turn, tip))
            probability = float(norm.sf((limits.moved.turn_deg - size) / max(sd, 1e-6)))
            state = _state(probability, limits)
            side = "right" if turn > 0 else "left"
            why = (
                f"Against the signed reference it looks {abs(turn):.1f}° further {side} and {abs(tip):.1f}° "
                f"{'higher' if tip > 0 else 'lower'} (± {1.96 * sd:.1f}°)."
            )
            remedy = remedies.view_remedy(camera, -turn, -tip, sd) if state != "meets plan" else None
            found.append(
                Finding(
                    camera.camera,
                    "moved",
                    state,
                    why,
                    measured=size,
                    measured_sd=sd,
                    planned=0.0,
                    limit=limits.moved.turn_deg,
                    unit="deg",
                    probability_bad=probability,
                    remedy=remedy,
                    photo=comparison.photo,
                    evidence={"reference": comparison.reference},
                )
            )
        if change.blocked_fraction is not None:
            bad = change.blocked_fraction >= limits.unobstructed.blocked_fraction
            found.append(
                Finding(
                    camera.camera,
                    "unobstructed",
                    "look again" if bad else "meets plan",
                    f"{change.blocked_fraction:.0%} of the reference's view is hidden.",
                    measured=change.blocked_fraction,
                    limit=limits.unobstructed.blocked_fraction,
                    unit="share",
                    photo=comparison.photo,
                    remedy=remedies.clean_remedy(camera, "blocked") if bad else None,
                    evidence={"reference": comparison.reference},
                )
            )
        if change.dirt_probability is not None and change.dirt_cause not in ("blocked", None):
            probability = change.dirt_probability
            state = _state(probability, limits)
            check: Check = "sharp" if change.dirt_cause == "defocus" else "clean"
            ratio = f"local contrast {change.contrast_ratio:.2f} of the reference's" if change.contrast_ratio else ""
            found.append(
                Finding(
                    camera.camera,
                    check,
                    state,
                    f"Against the reference: {change.dirt_cause}, {ratio}.",
                    measured=change.contrast_ratio,
                    measured_sd=change.contrast_ratio_sd,
                    planned=1.0,
                    limit=limits.clean.contrast_ratio,
                    unit="ratio",
                    probability_bad=probability,
                    photo=comparison.photo,
                    remedy=remedies.clean_remedy(camera, change.dirt_cause) if state != "meets plan" else None,
                    evidence={"reference": comparison.reference},
                )
            )
    return _worst_per_check(found)


def _night(camera: Camera, evidence: CameraEvidence) -> list[Finding]:
    if camera.night == "none" or evidence.night is not None:
        return []
    return [
        Finding(
            camera.camera,
            "night",
            "no evidence",
            f"Not checked at night: the plan has {camera.night}, and no night snapshot is here.",
        )
    ]


def _evidence_shots(camera: Camera, evidence: CameraEvidence) -> list[Finding]:
    have = {p.role for p in evidence.placements}
    names = {"label": "label with serial", "overview": "overview with surroundings", "mount": "mount close-up"}
    missing = [text for role, text in names.items() if role not in have]
    if not missing:
        return [Finding(camera.camera, "evidence", "meets plan", "Label, overview and mount photos are here.")]
    return [Finding(camera.camera, "evidence", "no evidence", f"Missing shots: {', '.join(missing)}.")]
