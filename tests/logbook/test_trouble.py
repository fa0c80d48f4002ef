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
from audit.judge.limits import load_limits
from audit.logbook import Logbook
from audit.logbook.database import SQLITE_NAME, Database, _sqlite_engine
from audit.logbook.images import ImageStore
from tests.logbook_samples import DAY, start


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


def test_every_commit_lies_on_the_disk_and_reading_changes_nothing(tmp_path: Path) -> None:
    """Outside: sqlite.org/pragma.html, synchronous = FULL (2) with the write-ahead log is durable at power loss."""
    asked = ("journal_mode", "synchronous", "foreign_keys", "trusted_schema")
    start(str(tmp_path / "book")).close()
    for read_only, told in ((False, ["wal", 2, 1, 0]), (True, [None, None, 1, 0])):
        database = Database(str(tmp_path / "book"))
        if read_only:
            database.engine = _sqlite_engine(tmp_path / "book" / SQLITE_NAME, read_only=True)
        before = {path.name: path.read_bytes() for path in (tmp_path / "book").iterdir() if path.is_file()}
        with database.engine.connect() as connection:
            found = [connection.exec_driver_sql(f"PRAGMA {name}").scalar() for name in asked]
            if read_only:
                with pytest.raises(sa.exc.OperationalError, match="readonly"):
                    connection.exec_driver_sql("CREATE TABLE own (id INTEGER)")
        database.close()
        assert [value for value, want in zip(found, told, strict=True) if want is not None] == [want for want in told if want is not None]
        assert {path.name: path.read_bytes() for path in (tmp_path / "book").iterdir() if path.is_file()} == before


def test_a_visit_keeps_the_limits_that_it_was_given(tmp_path: Path) -> None:
    book = start(str(tmp_path / "book"))
    visit = book.open_visit("commissioning", DAY)
    assert book.limits(visit) == load_limits()
    (tmp_path / "own.toml").write_text("defect_at_least = 0.9\n[aim]\npitch_tolerance_deg = 2\n[clock]\noffset_s = 1e4\n")
    own = load_limits(tmp_path / "own.toml")
    book.put_limits(visit, own)
    book.close()
    with Logbook.open(tmp_path / "book") as again:
        assert again.limits(visit) == own != load_limits()
        assert again.limits(again.open_visit("maintenance", DAY)) == load_limits(), "the next visit starts with the program's own"
