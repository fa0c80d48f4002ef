"""What stands on a bracket in its close-up: a camera with a long body or a round one, or none.

How likely each is comes from :mod:`audit.match.look`. A look is a hint that a person is shown with the picture, never a verdict.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

__all__ = ["FORMS", "LONG", "NO_BODY", "OTHER_FORM", "ROUND", "Body", "BodyForm"]

BodyForm = Literal["bullet", "dome", "turret", "ptz", "box"]

#: Forms of camera that the head was trained on; the plan knows more.
FORMS: tuple[BodyForm, ...] = get_args(BodyForm)
#: Single forms are told apart too poorly (two of three right); long bodies and round ones are.
LONG: frozenset[str] = frozenset({"bullet", "box"})
ROUND: frozenset[str] = frozenset(FORMS) - LONG
#: Probabilities from which a close-up is said to show no camera, and to show a body of the other kind than planned
#: (weights/CARD.md says how often either is wrong).
NO_BODY, OTHER_FORM = 0.9, 0.95


@dataclass(frozen=True, slots=True)
class Body:
    """What a close-up of a bracket shows.

    Attributes
    ----------
    none : float
        Probability that no camera is on the bracket, both alike before the look.
    long : float
        Probability that its body is long and not round, where one is, all forms alike before the look.
    """

    none: float
    long: float

    @classmethod
    def of(cls, probabilities: tuple[float, ...]) -> Body:
        """From the probabilities of each form, in the order of ``FORMS``, and of none."""
        *forms, none = probabilities
        there = sum(forms)
        long = sum(p for form, p in zip(FORMS, forms, strict=True) if form in LONG)
        return cls(none, long / there if there > 0 else 0.5)
