"""File counters of one device: two that interleave are told apart, one is none to tell."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.match.streams import _counter, _tracks


@given(st.integers(0, 9000), st.integers(4, 40))
@settings(max_examples=40)
def test_one_counter_is_no_track_of_its_own(first: int, count: int) -> None:
    assert _tracks(range(first, first + count)) == [-1] * count


@given(st.lists(st.booleans(), min_size=30, max_size=60), st.integers(0, 500))
@settings(max_examples=40)
def test_two_counters_far_apart_are_two_tracks(which: list[bool], first: int) -> None:
    which = [True] * 8 + [False] * 8 + which
    heads = {True: first, False: first + 5000}
    numbers = []
    for one in which:
        heads[one] += 1
        numbers.append(heads[one])
    found = _tracks(numbers)
    assert len(set(found)) == 2
    assert all((a == b) == (x == y) for a, x in zip(found, which, strict=True) for b, y in zip(found[:3], which[:3], strict=True))


@pytest.mark.parametrize(
    ("name", "counter"),
    [("IMG_0042.jpg", ("img", 42)), ("site/DSC00017.JPG", ("dsc", 17)), ("gate.jpg", None), ("C-1/day.jpg", None)],
)
def test_a_file_s_counter(name: str, counter: tuple[str, int] | None) -> None:
    assert _counter(name) == counter
