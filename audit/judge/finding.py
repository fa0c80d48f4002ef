"""What was found about a camera, and what is to be done."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Literal, get_args

__all__ = ["CHECKS", "STATES", "STATE_MARKS", "Check", "Finding", "Remedy", "State", "Verdict", "in_order", "state_of_all"]

State = Literal["as planned", "defect", "to check", "not verified"]
Check = Literal[
    "image", "aim", "pan", "level", "sky", "target", "angle of view", "focus", "cleanliness", "obstruction", "night",
    "movement", "mounting", "identity", "name", "clock", "stream", "photos",
]

#: Worst first.
STATES: tuple[State, ...] = ("defect", "to check", "not verified", "as planned")
#: The shape that stands beside a state's word, so that colour never stands alone.
STATE_MARKS: dict[State, str] = {"defect": "▲", "to check": "◆", "not verified": "○", "as planned": "●"}
CHECKS: tuple[Check, ...] = get_args(Check)


@dataclass(frozen=True, slots=True)
class Remedy:
    """What the crew does about a finding.

    Attributes
    ----------
    action : str
        One sentence: how much, which way, at which joint, or which part to bring.
    field_check : str or None
        How to see on site that it is right without an angle meter.
    parts : tuple of str
        Parts to bring.
    cautions : tuple of str
        Safety sentences that apply.
    turn_deg, tip_deg, roll_deg : float or None
        Correction of bearing (+ right), pitch (+ up), roll (+ clockwise from behind), and sds.
    """

    action: str
    field_check: str | None = None
    parts: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    turn_deg: float | None = None
    tip_deg: float | None = None
    roll_deg: float | None = None
    sd_deg: float | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """One check of one camera.

    Attributes
    ----------
    probability_bad : float or None
        P(out of limits); None where nothing was measured.
    measured, measured_sd, planned, limit : float or None
        In ``unit``.
    why : str
        One sentence with the number and the consequence.
    photo : str or None
        Photo that shows it.
    pair : str or None
        Exchanged with it: the camera whose pictures lie under this one's name.
    shared : tuple of str
        All cameras of an exchange; the finding is one for all of them.
    withheld : tuple of Finding
        What each picture alone would say, held back until the exchange is settled: a repair would make it wrong.
    """

    camera: str
    check: Check
    state: State
    why: str
    measured: float | None = None
    measured_sd: float | None = None
    planned: float | None = None
    limit: float | None = None
    unit: str | None = None
    probability_bad: float | None = None
    remedy: Remedy | None = None
    photo: str | None = None
    pair: str | None = None
    shared: tuple[str, ...] = ()
    withheld: tuple[Finding, ...] = ()
    evidence: dict[str, Any] = field(default_factory=dict)

    @property
    def told_by(self) -> str:
        """The camera at which the finding is told: its own, or the first of those that share it."""
        return min(self.shared, default=self.camera)


@dataclass(frozen=True, slots=True)
class Verdict:
    """A camera's state (the worst of its findings) with the findings, worst first."""

    camera: str
    state: State
    findings: tuple[Finding, ...]
    photos: tuple[str, ...] = ()


def in_order(findings: list[Finding]) -> list[Finding]:
    """Worst first, the likelier first among equals."""
    return sorted(findings, key=lambda f: (STATES.index(f.state), -(f.probability_bad or 0.0)))


def state_of_all(findings: Iterable[Finding]) -> State:
    """The worst state; missing site photos alone don't count."""
    decisive = [f.state for f in findings if f.check != "photos" or f.state != "not verified"]
    return min(decisive, key=STATES.index, default="not verified")
