"""Device clocks against satellite time."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.photos.clocks import device_clock_offsets, taken_utc
from audit.photos.photo import Metadata, Photo

NOON = datetime(2026, 6, 16, 12, 0, 0, tzinfo=UTC)


def photo(
    true: datetime,
    error_s: float,
    zone: timezone | None,
    stated: bool,
    stale_s: float = 0.0,
    device: str | None = "P-1",
) -> Photo:
    clock = true + timedelta(seconds=error_s)
    local = clock.astimezone(zone or UTC)
    taken = local if stated else local.replace(tzinfo=None)
    gps = (true - timedelta(seconds=stale_s)).replace(microsecond=0)
    return Photo("a", "0" * 64, 1, "JPEG", 1, 1, Metadata(taken_at=taken, gps_at=gps, device=device))


def walk(count: int = 9) -> list[datetime]:
    return [NOON + timedelta(minutes=3 * number, milliseconds=377 * number) for number in range(count)]


@settings(deadline=None)
@given(
    error_s=st.floats(-400, 400),
    quarters=st.integers(-48, 56),
)
def test_naive_clock_gives_zone_and_error(error_s: float, quarters: int) -> None:
    zone = timezone(timedelta(minutes=15 * quarters)) if abs(quarters) < 96 else UTC
    photos = [photo(true, error_s, zone, stated=False) for true in walk()]
    clock = device_clock_offsets(photos)["P-1"]
    assert clock.zone == zone.utcoffset(None)
    assert abs(clock.error.total_seconds() - error_s) < 1.5
    for found, true in zip(photos, walk(), strict=True):
        utc = taken_utc(found.metadata, {"P-1": clock})
        assert utc is not None
        assert abs((utc - true).total_seconds()) < 1.5


def test_clock_one_hour_fast_that_states_its_offset_is_put_right() -> None:
    photos = [photo(true, 3600.0, timezone(timedelta(hours=1)), stated=True) for true in walk()]
    clock = device_clock_offsets(photos)["P-1"]
    assert clock.zone is None
    assert clock.error.total_seconds() == pytest.approx(3600, abs=1.5)
    utc = taken_utc(photos[4].metadata, {"P-1": clock})
    assert utc is not None
    assert abs((utc - walk()[4]).total_seconds()) < 1.5


def test_old_fixes_in_less_than_half_of_the_photos_do_not_move_the_clock() -> None:
    photos = [
        photo(true, 5.0, None, True, stale_s=900.0 if number % 3 == 0 else 0.0) for number, true in enumerate(walk())
    ]
    clock = device_clock_offsets(photos)["P-1"]
    assert clock.error.total_seconds() == pytest.approx(5.0, abs=1.5)
    assert clock.photos == 9


def test_devices_are_kept_apart_and_nameless_ones_left_out() -> None:
    photos = [
        photo(NOON, 10, None, True, device="A"),
        photo(NOON, 70, None, True, device="B"),
        photo(NOON, 0, None, True, device=None),
    ]
    clocks = device_clock_offsets(photos)
    assert set(clocks) == {"A", "B"}
    assert clocks["B"].error - clocks["A"].error == timedelta(seconds=60)


def test_without_any_satellite_time_nothing_is_known() -> None:
    naive = Metadata(taken_at=datetime(2026, 6, 16, 12, 0), device="P-1")  # noqa: DTZ001
    assert device_clock_offsets([Photo("a", "0" * 64, 1, "JPEG", 1, 1, naive)]) == {}
    assert taken_utc(naive, {}) is None
    assert taken_utc(Metadata(gps_at=NOON), {}) == NOON
