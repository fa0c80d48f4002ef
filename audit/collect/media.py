"""Where a device's largest picture is: by its second media service (profile T) where it offers one, else by its first."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from audit.collect.refusal import NoPicture
from audit.collect.soap import MEDIA, MEDIA_2, Service, UsernameToken, call, service
from audit.collect.web import Web

__all__ = ["Largest", "largest_picture", "plain"]

#: Where the second service is broken the first may still serve.
_BY_THE_OTHER = ("refused", "no such profile")


@dataclass(frozen=True, slots=True)
class Largest:
    """The profile with the most pixels.

    Attributes
    ----------
    still, stream : str or None
        Addresses of its still picture and of its stream, as the device names them.
    """

    width_px: int | None
    height_px: int | None
    codec: str | None
    still: str | None
    stream: str | None


def largest_picture(web: Web, offered: Mapping[str, str], token: UsernameToken | None) -> Largest:
    """Ask a device for the addresses of its largest picture.

    Parameters
    ----------
    offered : mapping
        Address of each service by its namespace.

    Raises
    ------
    NoPicture
        With the reason.
    """
    there = [s for s in (MEDIA_2, MEDIA) if s.space in offered]
    if not there:
        raise web.refuse("no such profile", "has no media service; name the address of its still picture instead")
    for at in there:
        web.check(offered[at.space])
    try:
        return _largest(web, there[0], offered[there[0].space], token)
    except NoPicture as refusal:
        if len(there) == 1 or refusal.reason not in _BY_THE_OTHER:
            raise
    return _largest(web, there[1], offered[there[1].space], token)


def _largest(web: Web, of: Service, address: str, token: UsernameToken | None) -> Largest:
    at = service(web, of, address, token)
    if of is MEDIA_2:
        profiles = call(web, at, "GetProfiles", Type=["VideoEncoder"])
        found, encoder = _most_pixels(web, [(p, _at(p, "Configurations", "VideoEncoder")) for p in profiles or ()])
        still = call(web, at, "GetSnapshotUri", optional=True, ProfileToken=found)
        stream = call(web, at, "GetStreamUri", optional=True, Protocol="RTSP", ProfileToken=found)
    else:
        profiles = call(web, at, "GetProfiles")
        found, encoder = _most_pixels(web, [(p, _at(p, "VideoEncoderConfiguration")) for p in profiles or ()])
        setup = {"Stream": "RTP-Unicast", "Transport": {"Protocol": "RTSP"}}
        still = _at(call(web, at, "GetSnapshotUri", optional=True, ProfileToken=found), "Uri")
        stream = _at(call(web, at, "GetStreamUri", optional=True, StreamSetup=setup, ProfileToken=found), "Uri")
    size = _at(encoder, "Resolution")
    return Largest(_at(size, "Width"), _at(size, "Height"), plain(_at(encoder, "Encoding")), plain(still), plain(stream))


def _most_pixels(web: Web, profiles: list[tuple[Any, Any]]) -> tuple[str, Any]:
    """Token and encoder of the profile with the most pixels; the first of those that are alike."""
    if not profiles:
        raise web.refuse("no such profile", "has no picture profile")
    profile, encoder = max(profiles, key=lambda p: (_at(p[1], "Resolution", "Width") or 0) * (_at(p[1], "Resolution", "Height") or 0))
    return str(profile.token), encoder


def _at(value: Any, *names: str) -> Any:
    """What stands below some names of an answer; None where there is nothing."""
    for name in names:
        value = getattr(value, name, None)
    return value


def plain(value: object) -> str | None:
    """A text of a device as it may be kept and shown; None where it says nothing."""
    text = "".join(c for c in str(value).strip() if c.isprintable())[:200] if value is not None else ""
    return text or None
