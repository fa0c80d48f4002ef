"""What speaks against a planned bearing without proving it: it puts a camera up to be looked at, never more."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

from audit.judge.carried import todays_orientation
from audit.judge.evidence import CameraEvidence
from audit.judge.finding import Verdict
from audit.judge.intended import intended_pose, straight_down
from audit.judge.limits import Limits
from audit.judge.lines import LinesSeen, Misfit, misfits
from audit.judge.panned import panned
from audit.plan.model import Camera, Site

__all__ = ["bearing_hints", "kept_hints", "worth_a_look"]

#: From this probability on the lines are worth a look: fewer than one good camera in a hundred is put up for nothing
#: (measured by ``python -m tests.bench.hint_bench``).
_WORTH_A_LOOK = 0.5
#: Fewer neighbours that should see some of the same are no consensus; and where they should see less of its view than
#: this, what is left may be a fence or a house that stands askew (our defaults).
_LEAST_OTHERS, _LEAST_COVERED = 3, 0.8
#: The crew's directions have a middle where they agree by this much (length of their mean, 0..1; our default).
_AGREE = 0.3


def bearing_hints(site: Site, evidence: Mapping[str, CameraEvidence], limits: Limits) -> dict[str, tuple[str, ...]]:
    """Sentences by camera, for those whose bearing nothing shows and something speaks against.

    Parameters
    ----------
    evidence : mapping from camera to CameraEvidence
        What the visit brought for all cameras of the site.
    """
    seen = [
        lines for camera in site.cameras if (lines := _lines(camera, evidence.get(camera.camera), limits)) is not None
    ]
    return {
        name: (_sentence(misfit),)
        for name, misfit in misfits(seen).items()
        if worth_a_look(misfit)
    }


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
