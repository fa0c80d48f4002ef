"""ONVIF, read only: a device's description of itself, its clock, and where its pictures are.

Messages are built and answers read by zeep from the published WSDL (device service and media service, version 10), strictly
and without entities; WS-UsernameToken digest by the device's own clock (OASIS Web Services Security UsernameToken Profile
1.1), HTTP Digest where the device wants that instead.
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from threading import Lock
from typing import Any
from urllib.parse import unquote

import zeep
import zeep.exceptions
from lxml import etree
from requests import Response
from zeep.transports import Transport
from zeep.wsdl import Document
from zeep.wsse.username import UsernameToken

from audit.collect.refusal import NoPicture, Reason
from audit.collect.web import Web
from audit.errors import AuditError
from audit.extras import how_to_get
from audit.photos.device import DeviceFacts

__all__ = ["CALLS", "Described", "describe"]

#: Every call that is ever made of a device; each only reads.
CALLS = (
    "GetSystemDateAndTime",
    "GetDeviceInformation",
    "GetServices",
    "GetNetworkInterfaces",
    "GetScopes",
    "GetProfiles",
    "GetSnapshotUri",
    "GetStreamUri",
)
_DEVICE = "{http://www.onvif.org/ver10/device/wsdl}DeviceBinding"
_MEDIA = "{http://www.onvif.org/ver10/media/wsdl}MediaBinding"
_MEDIA_SPACE = "http://www.onvif.org/ver10/media/wsdl"
_NAME_SCOPE = "onvif://www.onvif.org/name/"
#: A device gives its clock in whole seconds: uniform over one second.
_WHOLE_SECONDS_SD_S = 12**-0.5
_loading = Lock()


class Described(tuple[DeviceFacts, str | None, str | None]):
    """What a device says of itself, the address of its still picture, and that of its stream."""

    __slots__ = ()


class _ReadOnly(zeep.Plugin):  # type: ignore[misc]
    """Lets no call out that is not on the list."""

    def egress(self, envelope: Any, http_headers: Any, operation: Any, binding_options: Any) -> tuple[Any, Any]:
        if operation.name not in CALLS:
            raise NoPicture("not read only", f"{operation.name} is no call that only reads; it was not sent.")
        return envelope, http_headers


class _Through(Transport):  # type: ignore[misc]
    """zeep's messages by our own bounded HTTP; WSDL from disk alone."""

    def __init__(self, web: Web) -> None:
        super().__init__()
        self._web = web

    def post(self, address: str, message: bytes, headers: Mapping[str, str]) -> Response:
        status, body = self._web.post(address, message, headers)
        reply = Response()
        reply.status_code = status
        reply._content = body
        reply.headers["Content-Type"] = "application/soap+xml"
        return reply

    def post_xml(self, address: str, envelope: Any, headers: Mapping[str, str]) -> Response:
        return self.post(address, etree.tostring(envelope), headers)

    def load(self, url: str) -> bytes:
        raise NoPicture("not read only", f"{url}: nothing is loaded from a device's description.")


class _FromDisk(Transport):  # type: ignore[misc]
    def load(self, url: str) -> bytes:
        if "://" in url and not url.startswith("file://"):
            raise OSError(f"{url}: no description is fetched from elsewhere.")
        with open(url.removeprefix("file://"), "rb") as stream:
            return stream.read()


@cache
def _wsdl(name: str) -> Document:
    # the package is found, not imported: its import sets the whole program's log
    package = find_spec("onvif")
    if package is None or not package.submodule_search_locations:
        raise AuditError(f"onvif-zeep-async is not installed whole; install it anew with: {how_to_get('collect')}.")
    place = Path(package.submodule_search_locations[0]) / "wsdl" / name
    return Document(str(place), _FromDisk(), settings=zeep.Settings(strict=True, xml_huge_tree=False))


def describe(web: Web) -> Described:
    """Ask a device who it is, what time it has, and where its largest picture is.

    Raises
    ------
    NoPicture
        With the reason.
    """
    device = _service(web, "devicemgmt.wsdl", _DEVICE, _first_address(web), None)
    asked_at = datetime.now(UTC)
    started = time.monotonic()
    clock = _call(web, device, "GetSystemDateAndTime")
    took = time.monotonic() - started
    offset, zone, summer = _clock(clock, asked_at + timedelta(seconds=took / 2))
    token = _token(web, offset)
    device = _service(web, "devicemgmt.wsdl", _DEVICE, _first_address(web), token)
    facts = _call(web, device, "GetDeviceInformation")
    services = _call(web, device, "GetServices", IncludeCapability=False)
    media_at = next((s.XAddr for s in services or () if s.Namespace == _MEDIA_SPACE), None)
    if media_at is None:
        raise web.refuse("no such profile", "has no media service; name the address of its still picture instead")
    web.check(media_at)
    media = _service(web, "media.wsdl", _MEDIA, media_at, token)
    profile, width, height, codec = _largest(web, _call(web, media, "GetProfiles"))
    still = _uri(_call(web, media, "GetSnapshotUri", optional=True, ProfileToken=profile))
    setup = {"Stream": "RTP-Unicast", "Transport": {"Protocol": "RTSP"}}
    stream = _uri(_call(web, media, "GetStreamUri", optional=True, StreamSetup=setup, ProfileToken=profile))
    found = DeviceFacts(
        address=web.address.url,
        asked_at=asked_at,
        serial=_text(facts.SerialNumber),
        maker=_text(facts.Manufacturer),
        model=_text(facts.Model),
        firmware=_text(facts.FirmwareVersion),
        hardware_address=_hardware(_call(web, device, "GetNetworkInterfaces", optional=True)),
        name=_name(_call(web, device, "GetScopes", optional=True)),
        width_px=width,
        height_px=height,
        codec=codec,
        clock_offset_s=None if offset is None else round(offset, 3),
        clock_sd_s=None if offset is None else round(((took / 2) ** 2 + _WHOLE_SECONDS_SD_S**2) ** 0.5, 3),
        time_zone=zone,
        summer_time=summer,
        certificate=web.certificate,
    )
    return Described((found, still, stream))


def _first_address(web: Web) -> str:
    address = web.address
    scheme = "https" if address.scheme == "onvifs" else "http"
    path = address.url.partition("://")[2].partition("/")[2]
    return f"{scheme}://{_bracketed(address.host)}:{address.port}/{path or 'onvif/device_service'}"


def _bracketed(host: str) -> str:
    return f"[{host}]" if ":" in host else host


def _service(web: Web, wsdl: str, binding: str, at: str, token: UsernameToken | None) -> Any:
    with _loading:
        document = _wsdl(wsdl)
    settings = zeep.Settings(strict=True, xml_huge_tree=False)
    client = zeep.Client(document, wsse=token, transport=_Through(web), settings=settings, plugins=[_ReadOnly()])
    return client.create_service(binding, at)


def _call(web: Web, service: Any, name: str, *, optional: bool = False, **arguments: Any) -> Any:
    """The answer to one call; None where the device does not offer an optional one."""
    try:
        return service[name](**arguments)
    except zeep.exceptions.Fault as fault:
        if optional:
            return None
        words = f"{fault.message} {' '.join(str(code) for code in fault.subcodes or ())}".lower()
        if "notauthorized" in words or "not authorized" in words or "authority" in words:
            reason: Reason = "password needed" if web.credentials is None else "wrong password"
            hint = "give it with --credentials FILE.csv" if web.credentials is None else "correct it before the next try"
            raise web.refuse(reason, f"does not take the user or password; {hint}") from None
        raise web.refuse("refused", f"refuses {name}") from None
    except (zeep.exceptions.Error, etree.LxmlError, ValueError, TypeError, AttributeError, LookupError):
        if optional:
            return None
        raise web.refuse("refused", f"answers {name} with something that is no ONVIF") from None


def _token(web: Web, offset_s: float | None) -> UsernameToken | None:
    """The user's token with the time of the device's own clock, so that one whose clock is wrong takes it."""
    if web.credentials is None:
        return None
    created = datetime.now(UTC).replace(tzinfo=None, microsecond=0) + timedelta(seconds=offset_s or 0.0)
    return UsernameToken(
        web.credentials.user, web.credentials.password, use_digest=True, created=created, zulu_timestamp=True
    )


def _clock(answer: Any, at: datetime) -> tuple[float | None, str | None, bool | None]:
    """Offset of the device's clock in seconds, its time zone, and whether it has summer time."""
    zone = _text(getattr(getattr(answer, "TimeZone", None), "TZ", None))
    summer = getattr(answer, "DaylightSavings", None)
    utc: Any = getattr(answer, "UTCDateTime", None)
    try:
        day, hour = utc.Date, utc.Time
        there = datetime(day.Year, day.Month, day.Day, hour.Hour, hour.Minute, min(hour.Second, 59), tzinfo=UTC)
    except (AttributeError, TypeError, ValueError):
        return None, zone, summer
    # a clock in whole seconds is on average half a second behind what it shows
    return (there - at).total_seconds() + 0.5, zone, summer


def _largest(web: Web, profiles: Any) -> tuple[str, int | None, int | None, str | None]:
    best: tuple[int, str, int | None, int | None, str | None] | None = None
    for profile in profiles or ():
        encoder = getattr(profile, "VideoEncoderConfiguration", None)
        size = getattr(encoder, "Resolution", None)
        width, height = getattr(size, "Width", None), getattr(size, "Height", None)
        pixels = (width or 0) * (height or 0)
        if best is None or pixels > best[0]:
            best = pixels, str(profile.token), width, height, _text(getattr(encoder, "Encoding", None))
    if best is None:
        raise web.refuse("no such profile", "has no picture profile")
    return best[1:]


def _uri(answer: Any) -> str | None:
    return _text(getattr(answer, "Uri", None))


def _hardware(interfaces: Any) -> str | None:
    for interface in interfaces or ():
        address = _text(getattr(getattr(interface, "Info", None), "HwAddress", None))
        if address:
            return address.lower().replace("-", ":")
    return None


def _name(scopes: Any) -> str | None:
    for scope in scopes or ():
        item = str(getattr(scope, "ScopeItem", ""))
        if item.startswith(_NAME_SCOPE):
            return _text(unquote(item.removeprefix(_NAME_SCOPE)))
    return None


def _text(value: object) -> str | None:
    text = "".join(c for c in str(value).strip() if c.isprintable())[:200] if value is not None else ""
    return text or None
