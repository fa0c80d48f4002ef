"""The likeliest up direction of an image through a known lens, with its rivals.

Straight edges and the learned view each give a log likelihood of the up direction in camera coordinates. They are
added on a coarse grid of roll and pitch, and the best few maxima are climbed with all cues together. Nothing
planned enters.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray

from audit.frames import roll_pitch_from_up, up_in_camera
from audit.lens import Lens
from audit.measure.learned_view import LearnedCue, NetworkView, learned_cue
from audit.measure.segments import Arcs, arcs
from audit.measure.vanishing import Fit, Quadratic, fit_directions, tangent_basis, vote

__all__ = ["Evidence", "climb", "constants", "cues_through", "solve"]

FloatArray = NDArray[np.float64]

_STEP_DEG = 2.5
_CLIMBS = 5


@lru_cache(maxsize=1)
def constants() -> dict[str, dict[str, float]]:
    """Measured constants of ``orientation.toml``, section by section."""
    text = files("audit.measure").joinpath("orientation.toml").read_text(encoding="utf-8")
    return {section: {name: float(value) for name, value in table.items()}
            for section, table in tomllib.loads(text).items()}


@lru_cache(maxsize=1)
def _grid() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Coarse hypotheses: roll (R,), pitch (P,) in degrees and up vectors (R * P, 3)."""
    roll = np.arange(-45.0, 45.0 + 1e-9, _STEP_DEG)
    pitch = np.arange(-85.0, 50.0 + 1e-9, _STEP_DEG)
    ups = np.array([up_in_camera(r, p) for r in roll for p in pitch])
    return roll, pitch, ups


def _log_prior(roll_deg: FloatArray, pitch_deg: FloatArray) -> FloatArray:
    table = constants()["prior"]
    beyond = np.maximum(np.maximum(table["pitch_low_deg"] - pitch_deg, pitch_deg - table["pitch_high_deg"]), 0.0)
    wild = np.maximum(np.abs(roll_deg) - table["most_roll_deg"], 0.0) ** 2
    wild += np.maximum(pitch_deg - table["most_pitch_deg"], 0.0) ** 2
    return np.asarray(-0.5 * (beyond / table["pitch_sd_deg"]) ** 2 - 0.5 * wild / table["wild_sd_deg"] ** 2
                      - 2.5 * np.log1p((roll_deg / table["roll_sd_deg"]) ** 2 / 4))


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
        Chi-square (two degrees of freedom) between the edges' and the network's own answers near here; 0 without
        network.
    """

    roll_deg: float
    pitch_deg: float
    score: float
    lead: float
    covariance_deg2: FloatArray
    fit: Fit
    edges: Arcs
    disagreement: float = 0.0


def cues_through(lens: Lens, segments_px: FloatArray, scale: float,
                 network: NetworkView | None) -> tuple[Arcs, LearnedCue | None]:
    """Segments and the learned view as cues of the up direction through a lens."""
    table = constants()
    edges = arcs(segments_px, lens, scale, table["edges"]["endpoint_px"], np.radians(table["edges"]["floor_deg"]))
    cue = None if network is None else learned_cue(network, lens, table["network"]["independent_cells"])
    return edges, cue


def solve(segments_px: FloatArray, scale: float, lens: Lens, network: NetworkView | None) -> Evidence:
    """Best up direction of segments and the learned view through a lens.

    Parameters
    ----------
    segments_px : ndarray, shape (N, 4)
    scale : float
        Detection size over image size, as :func:`audit.measure.segments.find_segments` gives it.
    lens : Lens
    network : NetworkView or None
    """
    table = constants()
    edges, cue = cues_through(lens, segments_px, scale, network)
    temper = table["edges"]["temper"]
    roll, pitch, ups = _grid()
    total = table["edges"]["choice_upright"] * vote(edges, ups, np.radians(_STEP_DEG / 2))
    total += _log_prior(np.repeat(roll, pitch.size), np.tile(pitch, roll.size))
    if cue is not None:
        total += cue.log_likelihood(ups)
    starts = [ups[index] for index in _peaks(total.reshape(roll.size, pitch.size), _CLIMBS)]
    climbed = [climb(edges, cue, start, temper) for start in starts]
    scores = [score for _, score in climbed]
    best = int(np.argmax(scores))
    fit = climbed[best][0]
    apart = [np.degrees(np.arccos(np.clip(fit.up @ other.up, -1, 1))) > table["answer"]["rival_deg"]
             for other, _ in climbed]
    rivals = [score for score, far in zip(scores, apart, strict=True) if far]
    lead = scores[best] - max(rivals) if rivals else float("inf")
    roll_deg, pitch_deg = roll_pitch_from_up(fit.up)
    information, disagreement = _information(fit, cue, temper)
    covariance = _covariance_deg2(fit.up, information)
    return Evidence(roll_deg, pitch_deg, scores[best], lead, covariance, fit, edges, disagreement)


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


def climb(edges: Arcs, cue: LearnedCue | None, start: FloatArray, temper: float) -> tuple[Fit, float]:
    """Nearest maximum of all cues together from a start, and its score (log likelihood with the prior)."""
    extra = None
    up = start
    if cue is not None:
        up = _climb_alone(cue, up, 1)
        extra = _scaled(cue.quadratic(up), 1 / temper)
        fit = fit_directions(edges, up, steps=4, extra=extra)
        extra = _scaled(cue.quadratic(fit.up), 1 / temper)
        fit = fit_directions(edges, fit.up, steps=4, extra=extra)
        if len(edges) == 0:
            fit = replace(fit, up=_climb_alone(cue, fit.up, 6))
    else:
        fit = fit_directions(edges, up, steps=8)
    roll, pitch = roll_pitch_from_up(fit.up)
    table = constants()["edges"]
    score = table["choice_upright"] * fit.upright_gain + table["choice_level"] * fit.level_gain
    score += float(_log_prior(np.array(roll), np.array(pitch)))
    if cue is not None:
        score += float(cue.log_likelihood(fit.up[None])[0])
    return fit, score


def _climb_alone(cue: LearnedCue, up: FloatArray, steps: int) -> FloatArray:
    for _ in range(steps):
        local = cue.quadratic(up)
        basis = tangent_basis(up)
        curvature = basis @ local.information @ basis.T + 1e-6 * np.eye(2)
        move = np.clip(np.linalg.solve(curvature, basis @ local.gradient), -0.1, 0.1)
        up = up + move @ basis
        up = up / np.linalg.norm(up)
    return up


def _scaled(local: Quadratic, factor: float) -> Quadratic:
    return Quadratic(local.at, local.gradient * factor, local.information * factor)


def _information(fit: Fit, cue: LearnedCue | None, temper: float) -> tuple[FloatArray, float]:
    """Curvature of all cues along the tangent basis at the fit, and the cues' disagreement (chi-square)."""
    lines = fit.information * temper
    if cue is None:
        return lines, 0.0
    basis = tangent_basis(fit.up)
    local = cue.quadratic(fit.up)
    seen = basis @ local.information @ basis.T
    guard = 1e-6 * np.eye(2)
    # Each cue alone would move the answer by its own slope over its own curvature.
    gap = np.linalg.solve(lines + guard, fit.gradient * temper) - np.linalg.solve(seen + guard,
                                                                                   basis @ local.gradient)
    spread = np.linalg.inv(lines + guard) + np.linalg.inv(seen + guard)
    return lines + seen, float(gap @ np.linalg.solve(spread, gap))


def _covariance_deg2(up: FloatArray, information: FloatArray) -> FloatArray:
    """Covariance of (roll, pitch) in square degrees from a curvature along the tangent basis of ``up``."""
    basis = tangent_basis(up)
    covariance = np.linalg.inv(information + 1e-3 * np.eye(2))
    roll, pitch = np.radians(roll_pitch_from_up(up))
    by_roll = np.array([-np.cos(roll), np.sin(roll), 0.0])
    by_pitch = np.array([np.sin(roll) * np.sin(pitch), np.cos(roll) * np.sin(pitch), np.cos(pitch)])
    rows = np.stack([basis @ by_roll / max(np.cos(pitch), 0.05), basis @ by_pitch])
    return np.asarray(rows @ covariance @ rows.T * np.degrees(1.0) ** 2)
