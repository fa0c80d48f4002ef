"""Today's pictures against the signed reference: moved, hidden, soiled, softer."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from audit.judge import remedies
from audit.judge.carried import shows_the_view
from audit.judge.chances import PoseBelief, outside, target_chances, weighed
from audit.judge.evidence import CameraEvidence, Comparison
from audit.judge.finding import Check, Finding, Remedy, State
from audit.judge.glass import worst_per_check
from audit.judge.intended import intended_pose
from audit.judge.limits import Limits
from audit.judge.pose import lost_targets
from audit.judge.questioned import reference_doubt
from audit.measure.measurement import ViewChange
from audit.plan.model import Camera
from audit.plan.optics import Pose

__all__ = ["reference_findings"]

_TWO_SIDED_95 = 1.96
#: Smaller turns are not worth a direction.
_SAID_TURN_DEG = 0.1


def reference_findings(camera: Camera, evidence: CameraEvidence, limits: Limits) -> list[Finding]:
    """Each comparison with the reference of the same light."""
    found: list[Finding] = []
    known = [c for c in evidence.comparisons if shows_the_view(c, limits)]
    for comparison in evidence.comparisons:
        change = comparison.change
        if change.same_view_probability is None:
            note = (change.note or "no answer").rstrip(".")
            found.append(Finding(camera.camera, "movement", "not verified", f"Not compared with the reference: {note}.",
                                 photo=comparison.photo))  # fmt: skip
        elif not shows_the_view(comparison, limits):
            found.append(_another_scene(camera, comparison, change.same_view_probability, bool(known)))
        else:
            others = [c for c in known if c is not comparison]
            found += _moved(camera, evidence, comparison, limits)
            found += _hidden(camera, comparison, limits)
            found += _soiled(camera, comparison, others, limits)
    return worst_per_check(found)


def _another_scene(camera: Camera, comparison: Comparison, probability: float, known_otherwise: bool) -> Finding:
    """Where the other light shows the signed view, this picture is only too different to be laid over it."""
    light = "night" if comparison.night else "day"
    if known_otherwise:
        why = f"The {light} picture is too different from its reference to be laid over it; the other light shows the view."
    else:
        why = "Shows another scene than the signed reference: moved far, exchanged, or hidden."
    return Finding(
        camera.camera,
        "obstruction" if known_otherwise else "movement",
        "not verified" if known_otherwise else "to check",
        why,
        probability_bad=None if known_otherwise else 1 - probability,
        photo=comparison.photo,
        evidence={"reference": comparison.reference},
    )


def _moved(camera: Camera, evidence: CameraEvidence, comparison: Comparison, limits: Limits) -> list[Finding]:
    change = comparison.change
    turn, tip = change.pan_change_deg, change.pitch_change_deg
    if turn is None or tip is None:
        return []
    turn_sd, tip_sd = change.pan_change_sd_deg or 0.0, change.pitch_change_sd_deg or 0.0
    roll, roll_sd = change.roll_change_deg or 0.0, change.roll_change_sd_deg or 0.0
    allowed, level = limits.movement.turn_deg, limits.level.roll_tolerance_deg
    errors = ((turn, turn_sd, allowed), (tip, tip_sd, allowed), (roll, roll_sd, level))
    probability = 1 - math.prod(1 - outside(value, sd, -limit, limit) for value, sd, limit in errors)
    at_best = 1 - math.prod(1 - outside(0.0, sd, -limit, limit) for _, sd, limit in errors)
    state = weighed(probability, at_best, limits)
    sd = max(turn_sd, tip_sd)
    why = (
        f"Against the signed reference it looks {abs(turn):.1f}° further {'right' if turn > 0 else 'left'} and "
        f"{abs(tip):.1f}° {'higher' if tip > 0 else 'lower'} (± {_TWO_SIDED_95 * sd:.1f}°)"
    )
    if abs(roll) > max(0.5, _TWO_SIDED_95 * roll_sd):
        why += f", rolled {abs(roll):.1f}° {'clockwise' if roll > 0 else 'counter-clockwise'}"
    elif state == "as planned" and max(abs(turn), abs(tip)) < _SAID_TURN_DEG and "rolled" not in why:
        bound = max(abs(turn), abs(tip)) + _TWO_SIDED_95 * sd
        why = f"Stands as in the signed reference, within {max(bound, _SAID_TURN_DEG):.1f}°"
    why += "."
    found = []
    doubt = reference_doubt(camera, evidence, comparison, limits) if state in ("defect", "to check") else None
    if doubt is not None:
        state, why, probability = doubt.state, f"{why} {doubt.why}", doubt.probability_bad
    asking = state in ("defect", "to check") and doubt is None
    if state == "not verified":
        why += " Measured too vaguely to decide."
    if asking:
        intended = intended_pose(camera).pose
        now = Pose(intended.bearing_deg + turn, intended.pitch_deg + tip, intended.roll_deg + roll)
        belief = PoseBelief(now, turn_sd, tip_sd, roll_sd, limits.lens.hfov_sd_fraction)
        held = [c for c in target_chances(camera, intended, belief, limits) if c.held_by_plan]
        if held:
            why += " " + lost_targets(camera, intended, now, held, limits)
    remedy = remedies.view_remedy(camera, -turn, -tip, -roll, sd) if asking else None
    size = max(abs(turn), abs(tip))
    found.append(
        Finding(
            camera.camera,
            "movement",
            state,
            why,
            measured=size,
            measured_sd=turn_sd if abs(turn) >= abs(tip) else tip_sd,
            planned=0.0,
            limit=allowed,
            unit="deg",
            probability_bad=probability,
            remedy=remedy,
            photo=comparison.photo,
            evidence={"reference": comparison.reference},
        )
    )
    return found


def _hidden(camera: Camera, comparison: Comparison, limits: Limits) -> list[Finding]:
    """One picture can't tell a plant from a lorry, so a person looks."""
    share = comparison.change.blocked_fraction
    if share is None:
        return []
    bad = share >= limits.obstruction.blocked_fraction
    return [
        Finding(
            camera.camera,
            "obstruction",
            "to check" if bad else "as planned",
            f"{share:.0%} of the reference's view is hidden"
            + ("; one picture can't tell whether it stays." if bad else "."),
            measured=share,
            limit=limits.obstruction.blocked_fraction,
            unit="share",
            photo=comparison.photo,
            remedy=remedies.obstruction_remedy(camera) if bad else None,
            evidence={"reference": comparison.reference},
        )
    ]


def _soiled(camera: Camera, comparison: Comparison, others: Sequence[Comparison], limits: Limits) -> list[Finding]:
    """Dirt and focus: a defect where it is certain and costs contrast, sharpness or area; to check where it is likely.

    What is on the glass shows by day and by night. Where the other light of this visit is as clear as its reference, a
    doubtful loss is the scene's (season, sun, leaves), not the glass's.
    """
    change = comparison.change
    if change.dirt_probability is None or change.dirt_cause in ("blocked", None):
        return []
    faint = _faint(change, limits)
    state: State = "as planned"
    if change.dirt_cause != "clear" and change.dirt_probability >= limits.cleanliness.reference_look:
        state = "defect" if change.dirt_probability >= limits.defect_at_least and faint else "to check"
    cleared = state == "to check" and _on_the_glass(change) and any(_clear(c.change, limits) for c in others)
    if cleared:
        state = "as planned"
    if state == "as planned" and not comparison.glass_verified:
        # as clear as a glass that nobody has seen clean: today's picture alone speaks
        return []
    check: Check = "focus" if change.dirt_cause == "defocus" else "cleanliness"
    if comparison.night and change.dirt_cause == "infrared reflection":
        check = "night"
    remedy = None
    if state != "as planned":
        remedy = {"focus": remedies.focus_remedy, "night": remedies.night_remedy}.get(check, _cleaning(change))(camera)
    cause = "clear as then" if change.dirt_cause == "clear" else str(change.dirt_cause)
    if cleared:
        light = "day" if comparison.night else "night"
        cause = f"looks like {cause}, but by {light} the same glass is as clear as its reference: the scene has changed"
    return [
        Finding(
            camera.camera,
            check,
            state,
            f"Against the reference: {cause}{_contrast_words(change)}.",
            measured=change.sharpness_ratio if check == "focus" else change.contrast_ratio,
            measured_sd=None if check == "focus" else change.contrast_ratio_sd,
            planned=1.0,
            limit=limits.focus.sharpness_ratio if check == "focus" else limits.cleanliness.contrast_ratio,
            unit="ratio",
            probability_bad=change.dirt_probability,
            photo=comparison.photo,
            remedy=remedy,
            evidence={"reference": comparison.reference, "cause": change.dirt_cause},
        )
    ]


def _on_the_glass(change: ViewChange) -> bool:
    """Whether a loss would be dirt on the glass that shows in every light: not focus, not infrared thrown back."""
    return change.dirt_cause not in ("defocus", "infrared reflection")


def _clear(change: ViewChange, limits: Limits) -> bool:
    """Whether a comparison shows the glass as clear as it was."""
    sure = change.dirt_probability is not None and change.dirt_probability <= limits.cleanliness.other_light_clear
    return sure and change.contrast_ratio is not None and change.contrast_ratio >= limits.cleanliness.contrast_ratio


def _cleaning(change: ViewChange) -> Callable[[Camera], Remedy]:
    return lambda camera: remedies.clean_remedy(camera, change.dirt_cause)


def _dulled(change: ViewChange, limits: Limits) -> bool:
    """Whether local contrast or area was lost; sharpness alone is left out, since noise and darkness take it too."""
    low = change.contrast_ratio is not None and change.contrast_ratio < limits.cleanliness.contrast_ratio
    return low or (change.soiled_fraction or 0.0) >= limits.cleanliness.soiled_fraction


def _faint(change: ViewChange, limits: Limits) -> bool:
    """Whether the picture has lost what it needs: local contrast, area, or sharpness."""
    soft = change.sharpness_ratio is not None and change.sharpness_ratio < limits.focus.sharpness_ratio
    return soft or _dulled(change, limits)


def _contrast_words(change: ViewChange) -> str:
    parts = []
    if change.contrast_ratio is not None:
        parts.append(f"local contrast {change.contrast_ratio:.2f} of the reference's")
    if change.sharpness_ratio is not None:
        parts.append(f"sharpness {change.sharpness_ratio:.2f} of it")
    if change.soiled_fraction:
        parts.append(f"{change.soiled_fraction:.0%} of the picture behind dirt")
    return f", {', '.join(parts)}" if parts else ""
