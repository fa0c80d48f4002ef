"""A close-up of a bracket that shows no camera, or a body of another kind than planned: put up to be looked at, never more."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from audit.judge.finding import Finding, Remedy
from audit.judge.remedies import cautions_of
from audit.match.bodies import FORMS, LONG, NO_BODY, OTHER_FORM, Body
from audit.plan.model import Camera

__all__ = ["BracketSeen", "bracket_findings"]


#: A body's kind is spoken of where a camera is there rather than not.
_THERE = 0.5


@dataclass(frozen=True, slots=True)
class BracketSeen:
    """What one close-up of the camera's bracket shows by its look."""

    photo: str
    body: Body


def bracket_findings(camera: Camera, seen: Sequence[BracketSeen]) -> list[Finding]:
    """At most one finding, *to check*: the close-up that speaks most for a camera is what counts.

    Nothing is said of a camera whose planned form the look doesn't know, and nothing passes by a look: a camera that is seen, in its form,
    is no proof of its mounting.
    """
    if not seen or camera.form not in FORMS:
        return []
    best = min(seen, key=lambda one: one.body.none)
    if best.body.none >= NO_BODY:
        return [_no_camera(camera, best)]
    planned_long = camera.form in LONG
    other = 1.0 - best.body.long if planned_long else best.body.long
    return [_other_form(camera, best, other)] if other >= OTHER_FORM and best.body.none < _THERE else []


def _no_camera(camera: Camera, seen: BracketSeen) -> Finding:
    why = f"The close-up of its bracket looks as if no camera was on it ({seen.body.none:z.0%}); a look can err."
    remedy = Remedy("See in the photo whether the camera is there, before anyone climbs. If it is missing, put it up as planned.",
                    "A close-up shows the camera on its bracket.", (), cautions_of(camera))  # fmt: skip
    return Finding(camera.camera, "mounting", "to check", why, probability_bad=seen.body.none, photo=seen.photo, remedy=remedy)


def _other_form(camera: Camera, seen: BracketSeen, probability: float) -> Finding:
    looks = "round, as a dome, turret or PTZ" if camera.form in LONG else "long, as a bullet or box camera"
    why = f"In the close-up of its bracket the camera looks {looks} ({probability:z.0%}); planned is the form {camera.form}. A look can err."
    remedy = Remedy("Compare the photo and the rating label with the plan, before anyone climbs. If another model was put up, agree on it or "
                    "exchange it.", "The rating label names the planned model.", (), cautions_of(camera))  # fmt: skip
    return Finding(camera.camera, "mounting", "to check", why, probability_bad=probability, photo=seen.photo, remedy=remedy)
