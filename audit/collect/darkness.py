"""When it is dark at a site."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from audit.errors import AuditError
from audit.plan.model import Site
from audit.plan.sun import sun_position

__all__ = ["CIVIL_DARKNESS_DEG", "dark_from", "is_dark"]

#: Civil twilight ends where the sun's centre stands 6 degrees below the horizon (the almanacs' definition).
CIVIL_DARKNESS_DEG = -6.0
_LOOKED_AHEAD_MIN = 36 * 60


def is_dark(site: Site, at: datetime) -> bool:
    """Whether civil twilight is over.

    Raises
    ------
    AuditError
        Where the plan does not say where on earth the site lies.
    """
    return bool(_dark(site, np.array([at.timestamp()]))[0])


def dark_from(site: Site, at: datetime) -> datetime:
    """The next minute from ``at`` on in which it is dark, in UTC.

    Raises
    ------
    AuditError
        Where the site has no position, or the sun does not go that low within a day and a half.
    """
    minutes = at.timestamp() + 60.0 * np.arange(_LOOKED_AHEAD_MIN, dtype=np.float64)
    dark = np.flatnonzero(_dark(site, minutes))
    if dark.size == 0:
        raise AuditError("It does not get dark at the site now; take the night pictures in another season.")
    return datetime.fromtimestamp(float(minutes[dark[0]]), UTC)


def _dark(site: Site, unix_s: NDArray[np.floating]) -> NDArray[np.bool_]:
    if site.origin_latitude is None or site.origin_longitude is None:
        raise AuditError("The plan does not say where on earth the site lies, so darkness is not known; use --light day.")
    elevation, _ = sun_position(unix_s, site.origin_latitude, site.origin_longitude, refraction=False)
    return elevation <= CIVIL_DARKNESS_DEG
