"""Declination against the published test values of the World Magnetic Model, and positions against GeographicLib."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from audit.match.evidence import declination_deg, local_metres, true_bearing_deg
from audit.photos.photo import Metadata

# WMM2025_TestValues.txt of the model's publishers, as quoted in public test files: decimal year, height in km,
# latitude, longitude, declination in degrees.
PUBLISHED = [
    (2025.0, 0, 80, 0, 1.28), (2025.0, 0, 0, 120, -0.16), (2025.0, 0, -80, 240, 68.78), (2027.5, 0, 80, 0, 2.59),
    (2027.5, 0, 0, 120, -0.24), (2027.5, 0, -80, 240, 68.49), (2025.0, 28, 89, -121, -99.77),
    (2025.0, 48, 80, -96, -29.91), (2025.0, 18, 0, 21, 1.29), (2025.5, 6, -36, -137, 20.28),
]


@pytest.mark.parametrize(("year", "height_km", "latitude", "longitude", "expected"), PUBLISHED)
def test_published_values_are_met(year: float, height_km: float, latitude: float, longitude: float,
                                  expected: float) -> None:
    assert declination_deg(latitude, longitude, height_km * 1000.0, year) == pytest.approx(expected, abs=0.006)


def test_a_magnetic_direction_is_turned_by_the_declination_and_a_true_one_is_not() -> None:
    # EXIF: GPSImgDirectionRef M is magnetic, T true; true = magnetic + declination, east positive (JEITA CP-3451).
    when = datetime(2026, 6, 16, 12, 0, tzinfo=UTC)
    magnetic = Metadata(taken_at=when, bearing_deg=314.66, bearing_reference="M")
    assert true_bearing_deg(magnetic, (46.5, -18.0)) == pytest.approx(310.0, abs=0.05)
    assert true_bearing_deg(Metadata(bearing_deg=314.66, bearing_reference="T"), None) == pytest.approx(314.66)
    assert true_bearing_deg(Metadata(bearing_deg=314.66, bearing_reference="M"), None) is None


@pytest.mark.parametrize("origin", [(46.5, -18.0), (0.0, 179.99), (-64.0, 12.0)])
def test_local_metres_agree_with_the_geodesic(origin: tuple[float, float]) -> None:
    # GeographicLib's geodesic routines (C. F. F. Karney, Algorithms for geodesics, J. Geodesy 87, 2013).
    rng = np.random.default_rng(1)
    for reach, allowed in ((500.0, 0.02), (5000.0, 2.0)):
        azimuth = rng.uniform(0, 360, 20)
        far = rng.uniform(0, reach, 20)
        places = [Geodesic.WGS84.Direct(*origin, a, d) for a, d in zip(azimuth, far, strict=True)]
        east, north = local_metres(np.array([p["lat2"] for p in places]), np.array([p["lon2"] for p in places]),
                                   origin)
        np.testing.assert_allclose(np.hypot(east, north), far, atol=allowed)
        np.testing.assert_allclose(east, far * np.sin(np.radians(azimuth)), atol=3 * allowed)
