"""Where a photo belongs, and how sure that is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["Alternative", "Decision", "Placement", "Role"]

Decision = Literal["placed", "unmatched", "uncertain"]
Role = Literal["wide view", "bracket", "label", "snapshot", "unknown"]


@dataclass(frozen=True, slots=True)
class Alternative:
    """Another camera (None = belongs to no camera) with its probability."""

    camera: str | None
    probability: float


@dataclass(frozen=True, slots=True)
class Placement:
    """One photo put to a camera, or not.

    Attributes
    ----------
    photo : str
        The photo's name.
    camera : str or None
        Best camera where ``placed``; None where ``stray`` or ``unsure``.
    probability : float
        Of what was decided (for ``unsure``: of the best alternative).
    group : str
        Photos that one answer of a person settles together share it.
    evidence : tuple of str
        Sentences, strongest first.
    """

    photo: str
    camera: str | None
    probability: float
    decision: Decision
    group: str
    alternatives: tuple[Alternative, ...] = ()
    role: Role = "unknown"
    evidence: tuple[str, ...] = ()
