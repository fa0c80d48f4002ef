"""Photos of two crews that one device's name holds: which of them follow one another, where places and labels tell.

Phones of one model, or a phone that is handed on, put the photos of several crews into one stream. Whether two walks explain where its photos
were taken much better than one is worked out exactly, and if so, which photo belongs to which.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from audit.match.evidence import PhotoArrays, SiteArrays, position_log_density
from audit.match.factors import WALK_M_PER_S, WALK_SPACINGS
from audit.match.streams import Stream

__all__ = ["untangled"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

#: Photos with a place without which nothing is said; with more of them than the most the work would take too long (it grows by the square).
_LEAST, _MOST = 12, 2500
#: Log of how much likelier two walks are than one from which there are two, and below which one crew's walk is one, where so many photos
#: and such a share of all have a place (chosen on simulated walks: one crew's stay below 3, two crews' above 8 but where few photos have a place).
_TWO, _ONE, _MANY, _MOSTLY = 7.0, 1.0, 24, 0.5
#: How often, of two crews' photos, one follows the other crew's; and the chance that a second crew comes at any photo (chosen).
_TURNS, _SECOND = 0.3, 0.001
#: Where photos are taken after one another: at the same place, near (the scale of ways between cameras), as far as one walks in the time,
#: or anywhere (chosen).
_STAYS, _NEAR, _WALKED, _ANYWHERE = 0.5, 0.37, 0.1, 0.03
#: How far from its camera a label's photo is taken, the scale of a fix that states none, and least, metres.
_LABEL_M, _UNSTATED_M, _LEAST_M = 5.0, 10.0, 4.0
#: A label that lies so many joint scales from its own photo's position is not believed for its place.
_OFF_SCALES = 5.0
#: Seconds, as a longest pause, that a way is walked in (longer ones tell no more).
_LONGEST_S = 900.0
#: Photos with a place of one walk that must follow one another, on either side of a photo without one, for it to be of that walk.
_SOLO = 6
#: Pairs of walks that are drawn, the share of them that must put two photos together, how many photos these may lie apart, and photos with
#: a place that make a part.
_DRAWS, _AGREE, _BESIDE, _LEAST_PART = 40, 0.95, 8, 4


@dataclass(frozen=True, slots=True)
class _Places:
    """Photos with a place, in order: coordinates (n, 3), NaN up where only a position tells, squared scales (n,), seconds (n,)."""

    where: FloatArray
    scale2: FloatArray
    time_s: FloatArray
    step: IntArray


def _places(site: SiteArrays, arrays: PhotoArrays, index: IntArray, sure: IntArray) -> _Places:
    named = sure[index]
    fixed = ~np.isnan(arrays.east_m[index])
    stated = arrays.position_m[index]
    scale = np.where(np.isnan(stated), _UNSTATED_M, np.maximum(stated, _LEAST_M))
    at = site.walk_coordinates[np.maximum(named, 0)]
    off = np.hypot(arrays.east_m[index] - at[:, 0], arrays.north_m[index] - at[:, 1])
    by_label = (named >= 0) & ~(off > _OFF_SCALES * np.hypot(scale, _LABEL_M))
    own = np.column_stack([arrays.east_m[index], arrays.north_m[index], np.full(index.size, np.nan)])
    where = np.where(by_label[:, None], at, own)
    step = np.flatnonzero(by_label | fixed)
    return _Places(where[step], np.where(by_label, _LABEL_M, scale)[step] ** 2, arrays.time_s[index][step], step)


def _log_follows(site: SiteArrays, places: _Places, then: slice, now: int) -> FloatArray:
    """Log density, over that of a place anywhere on the site, of one photo's place after each of some earlier ones."""
    way = np.nan_to_num(places.where[then] - places.where[now])
    square = (way**2).sum(axis=1)
    gap = np.nan_to_num(places.time_s[now] - places.time_s[then], nan=_LONGEST_S)
    walked = WALK_M_PER_S * np.clip(gap, 0.0, _LONGEST_S)
    own = places.scale2[then] + places.scale2[now]
    near = position_log_density(square, own + np.minimum(walked, WALK_SPACINGS * site.spacing_m) ** 2)
    far = position_log_density(square, own + walked**2)
    whole = math.log(site.area_m2)
    stays = position_log_density(square, own)
    return np.asarray(np.log(_STAYS * np.exp(stays + whole) + _NEAR * np.exp(near + whole) + _WALKED * np.exp(far + whole) + _ANYWHERE))


@dataclass(frozen=True, slots=True)
class _Pairs:
    """All pairs of walks through photos with a place, weighed one photo after the other.

    Attributes
    ----------
    score : float array (n, n + 1)
        Log probability of the photos up to each, by the last photo of the other walk; the last column: there is none yet.
    follows : float array (n, n)
        Log density of a photo's place (row) after an earlier one's.
    """

    score: FloatArray
    follows: FloatArray

    def turns(self, now: int) -> FloatArray:
        """Log probabilities (now,) that a photo is the other walk's next one, by that walk's last photo before; last: it is its first."""
        before = self.score[now - 1]
        return np.append(before[: now - 1] + math.log(_TURNS) + self.follows[now, : now - 1], before[-1] + math.log(_SECOND))

    @property
    def likelier(self) -> float:
        """Log of how much likelier two walks are than one."""
        return float(np.logaddexp.reduce(self.score[-1]) - self.score[-1, -1])


def _pairs(site: SiteArrays, places: _Places) -> _Pairs:
    size = places.step.size
    score = np.full((size, size + 1), -np.inf)
    score[0, -1] = 0.0
    pairs = _Pairs(score, np.zeros((size, size)))
    for now in range(1, size):
        pairs.follows[now, :now] = _log_follows(site, places, slice(0, now), now)
        same = pairs.follows[now, now - 1]
        score[now, : now - 1] = score[now - 1, : now - 1] + math.log(1.0 - _TURNS) + same
        score[now, -1] = score[now - 1, -1] + same
        score[now, now - 1] = np.logaddexp.reduce(pairs.turns(now))
    return pairs


def _drawn(pairs: _Pairs, rng: np.random.Generator) -> BoolArray:
    """Which photos (n,) are of the second walk, drawn from all pairs of walks."""
    size = len(pairs.score)
    other = _one_of(pairs.score[-1], rng)
    second = np.zeros(size, dtype=bool)
    for now in range(size - 1, 0, -1):
        turns = other == now - 1
        second[now - 1] = second[now] ^ turns
        if turns:
            before = _one_of(pairs.turns(now), rng)
            other = before if before < now - 1 else size
    return second


def _one_of(log_weights: FloatArray, rng: np.random.Generator) -> int:
    """A number drawn by logarithms of weights."""
    total = np.cumsum(np.exp(log_weights - log_weights.max()))
    return int(np.searchsorted(total, rng.random() * total[-1], side="right"))


def _parts(pairs: _Pairs) -> IntArray:
    """Numbers (n,) of parts, each surely of one walk by drawn pairs of walks; -1 where a part is too short to follow.

    Two walks that meet may change names there, so that parts are joined by photos near each other that nearly all draws put together.
    """
    rng = np.random.default_rng(0)
    draws = np.array([_drawn(pairs, rng) for _ in range(_DRAWS)])
    rows, ends = [], []
    for ahead in range(1, min(_BESIDE, draws.shape[1] - 1) + 1):
        sure = np.flatnonzero((draws[:, ahead:] == draws[:, :-ahead]).mean(axis=0) >= _AGREE)
        rows.append(sure)
        ends.append(sure + ahead)
    row, end = np.concatenate(rows), np.concatenate(ends)
    size = draws.shape[1]
    _, part = connected_components(coo_array((np.ones(row.size), (row, end)), shape=(size, size)), directed=False)
    return np.where(np.bincount(part)[part] >= _LEAST_PART, part, -1)


def _sides(known: IntArray, places: _Places, steps: int) -> IntArray:
    """The part of each photo of a stream, -1 where nothing tells: a photo without a place is of a part in the midst of several photos of it
    that no other's interrupt."""
    run = np.cumsum(np.diff(known, prepend=known[0]) != 0)
    length = np.bincount(run)
    number = np.arange(known.size) - (np.cumsum(length) - length)[run]
    last = np.searchsorted(places.step, np.arange(steps), side="right") - 1
    before, after = np.maximum(last, 0), np.minimum(last + 1, known.size - 1)
    enough = (number[before] + 1 >= _SOLO) | (run[before] == 0)
    enough &= (length[run[after]] - number[after] >= _SOLO) | (run[after] == run[-1])
    side = np.where((run[before] == run[after]) & enough, known[before], -1)
    side[places.step] = known
    return np.asarray(side)


def untangled(site: SiteArrays, arrays: PhotoArrays, stream: Stream, sure: IntArray, why: str, inner: bool = False) -> tuple[Stream, ...]:
    """The walks of a stream that may hold two crews' photos, and what belongs to neither for sure as a stream without an order.

    Parameters
    ----------
    sure : int array (M,)
        Camera that a label gives each photo, else -1.
    why : str
        Why it may hold them.

    Returns
    -------
    tuple of Stream
        The stream itself where one walk explains it as well; without an order, with the reason, where places are too few to tell.
    """
    places = _places(site, arrays, stream.photos, sure)
    if not _LEAST <= places.step.size <= _MOST:
        return (stream if inner else replace(stream, ordered=False, note=why),)
    pairs = _pairs(site, places)
    if pairs.likelier < _TWO:
        one = pairs.likelier < _ONE and places.step.size >= max(_MANY, _MOSTLY * stream.photos.size)
        return (stream if one or inner else replace(stream, ordered=False, note=why),)
    side = _sides(_parts(pairs), places, stream.photos.size)
    parts: list[Stream] = []
    for number in np.unique(side[side >= 0]):
        part = Stream(f"{stream.name}, walk {number + 1}", stream.photos[side == number])
        parts += [part] if inner else untangled(site, arrays, part, sure, why, inner=True)
    if (side < 0).any():
        parts.append(Stream(f"{stream.name}, either walk", stream.photos[side < 0], False, why))
    return tuple(parts)
