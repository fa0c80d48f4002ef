"""The connection to SQLite or PostgreSQL: opened, checked, migrated, and its errors in words."""

from __future__ import annotations

import errno
import logging
import os
import shutil
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import datetime
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy import Connection, Engine, event
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError

from audit.errors import LogbookError
from audit.extras import how_to_get
from audit.logbook.tables import SCHEMA, metadata
from audit.visible import without_password

__all__ = ["SQLITE_NAME", "Database", "is_url", "known_schema"]

SQLITE_NAME = "logbook.sqlite"
_BUSY_SECONDS = 20.0
_IO_ERROR = "disk i/o error"
_LITTLE_SPACE = 4 << 20
_FIRST_LOCK = 7_046_029_254_386_353_131  # key of the advisory lock while a PostgreSQL logbook is laid out

log = logging.getLogger(__name__)


def is_url(address: str) -> bool:
    """Whether an address is a database's, not a folder's."""
    return "://" in address


class Database:
    """One database with the logbook's tables.

    Parameters
    ----------
    address : str
        Folder (the file ``logbook.sqlite`` in it) or SQLAlchemy URL of PostgreSQL.
    """

    def __init__(self, address: str) -> None:
        self.address = address
        self.folder: Path | None = None
        self._views = threading.local()
        if is_url(address):
            self.url = _server_url(address)
            self.shown = without_password(self.url.render_as_string(hide_password=True))
            self.read_only = False
            self.engine = sa.create_engine(self.url, pool_pre_ping=True, isolation_level="READ COMMITTED")
        else:
            self.folder = Path(address)
            self.shown = str(self.folder)
            self.url = URL.create("sqlite", database=str(self.folder / SQLITE_NAME))
            self.read_only = self.folder.exists() and not _writable(self.folder)
            self.engine = _sqlite_engine(self.folder / SQLITE_NAME, self.read_only)

    @property
    def is_sqlite(self) -> bool:
        """True for a folder's database."""
        return self.folder is not None

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A consistent view of the tables; inside :meth:`one_view`, the one that is open."""
        open_view: Connection | None = getattr(self._views, "open", None)
        if open_view is not None:
            with self.errors():
                yield open_view
        else:
            with self.errors(), self.engine.connect() as connection:
                yield connection

    @contextmanager
    def one_view(self) -> Iterator[None]:
        """Every read of this thread meanwhile is one transaction: many reads that belong together."""
        if getattr(self._views, "open", None) is not None:
            yield
            return
        with self.reading() as connection:
            self._views.open = connection
            try:
                yield
            finally:
                self._views.open = None

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """One transaction: all of it is kept, or nothing."""
        if self.read_only:
            raise LogbookError(
                f"{self.shown}: the logbook is read-only here; make the folder writable or copy it elsewhere."
            )
        with (
            self.errors(),
            self.engine.connect().execution_options(write=True) as connection,
            connection.begin(),
        ):
            yield connection

    @contextmanager
    def errors(self) -> Iterator[None]:
        """Turns what a database raises into one sentence."""
        try:
            yield
        except SQLAlchemyError as error:
            raise LogbookError(self._sentence(error)) from error
        except OSError as error:
            raise LogbookError(file_sentence(self.shown, error)) from error

    def exists(self) -> bool:
        """Whether the tables are there."""
        if self.folder is not None and not (self.folder / SQLITE_NAME).is_file():
            return False
        with self.errors(), self.engine.connect() as connection:
            return sa.inspect(connection).has_table("alembic_version")

    def lay_out(self, connection: Connection, schema: str = SCHEMA) -> None:
        """Makes the tables in an empty database, within a transaction of the caller.

        Parameters
        ----------
        schema : str
            An older one for rows that are still to be brought up to date, see :meth:`bring_up_to_date`.

        Raises
        ------
        LogbookError
            If there is a logbook already.
        """
        if not self.is_sqlite:
            connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_FIRST_LOCK)))
        if sa.inspect(connection).has_table("alembic_version"):
            raise LogbookError(f"{self.shown}: there is a logbook already; open it, or give another address.")
        _upgrade(connection, schema)

    def bring_up_to_date(self, connection: Connection) -> None:
        """Takes the steps from an older schema to this program's, within a transaction of the caller."""
        _upgrade(connection)

    def schema(self) -> str:
        """The schema's revision.

        Raises
        ------
        LogbookError
            If this is no logbook.
        """
        with self.reading() as connection:
            inspector = sa.inspect(connection)
            if not (inspector.has_table("alembic_version") and inspector.has_table("logbook")):
                raise LogbookError(
                    f"{self.shown}: this is not a logbook; give the folder that 'photo-audit start' made."
                )
            if self.is_sqlite:
                _refuse_code(connection, self.shown)
            found = connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar()
        return str(found)

    def needs_migration(self) -> bool:
        """True for an older schema.

        Raises
        ------
        LogbookError
            If the schema is newer than the program, or none of its own.
        """
        found = self.schema()
        if found == SCHEMA:
            return False
        if not known_schema(found):
            raise LogbookError(
                f"{self.shown}: the logbook was written by a newer photo-audit (schema {found}, this program reads "
                f"{SCHEMA}); update the program."
            )
        return True

    def migrate(self, now: datetime) -> str:
        """Brings an older schema up to date after keeping a copy; gives the copy's name."""
        found = self.schema()
        stamp = now.strftime("%Y%m%dT%H%M%SZ")
        if self.folder is not None:
            backup = self.folder / f"logbook.before-{found}-{stamp}.sqlite"
            with self.errors():
                _copy_sqlite(self.folder / SQLITE_NAME, backup)
            with self.writing() as connection:
                _upgrade(connection)
            name = str(backup)
        else:
            name = f"before_{found}_{stamp.lower()}"
            with self.writing() as connection:
                _copy_schema(connection, name)
                _upgrade(connection)
        log.info("schema migrated", extra={"from_schema": found, "to_schema": SCHEMA, "backup": name})
        return name

    def close(self) -> None:
        """Gives connections back."""
        self.engine.dispose()

    def _sentence(self, error: SQLAlchemyError) -> str:
        cause = str(error.orig if isinstance(error, DBAPIError) else error).strip().splitlines()
        text = cause[0] if cause else type(error).__name__
        low = text.lower()
        if "disk is full" in low or "no space left" in low or "disk full" in low or self._full(low):
            return f"{self.shown}: the disk is full; free some space and run the same command again, nothing is lost."
        if _IO_ERROR in low:
            return f"{self.shown}: the disk failed ({text}); check it, and restore the logbook from a backup where it is damaged."
        if "readonly" in low or "read-only" in low:
            return f"{self.shown}: the logbook is read-only here; make the folder writable or copy it elsewhere."
        if "database is locked" in low or "lock timeout" in low:
            return f"{self.shown}: the logbook is busy with another program; try again in a moment."
        if "not a database" in low or "malformed" in low:
            return (
                f"{self.shown}: the logbook's database is damaged or is none; restore it from a backup "
                f"('photo-audit import')."
            )
        if self._left_open_and_read_only():
            return (
                f"{self.shown}: the logbook was not closed and is read-only here; copy it to a folder that can be "
                f"written and open it there."
            )
        if "unable to open" in low:
            return f"{self.shown}: the logbook's database can't be opened; check that the folder exists and is yours."
        if "no such table" in low or "does not exist" in low and "relation" in low:
            return f"{self.shown}: this is not a logbook; give the folder or the address that 'photo-audit start' made."
        if isinstance(error, DBAPIError) and (error.connection_invalidated or "connection" in low):
            return f"{self.shown}: the database doesn't answer ({text}); start it or check the address, then try again."
        return f"{self.shown}: the database refused ({text})."

    def _full(self, low: str) -> bool:
        """SQLite says no more than that writing failed where its log can't grow on a full disk."""
        if _IO_ERROR not in low or self.folder is None:
            return False
        try:
            return shutil.disk_usage(self.folder).free < _LITTLE_SPACE
        except OSError:
            return False

    def _left_open_and_read_only(self) -> bool:
        return self.folder is not None and self.read_only and _pending(self.folder / SQLITE_NAME)


def file_sentence(shown: str, error: OSError) -> str:
    """A file system's error in one sentence that says what to do."""
    if error.errno == errno.ENOSPC:
        return f"{shown}: the disk is full; free some space and run the same command again, nothing is lost."
    if error.errno in (errno.EROFS, errno.EACCES, errno.EPERM):
        return f"{shown}: the logbook is read-only here; make the folder writable or copy it elsewhere."
    return f"{shown}: can't be read or written ({error.strerror or error}); check the disk and try again."


def _server_url(address: str) -> URL:
    try:
        url = make_url(address)
    except ArgumentError as error:
        raise LogbookError(
            f"'{without_password(address)}' is no database address; write it as postgresql+psycopg://user@host/name."
        ) from error
    if url.drivername in ("postgresql", "postgres"):
        url = url.set(drivername="postgresql+psycopg")
    if url.drivername != "postgresql+psycopg":
        raise LogbookError(
            f"a logbook lives in a folder or in PostgreSQL, not in '{url.drivername}'; "
            f"write a folder or postgresql+psycopg://user@host/name."
        )
    try:
        url.get_dialect().import_dbapi()
    except (ImportError, NoSuchModuleError) as error:
        raise LogbookError(
            f"the PostgreSQL driver is missing or can't be loaded; install it with: {how_to_get('postgres')}."
        ) from error
    return url


def _writable(folder: Path) -> bool:
    try:
        status = os.statvfs(folder)
    except OSError:
        return True
    return not status.f_flag & os.ST_RDONLY and os.access(folder, os.W_OK | os.X_OK)


def _sqlite_engine(file: Path, read_only: bool) -> Engine:
    if read_only:
        mode = "mode=ro" if _pending(file) else "mode=ro&immutable=1"
    else:
        mode = "mode=rwc"
    engine = sa.create_engine(
        "sqlite+pysqlite://",
        creator=lambda: sqlite3.connect(
            f"{file.absolute().as_uri()}?{mode}", uri=True, timeout=_BUSY_SECONDS, check_same_thread=False
        ),
        poolclass=sa.pool.QueuePool,
    )

    @event.listens_for(engine, "connect")
    def _settings(connection: sqlite3.Connection, _record: object) -> None:
        connection.isolation_level = None  # transactions are begun below, not by the driver
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA trusted_schema = OFF")
        if not read_only:
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA cache_size = -32768")  # 32 MiB: the upper levels of large indexes stay at hand

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        write = connection.get_execution_options().get("write", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")

    return engine


def _refuse_code(connection: Connection, shown: str) -> None:
    """A database file from elsewhere may bring code along that runs when the program reads or writes."""
    query = sa.text("SELECT name FROM sqlite_master WHERE type NOT IN ('table', 'index') OR sql LIKE 'CREATE VIRTUAL%'")
    if connection.execute(query).first() is not None:
        raise LogbookError(
            f"{shown}: the logbook's database holds code that no logbook writes; restore it from a backup."
        )


def _pending(file: Path) -> bool:
    """Whether commits lie beside the file in a log that was not folded in."""
    log_file = file.with_name(file.name + "-wal")
    return log_file.exists() and log_file.stat().st_size > 0


def _copy_sqlite(source: Path, target: Path) -> None:
    with (
        closing(sqlite3.connect(f"{source.absolute().as_uri()}?mode=ro", uri=True)) as old,
        closing(sqlite3.connect(target)) as new,
    ):
        old.backup(new)
    with target.open("rb") as file:
        os.fsync(file.fileno())


def _copy_schema(connection: Connection, name: str) -> None:
    quote = connection.dialect.identifier_preparer.quote
    present = sa.inspect(connection).get_table_names()
    connection.execute(sa.schema.CreateSchema(name))
    for table in present:
        connection.exec_driver_sql(f"CREATE TABLE {quote(name)}.{quote(table)} AS TABLE {quote(table)}")


def _config() -> object:
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", "audit.logbook:migrations")
    return config


def known_schema(revision: str) -> bool:
    """Whether a schema is this program's or an older one that it can bring up to date."""
    from alembic.script import ScriptDirectory

    directory = ScriptDirectory.from_config(_config())  # type: ignore[arg-type]
    return any(step.revision == revision for step in directory.walk_revisions())


def _upgrade(connection: Connection, schema: str = SCHEMA) -> None:
    from alembic import command

    config = _config()
    config.attributes["connection"] = connection  # type: ignore[attr-defined]
    command.upgrade(config, schema)  # type: ignore[arg-type]
    missing = set(metadata.tables) - set(sa.inspect(connection).get_table_names())
    if missing and schema == SCHEMA:
        raise LogbookError(f"the schema's steps left out {', '.join(sorted(missing))}; this is a fault of the program.")
