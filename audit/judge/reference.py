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
#: What rounds to nothing where it is said.
_LEAST_SAID_DEG, _LEAST_SAID_SHARE = 0.05, 0.005


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
            found += _as_far_as_seen(camera, comparison, limits)
        elif not shows_the_view(comparison, limits):
            found.append(_another_scene(camera, comparison, change.same_view_probability, bool(known)))
        else:
            others = [c for c in known if c is not comparison]
            found += _moved(camera, evidence, comparison, limits)
            found += _zoomed(camera, comparison, limits)
            found += _through_the_glass(camera, comparison, others, limits)
    return worst_per_check(found)


def _as_far_as_seen(camera: Camera, comparison: Comparison, limits: Limits) -> list[Finding]:
    """Where too little of the view shows, what asks for a look stands; a clean glass is not vouched for."""
    return [
        finding
        if finding.state != "as planned" or finding.check == "focus"
        else Finding(camera.camera, finding.check, "not verified", "Too little of the view shows to tell.", photo=comparison.photo)
        for finding in _through_the_glass(camera, comparison, (), limits)
    ]


def _through_the_glass(camera: Camera, comparison: Comparison, others: Sequence[Comparison], limits: Limits) -> list[Finding]:
    return [
        *_hidden(camera, comparison, limits),
        *_focused(camera, comparison, limits),
        *_soiled(camera, comparison, others, limits),
    ]


def _another_scene(camera: Camera, comparison: Comparison, probability: float, known_otherwise: bool) -> Finding:
    """Where the other light shows the signed view, this picture is only too different to be laid over it."""
    light = "night" if comparison.night else "day"
    if known_otherwise:
        why = f"The {light} picture is too different from its reference to be laid over it; the other light shows the view."
    else:
        why = "Not the reference scene: camera moved, swapped or covered."
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
    why = f"Since the reference it has moved {_ways(turn, tip)} (± {_TWO_SIDED_95 * sd:z.1f}°)"
    if abs(roll) > max(0.5, _TWO_SIDED_95 * roll_sd):
        why += f", rotated {abs(roll):z.1f}° {'clockwise' if roll > 0 else 'counter-clockwise'}"
    elif state == "as planned" and max(abs(turn), abs(tip)) < _SAID_TURN_DEG and "rotated" not in why:
        bound = max(abs(turn), abs(tip)) + _TWO_SIDED_95 * sd
        why = f"Aimed as in the reference, within {max(bound, _SAID_TURN_DEG):z.1f}°"
    why += "."
    found = []
    doubt = reference_doubt(camera, evidence, comparison, limits) if state in ("defect", "to check") else None
    if doubt is not None:
        state, why, probability = doubt.state, f"{why} {doubt.why}", doubt.probability_bad
    asking = state in ("defect", "to check") and doubt is None
    if state == "not verified":
        why += " Too uncertain to judge."
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


def _ways(turn_deg: float, tip_deg: float) -> str:
    """How far to which side and up or down; no way is named that rounds to nothing."""
    ways = [f"{abs(turn_deg):z.1f}° to the {'right' if turn_deg > 0 else 'left'}"] if abs(turn_deg) >= _LEAST_SAID_DEG else []
    ways += [f"{abs(tip_deg):z.1f}° {'up' if tip_deg > 0 else 'down'}"] if abs(tip_deg) >= _LEAST_SAID_DEG else []
    return " and ".join(ways) or "neither to a side nor up or down"


def _zoomed(camera: Camera, comparison: Comparison, limits: Limits) -> list[Finding]:
    """The lens creeps, was turned, or is another one: the picture shows more or less of the same view."""
    ratio, sd = comparison.change.zoom_ratio, comparison.change.zoom_ratio_sd or 0.0
    if ratio is None:
        return []
    allowed = limits.movement.zoom_fraction
    probability = outside(ratio - 1.0, sd, -allowed, allowed)
    state = weighed(probability, outside(0.0, sd, -allowed, allowed), limits)
    if state not in ("defect", "to check"):
        return []
    zoomed = f"Zoomed {'in' if ratio > 1 else 'out'} by {abs(ratio - 1):z.0%}"
    if abs(ratio - 1) < _LEAST_SAID_SHARE:
        zoomed = "As wide a view as before"
    why = f"{zoomed} against the signed reference (± {_TWO_SIDED_95 * sd:z.0%})."
    return [
        Finding(
            camera.camera,
            "movement",
            "to check",
            why,
            measured=ratio - 1.0,
            measured_sd=sd,
            planned=0.0,
            limit=allowed,
            unit="share",
            probability_bad=probability,
            photo=comparison.photo,
            remedy=remedies.focus_remedy(camera),
            evidence={"reference": comparison.reference},
        )
    ]


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
            f"{share:z.0%} of the reference's view is hidden"
            + ("; one picture can't tell whether it stays." if bad else "."),
            measured=share,
            measured_sd=comparison.change.blocked_fraction_sd,
            planned=0.0,
            limit=limits.obstruction.blocked_fraction,
            unit="share",
            photo=comparison.photo,
            remedy=remedies.obstruction_remedy(camera) if bad else None,
            evidence={"reference": comparison.reference},
        )
    ]


def _focused(camera: Camera, comparison: Comparison, limits: Limits) -> list[Finding]:
    """Focus by the width of the sharpest edges, which neither light nor fog changes; the network's word joins it."""
    change = comparison.change
    ratio, least = change.sharpness_ratio, limits.focus.sharpness_ratio
    said = change.dirt_cause == "defocus" and (change.dirt_probability or 0.0) >= limits.cleanliness.reference_look
    if ratio is None and not said:
        return []
    soft = ratio is not None and ratio < least
    state: State = "to check" if soft or said else "as planned"
    if soft and said and (change.dirt_probability or 0.0) >= limits.defect_at_least:
        state = "defect"
    why = "As sharp as the reference."
    if soft and ratio is not None:
        why = f"Out of focus: its sharpest edges are {1 / max(ratio, 0.01):z.1f} times as wide as the reference's."
    elif said:
        why = "Looks out of focus in part against the reference."
    return [
        Finding(
            camera.camera,
            "focus",
            state,
            why,
            measured=ratio,
            planned=1.0,
            limit=least,
            unit="ratio",
            probability_bad=change.dirt_probability if said else None,
            photo=comparison.photo,
            remedy=remedies.focus_remedy(camera) if state != "as planned" else None,
            evidence={"reference": comparison.reference, "cause": change.dirt_cause},
        )
    ]


def _soiled(camera: Camera, comparison: Comparison, others: Sequence[Comparison], limits: Limits) -> list[Finding]:
    """Dirt: a defect where it is certain and costs contrast or area; a look where it is likely.

    What is on the glass shows by day and by night. Where the other light of this visit is as clear as its reference, a
    doubtful loss is the scene's (season, sun, leaves), not the glass's.
    """
    change = comparison.change
    if change.dirt_probability is None or change.dirt_cause in ("blocked", "defocus", None):
        return []
    state: State = "as planned"
    if change.dirt_cause != "clear" and change.dirt_probability >= limits.cleanliness.reference_look:
        sure = change.dirt_probability >= limits.defect_at_least
        state = "defect" if sure and _faint(change, limits) else "to check"
    cleared = state == "to check" and _on_the_glass(change) and any(_clear(c.change, limits) for c in others)
    if cleared:
        state = "as planned"
    if state == "as planned" and not comparison.glass_verified:
        # as clear as a glass that nobody has seen clean: today's picture alone speaks
        return []
    check: Check = "night" if comparison.night and change.dirt_cause == "infrared reflection" else "cleanliness"
    remedy = None
    if state != "as planned":
        remedy = (remedies.night_remedy if check == "night" else _cleaning(change))(camera)
    cause = "clear as then" if state == "as planned" else str(change.dirt_cause)
    if cleared:
        light = "day" if comparison.night else "night"
        cause = f"looks like {change.dirt_cause}, but by {light} the same glass is as clear as its reference: the scene has changed"
    share = 0.0 if cleared else change.soiled_fraction
    return [
        Finding(
            camera.camera,
            check,
            state,
            f"Against the reference: {cause}{_loss_words(change) if state != 'as planned' else ''}.",
            measured=share,
            measured_sd=change.soiled_fraction_sd,
            planned=0.0,
            limit=limits.cleanliness.soiled_fraction,
            unit="share",
            probability_bad=change.dirt_probability,
            photo=comparison.photo,
            remedy=remedy,
            evidence={"reference": comparison.reference, "cause": change.dirt_cause},
        )
    ]


def _on_the_glass(change: ViewChange) -> bool:
    """Whether a loss would be dirt on the glass that shows in every light: not infrared thrown back."""
    return change.dirt_cause != "infrared reflection"


def _clear(change: ViewChange, limits: Limits) -> bool:
    """Whether a comparison shows the glass as clear as it was."""
    return change.dirt_probability is not None and change.dirt_probability <= limits.cleanliness.other_light_clear


def _cleaning(change: ViewChange) -> Callable[[Camera], Remedy]:
    return lambda camera: remedies.clean_remedy(camera, change.dirt_cause)


def _faint(change: ViewChange, limits: Limits) -> bool:
    """Whether the picture has lost what it needs: area, or local contrast where the area isn't known."""
    if change.soiled_fraction is not None:
        return change.soiled_fraction >= limits.cleanliness.soiled_fraction
    return change.contrast_ratio is not None and change.contrast_ratio < limits.cleanliness.contrast_ratio


def _loss_words(change: ViewChange) -> str:
    parts = []
    if change.soiled_fraction is not None:
        parts.append(f"{change.soiled_fraction:z.0%} of the picture affected")
    if change.contrast_ratio is not None:
        parts.append(f"contrast {change.contrast_ratio:z.0%} of the reference's")
    return f", {', '.join(parts)}" if parts else ""
