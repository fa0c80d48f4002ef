"""Latitude and longitude to local metres and back, on the WGS 84 ellipsoid.

Local metres are east and north of the site's origin along the geodesic that starts there (azimuthal equidistant).
Within 10 km of the origin this differs from the tangent plane by less than a centimetre.
"""

from __future__ import annotations

import math

from geographiclib.geodesic import Geodesic

__all__ = ["from_local", "origin_from", "to_local"]

_WGS84 = Geodesic.WGS84
_MASK = Geodesic.AZIMUTH | Geodesic.DISTANCE


def to_local(latitude: float, longitude: float, origin: tuple[float, float]) -> tuple[float, float]:
    """East and north in metres of a position, from an origin (latitude, longitude)."""
    found = _WGS84.Inverse(origin[0], origin[1], latitude, longitude, _MASK)
    azimuth = math.radians(found["azi1"])
    return found["s12"] * math.sin(azimuth), found["s12"] * math.cos(azimuth)


def from_local(east_m: float, north_m: float, origin: tuple[float, float]) -> tuple[float, float]:
    """Latitude and longitude of local metres; inverse of :func:`to_local`."""
    azimuth = math.degrees(math.atan2(east_m, north_m))
    found = _WGS84.Direct(
        origin[0], origin[1], azimuth, math.hypot(east_m, north_m), Geodesic.LATITUDE | Geodesic.LONGITUDE
    )
    return found["lat2"], found["lon2"]


def origin_from(latitude: float, longitude: float, east_m: float, north_m: float) -> tuple[float, float]:
    """The origin for which a known position has the given local metres."""
    origin = from_local(-east_m, -north_m, (latitude, longitude))
    for _ in range(3):
        east, north = to_local(latitude, longitude, origin)
        origin = from_local(east - east_m, north - north_m, origin)
    return origin
