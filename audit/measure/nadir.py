"""Fisheyes that look straight down: how far off plumb, by where upright edges meet.

Through a lens that hangs from a ceiling every upright edge points at one spot near the picture's middle. A long room
seen level shows such a spot too, where its level edges vanish; there the learned view says plainly that the picture
stands upright, and no answer is given from here. About the plumb line itself nothing tells the camera's turn.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from audit.frames import roll_pitch_from_up, up_in_camera
from audit.lens import Lens
from audit.measure.constants import constants
from audit.measure.up_direction import Evidence
from audit.measure.vanishing import Fit, fit_directions, vote

__all__ = ["Downward", "downward", "may_look_down"]

FloatArray = NDArray[np.float64]

_STEP_DEG = 2.0


@dataclass(frozen=True, slots=True)
class Downward:
    """What a wide fisheye's picture says of looking straight down.

    Attributes
    ----------
    fit : Fit or None
        Upright edges that meet near the picture's middle; None where they don't carry an answer.
    roll_deg, roll_sd_deg : float or None
        None where the tilt is so small that its direction can't be told.
    pitch_deg, sd_deg : float
        -90 for plumb; the sd of the tilt.
    preferred : bool
        Whether the learned view prefers looking down to the answer that was found elsewhere.
    """

    fit: Fit | None
    roll_deg: float | None
    roll_sd_deg: float | None
    pitch_deg: float
    sd_deg: float
    preferred: bool


@lru_cache(maxsize=1)
def _cap() -> FloatArray:
    """Up directions of cameras that look down within the largest tilt sought, about 2 degrees apart, shape (M, 3)."""
    ups = [[0.0, 0.0, -1.0]]
    for tilt in np.arange(_STEP_DEG, constants()["nadir"]["most_tilt_deg"] + 1e-9, _STEP_DEG):
        # at least six directions about the plumb line
        around = max(6, round(2 * np.pi * np.sin(np.radians(tilt)) / np.radians(_STEP_DEG)))
        for angle in np.arange(around) * 2 * np.pi / around:
            side = np.sin(np.radians(tilt))
            ups.append([side * np.cos(angle), side * np.sin(angle), -np.cos(np.radians(tilt))])
    return np.array(ups)


def may_look_down(lens: Lens) -> bool:
    """Whether a lens is wide enough to see upright edges all round while it looks straight down."""
    return lens.projection == "equidistant" and lens.hfov_deg >= constants()["nadir"]["least_hfov_deg"]


def downward(evidence: Evidence) -> Downward:
    """Where upright edges meet near the picture's middle, and whether that is likelier than ``evidence``."""
    table = constants()["nadir"]
    ups = _cap()
    votes = vote(evidence.edges, ups, np.radians(_STEP_DEG / 2))
    fit = fit_directions(evidence.edges, ups[int(np.argmax(votes))])
    weight = np.exp(constants()["edges"]["choice_upright"] * (votes - votes.max()))
    angle = np.degrees(np.arccos(np.clip(ups @ fit.up, -1.0, 1.0)))
    spread = float(np.sqrt((weight * angle**2).sum() / weight.sum()))
    found = up_in_camera(evidence.roll_deg, evidence.pitch_deg)[None]
    learned = sum((cue.log_likelihood(np.concatenate([found, fit.up[None], ups])) for cue in evidence.cues),
                  np.zeros(len(ups) + 2))  # fmt: skip
    tilt = float(np.degrees(np.arccos(np.clip(-fit.up[2], -1.0, 1.0))))
    sd = float(np.hypot(table["floor_deg"], table["curvature"] * _curvature_deg(fit)))
    carried = (
        tilt <= table["most_tilt_deg"]
        and float(fit.upright.sum()) >= table["least_uprights"]
        and fit.standing_out >= table["least_standing_out"]
        and fit.scatter <= table["most_scatter"]
        and spread <= table["most_spread_deg"]
        and learned[1] - learned[0] > -table["most_against"]
    )
    roll, pitch = roll_pitch_from_up(fit.up)
    # keeps a divisor or a logarithm from 0
    roll_sd = sd / max(float(np.sin(np.radians(tilt))), 1e-3)
    told = roll_sd <= constants()["answer"]["most_sd_deg"]
    preferred = bool(learned[2:].max() - learned[0] > table["most_against"]) and evidence.pitch_deg > -table["steep_deg"]
    return Downward(
        fit if carried else None, roll if told else None, roll_sd if told else None, pitch, sd, preferred
    )


def _curvature_deg(fit: Fit) -> float:
    """Scatter of the fit along its worse direction by its curvature."""
    least = np.linalg.eigvalsh(constants()["edges"]["temper"] * fit.information)[0]
    # keeps a divisor or a logarithm from 0
    return float(np.degrees(1 / np.sqrt(max(float(least), 1e-4))))
