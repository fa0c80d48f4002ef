"""The pose that a camera is held to: the plan's, or what was agreed since."""

from __future__ import annotations

import math
from dataclasses import dataclass

from audit.plan.model import Camera
from audit.plan.optics import Pose

__all__ = ["Intended", "intended_pose", "straight_down"]

#: Pitch beyond which a fisheye is taken to look straight down: no horizon crosses its circle.
_STRAIGHT_DOWN_DEG = -60.0


@dataclass(frozen=True, slots=True)
class Intended:
    """The pose that the camera is held to.

    ``agreed_pitch_deg``, ``agreed_bearing_deg`` and ``agreed_roll_deg`` are optional columns of the plan;
    ``agreed_note`` says why.
    """

    bearing_deg: float
    pitch_deg: float
    roll_deg: float
    note: str | None

    @property
    def pose(self) -> Pose:
        """As a pose."""
        return Pose(self.bearing_deg, self.pitch_deg, self.roll_deg)


def intended_pose(camera: Camera) -> Intended:
    """Plan, overlaid by what was agreed; an agreed angle that is no number is left out."""
    extra = {column.lower(): text for column, text in camera.extra}

    def number(column: str, planned: float) -> float:
        try:
            value = float(extra[column].replace(",", ".").replace("−", "-"))
        except (KeyError, ValueError):
            return planned
        return value if math.isfinite(value) and abs(value) <= 360 else planned

    return Intended(
        number("agreed_bearing_deg", camera.bearing_deg),
        number("agreed_pitch_deg", camera.pitch_deg),
        number("agreed_roll_deg", camera.roll_deg),
        extra.get("agreed_note") or None,
    )


def straight_down(camera: Camera, pitch_deg: float) -> bool:
    """Whether a fisheye is held to look straight down; then its turn about the plumb line is one with its bearing."""
    return camera.lens.projection == "equidistant" and pitch_deg <= _STRAIGHT_DOWN_DEG
