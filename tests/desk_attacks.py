"""What somebody who has no business there tries on a desk's server; each says what got through."""

from __future__ import annotations

import http.client
import secrets
import socket
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from websockets.exceptions import InvalidHandshake, WebSocketException
from websockets.sync.client import ClientConnection, connect

__all__ = ["Answer", "ask", "held_mib", "open_socket", "put_file", "sockets_and_uploads"]

_TOKEN = "2|00000000|{}|1700000000"
FOREIGN = "https://elsewhere.example"


@dataclass(frozen=True)
class Answer:
    """Status, headers and body of an answer."""

    status: int
    headers: dict[str, str]
    body: bytes


def ask(address: str, path: str, method: str = "GET", body: bytes = b"", **headers: str) -> Answer:
    """One request as no browser would send it: any header, and an answer whatever its status."""
    parts = urlsplit(address)
    line = http.client.HTTPConnection(parts.hostname or "", parts.port, timeout=30)
    try:
        line.request(method, path, body or None, {name.replace("_", "-"): value for name, value in headers.items()})
        answer = line.getresponse()
        return Answer(answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read())
    finally:
        line.close()


def xsrf() -> str:
    """A token for both cookie and header: whoever makes it up passes that check."""
    return _TOKEN.format(secrets.token_hex(16))


def open_socket(address: str, origin: str | None, cookie: str = "") -> ClientConnection | None:
    """A page's socket, None where it was refused."""
    token = xsrf()
    headers = {"Cookie": "; ".join(filter(None, (f"_streamlit_xsrf={token}", cookie)))}
    place = f"ws://{urlsplit(address).netloc}/_stcore/stream"
    try:
        return connect(
            place, origin=origin, additional_headers=headers, subprotocols=["streamlit", token],  # type: ignore[list-item, arg-type]
            open_timeout=30, max_size=None, proxy=None,
        )  # fmt: skip
    except (InvalidHandshake, WebSocketException, OSError, TimeoutError):
        return None


def put_file(address: str, page: str, data: bytes, origin: str, cookie: str = "", name: str = "a.jpg") -> int:
    """Send a file to a page of the server; the answer's status, 0 where the server hung up."""
    boundary, token = secrets.token_hex(8), xsrf()
    head = f'--{boundary}\r\nContent-Disposition: form-data; name="f"; filename="{name}"\r\n\r\n'.encode()
    body = b"".join((head, data, f"\r\n--{boundary}--\r\n".encode()))
    try:
        return ask(
            address, f"/_stcore/upload_file/{page}/{secrets.token_hex(8)}", "PUT", body,
            Content_Type=f"multipart/form-data; boundary={boundary}", Origin=origin, X_Xsrftoken=token,
            Cookie="; ".join(filter(None, (f"_streamlit_xsrf={token}", cookie))),
        ).status  # fmt: skip
    except (OSError, http.client.HTTPException):
        return 0


def page_of(socket_: ClientConnection, tries: int = 20) -> str | None:
    """The page's name that the server says over its socket."""
    from streamlit.proto.ForwardMsg_pb2 import ForwardMsg

    for _ in range(tries):
        message = ForwardMsg()
        try:
            message.ParseFromString(socket_.recv(timeout=5))
        except (TimeoutError, WebSocketException):
            return None
        if message.WhichOneof("type") == "new_session":
            return str(message.new_session.initialize.session_id)
    return None


def begin(socket_: ClientConnection) -> None:
    """What a page says first: run the script."""
    from streamlit.proto.BackMsg_pb2 import BackMsg

    message = BackMsg()
    message.rerun_script.query_string = ""
    socket_.send(message.SerializeToString())


def sockets_and_uploads(address: str, times: int, size: int, origin: str) -> tuple[int, int]:
    """So many sockets, each with an upload and left open; how many of each got through."""
    opened, taken = [], 0
    data = secrets.token_bytes(size)  # made once: 2 GB of chance would cost more than the attack
    try:
        for n in range(times):
            found = open_socket(address, origin)
            page = None
            if found is not None:
                opened.append(found)
                begin(found)
                page = page_of(found)
            taken += put_file(address, page or f"page-{n}", data, origin) == 204
        return len(opened), taken
    finally:
        for one in opened:
            with one:
                continue


def held_mib(process_id: int) -> float:
    """Memory that a process holds, MiB."""
    return int(Path(f"/proc/{process_id}/status").read_text().split("VmRSS:")[1].split()[0]) / 1024


def unfinished(address: str, times: int) -> list[socket.socket]:
    """Connections that begin a large upload and never go on."""
    parts = urlsplit(address)
    found = []
    for n in range(times):
        line = socket.create_connection((parts.hostname or "", parts.port or 80), timeout=30)
        line.sendall(
            f"PUT /_stcore/upload_file/page-{n}/x HTTP/1.1\r\nHost: {parts.netloc}\r\nOrigin: {address}\r\n"
            "Content-Type: multipart/form-data; boundary=b\r\nContent-Length: 400000000\r\n\r\n".encode()
        )
        found.append(line)
    return found
