"""Two phones of one crew become one walk, whatever their clocks say; phones that went separate ways do not."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, timedelta

import numpy as np
import pytest

from audit.lens import Lens
from audit.match.assign import match_photos
from audit.match.evidence import PhotoArrays, photo_arrays, site_arrays
from audit.match.solve import gather, sure_cameras
from audit.match.streams import Stream, split_streams
from audit.match.together import clock_offset_s, joined_streams
from audit.photos.clocks import device_clock_offsets
from audit.photos.photo import Photo
from audit.plan.model import Camera, Site
from tests.bench.matching_figures import tally
from tests.bench.walks import Walk, make_walk

AHEAD = timedelta(minutes=37, seconds=20)


def shared(walk: Walk, seed: int = 0, *, satellites: bool = False) -> Walk:
    """The same visit, half of its photos taken with a second phone whose clock is ahead."""
    rng = np.random.default_rng(seed)
    photos = []
    for photo in walk.photos:
        meta = photo.metadata
        assert meta.taken_at is not None
        if satellites:
            meta = replace(meta, gps_at=meta.taken_at.replace(tzinfo=UTC) - timedelta(minutes=4))
        if rng.random() < 0.5:
            meta = replace(meta, device="phone X", taken_at=meta.taken_at + AHEAD)
        photos.append(replace(photo, metadata=meta))
    return replace(walk, photos=tuple(photos))


def joined(walk: Walk, photos: tuple[Photo, ...]) -> tuple[np.ndarray, np.ndarray, list[Stream]]:
    """Times as read, times after joining, and streams."""
    arrays = photo_arrays(walk.site, photos)
    sure = sure_cameras(gather(walk.site, photos, {}))
    devices = [p.metadata.device for p in photos]
    found, streams = joined_streams(
        site_arrays(walk.site), arrays, split_streams(photos, arrays), sure, device_clock_offsets(photos), devices)
    return arrays.time_s, found.time_s, streams


@pytest.mark.parametrize("satellites", [False, True])
def test_two_phones_of_one_crew_become_one_walk_in_its_true_order(satellites: bool) -> None:
    walk = make_walk("campus", 60, 3, "all")
    photos = shared(walk, satellites=satellites).photos
    before, after, streams = joined(walk, photos)
    assert len(streams) == 1 and streams[0].photos.size == len(photos)
    second = np.array([p.metadata.device == "phone X" for p in photos])
    moved = (before - after)[second] if photos[0].metadata.device != "phone X" else (before - after)[~second]
    sign = 1 if photos[0].metadata.device != "phone X" else -1
    assert sign * moved == pytest.approx(np.full(moved.size, AHEAD.total_seconds()), abs=1.0 if satellites else 25.0)
    if satellites:
        assert np.diff([float(before[i]) - AHEAD.total_seconds() * second[i] for i in streams[0].photos]).min() >= -1.0


def test_two_crews_with_a_phone_each_stay_two_walks() -> None:
    walk = make_walk("campus", 60, 3, "all", crews=2)
    before, after, streams = joined(walk, walk.photos)
    assert len(streams) == 2 and (before == after).all()


def test_a_second_round_past_the_same_cameras_is_no_walk_side_by_side() -> None:
    """One phone comes by an hour or two later, in the other direction."""
    walk = make_walk("campus", 40, 5, "all")
    start = walk.photos[0].metadata.taken_at
    assert start is not None
    again = tuple(
        replace(p, name=f"r{p.name}", metadata=replace(
            p.metadata, device="phone X", taken_at=start + timedelta(hours=4) - (p.metadata.taken_at - start)))  # type: ignore[operator]
        for p in walk.photos
    )
    _, _, streams = joined(walk, (*walk.photos, *again))
    assert len(streams) == 2


def test_labels_on_one_phone_decide_the_photos_of_the_other() -> None:
    """All labels on the first phone, all other photos on the second, found beside each other by their positions alone."""
    walk = make_walk("campus", 60, 4, "all")
    apart = tuple(
        p if p.metadata.text
        else replace(p, metadata=replace(p.metadata, device="phone X", taken_at=p.metadata.taken_at + AHEAD))  # type: ignore[operator]
        for p in walk.photos
    )
    both = replace(walk, photos=apart)
    _, _, streams = joined(both, apart)
    assert len(streams) == 1
    found = tally(both, match_photos(both.site, both.photos))
    second = replace(walk, photos=tuple(p for p in apart if p.metadata.device == "phone X"))
    alone = tally(second, match_photos(second.site, second.photos))
    labels = len(apart) - len(second.photos)
    assert found["wrong"] <= 1 and found["right"] - labels > 1.5 * alone["right"]


def test_the_satellites_time_gives_the_offset_zone_and_all() -> None:
    walk = make_walk("campus", 12, 1)
    clocks = device_clock_offsets(shared(walk, satellites=True).photos)
    (other,) = (name for name in clocks if name != "phone X")
    assert clock_offset_s(clocks[other], clocks["phone X"]) == pytest.approx(AHEAD.total_seconds(), abs=1.0)
    assert clock_offset_s(clocks[other], None) is None


@pytest.mark.parametrize(("apart_m", "walks"), [(60.0, 1), (1.0, 2)])
def test_photos_of_a_small_hall_are_near_every_camera_and_join_no_walks(apart_m: float, walks: int) -> None:
    """A second phone without labels, five minutes ahead: where cameras lie apart its positions follow the first one's labels; where
    all of them lie within a receiver's error they would follow at any other offset as well."""
    cameras = tuple(Camera(f"H-{i}", apart_m * i, 0.0, 3.0, 0.0, -15.0, Lens(1920, 1080, 60.0)) for i in range(10))
    at = np.repeat(np.arange(10), 12)
    seconds = 30.0 * np.arange(at.size)
    nowhere = np.full(at.size, np.nan)
    east = np.concatenate([nowhere, apart_m * at])
    arrays = PhotoArrays(np.concatenate([seconds, seconds + 310.0]), east, 0 * east, 0 * east + 5.0, np.full(east.size, np.nan))
    sure = np.concatenate([at, np.full(at.size, -1)])
    streams = [Stream("A", np.arange(at.size)), Stream("X", np.arange(at.size, 2 * at.size))]
    devices = ["A"] * at.size + ["X"] * at.size
    moved, found = joined_streams(site_arrays(Site(cameras, "hall")), arrays, streams, sure, {}, devices)
    assert len(found) == walks
    if walks == 1:
        assert moved.time_s[at.size:] == pytest.approx(seconds, abs=30.0)
