"""Whose planned bearing does not fit the level edges that its neighbours see.

Walls, kerbs and gutters of one site run in few level directions. Turned by each camera's planned bearing, the level edges
of all pictures should lie on each other; the picture whose edges fit only after a turn comes from a camera that is
perhaps panned away. Every camera is held against its neighbours together, and what fits badly counts less for the others
in the next round.

It is a hint: edges know no difference between a direction and its opposite, right angles make a quarter turn fit nearly
as well, and a lonely slanting fence fits no neighbour; so a camera is held against those alone that should see the same. The crew's compass joins in: whoever photographs a camera mostly
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
#: What a camera sees is taken at these distances and shares of its half view; another sees it too where that lies in its
#: own view and no farther than the last figure (our defaults). Wider views than the cap are cut to it.
_AHEAD_M, _ASIDE = (3.0, 6.0, 10.0, 15.0, 22.0, 30.0), (-0.9, -0.6, -0.3, 0.0, 0.3, 0.6, 0.9)
_REACH_M, _WIDEST_DEG = 40.0, 150.0
#: A neighbour counts by the share that both see, from this share on.
_LEAST_SHARED = 0.1
_AT_ONCE = 256
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
    hfov_deg : float
        Full horizontal angle of view.
    shown : bool
        The bearing was shown: it speaks for the others and is not doubted itself.
    crew_deg : float or None
        Middle of the true bearings that the crew's phones had when they photographed the camera.
    """

    camera: str
    east_m: float
    north_m: float
    bearing_deg: float
    hfov_deg: float
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
        Cameras that it was held against: those that should see some of the same.
    covered : float
        Share of what it should see that they should see as well.
    """

    probability: float
    turn_deg: float
    one_way: bool
    others: int
    covered: float


def misfits(seen: Sequence[LinesSeen]) -> dict[str, Misfit]:
    """Every camera whose bearing was not shown against its neighbours, by camera; fewer than two say nothing."""
    if len(seen) < 2:
        return {}
    world = np.stack([_turned(np.asarray(s.lines, dtype=np.float64), s.bearing_deg) for s in seen])
    mass = np.minimum(world.sum(axis=1), _MOST_EDGES)
    world /= np.maximum(world.sum(axis=1, keepdims=True), 1e-9)
    near, covered = _neighbours(seen)
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
        s.camera: _misfit(likely[i], far, int(others[i]), float(covered[i])) for i, s in enumerate(seen) if not s.shown
    }


def _misfit(likely: FloatArray, far: NDArray[np.bool_], others: int, covered: float) -> Misfit:
    """What the chances of all turns say, (2 BINS,)."""
    best = int(np.where(far, likely, -1.0).argmax())
    opposite = likely[(best + BINS) % len(likely)]
    one_way = bool(likely[best] > _ONE_WAY * opposite)
    return Misfit(float(likely[far].sum()), float(_TURNS_DEG[best]), one_way, others, covered)


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


def _neighbours(seen: Sequence[LinesSeen]) -> tuple[csr_matrix, FloatArray]:
    """Share of what each camera (row) and each of its neighbours (column) should see that both do; and the share of each
    camera's view that any of them sees, (N,)."""
    places = np.array([(s.east_m, s.north_m) for s in seen])
    count = min(_NEIGHBOURS + 1, len(seen))
    _, index = cKDTree(places).query(places, k=count)
    bearing = np.array([s.bearing_deg for s in seen])
    half = np.array([min(s.hfov_deg, _WIDEST_DEG) / 2 for s in seen])
    ahead = np.radians(bearing[:, None] + half[:, None] * np.array(_ASIDE))
    way = np.stack([np.sin(ahead), np.cos(ahead)], axis=-1)
    spots = (places[:, None, None] + np.array(_AHEAD_M)[:, None, None] * way[:, None]).reshape(len(seen), -1, 2)
    weights, covered = np.zeros(index.shape), np.zeros(len(seen))
    for start in range(0, len(seen), _AT_ONCE):
        mine = np.arange(start, min(start + _AT_ONCE, len(seen)))
        others = index[mine]
        theirs = _in_view(spots[mine][:, None], places[others], bearing[others], half[others])
        ours = _in_view(spots[others], places[mine][:, None], bearing[mine][:, None], half[mine][:, None])
        theirs[others == mine[:, None]] = ours[others == mine[:, None]] = False
        shared = np.maximum(theirs.mean(axis=-1), ours.mean(axis=-1))
        weights[mine] = np.where(shared >= _LEAST_SHARED, shared, 0.0)
        covered[mine] = theirs.any(axis=1).mean(axis=-1)
    rows = np.repeat(np.arange(len(seen)), count)
    found = csr_matrix((weights.ravel(), (rows, index.ravel())), shape=(len(seen), len(seen)))
    found.eliminate_zeros()
    return found, covered


def _in_view(spots: FloatArray, places: FloatArray, bearing_deg: FloatArray, half_deg: FloatArray) -> NDArray[np.bool_]:
    """Whether spots (N, M, S, 2) lie in the views of cameras at places (N, M, 2), (N, M, S)."""
    away = spots - places[..., None, :]
    azimuth = np.degrees(np.arctan2(away[..., 0], away[..., 1]))
    aside = np.abs((azimuth - bearing_deg[..., None] + 180.0) % 360.0 - 180.0)
    return np.asarray((aside <= half_deg[..., None]) & (np.hypot(away[..., 0], away[..., 1]) <= _REACH_M))


def _before() -> FloatArray:
    """Log chance of each turn before anything was seen, (2 BINS,)."""
    good = np.exp(-0.5 * (_TURNS_DEG / _GOOD_SD_DEG) ** 2)
    return np.asarray(np.log((1 - _PANNED) * good / good.sum() + _PANNED / len(good)))


def _correlated(common: FloatArray, own: FloatArray) -> FloatArray:
    """Sum over bins of ``own[k] * common[k + turn]`` for every turn, (N, BINS) each; circular, by Fourier transform."""
    product = np.fft.rfft(common, axis=1) * np.conj(np.fft.rfft(own, axis=1))
    return np.asarray(np.fft.irfft(product, BINS, axis=1))
