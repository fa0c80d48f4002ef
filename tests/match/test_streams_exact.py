"""Which photos follow one another: worked cases on either side of each limit."""

from __future__ import annotations

import numpy as np
import pytest

from audit.match.evidence import PhotoArrays, SiteArrays
from audit.match.streams import Stream, shared_by_crews, split_streams
from audit.photos.photo import Metadata, Photo

NAN = np.nan


def photos(*names: str, device: str | None = "phone") -> list[Photo]:
    return [Photo(name, "0" * 64, 1, "JPEG", 10, 10, Metadata(device=device)) for name in names]


def arrays(time_s: object, east_m: object = None, bearing_deg: object = None, stated_m: object = None) -> PhotoArrays:
    times = np.asarray(time_s, dtype=float)
    blank = np.full(times.size, NAN)
    east = blank if east_m is None else np.asarray(east_m, dtype=float)
    bearing = blank if bearing_deg is None else np.radians(np.asarray(bearing_deg, dtype=float))
    stated = blank if stated_m is None else np.asarray(stated_m, dtype=float)
    return PhotoArrays(times, east, np.where(np.isnan(east), NAN, 0.0), stated, bearing)


def split(names: list[str], times: list[float]) -> list[tuple[str, list[int], bool]]:
    return [(s.name, s.photos.tolist(), s.ordered) for s in split_streams(photos(*names), arrays(times))]


def test_one_phone_is_one_walk_in_the_order_of_its_clock_and_of_names_where_times_are_equal() -> None:
    assert split(["c.jpg", "b.jpg", "a.jpg"], [5.0, 9.0, 5.0]) == [("phone", [2, 0, 1], True)]


def test_photos_without_time_form_a_stream_whose_order_tells_nothing() -> None:
    found = split_streams(photos("a.jpg", "b.jpg", "c.jpg"), arrays([NAN, 3.0, NAN]))
    assert [(s.photos.tolist(), s.ordered) for s in found] == [([1], True), ([0, 2], False)]
    assert found[0].note == "" and "no time" in found[1].note
    assert found[1].name == "phone"


def test_each_device_has_its_own_stream_and_an_unknown_one_is_called_so() -> None:
    mixed = [*photos("a.jpg", "b.jpg", device=None), *photos("c.jpg", device="other")]
    found = split_streams(mixed, arrays([1.0, NAN, 2.0]))
    assert [(s.name, s.photos.tolist()) for s in found] == [("unknown device", [0]), ("unknown device", [1]),
                                                            ("other", [2])]


def two_counters(first: int, second: int, count: int = 8, prefix: str = "IMG_") -> tuple[list[str], list[float]]:
    """Names of two phones of one model, photo about photo."""
    names = [f"dcim/{prefix}{first + i // 2 if i % 2 == 0 else second + i // 2:04d}.jpg" for i in range(2 * count)]
    return names, [10.0 * i for i in range(2 * count)]


def test_two_file_counters_side_by_side_are_two_phones() -> None:
    names, times = two_counters(1, 5000)
    assert split(names, times) == [("phone, file counter 1", list(range(0, 16, 2)), True),
                                   ("phone, file counter 2", list(range(1, 16, 2)), True)]


@pytest.mark.parametrize(("first", "second", "count"), [(1, 401, 8), (1, 5000, 7)])
def test_counters_that_lie_near_or_that_few_photos_bear_are_one(first: int, second: int, count: int) -> None:
    """A phone that is restarted or whose folder was tidied up jumps a little; few photos prove no second phone."""
    names, times = two_counters(first, second, count)
    assert split(names, times) == [("phone", list(range(2 * count)), True)]


def test_a_jump_of_more_than_four_hundred_is_another_counter() -> None:
    names, times = two_counters(1, 402)
    assert len(split(names, times)) == 2


def test_a_photo_copied_a_little_late_belongs_to_its_counter() -> None:
    numbers = [100, 101, 102, 99, 103, 104, 105, 106, *range(5000, 5008)]
    found = split([f"IMG_{n:04d}.jpg" for n in numbers], [float(i) for i in range(16)])
    assert [members for _, members, _ in found] == [list(range(8)), list(range(8, 16))]
    numbers[3] = 98
    found = split([f"IMG_{n:04d}.jpg" for n in numbers], [float(i) for i in range(16)])
    assert len(found) == 1, "four below the counter it can't be of it, and one photo is no phone"


def test_a_photo_goes_to_the_nearest_counter() -> None:
    numbers = [n for pair in zip(range(1, 10), range(405, 414), strict=True) for n in pair]
    found = split([f"IMG_{n:04d}.jpg" for n in numbers], [float(i) for i in range(18)])
    assert [members for _, members, _ in found] == [list(range(0, 18, 2)), list(range(1, 18, 2))]


def test_five_counters_are_no_phones_of_one_crew() -> None:
    numbers = [1000 * k + i for i in range(8) for k in range(1, 6)]
    assert len(split([f"IMG_{n:05d}.jpg" for n in numbers], [float(i) for i in range(40)])) == 1
    numbers = [1000 * k + i for i in range(8) for k in range(1, 5)]
    assert len(split([f"IMG_{n:05d}.jpg" for n in numbers], [float(i) for i in range(32)])) == 4


@pytest.mark.parametrize("odd", ["gate.jpg", "DSC_0009.jpg", "IMG_12.jpg"])
def test_names_of_another_kind_say_nothing_of_counters(odd: str) -> None:
    names, times = two_counters(1, 5000)
    assert len(split([*names, odd], [*times, 999.0])) == 1


def test_letters_of_a_counter_match_in_either_case() -> None:
    names, times = two_counters(1, 5000)
    names[3] = names[3].replace("IMG_", "img_")
    assert len(split(names, times)) == 2


SITE = SiteArrays(np.arange(20) * 10.0, np.zeros(20), np.zeros(20), np.zeros(20), 1e4, 10.0)
NOBODY = np.full(64, -1)


def says(data: PhotoArrays, sure: np.ndarray = NOBODY) -> str:
    return shared_by_crews(SITE, data, Stream("phone", np.arange(data.size)), sure[: data.size])


def test_positions_that_jump_faster_than_a_run_are_two_crews() -> None:
    times = 10.0 * np.arange(24)
    slow, fast = 20.0 * (np.arange(24) % 2), 200.0 * (np.arange(24) % 2)
    assert says(arrays(times, slow, stated_m=np.full(24, 4.0))) == ""
    assert "positions jump" in says(arrays(times, fast, stated_m=np.full(24, 4.0)))
    assert says(arrays(30.0 * times, fast, stated_m=np.full(24, 4.0))) == "", "in five minutes one walks there"
    assert says(arrays(times, fast, stated_m=np.full(24, 60.0))) == "", "the phone's own error explains it"
    assert says(arrays(times[:11], fast[:11], stated_m=np.full(11, 4.0))) == "", "too few to tell"
    assert "positions jump" in says(arrays(times[:12], fast[:12], stated_m=np.full(12, 4.0)))


def test_the_limit_of_a_jump_is_three_metres_a_second_beyond_the_errors_of_both_ends() -> None:
    """2.5 times the common error of two positions, each at least 4 m (10 m where none is stated), and 3 m/s."""
    times = 10.0 * np.arange(24)
    for stated, own in ((4.0, 4.0), (1.0, 4.0), (NAN, 10.0), (12.0, 12.0)):
        limit = 2.5 * np.hypot(own, own) + 30.0
        for way, expected in ((limit - 0.1, False), (limit + 0.1, True)):
            data = arrays(times, way * (np.arange(24) % 2), stated_m=np.full(24, stated))
            assert ("positions jump" in says(data)) is expected, (stated, way)


def test_a_few_jumps_among_many_steps_are_errors() -> None:
    times = 10.0 * np.arange(51)
    east = np.zeros(51)
    for count, expected in ((4, False), (5, True)):
        at = east.copy()
        for k in range(count):
            at[5 * k + 5 :] += 500.0
        assert ("positions jump" in says(arrays(times, at, stated_m=np.full(51, 4.0)))) is expected


def test_labels_that_cross_the_site_to_and_fro_are_two_crews() -> None:
    times = 30.0 * np.arange(20)
    walk, cross = np.arange(20), np.array([0, 19] * 10)
    assert says(arrays(times), walk) == ""
    assert "labels cross" in says(arrays(times), cross)
    few = np.where(np.arange(20) < 7, cross, -1)
    assert says(arrays(times), few) == "", "seven labels tell nothing"
    eight = np.where(np.arange(20) < 8, cross, -1)
    assert says(arrays(times), eight) == "", "seven steps tell nothing"
    nine = np.where(np.arange(20) < 9, cross, -1)
    assert "labels cross" in says(arrays(times), nine)
    some = np.array([0, 0, 0, 0, 19, 19, 19, 19, 0, 0, 0, 0, 19, 19, 19, 19, 0, 0, 0, 0])
    assert says(arrays(40.0 * times), some) == "", "one step of five crosses the site, and there was time to walk"
    assert "labels cross" in says(arrays(times), some), "nobody walks that fast"
    once = np.array([*range(10), 19, 18, 17, 16, 15, 14, 13, 12, 11, 10])
    assert says(arrays(times), once) == "", "one long way is none"


def test_photos_within_seconds_that_look_apart_are_two_crews_where_nothing_else_can_tell() -> None:
    times = 3.0 * np.arange(16)
    apart, alike = 120.0 * (np.arange(16) % 2), 60.0 * (np.arange(16) % 2)
    assert "look in quite different directions" in says(arrays(times, bearing_deg=apart))
    assert says(arrays(times, bearing_deg=alike)) == ""
    assert says(arrays(2.0 * times, bearing_deg=apart)) == "", "in six seconds one turns round"
    assert says(arrays(times[:12], bearing_deg=apart[:12])) == "", "eleven turns tell nothing"
    assert says(arrays(times[:13], bearing_deg=apart[:13])) != ""
    assert says(arrays(times, bearing_deg=350.0 + 20.0 * (np.arange(16) % 2))) == "", "through north"
    assert says(arrays(times, np.zeros(16), apart)) == "", "positions can tell, and say nothing"
    assert says(arrays(times, bearing_deg=apart), np.arange(16)) == "", "labels can tell, and say nothing"


def test_copies_without_a_time_follow_the_numbers_of_their_names_folder_by_folder() -> None:
    names = ["sent/chat_10.jpg", "sent/chat_9.jpg", "sent/chat_11.jpg", "other/a.jpg", "other/b.jpg", "two/x1.jpg", "two/x2.jpg"]
    found = split_streams(photos(*names, device=None), arrays([NAN] * 7))
    assert [(s.photos.tolist(), s.ordered) for s in found] == [([1, 0, 2], True), ([3, 4, 5, 6], False)], "two are no walk"
    alike = split_streams(photos("a/1.jpg", "a/01.jpg", "a/001.jpg", device=None), arrays([NAN] * 3))
    assert [s.ordered for s in alike] == [False], "the same number three times"
