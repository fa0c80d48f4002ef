"""One writer at a time, across processes and machines.

A folder is locked by the operating system's file lock, a PostgreSQL database by an advisory lock on a connection of
its own. Both end with the process that holds them, however it ends, so that a killed run never blocks the next.
"""

from __future__ import annotations

import json
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path

import sqlalchemy as sa
from filelock import FileLock, Timeout

from audit.errors import LogbookError
from audit.logbook.database import Database

__all__ = ["one_writer", "present_writer"]

_KEY = 5_120_731_889_004_217_301  # the advisory lock's key; one logbook a database


@contextmanager
def one_writer(database: Database, now: datetime) -> Iterator[None]:
    """Holds the logbook for writing.

    Raises
    ------
    LogbookError
        At once, if another process holds it; the sentence says which.
    """
    if database.folder is not None:
        with _folder_lock(database.folder, database.shown, now):
            yield
    else:
        with _server_lock(database):
            yield


def present_writer(database: Database) -> str | None:
    """Who holds the logbook for writing now, as a sentence without its full stop; None where nobody does."""
    if database.folder is not None:
        note = database.folder / "writer.json"
        return _holder(note) if _alive(note) else None
    # A 64-bit advisory lock is listed in two halves (PostgreSQL manual, 53.13 pg_locks).
    query = sa.text("SELECT 1 FROM pg_locks WHERE locktype = 'advisory' AND classid = :high AND objid = :low")
    with database.errors(), database.engine.connect() as connection:
        held = connection.execute(query, {"high": _KEY >> 32, "low": _KEY & 0xFFFFFFFF}).first()
    return None if held is None else "another program is writing this logbook"


def _alive(note: Path) -> bool:
    """Whether the process that left the note still runs; on another machine it is believed."""
    try:
        record = json.loads(note.read_text())
        if record["host"] != socket.gethostname():
            return True
        os.kill(int(record["process"]), 0)
    except PermissionError:
        return True
    except (OSError, ValueError, KeyError, TypeError):
        return False
    return True


@contextmanager
def _folder_lock(folder: Path, shown: str, now: datetime) -> Iterator[None]:
    note = folder / "writer.json"
    lock = FileLock(folder / "writer.lock", timeout=0, thread_local=False)
    try:
        lock.acquire()
    except Timeout as error:
        raise LogbookError(f"{shown}: {_holder(note)}; wait until it is done, or stop it, and try again.") from error
    except OSError as error:
        raise LogbookError(
            f"{shown}: the logbook is read-only here ({error.strerror or error}); make the folder writable or copy it."
        ) from error
    try:
        with suppress(OSError):
            note.write_text(
                json.dumps({"process": os.getpid(), "host": socket.gethostname(), "since": now.isoformat()})
            )
        yield
    finally:
        with suppress(OSError):
            note.unlink()
        lock.release()


@contextmanager
def _server_lock(database: Database) -> Iterator[None]:
    with database.errors():
        connection = database.engine.connect().execution_options(isolation_level="AUTOCOMMIT")
    try:
        with database.errors():
            if not connection.execute(sa.select(sa.func.pg_try_advisory_lock(_KEY))).scalar():
                raise LogbookError(
                    f"{database.shown}: another program is writing this logbook; wait until it is done, or stop it, "
                    f"and try again."
                )
        yield
    finally:
        with suppress(sa.exc.SQLAlchemyError):
            connection.execute(sa.select(sa.func.pg_advisory_unlock(_KEY)))
        connection.close()


def _holder(note: Path) -> str:
    try:
        record = json.loads(note.read_text())
        return (
            f"process {int(record['process'])} on {record['host']} has been writing this logbook since "
            f"{record['since']}"
        )
    except (OSError, ValueError, KeyError, TypeError):
        return "another program is writing this logbook"
