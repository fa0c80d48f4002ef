"""From what photos say to probabilities: short lists, habits of the crew, and walks drawn under the one-visit rule."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from audit.match.candidates import Named, first_lists, pruned_lists
from audit.match.echo import Echo, Told, echoes, own_share
from audit.match.evidence import PhotoArrays, Settings, SiteArrays
from audit.match.factors import emissions
from audit.match.labels import LabelHit, label_index
from audit.match.learning import Lesson, burst_steps, first_settings, learn, rule_of
from audit.match.sampling import Draws, Effort, draw_walks
from audit.match.shots import Shows, stray_log_ratio
from audit.match.steps import Factors, build_tables
from audit.match.streams import Stream
from audit.match.walk import Chain, Tables, forward_backward
from audit.photos.photo import Photo
from audit.plan.model import Site

__all__ = ["Known", "Result", "echoed", "gather", "labels_in_one_go", "labels_once_more", "solve_alone", "solve_walks", "sure_cameras"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
IntArray = NDArray[np.int64]

#: Share of labels that are stuck on another camera or read as another's, any of them alike; bounds of what that is for one camera
#: of small and large plans; and the log probability of a folder's name (chosen).
_LABELS_WRONG, _ONE_WRONG, _FOLDER_WRONG = 0.01, (1e-5, 5e-4), math.log(0.02)
#: How often a label is photographed on a second occasion, what stands on labels, and steps of a stream that are one occasion (chosen).
_LABEL_AGAIN, _ON_LABELS, _NEAR_STEPS = 0.05, ("code", "text"), 8
#: Where a camera's name was read in the picture itself: its look says no more then.
_IN_THE_PICTURE = ("code", "board", "picture")
#: Log factor of all that contradicts a person: as good as impossible, and still finite.
_ANSWERED = -60.0
#: Cells (steps times pairs of candidates) of the first and of the shortened lists, and their bounds, for time and memory.
_TABLE_CELLS, _NARROW_CELLS, _WIDE, _NARROW = 6e6, 4e6, (24, 100), (13, 44)
#: Cells of a table that is worked out at once, and steps by which its pieces overlap.
_SPAN_CELLS, _OVERLAP = 4_000_000, 32
#: Steps of all walks side by side, their least and most number; sweeps likewise.
_REPLICATE_STEPS, _REPLICATES, _SWEEPS = 150_000, (2, 16), (20, 240)
#: Sweeps, and those dropped of them, of a round that only learns; and the part of the last round's that is dropped.
_LEARNING_SWEEPS, _SETTLE_PART = (10, 6), 4
#: Least stated error that counts, metres, and photos over which stated errors are levelled.
_LEAST_STATED_M, _LEVELLED = 0.5, 9
#: Probabilities above this count as this, so that what is left of a camera stays above 0.
_ALMOST_SURE = 0.999
#: Steps of walks drawn in all: for each photo, at least, and at most; and at most where there are many photos, of which one
#: round of learning is left out too, to keep the time.
_PHOTO_SWEEP_STEPS, _LEAST_SWEEP_STEPS, _MOST_SWEEP_STEPS = 4e3, 4e6, 2.4e7
_MANY, _MANY_SWEEP_STEPS = 20_000, 1.2e7
#: With fewer walks side by side, a photo is sure of its camera where sums and draws agree.
_ENOUGH_REPLICATES = 12
_LABELS_KEPT = 4
#: Probability that the lists of the last round may leave out, places kept for the best of the steps beside, least length.
_OUTSIDE, _BESIDE, _LEAST_WIDTH = 2e-4, 4, 12
_ROUNDS = 3
#: Weight of a further visit where several walks pass the site: a second phone or crew may come by the same camera.
_AGAIN_BY_OTHERS = 0.1
#: The same where labels were photographed in one go, and cameras are visited once more for everything else; and the share of label
#: photos that follow another camera's at once from which that is so (chosen; of crews that photograph camera by camera below a tenth).
_AGAIN_BY_TOURS, _LABELS_AT_ONCE = 0.5, 0.3
#: Share of the plan's cameras whose labels must be read for tours of labels to show which way the crew went, and photos times cameras up
#: to which that is worked out.
_TOURS_NAMED, _TOURS_CELLS = 0.85, 6e6


@dataclass(frozen=True, slots=True)
class Known:
    """What labels and answers say of each photo.

    Attributes
    ----------
    hits : tuple of tuples of LabelHit
        Ids and serials found with each photo.
    factors : tuple of dict or None
        Log factor of each camera that a label or an answer names.
    otherwise : float array (M,)
        Log factor of all other cameras, and of none.
    answer : int array (M,)
        Camera that a person said, -1 where none.
    answered : bool array (M,)
        Whether a person said anything.
    strange : float array (M,)
        Log factor of a photo's look where it belongs to no camera, over that where it belongs to one; 0 where nobody looked,
        or something in the picture names a camera.
    """

    hits: tuple[tuple[LabelHit, ...], ...]
    factors: tuple[dict[int, float] | None, ...]
    otherwise: FloatArray
    answer: IntArray
    answered: NDArray[np.bool_]
    strange: FloatArray


def gather(site: Site, photos: Sequence[Photo], answers: Mapping[str, str | None]) -> Known:
    """Finds labels in all photos and joins them with a person's answers, whose cameras the plan must hold."""
    index = label_index(site)
    camera_index = {camera.camera: i for i, camera in enumerate(site.cameras)}
    hits: list[tuple[LabelHit, ...]] = []
    factors: list[dict[int, float] | None] = []
    otherwise = np.zeros(len(photos))
    answer = np.full(len(photos), -1, dtype=np.int64)
    answered = np.zeros(len(photos), dtype=bool)
    label_wrong = math.log(np.clip(_LABELS_WRONG / max(1, len(site.cameras) - 1), *_ONE_WRONG))
    for i, photo in enumerate(photos):
        found = index.hits(photo)
        hits.append(found)
        table: dict[int, float] = {}
        base = 0.0
        for hit in found:
            wrong = _FOLDER_WRONG if hit.source == "folder" else label_wrong
            base += wrong
            for camera in hit.cameras:
                table[camera] = table.get(camera, 0.0) - wrong - math.log(len(hit.cameras))
        table = {camera: value + base for camera, value in table.items()}
        otherwise[i] = base
        if photo.name in answers:
            said = answers[photo.name]
            answered[i] = True
            if said is None:
                table, otherwise[i] = {}, 0.0
            else:
                answer[i] = camera_index[said]
                table = {camera_index[said]: 0.0}
                otherwise[i] = _ANSWERED
        factors.append(table or None)
    named = np.array([any(hit.source in _IN_THE_PICTURE for hit in found) for found in hits], dtype=bool)
    strange = np.array([stray_log_ratio(Shows(photo.shows)) if photo.shows else 0.0 for photo in photos])
    return Known(tuple(hits), tuple(factors), otherwise, answer, answered, np.where(answered | named, 0.0, strange))


def sure_cameras(known: Known) -> IntArray:
    """Camera that labels or an answer give each photo alone, -1 where they name none or several; (M,)."""
    return np.array([next(iter(f)) if f is not None and len(f) == 1 else -1 for f in known.factors], dtype=np.int64)


def labels_in_one_go(sure: IntArray, cut: NDArray[np.bool_]) -> bool:
    """Whether labels were photographed one after the other, camera after camera, apart from all other photos.

    Parameters
    ----------
    sure : int array (T,)
        Camera that each step's label or an answer gives, -1 where none.
    cut : bool array (T,)
        Whether a walk begins.
    """
    named = sure >= 0
    at_once = named[1:] & named[:-1] & (sure[1:] != sure[:-1]) & ~cut[1:]
    return bool(at_once.sum() > _LABELS_AT_ONCE * max(1, named.sum()))


def labels_once_more(known: Known, streams: Sequence[Stream]) -> NDArray[np.bool_]:
    """Photos (M,) of streams with an order whose label another photo shows too, but none near by in their own stream.

    One of the two may be misread: a crew seldom photographs a label on two occasions.
    """
    sure = np.where([any(hit.source in _ON_LABELS for hit in hits) for hits in known.hits], sure_cameras(known), -1)
    again = np.zeros(sure.size, dtype=bool)
    for stream in streams:
        named = sure[stream.photos]
        for step in np.flatnonzero(named >= 0) if stream.ordered else ():
            near = named[max(0, step - _NEAR_STEPS) : step + _NEAR_STEPS + 1]
            own, everywhere = np.count_nonzero(near == named[step]), np.count_nonzero(sure == named[step])
            again[stream.photos[step]] = own == 1 and everywhere > 1
    return again


def _labelled(known: Known, order: IntArray) -> IntArray:
    """The cameras that labels name, best first, -1 filled, (T, 4)."""
    result = np.full((order.size, _LABELS_KEPT), -1, dtype=np.int64)
    for step, photo in enumerate(order):
        table = known.factors[photo]
        if table is not None:
            best = sorted(table, key=lambda camera: -table[camera])[:_LABELS_KEPT]
            result[step, : len(best)] = best
    return result


def _named(known: Known, order: IntArray) -> Named:
    """What labels and answers name at each step."""
    return Named(sure_cameras(known)[order], _labelled(known, order))


def _wide(steps: int, cameras: int) -> int:
    """Length of the first lists."""
    return min(int(np.clip(math.sqrt(_TABLE_CELLS / max(steps, 1)), *_WIDE)), cameras + 1)


def _labels_of(known: Known, chain: Chain) -> FloatArray:
    """Log factors of labels and answers for each step and candidate, (T, K)."""
    result = np.repeat(known.otherwise[chain.photo][:, None], chain.candidates.shape[1], axis=1)
    for step, photo in enumerate(chain.photo):
        table = known.factors[photo]
        if table is not None:
            for camera, value in table.items():
                result[step, chain.candidates[step] == camera] = value
        elif known.answered[photo]:
            result[step] = 0.0
    return result


def _factors(
    site: SiteArrays, photos: PhotoArrays, chain: Chain, settings: Settings, known: Known
) -> tuple[FloatArray, FloatArray]:
    labels = _labels_of(known, chain)
    real, away = emissions(site, photos, chain, settings, labels, known.otherwise[chain.photo])
    said = known.answered[chain.photo]
    stray = said & (known.answer[chain.photo] < 0)
    real[stray] += _ANSWERED
    return real, away + known.strange[chain.photo][:, None]


def _camera_starts(chain: Chain, new_stay: Float32Array, size: int) -> FloatArray:
    """Expected number of stays at each camera."""
    used = chain.candidates >= 0
    return np.asarray(np.bincount(chain.candidates[used], weights=new_stay[used], minlength=size), dtype=np.float64)


def _exclusion(chain: Chain, new_stay: Float32Array, size: int, settings: Settings) -> Float32Array:
    """How much each new stay is still wanted, given the other stays' probabilities of taking its camera."""
    free = -np.log1p(-np.minimum(new_stay, _ALMOST_SURE))
    used = chain.candidates >= 0
    total = np.bincount(chain.candidates[used], weights=free[used], minlength=size)
    others = np.where(used, total[chain.candidates] - free, 0.0)
    return np.maximum(np.exp(-np.maximum(others, 0.0)), settings.again_share).astype(np.float32)


@dataclass(frozen=True, slots=True)
class Result:
    """Probabilities of each step and candidate (T, K): its photo belongs there, or is a stray taken beside it.

    ``together`` (T,) is the probability that the photo was taken at the same camera as the one before it.
    """

    chain: Chain
    real: FloatArray
    surplus: FloatArray
    together: FloatArray
    draws: Draws
    settings: Settings

    def seen(self, steps: IntArray, camera: int) -> float:
        """Probability that at least one photo of these steps belongs to the camera."""
        there = self.chain.candidates[steps[None, :], self.draws.place[:, steps]] == camera
        return float((there & ~self.draws.away[:, steps]).any(axis=1).mean())


def _steady(photos: PhotoArrays, order: IntArray) -> PhotoArrays:
    """The photos with stated errors of position freed of jumps from photo to photo, which errors don't follow.

    A photo's own figure and the middle of its neighbours' figures on the walk count alike (geometric mean).
    """
    own = np.log(np.maximum(photos.position_m[order], _LEAST_STATED_M))
    known = ~np.isnan(own) & ~np.isnan(photos.east_m[order])
    total = uniform_filter1d(np.where(known, own, 0.0), _LEVELLED, mode="nearest")
    count = uniform_filter1d(known.astype(np.float64), _LEVELLED, mode="nearest")
    stated = photos.position_m.copy()
    stated[order[known]] = np.exp(0.5 * (own[known] + total[known] / count[known]))
    return replace(photos, position_m=stated)


def solve_walks(
    site: SiteArrays, photos: PhotoArrays, streams: Sequence[Stream], known: Known
) -> Result:
    """Probabilities of photos whose order tells, from walks drawn under the one-visit rule."""
    order = np.concatenate([s.photos for s in streams])
    photos = _steady(photos, order)
    cut = np.zeros(order.size, dtype=bool)
    at = 0
    for stream in streams:
        cut[at] = True
        at += stream.photos.size
    named = _named(known, order)
    coded = np.where(known.answered[order], -1, named.sure)
    chain = Chain(order, cut, first_lists(site, photos, order, cut, named, _wide(order.size, site.size)))
    start = first_settings(photos, chain)
    if len(streams) > 1:
        start = replace(start, again_share=_AGAIN_BY_OTHERS)
    if labels_in_one_go(named.sure, cut):
        start = replace(start, again_share=_AGAIN_BY_TOURS)
    settings = start
    score = _first_look(site, photos, chain, settings, known)
    narrow = int(np.clip(math.sqrt(_NARROW_CELLS / order.size), *_NARROW))
    replicates = int(np.clip(_REPLICATE_STEPS // order.size, *_REPLICATES))
    many = order.size > _MANY
    budget = np.clip(_PHOTO_SWEEP_STEPS * order.size, _LEAST_SWEEP_STEPS, _MANY_SWEEP_STEPS if many else _MOST_SWEEP_STEPS)
    sweeps = int(np.clip(budget / (order.size * replicates), *_SWEEPS))
    rounds = _ROUNDS - 1 if many else _ROUNDS
    first: IntArray | None = None
    draws: Draws | None = None
    for round_ in range(rounds + 1):
        last = round_ == rounds
        if last:
            narrow = min(narrow, _needed_width(chain, score))
        if chain.candidates.shape[1] > narrow:
            chain = Chain(order, cut, pruned_lists(chain.candidates, score, cut, narrow, named.labelled))
        left = _unvisited(chain, first) if first is not None else None
        tables = _whole_tables(site, photos, chain, settings, known, left)
        posterior = forward_backward(tables)
        wanted = _camera_starts(chain, posterior.new_stay, site.size)
        posterior = forward_backward(tables, _exclusion(chain, posterior.new_stay, site.size, settings))
        rule = replace(rule_of(settings), follows=burst_steps(photos, chain, settings), coded=coded)
        effort = (Effort(replicates, sweeps, sweeps // _SETTLE_PART, round_) if last
                  else Effort(max(_REPLICATES[0], replicates // 2), *_LEARNING_SWEEPS, round_))
        draws = draw_walks(chain, tables, site.size, rule, posterior.real, effort)
        if not last:
            settings = learn(site, photos, chain, Lesson(settings, start, draws, wanted, coded))
            first = _first_visits(chain, draws, site.size)
            score = posterior.real + posterior.away
    assert draws is not None
    result = _summary(chain, draws, settings)
    if replicates < _ENOUGH_REPLICATES:
        result = replace(result, real=0.5 * (result.real + posterior.real), surplus=0.5 * result.surplus)
    return result


def echoed(site: SiteArrays, photos: PhotoArrays, result: Result, known: Known) -> Echo | None:
    """What tours of labels say of the photos between them; None where labels were not photographed in one go, or say nothing of that."""
    chain = result.chain
    sure, time_s = sure_cameras(known)[chain.photo], photos.time_s[chain.photo]
    few = np.unique(sure[sure >= 0]).size < _TOURS_NAMED * site.size
    if few or np.isnan(time_s).any() or chain.photo.size * site.size > _TOURS_CELLS or not labels_in_one_go(sure, chain.cut):
        return None
    every = Chain(chain.photo, chain.cut, np.tile(np.append(np.arange(site.size), -1), (chain.photo.size, 1)))
    real, away = _factors(site, _steady(photos, chain.photo), every, result.settings, known)
    shows = None if photos.shows is None else photos.shows[chain.photo]
    own = own_share(time_s, ~np.isnan(photos.east_m[chain.photo]), result.settings.correlation_s)
    return echoes(site, Told(sure, time_s, np.cumsum(chain.cut), real[:, :-1], away[:, :-1], shows, own))


def solve_alone(
    site: SiteArrays, photos: PhotoArrays, order: IntArray, known: Known, once_more: NDArray[np.bool_] | None = None
) -> tuple[IntArray, FloatArray]:
    """Probabilities of photos whose order tells nothing, each by itself.

    Parameters
    ----------
    once_more : bool array (M,) or None
        Photos whose label was photographed elsewhere too, see :func:`labels_once_more`.

    Returns
    -------
    candidates : int array (T, K)
    probability : float array (T, K)
        That the photo belongs to each; the rest is that it belongs to none.
    """
    cut = np.ones(order.size, dtype=bool)
    lists = first_lists(site, photos, order, cut, _named(known, order), _wide(order.size, site.size))
    chain = Chain(order, cut, lists)
    real, away = _factors(site, photos, chain, Settings(), known)
    if once_more is not None:
        named = sure_cameras(known)[order]
        real[once_more[order][:, None] & (lists == named[:, None]) & (lists >= 0)] += math.log(_LABEL_AGAIN)
    top = np.maximum(real.max(axis=1), away.max(axis=1))[:, None]
    belongs = np.exp(real - top) / site.size
    none = np.exp(away[:, -1:] - top) + np.exp(away[:, :-1] - top).sum(axis=1, keepdims=True) / site.size
    return lists, belongs / (belongs.sum(axis=1, keepdims=True) + none)


def _summary(chain: Chain, draws: Draws, settings: Settings) -> Result:
    """Probabilities from drawn walks."""
    steps, size = chain.candidates.shape
    count = len(draws.place)
    at = np.arange(steps)[None, :] * size + draws.place

    def share(which: NDArray[np.bool_]) -> FloatArray:
        return np.bincount(at[which], minlength=steps * size).reshape(steps, size) / count

    camera = chain.candidates[np.arange(steps)[None, :], draws.place]
    together = np.zeros(steps)
    together[1:] = ((camera[:, 1:] == camera[:, :-1]) & (camera[:, 1:] >= 0)).mean(axis=0)
    together[chain.cut] = 0.0
    return Result(chain, share(~draws.away), share(draws.away & (draws.place < size - 1)), together, draws, settings)


def _first_visits(chain: Chain, draws: Draws, size: int) -> IntArray:
    """Step (S, N) at which each drawn walk first visits each camera, the number of steps where it never does."""
    steps = len(chain.photo)
    camera = chain.candidates[np.arange(steps)[None, :], draws.place]
    rows, when = np.nonzero(draws.begins)
    first = np.full((len(camera), size), steps, dtype=np.int64)
    np.minimum.at(first, (rows, camera[rows, when]), when)
    return first


def _unvisited(chain: Chain, first: IntArray) -> FloatArray:
    """Probability that each candidate has not been visited before its step, from first visits in drawn walks."""
    at = np.arange(len(chain.photo))
    result = np.zeros(chain.candidates.shape)
    for one in first:
        result += one[np.maximum(chain.candidates, 0)] >= at[:, None]
    return np.where(chain.candidates >= 0, result / len(first), 0.0)


def _needed_width(chain: Chain, score: Float32Array) -> int:
    """Length of lists outside which hardly any probability lies (the last entry, "none", included)."""
    ranked = -np.sort(-np.where(chain.candidates < 0, 0.0, score), axis=1)
    outside = 1.0 - np.cumsum(ranked, axis=1).mean(axis=0) - score[:, -1].mean()
    return int(np.clip(np.argmax(outside < _OUTSIDE) + 1 + _BESIDE, _LEAST_WIDTH, ranked.shape[1]))


def _spans(steps: int, size: int) -> list[slice]:
    """Pieces of the chain whose tables fit well into memory."""
    # shorter pieces would cost more in overlap than they spare
    length = max(256, _SPAN_CELLS // size**2)
    return [slice(a, min(a + length, steps)) for a in range(0, steps, length)]


def _first_look(
    site: SiteArrays, photos: PhotoArrays, chain: Chain, settings: Settings, known: Known
) -> Float32Array:
    """Rough probabilities (T, K) of wide lists, made piece by piece with some overlap."""
    real, away = _factors(site, photos, chain, settings, known)
    steps, size = chain.candidates.shape
    score = np.zeros((steps, size), dtype=np.float32)
    for span in _spans(steps, size):
        low, high = max(0, span.start - _OVERLAP), min(steps, span.stop + _OVERLAP)
        tables = build_tables(site, photos, chain, settings, Factors(real, away), slice(low, high))
        found = forward_backward(tables)
        inner = slice(span.start - low, span.stop - low)
        score[span] = (found.real + found.away)[inner]
    return score


def _whole_tables(
    site: SiteArrays, photos: PhotoArrays, chain: Chain, settings: Settings, known: Known,
    unvisited: FloatArray | None,
) -> Tables:
    """Tables of the whole chain."""
    real, away = _factors(site, photos, chain, settings, known)
    steps, size = chain.candidates.shape
    spans = _spans(steps, size)
    parts = [build_tables(site, photos, chain, settings, Factors(real, away, unvisited), span) for span in spans]
    if len(parts) == 1:
        return parts[0]
    move = np.empty((steps, size, size), dtype=np.float32)
    move_away = np.empty_like(move)
    for span, part in zip(spans, parts, strict=True):
        move[span], move_away[span] = part.move, part.move_away

    def join(name: str) -> NDArray[Any]:
        return np.concatenate([getattr(part, name) for part in parts])

    return Tables(move, move_away, join("stay"), join("stay_away"), join("drift"), join("previous"),
                  join("following"), join("real"), join("away"), join("cut"), parts[0].restart)
