"""What a crew's photo shows, by its look: a label, a bracket close by, a wide view with a camera, a screen, or something else.

How likely each kind is comes from :mod:`audit.match.look`. It is evidence beside all else and never settles a photo alone: the
most that a look can say is bounded by how often crews photograph what they should not, and how often the head errs.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np

from audit.match.placement import LOOKS, Role
from audit.stored import checked

__all__ = ["EVEN", "KINDS", "OWN", "SHOT_METHOD", "Kind", "Shows", "look_sentence", "role_by_look", "shows_from_record", "shows_to_record", "stray_log_ratio"]

Kind = Literal["label", "bracket", "wide view", "screen", "something else"]

#: Changes with the network, the head, or how pictures are given to it.
SHOT_METHOD = "shot-2"
_VERSION = 1
KINDS: tuple[Kind, ...] = get_args(Kind)
#: Probabilities where nobody looked.
EVEN = (1.0 / len(KINDS),) * len(KINDS)
#: Probability from which a kind names a photo's role, and from which a photo is said to show none of the kinds, which names no role: on
#: photographs that nobody drew that is right in 49 of 50 (weights/CARD.md).
ANSWERS, ANSWERS_ELSE = 0.9, 0.7
#: How often crews' photos of a camera, and strays, are of each kind, in the order of ``KINDS`` (chosen, wide on purpose: the seventh of
#: own photos that look like something else holds what the head can't see, so that no look is worth more than a factor of seven: 0.27 to 0.04).
OWN = (0.25, 0.27, 0.3, 0.03, 0.15)
_STRAY = (0.04, 0.04, 0.25, 0.1, 0.57)


@dataclass(frozen=True, slots=True)
class Shows:
    """Probabilities of what a photo shows, in the order of ``KINDS``, with all kinds alike before the look.

    ``bodies`` are those of what stands on a bracket, were it a close-up of one: see :meth:`audit.match.bodies.Body.of`; empty where an
    earlier version looked.
    """

    probabilities: tuple[float, ...]
    bodies: tuple[float, ...] = ()

    @property
    def likeliest(self) -> tuple[Kind, float]:
        """The likeliest kind, and its probability."""
        best = int(np.argmax(self.probabilities))
        return KINDS[best], self.probabilities[best]


def shows_to_record(shows: Shows) -> dict[str, Any]:
    """Plain values to keep."""
    return {"version": _VERSION, "probabilities": list(shows.probabilities), "bodies": list(shows.bodies)}


def shows_from_record(record: Mapping[str, Any]) -> Shows | None:
    """The inverse of :func:`shows_to_record`; None where it holds other kinds than these."""
    shows = checked(Shows, dict(record), "shot", _VERSION)
    return shows if len(shows.probabilities) == len(KINDS) else None


def role_by_look(shows: Shows) -> Role | None:
    """The crew's shot that a photo surely looks like; None where it doesn't, or looks like none of them."""
    kind, probability = shows.likeliest
    if probability < ANSWERS:
        return None
    return kind if kind in ("label", "bracket", "wide view") else None


def look_sentence(shows: Shows) -> str | None:
    """What a photo surely looks like, for a person; None where that is not sure."""
    kind, probability = shows.likeliest
    if probability < (ANSWERS_ELSE if kind == "something else" else ANSWERS):
        return None
    words = {"label": "a label close by", "bracket": "a camera and its bracket close by", "wide view": "a wide view with a camera in it",
             "screen": "a photographed screen", "something else": "none of a crew's shots"}  # fmt: skip
    return f"{LOOKS}{words[kind]} ({100 * probability:.0f} %)"


def stray_log_ratio(shows: Shows) -> float:
    """Log of how much likelier a photo of this look is as one that belongs to no camera than as a camera's own."""
    seen = np.array(shows.probabilities)
    return float(np.log(seen @ np.array(_STRAY)) - np.log(seen @ np.array(OWN)))
