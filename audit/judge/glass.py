"""What the picture looks like: dirt, focus, obstruction, night; one image alone is a hint, never a proof."""

from __future__ import annotations

from audit.judge import remedies
from audit.judge.evidence import CameraEvidence, Snapshot
from audit.judge.finding import STATES, Check, Finding, Remedy, State
from audit.judge.limits import Limits
from audit.measure.measurement import Clarity, SeenFrom
from audit.plan.model import Camera

__all__ = ["glass_findings", "night_findings", "proves_clean", "worst_per_check"]


_MIDDLE_THIRD = (1 / 3, 2 / 3)
#: Causes as a person says them.
_CAUSE_WORDS = {
    "haze": "film or haze", "spots": "drops or dust", "cobweb": "cobweb", "infrared reflection": "IR reflection",
    "defocus": "loss of focus", "blocked": "obstruction",
}  # fmt: skip

#: What can't prove the glass clean, as a person says it.
_UNPROVEN: dict[SeenFrom, str] = {
    "one picture": "one scene",
    "one scene": "one scene",
    "several scenes": "these pictures",
    "turned camera": "these pictures",
}


def glass_findings(camera: Camera, evidence: CameraEvidence, limits: Limits) -> list[Finding]:
    """Dirt, focus and obstruction by day and by night.

    Several pictures of a day outweigh one, and a comparison with a signed reference whose glass was seen clean outweighs
    both. One picture, or several of one scene, pass the glass only where the detector is good enough for that.
    """
    compared = {
        c.photo for c in evidence.comparisons if c.change.dirt_probability is not None and c.glass_verified
    }
    found = []
    for snapshot in (evidence.day, evidence.night):
        if snapshot is None or snapshot.photo in compared:
            continue
        clarity = snapshot.measured.clarity
        series = None if snapshot.night else evidence.series
        if series is not None and series.dirt_probability is not None:
            found.append(_from(camera, snapshot, series, limits, "over several pictures of the day"))
        else:
            found.append(_from(camera, snapshot, clarity, limits, "by night" if snapshot.night else "by day"))
        found += _soft(camera, snapshot, limits)
        found += _near_thing(camera, snapshot, limits)
    return worst_per_check(found)


def _near_thing(camera: Camera, snapshot: Snapshot, limits: Limits) -> list[Finding]:
    """Something right before the lens, by one picture by day: a person looks. One picture never says that nothing is."""
    clarity = snapshot.measured.clarity
    share, at = clarity.blocked_fraction, clarity.blocked_at
    least = limits.obstruction.single_image_fraction
    if share is None or at is None or snapshot.night or share < least:
        return []
    return [
        Finding(
            camera.camera,
            "obstruction",
            "to check",
            f"Something right before the lens may hide the view {_where(at)} by day; one picture can't tell it from a plain "
            "wall or a shade: look at the picture.",
            measured=share,
            planned=0.0,
            limit=least,
            unit="share",
            photo=snapshot.photo,
            remedy=remedies.obstruction_remedy(camera),
        )
    ]


def _where(at: tuple[float, float]) -> str:
    """Where in the picture a point lies, in words."""
    low, high = _MIDDLE_THIRD
    level = "above" if at[1] < low else "below" if at[1] > high else ""
    side = "on the left" if at[0] < low else "on the right" if at[0] > high else ""
    return " ".join(word for word in (level, side) if word) or "in the middle"


def _soft(camera: Camera, snapshot: Snapshot, limits: Limits) -> list[Finding]:
    """No edge anywhere is as sharp as the picture's pixels allow: out of focus, or something over the lens."""
    clarity = snapshot.measured.clarity
    sharpness, least = clarity.sharpness, limits.focus.least_sharpness
    if sharpness is None or clarity.dirt_probability is None or clarity.cause not in ("clear", "defocus"):
        return []
    soft = sharpness < least
    when = "by night" if snapshot.night else "by day"
    why = f"Out of focus {when}: edge sharpness {sharpness:z.0%}, at least {least:z.0%} expected." if soft else f"In focus {when}: edge sharpness {sharpness:z.0%}."
    return [
        Finding(
            camera.camera,
            "focus",
            "to check" if soft else "as planned",
            why,
            measured=sharpness,
            planned=1.0,
            limit=least,
            unit="share",
            remedy=remedies.focus_remedy(camera) if soft else None,
            photo=snapshot.photo,
        )
    ]


def _check_of(clarity: Clarity, night: bool) -> Check:
    if clarity.cause == "defocus":
        return "focus"
    if clarity.cause == "blocked":
        return "obstruction"
    return "night" if night and clarity.cause == "infrared reflection" else "cleanliness"


def _from(camera: Camera, snapshot: Snapshot, clarity: Clarity, limits: Limits, when: str) -> Finding:
    check = _check_of(clarity, snapshot.night)
    if clarity.dirt_probability is None:
        note = (clarity.note or "too little texture").rstrip(".")
        return Finding(camera.camera, check, "not verified", f"Not measured {when}: {note}.", photo=snapshot.photo)
    look = limits.focus.single_image_look if check == "focus" else limits.cleanliness.single_image_look
    bad = clarity.dirt_probability >= look
    state: State = "to check" if bad else "as planned"
    unproven = not bad and check == "cleanliness" and not proves_clean(clarity.dirt_probability, limits, clarity.seen_from)
    if unproven:
        state = "not verified"
    remedy: Remedy | None = None
    if bad:
        why = (
            f"Possible {_CAUSE_WORDS.get(clarity.cause or '', 'dirt')} {when} ({clarity.dirt_probability:z.0%}); one day's pictures "
            "can't confirm it."
        )
        remedy = {
            "focus": remedies.focus_remedy(camera),
            "night": remedies.night_remedy(camera),
        }.get(check) or remedies.clean_remedy(camera, clarity.cause)
    elif unproven:
        why = (
            f"Nothing seen on the glass {when} (probability of dirt {clarity.dirt_probability:z.0%}), but "
            f"{_UNPROVEN[clarity.seen_from]} can't prove it clean: look at the window, or at the picture."
        )
    else:
        why = (
            f"Nothing on the glass {when}, as far as the picture tells (probability of dirt "
            f"{clarity.dirt_probability:z.0%})."
        )
    return Finding(
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


def proves_clean(dirt_probability: float, limits: Limits, seen_from: SeenFrom = "one picture") -> bool:
    """Whether a reading leaves little enough chance of dirt, by the measured curve of what it was seen from.

    Of all glasses so many are dirty, and so many of those read as low as a clean one: by Bayes' rule what remains must
    be at most what *as planned* allows.
    """
    dirt = limits.cleanliness
    if dirt_probability > dirt.single_image_clear:
        return False
    missed, passed = {
        "one picture": (dirt.single_image_missed, dirt.single_image_passed),
        "one scene": (dirt.one_scene_missed, dirt.one_scene_passed),
        "several scenes": (dirt.scenes_missed, dirt.scenes_passed),
        "turned camera": (dirt.turned_missed, dirt.turned_passed),
    }[seen_from]
    dirty = dirt.expected_dirty * missed
    clean = (1.0 - dirt.expected_dirty) * passed
    return dirty / (dirty + clean) <= limits.as_planned_at_most


def worst_per_check(findings: list[Finding]) -> list[Finding]:
    """The worst finding of each check, in the order of first appearance."""
    worst: dict[Check, Finding] = {}
    for finding in findings:
        known = worst.get(finding.check)
        if known is None or STATES.index(finding.state) < STATES.index(known.state):
            worst[finding.check] = finding
    return list(worst.values())


def night_findings(camera: Camera, evidence: CameraEvidence, limits: Limits) -> list[Finding]:
    """Whether the camera was seen at night without infrared thrown back: asked for wherever the plan has light for the night.

    A reflection, or what else lies over the night's picture, is told under its own check by the glass or the reference.
    """
    if camera.night == "none":
        return []
    snapshot = evidence.night
    if snapshot is None:
        why = f"Not checked at night: the plan has {camera.night}, and no night snapshot is here."
        return [Finding(camera.camera, "night", "not verified", why)]
    against = next((c.change for c in evidence.comparisons if c.photo == snapshot.photo and c.glass_verified), None)
    if against is not None and against.dirt_probability is not None:
        return _dark(camera, snapshot, against.dirt_probability, limits.cleanliness.reference_look)
    clarity = snapshot.measured.clarity
    if clarity.dirt_probability is None:
        note = (clarity.note or "too little texture").rstrip(".")
        return [Finding(camera.camera, "night", "not verified", f"Not measured by night: {note}.", photo=snapshot.photo)]
    return _dark(camera, snapshot, clarity.dirt_probability, limits.cleanliness.single_image_look)


def _dark(camera: Camera, snapshot: Snapshot, probability: float, look: float) -> list[Finding]:
    """The night's picture with nothing over it that asks for a look."""
    if probability >= look:
        return []
    return [
        Finding(
            camera.camera,
            "night",
            "as planned",
            f"Seen at night, and no IR reflection stands out (probability of dirt or reflection {probability:z.0%}).",
            measured=probability,
            limit=look,
            unit="probability",
            probability_bad=probability,
            photo=snapshot.photo,
        )
    ]
