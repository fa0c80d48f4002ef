"""Where a photo belongs, and how sure that is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["BY_HAND", "LOOKS", "READ_IN_IT", "Alternative", "Decision", "Light", "Placement", "Role"]

Decision = Literal["placed", "unmatched", "uncertain"]
Role = Literal["wide view", "bracket", "label", "snapshot", "turned", "unknown"]
Light = Literal["day", "night"]
#: The first evidence of a photo that a person placed.
BY_HAND = "set by hand"
#: How evidence says what was read in the picture itself, by where it stood, and how it begins to say what the picture looks like.
READ_IN_IT = {"code": "read in the label", "board": "read from its printed board", "picture": "burnt into the picture"}
LOOKS = "looks like "


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
    light : Light or None
        When the camera's own picture was taken by a person's word, or by the last word of its file's name; None leaves that to the
        measurement.
    turned : bool
        A person says that the camera's own picture stands on its head or on its side.
    own : Placement or None
        Where a person has spoken: how the program had put it before.
    ahead : bool
        A person has spoken since the photos were last put to cameras together: the others don't know of it yet.
    """

    photo: str
    camera: str | None
    probability: float
    decision: Decision
    group: str
    alternatives: tuple[Alternative, ...] = ()
    role: Role = "unknown"
    evidence: tuple[str, ...] = ()
    light: Light | None = None
    turned: bool = False
    own: Placement | None = None
    ahead: bool = False

    @property
    def read_or_seen(self) -> tuple[str, ...]:
        """The sentences of its evidence that say what was read in the picture or what it looks like."""
        return tuple(s for s in self.evidence if s.startswith(LOOKS) or any(read in s for read in READ_IN_IT.values()))
