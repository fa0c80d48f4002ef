"""Every camera of a plan, some at once: what came is in the folder at once, and what did not has a reason."""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from audit.collect.addresses import Address
from audit.collect.credentials import Keys
from audit.collect.fetch import Fetched, fetch
from audit.collect.journal import Entry, Journal
from audit.collect.names import picture_name
from audit.collect.pins import Pins
from audit.collect.refusal import NoPicture
from audit.errors import AuditError

__all__ = ["AT_ONCE", "Round", "collect", "folder_of", "kept"]

#: Cameras asked at once.
AT_ONCE = 32
#: Silent cameras are asked once more; a password that was not taken is never tried again in the same run.
_TRIES = 2
_AGAIN = ("no answer", "timeout")
#: A password that a camera has not taken this often in a visit is not tried again: accounts lock (our default).
_WRONG_PASSWORDS = 2


@dataclass(frozen=True, slots=True)
class Round:
    """What every fetch of one round is given.

    Attributes
    ----------
    light : str
        ``day`` or ``night``.
    shot : str
        ``snapshot``, or ``turned`` for one that is taken while the camera is turned.
    since : datetime or None
        Pictures from then on count as fetched; None: any of this visit.
    clock : callable
        The present moment.
    """

    journal: Journal
    keys: Keys
    pins: Pins
    light: str
    timeout_s: float = 5.0
    since: datetime | None = None
    again: bool = False
    shot: str = "snapshot"
    clock: Callable[[], datetime] = lambda: datetime.now(UTC)


def collect(
    this: Round,
    found: Mapping[str, Address],
    at_once: int = AT_ONCE,
    stop: Callable[[], bool] = lambda: False,
) -> Iterator[Entry]:
    """Fetch each camera's picture; yields an entry a camera as it is done, also where it was fetched before.

    Raises
    ------
    AuditError
        Where the disk takes no more; what was fetched stays.
    """
    there = {} if this.again else this.journal.fetched(this.light, this.since)
    yield from (there[camera] for camera in found if camera in there)
    waiting = iter([address for camera, address in found.items() if camera not in there])
    full = threading.Event()
    with ThreadPoolExecutor(max_workers=at_once) as pool:
        running: set[Future[Entry]] = set()
        while not full.is_set():
            while len(running) < at_once and not stop() and (address := next(waiting, None)) is not None:
                running.add(pool.submit(_one, this, address, full))
            if not running:
                return
            done, running = wait(running, return_when=FIRST_COMPLETED)
            for future in done:
                yield future.result()
    raise AuditError(f"{this.journal.folder}: no room left on the disk; make room and run it again, it goes on.")


def _one(this: Round, address: Address, full: threading.Event) -> Entry:
    camera = address.camera
    entry = Entry(camera, this.clock(), this.light, shot=this.shot)
    if not this.again and this.journal.wrong_passwords(camera) >= _WRONG_PASSWORDS:
        text = f"{camera} ({address.place}): did not take the password twice; correct it, then run again with --again."
        return replace(entry, reason="wrong password", message=text)
    try:
        entry = kept(this, entry, _fetched(this, address))
    except NoPicture as refusal:
        entry = replace(entry, reason=refusal.reason, message=refusal.message, facts=refusal.facts)
    except OSError as error:
        full.set()
        return replace(entry, reason="no answer", message=f"{camera}: could not be kept ({error.strerror}).")
    this.journal.add(entry)
    return entry


def _fetched(this: Round, address: Address) -> Fetched:
    credentials = this.keys(address)
    for left in reversed(range(_TRIES)):
        try:
            return fetch(address, credentials, this.pins, this.timeout_s)
        except NoPicture as refusal:
            if refusal.reason not in _AGAIN or not left:
                raise
    raise AssertionError("every try returns or raises")


def kept(this: Round, entry: Entry, fetched: Fetched) -> Entry:
    """Write the picture whole, or not at all."""
    name = picture_name(entry.camera, entry.at, entry.light, fetched.ending, entry.shot)
    place = this.journal.folder / name
    part = place.with_name(f".{name}.part")
    try:
        part.write_bytes(fetched.picture)
        part.replace(place)
    except OSError:
        part.unlink(missing_ok=True)
        raise
    return replace(entry, file=name, sha256=hashlib.sha256(fetched.picture).hexdigest(), facts=fetched.facts)


def folder_of(incoming: Path, kind: str, on: str) -> Path:
    """Where a visit's collected pictures lie, beside the inbox of dropped ones."""
    return incoming.parent / f"collected-{kind}-{on}"
