"""Tours that echo a tour of labels: where a crew photographed labels one after the other, it went the same way again for its other shots.

The order of the labels is known, so that the photos between two tours of labels are put along it, forwards or backwards, once or twice,
by a left-to-right hidden Markov chain. It is believed only where positions and directions of these photos bear it out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from audit.match.evidence import Settings, SiteArrays
from audit.match.factors import BROAD_LOG_GAP, MOVE_UNDER_WAY, WALK_M_PER_S, log_gap
from audit.match.shots import OWN

__all__ = ["Echo", "Told", "echoes", "own_share"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Gap that is put where none is known; it then counts for nothing. Stops from which it makes no odds how many more a run ends short of.
_NO_GAP_S, _MOST_CUT_SHORT = 30.0, 6
#: Labels of other cameras that make a tour, and unlabelled photos between two labels that don't end it.
_LEAST_TOUR, _BETWEEN = 4, 2
#: Photos between two tours that are worth a look.
_LEAST_RUN = 4
#: Ways to go along a tour again: forwards (1) or backwards (-1), pass by pass, and shots that are taken of each camera at once.
_WAYS = (((1,), 1), ((-1,), 1), ((1, -1), 1), ((-1, 1), 1), ((1, 1), 1), ((-1, -1), 1), ((1,), 2), ((-1,), 2))
#: Weight of a run that begins with a stray, and most cameras that a pass leaves out in a row (chosen).
_STRAY_FIRST, _MOST_LEFT_OUT = 0.2, 2
#: Shares to start from, of labels followed by another of their camera, of strays, of strays after which the stay goes on, and of cameras
#: left out of a pass; gaps or photos that each is worth (chosen).
_STAYS, _STRAYS, _RESUMED, _LEFT_OUT, _WORTH = 0.3, 0.15, 0.25, 0.03, 20.0
#: Bounds of the share of photos that another of their stay follows, and of such that are another shot, not the same once more (chosen).
_STAY_BOUNDS, _ANOTHER_BOUNDS = (0.1, 0.9), (0.05, 0.95)
#: Spread of the logarithms of gaps within a stay and between stays, and bounds of the medians (chosen).
_SPREADS, _STAY_GAPS_S, _MOVE_GAPS_S = (0.7, 0.6), (2.0, 30.0), (8.0, 180.0)
#: Log of how much likelier the best way is than photos put anywhere, and than the next best way, from which it is believed (chosen).
_BORNE_OUT, _BEFORE_OTHERS = 12.0, 7.0
#: Cameras beside one whose label was not read that are in doubt (chosen: the one before and the one after); and how many of the tours'
#: usual ways a label leads astray and back from which it may be misread (chosen: one crosses a site's rows within two).
_BESIDE_UNREAD, _ASTRAY = 2, 6.0
#: Rounds of learning.
_ROUNDS = 3


@dataclass(frozen=True, slots=True)
class Told:
    """What is known of a chain's photos, step by step.

    Attributes
    ----------
    sure : int array (T,)
        Camera that a label or an answer gives, else -1.
    time_s : float array (T,)
    walk : int array (T,)
        Number of the walk.
    real, away : float array (T, N)
        Log factors of each photo by itself, as each camera's and as a stray beside it.
    shows : float array (T, kinds) or None
    own : float array (T,)
        Share of what a photo's position tells that no other position told already, whose error lasts: see :func:`own_share`.
    """

    sure: IntArray
    time_s: FloatArray
    walk: IntArray
    real: FloatArray
    away: FloatArray
    shows: FloatArray | None
    own: FloatArray


def own_share(time_s: FloatArray, fixed: NDArray[np.bool_], lasts_s: float) -> FloatArray:
    """Share (T,) of what each position tells that is its own, where the errors of positions last: one over the sum of what it has in common
    with all; 1 for photos without a position.

    Parameters
    ----------
    time_s : float array (T,)
    fixed : bool array (T,)
        Whether a photo has a position.
    lasts_s : float
        Time over which errors persist.
    """
    kept = np.exp(-np.abs(np.diff(time_s, prepend=time_s[:1])) / lasts_s)
    before, after = np.zeros(time_s.size), np.zeros(time_s.size)
    for t in range(1, time_s.size):
        before[t] = kept[t] * (before[t - 1] + fixed[t - 1])
        after[-t - 1] = kept[-t] * (after[-t] + fixed[-t])
    return np.where(fixed, 1.0 / (1.0 + before + after), 1.0)


@dataclass(frozen=True, slots=True)
class Echo:
    """Probabilities of photos between tours of labels.

    Attributes
    ----------
    steps : int array (n,)
    belongs : float array (n, N)
        Probability of each camera; strays count for the camera that they were taken beside or after.
    doubtful : bool array (n,)
        Whether that is not to be believed: the likeliest camera's label was photographed in two places, so that one of them is misread, or
        a camera beside it has none that was read, so that its photos may pass for the likeliest one's.
    """

    steps: IntArray
    belongs: FloatArray
    doubtful: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _Pace:
    """How a crew goes along a tour: shares of stays, of those of their steps that come to another shot after a pause like a move's, and of
    strays, of strays after which the stay goes on, and of cameras left out, medians of gaps, and kinds of shots (passes times shots, kinds)."""

    stays: float
    another: float
    strays: float
    resumed: float
    left_out: float
    stay_gap_s: float
    move_gap_s: float
    kinds: FloatArray


@dataclass(frozen=True, slots=True)
class _Stops:
    """Cameras of a run's stops in order, the pass and shot of each, and ways (S, k) from the stops before, metres."""

    cameras: IntArray
    passes: IntArray
    way_m: FloatArray


@dataclass(frozen=True, slots=True)
class _Course:
    """One way to go along all tours again: how many kinds of stops it has, and each run's steps with its stops."""

    kinds: int
    side: int
    runs: tuple[tuple[IntArray, _Stops], ...]


def _tours(told: Told) -> list[IntArray]:
    """Steps of the labels of each tour."""
    tours: list[list[int]] = []
    for step in np.flatnonzero(told.sure >= 0).tolist():
        last = tours[-1][-1] if tours else -1
        if tours and step - last <= _BETWEEN + 1 and told.walk[step] == told.walk[last]:
            tours[-1].append(step)
        else:
            tours.append([step])
    found = [np.array(tour, dtype=np.int64) for tour in tours]
    return [tour for tour in found if np.unique(told.sure[tour]).size >= _LEAST_TOUR]


def _cameras(told: Told, tour: IntArray) -> IntArray:
    """Cameras that a tour's labels name, one after the other; one that stands in two places is named twice."""
    named = told.sure[tour]
    return np.asarray(named[np.diff(named, prepend=-1) != 0])


def _runs(told: Told, tours: Sequence[IntArray]) -> list[tuple[IntArray, int, int]]:
    """Runs of photos before, between and after tours: their steps, and the tour before and after each, -1 where there is none."""
    runs = []
    ends = [(-1, -1), *((int(tour[0]), int(tour[-1])) for tour in tours), (told.sure.size, told.sure.size)]
    for number, (before, after) in enumerate(zip(ends, ends[1:], strict=False)):
        for walk in np.unique(told.walk[before[1] + 1 : after[0]]):
            steps = np.arange(before[1] + 1, after[0])
            steps = steps[told.walk[steps] == walk]
            first = number - 1 if number and told.walk[before[1]] == walk else -1
            last = number if number < len(tours) and told.walk[after[0]] == walk else -1
            if steps.size >= _LEAST_RUN and (first >= 0 or last >= 0):
                runs.append((steps, first, last))
    return runs


def _stops(site: SiteArrays, cameras: IntArray, way: Sequence[int], shots: int) -> _Stops:
    order = np.concatenate([np.repeat(cameras[::one], shots) for one in way])
    where = site.walk_coordinates[order]
    ways = np.zeros((order.size, _MOST_LEFT_OUT + 2))
    for k in range(1, _MOST_LEFT_OUT + 2):
        ways[k:, k] = np.sqrt(((where[k:] - where[:-k]) ** 2).sum(axis=1))
    return _Stops(order, np.arange(order.size) // (cameras.size * shots) * shots + np.arange(order.size) % shots, ways)


def _first_pace(told: Told, tours: Sequence[IntArray], course: _Course) -> _Pace:
    """How the crew goes along a course, from its tours of labels and how many photos the course's stops share."""
    pairs = np.concatenate([np.column_stack([tour[:-1], tour[1:]]) for tour in tours])
    pairs = pairs[pairs[:, 1] == pairs[:, 0] + 1]
    gap = told.time_s[pairs[:, 1]] - told.time_s[pairs[:, 0]]
    same = told.sure[pairs[:, 0]] == told.sure[pairs[:, 1]]
    usual = Settings()

    def median(which: NDArray[np.bool_], otherwise: float, bounds: tuple[float, float]) -> float:
        return float(np.clip(np.median(gap[which]), *bounds)) if which.sum() >= _LEAST_TOUR else otherwise

    once_more = (same.sum() + _STAYS * _WORTH) / (same.size + _WORTH)
    photos, stops = sum(steps.size for steps, _ in course.runs), sum(stops.cameras.size for _, stops in course.runs)
    stays = float(np.clip(1.0 - stops / (photos * (1.0 - _STRAYS)), *_STAY_BOUNDS))
    another = float(np.clip(1.0 - once_more / stays, *_ANOTHER_BOUNDS))
    return _Pace(stays, another, _STRAYS, _RESUMED, _LEFT_OUT, median(same, usual.stay_gap_s, _STAY_GAPS_S), median(~same, usual.move_gap_s, _MOVE_GAPS_S),
                 np.tile(np.array(OWN), (course.kinds, 1)))


@dataclass(frozen=True, slots=True)
class _Weights:
    """Factors of one run: of coming to a stop from the kth before (k, n, S) after one of its photos and after a stray, of a stray (n,), and of the
    photos themselves (n, S)."""

    after_real: FloatArray
    after_away: FloatArray
    drift: float
    real: FloatArray
    away: FloatArray
    top: FloatArray


def _weights(told: Told, steps: IntArray, stops: _Stops, pace: _Pace) -> _Weights:
    gap = np.diff(told.time_s[steps], prepend=np.nan)[:, None]
    untimed = np.isnan(gap)
    gap = np.nan_to_num(gap, nan=_NO_GAP_S)
    left_out = np.array([1.0, *(pace.left_out**k for k in range(_MOST_LEFT_OUT + 1))])
    after_real, after_away = (np.zeros((_MOST_LEFT_OUT + 2, steps.size, stops.cameras.size)) for _ in range(2))
    gaps = (log_gap(gap, pace.stay_gap_s, _SPREADS[0]), log_gap(gap, pace.move_gap_s, _SPREADS[1]))
    stay = np.logaddexp(math.log(1 - pace.another) + gaps[0], math.log(pace.another) + gaps[1])
    after_real[0] = (1 - pace.strays) * pace.stays * np.exp(np.where(untimed, BROAD_LOG_GAP, stay))
    after_away[0] = (1 - pace.strays) * pace.resumed * math.exp(BROAD_LOG_GAP)
    for k in range(1, _MOST_LEFT_OUT + 2):
        spare = np.maximum(gap - MOVE_UNDER_WAY * stops.way_m[None, :, k] / WALK_M_PER_S, 1.0)
        move = np.where(untimed, BROAD_LOG_GAP, log_gap(spare, pace.move_gap_s, _SPREADS[1]))
        after_real[k] = (1 - pace.strays) * (1 - pace.stays) * left_out[k] * np.exp(move)
        after_away[k] = (1 - pace.strays) * (1 - pace.resumed) * left_out[k] * math.exp(BROAD_LOG_GAP)
    real, away = told.real[steps][:, stops.cameras], told.away[steps][:, stops.cameras]
    if told.shows is not None:
        seen = told.shows[steps]
        real = real + (np.log(seen @ pace.kinds.T) - np.log(seen @ np.array(OWN))[:, None])[:, stops.passes]
    top = np.maximum(real.max(axis=1), away.max(axis=1))
    return _Weights(after_real, after_away, pace.strays * math.exp(BROAD_LOG_GAP), np.exp(real - top[:, None]), np.exp(away - top[:, None]), top)


def _shifted(values: FloatArray, by: int) -> FloatArray:
    result = np.zeros_like(values)
    if by >= 0:
        result[by:] = values[: values.size - by]
    else:
        result[:by] = values[-by:]
    return result


def _cut_short(size: int) -> FloatArray:
    """Weights (S,) of a run that ends at each stop, and so short of the last."""
    return np.asarray(_LEFT_OUT ** np.minimum(np.arange(size)[::-1], _MOST_CUT_SHORT))


def _forward(w: _Weights) -> tuple[FloatArray, FloatArray, float]:
    """Scaled sums (n, S) up to each photo, at a stop and as a stray after it, and the log likelihood."""
    count, size = w.real.shape
    begin = np.zeros(size)
    begin[: _MOST_LEFT_OUT + 1] = _LEFT_OUT ** np.arange(min(size, _MOST_LEFT_OUT + 1))
    real, away = np.zeros((count, size)), np.zeros((count, size))
    total = float(w.top.sum())
    for t in range(count):
        if t == 0:
            here, stray = begin, _STRAY_FIRST * begin
        else:
            here = sum(w.after_real[k, t] * _shifted(real[t - 1], k) + w.after_away[k, t] * _shifted(away[t - 1], k) for k in range(len(w.after_real)))
            stray = w.drift * (real[t - 1] + away[t - 1])
        real[t], away[t] = here * w.real[t], stray * w.away[t]
        scale = real[t].sum() + away[t].sum()
        if not scale > 0:
            return real, away, -math.inf
        real[t] /= scale
        away[t] /= scale
        total += math.log(scale)
    return real, away, total + math.log(float((real[-1] + away[-1]) @ _cut_short(size)))


@dataclass(frozen=True, slots=True)
class _Found:
    """What a run's sums give: probabilities (n, S) of photos of each stop and of strays after them, and the expected number of steps (2, k)
    to the kth stop ahead, from photos and from strays."""

    real: FloatArray
    away: FloatArray
    ahead: FloatArray


def _posterior(w: _Weights) -> _Found:
    """Probabilities of a run's stops, forwards and backwards."""
    real, away, _ = _forward(w)
    count, size = real.shape
    later = _cut_short(size)
    later_away = later.copy()
    ahead = np.zeros((2, len(w.after_real)))
    for t in range(count - 1, -1, -1):
        if t < count - 1:
            there, stray = w.real[t + 1] * later, w.drift * w.away[t + 1] * later_away
            on = [np.array([_shifted(after[k, t + 1] * there, -k) for k in range(len(after))]) for after in (w.after_real, w.after_away)]
            later, later_away = (one.sum(axis=0) + stray for one in on)
            steps = np.array([on[0] @ real[t], on[1] @ away[t]])
            ahead += steps / (real[t] @ later + away[t] @ later_away)
            scale = later.max() + later_away.max()
            later, later_away = later / scale, later_away / scale
        real[t] *= later
        away[t] *= later_away
        both = real[t].sum() + away[t].sum()
        real[t] /= both
        away[t] /= both
    return _Found(real, away, ahead)


def _beside(found: _Found, cameras: IntArray, size: int) -> FloatArray:
    """Probabilities (n, size) of cameras, of which a stray counts as surplus that was taken after one of its photos; of the likeliest camera
    also one that was taken on the way to it."""
    rows = np.arange(len(found.real))[:, None]
    on_the_way = np.where(cameras[1:] != cameras[:-1], found.away[:, :-1], 0.0)
    after, either = np.zeros((len(rows), size)), np.zeros((len(rows), size))
    np.add.at(after, (rows, cameras[None, :]), found.real + found.away)
    np.add.at(either, (rows, cameras[None, 1:]), on_the_way)
    likeliest = (after + either).argmax(axis=1)[:, None]
    moved = np.where(cameras[None, 1:] == likeliest, on_the_way, 0.0)
    np.add.at(after, (rows, cameras[None, 1:]), moved)
    np.add.at(after, (rows, cameras[None, :-1]), -moved)
    return np.maximum(after, 0.0)


def _learnt(told: Told, runs: Sequence[tuple[IntArray, _Stops]], found: Sequence[_Found], pace: _Pace) -> _Pace:
    """The pace with the shares and the kinds of shots of each pass that the runs show."""
    strays, photos = sum(float(one.away.sum()) for one in found), sum(len(one.real) for one in found)
    ahead = np.sum([one.ahead for one in found], axis=0)

    def share(part: float, of: float, usual: float) -> float:
        return (part + usual * _WORTH) / (of + _WORTH)

    on = ahead.sum(axis=0)[1:]
    kinds = _WORTH * np.array(OWN) * np.ones_like(pace.kinds)
    if told.shows is not None:
        for (steps, stops), one in zip(runs, found, strict=True):
            for number in range(len(kinds)):
                of_kind = told.shows[steps] * pace.kinds[number]
                kinds[number] += one.real[:, stops.passes == number].sum(axis=1) @ (of_kind / of_kind.sum(axis=1, keepdims=True))
    return replace(pace, strays=share(strays, photos, _STRAYS), stays=share(float(ahead[0, 0]), float(ahead[0].sum()), pace.stays),
                   resumed=share(float(ahead[1, 0]), float(ahead[1].sum()), _RESUMED),
                   left_out=share(float(on @ np.arange(on.size)), float(on @ np.arange(1, on.size + 1)), _LEFT_OUT),
                   kinds=kinds / kinds.sum(axis=1, keepdims=True))


def _courses(site: SiteArrays, told: Told, tours: Sequence[IntArray]) -> list[_Course]:
    """All ways to go along tours, those before or those after each run."""
    cameras = [_cameras(told, tour) for tour in tours]
    runs = _runs(told, tours)
    found = []
    for side in (1, 2):
        mine = [(run[0], cameras[int(run[side])]) for run in runs if int(run[side]) >= 0]
        found += [_Course(len(way) * shots, side, tuple((steps, _stops(site, tour, way, shots)) for steps, tour in mine))
                  for way, shots in _WAYS if mine]
    return found


def _softened(factors: FloatArray, own: FloatArray) -> FloatArray:
    """Log factors (T, N) whose differences between cameras count for a share (T,) of what they are."""
    level = np.logaddexp.reduce(factors, axis=1, keepdims=True) - math.log(factors.shape[1])
    return np.asarray(level + own[:, None] * (factors - level))


def _likely(told: Told, course: _Course, pace: _Pace, steps: set[int]) -> float:
    """Log likelihood of the runs that begin at some steps."""
    return sum(_forward(_weights(told, run, stops, pace))[2] for run, stops in course.runs if int(run[0]) in steps)


def echoes(site: SiteArrays, told: Told) -> Echo | None:
    """Probabilities of photos between tours of labels; None where there are no tours, or nothing bears an echo out."""
    tours = _tours(told)
    courses = _courses(site, told, tours)
    if not courses:
        return None
    starts = [{int(run[0]) for run, _ in course.runs} for course in courses]
    common = set.intersection(*starts) or set.union(*starts)
    paces = [_first_pace(told, tours, course) for course in courses]
    likely = np.array([_likely(told, course, pace, common) if common <= start else -math.inf for course, pace, start in zip(courses, paces, starts, strict=True)])
    best = int(likely.argmax())
    course, pace = courses[best], paces[best]
    if not math.isfinite(likely[best]):
        return None
    anywhere = replace(told, real=np.broadcast_to(np.logaddexp.reduce(told.real, axis=1, keepdims=True) - math.log(site.size), told.real.shape))
    borne_out = likely[best] - _likely(anywhere, course, pace, common)
    if not borne_out >= _BORNE_OUT or np.sort(likely)[-2] > likely[best] - _BEFORE_OTHERS:
        return None
    told = replace(told, real=_softened(told.real, told.own), away=_softened(told.away, told.own))
    for _ in range(_ROUNDS):
        found = [_posterior(_weights(told, steps, stops, pace)) for steps, stops in course.runs]
        pace = _learnt(told, course.runs, found, pace)
    belongs = np.concatenate([_beside(one, stops.cameras, site.size) for (_, stops), one in zip(course.runs, found, strict=True)])
    return Echo(np.concatenate([steps for steps, _ in course.runs]), belongs, _doubtful(site, told, tours)[belongs.argmax(axis=1)])


def _doubtful(site: SiteArrays, told: Told, tours: Sequence[IntArray]) -> NDArray[np.bool_]:
    """Cameras (N,) whose label stands in two places of the tours or far off their way, or beside which one was not read, whose photos would
    pass for theirs."""
    named = [_cameras(told, tour) for tour in tours]
    starts = np.concatenate(named)
    doubtful = np.bincount(starts, minlength=site.size) > 1
    ways = [np.linalg.norm(np.diff(site.walk_coordinates[cameras], axis=0), axis=1) for cameras in named]
    usual = float(np.median(np.concatenate(ways)))
    for cameras, way in zip(named, ways, strict=True):
        skipped = np.linalg.norm(site.walk_coordinates[cameras[2:]] - site.walk_coordinates[cameras[:-2]], axis=1)
        astray = np.concatenate([way[:1], way[:-1] + way[1:] - skipped, way[-1:]])
        doubtful[cameras[astray > _ASTRAY * usual]] = True
    seen, unseen = np.unique(starts), np.setdiff1d(np.arange(site.size), told.sure)
    if unseen.size:
        near = cKDTree(site.walk_coordinates[seen]).query(site.walk_coordinates[unseen], k=min(_BESIDE_UNREAD, seen.size))[1]
        doubtful[seen[near.ravel()]] = True
    return doubtful
