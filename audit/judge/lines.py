"""Whose planned bearing does not fit the level edges that its neighbours see.

Walls, kerbs and gutters of one site run in few level directions. Turned by each camera's planned bearing, the level edges
of all pictures should lie on each other; the picture whose edges fit only after a turn comes from a camera that is
perhaps panned away. Every camera is held against its neighbours together, and what fits badly counts less for the others
in the next round.

It is a hint: edges know no difference between a direction and its opposite, right angles make a quarter turn fit nearly
as well, and a lonely slanting building fits no neighbour. The crew's compass joins in: whoever photographs a camera mostly
stands before it and looks against it, so it can tell a direction from its opposite; alone it is too vague to put a camera
up. Measured by ``python -m tests.bench.hint_bench``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.spatial import cKDTree

from audit.match.evidence import Settings, direction_log_density
from audit.measure.level_lines import BINS

__all__ = ["LinesSeen", "Misfit", "misfits"]

FloatArray = NDArray[np.float64]

_WIDTH_DEG = 180.0 / BINS
#: Turns that are tried, degrees: every bin of the whole circle, -180 to 180.
_TURNS_DEG = (np.arange(2 * BINS) * _WIDTH_DEG + 180.0) % 360.0 - 180.0
#: Cameras that a camera is held against, the nearest first.
_NEIGHBOURS = 40
#: A neighbour counts half at this distance, and half where it looks this much another way (our defaults): then both see
#: other fronts.
_HALF_M, _HALF_DEG = 60.0, 40.0
#: Share of cameras panned away before anything was seen, and the spread of those that are not (our defaults).
_PANNED, _GOOD_SD_DEG = 0.1, 2.0
#: Up to this much off, a camera counts as panned as planned here.
_NEAR_DEG = 4.0
#: What one edge's worth of evidence counts for, since the edges of one wall are not independent; the most that a picture
#: brings; the evidence of others from which their word counts in full; and the share of edges that follow no other.
#: Set on places of the training split (tests/bench/hint_bench.py), looked at on others.
_EDGE_WORTH, _MOST_EDGES, _FULL_EDGES, _STRAY = 1.5, 15.0, 30.0, 0.1
_ROUNDS = 4
#: The opposite direction is told too, unless it is this much less likely.
_ONE_WAY = 4.0


@dataclass(frozen=True, slots=True)
class LinesSeen:
    """The level edges of one camera's picture.

    Attributes
    ----------
    lines : sequence of float, BINS of them
        As :func:`audit.measure.level_lines.level_lines` gives them.
    bearing_deg : float
        As planned, or as shown.
    shown : bool
        The bearing was shown: it speaks for the others and is not doubted itself.
    crew_deg : float or None
        Middle of the true bearings that the crew's phones had when they photographed the camera.
    """

    camera: str
    east_m: float
    north_m: float
    bearing_deg: float
    lines: Sequence[float]
    shown: bool = False
    crew_deg: float | None = None


@dataclass(frozen=True, slots=True)
class Misfit:
    """How likely a camera is panned off its plan by the lines alone.

    Attributes
    ----------
    probability : float
        That it is off by more than 4 degrees.
    turn_deg : float
        The likeliest turn of more than 4 degrees from the plan, + to the right, -180 to 180.
    one_way : bool
        The crew's compass speaks against the opposite direction; without it, that fits as well.
    others : int
        Cameras that it was held against.
    """

    probability: float
    turn_deg: float
    one_way: bool
    others: int


def misfits(seen: Sequence[LinesSeen]) -> dict[str, Misfit]:
    """Every camera whose bearing was not shown against its neighbours, by camera; fewer than two say nothing."""
    if len(seen) < 2:
        return {}
    world = np.stack([_turned(np.asarray(s.lines, dtype=np.float64), s.bearing_deg) for s in seen])
    mass = np.minimum(world.sum(axis=1), _MOST_EDGES)
    world /= np.maximum(world.sum(axis=1, keepdims=True), 1e-9)
    near = _neighbours(seen)
    shown = np.array([s.shown for s in seen])
    good = np.where(shown, 1.0, 1.0 - _PANNED)
    chance, far = _before() + np.stack([_by_crew(s) for s in seen]), np.abs(_TURNS_DEG) > _NEAR_DEG
    likely = np.zeros((len(seen), len(_TURNS_DEG)))
    for _ in range(_ROUNDS):
        weights = near.multiply((good * mass)[None]).tocsr()
        total = np.asarray(weights.sum(axis=1)).ravel()
        common = (weights @ world) / np.maximum(total, 1e-9)[:, None]
        worth = _EDGE_WORTH * mass * np.minimum(1.0, total / _FULL_EDGES)
        fit = _correlated(np.log((1 - _STRAY) * common + _STRAY / BINS), world * worth[:, None])
        likely = np.exp(_highest_nought(np.tile(fit, 2) + chance))
        likely /= likely.sum(axis=1, keepdims=True)
        good = np.where(shown, 1.0, likely[:, ~far].sum(axis=1))
    others = np.diff(near.indptr)
    return {
        s.camera: _misfit(likely[i], far, int(others[i])) for i, s in enumerate(seen) if not s.shown
    }


def _misfit(likely: FloatArray, far: NDArray[np.bool_], others: int) -> Misfit:
    """What the chances of all turns say, (2 BINS,)."""
    best = int(np.where(far, likely, -1.0).argmax())
    opposite = likely[(best + BINS) % len(likely)]
    return Misfit(float(likely[far].sum()), float(_TURNS_DEG[best]), bool(likely[best] > _ONE_WAY * opposite), others)


def _highest_nought(logs: FloatArray) -> FloatArray:
    return np.asarray(logs - logs.max(axis=1, keepdims=True))


def _by_crew(seen: LinesSeen) -> FloatArray:
    """Log chance of the crew's directions for each turn of the camera, (2 BINS,), up to a constant."""
    if seen.crew_deg is None:
        return np.zeros(len(_TURNS_DEG))
    against = seen.bearing_deg + _TURNS_DEG + 180.0
    return direction_log_density(np.radians(seen.crew_deg - against), Settings())


def _turned(lines: FloatArray, turn_deg: float) -> FloatArray:
    """Edges by azimuth once the camera is turned to the right, (BINS,)."""
    whole, part = divmod(turn_deg / _WIDTH_DEG, 1.0)
    return np.asarray((1 - part) * np.roll(lines, int(whole)) + part * np.roll(lines, int(whole) + 1))


def _neighbours(seen: Sequence[LinesSeen]) -> csr_matrix:
    """How much each camera (row) hears each of its neighbours (column)."""
    places = np.array([(s.east_m, s.north_m) for s in seen])
    count = min(_NEIGHBOURS + 1, len(seen))
    away, index = cKDTree(places).query(places, k=count)
    rows = np.repeat(np.arange(len(seen)), count)
    columns = index.ravel()
    bearing = np.array([s.bearing_deg for s in seen])
    apart = (bearing[rows] - bearing[columns] + 180.0) % 360.0 - 180.0
    weight = 1.0 / (1.0 + (away.ravel() / _HALF_M) ** 2) / (1.0 + (apart / _HALF_DEG) ** 2)
    other = rows != columns
    return csr_matrix((weight[other], (rows[other], columns[other])), shape=(len(seen), len(seen)))


def _before() -> FloatArray:
    """Log chance of each turn before anything was seen, (2 BINS,)."""
    good = np.exp(-0.5 * (_TURNS_DEG / _GOOD_SD_DEG) ** 2)
    return np.asarray(np.log((1 - _PANNED) * good / good.sum() + _PANNED / len(good)))


def _correlated(common: FloatArray, own: FloatArray) -> FloatArray:
    """Sum over bins of ``own[k] * common[k + turn]`` for every turn, (N, BINS) each; circular, by Fourier transform."""
    product = np.fft.rfft(common, axis=1) * np.conj(np.fft.rfft(own, axis=1))
    return np.asarray(np.fft.irfft(product, BINS, axis=1))
