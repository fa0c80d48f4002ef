"""What the plan check calls an error is a finding of the visit too: put up as planned, the camera can't serve."""

from __future__ import annotations

from collections.abc import Sequence

from audit.errors import PlanProblem
from audit.judge.finding import Check, Finding, Remedy, State
from audit.plan.model import Camera

__all__ = ["plan_findings"]

#: Columns by which the owner and the installer agreed on another pose, or on the one that is there.
_AGREED = ("agreed_bearing_deg", "agreed_pitch_deg", "agreed_roll_deg", "agreed_note")
#: Which check a problem of a column of the plan belongs to, and how sure it is without a look on site; all others are about
#: the mount chain, which the crew may have put up otherwise.
_BY_COLUMN: dict[str, tuple[Check, State]] = {"target": ("target", "defect"), "serial": ("identity", "to check")}
_OTHERS: tuple[Check, State] = ("mounting", "to check")


def plan_findings(camera: Camera, errors: Sequence[PlanProblem]) -> list[Finding]:
    """One finding a check for the errors of a camera's plan; none where something was agreed about the camera.

    Parameters
    ----------
    errors : sequence of PlanProblem
        The plan check's errors about this camera.
    """
    extra = {column.lower(): text.strip() for column, text in camera.extra}
    if any(extra.get(column) for column in _AGREED):
        return []
    told: dict[tuple[Check, State], list[PlanProblem]] = {}
    for problem in errors:
        told.setdefault(_BY_COLUMN.get(problem.column or "", _OTHERS), []).append(problem)
    return [_finding(camera, check, state, problems) for (check, state), problems in told.items()]


def _finding(camera: Camera, check: Check, state: State, problems: Sequence[PlanProblem]) -> Finding:
    why = " ".join(f"{p.message[:1].upper()}{p.message[1:]}" for p in problems)
    head = "As mounted it can't serve: the plan itself" if check == "target" else "The plan itself is wrong"
    actions = " ".join(dict.fromkeys(p.remedy for p in problems if p.remedy))
    remedy = Remedy(f"For whoever plans, before anyone climbs: {actions} Or agree on it (column agreed_note), or tolerate it.")
    return Finding(
        camera.camera, check, state, f"{head}. {why}", probability_bad=1.0, remedy=remedy, evidence={"plan": True}
    )
