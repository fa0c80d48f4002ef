"""What can go wrong below the logbook, in words; what lies on the disk before anybody is told that it is kept."""

from __future__ import annotations

import errno
import os
import sqlite3
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest
import sqlalchemy as sa

from audit.errors import LogbookError
from audit.logbook.database import Database
from audit.logbook.images import ImageStore


def sentence(database: Database, error: Exception) -> str:
    """What a person reads of an error below."""
    with pytest.raises(LogbookError) as caught, database.errors():
        raise error
    told = caught.value.message
    assert told.startswith(f"{database.shown}: ") and told.endswith(".") and "\n" not in told
    return told.removeprefix(f"{database.shown}: ")


# The texts are those of SQLite (sqlite.org/rescode.html) and of PostgreSQL's server and libpq, as they write them in English.
@pytest.mark.parametrize(
    ("text", "told", "do"),
    [
        ("database or disk is full", "the disk is full", "free some space"),
        ('could not extend file "base/1/2": No space left on device\nHINT:  Check free disk space.', "the disk is full", "free some space"),
        ("disk I/O error", "the disk failed", "restore the logbook from a backup"),
        ("attempt to write a readonly database", "read-only here", "make the folder writable"),
        ("cannot execute INSERT in a read-only transaction", "read-only here", "make the folder writable"),
        ("database is locked", "busy with another program", "try again"),
        ("canceling statement due to lock timeout", "busy with another program", "try again"),
        ("file is not a database", "damaged or is none", "restore it from a backup"),
        ("database disk image is malformed", "damaged or is none", "restore it from a backup"),
        ("unable to open database file", "can't be opened", "check that the folder exists"),
        ("no such table: visits", "this is not a logbook", "give the folder or the address"),
        ('relation "visits" does not exist\nLINE 1: SELECT 1', "this is not a logbook", "give the folder or the address"),
        ('connection to server at "127.0.0.1", port 9 failed: Connection refused', "doesn't answer", "start it or check the address"),
        ("division by zero", "the database refused (division by zero)", ""),
        ('role "ada" does not exist', 'the database refused (role "ada" does not exist)', ""),
    ],
)  # fmt: skip
def test_what_a_database_says_is_told_with_what_to_do(tmp_path: Path, text: str, told: str, do: str) -> None:
    said = sentence(Database(str(tmp_path)), sa.exc.OperationalError("SELECT 1", None, sqlite3.OperationalError(text)))
    assert told in said and do in said


@pytest.mark.parametrize(
    ("number", "told"),
    [
        (errno.ENOSPC, "the disk is full"), (errno.EROFS, "read-only here"), (errno.EACCES, "read-only here"),
        (errno.EPERM, "read-only here"), (errno.EIO, "can't be read or written"),
    ],
)  # fmt: skip
def test_what_a_file_system_says_is_told_with_what_to_do(tmp_path: Path, number: int, told: str) -> None:
    assert told in sentence(Database(str(tmp_path)), OSError(number, os.strerror(number)))


def test_a_folder_that_is_not_to_be_written_is_only_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Either the disk is mounted for reading, or the folder is another user's (root may always write, hence by hand)."""
    assert not Database(str(tmp_path)).read_only
    for disk, may in ((0, False), (os.ST_RDONLY, True), (os.ST_RDONLY, False)):
        with monkeypatch.context() as patch:
            patch.setattr(os, "statvfs", lambda _, flag=disk: SimpleNamespace(f_flag=flag))
            patch.setattr(os, "access", lambda *_, allowed=may: allowed)
            assert Database(str(tmp_path)).read_only, (disk, may)


def test_an_image_lies_on_the_disk_before_it_is_said_to_be_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its bytes before its name, its name in its folder, and each new folder in the one above (POSIX, fsync)."""
    done: list[tuple[str, Path]] = []

    def noted(word: str, call: Callable[..., object]) -> Callable[..., object]:
        def instead(*given: object) -> object:
            first = given[-1] if word == "named" else os.readlink(f"/proc/self/fd/{given[0]}")
            done.append((word, Path(str(first))))
            return call(*given)

        return instead

    monkeypatch.setattr(os, "fsync", noted("synced", os.fsync))
    monkeypatch.setattr(os, "replace", noted("named", os.replace))
    store = ImageStore(str(tmp_path / "store"))
    for data, folders in ((b"one", 3), (b"two", 3)):
        done.clear()
        path = Path(store.location(store.put(data)))
        at = done.index(("named", path))
        assert done[at - 1][0] == "synced" and done[at - 1][1].parent == path.parent
        assert [p for word, p in done[at + 1 :] if word == "synced"] == list(path.parents)[:folders]
