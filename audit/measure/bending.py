"""How far a lens may bend straight lines, and what that does to the answer.

Nobody knows a camera's radial term, and cheap wide lenses reach k1 = -0.35. Bending looks like a change of tilt wherever
the upright edges stand on one side of the picture's middle: they lean by about 2 k1 y more, y in focal lengths. So the
term floats: straight edges that should meet squarely tell it where there are enough of them, and where they don't, what
it may do to the answer stays in the scatter.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from audit.frames import roll_pitch_from_up
from audit.lens import Lens, least_k1
from audit.measure.constants import constants
from audit.measure.measurement import Orientation
from audit.measure.segments import Arcs, arcs
from audit.measure.squareness import square_gain
from audit.measure.up_direction import Evidence, Seen, lines_share
from audit.measure.vanishing import fit_directions, tangent_basis

__all__ = ["Bending", "as_it_may_bend", "may_bend", "weigh_bending"]

FloatArray = NDArray[np.float64]

_FRACTIONS = (0.0, 0.12, 0.4, 1.0)
"""Radial terms that are tried, by the strongest one that the lens allows."""
_CORNER_BEND = 0.29
"""Strongest bend in the corner, k1 r^2; a third folds the picture."""
_EDGES = 200
_NO_EFFECT_DEG = 0.08
_FINE = 41
_SHORT_OF_FOLDING = 0.9
"""Share of the term that folds the picture's corners: every pixel stays a direction."""


@dataclass(frozen=True, slots=True)
class Bending:
    """What the unknown radial term does.

    Attributes
    ----------
    k1 : float
        Likeliest radial term by which the answer stands; 0 where nothing speaks for one.
    roll_sd_deg, pitch_sd_deg : float
        What its scatter about that does to roll and pitch.
    mean, sd : float or None
        Of the radial term by its chances; None for a lens whose term was given.
    """

    k1: float = 0.0
    roll_sd_deg: float = 0.0
    pitch_sd_deg: float = 0.0
    mean: float | None = None
    sd: float | None = None


def may_bend(lens: Lens) -> bool:
    """Whether the lens's bending is unknown: no radial term was given and straight lines should stay straight."""
    return lens.projection == "rectilinear" and lens.k1 == 0.0 and lens.k2 == 0.0


def weigh_bending(seen: Seen, lens: Lens, evidence: Evidence) -> Bending:
    """The likeliest radial term of a lens without one, and what its scatter does to the answer.

    Parameters
    ----------
    seen : Seen
    lens : Lens
        For which :func:`may_bend` holds.
    evidence : Evidence
        The answer through the lens as it is.
    """
    table = constants()["bending"]
    terms = -_strongest(lens) * np.array(_FRACTIONS)
    through = [_edges(seen, lens, float(k1)) for k1 in terms]
    ups = _moved(through, evidence)
    moves = np.array([roll_pitch_from_up(up) for up in ups]) - np.array(roll_pitch_from_up(ups[0]))
    gains = np.array([_gain(edges, up) for edges, up in zip(through, ups, strict=True)])
    fine, weight = _beforehand(lens)
    # Rows run from the straight lens to the most bent one; interpolation wants rising places.
    log_gain = PchipInterpolator(-terms, gains)(-fine)
    weight *= np.exp(log_gain - log_gain.max())
    weight /= weight.sum()
    mean, sd = _moments(fine, weight)
    if float(np.abs(moves).max(initial=0.0)) < _NO_EFFECT_DEG:
        return Bending(mean=mean, sd=sd)
    likeliest = mean if weight[0] < table["decided"] else 0.0
    moved = np.stack([np.interp(-fine, -terms, moves[:, k]) for k in (0, 1)], axis=1)
    kept = np.array([np.interp(-likeliest, -fine, moved[:, k]) for k in (0, 1)])
    roll_sd, pitch_sd = np.sqrt(weight @ (moved - kept) ** 2)
    return Bending(likeliest, float(roll_sd), float(pitch_sd), mean, sd)


def as_it_may_bend(lens: Lens, told: Orientation | None) -> tuple[Lens, float]:
    """A plan's lens with the radial term that a picture's edges tell, and that term's sd.

    Where they told nothing, or no picture was asked, it is the mean and sd of what such lenses have. A term that the plan
    gives, and a fisheye's projection, are believed: sd 0.
    """
    if not may_bend(lens):
        return lens, 0.0
    mean, sd = (None, None) if told is None else (told.k1, told.k1_sd)
    if mean is None or sd is None:
        mean, sd = _moments(*_beforehand(lens))
    return replace(lens, k1=max(mean, _SHORT_OF_FOLDING * least_k1(lens))), sd


def _strongest(lens: Lens) -> float:
    """Size of the strongest term that such a lens may have: none folds its own picture."""
    corner = float(np.hypot(lens.width_px, lens.height_px)) / 2 / lens.focal_px
    return float(min(constants()["bending"]["most"], _CORNER_BEND / corner**2))


def _beforehand(lens: Lens) -> tuple[FloatArray, FloatArray]:
    """Radial terms from 0 to the strongest, and the chance of each before anything was seen, (_FINE,) each."""
    table = constants()["bending"]
    fine = np.linspace(0.0, -_strongest(lens), _FINE)
    tail = np.exp(-0.5 * (fine / table["sd"]) ** 2)
    weight = (1 - table["straight"]) * tail / tail.sum()
    weight[0] += table["straight"]
    return fine, weight


def _moments(terms: FloatArray, weight: FloatArray) -> tuple[float, float]:
    mean = float(weight @ terms)
    return mean, float(np.sqrt(weight @ (terms - mean) ** 2))


def _edges(seen: Seen, lens: Lens, k1: float) -> Arcs:
    table = constants()["edges"]
    return arcs(seen.segments_px[:_EDGES], replace(lens, k1=k1), seen.scale, table["endpoint_px"], np.radians(table["floor_deg"]))


def _gain(edges: Arcs, up: FloatArray) -> float:
    """How well edges fit uprights and square level directions, as log likelihood."""
    fit = fit_directions(edges, up, steps=3)
    return constants()["bending"]["upright"] * fit.upright_gain + constants()["bending"]["square"] * square_gain(edges, fit.up)


def _moved(through: list[Arcs], evidence: Evidence) -> list[FloatArray]:
    """Up directions (3,) through the lenses tried, the straight one first, with the upright edges held.

    The uprights' own vanishing point moves; the answer follows by their share in it.
    """
    upright = evidence.fit.upright[: len(through[0])]
    share = lines_share(evidence)
    basis = tangent_basis(evidence.fit.up)
    steps: list[FloatArray] = []
    for edges in through:
        if len(edges) != len(upright):
            steps.append(steps[-1])
            continue
        weight = upright / edges.sd_rad**2
        scatter = basis @ (edges.normal * weight[:, None]).T @ edges.normal @ basis.T
        slope = basis @ (edges.normal * weight[:, None]).T @ (edges.normal @ evidence.fit.up)
        steps.append(np.asarray(-np.linalg.solve(scatter + np.eye(2), slope), dtype=np.float64))
    ups = []
    for step in steps:
        # a lens bends the answer by no more than this, radians
        up = evidence.fit.up + np.clip(share @ (step - steps[0]), -0.3, 0.3) @ basis
        ups.append(up / np.linalg.norm(up))
    return ups
