"""The logbook: everything that is kept about one site."""

from __future__ import annotations

import os
import uuid
from pathlib import Path
from types import TracebackType

import sqlalchemy as sa

from audit import __version__
from audit.errors import LogbookError
from audit.logbook import tables
from audit.logbook.database import SQLITE_NAME, Database, file_sentence, is_url
from audit.logbook.images import ImageStore
from audit.logbook.locks import one_writer
from audit.logbook.results import Results
from audit.logbook.signoff import Signoff
from audit.logbook.store import Clock, utc_now
from audit.plan.model import Site

__all__ = ["Logbook"]

_IMAGES_IN_FOLDER = "."


class Logbook(Results, Signoff):
    """One site's plan, visits, photos, measurements, findings, decisions and signatures.

    Made by :meth:`create` and :meth:`open`. Methods may be called from several threads and processes; each is one
    transaction. A run over a whole visit holds :meth:`writing`.
    """

    @classmethod
    def create(
        cls,
        address: str | os.PathLike[str],
        site: Site,
        plan_name: str,
        plan_bytes: bytes,
        images: str | None = None,
        clock: Clock = utc_now,
    ) -> Logbook:
        """Starts a logbook.

        Parameters
        ----------
        address : str
            Folder that is made where it is missing, or ``postgresql+psycopg://user@host/name``.
        images : str or None
            Image store's URL; needed for a database address, by default in the folder otherwise.

        Raises
        ------
        LogbookError
            If there is one already, the place can't be written, or an image store is missing.
        """
        address = os.fspath(address)
        if is_url(address) and images is None:
            raise LogbookError(
                "a logbook in a database needs a place for its images; give a folder or s3://bucket/prefix."
            )
        _make_folder(address)
        database = Database(address)
        if database.exists():
            raise LogbookError(f"{database.shown}: there is a logbook already; open it, or give another address.")
        images_url = images or _IMAGES_IN_FOLDER
        book = cls(database, ImageStore(_images_address(database, images_url)), clock)
        database.lay_out()
        with database.writing() as connection:
            if connection.execute(sa.select(tables.logbook.c.id)).first() is not None:
                raise LogbookError(f"{database.shown}: somebody else has just started this logbook; open it.")
            connection.execute(
                tables.logbook.insert().values(
                    id=1,
                    uuid=str(uuid.uuid4()),
                    created_at=clock(),
                    program_version=__version__,
                    images_url=images_url,
                )
            )
            book._add_plan(connection, site, plan_name, plan_bytes, None)
        return book

    @classmethod
    def exists(cls, address: str | os.PathLike[str]) -> bool:
        """Whether there is a logbook at an address."""
        address = os.fspath(address)
        if not is_url(address) and not (Path(address) / SQLITE_NAME).is_file():
            return False
        database = Database(address)
        try:
            return database.exists()
        finally:
            database.close()

    @classmethod
    def open(cls, address: str | os.PathLike[str], images: str | None = None, clock: Clock = utc_now) -> Logbook:
        """Opens a logbook; an older schema is brought up to date after keeping a copy.

        Raises
        ------
        LogbookError
            If it is missing, no logbook, newer than the program, or does not answer.
        """
        address = os.fspath(address)
        database = Database(address)
        if database.folder is not None and not (database.folder / SQLITE_NAME).is_file():
            raise LogbookError(
                f"{database.shown}: there is no logbook here; start one with 'photo-audit start {address} --plan PLAN'."
            )
        if database.needs_migration():
            with one_writer(database, clock()):
                if database.needs_migration():
                    database.migrate(clock())
        with database.reading() as connection:
            images_url = images or connection.execute(sa.select(tables.logbook.c.images_url)).scalar()
        if images_url is None:
            raise LogbookError(f"{database.shown}: the logbook was never finished; start it again elsewhere.")
        return cls(database, ImageStore(_images_address(database, images_url)), clock)

    @property
    def address(self) -> str:
        """Folder or database address, without a password."""
        return self.database.shown

    def close(self) -> None:
        """Gives the database's connections back."""
        self.database.close()

    def __enter__(self) -> Logbook:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _make_folder(address: str) -> None:
    if is_url(address):
        return
    try:
        Path(address).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise LogbookError(file_sentence(address, error)) from error


def _images_address(database: Database, url: str) -> str:
    if url == _IMAGES_IN_FOLDER and database.folder is not None:
        return str(database.folder)
    return url
