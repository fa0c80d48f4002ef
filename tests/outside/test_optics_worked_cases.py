"""Forty worked cases of optics, sun, sea horizon and geodesy, each with its source.

[S] = published source, named; [C] = worked by hand from the formula beside it.
"""

from __future__ import annotations

import math
from datetime import datetime

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from audit.lens import Lens
from audit.plan.model import Camera, Target
from audit.plan.optics import Pose, geometry, horizon_curve, open_sky_fraction
from audit.plan.parts import thread_named
from audit.plan.places import from_local, to_local
from audit.plan.sun import sun_position

#: Case A: 1920 x 1080, vfov 33, 3 m up, pitch -15. f = 540 / tan 16.5 = 1823.0094 px.
HFOV_A = math.degrees(2 * math.atan(960 / 1823.0094))
LENS_A = Lens(1920, 1080, HFOV_A)


def _case_a(pitch: float = -15.0, roll: float = 0.0, *targets: Target) -> Camera:
    return Camera("A", 0, 0, 3.0, 0, pitch, LENS_A, roll, targets=targets)


def test_focal_length_and_angles() -> None:
    """[C] f = 540 / tan 16.5 deg; hfov = 2 atan(960/f) = 55.543; vfov back to 33."""
    assert LENS_A.focal_px == pytest.approx(1823.0094, abs=1e-3)
    assert LENS_A.hfov_deg == pytest.approx(55.543, abs=1e-3)
    assert LENS_A.vfov_deg == pytest.approx(33.0, abs=1e-6)


@pytest.mark.parametrize(
    ("width", "height", "hfov", "focal", "vfov"),
    [
        (1920, 1080, 56, 1805.50, 33.302),
        (1920, 1080, 90, 960.00, 58.716),
        (2560, 1440, 84, 1421.58, 53.722),
        (3840, 2160, 110, 1344.40, 77.552),
    ],
)
def test_focal_length_in_pixels(width: int, height: int, hfov: float, focal: float, vfov: float) -> None:
    """[C] f = (w/2) / tan(hfov/2); tan(vfov/2) = tan(hfov/2) h/w, not in proportion to the angles."""
    lens = Lens(width, height, hfov)
    assert lens.focal_px == pytest.approx(focal, abs=0.006)
    assert lens.vfov_deg == pytest.approx(vfov, abs=0.001)


@pytest.mark.parametrize(
    ("pitch", "row", "near"),
    [(0, 540.00, 10.13), (-5, 380.51, 7.62), (-10, 218.55, 6.02), (-15, 51.53, 4.90)],
)
def test_horizon_row_and_near_ground(pitch: float, row: float, near: float) -> None:
    """[C] cy - f tan(tilt) with cy = 540 counted from the picture's upper edge: half a pixel less by pixel centres."""
    seen = geometry(_case_a(pitch))
    assert seen.horizon_row_px == pytest.approx(row - 0.5, abs=0.01)
    assert seen.nearest_ground_m == pytest.approx(near, abs=0.005)


@pytest.mark.parametrize(("pitch", "near"), [(-16.5, 4.62), (-20, 4.05)])
def test_near_ground_of_a_steeper_aim(pitch: float, near: float) -> None:
    """[C] h / tan(tilt + 16.5)."""
    assert geometry(_case_a(pitch)).nearest_ground_m == pytest.approx(near, abs=0.005)


def test_a_horizon_above_the_picture_is_none() -> None:
    """[C] pitch -20: row -123.52 lies outside; five degrees too high bring it back in."""
    assert geometry(_case_a(-20)).horizon_row_px is None
    assert geometry(_case_a(-20), Pose(0, -15)).horizon_row_px is not None
    assert open_sky_fraction(LENS_A, -20) == 0.0


def test_sky_band_of_case_a() -> None:
    """[C] 51.526 / 1080 = 4.77 %."""
    assert open_sky_fraction(LENS_A, -15) == pytest.approx(0.0477, abs=5e-5)


@pytest.mark.parametrize(
    ("too_high", "near", "lower_by"), [(2, 5.30, 67.6), (5, 6.02, 167.0), (8, 6.90, 264.6), (10, 7.62, 329.0)]
)
def test_what_a_wrong_tilt_costs(too_high: float, near: float, lower_by: float) -> None:
    """[C] near ground and the horizon's shift for an aim that is too high."""
    planned, found = geometry(_case_a()), geometry(_case_a(), Pose(0, -15 + too_high))
    assert found.nearest_ground_m == pytest.approx(near, abs=0.005)
    assert found.horizon_row_px - planned.horizon_row_px == pytest.approx(lower_by, abs=0.06)


@pytest.mark.parametrize(("metres", "feet", "head"), [(5, 1061.5, 526.5), (10, 594.1, 297.0), (20, 333.3, 176.4)])
def test_rows_of_a_person(metres: float, feet: float, head: float) -> None:
    """[C] a 1.70 m person in case A."""
    views = geometry(_case_a(-15, 0, Target("feet", 0, metres, 0), Target("head", 0, metres, 1.7))).targets
    assert views[0].row_px == pytest.approx(feet - 0.5, abs=0.06)
    assert views[1].row_px == pytest.approx(head - 0.5, abs=0.06)


@pytest.mark.parametrize(("roll", "rise"), [(1, 33.5), (2, 67.0), (3, 100.6), (5, 168.0), (10, 338.5)])
def test_rise_of_a_rolled_horizon(roll: float, rise: float) -> None:
    """[C] 1920 tan(roll); clockwise from behind: the horizon's left end is low (larger row)."""
    curve = horizon_curve(LENS_A, -10, roll, points=2001)
    left, right = np.interp([-0.5, 1919.5], curve[:, 0], curve[:, 1])
    assert left - right == pytest.approx(rise, abs=0.06)


@pytest.mark.parametrize(
    ("roll", "middle", "left", "right"), [(5, 49.66, 133.65, -34.33), (10, 43.99, 213.26, -125.28)]
)
def test_horizon_of_a_pitched_and_rolled_camera(roll: float, middle: float, left: float, right: float) -> None:
    """[C] foot of the perpendicular stays f tan(pitch); middle row cy - f tan(p)/cos(roll)."""
    curve = horizon_curve(LENS_A, -15, roll, points=4001)
    rows = np.interp([-0.5, 959.5, 1919.5], curve[:, 0], curve[:, 1])
    assert rows == pytest.approx(np.array([left, middle, right]) - 0.5, abs=0.06)
    assert geometry(_case_a(-15, roll)).horizon_row_px == pytest.approx(middle - 0.5, abs=0.01)


@pytest.mark.parametrize(("height", "dip"), [(2, 0.0454), (3, 0.0556), (4, 0.0642), (10, 0.1015), (30, 0.1758)])
def test_dip_of_the_sea_horizon_is_below_what_matters(height: float, dip: float) -> None:
    """[S] 0.0293 sqrt(h) with refraction, Nautical Almanac 1998 (NavList, fer3.com g23432); [C] acos(R/(R+h)) without.

    Both lie below the 0.11 degrees that :mod:`audit.plan.optics` leaves out up to 10 m."""
    assert math.degrees(math.acos(6371009 / (6371009 + height))) == pytest.approx(dip, abs=6e-5)
    assert 0.0293 * math.sqrt(height) < dip
    if height <= 10:
        assert dip < 0.11


@pytest.mark.parametrize(("tilt", "share"), [(0, 0.5), (15, 0.417), (30, 0.333), (45, 0.25), (89.9, 0.0)])
def test_share_of_a_half_panorama_above_the_horizon(tilt: float, share: float) -> None:
    """[C] two half-spaces: (90 - tilt)/180 of the solid angle; the share of pixels is weighted here by solid angle,
    which an equidistant lens images with sin(theta)/theta."""
    lens = Lens(700, 700, 180, projection="equidistant")
    y, x = np.mgrid[0:700, 0:700].astype(float)
    rays = lens.unproject(np.stack([x, y], axis=-1))
    angle = np.arccos(np.clip(rays[..., 2], -1, 1))
    weight = np.where(np.isfinite(angle), np.sinc(angle / np.pi), 0.0)
    from audit.frames import up_in_camera

    above = np.nan_to_num(rays) @ up_in_camera(0, -tilt) > 0
    assert (weight * above).sum() / weight.sum() == pytest.approx(share, abs=0.003)


def test_equidistant_horizon_row() -> None:
    """[C] R t / 90 above the centre: R 960, t 30 gives 320 px."""
    camera = Camera("c", 0, 0, 3, 0, -30, Lens(1920, 1920, 180, projection="equidistant"))
    assert 959.5 - geometry(camera).horizon_row_px == pytest.approx(320, abs=1e-6)


@pytest.mark.parametrize(("tilt", "near", "band"), [(0, 5.20, 30), (15, 3.00, 15), (25, 2.10, 5)])
def test_wide_view_on_a_wall(tilt: float, near: float, band: float) -> None:
    """[C] vfov 60, 3 m: near ground h / tan(tilt + 30), sky band 30 - tilt degrees."""
    hfov = math.degrees(2 * math.atan(math.tan(math.radians(30)) * 16 / 9))
    camera = Camera("c", 0, 0, 3, 0, -tilt, Lens(1920, 1080, hfov))
    seen = geometry(camera)
    assert seen.nearest_ground_m == pytest.approx(near, abs=0.005)
    above = math.degrees(math.atan((seen.horizon_row_px - 539.5) / camera.lens.focal_px)) + 30
    assert above == pytest.approx(band, abs=0.01)


def test_a_ceiling_fisheye_sees_its_own_foot_and_no_sky() -> None:
    """[C] axis straight down: ground from 0 m, horizon on the rim of the circle."""
    seen = geometry(Camera("c", 0, 0, 4, 0, -90, Lens(2880, 2880, 180, projection="equidistant")))
    assert seen.nearest_ground_m == 0.0 and seen.farthest_ground_m is None
    assert seen.open_sky_fraction == 0.0 and seen.horizon_row_px is None


def test_sun_by_the_nrel_worked_example() -> None:
    """[S] NREL/TP-560-34302, worked example: zenith 50.11162 at 820 mbar, azimuth 194.34024; topocentric elevation
    without refraction 39.872046. NOAA's equations lie within 0.01 degrees."""
    when = datetime.fromisoformat("2003-10-17T12:30:30-07:00").timestamp()
    elevation, azimuth = sun_position(when, 39.742476, -105.1786, refraction=False)
    assert float(elevation) == pytest.approx(39.872046, abs=0.01)
    assert float(azimuth) == pytest.approx(194.34024, abs=0.01)


def test_sun_by_noaas_own_sheet() -> None:
    """[S] NOAA day sheet, first row (40 N, 105 W, 21 June 2010 00:06 UTC-7): -26.5537621, refracted -26.5422164,
    azimuth 1.09867118; the sheet counts a day fraction, good to 1e-5."""
    when = datetime.fromisoformat("2010-06-21T00:06:00-07:00").timestamp()
    elevation, azimuth = sun_position(when, 40, -105, refraction=False)
    assert float(elevation) == pytest.approx(-26.5537621, abs=2e-5)
    assert float(azimuth) == pytest.approx(1.09867118, abs=2e-5)
    assert float(sun_position(when, 40, -105)[0]) == pytest.approx(-26.5422164, abs=2e-5)


def test_sun_by_pvlib_over_a_year() -> None:
    """[S] pvlib's implementation of the NREL algorithm, 500 random daytime moments: within 0.02 degrees (not at the
    zenith, where the azimuth turns round)."""
    pvlib = pytest.importorskip("pvlib")
    import pandas as pd

    rng = np.random.default_rng(2)
    when = rng.uniform(1.70e9, 1.90e9, 500)
    theirs = pvlib.solarposition.get_solarposition(pd.to_datetime(when, unit="s", utc=True), 46.5, -18.0)
    elevation, azimuth = sun_position(when, 46.5, -18.0, refraction=False)
    up = theirs["elevation"].to_numpy() > 0
    assert np.abs(elevation - theirs["elevation"].to_numpy())[up].max() < 0.02
    turn = (azimuth - theirs["azimuth"].to_numpy() + 180) % 360 - 180
    assert np.abs(turn * np.cos(np.radians(elevation)))[up].max() < 0.02


@pytest.mark.parametrize(
    ("when", "latitude", "longitude", "elevation", "azimuth"),
    [("2026-06-21T12:00+00:00", 51.5, 0, 61.935, 179.114), ("2026-12-21T12:00+00:00", 51.5, 0, 15.059, 180.460)],
)
def test_sun_at_noon(when: str, latitude: float, longitude: float, elevation: float, azimuth: float) -> None:
    """[C] pvlib 0.16.1, without refraction."""
    e, a = sun_position(datetime.fromisoformat(when).timestamp(), latitude, longitude, refraction=False)
    assert float(e) == pytest.approx(elevation, abs=0.02) and float(a) == pytest.approx(azimuth, abs=0.02)


@pytest.mark.parametrize(
    ("when", "elevation", "azimuth"),
    [
        ("2026-06-16T10:00", 45.17, 104.05),
        ("2026-06-16T13:15", 66.86, 181.32),
        ("2026-12-16T09:20", 3.54, 129.60),
        ("2026-12-16T15:00", 15.74, 206.68),
    ],
)
def test_sun_over_an_open_sea_place(when: str, elevation: float, azimuth: float) -> None:
    """[C] pvlib 0.16.1 at 46.5 N 18 W, with refraction."""
    e, a = sun_position(datetime.fromisoformat(when + "+00:00").timestamp(), 46.5, -18)
    assert float(e) == pytest.approx(elevation, abs=0.02) and float(a) == pytest.approx(azimuth, abs=0.03)


@pytest.mark.parametrize(
    ("name", "outside_mm", "per_inch"),
    [("1 1/2 NPT", 48.26, 11.5), ("3/4 NPT", 26.67, 14), ("G 1 1/2", 47.80, 11), ("G 3/4", 26.44, 14)],
)
def test_pipe_threads(name: str, outside_mm: float, per_inch: float) -> None:
    """[S] toolsnz.com NPT table and ficientdesign.com; ISO 228: tri-matic.ch, threadchart.net. Pitch = 25.4 / tpi."""
    thread = thread_named(f"arm {name}")
    assert thread is not None and thread.outside_mm == outside_mm
    assert thread.pitch_mm == pytest.approx(25.4 / per_inch, abs=5e-4)


def test_local_metres_against_proj() -> None:
    """[S] PROJ's azimuthal equidistant projection on WGS 84 (pyproj), 300 places within 3 km: within a millimetre."""
    pyproj = pytest.importorskip("pyproj")
    project = pyproj.Proj(proj="aeqd", lat_0=46.5, lon_0=-18.0, ellps="WGS84")
    rng = np.random.default_rng(4)
    for _ in range(300):
        latitude, longitude = 46.5 + rng.uniform(-0.027, 0.027), -18.0 + rng.uniform(-0.039, 0.039)
        east, north = to_local(latitude, longitude, (46.5, -18.0))
        assert (east, north) == pytest.approx(project(longitude, latitude), abs=0.001)
        assert from_local(east, north, (46.5, -18.0)) == pytest.approx((latitude, longitude), abs=1e-10)


def test_geodesic_of_the_library_itself() -> None:
    """[S] Karney, Algorithms for geodesics, J. Geodesy 87 (2013) 43-55, direct example: 40 N, azimuth 30, 10,000 km
    gives 41.79331020506 N, 137.84490004377 E (doi:10.1007/s00190-012-0578-z, table 2)."""
    found = Geodesic.WGS84.Direct(40, 0, 30, 10_000_000)
    assert found["lat2"] == pytest.approx(41.79331020506, abs=1e-10)
    assert found["lon2"] == pytest.approx(137.84490004377, abs=1e-10)
