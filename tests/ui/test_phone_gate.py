"""A phone that was let in for aiming, at the gate: one page, one visit, nothing else, and out at once."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest

from audit.desk_settings import Settings
from audit.pairing import COOKIE, Host, Pairings
from audit.people import Entry
from tests.ui.test_gate import AUTH, ORIGIN
from ui.gate import Gate

CLAIMS = {"iss": "https://id.example.org", "aud": "desk", "sub": "1"}
PEOPLE = (Entry("crew", "Ada Example", "1", None),)
#: Every page of the desk, its own addresses, and what a browser may be talked into.
OTHERS = (
    "/review", "/bring_in", "/place", "/site", "/over_time", "/checks", "/sign", "/plan", "/aim", "/sessions", "/media/x.jpg",
    "/component/x", "/_stcore/upload_file/1/2", "/_stcore/metrics", "/_stcore/script-health-check", "/?visit=2/../sign",
    "/static/../media/x", "//sign", "/oauth2callback/../sign",
)  # fmt: skip


class Behind:
    """The application behind the gate: writes down what reaches it."""

    def __init__(self) -> None:
        self.reached: list[tuple[str, str]] = []

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        cookies = dict(scope["headers"]).get(b"cookie", b"").decode()
        self.reached.append((scope["path"], cookies))
        if scope["type"] == "websocket":
            await send({"type": "websocket.accept"})
            while (await receive())["type"] == "websocket.receive":
                self.reached.append(("said", cookies))
            return
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": b"behind"})


class Desk:
    def __init__(self, people: tuple[Entry, ...] = PEOPLE) -> None:
        self.behind, self.pairings = Behind(), Pairings()
        settings = Settings(Path("desk.toml"), AUTH, people, ())
        self.gate = Gate(self.behind, settings, [ORIGIN], pairings=self.pairings)
        self.events: list[str] = []

    def code(self) -> str:
        host = Host(1, "commissioning", "2026-06-16", "Ada Example", CLAIMS, lambda: True, lambda _, e, by, name: self.events.append(e))
        code = self.pairings.issue(host)
        assert code is not None
        return code.digits

    def ask(self, path: str, method: str = "GET", body: bytes = b"", **headers: str) -> tuple[int, dict[str, str], bytes]:
        sent: list[dict[str, Any]] = []

        async def receive() -> dict[str, Any]:
            return {"type": "http.request", "body": body, "more_body": False}

        async def send(message: Any) -> None:
            sent.append(dict(message))

        told = [(name.lower().encode(), value.encode()) for name, value in headers.items()]
        scope = {"type": "http", "path": path.partition("?")[0], "query_string": b"", "method": method, "headers": told}
        asyncio.run(self.gate(scope, receive, send))
        found = {name.decode(): value.decode() for name, value in sent[0]["headers"]}
        return sent[0]["status"], found, b"".join(m.get("body", b"") for m in sent[1:])

    def let_in(self) -> str:
        form = urlencode({"code": self.code(), "name": "Cleo Example"}).encode()
        status, headers, _ = self.ask("/pair", "POST", form, Origin=ORIGIN)
        assert (status, headers["location"]) == (303, "/")
        return headers["set-cookie"]


def cookie_of(line: str) -> str:
    return line.partition(";")[0]


@pytest.fixture
def desk() -> Desk:
    return Desk()


def test_the_right_code_lets_in_with_a_cookie_that_no_script_and_no_other_site_has(desk: Desk) -> None:
    line = desk.let_in()
    parts = {p.strip() for p in line.split(";")[1:]}
    assert {"HttpOnly", "SameSite=Strict", "Secure", "Path=/"} <= parts and desk.events == ["issued", "joined"]
    status, headers, body = desk.ask("/", Cookie=cookie_of(line))
    assert (status, body) == (200, b"behind") and headers["x-frame-options"] == "DENY"


@pytest.mark.parametrize("path", OTHERS)
@pytest.mark.parametrize("method", ["GET", "HEAD", "POST", "PUT", "DELETE"])
def test_no_other_page_and_no_other_method_is_reached(desk: Desk, path: str, method: str) -> None:
    cookie = cookie_of(desk.let_in())
    status, _, body = desk.ask(path, method, Origin=ORIGIN, Cookie=cookie)
    assert (status in (403, 404) and desk.behind.reached == []) or (path.startswith("/?") and method in ("GET", "HEAD"))
    assert len(body) < 300


def test_the_page_asks_and_an_address_alone_does_nothing(desk: Desk) -> None:
    digits = desk.code()
    for path in (f"/pair?code={digits}&name=Cleo", "/pair", "/pair.js"):
        status, headers, body = desk.ask(path, Accept="text/html")
        assert status == 200 and "set-cookie" not in headers and digits.encode() not in body
        assert "frame-ancestors 'none'" in headers["content-security-policy"]
    assert b"submit(" not in desk.ask("/pair.js")[2] and desk.pairings.open_code("Ada Example") is not None


@pytest.mark.parametrize("origin", ["https://elsewhere.example", "null", "", "http://desk.example.org"])
def test_another_sites_form_pairs_nobody(desk: Desk, origin: str) -> None:
    form = urlencode({"code": desk.code(), "name": "Cleo"}).encode()
    status, headers, _ = desk.ask("/pair", "POST", form, Origin=origin)
    assert status == 403 and "set-cookie" not in headers and desk.pairings.phones() == ()


def test_wrong_codes_are_one_sentence_and_void_the_right_one(desk: Desk) -> None:
    digits = desk.code()
    for k in range(1, 6):
        form = urlencode({"code": f"{(int(digits) + k) % 10**8:08}", "name": "Cleo"}).encode()
        status, headers, body = desk.ask("/pair", "POST", form, Origin=ORIGIN)
        assert status == 403 and b"no code that counts" in body and "set-cookie" not in headers
    assert desk.ask("/pair", "POST", urlencode({"code": digits, "name": "Cleo"}).encode(), Origin=ORIGIN)[0] == 403
    long = desk.ask("/pair", "POST", b"code=" + b"1" * 5000, Origin=ORIGIN)
    assert long[0] == 403


def test_the_desks_own_cookie_never_goes_along(desk: Desk) -> None:
    """Somebody whose sign-in ended, with a phone's cookie besides: what is behind must see the phone alone."""
    cookie = cookie_of(desk.let_in())
    old = f"_streamlit_user={json.dumps(CLAIMS)}"
    assert desk.ask("/", Cookie=f"{old}; {cookie}")[0] == 200
    assert desk.behind.reached == [("/", cookie)]


def socket(desk: Desk, cookie: str, said: list[Mapping[str, Any]], between: Any = None) -> list[dict[str, Any]]:
    sent: list[dict[str, Any]] = []
    waiting = iter(said)

    async def receive() -> Any:
        message = next(waiting, {"type": "websocket.disconnect"})
        if between is not None and message.get("text") == "second":
            between()
        return message

    async def send(message: Any) -> None:
        sent.append(dict(message))

    headers = [(b"origin", ORIGIN.encode()), (b"cookie", cookie.encode())]
    asyncio.run(desk.gate({"type": "websocket", "path": "/_stcore/stream", "headers": headers}, receive, send))
    return sent


SAID: list[Mapping[str, Any]] = [{"type": "websocket.receive", "text": text} for text in ("first", "second", "third")]


def test_a_phones_socket_is_heard_until_it_is_turned_away(desk: Desk) -> None:
    cookie = cookie_of(desk.let_in())
    assert socket(desk, cookie, SAID)[0]["type"] == "websocket.accept"
    assert [place for place, _ in desk.behind.reached] == ["/_stcore/stream", "said", "said", "said"]
    desk.behind.reached.clear()
    (phone,) = desk.pairings.phones()
    socket(desk, cookie, SAID, lambda: desk.pairings.revoke(phone.key, "Ada Example"))
    assert [place for place, _ in desk.behind.reached] == ["/_stcore/stream", "said"]
    desk.behind.reached.clear()
    assert socket(desk, cookie, SAID) == [{"type": "websocket.close", "code": 1008}] and desk.ask("/", Cookie=cookie)[0] == 403
    assert socket(desk, f"{COOKIE}=made up", SAID)[0]["type"] == "websocket.close"
    assert desk.behind.reached == []


@pytest.mark.parametrize("people", [(), (Entry("reader", "Ada Example", "1", None),)])
def test_a_phone_is_out_with_whoever_let_it_in(people: tuple[Entry, ...]) -> None:
    desk = Desk(people)
    status, headers, _ = desk.ask("/pair", "POST", urlencode({"code": desk.code(), "name": "Cleo"}).encode(), Origin=ORIGIN)
    assert status == 303 and desk.ask("/", Cookie=cookie_of(headers["set-cookie"]))[0] == 403 and desk.behind.reached == []
