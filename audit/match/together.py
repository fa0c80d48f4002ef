"""Devices that one crew carried side by side: how far their clocks lie apart, and their photos as one walk.

The offset comes from the satellites' time where both devices carry it, else from photos of the same cameras.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from audit.match.evidence import PhotoArrays, SiteArrays
from audit.match.streams import Stream
from audit.photos.clocks import DeviceClock

__all__ = ["clock_offset_s", "joined_streams"]

IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: How near a photo's position must lie to a camera that the other device names at that time, metres, and how many of the
#: receiver's own figures.
_NEAR_M, _NEAR_SCALES = 15.0, 1.5
#: How far in time the two devices' photos of one camera may lie apart, and cameras at which they must meet.
_MEET_S, _LEAST_CAMERAS = 45.0, 5
#: Share of the photos taken about the same time that must show the same camera, and how much larger that is than with clocks set
#: otherwise, lest all photos of a small site pass for neighbours.
_MOST, _LIFT, _OTHERWISE_S = 0.6, 0.3, (-1500.0, -700.0, 700.0, 1500.0)
#: How far an offset is moved to where photos that follow at once agree, and what counts as at once and as a long pause.
_SETTLE_S, _AT_ONCE_S, _LONG_PAUSE_S = 90.0, 20.0, 40.0
#: Steps of that move, and what photos in the middle of long pauses cost against photos that agree (chosen).
_SETTLE_STEP_S, _PAUSE_COST = 3.0, 0.5
#: Photos of each device that are compared.
_COMPARED = 1500


def clock_offset_s(one: DeviceClock | None, other: DeviceClock | None) -> float | None:
    """Seconds that the other device's times lie ahead of the one's, by the satellites' time; None where it is unknown.

    Times without an offset from UTC count as they stand, so that the zones' difference is part of it.
    """
    if one is None or other is None:
        return None
    zones = [clock.zone.total_seconds() if clock.zone is not None else 0.0 for clock in (one, other)]
    return (other.error - one.error).total_seconds() + zones[1] - zones[0]


def _thinned(photos: IntArray) -> IntArray:
    return photos[:: max(1, -(-photos.size // _COMPARED))]


def _offset_s(
    site: SiteArrays, arrays: PhotoArrays, sure: IntArray, a: Stream, b: Stream, known: float | None
) -> float | None:
    """Seconds by which b's clock is ahead of a's if the two walked side by side; None where nothing shows it.

    Each pair of photos that show the same camera votes for an offset: one of a that names it, and one of b that names
    it too or was taken near it.
    """
    time_s = arrays.time_s
    namers = _thinned(a.photos[sure[a.photos] >= 0])
    cameras = sure[namers]
    placed = ~np.isnan(arrays.east_m[b.photos])
    others = _thinned(b.photos[placed | (sure[b.photos] >= 0)])
    if np.unique(cameras).size < _LEAST_CAMERAS or others.size < _LEAST_CAMERAS:
        return None
    away = np.hypot(arrays.east_m[others][None, :] - site.east_m[cameras][:, None],
                    arrays.north_m[others][None, :] - site.north_m[cameras][:, None])
    reach = np.fmax(_NEAR_SCALES * arrays.position_m[others], _NEAR_M)
    named = sure[others][None, :]
    same = named == cameras[:, None]
    alike = same | ((named < 0) & (np.nan_to_num(away, nan=np.inf) <= reach))
    ahead = time_s[others][None, :] - time_s[namers][:, None]
    votes = np.sort(ahead[alike])
    if not votes.size:
        return None
    offset = known
    if offset is None:
        low, high = (np.searchsorted(votes, votes + way * _MEET_S) for way in (-1, 1))
        best = int(np.argmax(high - low))
        offset = float(np.median(votes[low[best] : high[best]]))
        offset += _settled_s(alike, ahead - offset, np.sort(time_s[b.photos]) - offset, time_s[namers])
    if np.unique(cameras[(alike & (np.abs(ahead - offset) <= _MEET_S)).any(axis=1)]).size < _LEAST_CAMERAS:
        return None
    found = _agreeing(alike, ahead - offset, _MEET_S)
    otherwise = float(np.mean([_agreeing(alike, ahead - offset - turn, _MEET_S) for turn in _OTHERWISE_S]))
    return offset if found >= _MOST and found - otherwise >= _LIFT else None


def _agreeing(alike: BoolArray, ahead_s: FloatArray, within_s: float) -> float:
    """Share of the others' photos taken within some time of a namer's that show the same camera as one of those."""
    close = np.abs(ahead_s) <= within_s
    could = int(np.count_nonzero(close.any(axis=0)))
    return float(np.count_nonzero((close & alike).any(axis=0)) / could) if could else 0.0


def _settled_s(alike: BoolArray, ahead_s: FloatArray, others_s: FloatArray, namers_s: FloatArray) -> float:
    """Seconds by which the others' clock is farther ahead: then photos that follow at once show the same camera, and the
    namers' photos fall among the others', not into the pauses between stays."""

    def merit(turn: float) -> float:
        at = np.searchsorted(others_s, namers_s + turn)
        after = np.abs(others_s[np.minimum(at, others_s.size - 1)] - namers_s - turn)
        before = np.abs(others_s[np.maximum(at - 1, 0)] - namers_s - turn)
        pause = float(np.minimum(np.minimum(before, after), _LONG_PAUSE_S).mean())
        return _agreeing(alike, ahead_s - turn, _AT_ONCE_S) - _PAUSE_COST * pause / _LONG_PAUSE_S

    turns = np.arange(-_SETTLE_S, _SETTLE_S + 1.0, _SETTLE_STEP_S).tolist()
    return float(max(turns, key=lambda turn: (merit(turn), -abs(turn))))


def joined_streams(
    site: SiteArrays, arrays: PhotoArrays, streams: Sequence[Stream], sure: IntArray, clocks: Mapping[str, DeviceClock],
    devices: Sequence[str | None],
) -> tuple[PhotoArrays, list[Stream]]:
    """Joins the streams of devices that one crew carried side by side, on the first one's clock.

    Parameters
    ----------
    site, arrays : SiteArrays, PhotoArrays
    streams : sequence of Stream
        Ordered streams.
    sure : int array (M,)
        Camera that a label or an answer gives each photo, else -1.
    clocks : mapping of device name to DeviceClock
    devices : sequence of str or None
        Each photo's device.

    Returns
    -------
    PhotoArrays
        With the joined devices' times moved to the first one's clock.
    list of Stream
        In the order of their first members.
    """
    time_s = arrays.time_s.copy()
    moved = replace(arrays, time_s=time_s)
    groups: list[tuple[Stream, DeviceClock | None]] = []
    joinable: list[int] = []
    for stream in streams:
        clock = clocks.get(devices[stream.photos[0]] or "")
        long = stream.photos.size >= _LEAST_CAMERAS and not np.isnan(time_s[stream.photos]).all()
        for i in joinable if long else ():
            one, its_clock = groups[i]
            offset = _offset_s(site, moved, sure, one, stream, clock_offset_s(its_clock, clock))
            if offset is None:
                back = _offset_s(site, moved, sure, stream, one, clock_offset_s(clock, its_clock))
                offset = None if back is None else -back
            if offset is not None:
                time_s[stream.photos] -= offset
                photos = np.concatenate([one.photos, stream.photos])
                photos = photos[np.argsort(time_s[photos], kind="stable")]
                groups[i] = Stream(f"{one.name} with {stream.name}", photos), its_clock
                break
        else:
            if long:
                joinable.append(len(groups))
            groups.append((stream, clock))
    return moved, [stream for stream, _ in groups]
