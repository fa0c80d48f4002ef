"""Streams: which photos follow one another on one walk, by device, folder of upload and file counter."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audit.match.evidence import PhotoArrays, SiteArrays
from audit.match.factors import WALK_M_PER_S
from audit.photos.photo import Photo

__all__ = ["Stream", "shared_by_crews", "split_streams"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_COUNTER = re.compile(r"(?i)^([a-z_\-]{2,8}?)[_\-]?(\d{3,6})$")
_DIGITS = re.compile(r"\d+")
#: Copies that lost all metadata follow one another by the numbers of their names where there are at least so many (chosen).
_LEAST_SENT = 3
#: Numbers that a file counter may be behind or ahead of the last one of its track (chosen: one day's other pictures).
_BACK, _JUMP = 3, 400
#: Tracks of one stream at most, and photos of each at least, for two phones of one model to be told apart.
_MOST_TRACKS, _LEAST_ON_TRACK = 4, 8
#: Steps between labels without which nothing is said of them; pairs of cameras that tell the site's usual distance; what share of
#: it counts as crossing the site.
_LEAST_STEPS, _SAMPLED, _CROSSES = 8, 400, 0.7
#: Photos with a position without which nothing is said of jumps; scale of an unstated and least scale of a stated one; how
#: many joint scales and metres a second a jump goes beyond; the share of such jumps that no one walk has (chosen).
_LEAST_FIXES, _UNSTATED_M, _LEAST_SCALE_M, _JUMP_SCALES, _JUMP_M_PER_S, _JUMPS = 12, 10.0, 4.0, 2.5, 3.0, 0.08
#: The same for directions: photos within this time, their least number, turns beyond this, and their share.
_QUICK_S, _LEAST_QUICK, _OTHER_WAY_DEG, _OTHER_WAYS = 4.0, 12, 70, 0.25
#: Share of steps between labels that cross the site as no single crew does; a smaller one does where labels also follow
#: sooner, by a margin, than anyone walks. On simulated walks single crews stay below 0.23 and 0.00 (buildings cross most),
#: two crews in one stream lie above 0.37 and 0.11.
_CROSSING, _CROSSING_HURRIED, _HURRIED, _HURRY_S = 0.3, 0.12, 0.05, 15.0


@dataclass(frozen=True, slots=True)
class Stream:
    """Photos of one walk, in the order in which they were taken.

    Attributes
    ----------
    name : str
        Device, and what else told it apart.
    photos : int array
        Indices of photos, in order.
    ordered : bool
        False where the order tells nothing (neither times nor numbers, or two crews that can't be told apart).
    note : str
        Why the order is not used, else empty.
    """

    name: str
    photos: IntArray
    ordered: bool = True
    note: str = ""


def _counter(name: str) -> tuple[str, int] | None:
    stem = name.rpartition("/")[2].rsplit(".", 1)[0]
    found = _COUNTER.match(stem)
    return (found.group(1).lower(), int(found.group(2))) if found else None


def _tracks(numbers: Sequence[int]) -> list[int]:
    """Which file counter each photo of a time-ordered stream belongs to; -1 where one counter explains all."""
    heads: list[int] = []
    track: list[int] = []
    for number in numbers:
        fits = [(number - head, i) for i, head in enumerate(heads) if -_BACK <= number - head <= _JUMP]
        if fits:
            _, best = min((abs(step), i) for step, i in fits)
        else:
            heads.append(number)
            best = len(heads) - 1
        heads[best] = max(heads[best], number)
        track.append(best)
    sizes = np.bincount(track)
    return track if 1 < len(heads) <= _MOST_TRACKS and sizes.min() >= _LEAST_ON_TRACK else [-1] * len(track)


def split_streams(photos: Sequence[Photo], arrays: PhotoArrays) -> tuple[Stream, ...]:
    """Splits a visit's photos into walks.

    Photos of one device form a stream, ordered by its clock. Where the file names of one stream carry two counters
    that run side by side, two phones of one model are told apart by them. Photos without a time follow one another by the
    numbers in their names where a folder's names differ in nothing else, as messengers and downloads number what was sent;
    all others form streams whose order tells nothing.
    """
    by_device: dict[str, list[int]] = {}
    for i, photo in enumerate(photos):
        by_device.setdefault(photo.metadata.device or "", []).append(i)
    streams: list[Stream] = []
    for device, members in by_device.items():
        timed = [i for i in members if not np.isnan(arrays.time_s[i])]
        untimed = [i for i in members if np.isnan(arrays.time_s[i])]
        timed.sort(key=lambda i: (arrays.time_s[i], photos[i].name))
        counters = [_counter(photos[i].name) for i in timed]
        parts: dict[int, list[int]] = {-1: timed}
        known = [c for c in counters if c is not None]
        if len(known) == len(timed) and len({c[0] for c in known}) == 1:
            parts = {}
            for i, part in zip(timed, _tracks([c[1] for c in known]), strict=True):
                parts.setdefault(part, []).append(i)
        for part, indices in parts.items():
            if indices:
                name = device or "unknown device"
                streams.append(Stream(name if part < 0 else f"{name}, file counter {part + 1}",
                                      np.array(indices, dtype=np.int64)))
        sent, untimed = _sent_in_order(photos, untimed)
        streams += [Stream(f"{device or 'unknown device'}, by their names", np.array(part, dtype=np.int64)) for part in sent]
        if untimed:
            streams.append(Stream(device or "unknown device", np.array(untimed, dtype=np.int64), False,
                                  "the photos carry no time, so that their order tells nothing"))
    return tuple(streams)


def _sent_in_order(photos: Sequence[Photo], untimed: Sequence[int]) -> tuple[list[list[int]], list[int]]:
    """Photos without a time whose names number them, part by part in that order, and the others."""
    parts: dict[str, list[tuple[tuple[int, ...], int]]] = {}
    for i in untimed:
        numbers = tuple(int(found) for found in _DIGITS.findall(photos[i].name.rpartition("/")[2]))
        parts.setdefault(_DIGITS.sub("#", photos[i].name), []).append((numbers, i))
    sent, others = [], []
    for part in parts.values():
        numbered = part[0][0] and len({numbers for numbers, _ in part}) == len(part) >= _LEAST_SENT
        if numbered:
            sent.append([i for _, i in sorted(part)])
        else:
            others += [i for _, i in part]
    return sent, sorted(others)


def _crossings(site: SiteArrays, known: IntArray, time_s: FloatArray) -> tuple[float, float, int]:
    """Share of steps between labelled photos that cross half the site, that no walker can make, and their number."""
    if known.size < _LEAST_STEPS:
        return 0.0, 0.0, int(known.size)
    where = site.walk_coordinates[known]
    hop = np.sqrt(((where[1:] - where[:-1]) ** 2).sum(axis=1))
    rng = np.random.default_rng(0)
    a, b = (rng.integers(0, site.size, _SAMPLED) for _ in range(2))
    typical = float(np.median(np.sqrt(((site.walk_coordinates[a] - site.walk_coordinates[b]) ** 2).sum(axis=1))))
    hurried = hop / WALK_M_PER_S > np.diff(time_s) + _HURRY_S
    return float((hop > _CROSSES * typical).mean()), float(hurried.mean()), int(hop.size)


def shared_by_crews(site: SiteArrays, arrays: PhotoArrays, stream: Stream, sure: IntArray) -> str:
    """Why one stream may hold the photos of two crews; empty where nothing says so.

    Parameters
    ----------
    sure : int array (M,)
        Camera that a label gives each photo, else -1.

    Notes
    -----
    Three signs, each rare on one walk: positions that jump faster than anyone runs and keep doing so, labels that
    cross the site to and fro, and, where neither can tell, photos within
    seconds that look in quite different directions.
    """
    index = stream.photos
    time_s = arrays.time_s[index]
    fixed = np.flatnonzero(~np.isnan(arrays.east_m[index]))
    if fixed.size >= _LEAST_FIXES:
        p = index[fixed]
        way = np.hypot(np.diff(arrays.east_m[p]), np.diff(arrays.north_m[p]))
        scale = np.where(np.isnan(arrays.position_m[p]), _UNSTATED_M, np.maximum(arrays.position_m[p], _LEAST_SCALE_M))
        spare = way - _JUMP_SCALES * np.hypot(scale[1:], scale[:-1]) - _JUMP_M_PER_S * np.maximum(np.diff(time_s[fixed]), 0.0)
        if float((spare > 0).mean()) > _JUMPS:
            return "positions jump to and fro faster than one crew can walk"
    named = sure[index] >= 0
    share, hurried, steps = _crossings(site, sure[index][named], time_s[named])
    if steps >= _LEAST_STEPS and (share > _CROSSING or (share > _CROSSING_HURRIED and hurried > _HURRIED)):
        return "labels cross the site to and fro as if two crews took turns"
    gap = np.diff(time_s)
    turn = np.abs((np.diff(arrays.bearing[index]) + np.pi) % (2 * np.pi) - np.pi)
    quick = (gap <= _QUICK_S) & ~np.isnan(turn)
    told = fixed.size >= _LEAST_FIXES or steps >= _LEAST_STEPS
    if not told and quick.sum() >= _LEAST_QUICK and float((turn[quick] > np.radians(_OTHER_WAY_DEG)).mean()) > _OTHER_WAYS:
        return "photos within seconds look in quite different directions, as if two crews took turns"
    return ""
