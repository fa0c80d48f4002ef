"""Where the camera looks: aim, pan, level, sky, and whether its targets are seen at the planned pixel density."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from audit.frames import bearing_difference_deg
from audit.judge import remedies
from audit.judge.carried import NIGHT_SNAPSHOT, SIGNED_REFERENCE, TODAY_TOO, todays_orientation
from audit.judge.chances import (
    PoseBelief,
    TargetChance,
    above,
    open_sky_belief,
    outside,
    target_chances,
    weighed,
)
from audit.judge.evidence import CameraEvidence, Snapshot
from audit.judge.finding import Finding, Remedy, State
from audit.judge.intended import Intended, intended_pose, straight_down
from audit.judge.limits import Limits
from audit.judge.pan import pan_finding, what_would_show_it
from audit.judge.panned import PLUMB_SD_DEG, Panned, panned
from audit.judge.turned import on_its_head
from audit.measure.measurement import Orientation
from audit.plan.model import Camera
from audit.plan.optics import (
    Geometry,
    GeometrySd,
    Pose,
    geometry,
    lowest_pitch_for_sky,
    open_sky_fraction,
    uncertainty,
    upright_span,
)

__all__ = ["lost_targets", "pose_findings"]

_TWO_SIDED_95 = 1.96
#: Open sky that exceeds what the measured pose can show by this much is no sky (our default).
_IMPOSSIBLE_SKY = 0.05
#: Less of a thing than a hand's breadth above or below the picture is not told.
_HAND_M = 0.1
#: Smaller changes of near ground and of the share above the horizon are not worth a word.
_SAID_GROUND_M = 0.3
_SAID_SHARE = 0.02
#: A planned tilt off plumb that is worth a word.
_SAID_TILT_DEG = 0.5
#: A fisheye planned to look straight down shows no horizon; a pitch measured this far from it is a misreading.
_LOOKS_DOWN_DEG = -45.0
#: A tilt that would be told as 0.0 degrees off has no direction.
_LEAST_SAID_DEG = 0.05
_TOO_VAGUE = "too uncertain to judge"
_ASKING = ("defect", "to check")
POINTED_OUT = "things of the plan pointed out"
"""The cue of a pose that the picture's own lines don't give and clicks do."""
_TWO = 2
#: What tells a roll that the picture's own lines leave in doubt: one click ties bearing and tilt alone.
_TWO_THINGS = " Two things of the plan, pointed out far apart in its picture, would show it."
#: A pose by clicks that is vaguer than this says nothing of tilt or level (our default).
_USABLE_SD_DEG = 3.0
#: Share of the picture's own sd from which on down clicks count for tilt or level (our default): less says what the picture says.
_SURER = 0.7
#: Bearings that are tried for a camera whose bearing nothing showed.
_TRIED_BEARINGS = 37
#: That a person says truly what is not in a picture (our default).
_PERSON_SAYS = 0.99


def pose_findings(camera: Camera, evidence: CameraEvidence, limits: Limits) -> list[Finding]:
    """Aim, pan, level and targets from the day snapshots, or else from the night one, and the sky by day; ``not verified`` with
    the reason where not measured."""
    day, measured = evidence.day, todays_orientation(evidence, limits)
    intended = intended_pose(camera)
    first = day or evidence.night
    if first is None or measured is None:
        return [Finding(camera.camera, "aim", "not verified", "Not measured: no day snapshot.",
                        planned=intended.pitch_deg, unit="deg")]  # fmt: skip
    plumb = straight_down(camera, intended.pitch_deg)
    # about the plumb line roll and bearing are one turn, which a picture alone can't tell
    belief = _belief(intended, replace(measured, roll_deg=None) if plumb else measured, limits)
    if belief is not None and plumb and (belief.pose.pitch_deg > _LOOKS_DOWN_DEG or NIGHT_SNAPSHOT in measured.cues):
        # straight down under infrared two of 37 answers were off by more than 5 degrees, and surely so
        belief = None
    known = panned(camera, evidence, intended, measured, limits)
    on_head = on_its_head(camera, evidence) is not None
    # in a picture that stands on its head a click would be read the wrong way up
    if not plumb and not on_head:
        measured = _with_clicks(known, measured, limits)
        belief = _belief(intended, measured, limits)
    shot = evidence.night if NIGHT_SNAPSHOT in measured.cues and evidence.night is not None else first
    if belief is None:
        found = [_aim_not_measured(camera, first, intended, measured)]
    else:
        found = [_aim(camera, shot, intended, belief, measured.cues, limits)]
        if not plumb:
            found += _level(camera, shot, intended, measured, evidence, limits)
    found.append(pan_finding(camera, shot, known, evidence, belief, limits))
    found += _targets(camera, shot, _joint(known, belief, plumb), known, evidence, limits)
    sky = _sky(camera, day, intended, belief, limits)
    if on_head or any(s.turned for s in evidence.snapshots):
        return found + sky
    return found + [_held_by_tilt(camera, f, belief, limits) for f in sky]


def _with_clicks(known: Panned, measured: Orientation, limits: Limits) -> Orientation:
    """The picture's pose with what was pointed out in it, of which the pose by clicks is made together with the picture's own
    tilt: where its own lines don't tell, or the clicks make it much surer."""
    pose = known.pose
    if pose is None:
        return measured
    before = math.inf if measured.pitch_sd_deg is None else measured.pitch_sd_deg
    roll_before = limits.level.roll_tolerance_deg / _TWO_SIDED_95 if measured.roll_sd_deg is None else measured.roll_sd_deg
    found = measured
    if pose.pitch_sd_deg is not None and pose.pitch_sd_deg <= min(_USABLE_SD_DEG, _SURER * before):
        cues = (POINTED_OUT,) if measured.pitch_deg is None else (*measured.cues, POINTED_OUT)
        found = replace(found, pitch_deg=pose.pitch_deg, pitch_sd_deg=pose.pitch_sd_deg, cues=cues)
    if pose.roll_sd_deg is not None and pose.roll_sd_deg <= min(_USABLE_SD_DEG, _SURER * roll_before):
        found = replace(found, roll_deg=pose.roll_deg, roll_sd_deg=pose.roll_sd_deg)
    return found


def _joint(known: Panned, belief: PoseBelief | None, plumb: bool) -> PoseBelief | None:
    """The whole pose with the bearing that was shown; with an endless spread of the bearing where nothing showed it."""
    if belief is None and plumb and known.bearing_deg is not None and known.bearing_sd_deg is not None:
        # it shows too few edges to tell how plumb it hangs; its targets hardly depend on that
        return PoseBelief(Pose(known.bearing_deg, -90.0, 0.0), known.bearing_sd_deg, PLUMB_SD_DEG, 0.0)
    if belief is None:
        return None
    if known.bearing_deg is None or known.bearing_sd_deg is None:
        return replace(belief, bearing_sd_deg=math.inf)
    if plumb:
        tilt = math.hypot(90 + belief.pose.pitch_deg, belief.pitch_sd_deg)
        pose = Pose(known.bearing_deg, -90.0, 0.0)
        return PoseBelief(pose, known.bearing_sd_deg, tilt, 0.0, belief.hfov_sd_fraction)
    whole = known.pose
    if whole is None or whole.covariance is None or whole.pitch_deg is None or whole.roll_deg is None:
        turned = replace(belief.pose, bearing_deg=known.bearing_deg)
        return replace(belief, pose=turned, bearing_sd_deg=known.bearing_sd_deg)
    rows = whole.covariance.tolist()
    covariance = tuple((row[0], row[1], row[2]) for row in rows)
    sds = [math.sqrt(max(rows[i][i], 0.0)) for i in range(3)]
    seen = Pose(known.bearing_deg, whole.pitch_deg, whole.roll_deg)
    return PoseBelief(seen, sds[0], sds[1], sds[2], belief.hfov_sd_fraction, covariance)


def _belief(intended: Intended, measured: Orientation, limits: Limits) -> PoseBelief | None:
    """The measured pose; bearing as intended (one image can't tell it), an unmeasured roll as intended and vague."""
    if measured.pitch_deg is None or measured.pitch_sd_deg is None:
        return None
    roll, roll_sd = measured.roll_deg, measured.roll_sd_deg
    if roll is None or roll_sd is None:
        roll, roll_sd = intended.roll_deg, limits.level.roll_tolerance_deg / _TWO_SIDED_95
    return PoseBelief(
        Pose(intended.bearing_deg, measured.pitch_deg, roll),
        0.0,
        measured.pitch_sd_deg,
        roll_sd,
        limits.lens.hfov_sd_fraction,
    )


def _aim_not_measured(camera: Camera, shot: Snapshot, intended: Intended, measured: Orientation) -> Finding:
    note = measured.note or "the picture does not carry it"
    if straight_down(camera, intended.pitch_deg):
        note = "it looks straight down, and too few upright edges meet below it"
    return Finding(camera.camera, "aim", "not verified", f"Not measured: {note.rstrip('.')}.",
                   planned=intended.pitch_deg, unit="deg", photo=shot.photo)  # fmt: skip


def _aim(
    camera: Camera, shot: Snapshot, intended: Intended, belief: PoseBelief, cues: tuple[str, ...], limits: Limits
) -> Finding:
    pitch, sd = belief.pose.pitch_deg, belief.pitch_sd_deg
    off, tolerance = pitch - intended.pitch_deg, limits.aim.pitch_tolerance_deg
    probability = outside(off, sd, -tolerance, tolerance)
    state = weighed(probability, outside(0.0, sd, -tolerance, tolerance), limits)
    plumb = straight_down(camera, intended.pitch_deg)
    give = f"± {_TWO_SIDED_95 * sd:z.1f}°"
    if plumb:
        within = f": within {tolerance:g}°" if state == "as planned" else ""
        why = f"Mounted {abs(90 + pitch):z.1f}° {give} off plumb{within}"
        if abs(90 + intended.pitch_deg) >= _SAID_TILT_DEG:
            why += f", planned {abs(90 + intended.pitch_deg):z.1f}°"
    elif state == "as planned":
        why = f"Tilt {pitch:+z.1f}° {give}, planned {intended.pitch_deg:+z.1f}°: within ±{tolerance:g}°"
    elif state == "not verified" or abs(off) < _LEAST_SAID_DEG:
        why = f"Tilt {pitch:+z.1f}° {give}, planned {intended.pitch_deg:+z.1f}°"
    else:
        direction = "too high" if off > 0 else "too low"
        why = f"Looks {abs(off):z.1f}° {direction} (tilt {pitch:+z.1f}° {give}, planned {intended.pitch_deg:+z.1f}°)"
    missing = None
    if state == "not verified":
        why += f": {_TOO_VAGUE}"
    elif state != "as planned" and not plumb:
        spread = uncertainty(camera, belief.pose, (belief.bearing_sd_deg, sd, belief.roll_sd_deg))
        why += _consequence(geometry(camera, intended.pose), geometry(camera, belief.pose), spread)
        missing = remedies.missing_tilt_part(camera, pitch, sd)
        if missing is not None:
            why += f"; the planned {missing} seems to be missing"
    if TODAY_TOO in cues:
        why += "; the mean of today's picture and the signed reference with the turn since"
    elif SIGNED_REFERENCE in cues:
        why += "; measured in the signed reference, with the turn since"
    if NIGHT_SNAPSHOT in cues:
        why += "; measured in the night snapshot, for no day snapshot tells"
    if intended.note:
        why += f"; agreed: {intended.note.rstrip('.')}"
    remedy = None
    if state in _ASKING:
        if plumb:
            remedy = remedies.plumb_remedy(camera, intended.pitch_deg, off, sd)
        else:
            remedy = remedies.aim_remedy(camera, intended.pose, -off, sd, missing)
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
        photo=shot.photo,
        evidence={"cues": list(cues), "roll_deg": belief.pose.roll_deg},
    )


def _consequence(planned: Geometry, now: Geometry, spread: GeometrySd) -> str:
    """What a wrong tilt costs, in words: where the ground begins, and the share above the horizon."""
    parts = []
    if planned.nearest_ground_m is not None and now.nearest_ground_m is not None:
        if abs(now.nearest_ground_m - planned.nearest_ground_m) >= _SAID_GROUND_M:
            give = f" ± {_TWO_SIDED_95 * spread.nearest_ground_m:z.1f} m" if spread.nearest_ground_m else " m"
            parts.append(
                f"the ground begins {now.nearest_ground_m:z.1f}{give} out instead of {planned.nearest_ground_m:z.1f} m"
            )
    elif now.nearest_ground_m is None:
        parts.append("no ground is in the picture")
    if abs(now.open_sky_fraction - planned.open_sky_fraction) >= _SAID_SHARE:
        parts.append(
            f"{now.open_sky_fraction:z.0%} ± {_TWO_SIDED_95 * spread.open_sky_fraction:z.0%} of the picture lies above the "
            f"horizon instead of {planned.open_sky_fraction:z.0%}"
        )
    return f": {' and '.join(parts)}" if parts else ""


def _two_things(evidence: CameraEvidence) -> str:
    """What would show the roll, where the plan has things to point out and fewer than two were."""
    return _TWO_THINGS if evidence.can_point and sum(p.at_px is not None for p in evidence.pointed) < _TWO else ""


def _level(
    camera: Camera, shot: Snapshot, intended: Intended, measured: Orientation, evidence: CameraEvidence, limits: Limits
) -> list[Finding]:
    roll, sd = measured.roll_deg, measured.roll_sd_deg
    if roll is None or sd is None:
        why = f"Not measured: the picture tells its tilt, not its roll.{_two_things(evidence)}"
        return [Finding(camera.camera, "level", "not verified", why,
                        planned=intended.roll_deg, unit="deg", photo=shot.photo)]  # fmt: skip
    off, tolerance = (roll - intended.roll_deg + 180.0) % 360.0 - 180.0, limits.level.roll_tolerance_deg
    probability = outside(off, sd, -tolerance, tolerance)
    state = weighed(probability, outside(0.0, sd, -tolerance, tolerance), limits)
    way = "clockwise" if off > 0 else "counter-clockwise"
    why = f"Rotated {abs(off):z.1f}° ± {_TWO_SIDED_95 * sd:z.1f}° {way} (seen from behind the camera)."
    if state == "as planned":
        why = f"Level within {abs(off):z.1f}° ± {_TWO_SIDED_95 * sd:z.1f}°."
    elif state == "not verified":
        why = f"Rotation {off:+z.1f}° ± {_TWO_SIDED_95 * sd:z.1f}°: {_TOO_VAGUE}."
    elif abs(off) < _LEAST_SAID_DEG:
        why = f"Rotation {off:+z.1f}° ± {_TWO_SIDED_95 * sd:z.1f}°."
    if state != "as planned" and abs(off) <= tolerance:
        why += _two_things(evidence)
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
            remedy=remedies.level_remedy(camera, -off, sd) if state in _ASKING else None,
            photo=shot.photo,
        )
    ]


def _targets(
    camera: Camera,
    shot: Snapshot,
    belief: PoseBelief | None,
    known: Panned,
    evidence: CameraEvidence,
    limits: Limits,
) -> list[Finding]:
    """What the whole pose makes of the targets; *not verified* where the bearing is not shown, unless none could hold them."""
    intended = intended_pose(camera)
    if belief is None or math.isinf(belief.bearing_sd_deg):
        return _targets_wherever(camera, shot, intended, belief, evidence, limits)
    chances = target_chances(camera, intended.pose, belief, limits, known.seen)
    held = [_as_told(c, known, evidence, limits, camera) for c in chances if c.held_by_plan]
    if not held:
        return []
    worst = max(held, key=lambda c: c.lost)
    at_best = target_chances(camera, intended.pose, replace(belief, pose=intended.pose), limits, known.seen)
    state = weighed(worst.lost, next(c.lost for c in at_best if c.target == worst.target), limits)
    why = lost_targets(camera, intended.pose, belief.pose, held, limits)
    if state == "not verified":
        why += f" But the pose is {_TOO_VAGUE}."
    remedy = _target_remedy(camera, intended, belief, known) if state in _ASKING else None
    return [_target_finding(camera, shot, worst, limits, state, (why, remedy, known.source))]


def _as_told(
    chance: TargetChance, known: Panned, evidence: CameraEvidence, limits: Limits, camera: Camera
) -> TargetChance:
    """A target's chance with what a person or its board says of it."""
    if chance.target in known.absent:
        return replace(chance, lost=_PERSON_SAYS, out_of_frame=_PERSON_SAYS, too_coarse=0.0)
    board = next((p for p in evidence.pointed if p.landmark == chance.target and p.px_per_m is not None), None)
    if board is None or board.px_per_m is None or chance.target not in known.seen:
        return chance
    need = next(t.required_px_per_m for t in camera.targets if t.name == chance.target)
    sd = board.px_per_m_sd or 0.0
    coarse = 0.0 if need is None else 1.0 - above(board.px_per_m, sd, need * limits.target.density_fraction)
    return replace(chance, lost=coarse, out_of_frame=0.0, too_coarse=coarse, px_per_m=board.px_per_m, px_per_m_sd=sd)


def _targets_wherever(
    camera: Camera,
    shot: Snapshot,
    intended: Intended,
    belief: PoseBelief | None,
    evidence: CameraEvidence,
    limits: Limits,
) -> list[Finding]:
    """Targets of a camera whose bearing nothing shows: lost only where no bearing could hold them."""
    if not camera.targets:
        return []
    told = {p.landmark: p.by for p in evidence.pointed if p.at_px is None}
    planned = target_chances(camera, intended.pose, PoseBelief(intended.pose, 0.0, 0.0, 0.0), limits)
    held = [c for c in planned if c.held_by_plan]
    if not held:
        return []
    gone = [c for c in held if c.target in told]
    if gone:
        why = " ".join(f"'{c.target}' is not in the picture, says {told[c.target]}." for c in gone)
        lost = replace(gone[0], lost=_PERSON_SAYS, px_per_m=None, px_per_m_sd=None)
        remedy = remedies.find_target_remedy(camera, intended.pose, f"'{gone[0].target}'")
        return [_target_finding(camera, shot, lost, limits, "defect", (why, remedy, f"said by {told[gone[0].target]}"))]
    state: State = "not verified"
    worst, at_best = held[0], 0.0
    if belief is not None:
        worst, pose = _best_of_bearings(camera, intended, belief, limits)
        perfect = replace(belief, pose=intended.pose, bearing_sd_deg=0.0)
        chances = target_chances(camera, intended.pose, perfect, limits)
        at_best = next(c.lost for c in chances if c.target == worst.target)
        state = weighed(worst.lost, at_best, limits)
        if state in _ASKING:
            why = lost_targets(camera, intended.pose, pose, [worst], limits)
            off = belief.pose.pitch_deg - intended.pitch_deg
            remedy = remedies.aim_remedy(camera, intended.pose, -off, belief.pitch_sd_deg)
            source = f"{why.rstrip('.')}, wherever it is panned to."
            return [_target_finding(camera, shot, worst, limits, state, (source, remedy, "any bearing"))]
    why = what_would_show_it(camera, evidence).replace(
        "Not shown where it is panned to", "Not shown whether it is seen"
    )
    unknown = replace(worst, lost=0.0, px_per_m=None, px_per_m_sd=None)
    found = _target_finding(camera, shot, unknown, limits, "not verified", (why, None, "not shown"))
    return [replace(found, probability_bad=None)]


def _best_of_bearings(
    camera: Camera, intended: Intended, belief: PoseBelief, limits: Limits
) -> tuple[TargetChance, Pose]:
    """The target that is surest to be lost whatever the bearing, at the bearing that holds it best."""
    best: dict[str, tuple[TargetChance, Pose]] = {}
    for turn in np.linspace(-0.75, 0.75, _TRIED_BEARINGS) * camera.lens.hfov_deg:
        pose = replace(belief.pose, bearing_deg=intended.bearing_deg + float(turn))
        tried = replace(belief, pose=pose, bearing_sd_deg=0.0)
        for chance in target_chances(camera, intended.pose, tried, limits):
            if chance.held_by_plan and (chance.target not in best or chance.lost < best[chance.target][0].lost):
                best[chance.target] = chance, pose
    return max(best.values(), key=lambda found: found[0].lost)


def _target_remedy(camera: Camera, intended: Intended, belief: PoseBelief, known: Panned) -> Remedy:
    """The turn that matters most: pan, tilt or roll, whichever is off by most."""
    plumb = straight_down(camera, intended.pitch_deg)
    pan = bearing_difference_deg(belief.pose.bearing_deg, known.intended_deg)
    pitch, roll = belief.pose.pitch_deg - intended.pitch_deg, belief.pose.roll_deg - intended.roll_deg
    if plumb:
        return remedies.turn_remedy(camera, intended.pose, -pan, belief.bearing_sd_deg)
    if abs(pan) > max(abs(pitch), abs(roll)):
        return remedies.pan_remedy(camera, intended.pose, -pan, belief.bearing_sd_deg)
    if abs(roll) > abs(pitch):
        return remedies.level_remedy(camera, -roll, belief.roll_sd_deg)
    return remedies.aim_remedy(camera, intended.pose, -pitch, belief.pitch_sd_deg)


def _target_finding(
    camera: Camera,
    shot: Snapshot,
    worst: TargetChance,
    limits: Limits,
    state: State,
    told: tuple[str, Remedy | None, str],
) -> Finding:
    """The finding on the worst target; ``told`` is the sentence, the remedy, and what showed the bearing.

    A target that is out of the picture gets no density: what it would have had says nothing against the camera.
    """
    why, remedy, source = told
    if state in _ASKING and worst.out_of_frame > worst.too_coarse:
        worst = replace(worst, px_per_m=None, px_per_m_sd=None)
    need = next(t.required_px_per_m for t in camera.targets if t.name == worst.target)
    return Finding(
        camera.camera,
        "target",
        state,
        why,
        measured=worst.px_per_m,
        measured_sd=worst.px_per_m_sd,
        planned=need,
        limit=None if need is None else need * limits.target.density_fraction,
        unit="px/m",
        probability_bad=worst.lost,
        remedy=remedy,
        photo=shot.photo,
        evidence={"target": worst.target, "bearing": source},
    )


def lost_targets(camera: Camera, intended: Pose, now: Pose, held: list[TargetChance], limits: Limits) -> str:
    """One sentence on what became of the targets, the worst first."""
    lost = sorted((c for c in held if c.lost > limits.as_planned_at_most), key=lambda c: -c.lost)
    if not lost:
        kept = ", ".join(f"'{c.target}' {_density_words(camera, c)}" for c in held[:3])
        more = f" and {len(held) - 3} more" if len(held) > 3 else ""
        return f"In the picture at the planned pixel density: {kept}{more}."
    return " ".join(_loss(camera, intended, now, c) for c in lost[:3])


def _density_words(camera: Camera, chance: TargetChance) -> str:
    need = next(t.required_px_per_m for t in camera.targets if t.name == chance.target)
    if chance.px_per_m is None:
        return "(density not known)"
    wanted = f", {need:g} required" if need is not None else ""
    return f"({chance.px_per_m:z.0f} px/m{wanted})"


def _loss(camera: Camera, intended: Pose, now: Pose, chance: TargetChance) -> str:
    sure = f"with probability {chance.lost:z.0%}"
    if chance.too_coarse > chance.out_of_frame:
        return f"'{chance.target}' is below the required pixel density {_density_words(camera, chance)} {sure}."
    text = f"'{chance.target}' is out of the picture {sure}"
    target = next(t for t in camera.targets if t.name == chance.target)
    before, after = upright_span(camera, intended, target), upright_span(camera, now, target)
    if before is not None and after is None:
        text += "; nothing that stands there is in view"
    elif before is not None and after is not None:
        if after[0] - before[0] >= _HAND_M:
            text += f"; there the lowest {after[0] - before[0]:z.1f} m of what was planned are below the picture"
        elif before[1] - after[1] >= _HAND_M:
            text += f"; there the picture ends {after[1]:z.1f} m above the ground"
    return text + "."


def _held_by_tilt(camera: Camera, sky: Finding, belief: PoseBelief | None, limits: Limits) -> Finding:
    """A sky that its day picture doesn't tell, by what the measured tilt leaves open: nothing below the horizon is sky."""
    if sky.state != "not verified" or sky.photo is None or belief is None or sky.planned is None:
        return sky
    limit = sky.planned + limits.sky.excess_fraction
    if sky.measured is not None and sky.measured > limit:
        return sky
    most, sd = open_sky_belief(camera, belief)
    probability = above(most, sd, limit)
    if probability > limits.as_planned_at_most:
        return sky
    why = (
        f"At most {most:z.0%} ± {_TWO_SIDED_95 * sd:z.0%} of the picture lies above the horizon by the measured tilt, "
        f"{sky.planned:z.0%} by the plan's optics; the picture itself tells no share of open sky."
    )
    return replace(sky, state="as planned", why=why, measured=None, measured_sd=None, limit=limit, probability_bad=probability)


def _sky(camera: Camera, day: Snapshot | None, intended: Intended, belief: PoseBelief | None, limits: Limits) -> list[Finding]:
    """Open sky against the most that the plan's optics can show; a skyline only ever takes some away."""
    if camera.setting == "indoor":
        return []
    planned = open_sky_fraction(camera.lens, intended.pitch_deg, intended.roll_deg)
    if day is None:
        return [Finding(camera.camera, "sky", "not verified", "Not measured: no day snapshot.", planned=planned, unit="share")]
    sky = day.measured.sky
    if sky.fraction is None or sky.sd is None:
        note = (sky.note or "no answer").rstrip(".")
        return [Finding(camera.camera, "sky", "not verified", f"Not measured: {note}.", planned=planned, unit="share",
                        photo=day.photo)]  # fmt: skip
    limit = planned + limits.sky.excess_fraction
    probability = above(sky.fraction, sky.sd, limit)
    state = weighed(probability, above(0.0, sky.sd, limit), limits, even_if_likely=True)
    why = (
        f"{sky.fraction:z.0%} ± {_TWO_SIDED_95 * sky.sd:z.0%} of the picture is open sky; the plan's optics show at most "
        f"{planned:z.0%}."
    )
    remedy: Remedy | None = None
    if state == "not verified":
        why = f"Not measured well enough: {why}"
    elif state != "as planned":
        if belief is None:
            at_least = lowest_pitch_for_sky(camera.lens, sky.fraction, intended.roll_deg)
            if at_least is not None and at_least > intended.pitch_deg:
                remedy = remedies.lowest_aim_remedy(camera, intended.pose, at_least - intended.pitch_deg)
        else:
            possible, possible_sd = open_sky_belief(camera, belief)
            spread = (sky.sd**2 + possible_sd**2) ** 0.5
            off = belief.pose.pitch_deg - intended.pitch_deg
            if sky.fraction - possible > _IMPOSSIBLE_SKY + _TWO_SIDED_95 * spread:
                state = "to check"
                why += (
                    f" But the measured pose can show {possible:z.0%} at most: something bright may be taken for sky, or "
                    "the pose is wrong."
                )
            elif abs(off) < _LEAST_SAID_DEG:
                state = "to check"
                why += " But it is tilted as planned: something bright may be taken for sky."
            else:
                missing = remedies.missing_tilt_part(camera, belief.pose.pitch_deg, belief.pitch_sd_deg)
                remedy = remedies.aim_remedy(camera, intended.pose, -off, belief.pitch_sd_deg, missing)
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
