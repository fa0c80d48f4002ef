"""Up direction from straight edges: a vote over the sphere, then maximum likelihood.

Edges of built things are mostly upright or level. An upright edge's plane contains the up direction; level edges'
planes meet the horizon in few directions (two at right angles in most buildings, any number in a town). Both are
components of one mixture whose last component takes everything else:

``p(edge) = w_up t(angle to up) + sum_k w_k t(angle to level direction k) + w_rest / pi``

with ``t`` a Student density of the edge's own scatter. The angle of an edge to a direction is measured at the edge's
middle on the viewing sphere, so that any lens serves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audit.measure.segments import Arcs

__all__ = ["Fit", "Quadratic", "fit_directions", "residual_rad", "student", "tangent_basis", "vote"]

FloatArray = NDArray[np.float64]

LEVEL_WEIGHT = 0.1
"""Share that a level edge counts against an upright one for the place of up: many a level edge is a gutter, a ramp or
a shadow. Measured on views of places of known vertical: with 1 the pitch's own sd is three times too small."""

_DEGREES_OF_FREEDOM = 4.0
_BLUR = np.array([0.15, 0.4, 0.8, 1.0, 0.8, 0.4, 0.15])
_SCALE_PRIOR = 8.0
"""Edges' worth of belief that uprights scatter as measured on buildings; trees and poles scatter up to ..."""
_MOST_SCALE = 2.5
"""... this many times as much, and never less than this."""
_LEAST_SCALE = 0.7
_FIRST_LOOK_DEG, _FIRST_UPRIGHT = 1.0, 0.35
"""Added to the scatter, and the share of uprights, when edges are first told upright from free (chosen: the start is coarse)."""
_FIRST_SHARES = (0.3, 0.3, 0.4)
"""Of uprights, of all level directions, and of the rest, to start from (chosen)."""
_DAMPING, _RELATIVE_DAMPING, _LARGEST_STEP_RAD = 1e-3, 1e-9, 0.05
"""Of the Gauss-Newton steps: added to the matrix's diagonal, alone and by its trace; and the largest step (chosen)."""
_LEVEL_BINS, _LEAST_PEAK, _PEAK_BINS = 180, 0.06, 7
"""Bins of the half circle in which level directions are looked for, the least share of a peak, and bins about it that are its own."""
_LONGEST_LEVEL_PX, _LEAST_CROSSING = 120.0, 0.02
"""Longer level edges count no more than this; edges nearly along the horizon, by this sine, cross it nowhere in particular."""
_STUDENT_PEAK = 0.375
"""Of the Student density with 4 degrees of freedom: 3/8."""
_UPRIGHT_SHARE, _USUAL_LENGTH_PX = 0.2, 40.0
"""Edges taken to be upright before looking, and the length at which one counts once in the vote."""
_MIN_SINE = 0.09
"""An edge whose middle lies within 5 degrees of a direction says nothing about it."""


@dataclass(frozen=True, slots=True)
class Quadratic:
    """A log likelihood of the up direction to second order about ``at``.

    Attributes
    ----------
    at : ndarray, shape (3,)
    gradient : ndarray, shape (3,)
        Slope at ``at``.
    information : ndarray, shape (3, 3)
        Minus the curvature.
    """

    at: FloatArray
    gradient: FloatArray
    information: FloatArray

    def slope_at(self, up: FloatArray) -> FloatArray:
        """Slope at another direction near ``at``, shape (3,)."""
        return self.gradient - self.information @ (up - self.at)


@dataclass(frozen=True, slots=True)
class Fit:
    """Maximum of the mixture near one up direction.

    Attributes
    ----------
    up : ndarray, shape (3,)
        Unit up direction in camera coordinates.
    level : ndarray, shape (K, 3)
        Unit level directions found with it.
    information : ndarray, shape (2, 2)
        Curvature of the log likelihood along :func:`tangent_basis` of ``up``, level directions profiled out.
    gradient : ndarray, shape (2,)
        Its slope there.
    upright_gain, level_gain : float
        Log likelihood of upright edges against everything being clutter, and what level directions add to it.
    upright : ndarray, shape (N,)
        Probability of each edge to be upright.
    levelled : ndarray, shape (N,)
        Probability of each edge to run in one of the level directions.
    scatter : float
        Scatter of the upright edges over the scatter that buildings have.
    """

    up: FloatArray
    level: FloatArray
    information: FloatArray
    gradient: FloatArray
    upright_gain: float
    level_gain: float
    upright: FloatArray
    levelled: FloatArray
    scatter: float = 1.0

    @property
    def standing_out(self) -> float:
        """Gain in log likelihood of each upright edge: how far uprights stand out of clutter."""
        return max(self.upright_gain, 0.0) / max(float(self.upright.sum()), 1.0)


def tangent_basis(direction: FloatArray) -> FloatArray:
    """Two unit vectors that span the plane square to ``direction``, shape (2, 3)."""
    # beside the axis the vector is square to, so that the cross product does not vanish
    helper = np.array([1.0, 0.0, 0.0]) if abs(direction[0]) < 0.8 else np.array([0.0, 0.0, 1.0])
    first = helper - (helper @ direction) * direction
    first /= np.linalg.norm(first)
    return np.stack([first, _cross(direction, first)])


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    """Vector product of two vectors; numpy's own costs ten times as much for so few numbers."""
    (a0, a1, a2), (b0, b1, b2) = a.tolist(), b.tolist()
    return np.array([a1 * b2 - a2 * b1, a2 * b0 - a0 * b2, a0 * b1 - a1 * b0])


def _cross_matrix(b: FloatArray) -> FloatArray:
    """Matrix with ``a @ matrix == a x b``."""
    b0, b1, b2 = b.tolist()
    return np.array([[0.0, -b2, b1], [b2, 0.0, -b0], [-b1, b0, 0.0]])


def residual_rad(edges: Arcs, directions: FloatArray) -> FloatArray:
    """Sine of each edge's angle to each direction at the edge's middle.

    Parameters
    ----------
    directions : ndarray, shape (M, 3)

    Returns
    -------
    ndarray, shape (N, M)
        Signed; 1 (no bearing on it) where the edge's middle lies at the direction itself.
    """
    off = edges.normal @ directions.T
    along = edges.middle @ directions.T
    sine = np.sqrt(np.maximum(1.0 - along**2, 0.0))
    ratio = np.divide(off, sine, out=np.ones_like(off), where=sine > _MIN_SINE)
    return np.clip(ratio, -1.0, 1.0)


def student(x: FloatArray, sd: FloatArray) -> FloatArray:
    """Student density per radian with 4 degrees of freedom: 3/8 (1 + x^2 / 4)^(-5/2)."""
    # the Student density with 4 degrees of freedom
    return np.asarray(_STUDENT_PEAK / sd * (1.0 + (x / sd) ** 2 / _DEGREES_OF_FREEDOM) ** -2.5)


def vote(edges: Arcs, directions: FloatArray, blur_rad: float, most: int = 160) -> FloatArray:
    """Coarse log likelihood of up directions from upright edges alone, shape (M,).

    The scatter is widened by ``blur_rad``, half the spacing of ``directions``, so that no peak is missed; the longest
    ``most`` edges vote, each with the square root of its length.
    """
    if len(edges) == 0:
        return np.zeros(directions.shape[0])
    normal = edges.normal[:most].astype(np.float32)
    middle = edges.middle[:most].astype(np.float32)
    grid = directions.astype(np.float32).T
    off = np.square(normal @ grid)
    away = np.float32(1.0) - np.square(middle @ grid)
    np.maximum(away, np.float32(_MIN_SINE**2), out=away)
    off /= away
    variance = (edges.sd_rad[:most] ** 2 + blur_rad**2).astype(np.float32)[:, None]
    off /= variance * np.float32(_DEGREES_OF_FREEDOM)
    off += 1.0
    np.reciprocal(off, out=off)
    peak = np.float32(_UPRIGHT_SHARE * np.pi * _STUDENT_PEAK) / np.sqrt(variance)
    np.log(np.float32(1 - _UPRIGHT_SHARE) + peak * off * off * np.sqrt(off), out=off)
    weight = np.sqrt(np.clip(edges.length_px[:most] / _USUAL_LENGTH_PX, 0.1, 10.0)).astype(np.float32)
    return np.asarray(weight @ off, dtype=np.float64)


def _level_directions(edges: Arcs, up: FloatArray, free: FloatArray, most: int) -> FloatArray:
    """Strongest level directions of the edges not taken as upright, shape (K, 3)."""
    basis = tangent_basis(up)
    crossing = edges.normal @ _cross_matrix(up)
    size = np.linalg.norm(crossing, axis=1)
    azimuth = np.arctan2(crossing @ basis[1], crossing @ basis[0]) % np.pi
    level = crossing / np.maximum(size, 1e-9)[:, None]
    away = 1.0 - np.einsum("ij,ij->i", edges.middle, level) ** 2
    # An edge parallel to the horizon and close to it crosses it at a badly known azimuth.
    sharp = edges.sd_rad * np.sqrt(np.maximum(away, 1e-6)) / np.maximum(size, _LEAST_CROSSING)
    weight = free * np.minimum(edges.length_px, _LONGEST_LEVEL_PX) / (1.0 + np.degrees(sharp))
    bins = _LEVEL_BINS
    at = (azimuth * bins / np.pi).astype(int) % bins
    histogram: FloatArray = np.bincount(at, weights=weight, minlength=bins).astype(np.float64)
    around = np.concatenate([histogram[-3:], histogram, histogram[:3]])
    smooth = np.convolve(around, _BLUR, mode="valid")
    chosen: list[float] = []
    total = weight.sum()
    for _ in range(most):
        best = int(np.argmax(smooth))
        if total <= 0 or smooth[best] < _LEAST_PEAK * total:
            break
        chosen.append((best + 0.5) * np.pi / bins)
        smooth[(best + np.arange(-_PEAK_BINS, _PEAK_BINS + 1)) % bins] = 0.0
    angles = np.array(chosen)
    return np.asarray(np.cos(angles)[:, None] * basis[0] + np.sin(angles)[:, None] * basis[1])


@dataclass(slots=True)
class _Mixture:
    """The mixture as it is climbed: directions, shares (upright, level …, rest), and the uprights' scatter."""

    up: FloatArray
    level: FloatArray
    share: FloatArray
    scale: float = 1.0


@dataclass(frozen=True, slots=True)
class _Expected:
    """What each edge is believed to be under a mixture.

    Attributes
    ----------
    basis : ndarray, shape (2, 3)
        Of the plane square to up.
    residual : ndarray, shape (N, kinds)
        Sine of each edge's angle to each direction.
    belongs : ndarray, shape (N, kinds)
        Probability of each direction; the rest is clutter.
    robust : ndarray, shape (N, kinds)
        Student weights, which turn each component into a re-weighted least-squares problem.
    sd : ndarray, shape (N, kinds)
    density : ndarray, shape (N, kinds + 1)
        Of each component, shares included.
    """

    basis: FloatArray
    residual: FloatArray
    belongs: FloatArray
    robust: FloatArray
    sd: FloatArray
    density: FloatArray


def fit_directions(edges: Arcs, up: FloatArray, steps: int = 8, level_directions: int = 2,
                   extra: Quadratic | None = None) -> Fit:
    """Climbs to the mixture's nearest maximum by expectation and Gauss-Newton steps.

    Parameters
    ----------
    up : ndarray, shape (3,)
        Where to start.
    level_directions : int
        Most level directions to allow; 0 uses uprights alone.
    extra : Quadratic or None
        Another cue's log likelihood near here, added in each step.
    """
    up = up / np.linalg.norm(up)
    if len(edges) == 0:
        return Fit(up, np.zeros((0, 3)), np.zeros((2, 2)), np.zeros(2), 0.0, 0.0, np.zeros(0), np.zeros(0))
    mixture = _first_mixture(edges, up, level_directions)
    for _ in range(steps):
        expected = _expect(edges, mixture)
        matrix, slope = _normal_equations(edges, mixture, expected)
        if extra is not None:
            matrix[:2, :2] += expected.basis @ extra.information @ expected.basis.T
            slope[:2] += expected.basis @ extra.slope_at(mixture.up)
        _move(mixture, expected.basis, matrix, slope)
        _weigh(edges, mixture, expected)
    expected = _expect(edges, mixture)
    density, share = expected.density, mixture.share
    upright_gain = float(np.log(density[:, 0] * np.pi + 1 - share[0]).sum())
    level_gain = float(np.log(density.sum(axis=1) * np.pi).sum()) - upright_gain
    information, gradient = _profile(*_normal_equations(edges, mixture, expected))
    return Fit(mixture.up, mixture.level, information, gradient, upright_gain, level_gain, expected.belongs[:, 0],
               expected.belongs[:, 1:].sum(axis=1), mixture.scale)


def _first_mixture(edges: Arcs, up: FloatArray, level_directions: int) -> _Mixture:
    """Uprights about ``up``, and the strongest level directions of what is not upright."""
    off = residual_rad(edges, up[None])[:, 0]
    near = student(off, edges.sd_rad + np.radians(_FIRST_LOOK_DEG))
    free = 1.0 - _FIRST_UPRIGHT * near / (_FIRST_UPRIGHT * near + (1 - _FIRST_UPRIGHT) / np.pi)
    level = _level_directions(edges, up, free, level_directions)
    kinds = 1 + level.shape[0]
    upright, levels, rest = _FIRST_SHARES
    return _Mixture(up, level, np.concatenate([[upright], np.full(kinds - 1, levels / max(kinds - 1, 1)), [rest]]))


def _expect(edges: Arcs, mixture: _Mixture) -> _Expected:
    kinds = 1 + mixture.level.shape[0]
    residual = residual_rad(edges, np.concatenate([mixture.up[None], mixture.level]))
    sd = np.repeat(edges.sd_rad[:, None], kinds, axis=1)
    sd[:, 0] *= mixture.scale
    density = np.empty((len(edges), kinds + 1))
    density[:, :kinds] = student(residual, sd) * mixture.share[:kinds]
    density[:, kinds] = mixture.share[kinds] / np.pi
    belongs = density[:, :kinds] / density.sum(axis=1)[:, None]
    robust = (_DEGREES_OF_FREEDOM + 1) / (_DEGREES_OF_FREEDOM + residual**2 / sd**2)
    return _Expected(tangent_basis(mixture.up), residual, belongs, robust, sd, density)


def _normal_equations(edges: Arcs, mixture: _Mixture, expected: _Expected) -> tuple[FloatArray, FloatArray]:
    """Gauss-Newton matrix and slope in (two tilts of up, a spin of each level direction about it)."""
    up, level, basis = mixture.up, mixture.level, expected.basis
    matrix, slope = np.zeros((2 + len(level), 2 + len(level))), np.zeros(2 + len(level))
    weight = expected.belongs * expected.robust / expected.sd**2
    weight[:, 1:] *= LEVEL_WEIGHT
    along = edges.middle @ np.concatenate([up[None], level]).T
    sine = np.sqrt(np.maximum(1.0 - along**2, _MIN_SINE**2))
    rows = edges.normal @ basis.T / sine[:, :1]
    matrix[:2, :2] += (rows * weight[:, :1]).T @ rows
    slope[:2] -= rows.T @ (weight[:, 0] * expected.residual[:, 0])
    for k, line in enumerate(level):
        turn = _cross(up, line)
        tilt = -(line @ basis.T) * (edges.normal @ up)[:, None] / sine[:, k + 1, None]
        spin = (edges.normal @ turn) / sine[:, k + 1]
        full = np.concatenate([tilt, spin[:, None]], axis=1)
        index = [0, 1, 2 + k]
        matrix[np.ix_(index, index)] += (full * weight[:, k + 1, None]).T @ full
        slope[index] -= full.T @ (weight[:, k + 1] * expected.residual[:, k + 1])
    return matrix, slope


def _move(mixture: _Mixture, basis: FloatArray, matrix: FloatArray, slope: FloatArray) -> None:
    """One damped and bounded step; level directions stay square to up."""
    matrix[np.diag_indices_from(matrix)] += _DAMPING + _RELATIVE_DAMPING * np.trace(matrix)
    move = np.clip(np.linalg.solve(matrix, slope), -_LARGEST_STEP_RAD, _LARGEST_STEP_RAD)
    changed = mixture.up + move[:2] @ basis
    changed /= np.linalg.norm(changed)
    turned = []
    for k, line in enumerate(mixture.level):
        moved = line + move[2 + k] * _cross(mixture.up, line)
        moved -= (moved @ changed) * changed
        turned.append(moved / np.linalg.norm(moved))
    mixture.level = np.array(turned).reshape(-1, 3)
    mixture.up = changed


def _weigh(edges: Arcs, mixture: _Mixture, expected: _Expected) -> None:
    """The uprights' scatter and all shares anew, from what edges were believed to be."""
    belongs = expected.belongs
    miss = (belongs[:, 0] * expected.robust[:, 0] * expected.residual[:, 0] ** 2 / edges.sd_rad**2).sum()
    scale = float(np.sqrt((miss + _SCALE_PRIOR) / (belongs[:, 0].sum() + _SCALE_PRIOR)))
    mixture.scale = min(max(scale, _LEAST_SCALE), _MOST_SCALE)
    share = np.concatenate([belongs.sum(axis=0), [len(edges) - belongs.sum()]]) + 1.0
    mixture.share = share / share.sum()


def _profile(matrix: FloatArray, slope: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Curvature and slope along the first two parameters with the others at their best."""
    if matrix.shape[0] == 2:
        return matrix.copy(), slope.copy()
    cross = matrix[:2, 2:]
    inner = matrix[2:, 2:] + np.eye(matrix.shape[0] - 2) * 1e-6
    back = np.linalg.solve(inner, cross.T)
    return matrix[:2, :2] - cross @ back, slope[:2] - back.T @ slope[2:]
