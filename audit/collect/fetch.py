"""One camera: its picture and what it says of itself, by whatever its address speaks."""

from __future__ import annotations

from dataclasses import dataclass

from audit.collect.addresses import Address
from audit.collect.credentials import Credentials
from audit.collect.pins import Pins
from audit.collect.refusal import NoPicture
from audit.collect.rtsp import key_frame
from audit.collect.still import ending_of
from audit.collect.web import Web
from audit.photos.device import DeviceFacts

__all__ = ["Fetched", "fetch", "picture_of"]

#: Reasons for which the still picture is missing but the stream may have one.
_BY_STREAM = ("no such profile", "not a picture", "refused", "timeout")


@dataclass(frozen=True, slots=True)
class Fetched:
    """What a camera gave.

    Attributes
    ----------
    ending : str
        ``.jpg`` or ``.png``.
    facts : DeviceFacts or None
        Where its address speaks ONVIF.
    """

    picture: bytes
    ending: str
    facts: DeviceFacts | None = None


def fetch(address: Address, credentials: Credentials | None, pins: Pins, timeout_s: float = 5.0) -> Fetched:
    """Fetch one picture; nothing is written and nothing in the camera is changed.

    Raises
    ------
    NoPicture
        With the reason; where the device had described itself before, :attr:`NoPicture.facts` tells.
    """
    if address.scheme == "rtsp":
        picture = key_frame(address, credentials, timeout_s)
        return Fetched(picture, ending_of(address, picture))
    web = Web(address, credentials, pins, timeout_s)
    try:
        if address.scheme in ("http", "https"):
            picture, said = web.get(address.url)
            return Fetched(picture, ending_of(address, picture, said))
        return _by_onvif(web)
    finally:
        web.close()


def _by_onvif(web: Web) -> Fetched:
    from audit.collect.onvif import describe

    facts, still, stream = describe(web)
    try:
        return picture_of(web, facts, still, stream)
    except NoPicture as refusal:
        refusal.facts = facts
        raise


def picture_of(web: Web, facts: DeviceFacts, still: str | None, stream: str | None) -> Fetched:
    """The still picture whose address the device named, else one of its stream."""
    if still is not None:
        try:
            web.check(still)
            picture, said = web.get(still)
            return Fetched(picture, ending_of(web.address, picture, said), facts)
        except NoPicture as refusal:
            if stream is None or refusal.reason not in _BY_STREAM:
                raise
    if stream is None:
        raise web.refuse("no such profile", "names neither a still picture nor a stream")
    picture = key_frame(web.address, web.credentials, web.timeout_s, stream)
    return Fetched(picture, ending_of(web.address, picture), facts)
