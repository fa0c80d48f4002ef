"""All simulated cameras of a site, each on its own ports of loopback."""

from __future__ import annotations

import base64
import hashlib
import hmac
import re
import secrets
import socketserver
import sys
import threading
import time
from collections.abc import Iterable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from audit.devices.answers import answer, called, name_of
from audit.devices.device import Device
from audit.devices.rtsp import serve_stream

__all__ = ["SimulatedSite"]

_REALM = "simulated"
_LARGEST_MESSAGE = 1 << 20


class _Quiet(socketserver.BaseServer):
    """Whoever asks may hang up: that is nothing to show."""

    def handle_error(self, request: Any, client_address: Any) -> None:
        if not isinstance(sys.exception(), ConnectionError):
            super().handle_error(request, client_address)


class _Streams(_Quiet, socketserver.ThreadingTCPServer):
    daemon_threads = True
    allow_reuse_address = True


class _Web(_Quiet, ThreadingHTTPServer):
    daemon_threads = True


class SimulatedSite:
    """Servers of many devices, as a context manager.

    Attributes
    ----------
    calls : list of str
        Every message's call and every picture asked for, in order.
    sent : list of str
        Every message's call with its namespace.
    """

    def __init__(self, devices: Iterable[Device], host: str = "127.0.0.1") -> None:
        self.calls: list[str] = []
        self.sent: list[str] = []
        self._host = host
        self._servers: list[socketserver.BaseServer] = []
        self._ports: dict[str, tuple[int, int]] = {}
        for device in devices:
            streams = _Streams((host, 0), _stream_handler(device))
            web = _Web((host, 0), _web_handler(device, self, f"rtsp://{host}:{streams.server_address[1]}/"))
            self._servers += [streams, web]
            self._ports[device.camera] = int(web.server_address[1]), int(streams.server_address[1])

    def __enter__(self) -> SimulatedSite:
        for server in self._servers:
            threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.1}, daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        for server in self._servers:
            server.shutdown()
            server.server_close()

    def address(self, camera: str, scheme: str = "onvif") -> str:
        """A camera's address by ``onvif``, ``http`` or ``rtsp``."""
        web, streams = self._ports[camera]
        if scheme == "rtsp":
            return f"rtsp://{self._host}:{streams}/"
        return f"{scheme}://{self._host}:{web}/" + ("still.jpg" if scheme == "http" else "onvif/device_service")

    def table(self, scheme: str = "onvif") -> str:
        """The CSV of all cameras' addresses."""
        return "camera,address\n" + "".join(f"{camera},{self.address(camera, scheme)}\n" for camera in self._ports)


def _stream_handler(device: Device) -> type[socketserver.StreamRequestHandler]:
    class Handler(socketserver.StreamRequestHandler):
        def handle(self) -> None:
            try:
                serve_stream(self, device)
            except OSError:
                return

    return Handler


def _web_handler(device: Device, site: SimulatedSite, stream: str) -> type[BaseHTTPRequestHandler]:
    nonce = secrets.token_hex(16)

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_GET(self) -> None:
            if device.silent:
                time.sleep(3600)
            site.calls.append("GET")
            given = self.headers.get("Authorization", "")
            if not _signed_in(device, given, "GET", nonce):
                self._send(401, b"", "text/plain", {"WWW-Authenticate": _challenge(device, nonce)})
            elif self.path.partition("?")[0] == "/still.jpg":
                self._send(200, device.picture, "image/jpeg")
            else:
                self._send(404, b"", "text/plain")

        def do_POST(self) -> None:
            message = self.rfile.read(min(int(self.headers.get("Content-Length", 0)), _LARGEST_MESSAGE))
            if device.silent:
                time.sleep(3600)
            call = called(message)
            site.sent.append(call)
            site.calls.append(name_of(call))
            here = self.connection.getsockname()
            status, body = answer(device, message, f"http://{here[0]}:{here[1]}", stream)
            self._send(status, body.encode(), "application/soap+xml; charset=utf-8")

        def _send(self, status: int, body: bytes, kind: str, headers: dict[str, str] | None = None) -> None:
            self.send_response(status)
            for name, value in {"Content-Type": kind, "Content-Length": str(len(body)), **(headers or {})}.items():
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, format: str, *args: Any) -> None:
            """Say nothing: the terminal is the user's."""

    return Handler


def _challenge(device: Device, nonce: str) -> str:
    return f'Digest realm="{_REALM}", nonce="{nonce}", qop="auth", algorithm=SHA-256' if device.digest else f'Basic realm="{_REALM}"'


def _signed_in(device: Device, given: str, method: str, nonce: str) -> bool:
    """Basic (RFC 7617) or Digest with SHA-256 (RFC 7616)."""
    if device.user is None:
        return True
    if not device.digest:
        wanted = "Basic " + base64.b64encode(f"{device.user}:{device.password}".encode()).decode()
        return hmac.compare_digest(wanted, given)
    parts = {name: quoted or bare for name, quoted, bare in re.findall(r'(\w+)=(?:"([^"]*)"|([^,\s]*))', given)}
    if parts.get("nonce") != nonce or parts.get("username") != device.user:
        return False
    secret = f"{device.user}:{_REALM}:{device.password}"
    asked = f"{method}:{parts.get('uri', '')}"
    wanted = digest_response(secret, asked, nonce, parts.get("nc", ""), parts.get("cnonce", ""), parts.get("qop", ""))
    return hmac.compare_digest(wanted, parts.get("response", ""))


def digest_response(secret: str, asked: str, nonce: str, count: str, client_nonce: str, quality: str) -> str:
    """The response of RFC 7616 section 3.4.1 with SHA-256; ``secret`` is user:realm:password, ``asked`` method:uri."""
    return _sha(":".join((_sha(secret), nonce, count, client_nonce, quality, _sha(asked))))


def _sha(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
