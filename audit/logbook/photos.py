"""Visits, their photos, and the files that were refused."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from pathlib import PurePosixPath
from typing import get_args

import sqlalchemy as sa
from sqlalchemy import Connection

from audit.errors import LogbookError
from audit.judge.limits import Limits, load_limits
from audit.logbook import tables
from audit.logbook.codec import clean_text, dump, load, sha256_hex
from audit.logbook.drawings import take_over
from audit.logbook.locks import one_writer
from audit.logbook.records import RefusalRecord, SeenFile, VisitKind, VisitRecord
from audit.logbook.store import Store, VisitRef, number_of, refuse_signed, visit_record
from audit.photos.photo import Photo

__all__ = ["Photos"]

log = logging.getLogger(__name__)


class Photos(Store):
    """Opens visits and takes photos in."""

    def visits(self) -> tuple[VisitRecord, ...]:
        """All visits in the order of their numbers."""
        query = sa.select(tables.visits).order_by(tables.visits.c.number)
        with self.database.reading() as connection:
            return tuple(visit_record(row) for row in connection.execute(query))

    def visit(self, number: int | None = None) -> VisitRecord:
        """One visit; the latest without a number.

        Raises
        ------
        LogbookError
            If there is no such visit.
        """
        with self.database.reading() as connection:
            if number is not None:
                return visit_record(self._visit_row(connection, number))
            query = sa.select(tables.visits).order_by(tables.visits.c.number.desc()).limit(1)
            row = connection.execute(query).one_or_none()
        if row is None:
            raise LogbookError(f"{self.database.shown}: no visit yet; bring photos in with 'photo-audit visit'.")
        return visit_record(row)

    def open_visit(self, kind: VisitKind, on: date) -> VisitRecord:
        """The visit of that kind and day, or the next one where there is none.

        Raises
        ------
        LogbookError
            If that visit is signed.
        """
        if kind not in get_args(VisitKind):
            raise LogbookError(f"a visit is commissioning or maintenance, not '{kind}'.")
        table = tables.visits
        with self.database.writing() as connection:
            connection.execute(sa.select(tables.logbook.c.id).with_for_update())
            query = sa.select(table).where(table.c.kind == kind, table.c.on_day == on)
            row = connection.execute(query.order_by(table.c.number.desc()).limit(1)).one_or_none()
            if row is not None:
                refuse_signed(row)
                return visit_record(row)
            last = connection.execute(sa.select(sa.func.max(table.c.number))).scalar() or 0
            record = VisitRecord(number=last + 1, kind=kind, on=on, started_at=self.clock())
            connection.execute(
                table.insert().values(number=record.number, kind=kind, on_day=on, started_at=record.started_at)
            )
            take_over(connection, record.number)
        log.info("visit opened", extra={"logbook": self.database.shown, "visit": record.number, "kind": kind})
        return record

    def limits(self, visit: VisitRef) -> Limits:
        """What the visit is judged by: the limits that it was given, or the program's own."""
        with self.database.reading() as connection:
            text = self._visit_row(connection, number_of(visit)).limits
        return load_limits() if text is None else load(Limits, text)

    def put_limits(self, visit: VisitRef, limits: Limits) -> None:
        """Keeps what an open visit is judged by, in place of the limits that it had."""
        with self._changing(visit, alone=True) as connection:
            connection.execute(
                tables.visits.update().where(tables.visits.c.number == number_of(visit)).values(limits=dump(limits))
            )

    @contextmanager
    def writing(self, visit: VisitRef) -> Iterator[None]:
        """Holds the logbook for one run on an open visit; others are told at once who holds it."""
        with one_writer(self.database, self.clock()):
            refuse_signed(self.visit(number_of(visit)))
            yield

    def add_photo(
        self,
        visit: VisitRef,
        photo: Photo,
        data: bytes,
        preview: bytes | None = None,
        mtime_ns: int | None = None,
    ) -> Photo:
        """Takes a photo in, image first and row last; again with the same name and bytes changes nothing.

        A file of the same name with other bytes (two phones both count from 0001) is kept as well, under a name with
        a piece of its hash.

        Returns
        -------
        Photo
            As kept; its name may differ from the one given.
        """
        if sha256_hex(data) != photo.sha256:
            raise LogbookError(f"{photo.name}: the bytes are not those that were read first; run the visit again.")
        number = number_of(visit)
        with self.database.reading() as connection:
            known = self._same_photo(connection, number, photo)
        if known is not None:
            return known
        if self.database.read_only:
            raise LogbookError(f"{self.database.shown}: the logbook is read-only here; make the folder writable.")
        self.images.put(data, photo.sha256)
        if preview is not None:
            self.images.put_preview(photo.sha256, preview)
        with self._changing(number, alone=True) as connection:
            known = self._same_photo(connection, number, photo)
            if known is not None:
                return known
            # a row that is there may be signed: it stays as it is
            self._insert_missing(
                connection,
                tables.images,
                {
                    "sha256": photo.sha256,
                    "size_bytes": len(data),
                    "stored_at": self.clock(),
                    "preview_sha256": None if preview is None else sha256_hex(preview),
                },
            )
            kept = self._insert_photo(connection, number, photo, len(data), mtime_ns)
        log.debug("photo kept", extra={"visit": number, "photo": kept.name, "sha256": kept.sha256})
        return kept

    def _insert_photo(
        self, connection: sa.Connection, number: int, photo: Photo, size_bytes: int, mtime_ns: int | None
    ) -> Photo:
        """The row of a photo, in place of a refusal of the same file; the photo under the name that is free for it."""
        file_name = clean_text(photo.name)
        kept = replace(photo, name=file_name)
        if self._name_taken(connection, number, file_name):
            kept = replace(photo, name=_distinct(file_name, photo.sha256))
        connection.execute(
            tables.photos.insert().values(
                visit=number,
                name=kept.name,
                file_name=file_name,
                sha256=kept.sha256,
                size_bytes=size_bytes,
                mtime_ns=mtime_ns,
                body=dump(kept),
            )
        )
        refusals = tables.refusals
        connection.execute(refusals.delete().where(refusals.c.visit == number, refusals.c.name == file_name))
        return kept

    def add_refusal(
        self,
        visit: VisitRef,
        name: str,
        kind: str,
        message: str,
        size_bytes: int | None = None,
        mtime_ns: int | None = None,
    ) -> None:
        """Notes a file that could not be taken; the latest reason counts."""
        row = {
            "visit": number_of(visit),
            "name": clean_text(name),
            "kind": clean_text(kind),
            "message": clean_text(message),
            "size_bytes": size_bytes,
            "mtime_ns": mtime_ns,
            "at": self.clock(),
        }
        with self._changing(visit) as connection:
            self._insert_or_update(connection, tables.refusals, [row])
        log.info("file refused", extra={"visit": row["visit"], "file": row["name"], "kind": row["kind"]})

    def photos(self, visit: VisitRef, camera: str | None = None) -> tuple[Photo, ...]:
        """Photos of a visit by name, or those placed at one camera."""
        table, placements = tables.photos, tables.placements
        query = sa.select(table.c.body).where(table.c.visit == number_of(visit)).order_by(table.c.name)
        if camera is not None:
            query = query.join(
                placements, sa.and_(placements.c.visit == table.c.visit, placements.c.photo == table.c.name)
            ).where(placements.c.camera == camera)
        with self.database.reading() as connection:
            return tuple(load(Photo, body) for body in connection.execute(query).scalars())

    def photo(self, visit: VisitRef, name: str) -> Photo | None:
        """One photo of a visit by its name, or None."""
        table = tables.photos
        query = sa.select(table.c.body).where(table.c.visit == number_of(visit), table.c.name == name)
        with self.database.reading() as connection:
            body = connection.execute(query).scalar()
        return None if body is None else load(Photo, body)

    def refusals(self, visit: VisitRef) -> tuple[RefusalRecord, ...]:
        """Files of a visit that were refused, by name."""
        table = tables.refusals
        query = sa.select(table.c.name, table.c.kind, table.c.message, table.c.at)
        query = query.where(table.c.visit == number_of(visit)).order_by(table.c.name)
        with self.database.reading() as connection:
            return tuple(RefusalRecord(*row) for row in connection.execute(query))

    def seen(self, visit: VisitRef) -> frozenset[SeenFile]:
        """Files that need no second look, taken or refused, as long as size and time of change are the same."""
        photos, refusals = tables.photos, tables.refusals
        number = number_of(visit)
        queries = (
            sa.select(photos.c.file_name, photos.c.size_bytes, photos.c.mtime_ns).where(photos.c.visit == number),
            sa.select(refusals.c.name, refusals.c.size_bytes, refusals.c.mtime_ns).where(refusals.c.visit == number),
        )
        with self.database.reading() as connection:
            return frozenset(SeenFile(*row) for query in queries for row in connection.execute(query))

    def image(self, sha256: str) -> bytes:
        """An image's bytes, checked against its hash."""
        return self.images.get(sha256)

    def preview(self, sha256: str) -> bytes | None:
        """The small picture of an image; None where none was kept, or what lies there is not what was kept."""
        query = sa.select(tables.images.c.preview_sha256).where(tables.images.c.sha256 == sha256)
        with self.database.reading() as connection:
            kept = connection.execute(query).scalar()
        data = None if kept is None else self.images.get_preview(sha256)
        return data if data is not None and sha256_hex(data) == kept else None

    def _same_photo(self, connection: Connection, number: int, photo: Photo) -> Photo | None:
        table = tables.photos
        query = sa.select(table.c.body).where(
            table.c.visit == number,
            table.c.file_name == clean_text(photo.name),
            table.c.sha256 == photo.sha256,
        )
        body = connection.execute(query.order_by(table.c.name).limit(1)).scalar()
        return None if body is None else load(Photo, body)

    def _name_taken(self, connection: Connection, number: int, name: str) -> bool:
        table = tables.photos
        query = sa.select(table.c.name).where(table.c.visit == number, table.c.name == name)
        return connection.execute(query).first() is not None


def _distinct(name: str, sha256: str) -> str:
    path = PurePosixPath(name)
    return str(path.with_name(f"{path.stem}~{sha256[:12]}{path.suffix}"))
