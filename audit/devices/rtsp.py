"""A simulated camera's stream: RTSP 1.0 (RFC 2326) with JPEG pictures (RFC 2435), interleaved over TCP."""

from __future__ import annotations

import base64
import hmac
import io
import re
import socketserver
import struct
import time
from collections.abc import Callable, Iterator

from PIL import Image

from audit.devices.device import Device

__all__ = ["packets", "serve_stream"]

_CLOCK_HZ = 90_000
_PAYLOAD_BYTES = 1400
#: RFC 2435 counts blocks of eight pixels in one byte.
_LARGEST_SIDE_PX = 2040
_QUALITY = 90


def serve_stream(handler: socketserver.StreamRequestHandler, device: Device) -> None:
    """Answer one connection until it ends."""
    while (request := _request(handler)) is not None:
        method, address, headers = request
        if device.silent:
            time.sleep(3600)
        if device.user is not None and not _may(device, headers.get("authorization", "")):
            _reply(handler, headers, "401 Unauthorized", {"WWW-Authenticate": 'Basic realm="simulated"'})
        elif method == "OPTIONS":
            _reply(handler, headers, "200 OK", {"Public": "OPTIONS, DESCRIBE, SETUP, PLAY, TEARDOWN"})
        elif method == "DESCRIBE":
            body = f"v=0\r\no=- 0 0 IN IP4 127.0.0.1\r\ns=simulated\r\nc=IN IP4 127.0.0.1\r\nt=0 0\r\nm=video 0 RTP/AVP 26\r\na=control:{address.rstrip('/')}/0\r\n"
            _reply(handler, headers, "200 OK", {"Content-Type": "application/sdp", "Content-Base": f"{address.rstrip('/')}/"}, body)
        elif method == "SETUP":
            _reply(handler, headers, "200 OK", {"Session": "1", "Transport": "RTP/AVP/TCP;unicast;interleaved=0-1"})
        elif method == "PLAY":
            _reply(handler, headers, "200 OK", {"Session": "1"})
            _play(handler, device)
            return
        else:
            _reply(handler, headers, "200 OK" if method == "TEARDOWN" else "405 Method Not Allowed", {"Session": "1"})


def _request(handler: socketserver.StreamRequestHandler) -> tuple[str, str, dict[str, str]] | None:
    first = handler.rfile.readline(4096).decode("latin-1").split()
    if len(first) < 3:
        return None
    headers: dict[str, str] = {}
    while line := handler.rfile.readline(4096).decode("latin-1").strip():
        name, _, value = line.partition(":")
        headers[name.strip().lower()] = value.strip()
    return first[0], first[1], headers


def _reply(
    handler: socketserver.StreamRequestHandler, asked: dict[str, str], status: str, headers: dict[str, str], body: str = ""
) -> None:
    lines = [f"RTSP/1.0 {status}", f"CSeq: {asked.get('cseq', '0')}", *(f"{k}: {v}" for k, v in headers.items())]
    if body:
        lines.append(f"Content-Length: {len(body)}")
    handler.wfile.write(("\r\n".join(lines) + "\r\n\r\n" + body).encode("latin-1"))


def _may(device: Device, given: str) -> bool:
    wanted = "Basic " + base64.b64encode(f"{device.user}:{device.password}".encode()).decode()
    return hmac.compare_digest(wanted, given)


def _play(handler: socketserver.StreamRequestHandler, device: Device, sleep: Callable[[float], None] = time.sleep) -> None:
    number = 0
    try:
        for picture in range(3600):
            for packet in packets(device.picture, number, picture * _CLOCK_HZ // 5):
                handler.wfile.write(b"$\x00" + struct.pack(">H", len(packet)) + packet)
                number += 1
            sleep(0.2)
    except OSError:
        return


def packets(picture: bytes, number: int, stamp: int) -> Iterator[bytes]:
    """RTP packets of one picture (RFC 2435 section 3.1): type 1 (4:2:0), quantisation tables in the first one."""
    tables, scan, width, height = _taken_apart(_baseline(picture))
    first = True
    for offset in range(0, len(scan), _PAYLOAD_BYTES):
        piece = scan[offset : offset + _PAYLOAD_BYTES]
        last = offset + len(piece) >= len(scan)
        rtp = struct.pack(">BBHII", 0x80, 26 | (0x80 if last else 0), number & 0xFFFF, stamp & 0xFFFFFFFF, 1)
        head = struct.pack(">I", offset) + bytes((1, 255, width // 8, height // 8))
        if first:
            head += struct.pack(">BBH", 0, 0, len(tables)) + tables
        yield rtp + head + piece
        first, number = False, number + 1


def _baseline(picture: bytes) -> bytes:
    with Image.open(io.BytesIO(picture)) as opened:
        image = opened.convert("RGB")
    image.thumbnail((_LARGEST_SIDE_PX, _LARGEST_SIDE_PX))
    image = image.crop((0, 0, image.width // 16 * 16, image.height // 16 * 16))
    kept = io.BytesIO()
    image.save(kept, "JPEG", quality=_QUALITY, subsampling=2)
    return kept.getvalue()


def _taken_apart(jpeg: bytes) -> tuple[bytes, bytes, int, int]:
    """Both quantisation tables, the entropy-coded scan, width and height of a baseline JPEG."""
    tables: dict[int, bytes] = {}
    width = height = at = 0
    at = 2
    while True:
        marker, length = jpeg[at + 1], int.from_bytes(jpeg[at + 2 : at + 4])
        segment = jpeg[at + 4 : at + 2 + length]
        if marker == 0xDB:
            for part in range(0, len(segment), 65):
                tables[segment[part]] = segment[part + 1 : part + 65]
        elif marker == 0xC0:
            height, width = struct.unpack(">HH", segment[1:5])
        at += 2 + length
        if marker == 0xDA:
            scan = re.sub(rb"\xff\xd9$", b"", jpeg[at:])
            return tables[0] + tables[1], scan, width, height
