"""Puts a visit's photos to the plan's cameras, and says how sure it is of each."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audit.match.candidates import first_lists, pruned_lists
from audit.match.evidence import PhotoArrays, Settings, SiteArrays, photo_arrays, site_arrays
from audit.match.learning import first_settings, learn
from audit.match.labels import LabelHit, LabelIndex
from audit.match.placement import Alternative, Decision, Placement
from audit.match.roles import role_of
from audit.match.sampling import Draws, Rule, draw_walks
from audit.match.streams import Stream, split_streams
from audit.match.walk import Chain, Posterior, Tables, build_tables, emissions, forward_backward
from audit.photos.photo import Photo
from audit.plan.model import Site

__all__ = ["match_photos"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
IntArray = NDArray[np.int64]

_LABEL_WRONG = math.log(1e-4)
_FOLDER_WRONG = math.log(0.02)
_ANSWERED = -60.0
_TABLE_CELLS = 6e6
_WIDTH = 20
_LABELS_KEPT = 4
_ROUNDS = 3


@dataclass(frozen=True, slots=True)
class _Known:
    """What labels and answers say of each photo: cameras named with their log factors, and answers."""

    hits: tuple[tuple[LabelHit, ...], ...]
    factors: tuple[dict[int, float] | None, ...]
    otherwise: FloatArray
    answer: IntArray
    answered: NDArray[np.bool_]


def _known(site: Site, photos: Sequence[Photo], answers: Mapping[str, str | None]) -> _Known:
    index = LabelIndex(site)
    camera_index = {camera.camera: i for i, camera in enumerate(site.cameras)}
    hits: list[tuple[LabelHit, ...]] = []
    factors: list[dict[int, float] | None] = []
    otherwise = np.zeros(len(photos))
    answer = np.full(len(photos), -1, dtype=np.int64)
    answered = np.zeros(len(photos), dtype=bool)
    for i, photo in enumerate(photos):
        found = index.hits(photo)
        hits.append(found)
        table: dict[int, float] = {}
        base = 0.0
        for hit in found:
            wrong = _FOLDER_WRONG if hit.source == "folder" else _LABEL_WRONG
            base += wrong
            for camera in hit.cameras:
                table[camera] = table.get(camera, 0.0) - wrong - math.log(len(hit.cameras))
        table = {camera: value + base for camera, value in table.items()}
        otherwise[i] = base
        if photo.name in answers:
            said = answers[photo.name]
            answered[i] = True
            if said is not None and said in camera_index:
                answer[i] = camera_index[said]
                table = {answer[i]: 0.0}
                otherwise[i] = _ANSWERED
            elif said is None:
                table, otherwise[i] = {}, 0.0
            else:
                answered[i] = False
        factors.append(table or None)
    return _Known(tuple(hits), tuple(factors), otherwise, answer, answered)


def _labels_of(known: _Known, chain: Chain) -> FloatArray:
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
    site: SiteArrays, photos: PhotoArrays, chain: Chain, settings: Settings, known: _Known
) -> tuple[FloatArray, FloatArray]:
    labels = _labels_of(known, chain)
    real, away = emissions(site, photos, chain, settings, labels, known.otherwise[chain.photo])
    said = known.answered[chain.photo]
    stray = said & (known.answer[chain.photo] < 0)
    real[stray] += _ANSWERED
    return real, away


def _camera_starts(chain: Chain, new_stay: Float32Array, size: int) -> FloatArray:
    """Expected number of stays at each camera."""
    used = chain.candidates >= 0
    return np.bincount(chain.candidates[used], weights=new_stay[used], minlength=size)


def _exclusion(chain: Chain, new_stay: Float32Array, size: int, settings: Settings) -> Float32Array:
    """How much each new stay is still wanted, given the other stays' probabilities of taking its camera."""
    free = -np.log1p(-np.minimum(new_stay, 0.999))
    used = chain.candidates >= 0
    total = np.bincount(chain.candidates[used], weights=free[used], minlength=size)
    others = np.where(used, total[chain.candidates] - free, 0.0)
    return np.maximum(np.exp(-np.maximum(others, 0.0)), settings.again_share).astype(np.float32)


@dataclass(frozen=True, slots=True)
class _Result:
    """Probabilities of each step and candidate (T, K): its photo belongs there, or is a stray within a stay there.

    ``together`` (T,) is the probability that the photo belongs to the same camera as the one before it.
    """

    chain: Chain
    real: FloatArray
    surplus: FloatArray
    together: FloatArray
    draws: Draws
    settings: Settings


def _solve(
    site: SiteArrays, photos: PhotoArrays, streams: Sequence[Stream], known: _Known
) -> _Result:
    order = np.concatenate([s.photos for s in streams])
    cut = np.zeros(order.size, dtype=bool)
    at = 0
    for stream in streams:
        cut[at] = True
        if not stream.ordered:
            cut[at : at + stream.photos.size] = True
        at += stream.photos.size
    labelled = np.full((order.size, _LABELS_KEPT), -1, dtype=np.int64)
    sure = np.full(order.size, -1, dtype=np.int64)
    for step, photo in enumerate(order):
        table = known.factors[photo]
        if table is not None:
            best = sorted(table, key=lambda c: -table[c])[:_LABELS_KEPT]
            labelled[step, : len(best)] = best
            if len(best) == 1:
                sure[step] = best[0]
    wide = int(np.clip(math.sqrt(_TABLE_CELLS / max(order.size, 1)), 24, 100))
    chain = Chain(order, cut, first_lists(site, photos, order, cut, sure, labelled, min(wide, site.size + 1)))
    settings = first_settings(photos, chain)
    tables, posterior = _pass(site, photos, chain, settings, known)
    width = min(_WIDTH, chain.candidates.shape[1])
    start = settings
    left: FloatArray | None = None
    for round_ in range(_ROUNDS):
        score = posterior.real + posterior.away
        if chain.candidates.shape[1] > width:
            chain = Chain(order, cut, pruned_lists(chain.candidates, score, cut, width, labelled))
        tables, posterior = _pass(site, photos, chain, settings, known, left)
        wanted = _camera_starts(chain, posterior.new_stay, site.size)
        weight = _exclusion(chain, posterior.new_stay, site.size, settings)
        posterior = forward_backward(tables, weight)
        rule = Rule(settings.missed_share, settings.again_share)
        draws = draw_walks(chain, tables, site.size, rule, posterior.real, replicates=8, sweeps=10, settle=6,
                           seed=round_)
        settings = learn(site, photos, chain, settings, draws, wanted, start)
        left = _unvisited(chain, draws, chain, site.size)
    tables, posterior = _pass(site, photos, chain, settings, known, left)
    rule = Rule(settings.missed_share, settings.again_share)
    draws = draw_walks(chain, tables, site.size, rule, posterior.real, replicates=16, sweeps=80, settle=20)
    return _summary(chain, draws, settings)


def _summary(chain: Chain, draws: Draws, settings: Settings) -> _Result:
    """Probabilities from drawn walks."""
    steps, size = chain.candidates.shape
    count = len(draws.place)
    within = np.zeros_like(draws.away)
    goes_on = np.zeros(count, dtype=bool)
    for t in range(steps - 1, -1, -1):
        within[:, t] = draws.away[:, t] & goes_on
        goes_on = np.where(draws.away[:, t], goes_on, ~draws.begins[:, t])
        if chain.cut[t]:
            goes_on[:] = False
    within &= draws.place < size - 1
    at = np.arange(steps)[None, :] * size + draws.place

    def share(which: NDArray[np.bool_]) -> FloatArray:
        return np.bincount(at[which], minlength=steps * size).reshape(steps, size) / count

    camera = chain.candidates[np.arange(steps)[None, :], draws.place]
    together = np.zeros(steps)
    together[1:] = ((camera[:, 1:] == camera[:, :-1]) & (camera[:, 1:] >= 0)
                    & ~draws.away[:, 1:] & ~draws.away[:, :-1]).mean(axis=0)
    together[chain.cut] = 0.0
    return _Result(chain, share(~draws.away), share(within), together, draws, settings)


def _unvisited(chain: Chain, draws: Draws, drawn: Chain, size: int) -> FloatArray:
    """Probability that each candidate has not been visited before its step, from earlier draws."""
    steps = len(chain.photo)
    at = np.arange(steps)
    camera = drawn.candidates[at[None, :], draws.place]
    rows, when = np.nonzero(draws.begins)
    first = np.full((len(camera), size), steps, dtype=np.int64)
    np.minimum.at(first, (rows, camera[rows, when]), when)
    result = np.zeros(chain.candidates.shape)
    for one in first:
        result += one[np.maximum(chain.candidates, 0)] >= at[:, None]
    return np.where(chain.candidates >= 0, result / len(first), 0.0)


def _pass(site: SiteArrays, photos: PhotoArrays, chain: Chain, settings: Settings, known: _Known,
          unvisited: FloatArray | None = None) -> tuple[Tables, Posterior]:
    real, away = _factors(site, photos, chain, settings, known)
    tables = build_tables(site, photos, chain, settings, real, away, unvisited=unvisited)
    return tables, forward_backward(tables)


def match_photos(
    site: Site,
    photos: Sequence[Photo],
    answers: Mapping[str, str | None] = {},
    at_least: float = 0.97,
) -> tuple[Placement, ...]:
    """Puts each photo to a planned camera, to none, or to a person.

    Parameters
    ----------
    site : Site
    photos : sequence of Photo
    answers : mapping of photo name to camera id or None
        What a person said (None = the photo belongs to no camera): taken as facts.
    at_least : float
        Probability from which it decides.

    Returns
    -------
    tuple of Placement
        In the order of ``photos``.
    """
    if not photos:
        return ()
    arrays = photo_arrays(site, photos)
    plan = site_arrays(site)
    known = _known(site, photos, answers)
    streams = split_streams(photos, arrays)
    result = _solve(plan, arrays, streams, known)
    placements: list[Placement | None] = [None] * len(photos)
    for step, photo_index in enumerate(result.chain.photo):
        photo = photos[photo_index]
        cameras = result.chain.candidates[step]
        belongs = result.real[step] + result.surplus[step]
        best = int(np.argmax(belongs))
        stray = 1.0 - float(belongs.sum())
        decision: Decision = "unsure"
        camera: str | None = None
        probability = max(float(belongs[best]), stray)
        if belongs[best] >= at_least:
            decision, camera = "placed", site.cameras[cameras[best]].camera
        elif stray >= at_least:
            decision = "stray"
        ranked = [int(k) for k in np.argsort(-belongs)[:4] if belongs[k] > 0.01]
        others = [Alternative(site.cameras[cameras[k]].camera, float(belongs[k])) for k in ranked]
        if stray > 0.01:
            others.append(Alternative(None, stray))
        others.sort(key=lambda a: -a.probability)
        hits = known.hits[photo_index]
        placements[photo_index] = Placement(
            photo.name, camera, probability, decision, camera or photo.name, tuple(others),
            role_of(photo, site.camera(camera) if camera else None, hits),
            tuple(hit.sentence() for hit in hits))
    return tuple(p for p in placements if p is not None)
