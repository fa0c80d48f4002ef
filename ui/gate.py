"""What stands before the desk's server: nothing is taken in before somebody with a role has signed in.

An ASGI layer around the whole application. It answers by itself whoever has no business behind it: a page with a way to
sign in, or a refusal without a word; no socket is opened, no byte of an upload is read. Behind it people have the rights
of their role and limits on what the server's memory holds for them. Every answer forbids being framed by another page.
"""

from __future__ import annotations

import asyncio
import hashlib
import html
import json
import re
import time
from base64 import b64encode
from collections.abc import Awaitable, Callable, Iterable, Mapping, MutableMapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from string import Template
from typing import Any
from urllib.parse import parse_qs, quote

import streamlit
from itsdangerous import BadData, URLSafeTimedSerializer
from starlette.requests import cookie_parser
from streamlit.auth_util import encode_provider_token, get_cookie_with_chunks
from streamlit.runtime import Runtime

from audit.desk_settings import Settings, Watched
from audit.errors import AuditError
from audit.pairing import COOKIE, PAIRINGS, Paired, Pairings
from audit.people import Person
from ui.own_sessions import FRESH_S, OwnSession, own_sessions_page
from ui.parts.words import language, speaking, word
from ui.phone import PAIR, PAIR_SCRIPT, may_ask, pair_page, pair_script

__all__ = ["Gate", "Limits", "SignedIn", "free_left_files"]

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

_COOKIE = "_streamlit_user"
_UPLOADS = "/_stcore/upload_file/"
_HEALTH = "/_stcore/health"
_SIGN_IN, _LOGIN, _CALLBACK, _LOGOUT = "/sign-in", "/auth/login", "/oauth2callback", "/auth/logout"
_SESSIONS = "/sessions"
_LONGEST_FORM = 1000
#: What of the server's own paths is served; its metrics, its doors for machines and whatever it may add are not.
_OWN = "/_stcore/"
_SERVED = (_HEALTH, "/_stcore/host-config", "/_stcore/stream", _UPLOADS, "/_stcore/bidi-components/")
#: The session of everybody where there is no sign-in.
_HERE = "here"
_READS = frozenset({"GET", "HEAD"})
_INLINE = re.compile(rb"<script>(.*?)</script>", re.DOTALL)


def _policy() -> bytes:
    """Where the browser may take things from: the desk alone, and who may frame it: nobody (CSP level 3).

    The page's own inline scripts are let in by their hash; ``unsafe-eval`` is what the charts' library needs.
    """
    page = (Path(streamlit.__file__).parent / "static" / "index.html").read_bytes()
    inline = " ".join(f"'sha256-{b64encode(hashlib.sha256(s).digest()).decode()}'" for s in _INLINE.findall(page))
    rules = {
        "default-src": "'self'",
        "script-src": f"'self' blob: 'unsafe-eval' {inline}".rstrip(),
        "style-src": "'self' 'unsafe-inline'",
        "img-src": "'self' data: blob:",
        "media-src": "'self' data: blob:",
        "font-src": "'self' data:",
        "worker-src": "'self' blob:",
        "connect-src": "'self' data: blob:",
        "object-src": "'none'",
        "base-uri": "'self'",
        "form-action": "'self'",
        "frame-ancestors": "'none'",
    }
    return "; ".join(f"{name} {value}" for name, value in rules.items()).encode()


_HEADERS = (
    (b"content-security-policy", _policy()),
    (b"x-frame-options", b"DENY"),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
)
_PAGE = Path(__file__).with_name("turned_away.html").read_text(encoding="utf-8")


@dataclass(frozen=True, slots=True)
class Limits:
    """What the server holds at most.

    Attributes
    ----------
    file_bytes, session_bytes, all_bytes : int
        Dropped files in memory: one, those of one open page, and all together, those under way among them.
    session_files : int
        Files of one open page.
    sockets, sockets_each : int
        Open pages in all, and of one signed-in session (of this machine, without sign-in).
    idle_s, life_s : float
        After so long without a word, and in any case after so long, one has to sign in anew.
    """

    file_bytes: int = 500 << 20
    session_bytes: int = 1 << 30
    all_bytes: int = 2 << 30
    session_files: int = 5000
    sockets: int = 200
    sockets_each: int = 20
    idle_s: float = 3600.0
    life_s: float = 12 * 3600.0


@dataclass(slots=True)
class SignedIn:
    """A session that a browser's cookie stands for: what the ID token claimed, since when, and whether strongly enough."""

    key: str
    claims: Mapping[str, object]
    since: float
    strong: bool
    last: float = field(default_factory=time.monotonic)


class Gate:
    """Lets through who may pass.

    Parameters
    ----------
    app : ASGI application
    settings : Settings
        With ``auth``: sign-in is needed for everything. Without: whoever reaches it from this machine may pass.
    origins : iterable of str
        Scheme, host and port of the desk's own pages; requests that change something, and sockets, come from no other.
    limits : Limits
    pairings : Pairings
        Phones that were let in for one page.
    """

    def __init__(
        self, app: App, settings: Settings, origins: Iterable[str], limits: Limits | None = None, pairings: Pairings = PAIRINGS
    ) -> None:
        self._app = app
        self._settings = settings
        self._watched = Watched(settings)
        self._origins = frozenset(origins)
        self._hosts = frozenset(origin.partition("://")[2] for origin in self._origins)
        self._limits = limits or Limits()
        self._pairings = pairings
        self._secure = settings.auth is not None and (settings.origin or "").startswith("https:")
        self._started = int(time.time())
        self._sessions: dict[str, SignedIn] = {}
        self._ended: dict[str, float] = {}
        self._sockets: dict[str, int] = {}
        self._under_way: dict[str, int] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, refuse or pass on."""
        if scope["type"] == "http":
            with speaking(_header(scope, b"accept-language")):
                await self._http(scope, receive, _with_headers(send, self._secure))
        elif scope["type"] == "websocket":
            await self._socket(scope, receive, send)
        else:
            await self._app(scope, receive, send)

    async def _http(self, scope: Scope, receive: Receive, send: Send) -> None:
        path, method = str(scope["path"]), str(scope["method"])
        if path == _HEALTH and method in _READS:
            await self._app(scope, receive, send)
        elif path.startswith(_OWN) and not path.startswith(_SERVED):
            await _answer(send, 404, word("desk.not_served"))
        elif self._settings.auth is None and _header(scope, b"host") not in self._hosts:
            await _answer(send, 403, word("desk.other_address"))
        elif method not in _READS and _header(scope, b"origin") not in self._origins:
            await _answer(send, 403, word("desk.other_origin"))
        elif self._settings.auth is None:
            await self._behind(scope, receive, send, _HERE, None)
        else:
            await self._to_who_signed_in(scope, receive, send)

    async def _to_who_signed_in(self, scope: Scope, receive: Receive, send: Send) -> None:
        path, method = str(scope["path"]), str(scope["method"])
        session = self._session(scope)
        if path == _SIGN_IN and method == "GET":
            await _redirect(send, f"{_LOGIN}?provider={quote(encode_provider_token('default'))}")
        elif path in (PAIR, PAIR_SCRIPT):
            await self._pair(scope, receive, send)
        elif path == _LOGIN and method == "GET":
            await self._app(scope, receive, send)
        elif path in (_CALLBACK, _LOGOUT) and method == "GET":
            if session is not None:  # whoever signs in anew, or out, is done with the session before
                self._end(session.key)
            await self._app(scope, receive, send)
        elif session is None and (phone := self._phone(scope)) is not None:
            await self._for_a_phone(scope, receive, send, phone)
        elif session is None or (person := self._person(session)) is None:
            await self._turn_away(scope, send, session)
        else:
            session.last = time.monotonic()
            if path == _SESSIONS:
                await self._own_sessions(scope, receive, send, session)
            else:
                await self._behind(scope, receive, send, session.key, person)

    async def _pair(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Ask a phone for its code; let it in for the right one."""
        page = b"text/html; charset=utf-8"
        if scope["method"] in _READS:
            script = scope["path"] == PAIR_SCRIPT
            await _answer(send, 200, pair_script() if script else pair_page(False), b"text/javascript" if script else page)
            return
        form = await _form(receive)
        code, name = form.get("code", [""])[0], form.get("name", [""])[0]
        try:
            let_in = await asyncio.to_thread(self._pairings.redeem, code, name)
        except AuditError:
            let_in = None
        if let_in is None:
            await _answer(send, 403, pair_page(True), page)
            return
        cookie = f"{COOKIE}={let_in[0]}; Path=/; HttpOnly; SameSite=Strict"
        await _redirect(send, "/", 303, cookie)

    def _phone(self, scope: Scope) -> Paired | None:
        """The phone of the request's cookie, while it and whoever let it in may be here."""
        phone = self._pairings.find(_cookies(scope).get(COOKIE, ""))
        host = None if phone is None else self._watched.now().person(phone.host.claims)
        return phone if host is not None and "bring in" in host.rights else None

    async def _for_a_phone(self, scope: Scope, receive: Receive, send: Send, phone: Paired) -> None:
        if scope["method"] not in _READS or not may_ask(str(scope["path"])):
            await _answer(send, 403, word("pair.this_page_alone"))
        else:
            await self._app(_as_a_phone(scope), receive, send)

    async def _own_sessions(self, scope: Scope, receive: Receive, send: Send, session: SignedIn) -> None:
        """Show a person's sessions; end one of them where they signed in just now."""
        own = [s for s in tuple(self._sessions.values()) if self._lasts(s) and _same(s.claims, session.claims)]
        if scope["method"] in _READS:
            now = time.monotonic()
            found = (OwnSession(s.key[:16], s.since, now - s.last, s.key == session.key) for s in own)
            await _answer(send, 200, own_sessions_page(found), b"text/html; charset=utf-8")
            return
        if time.time() - session.since > FRESH_S:
            await _answer(send, 403, word("sessions.sign_in_anew"))
            return
        wanted = (await _form(receive)).get("end", [""])[0]
        for one in own:
            if one.key[:16] == wanted:
                self._end(one.key)
        await _redirect(send, _SESSIONS, 303)

    def _person(self, session: SignedIn) -> Person | None:
        """Who that is by the list of now, None for nobody of it and for who signed in too weakly."""
        return self._watched.now().person(session.claims) if session.strong else None

    async def _turn_away(self, scope: Scope, send: Send, session: SignedIn | None) -> None:
        if scope["method"] not in _READS or b"text/html" not in _header(scope, b"accept").encode():
            await _answer(send, 403, word("desk.sign_in_first"))
            return
        text, link, label = "", _SIGN_IN, word("desk.sign_in")
        if session is not None:
            who = session.claims.get("email") or session.claims.get("sub")
            why = "desk.no_role" if session.strong else "desk.too_weak"
            text = f"<p>{html.escape(word(why, who=who))}</p>"
            link, label = _LOGOUT, word("desk.sign_out")
        page = Template(_PAGE).substitute(
            lang=language(), title=html.escape(word("desk.title")), text=text, link=link, label=html.escape(label)
        )
        await _answer(send, 403, page, b"text/html; charset=utf-8")

    async def _behind(self, scope: Scope, receive: Receive, send: Send, key: str, person: Person | None) -> None:
        path, method = str(scope["path"]), str(scope["method"])
        if not path.startswith(_UPLOADS) or method in _READS or method == "OPTIONS":
            await self._app(scope, receive, send)
        elif person is not None and "bring in" not in person.rights:
            await _answer(send, 403, word("desk.not_your_role", role=person.role))
        elif method == "PUT":
            await self._upload(scope, receive, send)
        else:
            await self._app(scope, receive, send)

    async def _upload(self, scope: Scope, receive: Receive, send: Send) -> None:
        length, page = _header(scope, b"content-length"), str(scope["path"])[len(_UPLOADS) :].partition("/")[0]
        if not length.isdecimal():
            await _answer(send, 411, word("desk.too_much"))
            return
        size = int(length)
        held, files, everything = _held(page)
        limits = self._limits
        too_much = (
            size > limits.file_bytes
            or files >= limits.session_files
            or held + size + self._under_way.get(page, 0) > limits.session_bytes
            or everything + size + sum(self._under_way.values()) > limits.all_bytes
        )
        if too_much:
            await _answer(send, 413, word("desk.too_much"))
            return
        self._under_way[page] = self._under_way.get(page, 0) + size
        try:
            await self._app(scope, receive, send)
        finally:
            left = self._under_way[page] - size
            if left:
                self._under_way[page] = left
            else:
                del self._under_way[page]

    async def _socket(self, scope: Scope, receive: Receive, send: Send) -> None:
        session = self._session(scope) if self._settings.auth is not None else None
        phone = self._phone(scope) if self._settings.auth is not None and session is None else None
        key = session.key if session is not None else _HERE if phone is None else f"phone {phone.key}"
        foreign = _header(scope, b"origin") not in self._origins or (
            self._settings.auth is None and _header(scope, b"host") not in self._hosts
        )
        nobody = self._settings.auth is not None and phone is None and (session is None or self._person(session) is None)
        full = (
            sum(self._sockets.values()) >= self._limits.sockets
            or self._sockets.get(key, 0) >= self._limits.sockets_each
        )
        if foreign or nobody or full or not str(scope["path"]).startswith(_SERVED):
            await receive()
            await send({"type": "websocket.close", "code": 1008})
            return
        self._sockets[key] = self._sockets.get(key, 0) + 1
        try:
            if phone is not None:
                await self._app(_as_a_phone(scope), self._while_let_in(scope, receive), send)
            else:
                await self._app(scope, receive if session is None else self._while_signed_in(session, receive), send)
        finally:
            self._sockets[key] -= 1
            if not self._sockets[key]:
                del self._sockets[key]

    def _while_signed_in(self, session: SignedIn, receive: Receive) -> Receive:
        """What a page says counts only while its session lasts; then it is as if the page had been closed."""

        async def checked() -> Message:
            message = await receive()
            if message["type"] == "websocket.receive":
                if not self._lasts(session) or self._person(session) is None:
                    return {"type": "websocket.disconnect", "code": 1008}
                session.last = time.monotonic()
            return message

        return checked

    def _while_let_in(self, scope: Scope, receive: Receive) -> Receive:
        """What a phone says counts only until it is turned away."""

        async def checked() -> Message:
            message = await receive()
            if message["type"] == "websocket.receive" and self._phone(scope) is None:
                return {"type": "websocket.disconnect", "code": 1008}
            return message

        return checked

    def _session(self, scope: Scope) -> SignedIn | None:
        """The session of the request's cookie, where it was made by this server, lasts, and wasn't ended."""
        found = self._read(_cookies(scope))
        if found is None or found.key in self._ended:
            return None
        if found.key not in self._sessions:
            self._forget_old()
            self._sessions[found.key] = found
        session = self._sessions[found.key]
        return session if self._lasts(session) else None

    def _read(self, cookies: Mapping[str, str]) -> SignedIn | None:
        """What the cookie says; large ones come in several parts, so that a session's key is made of the whole."""
        secret = (self._settings.auth or {})["cookie_secret"]
        made: list[float] = []

        def one(name: str) -> bytes | None:
            signer = URLSafeTimedSerializer(secret, salt=name)
            with suppress(BadData, KeyError):
                value, at = signer.loads(cookies[name], max_age=int(self._limits.life_s), return_timestamp=True)
                made.append(at.timestamp())
                return str(value).encode()
            return None

        whole = get_cookie_with_chunks(one, _COOKIE) or b""
        try:
            claims = json.loads(whole)
        except ValueError:
            return None
        if not isinstance(claims, dict) or claims.get("is_logged_in") is not True or min(made) < self._started:
            return None
        if claims.get("origin") != self._settings.origin:
            return None
        key = hashlib.sha256(whole + str(min(made)).encode()).hexdigest()
        return SignedIn(key, claims, min(made), self._settings.strength.met(claims, min(made)))

    def _lasts(self, session: SignedIn) -> bool:
        idle = time.monotonic() - session.last > self._limits.idle_s
        if idle or time.time() - session.since > self._limits.life_s:
            self._end(session.key)
        return session.key not in self._ended

    def _end(self, key: str) -> None:
        self._sessions.pop(key, None)
        self._ended[key] = time.time() + self._limits.life_s

    def _forget_old(self) -> None:
        """What is over is forgotten once its cookie couldn't be used any more either."""
        now = time.time()
        for session in tuple(self._sessions.values()):
            self._lasts(session)
        self._ended = {key: until for key, until in self._ended.items() if until > now}


async def free_left_files(every_s: float = 5.0, grace_s: float = 60.0) -> None:
    """Free the files that closed pages left in the server's memory; a page that comes back within the grace keeps them."""
    left: dict[str, float] = {}
    while True:
        await asyncio.sleep(every_s)
        runtime = Runtime.instance()
        now = time.monotonic()
        for page in tuple(_storage()):
            if runtime.is_active_session(page):
                left.pop(page, None)
            elif now - left.setdefault(page, now) >= grace_s:
                runtime.uploaded_file_mgr.remove_session_files(page)
                del left[page]


def _storage() -> Mapping[str, Mapping[str, Any]]:
    found: Mapping[str, Mapping[str, Any]] = Runtime.instance().uploaded_file_mgr.file_storage  # type: ignore[attr-defined]
    return found


def _held(page: str) -> tuple[int, int, int]:
    """Bytes and files that the server holds for one page, and bytes in all."""
    sizes = {name: [len(file.data) for file in tuple(files.values())] for name, files in tuple(_storage().items())}
    own = sizes.get(page, [])
    return sum(own), len(own), sum(map(sum, sizes.values()))


def _header(scope: Scope, name: bytes) -> str:
    """A header's only value; of one that was sent twice neither."""
    found = [value for key, value in scope["headers"] if key == name]
    return found[0].decode("latin-1") if len(found) == 1 else ""


def _cookies(scope: Scope) -> dict[str, str]:
    """As the server behind reads them."""
    return cookie_parser("; ".join(value.decode("latin-1") for key, value in scope["headers"] if key == b"cookie"))


def _as_a_phone(scope: Scope) -> Scope:
    """The request with the phone's own cookie alone: whoever's sign-in ended must not go on behind it."""
    kept = [(name, value) for name, value in scope["headers"] if name != b"cookie"]
    return {**scope, "headers": [*kept, (b"cookie", f"{COOKIE}={_cookies(scope).get(COOKIE, '')}".encode("latin-1"))]}


def _with_headers(send: Send, secure: bool) -> Send:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            named = {name for name, _ in _HEADERS}
            kept = [(name, value) for name, value in message.get("headers", ()) if name.lower() not in named]
            if secure:
                kept = [(name, _only_by_tls(name, value)) for name, value in kept]
            message["headers"] = [*kept, *_HEADERS]
        await send(message)

    return sent


def _only_by_tls(name: bytes, value: bytes) -> bytes:
    """A cookie that browsers send over TLS alone."""
    cookie = name.lower() == b"set-cookie" and b"secure" not in [p.strip().lower() for p in value.split(b";")]
    return value + b"; Secure" if cookie else value


async def _answer(send: Send, status: int, text: str, kind: bytes = b"text/plain; charset=utf-8") -> None:
    body = text.encode()
    headers = [(b"content-type", kind), (b"content-length", str(len(body)).encode()), (b"cache-control", b"no-store")]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})


def _same(one: Mapping[str, object], other: Mapping[str, object]) -> bool:
    """Whether two sessions' claims mean one person (OpenID Connect Core 1.0, 5.7)."""
    return all(one.get(name) == other.get(name) for name in ("iss", "sub"))


async def _form(receive: Receive) -> dict[str, list[str]]:
    """A short form's fields; of a longer body none."""
    body, more = b"", True
    while more and len(body) <= _LONGEST_FORM:
        message = await receive()
        body += message.get("body", b"")
        more = message["type"] == "http.request" and bool(message.get("more_body"))
    return parse_qs(body.decode("latin-1")) if len(body) <= _LONGEST_FORM else {}


async def _redirect(send: Send, place: str, status: int = 302, cookie: str = "") -> None:
    headers = [(b"location", place.encode()), (b"content-length", b"0"), (b"cache-control", b"no-store")]
    if cookie:
        headers.append((b"set-cookie", cookie.encode()))
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": b""})
