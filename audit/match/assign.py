"""Puts a visit's photos to the plan's cameras, and says how sure it is of each."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from audit.errors import AuditError
from audit.match.beside import taken_next_to
from audit.match.duplicates import copies
from audit.match.echo import Echo
from audit.match.evidence import PhotoArrays, SiteArrays, photo_arrays, site_arrays
from audit.match.name_clock import timed_by_names
from audit.match.placement import Alternative, Decision, Placement, Role
from audit.match.questions import ask_order, stay_groups
from audit.match.reasons import About, reasons
from audit.match.roles import OWN_PICTURES, light_named, role_of, roles_by_order
from audit.match.solve import Known, Result, echoed, gather, labels_once_more, solve_alone, solve_walks, sure_cameras
from audit.match.streams import Stream, shared_by_crews, split_streams
from audit.match.tangled import untangled
from audit.match.together import joined_streams
from audit.match.walk import Chain
from audit.photos.clocks import device_clock_offsets
from audit.photos.photo import Photo
from audit.plan.model import Site

__all__ = ["match_photos"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Photos of a camera at least this far apart are two shots of it; one burst is one (chosen).
_BURST_S = 3.0
#: A position whose stated error is larger tells poorly.
_FAR_M = 12.0
#: How far the draws' probabilities are believed (a power, renormalised) by the mean of the best probabilities of photos that tell as much,
#: with a position or without: the fewer of them are sure, the more each sure one leans on what is only assumed of phones and crews,
#: as simulated walks show. Less where a position is told poorly. This and what follows is set by the worst of three makers of walks, which
#: share no code (tests/bench/matching_figures.py).
_SURENESS, _TRUST, _FAR_TRUST = (0.6, 0.9, 0.95, 0.98), (0.25, 0.35, 0.7, 0.8), 0.85
#: Photos of the whole visit that such a mean of one walk and kind is held to (chosen).
_SURENESS_HOLD = 10.0
#: Trust where a photo near by names the likely camera, so that little is left but where its stay ends, in walks with most cameras named;
#: the same of copies without a time, between any two of which another camera's photos may be missing; and where most cameras are named.
#: Never above 1: of what the draws gave nine in ten, one in ten was wrong.
_TIED_TRUST, _TIED_TRUST_UNTIMED, _NAMED_TRUST = 1.0, 0.5, 0.75
#: Share of cameras that are named from which the former is full: where few are, the next camera's photos bear no label to end a stay.
_GAIN_NAMED = 0.8
#: Trust in a photo's own label: one in a hundred is misread or stuck on another camera, so that its place is sure only where the photos
#: round about bear it out.
_LABEL_TRUST = 0.6
#: Trust in what tours of labels say of the photos between them.
_ECHO_TRUST = 1.0
#: Probability up to which one that says another camera does not speak against the other (chosen).
_UNSURE = 0.6
#: Spacings of the plan within which a label that its stay's other photos don't bear out puts these in doubt too (chosen).
_NEAR_SPACINGS = 4.0
#: What a camera itself writes into its picture or file is on no label that could hang elsewhere.
_WRITTEN_BY_IT = ("picture", "serial")
#: Trust where a person's answer near by names the likely camera: no label that might be misread, but where its stay ends is left.
_ANSWER_TRUST = 1.0
#: Shares of a visit's photos without a time between which walks have holes that nothing in them shows: where most cameras are named
#: counts for nothing then, and what no label near by bears out is believed by this much less.
_FEW_LOST, _MANY_LOST, _LOST_TRUST = 0.1, 0.3, 0.6
#: How far that holds for photos with a position, which shows a hole where the crew went on (chosen).
_LOST_PLACED = 0.5
#: Draws from which trust is full, and the share of it that is lost with very few.
_ENOUGH_DRAWS, _FEW_DRAWS_COST = 1000, 0.15
#: Shares of the plan's cameras that labels and answers name between which trust grows to its full.
_FEW_NAMED, _MOST_NAMED = 0.4, 0.8
#: Probability of being at a camera that a photo near by names, between which trust grows to its full.
_LEAST_TIED, _FULLY_TIED = 0.9, 0.98
#: Steps within which a photo counts as near.
_TIE_STEPS = 8
#: Steps within which it has a named one near by, for how much of a walk is named.
_NAMED_STEPS = 4
#: What counts as one stay: probability of the same camera from photo to photo, and how many spreads a gap may lie above
#: the median gap of stays.
_ONE_STAY, _CALM_SPREADS = 0.9, 1.0
#: Less probable alternatives are not told.
_TOLD = 0.01
#: Probability that a camera has a photo of its own, from which unnamed photos are its evidence: strays taken beside it, or
#: the photos of another, may not pass for it.
_COVERED = 0.99
#: Share of the plan's cameras that labels or answers name from which one without either is not covered by unnamed photos: its label was not read,
#: or it has no photo at all and its neighbours' pass for its own, which is as common on walks that others draw.
_EACH_LABELLED = 0.85
#: Log odds from which one label settles a photo: an id in its name or a code it shows does, a folder's name doesn't.
_NAMED = 6.0
_ALTERNATIVES = 4
#: Fewer photos than this without any position are no walk.
_LEAST_WALK = 3


#: Decision, camera (-1 for none) and probability of a photo.
_Decided = tuple[Decision, int, float]


@dataclass(slots=True)
class _Belief:
    """What is believed of one photo: cameras with probabilities, the rest being none; its group, its step, how far that is believed, and
    whether it goes against what the photo's own label names, or another photo of its stay is in such doubt."""

    cameras: list[int] = field(default_factory=list)
    probabilities: list[float] = field(default_factory=list)
    stray: float = 1.0
    group: int = 0
    note: str = ""
    step: int = -1
    trust: float = 1.0
    against: bool = False
    disputed: bool = False


def _beliefs(
    site: Site, arrays: PhotoArrays, photos: Sequence[Photo], known: Known, heads: IntArray, at_least: float
) -> tuple[dict[int, _Belief], list[int], Result | None]:
    """Beliefs of all photos that are no copies, their groups, the best question first, and the walks' result."""
    plan = site_arrays(site)
    streams = _without_copies(split_streams(photos, arrays), heads)
    arrays, walks, lone = _parted(plan, arrays, photos, known, streams)
    beliefs: dict[int, _Belief] = {}
    order: list[int] = []
    result: Result | None = None
    if walks:
        result = solve_walks(plan, arrays, walks, known)
        belongs = _belongs(result)
        groups = stay_groups(result.together, at_least)
        count = len(result.draws.place)
        least = _least_trust(arrays, result.chain, belongs)
        named = sure_cameras(known)[result.chain.photo]
        stays = _calm_stays(arrays, result)
        tied = _tied(belongs, result.chain, stays, named)
        share = _named_share(named, result.chain.cut, result.draws.begins.mean(axis=0), plan.size)
        answered = np.where(known.answered[result.chain.photo], named, -1)
        told = _tied(belongs, result.chain, stays, answered)
        lost = _lost(arrays) * np.where(np.isnan(arrays.east_m[result.chain.photo]), 1.0, _LOST_PLACED)
        untimed = np.isnan(arrays.time_s[result.chain.photo])
        trust = _by_answers(_trust(tied, share, least, count, lost, np.where(untimed, _TIED_TRUST_UNTIMED, _TIED_TRUST)), told)
        trust = np.where(named >= 0, _LABEL_TRUST, trust)
        trust = np.where(labels_once_more(known, streams)[result.chain.photo] & untimed, _TRUST[0], trust)
        for step, photo in enumerate(result.chain.photo):
            seen = max(count, _ENOUGH_DRAWS) if named[step] >= 0 else count
            certain = known.answered[photo] or any(hit.source in _WRITTEN_BY_IT for hit in known.hits[photo])
            own = belongs[step] if certain else _sobered(belongs[step], seen, trust[step])
            belief = _belief(result.chain.candidates[step], own, int(groups[step]))
            belief.step, belief.trust, belief.against = step, float(trust[step]), _against_its_label(known, int(photo), belief)
            beliefs[int(photo)] = belief
        _echo_tours(echoed(plan, arrays, result, known), result, named, beliefs)
        _dispute(plan, named, stays, [beliefs[int(photo)] for photo in result.chain.photo])
        first = np.flatnonzero(np.diff(groups, prepend=-1))
        sizes = np.bincount(groups)
        open_ = np.array([max(max(b.probabilities, default=0.0), b.stray) < at_least
                          for b in (beliefs[int(p)] for p in result.chain.photo)])
        asked = np.flatnonzero(np.bincount(groups, weights=open_) > 0)
        drawn = result.draws.place[:, first[asked]].astype(np.int64)
        values = result.chain.candidates[first[asked][None, :], drawn]
        values = np.where(result.draws.away[:, first[asked]], -1, values)
        ranked = asked[ask_order(values, sizes[asked], at_least)].tolist()
        order = ranked + [g for g in range(sizes.size) if g not in set(ranked)]
    if lone:
        index = np.array([i for i, _ in lone], dtype=np.int64)
        lists, probability = solve_alone(plan, arrays, index, known, labels_once_more(known, streams))
        number = max(order, default=-1) + 1
        for step, (photo, why) in enumerate(lone):
            beliefs[photo] = _belief(lists[step], probability[step], number + step)
            beliefs[photo].note = why
            order.append(number + step)
    return beliefs, order, result


def _without_copies(streams: Sequence[Stream], heads: IntArray) -> tuple[Stream, ...]:
    """The streams without photos that another one stands for."""
    kept = [replace(stream, photos=stream.photos[heads[stream.photos] == stream.photos]) for stream in streams]
    return tuple(stream for stream in kept if stream.photos.size)


def _parted(
    plan: SiteArrays, arrays: PhotoArrays, photos: Sequence[Photo], known: Known, streams: Sequence[Stream]
) -> tuple[PhotoArrays, list[Stream], list[tuple[int, str]]]:
    """Walks, on clocks that agree where devices went side by side, and photos whose order tells nothing, with the reason."""
    sure = sure_cameras(known)
    lone: list[tuple[int, str]] = []
    parts: list[Stream] = []
    for part in streams:
        why = part.note if not part.ordered else shared_by_crews(plan, arrays, part, sure)
        for walk in untangled(plan, arrays, part, sure, why) if why and part.ordered else (part,):
            if walk.ordered:
                parts.append(walk)
            else:
                lone += [(int(i), walk.note) for i in walk.photos]
    devices = [photo.metadata.device for photo in photos]
    arrays, parts = joined_streams(plan, arrays, parts, sure, device_clock_offsets(photos), devices)
    walks: list[Stream] = []
    for part in parts:
        if (part.photos.size < _LEAST_WALK and np.isnan(arrays.east_m[part.photos]).all()) or _all_named(known, part.photos):
            lone += [(int(i), "") for i in part.photos]
        else:
            walks.append(part)
    return arrays, walks, lone


def _all_named(known: Known, members: IntArray) -> bool:
    """Whether each photo bears the label of one camera, so that their order has nothing to add."""
    tables = [(known.factors[i], known.otherwise[i]) for i in members]
    return all(
        table is not None and len(table) == 1 and next(iter(table.values())) - other > _NAMED for table, other in tables
    )


def _belongs(result: Result) -> FloatArray:
    """Probabilities (T, K) that a photo is the candidate's own or its surplus.

    The likeliest candidate's surplus holds strays that were taken beside another one too, where it was visited just before or after.
    """
    own = result.real + result.surplus
    best, rows = own.argmax(axis=1), np.arange(len(own))
    left = result.surplus.copy()
    left[:, -1] += np.maximum(0.0, 1.0 - own.sum(axis=1))
    beside = np.minimum(taken_next_to(result.chain, result.draws, best), left)
    belongs = own - np.where(result.chain.candidates >= 0, beside, 0.0)
    belongs[rows, best] += np.where(result.chain.candidates[rows, best] >= 0, beside.sum(axis=1), 0.0)
    return np.asarray(belongs)


def _calm_stays(arrays: PhotoArrays, result: Result) -> IntArray:
    """Numbers (T,) of runs of photos that follow each other at one camera without a pause as long as a move's."""
    pause = np.diff(arrays.time_s[result.chain.photo], prepend=np.nan)
    longest = result.settings.stay_gap_s * np.exp(_CALM_SPREADS * result.settings.stay_gap_spread)
    return np.asarray(np.cumsum((result.together < _ONE_STAY) | (pause > longest)), dtype=np.int64)


def _least_trust(arrays: PhotoArrays, chain: Chain, belongs: FloatArray) -> FloatArray:
    """How far each step's probabilities are believed where nothing near by is named, (T,): by its walk, and whether it has a position."""
    best = np.maximum(belongs.max(axis=1), 1.0 - belongs.sum(axis=1))
    kind = 2 * np.cumsum(chain.cut) + np.isnan(arrays.east_m[chain.photo])
    sureness = (np.bincount(kind, best) + _SURENESS_HOLD * best.mean()) / (np.bincount(kind) + _SURENESS_HOLD)
    trust = np.interp(sureness[kind], _SURENESS, _TRUST)
    return np.asarray(np.where(arrays.position_m[chain.photo] > _FAR_M, _FAR_TRUST * trust, trust))


def _tied(belongs: FloatArray, chain: Chain, stays: IntArray, named: IntArray) -> FloatArray:
    """Probability (T,) of the cameras that a photo near by in the same stay names.

    Parameters
    ----------
    belongs : float array (T, K)
        Probabilities from the draws.
    stays : int array (T,)
        Number of each step's stay.
    named : int array (T,)
        Camera that labels or an answer give each step alone, else -1.
    """
    tied = np.zeros(belongs.shape, dtype=bool)
    for shift in range(1, min(_TIE_STEPS, named.size - 1) + 1):
        for here, there in ((slice(shift, None), slice(None, -shift)), (slice(None, -shift), slice(shift, None))):
            other = np.where(stays[here] == stays[there], named[there], -1)[:, None]
            tied[here] |= (chain.candidates[here] == other) & (other >= 0)
    return np.asarray(np.where(tied, belongs, 0.0).sum(axis=1))


def _named_share(named: IntArray, cut: NDArray[np.bool_], begins: FloatArray, cameras: int) -> FloatArray:
    """Share (T,) of the cameras of each step's own walk that labels and answers name in it, or of the steps that have a named one near
    by, whichever is less: labels that were photographed apart from all else say little of it.

    Parameters
    ----------
    named, cut : arrays (T,)
        See :func:`_tied`; whether a walk begins.
    begins : float array (T,)
        Probability that a stay begins.
    cameras : int
        Of the plan: those of one walk; several walks share them, each as many as it has stays, so that what another walk saw named
        doesn't count for it.
    """
    walk = np.cumsum(cut) - 1
    of_walk = np.full(walk[-1] + 1, float(cameras))
    if of_walk.size > 1:
        of_walk = np.clip(np.bincount(walk, weights=begins), 1.0, cameras)
    seen = np.array([np.unique(named[(walk == w) & (named >= 0)]).size for w in range(of_walk.size)])
    near = maximum_filter1d((named >= 0).astype(np.float64), 2 * _NAMED_STEPS + 1, mode="constant")
    by = np.bincount(walk, weights=near) / np.bincount(walk)
    return np.asarray(np.minimum(seen / of_walk, by)[walk])


def _lost(arrays: PhotoArrays) -> float:
    """How far a visit's walks have holes, 0 to 1, since part of its photos lost their time and are in none of them."""
    without = float(np.isnan(arrays.time_s).mean())
    return float(np.clip((without - _FEW_LOST) / (_MANY_LOST - _FEW_LOST), 0.0, 1.0))


def _trust(
    tied: FloatArray, share: FloatArray, least: FloatArray, count: int = _ENOUGH_DRAWS, lost: FloatArray | float = 0.0,
    most: FloatArray | float = _TIED_TRUST,
) -> FloatArray:
    """How far each step's probabilities are believed, (T,): more where a photo of its stay names its likely camera.

    Parameters
    ----------
    tied, share : float arrays (T,)
        See :func:`_tied` and :func:`_named_share`.
    least : float array (T,)
        Trust where nothing near by is named.
    count : int
        Walks drawn; few of them, as on very large sites, may all be caught in one mistake.
    lost : float array (T,) or float
        See :func:`_lost`; less where a photo has a position.
    most : float array (T,) or float
        Trust where a photo near by surely names the likely camera and most cameras are named.
    """
    enough = min(1.0, count / _ENOUGH_DRAWS)
    least = least * (1.0 - _FEW_DRAWS_COST * (1.0 - enough)) * (1.0 - (1.0 - _LOST_TRUST) * lost)
    local = _near(tied)
    gain = np.maximum(0.0, most - least) * np.clip(share / _GAIN_NAMED, 0.0, 1.0)
    everywhere = (1.0 - lost) * np.clip((share - _FEW_NAMED) / (_MOST_NAMED - _FEW_NAMED), 0.0, 1.0)
    return np.asarray(np.maximum(least + gain * enough * local, least + np.maximum(0.0, _NAMED_TRUST - least) * everywhere))


def _by_answers(trust: FloatArray, told: FloatArray) -> FloatArray:
    """The trust (T,) where ``told``, see :func:`_tied`, is the probability of cameras that a person's answer near by names."""
    return np.asarray(trust + (_ANSWER_TRUST - trust) * _near(told))


def _near(tied: FloatArray) -> FloatArray:
    """How far what is named near by speaks for a step, 0 to 1, (T,)."""
    return np.clip((tied - _LEAST_TIED) / (_FULLY_TIED - _LEAST_TIED), 0.0, 1.0)


def _sobered(belongs: FloatArray, count: int, trust: float) -> FloatArray:
    """Probabilities (K,) from the shares of ``count`` draws, whose rest is "none", with certainty taken back.

    No share of draws proves certainty (half a draw is kept for what was never drawn), and a trust below 1 flattens
    what is left.
    """
    shares = np.append(belongs, max(0.0, 1.0 - float(belongs.sum())))
    kept = shares.copy()
    best = int(np.argmax(kept))
    lost = min(float(kept[best]), 0.5 / (count + 1))
    kept[best] -= lost
    kept[-1 if best != kept.size - 1 else 0] += lost
    kept = kept**trust
    return np.asarray((kept / kept.sum())[:-1])


def _against_its_label(known: Known, photo: int, belief: _Belief) -> bool:
    """Whether the photos round about say another camera, or none, than the photo's own label: then one of them errs, and where the photo
    belongs is for a person to see."""
    named = {camera for camera, value in (known.factors[photo] or {}).items() if value - known.otherwise[photo] > _NAMED}
    if not named or known.answered[photo]:
        return False
    likeliest = belief.cameras[0] if belief.cameras and belief.probabilities[0] >= belief.stray else -1
    return likeliest not in named


def _echo_tours(echo: Echo | None, result: Result, named: IntArray, beliefs: dict[int, _Belief]) -> None:
    """Joins what tours of labels say of unnamed photos between them with what is believed: the surer counts where both say the same camera,
    or the other is unsure; else the photo is open."""
    for step, belongs, doubtful in zip(echo.steps.tolist(), echo.belongs, echo.doubtful.tolist(), strict=True) if echo is not None else ():
        if named[step] >= 0 or doubtful:
            continue
        photo = int(result.chain.photo[step])
        before = beliefs[photo]
        told = _belief(np.arange(belongs.size), _sobered(belongs, len(result.draws.place), _ECHO_TRUST), before.group)
        told.step, told.trust = step, _ECHO_TRUST
        same = told.cameras[:1] == before.cameras[:1]
        surer, other = (told, before) if told.probabilities[0] >= max([*before.probabilities, before.stray]) else (before, told)
        surer.disputed = not same and max([*other.probabilities, other.stray]) > _UNSURE
        beliefs[photo] = surer


def _dispute(plan: SiteArrays, named: IntArray, stays: IntArray, beliefs: Sequence[_Belief]) -> None:
    """Marks photos of a stay whose only label names another camera near by: a misread one names any camera alike, so that rather the
    positions err, as fixes that a phone kept do.

    Parameters
    ----------
    named, stays : int arrays (T,)
        See :func:`_tied`.
    beliefs : sequence of _Belief
        Of each step.
    """
    where = plan.walk_coordinates
    for step in [step for step, belief in enumerate(beliefs) if belief.against and named[step] >= 0 and belief.cameras]:
        stay = np.flatnonzero(stays == stays[step])
        near = np.linalg.norm(where[beliefs[step].cameras[0]] - where[named[step]]) <= _NEAR_SPACINGS * plan.spacing_m
        if near and not (named[stay] == beliefs[step].cameras[0]).any():
            for other in stay.tolist():
                beliefs[other].disputed = True


def _belief(cameras: IntArray, belongs: FloatArray, group: int) -> _Belief:
    ranked = [int(k) for k in np.argsort(-belongs)[:_ALTERNATIVES] if belongs[k] > _TOLD and cameras[k] >= 0]
    return _Belief([int(cameras[k]) for k in ranked], [min(1.0, float(belongs[k])) for k in ranked],
                   float(np.clip(1.0 - belongs.sum(), 0.0, 1.0)), group)


def _vouched(
    members: Sequence[int], arrays: PhotoArrays, known: Known, camera: int, beliefs: Mapping[int, _Belief],
    result: Result | None,
) -> bool:
    """Whether photos are evidence of a camera: by a label or an answer, or by shots that can't all be strays."""
    if any(known.answer[i] == camera or (known.factors[i] or {}).get(camera, -math.inf) > known.otherwise[i] + 1
           for i in members):
        return True
    times = sorted(float(arrays.time_s[i]) for i in members)
    apart = 1 + sum(b - a > _BURST_S for a, b in zip(times, times[1:], strict=False))
    steps = np.array([beliefs[i].step for i in members if beliefs[i].step >= 0], dtype=np.int64)
    if apart < 2 or result is None or not steps.size:
        return False
    trust = min(1.0, *(beliefs[i].trust for i in members if beliefs[i].step >= 0))
    seen = _sobered(np.array([result.seen(steps, camera)]), len(result.draws.place), trust)
    return bool(seen[0] >= _COVERED)


def match_photos(
    site: Site,
    photos: Sequence[Photo],
    answers: Mapping[str, str | None] = MappingProxyType({}),
    at_least: float = 0.97,
    roles: Mapping[str, Role] = MappingProxyType({}),
) -> tuple[Placement, ...]:
    """Puts each photo to a planned camera, to none, or to a person.

    Parameters
    ----------
    site : Site
    photos : sequence of Photo
    answers : mapping of photo name to camera id or None
        What a person said (None = the photo belongs to no camera): hard facts. Names of other photos are passed over.
    at_least : float
        Probability from which it decides, 0.5 < p < 1.
    roles : mapping of photo name to Role
        What a person said that photos show; the order of the crew's shots is learnt from these too.

    Returns
    -------
    tuple of Placement
        In the order of ``photos``. Groups are named in the order in which a person should be asked: the question that
        settles most photos is ``g00001``. A stray taken beside a camera counts as that camera's surplus; a lone photo that
        nothing names is never a camera's only evidence.

    Raises
    ------
    AuditError
        An answer names a camera that the plan lacks, or ``at_least`` is no such probability.
    """
    _check(site, photos, answers, at_least)
    if not photos:
        return ()
    as_read, photos = photos, timed_by_names(photos)
    arrays = photo_arrays(site, photos)
    known = gather(site, photos, answers)
    heads = _heads(copies(photos, arrays), known)
    beliefs, order, result = _beliefs(site, arrays, photos, known, heads, at_least)
    decided = {i: _decided(known, i, belief, at_least) for i, belief in beliefs.items()}
    alone = _alone(decided, arrays, known, beliefs, result, len(site.cameras))
    decided.update({i: ("uncertain", -1, decided[i][2]) for i in alone})
    number, placements = {group: i + 1 for i, group in enumerate(order)}, []
    for i, photo in enumerate(photos):
        head = int(heads[i])
        belief = beliefs[head]
        decision, camera, probability = _answered(known, i) or decided[head]
        likely = camera if camera >= 0 else (belief.cameras[0] if belief.cameras else -1)
        copy_of = photos[head].name if head != i else None
        by_name = as_read[i].metadata.taken_at != photo.metadata.taken_at
        about = About(likely, decision, copy_of, head in alone, belief.note, tuple(belief.cameras), belief.against, belief.disputed, by_name)
        planned = site.cameras[likely] if likely >= 0 else None
        others = _alternatives(site, belief) if not known.answered[i] else (Alternative(_name(site, camera), 1.0),)
        role = roles.get(photo.name) or role_of(photo, planned, known.hits[i])
        placements.append(Placement(
            photo.name, _name(site, camera) if decision == "placed" else None, probability, decision,
            f"g{number[belief.group]:05d}", others, role, reasons(site, photos, arrays, known, i, about),
            light_named(photo.name) if role == "snapshot" else None))
    return _told_by_order(placements, arrays)


def _alone(
    decided: Mapping[int, _Decided], arrays: PhotoArrays, known: Known, beliefs: Mapping[int, _Belief], result: Result | None, cameras: int
) -> set[int]:
    """Photos decided for a camera that are all it has and do not prove that it is there; the plan has so many ``cameras``."""
    placed: dict[int, list[int]] = {}
    for i, (decision, camera, _) in decided.items():
        if decision == "placed":
            placed.setdefault(camera, []).append(i)
    named = sure_cameras(known)
    each_labelled = np.unique(named[named >= 0]).size >= _EACH_LABELLED * cameras
    return {i for camera, members in placed.items()
            if not _vouched(members, arrays, known, camera, beliefs, None if each_labelled else result) for i in members}


def _check(site: Site, photos: Sequence[Photo], answers: Mapping[str, str | None], at_least: float) -> None:
    """Refuse what can't be asked."""
    if not 0.5 < at_least < 1:
        raise AuditError(f"The probability to decide from is {at_least:g}; give one between 0.5 and 1, such as 0.97.")
    names = {photo.name for photo in photos}
    for name, said in answers.items():
        if said is not None and said not in site and name in names:
            raise AuditError(f"The answer for photo '{name}' names camera '{said}', which the plan lacks; correct it.")
    if photos and not site.cameras:
        raise AuditError("The plan holds no camera; photos can't be put anywhere.")


def _answered(known: Known, i: int) -> _Decided | None:
    """What a person said of a photo; None where nobody said anything."""
    if not known.answered[i]:
        return None
    camera = int(known.answer[i])
    return ("placed" if camera >= 0 else "unmatched"), camera, 1.0


def _decided(known: Known, i: int, belief: _Belief, at_least: float) -> _Decided:
    """Decision, camera (-1 for none) and probability of a photo."""
    said = _answered(known, i)
    if said is not None:
        return said
    if belief.against or belief.disputed:
        return "uncertain", -1, max([*belief.probabilities, belief.stray])
    if belief.probabilities and belief.probabilities[0] >= at_least:
        return "placed", belief.cameras[0], belief.probabilities[0]
    if belief.stray >= at_least:
        return "unmatched", -1, belief.stray
    return "uncertain", -1, max([*belief.probabilities, belief.stray])


def _name(site: Site, camera: int) -> str | None:
    return site.cameras[camera].camera if camera >= 0 else None


def _alternatives(site: Site, belief: _Belief) -> tuple[Alternative, ...]:
    others = [Alternative(_name(site, c), p) for c, p in zip(belief.cameras, belief.probabilities, strict=True)]
    if belief.stray > _TOLD:
        others.append(Alternative(None, belief.stray))
    return tuple(sorted(others, key=lambda a: -a.probability))


def _told_by_order(placements: Sequence[Placement], arrays: PhotoArrays) -> tuple[Placement, ...]:
    """The placements, with unknown roles told by the order in which the crew takes its shots."""
    visits: dict[str, list[int]] = {}
    for i in np.argsort(arrays.time_s, kind="stable").tolist():
        one = placements[i]
        if one.camera is not None and one.role not in OWN_PICTURES and not np.isnan(arrays.time_s[i]):
            visits.setdefault(one.camera, []).append(i)
    result = list(placements)
    told = roles_by_order([[placements[i].role for i in members] for members in visits.values()])
    for members, roles in zip(visits.values(), told, strict=True):
        for i, role in zip(members, roles, strict=True):
            if role != result[i].role:
                result[i] = replace(result[i], role=role, evidence=(
                    *result[i].evidence, f"taken where this crew takes its {role} picture"))
    return tuple(result)


def _heads(heads: IntArray, known: Known) -> IntArray:
    """Copies that say something of their own, by a label or an answer, stand for themselves."""
    speaks = np.array([known.factors[i] is not None or bool(known.answered[i]) for i in range(heads.size)])
    own = np.arange(heads.size)
    return np.where(speaks & (heads != own), own, heads)
