"""A fitter's phone let in for aiming in one visit, by a short-lived code that is shown at the desk.

Codes and sessions live in the server's memory alone and end with it; what came of them is told to whoever issued the code
(:meth:`audit.logbook.Logbook.note_pairing`). A code is eight random digits, valid for 15 minutes and once; after five wrong
tries every open code is void, so that guessing one succeeds at most once in twenty million codes.
"""

from __future__ import annotations

import hashlib
import secrets
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from threading import RLock
from typing import Literal

from audit.people import typed_name

__all__ = ["COOKIE", "PAIRINGS", "Code", "Host", "Paired", "Pairings"]

COOKIE = "photo_audit_phone"
CODE_S = 15 * 60.0
#: As long as a sign-in at most (ui.gate.Limits).
SESSION_S = 12 * 3600.0
_DIGITS = 8
_WRONG_TRIES = 5
_MOST_CODES, _MOST_PHONES = 20, 50
#: So long a visit counts as unsigned without asking again.
_ASKED_S = 2.0

Event = Literal["issued", "joined", "void", "revoked"]


@dataclass(frozen=True, slots=True)
class Host:
    """Who issues a code, and for what.

    Attributes
    ----------
    visit : int
        The visit that the phone is let into.
    kind, on : str
        Kind and day of it.
    by : str
        As records name them.
    claims : mapping
        Of the ID token with which they signed in: the phone is out when they are.
    lasts : callable
        Whether the visit is still unsigned.
    note : callable
        Is told the pairing, what came of it, by whom, and the phone's name; raises where that can't be kept.
    """

    visit: int
    kind: str
    on: str
    by: str
    claims: Mapping[str, object]
    lasts: Callable[[], bool]
    note: Callable[[str, Event, str, str | None], None]


@dataclass(frozen=True, slots=True)
class Code:
    """A code that is open: shown at the desk, redeemed once."""

    key: str
    digits: str = field(repr=False)
    host: Host = field(repr=False)
    until: float


@dataclass(slots=True)
class Paired:
    """A phone that was let in."""

    key: str
    host: Host = field(repr=False)
    name: str
    until: float
    asked: float = 0.0


class Pairings:
    """The open codes and the phones that were let in.

    Parameters
    ----------
    clock : callable
        Seconds that only grow.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._codes: dict[str, Code] = {}
        self._phones: dict[str, Paired] = {}
        self._wrong = 0
        self._lock = RLock()

    def issue(self, host: Host) -> Code | None:
        """A fresh code; the host's earlier ones are void. None where too many are open."""
        with self._lock:
            self._forget()
            for code in [c for c in self._codes.values() if c.host.by == host.by]:
                del self._codes[code.key]
            if len(self._codes) >= _MOST_CODES or len(self._phones) >= _MOST_PHONES:
                return None
            if not self._codes:
                self._wrong = 0
            code = Code(secrets.token_hex(8), f"{secrets.randbelow(10**_DIGITS):0{_DIGITS}}", host, self._clock() + CODE_S)
            host.note(code.key, "issued", host.by, None)
            self._codes[code.key] = code
            return code

    def redeem(self, digits: str, name: str) -> tuple[str, Paired] | None:
        """The session's token for a right code, once; None for a wrong one, a void one, and for a phone without a name."""
        given, called = "".join(c for c in digits if c.isascii() and c.isdigit()), typed_name(name)
        with self._lock:
            self._forget()
            if not called:
                return None
            code = next((c for c in self._codes.values() if secrets.compare_digest(c.digits, given)), None)
            if code is None:
                self._count_wrong()
                return None
            del self._codes[code.key]
            if not code.host.lasts():
                return None
            code.host.note(code.key, "joined", code.host.by, called)
            token = secrets.token_urlsafe(32)
            phone = Paired(code.key, code.host, called, self._clock() + SESSION_S, self._clock())
            self._phones[_hashed(token)] = phone
            return token, phone

    def find(self, token: str) -> Paired | None:
        """The phone whose session this is, while it lasts: until it is turned away, the visit is signed, or twelve hours."""
        with self._lock:
            phone = self._phones.get(_hashed(token))
            if phone is None:
                return None
            now = self._clock()
            if now - phone.asked > _ASKED_S:
                phone.asked = now
                if now > phone.until or not phone.host.lasts():
                    del self._phones[_hashed(token)]
                    return None
            return phone

    def revoke(self, key: str, by: str) -> None:
        """Turn a phone away, at once; an open code of that key is void."""
        with self._lock:
            gone = [token for token, phone in self._phones.items() if phone.key == key]
            code = self._codes.pop(key, None)
            hosts = [self._phones.pop(token).host for token in gone] + ([] if code is None else [code.host])
            for host in hosts[:1]:
                host.note(key, "revoked", by, None)

    def open_code(self, by: str) -> Code | None:
        """The code of somebody's that is open."""
        with self._lock:
            self._forget()
            return next((c for c in self._codes.values() if c.host.by == by), None)

    def phones(self) -> tuple[Paired, ...]:
        """The phones that are let in, by name."""
        with self._lock:
            self._forget()
            return tuple(sorted(self._phones.values(), key=lambda phone: phone.name))

    def left_s(self, code: Code) -> float:
        """How long a code is still valid."""
        return max(0.0, code.until - self._clock())

    def _count_wrong(self) -> None:
        self._wrong += 1
        if self._wrong >= _WRONG_TRIES:
            for code in self._codes.values():
                code.host.note(code.key, "void", code.host.by, None)
            self._codes.clear()
            self._wrong = 0

    def _forget(self) -> None:
        now = self._clock()
        self._codes = {key: code for key, code in self._codes.items() if code.until > now and code.host.lasts()}
        self._phones = {token: phone for token, phone in self._phones.items() if phone.until > now and phone.host.lasts()}


def _hashed(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()


#: Those of this server.
PAIRINGS = Pairings()
