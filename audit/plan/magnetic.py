"""Magnetic north against true north, by the World Magnetic Model."""

from __future__ import annotations

from functools import lru_cache

import pygeomag

__all__ = ["declination_deg"]


@lru_cache(maxsize=4)
def _field(base_year: int) -> pygeomag.GeoMag:
    return pygeomag.GeoMag(coefficients_file=f"wmm/WMM_{base_year}.COF")


@lru_cache(maxsize=4096)
def declination_deg(latitude_deg: float, longitude_deg: float, altitude_m: float, decimal_year: float) -> float:
    """Magnetic declination in degrees, east positive, by the World Magnetic Model valid in that year.

    Years before 2010 and after 2030 use the nearest model's edge.
    """
    base = min(2025, max(2010, 2010 + 5 * int((decimal_year - 2010) // 5)))
    year = min(max(decimal_year, float(base)), base + 5.0)
    result = _field(base).calculate(glat=latitude_deg, glon=longitude_deg, alt=altitude_m / 1000.0, time=year)
    return float(result.d)
