"""What a person says of a photo, laid over where the program puts it: whose it is, and what it shows."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from audit.match.placement import BY_HAND, Alternative, Light, Placement, Role

__all__ = ["SaidRole", "Told", "laid_over", "role_said", "taken_back"]

SaidRole = Literal["label", "wide view", "bracket", "day snapshot", "night snapshot", "turned", "wrong way up"]

_ROLES: dict[SaidRole, tuple[Role, Light | None]] = {
    "label": ("label", None), "wide view": ("wide view", None), "bracket": ("bracket", None),
    "day snapshot": ("snapshot", "day"), "night snapshot": ("snapshot", "night"), "turned": ("turned", None),
    "wrong way up": ("snapshot", None),
}  # fmt: skip
_OPEN_AGAIN = "what was said of it was taken back"


@dataclass(frozen=True, slots=True)
class Told:
    """What counts of all that people said of one photo.

    Attributes
    ----------
    camera : str or None
        None: it belongs to no camera.
    role : SaidRole or None
        What it shows; None leaves that to the program. ``turned`` is the camera's own picture, taken while it was turned a
        little before it was tightened; ``wrong way up`` its picture standing on its head or on its side.
    """

    camera: str | None
    role: SaidRole | None = None


def role_said(role: SaidRole) -> Role:
    """The shot that a photo is by a person's word."""
    return _ROLES[role][0]


def laid_over(placed: Placement, told: Told, own: Placement, ahead: bool) -> Placement:
    """A photo's place with a person's word laid over it.

    Parameters
    ----------
    placed : Placement
        As the program puts it, with this word or without.
    own : Placement
        How the program had put it before anybody spoke, or puts it with the word where somebody spoke first.
    ahead : bool
        Whether the other photos were put to cameras without this word.
    """
    role, light = _ROLES[told.role] if told.role is not None else (own.role, own.light)
    return replace(
        placed,
        camera=told.camera,
        probability=1.0,
        decision="unmatched" if told.camera is None else "placed",
        alternatives=(Alternative(told.camera, 1.0),),
        role=role,
        evidence=(BY_HAND, *(sentence for sentence in placed.evidence if sentence not in (BY_HAND, _OPEN_AGAIN))),
        light=light,
        turned=told.role == "wrong way up",
        own=own,
        ahead=ahead,
    )


def taken_back(placed: Placement) -> Placement:
    """A photo's place after the last word on it was taken back: as the program had put it, or open to a person again."""
    own = placed.own
    if own is not None and own.evidence[:1] != (BY_HAND,):
        return replace(own, ahead=True)
    role = placed.role if own is None else own.role
    return Placement(placed.photo, None, 0.0, "uncertain", placed.group, (), role, (_OPEN_AGAIN,), ahead=True)
