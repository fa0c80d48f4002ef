"""What one photo, and one step from a photo to the next, says of where the photographer is: log densities as arrays.

Symbols and formulas: docs/matching.md, 1 to 6.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audit.match.evidence import (
    NU,
    SPACING_NEIGHBOURS,
    PhotoArrays,
    Settings,
    SiteArrays,
    direction_log_density,
    position_log_density,
)
from audit.match.walk import Chain

__all__ = ["BESIDE_M", "BROAD_LOG_GAP", "BURST_SPREAD", "LEAST_GAP_S", "MOVE_UNDER_WAY", "STANDOFF_KEPT", "WALK_M_PER_S", "WALK_SPACINGS",
           "Residual", "emissions", "link_log_ratio", "log_gap", "log_stay_gap", "move_chance", "position_residuals", "position_variance"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
AnyArray = NDArray[Any]

#: Ordinary walking speed (common practice, no source).
WALK_M_PER_S = 1.3
#: Share of the straight way's walking time that is taken off the gap before a move's own time is judged (chosen).
MOVE_UNDER_WAY = 0.7
#: Log density of a gap's logarithm where nothing is known of the gap: level over 8 powers of e, half a second to 25 minutes.
BROAD_LOG_GAP = -math.log(8.0)
#: Shorter gaps count as this long: times in files are mostly whole seconds.
LEAST_GAP_S = 0.5
#: Spread of the logarithm of gaps within a burst (chosen: a factor of two either way is common).
BURST_SPREAD = 0.6
#: Share of gaps that nobody foresaw, such as a call or a meal (chosen).
_UNFORESEEN = 0.03
#: Share of moves that go anywhere on the site (chosen).
_ANYWHERE = 0.03
#: Scale of the distance between cameras visited one after the other, in the plan's spacings (chosen; learned from each visit).
WALK_SPACINGS = 1.5
#: How far from the camera a stray beside it lies, added to the spread of positions (chosen).
BESIDE_M = 8.0
#: Share of the standoff's variance that photos of one stay have in common (chosen: a photographer hardly moves about).
STANDOFF_KEPT = 0.7
#: How far towards the side that the camera looks to a photo without a direction is expected, as a share of the standoff,
#: where the photographer faces the camera (chosen: below 1, since people stand aside too).
_TOWARDS = 0.8


@dataclass(frozen=True, slots=True)
class Residual:
    """Position residuals of photos: east and north, metres, and their squared scale, m²; arrays that broadcast."""

    east: AnyArray
    north: AnyArray
    variance: AnyArray


def _expected_offset(
    site: SiteArrays, photos: PhotoArrays, chain: Chain, settings: Settings
) -> tuple[FloatArray, FloatArray]:
    """Where the photographer stands relative to each candidate: east and north metres, (T, K)."""
    bearing = photos.bearing[chain.photo][:, None]
    planned = site.bearing[chain.candidates]
    known = ~np.isnan(bearing)
    planned_known = ~np.isnan(planned)
    angle = np.where(known, bearing + np.pi, planned)
    reach = np.where(known, settings.standoff_m, settings.standoff_m * settings.front_share * _TOWARDS)
    reach = np.where(known | planned_known, reach, 0.0)
    angle = np.where(known | planned_known, angle, 0.0)
    return reach * np.sin(angle), reach * np.cos(angle)


def position_residuals(
    site: SiteArrays, photos: PhotoArrays, chain: Chain, settings: Settings
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Position residuals east and north (T, K) and the receiver's own scale (T,), metres; NaN without position."""
    offset_e, offset_n = _expected_offset(site, photos, chain, settings)
    index = chain.photo
    east = photos.east_m[index][:, None] - site.east_m[chain.candidates] - offset_e
    north = photos.north_m[index][:, None] - site.north_m[chain.candidates] - offset_n
    stated = photos.position_m[index]
    scale = np.where(np.isnan(stated), settings.position_absent_m, np.maximum(stated, settings.position_floor_m))
    return east, north, scale * settings.position_scale


def position_variance(scale_m: AnyArray, settings: Settings) -> AnyArray:
    """Squared scale, m², of one photo's position residual: the receiver's error, what is new in it, and the standoff."""
    own = settings.repeat_m**2 + settings.standoff_sd_m**2
    return np.asarray(scale_m**2 * scale_m.dtype.type(1 + settings.repeat_share**2) + scale_m.dtype.type(own))


def link_log_ratio(then: Residual, now: Residual, covariance: AnyArray) -> AnyArray:
    """Log of how much likelier a position residual is after the one before it than by itself (formula 3).

    Parameters
    ----------
    then, now : Residual
        Of the earlier and the later photo.
    covariance : float array
        What their squared scales share, m²; conditional Student density.
    """
    slope = covariance / then.variance
    widen = (NU + (then.east**2 + then.north**2) / then.variance) / (NU + 2)
    spread2 = (now.variance - covariance * slope) * widen
    joint = position_log_density((now.east - slope * then.east) ** 2 + (now.north - slope * then.north) ** 2, spread2, NU + 2)
    return np.asarray(joint - position_log_density(now.east**2 + now.north**2, now.variance))


def emissions(
    site: SiteArrays, photos: PhotoArrays, chain: Chain, settings: Settings, labels: FloatArray,
    otherwise: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Log factors of each photo by itself, (T, K): as a photo of the candidate, and as a stray taken beside it.

    Parameters
    ----------
    labels : float array (T, K)
        Log factors of ids and serials read.
    otherwise : float array (T,)
        The same where the photo belongs to no camera.
    """
    east, north, scale = position_residuals(site, photos, chain, settings)
    own2 = position_variance(scale, settings)[:, None]
    position = np.nan_to_num(position_log_density(east**2 + north**2, own2))
    beside = np.nan_to_num(position_log_density(east**2 + north**2, own2 + BESIDE_M**2))
    has_position = ~np.isnan(photos.east_m[chain.photo])[:, None]
    position, beside = np.where(has_position, position, 0.0), np.where(has_position, beside, 0.0)
    elsewhere = np.where(has_position, -math.log(site.area_m2), 0.0)
    turn = photos.bearing[chain.photo][:, None] - site.bearing[chain.candidates] - np.pi
    has_direction = ~np.isnan(photos.bearing[chain.photo])[:, None]
    direction = np.where(has_direction, direction_log_density(turn, settings), 0.0)
    level = np.where(has_direction, -math.log(2 * np.pi), 0.0)
    stray, share = settings.stray_share, settings.beside_share
    real = math.log(1 - stray) + position + direction + labels
    elsewhere = elsewhere + math.log(1 - share)
    away = math.log(stray) + np.logaddexp(math.log(share) + beside, elsewhere) + level + otherwise[:, None]
    absent = chain.candidates < 0
    real = np.where(absent, -np.inf, real)
    away = np.where(absent, -np.inf, away)
    away[:, -1] = (math.log(stray) + elsewhere + level + otherwise[:, None])[:, 0]
    return real, away


def log_gap(gap_s: AnyArray, median_s: float, spread: float) -> AnyArray:
    """Log density of the logarithm of a gap, with a level floor for gaps that nobody foresaw."""
    bell = np.log(np.maximum(gap_s, gap_s.dtype.type(LEAST_GAP_S)))
    bell -= math.log(median_s)
    bell *= 1 / spread
    np.square(bell, out=bell)
    bell *= -0.5
    np.exp(bell, out=bell)
    bell *= (1 - _UNFORESEEN) / (spread * math.sqrt(2 * math.pi))
    bell += _UNFORESEEN * math.exp(BROAD_LOG_GAP)
    return np.asarray(np.log(bell, out=bell))


def log_stay_gap(gap_s: FloatArray, settings: Settings) -> FloatArray:
    """The same within a stay, where some photos follow at once."""
    calm = log_gap(gap_s, settings.stay_gap_s, settings.stay_gap_spread)
    burst = log_gap(gap_s, settings.burst_gap_s, BURST_SPREAD)
    share = settings.burst_share
    return np.asarray(np.logaddexp(math.log(1 - share) + calm, math.log(share) + burst))


def move_chance(site: SiteArrays, distance_m: AnyArray, ahead: IntArray, settings: Settings) -> AnyArray:
    """Chance of going on to a camera at some distance that lies ``ahead`` in the plan's order."""
    scale = settings.walk_scale_m if settings.walk_scale_m is not None else WALK_SPACINGS * site.spacing_m
    neighbours = 2 * np.pi * scale**2 / (np.pi * site.spacing_m**2) * SPACING_NEIGHBOURS
    near = np.exp(-distance_m / np.float32(scale)) / np.float32(max(neighbours, 1.0))
    listed = (ahead == 1) * np.float32(settings.order_share) + (ahead == -1) * np.float32(settings.back_share)
    listed += (ahead == 2) * np.float32(settings.order_share * settings.missed_share)
    share = np.float32(1 - _ANYWHERE - settings.order_share - settings.back_share)
    return np.asarray(share * near + np.float32(_ANYWHERE / site.size) + listed)
