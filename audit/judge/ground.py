"""Whose planned bearing does not fit the ground that its neighbours see.

Two cameras of known place see the same ground (:mod:`audit.measure.ground`); laid on each other by their planned bearings,
its patterns should agree. A camera whose ground agrees with its neighbours' only after a turn is perhaps panned away.
Unlike the directions of level edges, the ground knows one turn from its opposite, and half a dozen square metres that both
see are enough; a lawn or bare asphalt tells nothing, and then nothing is said.

For two patterns with correlation :math:`r` over :math:`n` independent patches, the log likelihood that they are one
against that they have nothing to do with each other is :math:`-\\tfrac{n}{2}\\ln(1 - r^2)` (of a bivariate normal; T. M. Cover,
J. A. Thomas, Elements of Information Theory, 2nd ed. 2006, example 8.5.1; from memory).

It is a hint: a repeating pattern fits after other turns too. Measured by ``python -m tests.bench.hint_bench ground``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from audit.measure.ground import CELL, GroundView

__all__ = ["GroundMisfit", "GroundSeen", "ground_misfits", "may_share_ground", "neighbours"]

FloatArray = NDArray[np.float64]

#: Turns that are tried, degrees, -180 to 180.
_STEP_DEG = 2.0
_TURNS_DEG = np.arange(-180.0, 180.0, _STEP_DEG)
#: Every so manieth cell each way of a neighbour's ground is laid on a camera's.
_STRIDE = 2
#: Farther than this from the camera, in its heights, no ground is laid flat; cameras this much farther apart share none.
_FARTHEST = 6.0
#: Side of a patch that brings evidence of its own, in heights of the camera (1.8 m for a camera 4 m up; set on 28 drawn
#: yards: smaller ones put up two good cameras in a hundred, by joints that repeat); fewer patches tell nothing; and a
#: likelihood of two pictures that agree too well is capped.
_PATCH, _LEAST_PATCHES, _MOST_LIKENESS = 0.45, 4.0, 0.98
#: Neighbours that a camera is held against, the nearest first.
_NEIGHBOURS = 6
#: Share of cameras panned away before anything was seen, and the spread of those that are not (our defaults).
_PANNED, _GOOD_SD_DEG = 0.1, 2.0
#: Up to this much off, a camera counts as panned as planned here: measured tilt moves the ground's pattern by a few degrees.
_NEAR_DEG = 5.0
#: The pattern of one turn smears into the next ones (spread in degrees): the tilt is off, too.
_SMEAR_DEG = 2.0
_ROUNDS = 3
#: A neighbour is never believed nor doubted altogether: the plan may have its place wrong as well.
_DOUBT = (1e-3, 1.0 - 1e-3)
#: Added to a circle that must hold all that lie on it.
_SLACK_M = 1e-6
#: Cameras whose ground lies at other heights share no plane.
_SAME_LEVEL_M = 0.5


@dataclass(frozen=True, slots=True)
class GroundSeen:
    """The ground in one camera's picture.

    Attributes
    ----------
    height_m, ground_up_m : float
        Of the lens above the ground, and of that ground above the one at the site's origin.
    space : str
        Floor and setting; cameras of other spaces see other ground.
    bearing_deg : float
        As planned, or as shown.
    shown : bool
        The bearing was shown: it speaks for the others and is not doubted itself.
    """

    camera: str
    east_m: float
    north_m: float
    height_m: float
    ground_up_m: float
    space: str
    bearing_deg: float
    view: GroundView
    shown: bool = False


@dataclass(frozen=True, slots=True)
class GroundMisfit:
    """How likely a camera is panned off its plan by the ground alone.

    Attributes
    ----------
    probability : float
        That it is off by more than 5 degrees.
    turn_deg : float
        The likeliest turn of more than 5 degrees from the plan, + to the right, -180 to 180.
    others : tuple of str
        The cameras whose ground speaks for that turn against the plan.
    """

    probability: float
    turn_deg: float
    others: tuple[str, ...]


def may_share_ground(first: GroundSeen, second: GroundSeen) -> bool:
    """Whether two cameras are near enough, and on one level, to see the same ground."""
    apart = float(np.hypot(first.east_m - second.east_m, first.north_m - second.north_m))
    level = first.space == second.space and abs(first.ground_up_m - second.ground_up_m) <= _SAME_LEVEL_M
    return level and apart <= _FARTHEST * (first.height_m + second.height_m)


def ground_misfits(seen: Sequence[GroundSeen]) -> dict[str, GroundMisfit]:
    """Every camera whose bearing was not shown and whose ground some neighbour sees, by camera."""
    near = neighbours(seen)
    against = {k: _told(seen, k, near[k]) for k, own in enumerate(seen) if not own.shown}
    good = np.array([1.0 if s.shown else 1.0 - _PANNED for s in seen])
    far = np.abs(_TURNS_DEG) > _NEAR_DEG
    chances: dict[int, FloatArray] = {}
    for _ in range(_ROUNDS):
        for k, told in against.items():
            logs = _before() + sum((_doubted(scores, float(good[other])) for other, scores in told.items()), np.zeros(len(far)))
            chance = np.exp(logs - logs.max())
            chances[k] = chance / chance.sum()
        for k, chance in chances.items():
            good[k] = float(chance[~far].sum())
    return {seen[k].camera: _misfit(seen, against[k], chance, far) for k, chance in chances.items() if against[k]}


def _misfit(
    seen: Sequence[GroundSeen], told: dict[int, FloatArray], chance: FloatArray, far: NDArray[np.bool_]
) -> GroundMisfit:
    best = int(np.where(far, chance, -1.0).argmax())
    others = (seen[other].camera for other, scores in told.items() if scores[best] > scores[~far].max())
    return GroundMisfit(float(chance[far].sum()), float(_TURNS_DEG[best]), tuple(others))


def neighbours(seen: Sequence[GroundSeen]) -> list[list[int]]:
    """For each camera the nearest that may share its ground, nearest first, by place among those seen."""
    found: list[list[int]] = [[] for _ in seen]
    spaces: dict[str, list[int]] = {}
    for k, camera in enumerate(seen):
        spaces.setdefault(camera.space, []).append(k)
    for members in spaces.values():
        places = np.array([(seen[k].east_m, seen[k].north_m) for k in members])
        heights = np.array([seen[k].height_m for k in members])
        at = {k: i for i, k in enumerate(members)}
        around = cKDTree(places).query_ball_point(places, _FARTHEST * (heights + heights.max()) + _SLACK_M)
        for k, place, others in zip(members, places, around, strict=True):
            near = [members[o] for o in sorted(others) if members[o] != k and may_share_ground(seen[k], seen[members[o]])]
            away = [float(np.sum((places[at[o]] - place) ** 2)) for o in near]
            found[k] = [near[i] for i in np.argsort(away, kind="stable")[:_NEIGHBOURS]]
    return found


def _told(seen: Sequence[GroundSeen], own: int, near: Sequence[int]) -> dict[int, FloatArray]:
    """Log likelihood of each turn by each neighbour that sees some of the same ground."""
    found = {k: _likeness(seen[own], seen[k]) for k in near}
    return {k: scores for k, scores in found.items() if scores.any()}


def _before() -> FloatArray:
    """Log chance of each turn before anything was seen."""
    good = np.exp(-0.5 * (_TURNS_DEG / _GOOD_SD_DEG) ** 2)
    return np.asarray(np.log((1 - _PANNED) * good / good.sum() + _PANNED / len(good)))


def _doubted(scores: FloatArray, good: float) -> FloatArray:
    """What a neighbour says where it may itself be panned away: then it says the same of every turn."""
    level = float(np.logaddexp.reduce(scores)) - np.log(len(scores))
    doubt = float(np.clip(1.0 - good, *_DOUBT))
    return np.asarray(np.logaddexp(np.log1p(-doubt) + scores, np.log(doubt) + level))


def _likeness(camera: GroundSeen, other: GroundSeen) -> FloatArray:
    """Log likelihood, for every turn of a camera, that its ground is the one that another sees."""
    rows, columns = np.nonzero(other.view.seen[::_STRIDE, ::_STRIDE])
    theirs = np.asarray(other.view.contrast[::_STRIDE, ::_STRIDE][rows, columns], np.float64)
    middle = other.view.seen.shape[1] / 2
    size = CELL * other.height_m
    ahead = np.asarray((rows * _STRIDE + 0.5) * size, np.float64)
    aside = np.asarray((columns * _STRIDE + 0.5 - middle) * size, np.float64)
    east, north = _turned(aside, ahead, other.bearing_deg)
    east, north = east + other.east_m - camera.east_m, north + other.north_m - camera.north_m
    near = np.hypot(east, north) <= _FARTHEST * camera.height_m
    east, north, theirs = east[near], north[near], theirs[near]
    cell = (CELL * _STRIDE * other.height_m) ** 2
    patch = (_PATCH * max(camera.height_m, other.height_m)) ** 2
    if len(east) * cell < _LEAST_PATCHES * patch:
        return np.zeros(len(_TURNS_DEG))
    right, forward = _turned(east[None], north[None], -(camera.bearing_deg + _TURNS_DEG[:, None]))
    size, seen = CELL * camera.height_m, camera.view.seen
    row, column = np.floor(forward / size).astype(int), np.floor(right / size + seen.shape[1] / 2).astype(int)
    inside = (row >= 0) & (row < seen.shape[0]) & (column >= 0) & (column < seen.shape[1])
    row, column = np.where(inside, row, 0), np.where(inside, column, 0)
    inside &= seen[row, column]
    patches = inside.sum(axis=1) * cell / patch
    ours = np.where(inside, camera.view.contrast[row, column], 0.0)
    like = np.clip(_correlated(ours, np.where(inside, theirs[None], 0.0), inside), 0.0, _MOST_LIKENESS)
    scores = np.where(patches >= _LEAST_PATCHES, -0.5 * patches * np.log1p(-(like**2)), 0.0)
    return _smeared(scores)


def _turned(east: FloatArray, north: FloatArray, turn_deg: FloatArray | float) -> tuple[FloatArray, FloatArray]:
    """Level vectors turned clockwise, seen from above."""
    turn = np.radians(turn_deg)
    sine, cosine = np.sin(turn), np.cos(turn)
    return np.asarray(east * cosine + north * sine), np.asarray(north * cosine - east * sine)


def _correlated(first: FloatArray, second: FloatArray, inside: NDArray[np.bool_]) -> FloatArray:
    """Correlation of each row's entries (T, N) where ``inside``; both are 0 elsewhere."""
    count = np.maximum(inside.sum(axis=1), 1)
    mean_1, mean_2 = first.sum(axis=1) / count, second.sum(axis=1) / count
    both = (first * second).sum(axis=1) / count - mean_1 * mean_2
    spread = ((first**2).sum(axis=1) / count - mean_1**2) * ((second**2).sum(axis=1) / count - mean_2**2)
    return np.asarray(both / np.sqrt(np.maximum(spread, 1e-9)))


def _smeared(scores: FloatArray) -> FloatArray:
    """Log likelihoods with each turn's shared out over its neighbours, circular."""
    reach = np.arange(-3, 4)
    weight = np.exp(-0.5 * (reach * _STEP_DEG / _SMEAR_DEG) ** 2)
    shifted = np.stack([np.roll(scores, int(k)) for k in reach]) + np.log(weight / weight.sum())[:, None]
    return np.asarray(np.logaddexp.reduce(shifted, axis=0))
