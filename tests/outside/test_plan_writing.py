"""Plans as people write them, against what others define: units, grids, compass points, number and date forms."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from audit.plan.crs import NamedGrid, grid_named
from audit.plan.files import look_at_plan
from audit.plan.measures import Measure
from audit.plan.places import to_local
from audit.plan.quantities import compass_deg, quantities

LENGTH = Measure("m")
ANGLE = Measure("deg", sort="pitch")


@pytest.mark.parametrize(
    ("text", "metres"),
    [("1 ft", 0.3048), ("1 in", 0.0254), ("1 yd", 0.9144), ("10' 6\"", 3.2004), ("1 km", 1000.0), ("1 mm", 0.001)],
)
def test_lengths_are_those_of_the_international_yard(text: str, metres: float) -> None:
    """One yard is 0.9144 m exactly (international yard and pound agreement, 1959; NIST SP 811, appendix B)."""
    (read,) = quantities(text, LENGTH)
    assert read.value * (LENGTH.factor(read.unit or "m") or 0) == pytest.approx(metres, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "degrees"), [("100 gon", 90.0), ("3.141592653589793 rad", 180.0), ("6400 mil", 360.0)]
)
def test_angles(text: str, degrees: float) -> None:
    """400 gon and 2 pi rad are a full circle (ISO 80000-3); 6400 mil by military practice (from memory)."""
    (read,) = quantities(text, ANGLE)
    assert read.value * (ANGLE.factor(read.unit or "") or 0) == pytest.approx(degrees, rel=1e-12)


def _utm(latitude: float, longitude: float) -> tuple[float, float]:
    """Transverse Mercator on WGS 84 by Krueger's series to the sixth order of n, as in Karney, J. Geodesy 85 (2011),
    equations 7 to 12 and 35: written here anew, against PROJ's own."""
    a, f = 6378137.0, 1 / 298.257223563
    n = f / (2 - f)
    e = math.sqrt(f * (2 - f))
    big_a = a / (1 + n) * (1 + n**2 / 4 + n**4 / 64 + n**6 / 256)
    alpha = (
        n / 2 - 2 * n**2 / 3 + 5 * n**3 / 16 + 41 * n**4 / 180,
        13 * n**2 / 48 - 3 * n**3 / 5 + 557 * n**4 / 1440,
        61 * n**3 / 240 - 103 * n**4 / 140,
        49561 * n**4 / 161280,
    )
    zone = int((longitude + 180) // 6) + 1
    lam = math.radians(longitude - (6 * zone - 183))
    tau = math.tan(math.radians(latitude))
    sigma = math.sinh(e * math.atanh(e * tau / math.hypot(1, tau)))
    tau_ = tau * math.hypot(1, sigma) - sigma * math.hypot(1, tau)
    xi, eta = math.atan2(tau_, math.cos(lam)), math.asinh(math.sin(lam) / math.hypot(tau_, math.cos(lam)))
    x = xi + sum(c * math.sin(2 * j * xi) * math.cosh(2 * j * eta) for j, c in enumerate(alpha, 1))
    y = eta + sum(c * math.cos(2 * j * xi) * math.sinh(2 * j * eta) for j, c in enumerate(alpha, 1))
    return 500_000 + 0.9996 * big_a * y, 0.9996 * big_a * x


@pytest.mark.parametrize(("latitude", "longitude", "zone"), [(46.5, -18.5, 27), (48.2, 16.4, 33), (59.3, 10.1, 32)])
def test_utm_by_a_formula_of_another(latitude: float, longitude: float, zone: int) -> None:
    east, north = _utm(latitude, longitude)
    grid = grid_named(f"Easting (UTM {zone}N)")
    assert isinstance(grid, NamedGrid)
    found = grid.to_wgs84(east, north)
    assert found is not None and math.hypot(*to_local(*found, (latitude, longitude))) < 0.01


@pytest.mark.parametrize(
    ("name", "east", "north", "latitude", "longitude", "metres"),
    [
        ("LV95", 2_600_000, 1_200_000, 46.95108, 7.43863, 3.0),
        ("Lambert 93", 700_000, 6_600_000, 46.5, 3.0, 0.5),
        ("EPSG:3035", 4_321_000, 3_210_000, 52.0, 10.0, 0.5),
    ],
)  # fmt: skip
def test_national_grids_at_their_own_origins(
    name: str, east: float, north: float, latitude: float, longitude: float, metres: float
) -> None:
    """False origins by the EPSG dataset: LV95 at the old observatory of Bern (its WGS 84 position from memory), Lambert-93
    at 46.5 N 3 E (700,000; 6,600,000), ETRS89-LAEA at 52 N 10 E (4,321,000; 3,210,000)."""
    grid = grid_named(name)
    assert isinstance(grid, NamedGrid)
    found = grid.to_wgs84(east, north)
    assert found is not None and math.hypot(*to_local(*found, (latitude, longitude))) < metres


def test_compass_points_are_the_sixteen_of_the_rose() -> None:
    """Sixteen points of 22.5 degrees (common practice at sea); O is Ost in German, ouest, oeste and ovest elsewhere."""
    rose = "N NNE NE ENE E ESE SE SSE S SSW SW WSW W WNW NW NNW".split()
    assert [compass_deg(p, "en") for p in rose] == [22.5 * i for i in range(16)]
    german = "N NNO NO ONO O OSO SO SSO S SSW SW WSW W WNW NW NNW".split()
    assert [compass_deg(p, "de") for p in german] == [22.5 * i for i in range(16)]
    for language in ("fr", "es", "it"):
        romance = "N NNE NE ENE E ESE SE SSE S SSO SO OSO O ONO NO NNO".split()
        assert [compass_deg(p, language) for p in romance] == [22.5 * i for i in range(16)]


@pytest.mark.parametrize("locale", ["en_GB", "de_DE", "de_AT", "de_CH", "fr_FR", "fr_CH", "es_ES", "it_IT", "it_CH"])
def test_numbers_and_dates_as_the_unicode_consortium_writes_them(locale: str, tmp_path: Path) -> None:
    """CLDR by Babel: heights with the locale's decimal sign, pixels with its sign for thousands, its medium dates."""
    numbers = pytest.importorskip("babel.numbers")
    dates = pytest.importorskip("babel.dates")
    from datetime import date

    lines = ["camera;east_m;north_m;height_m;bearing_deg;pitch_deg;hfov_deg;image_width_px;image_height_px;surveyed_on"]
    truth = [(3.25, 12_345), (4.5, 9_870), (2.75, 10_240)]
    for i, (height, width) in enumerate(truth):
        cells = (f"C{i}", str(i), "0", numbers.format_decimal(height, locale=locale), "20", "-10",
                 numbers.format_decimal(80.5, locale=locale), numbers.format_decimal(width, locale=locale), "1080",
                 dates.format_date(date(2026, 4, 25), "long", locale=locale))  # fmt: skip
        lines.append(";".join(cells))
    (tmp_path / "plan.csv").write_text("\n".join(lines), encoding="utf-8")
    site, problems = look_at_plan(tmp_path / "plan.csv")
    assert site is not None and not site.waiting, [p.sentence() for p in problems]
    assert [(c.height_m, c.lens.width_px) for c in site.cameras] == truth
    assert {dict(c.extra)["surveyed_on"] for c in site.cameras} == {"2026-04-25"}
