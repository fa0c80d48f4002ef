"""One camera asked for its picture again and again, as while it is being aimed."""

from __future__ import annotations

from audit.collect.addresses import Address
from audit.collect.credentials import Credentials
from audit.collect.fetch import Fetched, picture_of
from audit.collect.pins import Pins
from audit.collect.refusal import NoPicture
from audit.collect.rtsp import key_frame
from audit.collect.still import ending_of
from audit.collect.web import Web
from audit.photos.device import DeviceFacts

__all__ = ["FINAL", "Watch"]

#: Reasons for which a camera isn't asked again until a person did something: accounts lock, and trust is not guessed.
FINAL = ("no address", "wrong password", "password needed", "certificate", "redirect", "not read only")


class Watch:
    """A session with one camera: it is asked once where its picture is, then for the picture alone; nothing is changed."""

    def __init__(self, address: Address, credentials: Credentials | None, pins: Pins, timeout_s: float = 5.0) -> None:
        self._address = address
        self._credentials = credentials
        self._pins = pins
        self._timeout_s = timeout_s
        self._web: Web | None = None
        self._said: tuple[DeviceFacts, str | None, str | None] | None = None

    def picture(self) -> Fetched:
        """The picture of now.

        Raises
        ------
        NoPicture
            With the reason; the next call begins anew.
        """
        try:
            return self._picture()
        except NoPicture:
            self.close()
            raise

    def close(self) -> None:
        """End the session."""
        if self._web is not None:
            self._web.close()
        self._web = self._said = None

    def _picture(self) -> Fetched:
        if self._address.scheme == "rtsp":
            picture = key_frame(self._address, self._credentials, self._timeout_s)
            return Fetched(picture, ending_of(self._address, picture))
        if self._web is None:
            self._web = Web(self._address, self._credentials, self._pins, self._timeout_s)
        if self._address.scheme in ("http", "https"):
            picture, kind = self._web.get(self._address.url)
            return Fetched(picture, ending_of(self._address, picture, kind))
        if self._said is None:
            from audit.collect.onvif import describe

            self._said = describe(self._web)
        return picture_of(self._web, *self._said)
