"""Plans and photos as arrays: metres, radians, seconds and what is left out, by worked values."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest

from audit.lens import Lens
from audit.match.evidence import declination_deg, photo_arrays, site_arrays, true_bearing_deg
from audit.photos.photo import Metadata, Photo
from audit.plan.model import Camera, Site
from audit.plan.places import from_local

LENS = Lens(1920, 1080, 60.0)
ORIGIN = (46.5, -18.0)
WHEN = datetime(2026, 6, 16, 10, 0, tzinfo=UTC)


def camera(name: str, east: float, north: float, *, bearing: float = 0.0, pitch: float = -10.0, floor: str = "0") -> Camera:
    return Camera(name, east, north, 3.0, bearing, pitch, LENS, floor=floor)


def arrays(*metas: Metadata, origin: tuple[float, float] | None = ORIGIN):  # type: ignore[no-untyped-def]
    site = Site((camera("a", 0, 0),), "s", *(origin or (None, None)))
    return photo_arrays(site, [Photo(f"{i}.jpg", "0" * 64, 1, "JPEG", 1, 1, m) for i, m in enumerate(metas)])


def test_a_plan_becomes_metres_radians_and_floors_in_their_order() -> None:
    site = Site((camera("a", 0, 0, bearing=90), camera("b", 30, 40, bearing=180, pitch=-69.9, floor="10"),
                 camera("c", 60, 0, bearing=45, pitch=-70, floor="B1"), camera("d", 0, 20, pitch=75, floor="2")), "s")
    found = site_arrays(site)
    assert found.size == 4
    assert found.east_m.tolist() == [0, 30, 60, 0] and found.north_m.tolist() == [0, 40, 0, 20]
    assert found.up_m.tolist() == [25.0, 75.0, 0.0, 50.0], "basement, ground, second, tenth: 25 m of walking each"
    assert found.bearing[:2] == pytest.approx([math.pi / 2, math.pi]) and np.isnan(found.bearing[2:]).all()
    assert found.area_m2 == pytest.approx((60 + 60) * (40 + 60))
    assert found.walk_coordinates.tolist() == [[0, 0, 25], [30, 40, 75], [60, 0, 0], [0, 20, 50]]


def test_floors_that_bear_names_stand_at_the_ground_in_the_order_of_their_names() -> None:
    site = Site(tuple(camera(str(i), i, 0, floor=f) for i, f in enumerate(("roof", "1", "basement", "", "-1"))), "s")
    assert (site_arrays(site).up_m / 25.0).tolist() == [3, 4, 1, 2, 0]


def test_spacing_is_the_median_way_to_the_third_neighbour_within_bounds() -> None:
    row = Site(tuple(camera(str(i), 10.0 * i, 0) for i in range(30)), "s")
    assert site_arrays(row).spacing_m == pytest.approx(20.0), "third neighbour in a row: two places on"
    assert site_arrays(Site((camera("a", 0, 0),), "s")).spacing_m == 10.0
    assert site_arrays(Site((camera("a", 0, 0), camera("b", 7.0, 0)), "s")).spacing_m == pytest.approx(7.0)
    assert site_arrays(Site((camera("a", 0, 0), camera("b", 0.5, 0)), "s")).spacing_m == 2.0
    assert site_arrays(Site((camera("a", 0, 0), camera("b", 900.0, 0)), "s")).spacing_m == 200.0


def test_times_are_seconds_and_a_clock_without_offset_is_read_as_it_stands() -> None:
    naive = WHEN.replace(tzinfo=None)
    east = naive.replace(tzinfo=timezone(timedelta(hours=2)))
    found = arrays(Metadata(taken_at=WHEN), Metadata(taken_at=naive + timedelta(seconds=5)), Metadata(taken_at=east),
                   Metadata(gps_at=WHEN), Metadata(), Metadata(taken_at=WHEN, gps_at=WHEN + timedelta(hours=1)))
    assert found.size == 6
    start = found.time_s[0]
    assert (found.time_s - start)[[1, 2, 3, 5]].tolist() == [5.0, -7200.0, 0.0, 0.0]
    assert np.isnan(found.time_s[4])


def test_positions_are_metres_from_the_origin_with_the_phones_own_figure() -> None:
    here = from_local(120.0, -45.0, ORIGIN)
    found = arrays(Metadata(latitude=here[0], longitude=here[1], position_error_m=7.0),
                   Metadata(latitude=here[0]), Metadata(latitude=ORIGIN[0] + 2.0, longitude=ORIGIN[1]))
    assert (found.east_m[0], found.north_m[0]) == pytest.approx((120.0, -45.0), abs=0.01)
    assert found.position_m[0] == 7.0 and np.isnan(found.position_m[1:]).all()
    assert np.isnan(found.east_m[1:]).all() and np.isnan(found.north_m[1:]).all(), "half a position; 222 km away"
    near = arrays(Metadata(latitude=ORIGIN[0] + 1.79, longitude=ORIGIN[1]))
    assert near.north_m[0] == pytest.approx(199_000, abs=500)
    nowhere = arrays(Metadata(latitude=46.5, longitude=-18.0), origin=None)
    assert np.isnan(nowhere.east_m).all() and np.isnan(nowhere.north_m).all()


def test_directions_are_radians_from_true_north() -> None:
    found = arrays(Metadata(bearing_deg=270.0, bearing_reference="T"),
                   Metadata(bearing_deg=10.0, bearing_reference="M", taken_at=WHEN), Metadata())
    assert found.bearing[0] == pytest.approx(1.5 * math.pi)
    expected = (10.0 + declination_deg(46.5, -18.0, 0.0, 2026.5)) % 360
    assert math.degrees(found.bearing[1]) == pytest.approx(expected, abs=0.02)
    assert np.isnan(found.bearing[2])


def test_the_declination_is_that_of_the_place_and_the_day() -> None:
    """The field turns: in Europe by some tenths of a degree in two years (the model itself is tested elsewhere)."""
    def turned(when: datetime | None, gps: datetime | None = None, origin: tuple[float, float] | None = ORIGIN) -> float:
        meta = Metadata(bearing_deg=0.0, bearing_reference="M", taken_at=when, gps_at=gps, latitude=10.0, longitude=20.0)
        found = true_bearing_deg(meta, origin)
        assert found is not None
        return found

    new_year, spring = (datetime(*day, tzinfo=UTC).replace(tzinfo=None) for day in ((2024, 12, 31, 12), (2025, 3, 14, 4)))
    for when, year in ((WHEN, 2026.5), (new_year, 2025.0), (spring, 2025.2), (datetime(2021, 7, 2, 12, tzinfo=UTC), 2021.5)):
        assert turned(when) == pytest.approx(declination_deg(46.5, -18.0, 0.0, year) % 360, abs=1e-9)
    assert turned(None) == pytest.approx(declination_deg(46.5, -18.0, 0.0, 2026.0) % 360)
    assert turned(datetime(2020, 1, 1, tzinfo=UTC), WHEN) == turned(WHEN), "the satellites' clock is the surer one"
    assert turned(WHEN, origin=None) == pytest.approx(declination_deg(10.0, 20.0, 0.0, 2026.5) % 360)
    assert true_bearing_deg(Metadata(bearing_deg=365.0, bearing_reference="T"), None) == pytest.approx(5.0)
    assert true_bearing_deg(Metadata(bearing_deg=math.nan), None) is None
    assert true_bearing_deg(Metadata(bearing_deg=12.0), None) == 12.0, "without a reference it is true north (Exif 2.32)"


def test_years_outside_the_models_take_the_nearest_edge() -> None:
    assert declination_deg(46.5, -18.0, 0.0, 1999.0) == declination_deg(46.5, -18.0, 0.0, 2010.0)
    assert declination_deg(46.5, -18.0, 0.0, 2050.0) == declination_deg(46.5, -18.0, 0.0, 2030.0)
    assert declination_deg(46.5, -18.0, 0.0, 2024.9) != declination_deg(46.5, -18.0, 0.0, 2025.1)


def test_a_fix_that_comes_again_to_the_digit_counts_as_old_as_its_first_photo() -> None:
    def taken(second: int, latitude: float, device: str = "a") -> Photo:
        at = datetime(2026, 6, 16, 9, tzinfo=UTC) + timedelta(seconds=second)
        meta = Metadata(taken_at=at, device=device, latitude=latitude, longitude=-18.0, position_error_m=6.0)
        return Photo(f"{device}{second}.jpg", "0" * 64, 1, "JPEG", 10, 10, meta)

    site = Site((), "s", 46.5, -18.0)
    seen = [taken(0, 46.5), taken(10, 46.5), taken(50, 46.5), taken(60, 46.5001), taken(5000, 46.5), taken(50, 46.5, "b")]
    stated = photo_arrays(site, seen).position_m
    assert stated[[0, 3, 5]].tolist() == [6.0, 6.0, 6.0], "new fixes, and another phone's"
    assert stated[1] == pytest.approx(np.hypot(6, 8)) and stated[2] == pytest.approx(np.hypot(6, 40))
    assert stated[4] == pytest.approx(np.hypot(6, 400)), "no more than a site's width"


def test_however_sure_a_look_is_one_photo_in_a_hundred_may_be_of_each_other_kind() -> None:
    sure = Photo("0.jpg", "0" * 64, 1, "JPEG", 1, 1, shows=(1.0, 0.0, 0.0, 0.0, 0.0))
    unseen = Photo("1.jpg", "0" * 64, 1, "JPEG", 1, 1)
    shows = photo_arrays(Site((), "s", *ORIGIN), [sure, unseen]).shows
    assert shows is not None
    assert shows.tolist() == [[1.0, 0.01, 0.01, 0.01, 0.01], [0.2, 0.2, 0.2, 0.2, 0.2]]
    assert photo_arrays(Site((), "s", *ORIGIN), [unseen]).shows is None, "nobody looked at any photo"
