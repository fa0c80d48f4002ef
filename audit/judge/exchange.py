"""Exchanged cameras, thought of before any repair: whose pictures lie under whose name, over the whole site at once.

Where two cameras carry each other's name, each seems to be mounted wrong, and two repairs would make both wrong. So the
pictures under every name are weighed against every camera's plan, with what names, serial numbers, references and the
crew's compass say. The likeliest permutation of the site (linear assignment) is held against "each has a fault of its
own"; what it moves are exchanges.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import permutations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from audit.judge.evidence import CameraEvidence, Doubt, Exchange
from audit.judge.likeness import Likeness
from audit.judge.limits import Limits
from audit.match.swaps import Swap
from audit.plan.model import Camera, Site

__all__ = ["Hint", "Weighed", "hints_of", "weigh", "worth_measuring"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Share of cameras that are exchanged with another (our default), half of them with one nearby: cables are crossed
#: where they end side by side (common practice, no source).
_EXCHANGED, _NEARBY, _NEARBY_M = 0.02, 0.5, 25.0
#: Weight of a hint that names the other camera (log of the likelihood ratio): a signed reference that the picture shows, a
#: serial or name in the records (labels are mounted and filed wrong, too), or a compass alone.
_REFERENCE_HINT, _RECORD_HINT, _COMPASS_HINT = 12.0, 8.0, 5.0
#: Cameras that are assigned to each other at once; a larger site is taken apart into groups that could be exchanged,
#: with so many partners for each strange camera, fewer where the groups stay too large.
_AT_ONCE, _PARTNERS = 400, (12, 4, 1)
_ROWS_AT_ONCE = 256
#: From these log odds on, by vague measurements with the wrong lens, a pair is measured with each other's.
_WORTH_MEASURING = -5.0
#: Two crossed cables are far commoner than three (our default, log odds for each camera more); longer rings than this
#: are not believed.
_LONGER_RING, _LARGEST_RING = 3.0, 6
#: Probability, of this exchange and no other, from which it is named: for somebody to look, unless identities are told.
_NAMED = 0.5
#: A camera that is exchanged with anyone at least this likely is not sent a repair; so many partners are told, unless one
#: is that much less likely than the first.
_MAY_BE, _PARTNERS_TOLD, _WORTH_TELLING = 0.05, 2, 0.2
#: Of one camera's pictures being another's; more would leave the range of numbers in longer rings.
_MOST_LOG_ODDS = 80.0


@dataclass(frozen=True, slots=True)
class Weighed:
    """What came of weighing a site.

    Attributes
    ----------
    exchanges : tuple of Exchange
        No camera is in two of them; in the order of the plan.
    doubts : mapping
        Cameras in none of them that may be exchanged all the same: too likely to order a repair.
    """

    exchanges: tuple[Exchange, ...] = ()
    doubts: Mapping[str, Doubt] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Hint:
    """Something other than the pose says that what lies under ``filed`` comes from ``source``."""

    filed: str
    source: str
    sentence: str
    certain: bool
    weight: float = _REFERENCE_HINT


def hints_of(swaps: Iterable[Swap]) -> tuple[Hint, ...]:
    """Records that contradict each other crosswise, as two hints each; their sentences are told once."""
    found = []
    for swap in swaps:
        weight = _RECORD_HINT if swap.certain else _COMPASS_HINT
        found.append(Hint(swap.first, swap.second, " ".join(swap.evidence), swap.certain, weight))
        found.append(Hint(swap.second, swap.first, "", swap.certain, weight))
    return tuple(found)


def weigh(site: Site, evidence: Mapping[str, CameraEvidence], limits: Limits, hints: Sequence[Hint] = ()) -> Weighed:
    """Pairs and cycles of cameras that are likelier exchanged than each at fault by itself, and those that may be.

    Parameters
    ----------
    evidence : mapping from camera to CameraEvidence
        What the visit brought.
    hints : sequence of Hint
        What the photos' own words, references and the crew's compass say.
    """
    like = Likeness(site.cameras, evidence, limits)
    found: list[tuple[list[int], float]] = []
    doubts: dict[str, Doubt] = {}
    for group, table in _tables(site, like, hints):
        odds = _odds(table)
        cycles = [(cycle, _chance(cycle, gain, odds.sum(axis=1))) for cycle, gain in _cycles(table)]
        named = [([int(group[k]) for k in cycle], chance) for cycle, chance in cycles if chance > _NAMED]
        found += named
        doubts |= _doubts(group, odds, {k for cycle, _ in named for k in cycle}, like)
    found.sort()
    return Weighed(tuple(_exchange(cycle, chance, like, hints) for cycle, chance in found), doubts)


def worth_measuring(
    site: Site, evidence: Mapping[str, CameraEvidence], limits: Limits, hints: Sequence[Hint] = ()
) -> dict[str, tuple[str, ...]]:
    """Cameras that might be exchanged, each with its likeliest partners: their pictures tell more by the other's lens."""
    like = Likeness(site.cameras, evidence, limits)
    found = {}
    for group, table in _tables(site, like, hints):
        both = table + table.T
        for index, camera in enumerate(group):
            order = np.argsort(-both[index])[: _PARTNERS[0] + 1]
            partners = [group[k] for k in order if k != index and both[index, k] > _WORTH_MEASURING]
            if partners:
                found[like.cameras[camera].camera] = tuple(like.cameras[k].camera for k in partners)
    return found


def _tables(site: Site, like: Likeness, hints: Sequence[Hint]) -> Iterator[tuple[IntArray, FloatArray]]:
    """Groups of cameras that could be exchanged with each other, and what each exchange gains."""
    weights = _weights({camera.camera: index for index, camera in enumerate(site.cameras)}, hints)
    pictured = np.flatnonzero(like.has_pictures())
    known = np.union1d(pictured, np.array([i for pair in weights for i in pair], dtype=np.int64)).astype(np.int64)
    if len(known) < 2:
        return
    gains = _Gains(like, site.cameras, weights)
    for group in _groups(gains, known, like.strange(), weights):
        yield group, np.clip(gains.table(group, group), -_MOST_LOG_ODDS, _MOST_LOG_ODDS)


class _Gains:
    """How much likelier each camera's pictures are another's than its own, chance of such an exchange included."""

    def __init__(self, like: Likeness, cameras: Sequence[Camera], weights: Mapping[tuple[int, int], float]) -> None:
        self._like, self._weights = like, weights
        self._place = np.array([(camera.east_m, camera.north_m) for camera in cameras], dtype=np.float64)
        near = cKDTree(self._place).query_ball_point(self._place, _NEARBY_M, return_length=True)
        self._near = np.maximum(np.asarray(near, dtype=np.float64) - 1.0, 1.0)
        self._far = (1.0 - _NEARBY) / max(1, len(cameras) - 1)

    def table(self, rows: IntArray, columns: IntArray) -> FloatArray:
        """Shape (rows, columns); 0 for a camera's own name. Two halves of a pair add to the pair's log odds."""
        found = np.empty((len(rows), len(columns)))
        for start in range(0, len(rows), _ROWS_AT_ONCE):
            some = rows[start : start + _ROWS_AT_ONCE]
            fits = self._like.table(some, columns)
            own = self._like.own(some)
            found[start : start + len(some)] = fits - own[:, None] + 0.5 * np.log(self._chance(some, columns))
        row_at = {int(camera): index for index, camera in enumerate(rows)}
        column_at = {int(camera): index for index, camera in enumerate(columns)}
        for (filed, source), weight in self._weights.items():
            if filed in row_at and source in column_at:
                found[row_at[filed], column_at[source]] += weight
        found[rows[:, None] == columns] = 0.0
        return found

    def _chance(self, rows: IntArray, columns: IntArray) -> FloatArray:
        apart = np.hypot(*(self._place[rows][:, None] - self._place[columns]).transpose(2, 0, 1))
        share = _NEARBY / np.sqrt(self._near[rows][:, None] * self._near[columns])
        return np.asarray(_EXCHANGED * (self._far + np.where(apart <= _NEARBY_M, share, 0.0)), dtype=np.float64)


def _weights(at: Mapping[str, int], hints: Iterable[Hint]) -> dict[tuple[int, int], float]:
    found: dict[tuple[int, int], float] = {}
    for hint in hints:
        if hint.filed in at and hint.source in at:
            key = at[hint.filed], at[hint.source]
            found[key] = max(found.get(key, 0.0), hint.weight)
    return found


def _groups(
    gains: _Gains, known: IntArray, strange: NDArray[np.bool_], weights: Mapping[tuple[int, int], float]
) -> list[IntArray]:
    """Cameras that could be exchanged with each other; all at once on sites of usual size."""
    if len(known) <= _AT_ONCE:
        return [known]
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    hinted = {i for pair in weights for i in pair}
    rows = np.array([i for i in known if strange[i] or i in hinted], dtype=np.int64)
    if not len(rows):
        return []
    best, partner = _best_partners(gains, rows, known, _PARTNERS[0])
    groups: list[IntArray] = []
    for most in _PARTNERS:
        wanted = best[:, :most] > 0
        ones = np.repeat(rows, most)[wanted.ravel()]
        others = partner[:, :most].ravel()[wanted.ravel()]
        graph = coo_array((np.ones(len(ones)), (ones, others)), shape=(len(strange), len(strange)))
        _, label = connected_components(graph, directed=False)
        members = np.union1d(ones, others)
        groups = [members[label[members] == k] for k in np.unique(label[members])]
        if all(len(group) <= _AT_ONCE for group in groups):
            break
    return groups


def _best_partners(gains: _Gains, rows: IntArray, known: IntArray, most: int) -> tuple[FloatArray, IntArray]:
    best, partner = np.empty((len(rows), most)), np.empty((len(rows), most), dtype=np.int64)
    for start in range(0, len(rows), _ROWS_AT_ONCE):
        some = rows[start : start + _ROWS_AT_ONCE]
        table = gains.table(some, known)
        order = np.argsort(-table, axis=1)[:, :most]
        best[start : start + len(some)] = np.take_along_axis(table, order, axis=1)
        partner[start : start + len(some)] = known[order]
    return best, partner


def _cycles(gains: FloatArray) -> list[tuple[list[int], float]]:
    """Cycles of the likeliest permutation that are likelier than no exchange, each from its first camera, with log odds."""
    from scipy.optimize import linear_sum_assignment

    _, source = linear_sum_assignment(gains, maximize=True)
    found = []
    for ring in _rings(range(len(gains)), source):
        for cycle in _likeliest(ring, gains):
            gain = _ring_gain(cycle, gains)
            if gain > 0.0:
                found.append((cycle, gain))
    return found


def _rings(members: Iterable[int], source: Mapping[int, int] | IntArray) -> list[list[int]]:
    """Cycles of a permutation, without what stays in place."""
    found, left = [], set(members)
    for first in sorted(left):
        ring = []
        at = first
        while at in left:
            left.remove(at)
            ring.append(at)
            at = int(source[at])
        if len(ring) > 1:
            found.append(ring)
    return found


def _likeliest(ring: list[int], gains: FloatArray) -> list[list[int]]:
    """A ring as it is or taken apart, whichever is likeliest: a camera with a fault of its own slips into rings."""
    if len(ring) == 2:
        return [ring]
    if len(ring) > _LARGEST_RING:
        return []
    ways = [_rings(ring, dict(zip(ring, order, strict=True))) for order in permutations(ring)]
    return max(ways, key=lambda way: sum(max(0.0, _ring_gain(part, gains)) for part in way))


def _odds(gains: FloatArray) -> FloatArray:
    """Odds of each camera's exchange with each other one, in a pair or a ring of three, against none."""
    odds = np.exp(gains)
    np.fill_diagonal(odds, 0.0)
    return np.asarray(odds * odds.T + odds * (odds @ odds).T * math.exp(-_LONGER_RING), dtype=np.float64)


def _chance(cycle: Sequence[int], gain: float, of_any: FloatArray) -> float:
    """Probability of a cycle against none and against every other exchange that its cameras could be part of."""
    odds = math.exp(gain)
    others = sum(max(0.0, float(of_any[k]) - odds) for k in cycle)
    return odds / (1.0 + odds + others)


def _doubts(group: IntArray, odds: FloatArray, named: set[int], like: Likeness) -> dict[str, Doubt]:
    """Cameras that may be exchanged with any other that is not in a named exchange."""
    free = np.array([int(k) not in named for k in group])
    with_each = np.where(free[:, None] & free, odds, 0.0)
    found = {}
    for index in np.flatnonzero(free):
        chance = with_each[index].sum() / (1.0 + with_each[index].sum())
        if chance >= _MAY_BE:
            order = np.argsort(-with_each[index], kind="stable")[:_PARTNERS_TOLD]
            told = order[with_each[index, order] > _WORTH_TELLING * with_each[index].max()]
            partners = tuple(like.cameras[int(group[k])].camera for k in told)
            found[like.cameras[int(group[index])].camera] = Doubt(partners, float(chance))
    return found


def _ring_gain(ring: Sequence[int], gains: FloatArray) -> float:
    """Log odds of a ring against none."""
    fits = sum(gains[filed, source] for filed, source in zip(ring, [*ring[1:], ring[0]], strict=True))
    return float(fits) - _LONGER_RING * (len(ring) - 2)


def _exchange(cycle: Sequence[int], chance: float, like: Likeness, hints: Sequence[Hint]) -> Exchange:
    names = [like.cameras[k].camera for k in cycle]
    pairs = list(zip(cycle, [*cycle[1:], cycle[0]], strict=True))
    told: list[str] = []
    proved = 0
    for filed, source in pairs:
        here, there = like.cameras[filed].camera, like.cameras[source].camera
        fitting = [hint for hint in hints if hint.filed == here and hint.source == there]
        proved += like.identified(filed, source) or any(hint.certain for hint in fitting)
        told += [hint.sentence for hint in fitting if hint.sentence]
        told += like.reasons(filed, source)
    return Exchange(tuple(names), tuple(dict.fromkeys(told)), proved == len(pairs), chance)
