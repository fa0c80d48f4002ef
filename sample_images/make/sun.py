"""Where the sun stands over the demo site (46.5 N, 18 W), after NOAA's solar position formulas."""

from __future__ import annotations

import math
from datetime import UTC, datetime

__all__ = ["sun_position"]


def sun_position(when: datetime, latitude_deg: float = 46.5, longitude_deg: float = -18.0) -> tuple[float, float]:
    """Elevation and azimuth of the sun in degrees, without refraction; good to about 0.1 degrees."""
    century = (when - datetime(2000, 1, 1, 12, tzinfo=UTC)).total_seconds() / 86400 / 36525
    mean_longitude = math.radians((280.46646 + century * 36000.76983) % 360)
    anomaly = math.radians(357.52911 + century * 35999.05029)
    centre = 1.914602 * math.sin(anomaly) + 0.019993 * math.sin(2 * anomaly) + 0.000289 * math.sin(3 * anomaly)
    longitude = mean_longitude + math.radians(centre - 0.00569)
    tilt = math.radians(23.439291 - 0.0130042 * century)
    declination = math.asin(math.sin(tilt) * math.sin(longitude))
    y = math.tan(tilt / 2) ** 2
    e = 0.016708634
    equation = (y * math.sin(2 * mean_longitude) - 2 * e * math.sin(anomaly)
                + 4 * e * y * math.sin(anomaly) * math.cos(2 * mean_longitude)
                - 0.5 * y * y * math.sin(4 * mean_longitude) - 1.25 * e * e * math.sin(2 * anomaly))
    minutes = when.hour * 60 + when.minute + when.second / 60 + 4 * math.degrees(equation) + 4 * longitude_deg
    hour = math.radians(minutes / 4 - 180)
    lat = math.radians(latitude_deg)
    up = math.sin(lat) * math.sin(declination) + math.cos(lat) * math.cos(declination) * math.cos(hour)
    east = -math.cos(declination) * math.sin(hour)
    north = math.cos(lat) * math.sin(declination) - math.sin(lat) * math.cos(declination) * math.cos(hour)
    return math.degrees(math.asin(up)), math.degrees(math.atan2(east, north)) % 360
