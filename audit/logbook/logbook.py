"""The logbook: everything that is kept about one site."""

from __future__ import annotations

import os
import uuid
from contextlib import nullcontext, suppress
from pathlib import Path
from types import TracebackType

import sqlalchemy as sa

from audit import __version__
from audit.errors import LogbookError
from audit.logbook import tables
from audit.logbook.archive import read_archive, write_archive
from audit.logbook.database import SQLITE_NAME, Database, file_sentence, is_url
from audit.logbook.drawings import Drawings
from audit.logbook.evidence import Evidence
from audit.logbook.images import ImageStore
from audit.logbook.locks import one_writer
from audit.logbook.pairings import PairingNotes
from audit.logbook.placements import Placements
from audit.logbook.points import Points
from audit.logbook.results import Results
from audit.logbook.signoff import Signoff
from audit.logbook.store import Clock, Counting, uncounted, utc_now
from audit.logbook.token_key import in_token
from audit.logbook.watch import Watch
from audit.plan.model import Site

__all__ = ["Logbook"]

_IMAGES_IN_FOLDER = "."


class Logbook(Results, Placements, Evidence, Points, Drawings, PairingNotes, Signoff, Watch):
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
        database, images_url = _empty_place(os.fspath(address), images)
        book = cls(database, ImageStore(_images_address(database, images_url)), clock)
        with database.writing() as connection:
            database.lay_out(connection)
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
        try:
            return cls(database, ImageStore(_images_address(database, _looked_at(database, clock, images))), clock)
        except BaseException:
            database.close()
            raise

    def export(self, path: str | os.PathLike[str], progress: Counting = uncounted) -> None:
        """Writes the whole logbook, without its private key, as one checked archive.

        Parameters
        ----------
        progress : callable
            Called with images packed and images in all.

        Raises
        ------
        LogbookError
            If an image is missing or changed, or the disk is full.
        """
        with one_writer(self.database, self.clock()) if not self.database.read_only else nullcontext():
            write_archive(self.database, self.images, Path(path), progress)

    @classmethod
    def import_(
        cls,
        path: str | os.PathLike[str],
        address: str | os.PathLike[str],
        images: str | None = None,
        clock: Clock = utc_now,
    ) -> Logbook:
        """Makes a logbook from an archive, at another address and on another database if wanted.

        Raises
        ------
        LogbookError
            If the archive is damaged or there is a logbook at the address already.
        """
        was_there = _there(os.fspath(address))
        database, images_url = _empty_place(os.fspath(address), images)
        store = ImageStore(_images_address(database, images_url))
        try:
            read_archive(Path(path), database, store, images_url)
        except BaseException:
            database.close()
            _take_back(database, was_there)
            raise
        return cls(database, store, clock)

    @property
    def address(self) -> str:
        """Folder or database address, without a password."""
        return self.database.shown

    def identity(self) -> str:
        """What tells this logbook from every other one; it goes with it wherever it is moved."""
        with self.database.reading() as connection:
            return self._uuid(connection)

    def package_language(self) -> str | None:
        """The language that packages are written in, unless another is asked for; None where none was set."""
        with self.database.reading() as connection:
            return connection.execute(sa.select(tables.logbook.c.package_language)).scalar()

    def set_package_language(self, language: str | None) -> None:
        """Keep the language that packages are written in; None: no longer."""
        with self.database.writing() as connection:
            connection.execute(tables.logbook.update().values(package_language=language))

    def own_places(self) -> tuple[Path, ...]:
        """Folders of this machine in which the logbook keeps what is never handed over as it is, and the key."""
        places = (self.database.folder, self.images.folder, self.key_place())
        return tuple(place for place in places if place is not None and not in_token(place))

    def close(self) -> None:
        """Gives the database's connections back."""
        self.database.close()

    def __enter__(self) -> Logbook:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _looked_at(database: Database, clock: Clock, images: str | None) -> str:
    """Where the images lie of a logbook that is there and, from then on, up to date."""
    if database.folder is not None and not (database.folder / SQLITE_NAME).is_file():
        raise LogbookError(
            f"{database.shown}: there is no logbook here; start one with 'photo-audit start {database.shown} --plan PLAN'."
        )
    if database.needs_migration():
        with one_writer(database, clock()):
            if database.needs_migration():
                database.migrate(clock())
    with database.reading() as connection:
        images_url = images or connection.execute(sa.select(tables.logbook.c.images_url)).scalar()
    if not isinstance(images_url, str):
        raise LogbookError(f"{database.shown}: the logbook is empty; restore it from a backup.")
    return images_url


def _empty_place(address: str, images: str | None) -> tuple[Database, str]:
    """A database without a logbook in it, and the image store's address as it will be noted."""
    if is_url(address) and images is None:
        raise LogbookError("a logbook in a database needs a place for its images; give a folder or s3://bucket/prefix.")
    _make_folder(address)
    database = Database(address)
    if database.exists():
        raise LogbookError(f"{database.shown}: there is a logbook already; open it, or give another address.")
    return database, images or _IMAGES_IN_FOLDER


def _there(address: str) -> frozenset[str] | None:
    """Names in a folder before a logbook is made there; None where there is none."""
    return frozenset(os.listdir(address)) if not is_url(address) and os.path.isdir(address) else None


def _take_back(database: Database, was_there: frozenset[str] | None) -> None:
    """Leave no file behind of a logbook that didn't come to be; what was there before stays."""
    if database.folder is None:
        return
    with suppress(OSError):
        for name in (SQLITE_NAME, f"{SQLITE_NAME}-wal", f"{SQLITE_NAME}-shm"):
            if name not in (was_there or ()):
                (database.folder / name).unlink(missing_ok=True)
        for place, _, _ in os.walk(database.folder, topdown=False):
            ours = Path(place).relative_to(database.folder).parts[:1]
            if was_there is None or (ours and ours[0] not in was_there):
                with suppress(OSError):  # a folder in which something lies stays
                    os.rmdir(place)


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
