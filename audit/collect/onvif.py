"""ONVIF, read only: a device's description of itself, its clock, and where its pictures are.

The calls are those of :data:`audit.collect.soap.CALLS` and no other; WS-UsernameToken digest by the device's own clock
(OASIS Web Services Security UsernameToken Profile 1.1), HTTP Digest where the device wants that instead.
"""

from __future__ import annotations

import math
import time
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import unquote

from audit.collect.media import largest_picture, plain
from audit.collect.soap import DEVICE, UsernameToken, call, service
from audit.collect.web import Web
from audit.photos.device import DeviceFacts

__all__ = ["Described", "describe", "first_address"]

_NAME_SCOPE = "onvif://www.onvif.org/name/"
#: A device gives its clock in whole seconds: uniform over one second.
_WHOLE_SECONDS_SD_S = 12**-0.5
#: An answer within this adds little to that; a slower one is asked for again, so often at most (our default).
_QUICK_S, _READINGS = 0.5, 3

_Read = tuple[float | None, str | None, bool | None]
_NOTHING: _Read = (None, None, None)


class Described(tuple[DeviceFacts, str | None, str | None]):
    """What a device says of itself, the address of its still picture, and that of its stream."""

    __slots__ = ()


def describe(web: Web) -> Described:
    """Ask a device who it is, what time it has, and where its largest picture is.

    Raises
    ------
    NoPicture
        With the reason.
    """
    asked_at = datetime.now(UTC)
    took, (offset, zone, summer) = _read_clock(web)
    token = _token(web, offset)
    device = service(web, DEVICE, first_address(web), token)
    facts = call(web, device, "GetDeviceInformation")
    services = call(web, device, "GetServices", IncludeCapability=False)
    picture = largest_picture(web, {str(s.Namespace): str(s.XAddr) for s in services or ()}, token)
    found = DeviceFacts(
        address=web.address.url,
        asked_at=asked_at,
        serial=plain(facts.SerialNumber),
        maker=plain(facts.Manufacturer),
        model=plain(facts.Model),
        firmware=plain(facts.FirmwareVersion),
        hardware_address=_hardware(call(web, device, "GetNetworkInterfaces", optional=True)),
        name=_name(call(web, device, "GetScopes", optional=True)),
        width_px=picture.width_px,
        height_px=picture.height_px,
        codec=picture.codec,
        clock_offset_s=None if offset is None else round(offset, 3),
        clock_sd_s=None if offset is None else round(((took / 2) ** 2 + _WHOLE_SECONDS_SD_S**2) ** 0.5, 3),
        time_zone=zone,
        summer_time=summer,
        certificate=web.certificate,
    )
    return Described((found, picture.still, picture.stream))


def _read_clock(web: Web) -> tuple[float, _Read]:
    """Seconds that the quickest answer took, and what it says of the clock: the time lies within the answer's, so a slow one is
    asked for again (Cristian, "Probabilistic clock synchronization", 1989; title from memory)."""
    device = service(web, DEVICE, first_address(web), None)
    quickest, read = math.inf, _NOTHING
    for _ in range(_READINGS):
        asked_at, started = datetime.now(UTC), time.monotonic()
        answer = call(web, device, "GetSystemDateAndTime")
        took = time.monotonic() - started
        if took < quickest:
            quickest, read = took, _clock(answer, asked_at + timedelta(seconds=took / 2))
        if quickest <= _QUICK_S or read[0] is None:
            break
    return quickest, read


def first_address(web: Web) -> str:
    """Where a device's own service answers."""
    address = web.address
    scheme = "https" if address.scheme == "onvifs" else "http"
    path = address.url.partition("://")[2].partition("/")[2]
    return f"{scheme}://{_bracketed(address.host)}:{address.port}/{path or 'onvif/device_service'}"


def _bracketed(host: str) -> str:
    return f"[{host}]" if ":" in host else host


def _token(web: Web, offset_s: float | None) -> UsernameToken | None:
    """The user's token with the time of the device's own clock, so that one whose clock is wrong takes it."""
    if web.credentials is None:
        return None
    created = datetime.now(UTC).replace(tzinfo=None, microsecond=0) + timedelta(seconds=offset_s or 0.0)
    return UsernameToken(
        web.credentials.user, web.credentials.password, use_digest=True, created=created, zulu_timestamp=True
    )


def _clock(answer: Any, at: datetime) -> _Read:
    """Offset of the device's clock in seconds, its time zone, and whether it has summer time."""
    zone = plain(getattr(getattr(answer, "TimeZone", None), "TZ", None))
    summer = getattr(answer, "DaylightSavings", None)
    utc: Any = getattr(answer, "UTCDateTime", None)
    try:
        day, hour = utc.Date, utc.Time
        there = datetime(day.Year, day.Month, day.Day, hour.Hour, hour.Minute, min(hour.Second, 59), tzinfo=UTC)
    except (AttributeError, TypeError, ValueError):
        return None, zone, summer
    # a clock in whole seconds is on average half a second behind what it shows
    return (there - at).total_seconds() + 0.5, zone, summer


def _hardware(interfaces: Any) -> str | None:
    for interface in interfaces or ():
        address = plain(getattr(getattr(interface, "Info", None), "HwAddress", None))
        if address:
            return address.lower().replace("-", ":")
    return None


def _name(scopes: Any) -> str | None:
    for scope in scopes or ():
        item = str(getattr(scope, "ScopeItem", ""))
        if item.startswith(_NAME_SCOPE):
            return plain(unquote(item.removeprefix(_NAME_SCOPE)))
    return None
