"""What stands before the desk's server, attacked over its socket: before sign-in, from foreign pages, and in bulk."""

from __future__ import annotations

import asyncio
import json
import subprocess
import time
from collections.abc import Awaitable, Callable, Coroutine, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from itsdangerous import URLSafeTimedSerializer

from audit.desk import NO_SETTINGS
from audit.desk_settings import Settings, Strength, read_settings
from audit.people import Entry
from tests.browser.desk_server import free_port, start
from tests.desk_attacks import (
    FOREIGN,
    ask,
    begin,
    held_mib,
    open_socket,
    page_of,
    put_file,
    sockets_and_uploads,
    unfinished,
)
from tests.desk_samples import judged_logbook
from ui import gate as gate_module
from ui.gate import Gate, Limits, free_left_files
from ui.own_sessions import OwnSession, own_sessions_page

SECRET = "made up for this test, and long enough"
AUTH = {
    "redirect_uri": "https://desk.example.org/oauth2callback",
    "cookie_secret": SECRET,
    "client_id": "desk",
    "client_secret": "made up",
    "server_metadata_url": "https://id.example.org/.well-known/openid-configuration",
}
PEOPLE = (Entry("signer", "Ada Example", "1", None), Entry("reader", "Dan Example", "4", None))
SHARED = Settings(Path("desk.toml"), AUTH, PEOPLE, ())
ORIGIN = "https://desk.example.org"
TIMES, UPLOAD = 1000, 2 << 20
CLOSED = ("/_stcore/metrics", "/_stcore/script-health-check", "/_stcore/agent/openapi.json", "/_stcore/agent/interact")


@dataclass(frozen=True)
class Desk:
    """A running server."""

    address: str
    process: subprocess.Popen[bytes]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("gate")
    judged_logbook(folder, cameras=2, visits=1).close()
    return folder


def running(folder: Path, settings: str | None) -> Iterator[Desk]:
    port = free_port()
    file = None
    if settings is not None:
        file = folder / "desk.toml"
        file.write_text(settings.replace("PORT", str(port)))
        file.chmod(0o600)
    process = start(folder / "logbook", port, settings=file)
    try:
        yield Desk(f"http://127.0.0.1:{port}", process)
    finally:
        process.terminate()
        process.wait(20)


@pytest.fixture(scope="module")
def shared(folder: Path) -> Iterator[Desk]:
    """A desk with sign-in; nobody of this module signs in, so that its provider needn't be there."""
    settings = "".join(f'{name} = "{value}"\n' for name, value in AUTH.items())
    yield from running(folder, "[auth]\n" + settings.replace(ORIGIN, "http://127.0.0.1:PORT"))


@pytest.fixture(scope="module")
def own(folder: Path) -> Iterator[Desk]:
    """A desk of this machine alone."""
    yield from running(folder, None)


def test_nothing_is_taken_in_before_sign_in(shared: Desk) -> None:
    """1,000 connections and as many uploads of 2 MiB, and 50 more that never end: memory grows by 50 MiB at most."""
    assert ask(shared.address, "/").status == 403
    before = held_mib(shared.process.pid)
    opened, taken = sockets_and_uploads(shared.address, TIMES, UPLOAD, shared.address)
    left = unfinished(shared.address, 50)
    grown = held_mib(shared.process.pid) - before
    for line in left:
        line.close()
    print(f"{TIMES} sockets and uploads before sign-in: {opened} and {taken} got in, memory +{grown:.0f} MiB")
    assert (opened, taken) == (0, 0) and grown <= 50


@pytest.mark.parametrize("path", ["/", "/review", "/static/js/", "/media/x", "/component/x", *CLOSED])
@pytest.mark.parametrize("method", ["GET", "POST", "DELETE", "OPTIONS", "HEAD"])
def test_every_door_is_shut_before_sign_in(shared: Desk, path: str, method: str) -> None:
    answer = ask(shared.address, path, method, Origin=shared.address, Accept="*/*")
    assert answer.status in (403, 404) and len(answer.body) < 200


def test_a_made_up_cookie_is_none(shared: Desk) -> None:
    claims = json.dumps(
        {"is_logged_in": True, "origin": shared.address, "iss": "https://id.example.org", "aud": "desk", "sub": "1"}
    )
    for value in (
        claims,
        URLSafeTimedSerializer("another secret", salt="_streamlit_user").dumps(claims),
        URLSafeTimedSerializer(SECRET, salt="_streamlit_xsrf").dumps(claims),
        "x" * 100,
    ):
        assert ask(shared.address, "/", Cookie=f"_streamlit_user={value}").status == 403
        assert open_socket(shared.address, shared.address, f"_streamlit_user={value}") is None


@pytest.mark.parametrize(
    "origin",
    ["http://localhost:1", "http://localhost", "http://127.0.0.1", "http://0.0.0.0:PORT", "https://127.0.0.1:PORT", "null",
     "http://127.0.0.1:PORT.elsewhere.example", "http://127.0.0.1:PORT/", "", FOREIGN, None],
)  # fmt: skip
def test_pages_of_other_origins_open_no_socket(own: Desk, origin: str | None) -> None:
    """RFC 6454: scheme, host and port, all three. Without an Origin it is no browser, and no page of the desk."""
    port = own.address.rpartition(":")[2]
    assert open_socket(own.address, origin if origin is None else origin.replace("PORT", port)) is None


def test_its_own_pages_open_a_socket(own: Desk) -> None:
    for origin in (own.address, own.address.replace("127.0.0.1", "localhost")):
        found = open_socket(own.address, origin)
        assert found is not None
        with found:
            begin(found)
            assert page_of(found) is not None


def test_other_names_of_this_machine_are_not_the_desks(own: Desk) -> None:
    """A foreign name that is made to lead to this machine (DNS rebinding) stands in Host."""
    assert ask(own.address, "/", Host="elsewhere.example").status == 403
    assert ask(own.address, "/").status == 200


def test_foreign_pages_send_no_files(own: Desk) -> None:
    found = open_socket(own.address, own.address)
    assert found is not None
    with found:
        begin(found)
        page = page_of(found)
        assert page is not None
        assert put_file(own.address, page, b"x", FOREIGN) == 403
        assert put_file(own.address, page, b"x", own.address) == 204


@pytest.mark.parametrize("path", CLOSED)
def test_counters_and_doors_for_machines_are_off(own: Desk, path: str) -> None:
    assert ask(own.address, path).status == 404
    assert ask(own.address, path, "POST", b"{}", Origin=own.address).status == 404


@pytest.mark.parametrize(
    "path", ["/", "/_stcore/health", "/_stcore/host-config", "/static/nothing", "/_stcore/metrics"]
)
def test_no_answer_may_be_framed(own: Desk, shared: Desk, path: str) -> None:
    """W3C CSP Level 3, 6.4.2, and RFC 7034 for browsers before it."""
    for desk in (own, shared):
        headers = ask(desk.address, path).headers
        assert "frame-ancestors 'none'" in headers["content-security-policy"] and headers["x-frame-options"] == "DENY"
        assert headers["x-content-type-options"] == "nosniff"


# From here on the gate alone, with a server behind it that only counts.


def run(work: Coroutine[Any, Any, Any]) -> Any:
    """Its result, by a loop of its own thread: the browser's tests leave theirs running in this one."""
    with ThreadPoolExecutor(1) as thread:
        return thread.submit(asyncio.run, work).result()


class Behind:
    """An application that takes what it is given."""

    def __init__(self) -> None:
        self.seen: list[str] = []
        self.hold: asyncio.Event | None = None

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        self.seen.append(scope["path"])
        if scope["type"] == "websocket":
            while (await receive())["type"] != "websocket.disconnect":
                continue
            return
        if self.hold is not None:
            await self.hold.wait()
        await send({"type": "http.response.start", "status": 200, "headers": [(b"set-cookie", b"a=b; Path=/")]})
        await send({"type": "http.response.body", "body": b""})


def cookie(subject: str = "1", **claims: object) -> str:
    said = {"is_logged_in": True, "origin": ORIGIN, "iss": "https://id.example.org", "aud": "desk", "sub": subject}
    return URLSafeTimedSerializer(SECRET, salt="_streamlit_user").dumps(json.dumps(said | claims))


def call(gate: Gate, path: str, method: str = "GET", body: bytes = b"", **headers: str) -> Awaitable[int]:
    named = [(name.replace("_", "-").lower().encode(), value.encode()) for name, value in headers.items()]
    scope = {"type": "http", "path": path, "method": method, "headers": named}
    answer: dict[str, Any] = {}

    async def send(message: Any) -> None:
        if message["type"] == "http.response.start":
            answer.update(message)

    async def receive() -> Any:
        return {"type": "http.request", "body": body, "more_body": False}

    async def done() -> int:
        await gate(scope, receive, send)
        return int(answer["status"])

    return done()


def entered(gate: Gate, value: str, **headers: str) -> int:
    return run(_of(call(gate, "/", Cookie=f"_streamlit_user={value}", **headers)))


async def _of(status: Awaitable[int]) -> int:
    return await status


@pytest.mark.parametrize(
    ("subject", "claims", "status"),
    [
        ("1", {}, 200),
        ("4", {}, 200),
        ("2", {}, 403),
        ("1", {"is_logged_in": "true"}, 403),
        ("1", {"is_logged_in": 1}, 403),
        ("1", {"origin": "https://other.example.org"}, 403),
        ("1", {"iss": "https://other.example.org"}, 403),
        ("1", {"aud": "other"}, 403),
    ],
)
def test_only_whom_the_operator_listed_passes(subject: str, claims: dict[str, object], status: int) -> None:
    behind = Behind()
    assert entered(Gate(behind, SHARED, [ORIGIN]), cookie(subject, **claims)) == status
    assert len(behind.seen) == (status == 200)


def split(subject: str) -> str:
    """A cookie in two parts, as the server writes large ones; the first says no more than how many there are."""
    said = {"is_logged_in": True, "origin": ORIGIN, "iss": "https://id.example.org", "aud": "desk", "sub": subject}
    text = json.dumps(said)
    parts = {"_streamlit_user": "chunks-2", "_streamlit_user_1": text[:20], "_streamlit_user_2": text[20:]}
    return "; ".join(f"{name}={URLSafeTimedSerializer(SECRET, salt=name).dumps(part)}" for name, part in parts.items())


@pytest.mark.parametrize(
    ("claims", "status"),
    [
        ({"amr": ["pwd", "mfa"], "acr": "high", "auth_time": int(time.time())}, 200),
        ({"amr": ["pwd"], "acr": "high", "auth_time": int(time.time())}, 403),
        ({"amr": "mfa", "acr": "high", "auth_time": int(time.time())}, 403),
        ({"amr": [["mfa"]], "acr": "high", "auth_time": int(time.time())}, 403),
        ({"acr": "high", "auth_time": int(time.time())}, 403),
        ({"amr": ["mfa"], "acr": "low", "auth_time": int(time.time())}, 403),
        ({"amr": ["mfa"], "acr": ["high"], "auth_time": int(time.time())}, 403),
        ({"amr": ["mfa"], "acr": "high", "auth_time": int(time.time()) - 7300}, 403),
        ({"amr": ["mfa"], "acr": "high", "auth_time": str(int(time.time()))}, 403),
        ({"amr": ["mfa"], "acr": "high"}, 403),
        ({}, 403),
    ],
)
def test_who_signed_in_too_weakly_stays_outside(claims: dict[str, object], status: int) -> None:
    """OpenID Connect Core 1.0, 2: amr is a list of texts, acr a text, auth_time a number; RFC 8176 names ``mfa``."""
    asked = replace(SHARED, strength=Strength(("mfa", "hwk"), ("high",), 7200))
    assert entered(Gate(Behind(), asked, [ORIGIN]), cookie(**claims)) == status


def test_who_is_taken_from_the_list_is_out_at_once(tmp_path: Path) -> None:
    """With an open page too; another's role changes at once; a list that can't be used throws nobody out."""
    file = tmp_path / "desk.toml"

    def write(*people: tuple[str, str]) -> None:
        auth = "[auth]\n" + "".join(f'{name} = "{value}"\n' for name, value in AUTH.items())
        file.write_text(auth + "".join(f'[[people]]\nrole = "{role}"\nsubject = "{who}"\n' for who, role in people))
        file.chmod(0o600)

    write(("1", "signer"), ("4", "signer"))
    gate = Gate(Behind(), read_settings(file), [ORIGIN])
    ada, dan = cookie("1"), cookie("4")
    assert (entered(gate, ada), entered(gate, dan)) == (200, 200)
    file.write_text("[auth\n")
    assert (entered(gate, ada), entered(gate, dan)) == (200, 200)
    write(("4", "reader"))
    assert (entered(gate, ada), entered(gate, dan)) == (403, 200)
    put = {"Origin": ORIGIN, "Content_Length": "5", "Cookie": f"_streamlit_user={dan}"}
    assert run(_of(call(gate, "/_stcore/upload_file/page/file", "PUT", **put))) == 403, "a reader now"
    write(("1", "signer"), ("4", "reader"))
    assert entered(gate, ada) == 200


def test_people_see_and_end_their_own_sessions_and_nobody_elses(monkeypatch: pytest.MonkeyPatch) -> None:
    gate = Gate(Behind(), SHARED, [ORIGIN])
    phone, laptop, dan = cookie("1", made="phone"), cookie("1", made="laptop"), cookie("4")
    assert [entered(gate, one) for one in (phone, laptop, dan)] == [200, 200, 200]
    sessions = {json.loads(json.dumps(dict(s.claims))).get("made", "dan"): s for s in gate._sessions.values()}

    def end(whose: str, by: str, **headers: str) -> int:
        form = f"end={sessions[whose].key[:16]}".encode()
        return run(_of(call(gate, "/sessions", "POST", form, Cookie=f"_streamlit_user={by}", **headers)))

    assert end("laptop", phone) == 403, "from no page of the desk"
    assert end("dan", phone, Origin=ORIGIN) == 303 and entered(gate, dan) == 200, "somebody else's"
    monkeypatch.setattr(gate_module, "FRESH_S", -1.0)
    assert end("laptop", phone, Origin=ORIGIN) == 403 and entered(gate, laptop) == 200, "signed in too long ago"
    monkeypatch.undo()
    assert end("laptop", phone, Origin=ORIGIN) == 303
    assert [entered(gate, one) for one in (phone, laptop, dan)] == [200, 403, 200]
    shown = own_sessions_page([OwnSession("a", 0.0, 130.0, True), OwnSession("b", 60.0, 0.0, False)])
    assert "1970-01-01 00:00 UTC, last active 2 min ago (this one)" in shown
    assert "value=" not in shown and "/sign-in" in shown, "this one is old: sign in anew first"
    assert 'value="b"' in own_sessions_page([OwnSession("a", time.time(), 0.0, True), OwnSession("b", 60.0, 0.0, False)])


def test_people_with_large_cookies_are_not_taken_for_each_other() -> None:
    gate = Gate(Behind(), SHARED, [ORIGIN])
    for subject, status in (("1", 200), ("2", 403), ("1", 200)):
        assert run(_of(call(gate, "/", Cookie=split(subject)))) == status
    of_one = split("1")
    assert run(_of(call(gate, "/auth/logout", Cookie=of_one))) == 200
    assert run(_of(call(gate, "/", Cookie=of_one))) == 403
    assert run(_of(call(gate, "/", Cookie=f"{of_one}; _streamlit_user_3=x"))) == 403
    assert run(_of(call(gate, "/", Cookie=of_one.replace("chunks-2", "chunks-99999999999")))) == 403


def test_a_reader_sends_no_files_and_a_signer_does(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gate_module, "_storage", dict)
    gate = Gate(Behind(), SHARED, [ORIGIN])
    for subject, status in (("4", 403), ("1", 200)):
        put = call(
            gate, "/_stcore/upload_file/page/file", "PUT", Origin=ORIGIN, Content_Length="5",
            Cookie=f"_streamlit_user={cookie(subject)}",
        )  # fmt: skip
        assert run(_of(put)) == status


def test_a_sign_in_ends_by_age_by_silence_by_a_restart_and_by_signing_out(monkeypatch: pytest.MonkeyPatch) -> None:
    value = cookie()
    gate = Gate(Behind(), SHARED, [ORIGIN])
    assert entered(gate, value) == 200
    assert run(_of(call(gate, "/auth/logout", Cookie=f"_streamlit_user={value}"))) == 200
    assert entered(gate, value) == 403, "signed out"
    ahead_s = 0.0
    clock = SimpleNamespace(time=lambda: time.time() + ahead_s, monotonic=lambda: time.monotonic() + ahead_s)
    monkeypatch.setattr(gate_module, "time", clock)
    for limits, wait_s in ((Limits(idle_s=600.0), 601.0), (Limits(life_s=3600.0, idle_s=7200.0), 3602.0)):
        gate = Gate(Behind(), SHARED, [ORIGIN], limits)
        value = cookie(made=str(limits))
        ahead_s = wait_s - 60.0
        assert entered(gate, value) == 200
        ahead_s += wait_s
        assert entered(gate, value) == 403
        assert entered(gate, value) == 403, "and stays so"
        ahead_s = 0.0
    value = cookie(made="before")
    ahead_s = 2.0
    assert entered(Gate(Behind(), SHARED, [ORIGIN]), value) == 403, "a restart"


def test_an_open_page_says_nothing_more_once_its_session_is_over() -> None:
    behind = Behind()
    gate = Gate(behind, SHARED, [ORIGIN])
    value = cookie()
    named = [(b"origin", ORIGIN.encode()), (b"cookie", f"_streamlit_user={value}".encode())]
    told: list[str] = []

    async def talk() -> None:
        said: asyncio.Queue[Any] = asyncio.Queue()

        async def receive() -> Any:
            return await said.get()

        async def send(message: Any) -> None:
            told.append(message["type"])

        scope = {"type": "websocket", "path": "/_stcore/stream", "headers": named}
        page = asyncio.create_task(gate(scope, receive, send))
        await said.put({"type": "websocket.receive", "bytes": b"1"})
        await asyncio.sleep(0.05)
        assert not page.done()
        await call(gate, "/auth/logout", Cookie=f"_streamlit_user={value}")
        await said.put({"type": "websocket.receive", "bytes": b"sign"})
        await asyncio.wait_for(page, 5)

    run(talk())


def test_pages_are_limited_in_all_and_for_each_session() -> None:
    limits = Limits(sockets=3, sockets_each=2)
    gate = Gate(Behind(), SHARED, [ORIGIN], limits)

    async def opened() -> list[int]:
        pages, refused = [], []
        for value in (*[cookie(n="a")] * 3, *[cookie(n="b")] * 2):
            said: asyncio.Queue[Any] = asyncio.Queue()

            async def receive(said: asyncio.Queue[Any] = said) -> Any:
                return await said.get()

            async def send(message: Any, place: int = len(pages)) -> None:
                refused.append(place)

            named = [(b"origin", ORIGIN.encode()), (b"cookie", f"_streamlit_user={value}".encode())]
            scope = {"type": "websocket", "path": "/_stcore/stream", "headers": named}
            page = asyncio.create_task(gate(scope, receive, send))
            await said.put({"type": "websocket.connect"})
            pages.append((page, said))
            await asyncio.sleep(0.02)
        for _, said in pages:
            await said.put({"type": "websocket.disconnect"})
        await asyncio.gather(*(page for page, _ in pages))
        return refused

    assert run(opened()) == [2, 4]


def file_of(size: int) -> SimpleNamespace:
    return SimpleNamespace(data=bytes(size))


@pytest.mark.parametrize(
    ("length", "status"),
    [("100", 200), ("101", 413), ("", 411), ("-1", 411), ("1e9", 411), ("\u0661", 411), ("99999999999999999999", 413)],
)
def test_one_file_is_limited(monkeypatch: pytest.MonkeyPatch, length: str, status: int) -> None:
    monkeypatch.setattr(gate_module, "_storage", dict)
    gate = Gate(Behind(), NO_SETTINGS, ["http://127.0.0.1:1"], Limits(file_bytes=100))
    put = call(
        gate,
        "/_stcore/upload_file/page/file",
        "PUT",
        Origin="http://127.0.0.1:1",
        Host="127.0.0.1:1",
        Content_Length=length,
    )
    assert run(_of(put)) == status


def test_files_are_limited_for_each_page_in_number_and_in_all_with_those_under_way(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    held: dict[str, dict[str, SimpleNamespace]] = {"a": {"1": file_of(60)}, "b": {"1": file_of(60)}}
    monkeypatch.setattr(gate_module, "_storage", lambda: held)
    limits = Limits(file_bytes=100, session_bytes=100, all_bytes=200, session_files=3)
    behind = Behind()
    gate = Gate(behind, NO_SETTINGS, ["http://127.0.0.1:1"], limits)

    def put(page: str, size: int) -> Awaitable[int]:
        path = f"/_stcore/upload_file/{page}/x"
        return call(gate, path, "PUT", Origin="http://127.0.0.1:1", Host="127.0.0.1:1", Content_Length=str(size))

    async def several() -> list[int]:
        first = [await put("a", 41), await put("a", 40)]
        behind.hold = asyncio.Event()
        waiting = asyncio.create_task(put("c", 50))  # type: ignore[arg-type]
        await asyncio.sleep(0.02)
        second = [await put("d", 31), await put("c", 51)]
        behind.hold.set()
        return [*first, *second, await waiting, await put("d", 31)]

    assert run(several()) == [413, 200, 413, 413, 200, 200]
    held["e"] = {str(n): file_of(0) for n in range(3)}
    assert run(_of(put("e", 1))) == 413


def test_files_of_closed_pages_are_freed(monkeypatch: pytest.MonkeyPatch) -> None:
    held = {"open": {"1": file_of(1)}, "closed": {"1": file_of(1)}, "back": {"1": file_of(1)}}
    back = iter([False, True, True, True, True, True, True, True])
    manager = SimpleNamespace(file_storage=held, remove_session_files=held.pop)
    active: dict[str, Callable[[], bool]] = {
        "open": lambda: True,
        "closed": lambda: False,
        "back": lambda: next(back, True),
    }
    runtime = SimpleNamespace(uploaded_file_mgr=manager, is_active_session=lambda page: active[page]())
    monkeypatch.setattr(gate_module.Runtime, "instance", classmethod(lambda _: runtime))

    async def sweep() -> None:
        with pytest.raises(asyncio.TimeoutError):
            await asyncio.wait_for(free_left_files(every_s=0.02, grace_s=0.1), 0.5)

    run(sweep())
    assert set(held) == {"open", "back"}


def test_cookies_go_by_tls_alone_where_the_desk_is_reached_by_it() -> None:
    headers: list[tuple[bytes, bytes]] = []

    async def send(message: Any) -> None:
        headers.extend(message.get("headers", ()))

    async def receive() -> Any:
        return {"type": "http.request"}

    for settings, origin in ((SHARED, ORIGIN), (replace(SHARED, auth=None), "http://127.0.0.1:1")):
        headers.clear()
        named = [(b"cookie", f"_streamlit_user={cookie()}".encode()), (b"host", b"127.0.0.1:1")]
        scope = {"type": "http", "path": "/", "method": "GET", "headers": named}
        run(Gate(Behind(), settings, [origin])(scope, receive, send))  # type: ignore[arg-type]
        assert ((b"set-cookie", b"a=b; Path=/; Secure") in headers) == (settings is SHARED)


def test_a_socket_beyond_sign_in_needs_the_token_too(own: Desk) -> None:
    """The page's own name is known to nobody else; a file for another is refused by the server."""
    assert put_file(own.address, "made-up", b"x", own.address) in (400, 403)
    with closing(open_socket(own.address, own.address)) as found:  # type: ignore[type-var]
        assert found is not None
