"""Streams: which photos follow one another on one walk, by device, folder of upload and file counter."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audit.match.evidence import PhotoArrays
from audit.photos.photo import Photo

__all__ = ["Stream", "split_streams"]

IntArray = NDArray[np.int64]

_COUNTER = re.compile(r"(?i)^([a-z_\-]{2,8}?)[_\-]?(\d{3,6})$")
_JUMP = 400


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
        False where the order tells nothing (unknown times, or two crews that can't be told apart).
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
        fits = [(number - head, i) for i, head in enumerate(heads) if -3 <= number - head <= _JUMP]
        if fits:
            _, best = min((abs(step), i) for step, i in fits)
        else:
            heads.append(number)
            best = len(heads) - 1
        heads[best] = max(heads[best], number)
        track.append(best)
    sizes = np.bincount(track)
    return track if len(heads) <= 4 and len(heads) > 1 and sizes.min() >= 8 else [-1] * len(track)


def split_streams(photos: Sequence[Photo], arrays: PhotoArrays) -> tuple[Stream, ...]:
    """Splits a visit's photos into walks.

    Photos of one device form a stream, ordered by its clock. Where the file names of one stream carry two counters
    that run side by side, two phones of one model are told apart by them. Photos without a time form streams whose
    order tells nothing.
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
        if untimed:
            streams.append(Stream(device or "unknown device", np.array(untimed, dtype=np.int64), False,
                                  "the photos carry no time, so that their order tells nothing"))
    return tuple(streams)
