"""HTTP with a camera: Basic or Digest, bounded in time and size, never to another host."""

from __future__ import annotations

import ipaddress
import socket
import ssl
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from urllib.parse import urljoin, urlsplit

import httpx

from audit.collect.addresses import Address
from audit.collect.credentials import Credentials
from audit.collect.pins import Pins
from audit.collect.refusal import NoPicture, Reason, no_picture

__all__ = ["LARGEST_BYTES", "Web"]

#: The largest reply that is taken in.
LARGEST_BYTES = 64 << 20
_LARGEST_REDIRECTS = 3
_BLOCK = 1 << 16


@dataclass(slots=True)
class Web:
    """A session with one camera.

    Attributes
    ----------
    timeout_s : float
        For a whole exchange, not only for a silence.
    """

    address: Address
    credentials: Credentials | None
    pins: Pins
    timeout_s: float = 5.0
    certificate: str | None = None
    _auth: httpx.Auth | None = field(default=None, repr=False)
    _client: httpx.Client | None = field(default=None, repr=False)

    def get(self, url: str) -> tuple[bytes, str]:
        """The body and its content type.

        Raises
        ------
        NoPicture
            With the reason.
        """
        for _ in range(_LARGEST_REDIRECTS + 1):
            reply, body = self._answered("GET", url, None, {})
            if not reply.is_redirect:
                self._fine(reply)
                return body, reply.headers.get("content-type", "").partition(";")[0].strip().lower()
            url = self._followed(url, reply.headers.get("location", ""))
        raise self.refuse("redirect", "sends from one address to the next without end")

    def post(self, url: str, body: bytes, headers: Mapping[str, str]) -> tuple[int, bytes]:
        """Status and body of the answer to a message; only a status that asks for a password is dealt with here."""
        self.check(url)
        reply, answer = self._answered("POST", url, body, headers)
        return reply.status_code, answer

    def check(self, url: str) -> None:
        """Refuse an address on another host, whoever gave it.

        Raises
        ------
        NoPicture
            Where it leads elsewhere.
        """
        parts = urlsplit(url)
        if parts.scheme not in ("http", "https") or (parts.hostname or "").lower() != self.address.host:
            raise self.refuse("redirect", "names an address on another host")

    def close(self) -> None:
        """End the session."""
        if self._client is not None:
            self._client.close()
            self._client = None

    def _followed(self, url: str, location: str) -> str:
        there = urljoin(url, location)
        self.check(there)
        return there

    def _answered(self, method: str, url: str, body: bytes | None, headers: Mapping[str, str]) -> tuple[httpx.Response, bytes]:
        """The answer, with a password where one is asked for: one try with it, never a second."""
        reply, answer = self._exchange(method, url, body, headers)
        if reply.status_code != 401:
            return reply, answer
        if self._auth is not None:
            raise self.refuse("wrong password", "does not take the user or password; correct it before the next try")
        if self.credentials is None:
            raise self.refuse("password needed", "asks for a user and password; give them with --credentials FILE.csv")
        self._auth = _scheme(reply.headers.get_list("www-authenticate"), self.credentials)
        if self._auth is None:
            raise self.refuse("refused", "asks for a sign-in that is neither Basic nor Digest")
        reply, answer = self._exchange(method, url, body, headers)
        if reply.status_code == 401:
            raise self.refuse("wrong password", "does not take the user or password; correct it before the next try")
        return reply, answer

    def _exchange(self, method: str, url: str, body: bytes | None, headers: Mapping[str, str]) -> tuple[httpx.Response, bytes]:
        ends = time.monotonic() + self.timeout_s
        try:
            with self._session(url).stream(method, url, content=body, headers=dict(headers), auth=self._auth) as reply:
                return reply, self._body(reply, ends)
        except (httpx.TimeoutException, TimeoutError):
            raise self.refuse("timeout", f"did not answer within {self.timeout_s:g} s") from None
        except ssl.SSLCertVerificationError:
            raise self.refuse("certificate", "shows another certificate than when it was first seen") from None
        except (httpx.ConnectError, ConnectionError, socket.gaierror, ssl.SSLError) as error:
            if isinstance(error.__cause__, ssl.SSLCertVerificationError) or "CERTIFICATE_VERIFY" in str(error):
                raise self.refuse("certificate", "shows another certificate than when it was first seen") from None
            raise self.refuse("no answer", "does not answer; is it on, and is the address right?") from None
        except (httpx.HTTPError, httpx.InvalidURL, httpx.StreamError, OSError, ValueError):
            raise self.refuse("no answer", "broke its answer off") from None

    def _body(self, reply: httpx.Response, ends: float) -> bytes:
        if reply.headers.get("content-type", "").lower().startswith("multipart/x-mixed-replace"):
            raise self.refuse("not a picture", "gives an endless stream; name the address of its still picture")
        taken = bytearray()
        for block in reply.iter_bytes(_BLOCK):
            taken += block
            if len(taken) > LARGEST_BYTES:
                raise self.refuse("too large", f"sends more than {LARGEST_BYTES >> 20} MiB")
            if time.monotonic() > ends:
                raise self.refuse("timeout", f"did not finish its answer within {self.timeout_s:g} s")
        return bytes(taken)

    def _session(self, url: str) -> httpx.Client:
        if self._client is None:
            verify: ssl.SSLContext | bool = True
            parts = urlsplit(url)
            _not_inward(self, parts.hostname or "")
            if parts.scheme == "https":
                verify, self.certificate = self.pins.context(parts.hostname or "", parts.port or 443, self.timeout_s)
            self._client = httpx.Client(verify=verify, timeout=self.timeout_s, follow_redirects=False, trust_env=False)
        return self._client

    def _fine(self, reply: httpx.Response) -> None:
        if reply.status_code == 404:
            raise self.refuse("no such profile", "knows no such address; correct the path")
        if reply.status_code >= 400:
            raise self.refuse("refused", f"refuses the picture (HTTP {reply.status_code})")

    def refuse(self, reason: Reason, text: str) -> NoPicture:
        """That this camera gives no picture, with the reason."""
        return no_picture(self.address, reason, text)


def _scheme(offers: list[str], credentials: Credentials) -> httpx.Auth | None:
    """Digest where it is offered, else Basic."""
    offered = " ".join(offers).lower()
    if "digest" in offered:
        return httpx.DigestAuth(credentials.user, credentials.password)
    if "basic" in offered:
        return httpx.BasicAuth(credentials.user, credentials.password)
    return None


def _not_inward(web: Web, host: str) -> None:
    """Refuse a host name that leads to this machine or the link, unless the plan gives that very address."""
    try:
        ipaddress.ip_address(host)
        return
    except ValueError:
        pass
    if host == "localhost":
        return
    for found in socket.getaddrinfo(host, None):
        there = ipaddress.ip_address(found[4][0])
        if there.is_loopback or there.is_link_local:
            raise web.refuse("redirect", f"the name {host} leads to this machine itself; write the camera's own address")
