"""The likeliest up direction of an image through a known lens, with its rivals.

Straight edges, the learned view and an open horizon each give a log likelihood of the up direction in camera coordinates. They are
added on a coarse grid of roll and pitch, and the best few maxima are climbed with all cues together. Nothing
planned enters.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from audit.frames import roll_pitch_from_up, up_in_camera
from audit.lens import Lens
from audit.measure.constants import constants
from audit.measure.horizon import HorizonCue, HorizonLimits, open_horizon
from audit.measure.learned_view import LearnedCue, NetworkView, learned_cue
from audit.measure.segments import Arcs, arcs
from audit.measure.vanishing import Fit, Quadratic, fit_directions, tangent_basis, vote

__all__ = ["Cue", "Evidence", "Seen", "climb", "cues_through", "lines_share", "solve"]

FloatArray = NDArray[np.float64]

_STEP_DEG = 3.0
_CLIMBS = 5
_WRONG_DEG = 5.0
_CHOOSING_EDGES = 250
"""Edges that competing directions are compared with; the winner is fitted to all."""
_QUICK_CLIMBS, _QUICK_EDGES = 2, 250


@lru_cache(maxsize=1)
def _grid() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Coarse hypotheses: roll (R,), pitch (P,) in degrees and up vectors (R * P, 3)."""
    roll = np.arange(-36.0, 36.0 + 1e-9, _STEP_DEG)
    pitch = np.arange(-84.0, 48.0 + 1e-9, _STEP_DEG)
    ups = np.array([up_in_camera(r, p) for r in roll for p in pitch])
    return roll, pitch, ups


def _log_prior(roll_deg: FloatArray, pitch_deg: FloatArray) -> FloatArray:
    table = constants()["prior"]
    beyond = np.maximum(np.maximum(table["pitch_low_deg"] - pitch_deg, pitch_deg - table["pitch_high_deg"]), 0.0)
    wild = np.maximum(np.abs(roll_deg) - table["most_roll_deg"], 0.0) ** 2
    wild += np.maximum(pitch_deg - table["most_pitch_deg"], 0.0) ** 2
    return np.asarray(-0.5 * (beyond / table["pitch_sd_deg"]) ** 2 - 0.5 * wild / table["wild_sd_deg"] ** 2
                      # a Student bell with 4 degrees of freedom
                      - 2.5 * np.log1p((roll_deg / table["roll_sd_deg"]) ** 2 / 4))


class Cue(Protocol):
    """A log likelihood of the up direction, and its second order about a direction."""

    def log_likelihood(self, ups: FloatArray) -> FloatArray: ...

    def quadratic(self, up: FloatArray) -> Quadratic: ...


@dataclass(frozen=True, slots=True)
class Seen:
    """What the pixels gave, before any lens.

    Attributes
    ----------
    segments_px : ndarray, shape (N, 4)
    scale : float
        Detection size over image size, as :func:`audit.measure.segments.find_segments` gives it.
    network : NetworkView or None
    grey : ndarray of uint8, shape (H, W), or None
        Sharpens the sky's edge; None leaves the open horizon out.
    """

    segments_px: FloatArray
    scale: float
    network: NetworkView | None = None
    grey: NDArray[np.uint8] | None = None


@dataclass(frozen=True, slots=True)
class Evidence:
    """One maximum of the joint log likelihood.

    Attributes
    ----------
    roll_deg, pitch_deg : float
    score : float
        Joint log likelihood with the prior, up to a constant of the image.
    lead : float
        Score above the best maximum farther away than ``rival_deg``; infinite where there is none.
    covariance_deg2 : ndarray, shape (2, 2)
        Of (roll, pitch) from the curvature alone.
    fit : Fit
        The straight edges' part.
    edges : Arcs
    disagreement : float
        Chi-square (two degrees of freedom) between the edges' and the other cues' own answers near here; 0 without
        other cues.
    open_horizon : bool
        Whether a straight skyline carries the answer.
    learned_sd_deg : float or None
        Scatter of the learned view's own answer here, the worse of its two directions; None without network.
    learned_gain : float
        The learned view's part of the score; comparable between lenses.
    spread_deg : float
        Root mean square angle of all hypotheses about the answer, by their likelihood.
    beyond : float
        Share of the hypotheses more than 5 degrees away, by their likelihood.
    cues : tuple of Cue
        What spoke beside the edges.
    """

    roll_deg: float
    pitch_deg: float
    score: float
    lead: float
    covariance_deg2: FloatArray
    fit: Fit
    edges: Arcs
    disagreement: float = 0.0
    open_horizon: bool = False
    learned_sd_deg: float | None = None
    learned_gain: float = 0.0
    spread_deg: float = 0.0
    beyond: float = 0.0
    cues: tuple[Cue, ...] = ()


def cues_through(lens: Lens, seen: Seen) -> tuple[Arcs, tuple[Cue, ...]]:
    """What was seen as cues of the up direction through a lens: edges, and the rest."""
    table = constants()
    edges = arcs(seen.segments_px, lens, seen.scale, table["edges"]["endpoint_px"],
                 np.radians(table["edges"]["floor_deg"]))
    cues: list[Cue] = []
    if seen.network is not None:
        # A picture unlike the network's training counts for less.
        worth = seen.network.familiar
        learned = learned_cue(seen.network, lens, worth * table["network"]["up_cells"],
                              worth * table["network"]["latitude_cells"])
        if learned is not None:
            cues.append(learned)
    if seen.network is not None and seen.grey is not None:
        limits = table["horizon"]
        horizon = open_horizon(seen.network.sky_logit, seen.grey, lens, HorizonLimits(
            sd_rad=np.radians(limits["sd_deg"]), chance=limits["chance"], straight_rad=np.radians(limits["straight_deg"]),
            least_share=limits["least_share"]))
        if horizon is not None:
            cues.append(horizon)
    return edges, tuple(cues)


def solve(seen: Seen, lens: Lens, quick: bool = False) -> Evidence:
    """Best up direction of all cues through a lens; ``quick`` climbs less and fits the longest edges alone."""
    table = constants()
    edges, cues = cues_through(lens, seen)
    pull, temper = table["edges"]["pull"], table["edges"]["temper"]
    roll, pitch, ups = _grid()
    total = table["edges"]["choice_upright"] * vote(edges, ups, np.radians(_STEP_DEG / 2))
    total += _log_prior(np.repeat(roll, pitch.size), np.tile(pitch, roll.size))
    for cue in cues:
        total += cue.log_likelihood(ups)
    starts = [ups[index] for index in _peaks(total.reshape(roll.size, pitch.size), _QUICK_CLIMBS if quick else _CLIMBS)]
    horizon = next((cue for cue in cues if isinstance(cue, HorizonCue)), None)
    if horizon is not None:
        starts.append(horizon.up)
    few = edges.longest(_QUICK_EDGES if quick else _CHOOSING_EDGES)
    edges = few if quick else edges
    climbed = [climb(few, cues, start, pull, 2 if cues else 3) for start in starts]
    scores = [score for _, score in climbed]
    best = int(np.argmax(scores))
    fit = climbed[best][0]
    apart = [np.degrees(np.arccos(np.clip(fit.up @ other.up, -1, 1))) > table["answer"]["rival_deg"]
             for other, _ in climbed]
    rivals = [score for score, far in zip(scores, apart, strict=True) if far]
    lead = scores[best] - max(rivals) if rivals else float("inf")
    if not quick:
        fit, _ = climb(edges, cues, fit.up, pull, 3)
    spread, beyond = _dispersion(total, pitch, roll.size, ups, fit.up)
    roll_deg, pitch_deg = roll_pitch_from_up(fit.up)
    information, disagreement = _information(fit, cues, temper)
    covariance = _covariance_deg2(fit.up, information)
    carried = horizon is not None and float(np.linalg.norm(horizon.up - fit.up)) < 2 * horizon.sd_rad
    learned = next((cue for cue in cues if isinstance(cue, LearnedCue)), None)
    return Evidence(roll_deg, pitch_deg, scores[best], lead, covariance, fit, edges, disagreement, carried,
                    None if learned is None else _own_sd_deg(learned, fit.up),
                    0.0 if learned is None else float(learned.log_likelihood(fit.up[None])[0]), spread, beyond, cues)


def _dispersion(total: FloatArray, pitch_deg: FloatArray, rolls: int, ups: FloatArray,
                up: FloatArray) -> tuple[float, float]:
    """Root mean square angle of the coarse hypotheses about an answer in degrees, and their share beyond 5 degrees.

    Unlike the curvature this sees rivals and flat tops; it cannot fall below the grid's own step.
    """
    weight = np.exp(total - total.max()) * np.tile(np.cos(np.radians(pitch_deg)), rolls)
    weight /= weight.sum()
    angle = np.degrees(np.arccos(np.clip(ups @ up, -1.0, 1.0)))
    return float(np.sqrt(weight @ angle**2)), float(weight[angle > _WRONG_DEG].sum())


def _own_sd_deg(cue: LearnedCue, up: FloatArray) -> float:
    """Scatter of a cue's own answer along its worse direction, degrees."""
    basis = tangent_basis(up)
    least = np.linalg.eigvalsh(basis @ cue.quadratic(up).information @ basis.T)[0]
    # keeps a divisor or a logarithm from 0
    return float(np.degrees(1 / np.sqrt(max(least, 1e-4))))


def _peaks(surface: FloatArray, most: int) -> list[int]:
    """Flat indices of the highest local maxima of a grid."""
    padded = np.pad(surface, 1, constant_values=-np.inf)
    top = np.full_like(surface, -np.inf)
    rows, columns = surface.shape
    for i in (0, 1, 2):
        for j in (0, 1, 2):
            if (i, j) != (1, 1):
                np.maximum(top, padded[i:i + rows, j:j + columns], out=top)
    at = np.flatnonzero((surface >= top).ravel())
    return [int(index) for index in at[np.argsort(-surface.ravel()[at], kind="stable")][:most]]


def climb(edges: Arcs, cues: tuple[Cue, ...], start: FloatArray, temper: float, rounds: int) -> tuple[Fit, float]:
    """Nearest maximum of all cues together from a start, and its score (log likelihood with the prior).

    Each round takes the cues other than edges to second order once.
    """
    if not cues:
        fit = fit_directions(edges, start, steps=3 * rounds)
    else:
        fit = fit_directions(edges, _climb_alone(cues, start, 1), steps=3, extra=_together(cues, start, temper))
        for _ in range(rounds - 1):
            fit = fit_directions(edges, fit.up, steps=3, extra=_together(cues, fit.up, temper))
        if len(edges) == 0:
            # steps until nothing moves
            fit = replace(fit, up=_climb_alone(cues, fit.up, 6))
    roll, pitch = roll_pitch_from_up(fit.up)
    table = constants()["edges"]
    score = table["choice_upright"] * fit.upright_gain + table["choice_level"] * fit.level_gain
    score += float(_log_prior(np.array(roll), np.array(pitch)))
    return fit, score + sum(float(cue.log_likelihood(fit.up[None])[0]) for cue in cues)


def _climb_alone(cues: tuple[Cue, ...], up: FloatArray, steps: int) -> FloatArray:
    """Newton steps on the cues other than edges."""
    for _ in range(steps):
        local = _together(cues, up, 1.0)
        basis = tangent_basis(up)
        curvature = basis @ local.information @ basis.T + 1e-6 * np.eye(2)
        # no step is larger, radians
        move = np.clip(np.linalg.solve(curvature, basis @ local.gradient), -0.1, 0.1)
        up = up + move @ basis
        up = up / np.linalg.norm(up)
    return up


def _together(cues: tuple[Cue, ...], up: FloatArray, temper: float) -> Quadratic:
    """Sum of the cues' second orders, on the scale of untempered edges."""
    parts = [cue.quadratic(up) for cue in cues]
    return Quadratic(up, np.sum([part.gradient for part in parts], axis=0) / temper,
                     np.sum([part.information for part in parts], axis=0) / temper)


def _belief_in_uprights(fit: Fit) -> float:
    """Share of the upright edges' information that counts for the scatter, by how far they stand out of clutter.

    Measured: edges of buildings gain 1.2 to 2.1 in log likelihood each (quartiles of held-out places), chance
    uprights in leaves and grass 0 to 0.8.
    """
    table = constants()["edges"]
    low, high = table["clutter_gain"], table["building_gain"]
    # edges of clutter still count a little
    return float(np.clip((fit.standing_out - low) / (high - low), 0.03, 1.0))


def _information(fit: Fit, cues: tuple[Cue, ...], temper: float) -> tuple[FloatArray, float]:
    """Curvature of all cues along the tangent basis at the fit, and the cues' disagreement (chi-square)."""
    lines = fit.information * (temper * _belief_in_uprights(fit))
    if not cues:
        return lines, 0.0
    basis = tangent_basis(fit.up)
    local = _together(cues, fit.up, 1.0)
    seen = basis @ local.information @ basis.T
    guard = 1e-6 * np.eye(2)
    # Each cue alone would move the answer by its own slope over its own curvature.
    gap = np.linalg.solve(lines + guard, fit.gradient * temper) - np.linalg.solve(seen + guard,
                                                                                   basis @ local.gradient)
    spread = np.linalg.inv(lines + guard) + np.linalg.inv(seen + guard)
    return lines + seen, float(gap @ np.linalg.solve(spread, gap))


def lines_share(evidence: Evidence) -> FloatArray:
    """How far the answer follows a move of the upright edges' own vanishing point, (2, 2) along the tangent basis."""
    lines = evidence.fit.information
    if not evidence.cues:
        return np.eye(2)
    basis = tangent_basis(evidence.fit.up)
    rest = basis @ _together(evidence.cues, evidence.fit.up, constants()["edges"]["pull"]).information @ basis.T
    # keeps a divisor or a logarithm from 0
    return np.asarray(np.linalg.solve(lines + rest + 1e-3 * np.eye(2), lines))


def _covariance_deg2(up: FloatArray, information: FloatArray) -> FloatArray:
    """Covariance of (roll, pitch) in square degrees from a curvature along the tangent basis of ``up``."""
    basis = tangent_basis(up)
    # keeps a divisor or a logarithm from 0
    covariance = np.linalg.inv(information + 1e-3 * np.eye(2))
    roll, pitch = np.radians(roll_pitch_from_up(up))
    by_roll = np.array([-np.cos(roll), np.sin(roll), 0.0])
    by_pitch = np.array([np.sin(roll) * np.sin(pitch), np.cos(roll) * np.sin(pitch), np.cos(pitch)])
    # near the plumb line roll is one turn with the bearing
    rows = np.stack([basis @ by_roll / max(np.cos(pitch), 0.05), basis @ by_pitch])
    return np.asarray(rows @ covariance @ rows.T * np.degrees(1.0) ** 2)
