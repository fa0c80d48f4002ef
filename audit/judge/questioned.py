"""When the reference is what is questioned, and not the camera: today's own measurement is as planned, it was not."""

from __future__ import annotations

import math
from dataclasses import dataclass

from audit.judge.carried import todays_orientation
from audit.judge.chances import outside
from audit.judge.evidence import CameraEvidence, Comparison
from audit.judge.finding import State
from audit.judge.intended import intended_pose
from audit.judge.limits import Limits
from audit.measure.measurement import Orientation
from audit.plan.model import Camera

__all__ = ["Doubt", "reference_doubt"]

_TWO_SIDED_95 = 1.96
_LIKELY = 0.5


@dataclass(frozen=True, slots=True)
class Doubt:
    """What a move since the reference is, if not a fault of the camera.

    ``probability_bad`` is that of today's own pose to be out of limits.
    """

    state: State
    why: str
    probability_bad: float


@dataclass(frozen=True, slots=True)
class _Axis:
    """One angle: how far off the plan today, by today's picture alone, and how far it turned since the reference."""

    name: str
    off: float
    sd: float
    change: float
    change_sd: float
    limit: float

    @property
    def then(self) -> float:
        """How far off the plan the reference was."""
        return self.off - self.change

    @property
    def then_sd(self) -> float:
        """Its standard deviation."""
        return math.hypot(self.sd, self.change_sd)


def reference_doubt(
    camera: Camera, evidence: CameraEvidence, comparison: Comparison, limits: Limits
) -> Doubt | None:
    """Whether a move since the reference brought the camera to its plan.

    Returns
    -------
    Doubt or None
        ``as planned`` where today's own tilt and roll are within limits and the reference's were not; ``to check``
        where both were and today's is nearer the plan; None where the move counts against the camera, which one
        without a measurement of today's own always does, and one to the side, which no single picture tells.
    """
    axes = _axes(camera, evidence, comparison, limits)
    change = comparison.change
    allowed = limits.movement.turn_deg
    turn, turn_sd = change.pan_change_deg or 0.0, change.pan_change_sd_deg or 0.0
    if not axes or outside(turn, turn_sd, -allowed, allowed) >= _LIKELY:
        return None
    bad = max(outside(a.off, a.sd, -a.limit, a.limit) for a in axes)
    if bad > limits.as_planned_at_most:
        return None
    wrong = [a for a in axes if outside(a.then, a.then_sd, -a.limit, a.limit) >= _LIKELY]
    told = ", ".join(f"{a.name} {a.off:+z.1f}° ± {_TWO_SIDED_95 * a.sd:z.1f}° off the plan" for a in axes)
    if wrong and _reference_was_good(camera, evidence, limits):
        return Doubt(
            "to check",
            f"But today's own measurement is as planned ({told}), and so was that of the reference: one of the three is wrong.",
            bad,
        )
    if wrong:
        were = ", ".join(f"{a.name} {a.then:+z.1f}°" for a in wrong)
        return Doubt(
            "as planned",
            f"But today's own measurement is as planned ({told}); the reference was not ({were} off). The reference is "
            "questioned, not the camera: renew or withdraw it.",
            bad,
        )
    moved = [a for a in axes if abs(a.change) > _TWO_SIDED_95 * a.change_sd]
    if moved and all(abs(a.off) + _TWO_SIDED_95 * a.sd < abs(a.then) for a in moved):
        return Doubt(
            "to check",
            f"It now stands nearer to its plan than the reference did ({told}): if it was aimed anew, renew the reference.",
            bad,
        )
    return None


def _axes(camera: Camera, evidence: CameraEvidence, comparison: Comparison, limits: Limits) -> list[_Axis]:
    """Tilt and roll where today's picture alone tells both, and the comparison too."""
    own = _own(evidence, comparison, limits)
    change = comparison.change
    if own is None or own.pitch_deg is None or own.roll_deg is None or change.pitch_change_deg is None:
        return []
    held = intended_pose(camera)
    roll_off = (own.roll_deg - held.roll_deg + 180.0) % 360.0 - 180.0
    return [
        _Axis("tilt", own.pitch_deg - held.pitch_deg, own.pitch_sd_deg or 0.0, change.pitch_change_deg,
              change.pitch_change_sd_deg or 0.0, limits.aim.pitch_tolerance_deg),
        _Axis("roll", roll_off, own.roll_sd_deg or 0.0, change.roll_change_deg or 0.0, change.roll_change_sd_deg or 0.0,
              limits.level.roll_tolerance_deg),
    ]  # fmt: skip


def _reference_was_good(camera: Camera, evidence: CameraEvidence, limits: Limits) -> bool:
    """Whether tilt and roll were measured in the reference itself and were within limits."""
    then = evidence.reference_orientation
    if then is None or then.pitch_deg is None or then.roll_deg is None:
        return False
    held, tilt, level = intended_pose(camera), limits.aim.pitch_tolerance_deg, limits.level.roll_tolerance_deg
    off = then.pitch_deg - held.pitch_deg, (then.roll_deg - held.roll_deg + 180.0) % 360.0 - 180.0
    sds = then.pitch_sd_deg or 0.0, then.roll_sd_deg or 0.0
    chances = (outside(o, sd, -limit, limit) for o, sd, limit in zip(off, sds, (tilt, level), strict=True))
    return max(chances) <= limits.as_planned_at_most


def _own(evidence: CameraEvidence, comparison: Comparison, limits: Limits) -> Orientation | None:
    """What today's pictures say without the reference; where they say nothing, the pose measured in the reference with
    the turn since."""
    shot = evidence.night if comparison.night else evidence.day
    if shot is None:
        return None
    own = shot.measured.orientation if comparison.night else evidence.orientation or shot.measured.orientation
    if own.pitch_deg is not None and own.roll_deg is not None:
        return own
    return None if comparison.night else todays_orientation(evidence, limits)
