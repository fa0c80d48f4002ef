"""Drawings under the plan, one a floor: a list that only grows, like decisions; the latest of a floor counts."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa

from audit.drawings.placing import Drawing
from audit.errors import LogbookError
from audit.logbook import tables
from audit.logbook.codec import clean_text, dump, load
from audit.logbook.records import DrawingRecord
from audit.logbook.store import Store, VisitRef, number_of

__all__ = ["Drawings", "take_over"]


class Drawings(Store):
    """Adds drawings and says which of them count."""

    def put_drawing(
        self, visit: VisitRef | None, floor: str, name: str, files: tuple[bytes, bytes], drawing: Drawing, by: str
    ) -> DrawingRecord:
        """Puts a drawing under a floor, from this visit on; the one before stays in the visits before.

        Parameters
        ----------
        visit : VisitRecord, int or None
            None: it waits for the next visit that is opened.
        files : (bytes, bytes)
            The drawing's file as it was handed in, and the picture of it.

        Raises
        ------
        LogbookError
            If the visit is signed, or nobody says who puts it there.
        """
        if not by.strip():
            raise LogbookError("say who puts the drawing there (--by NAME).")
        if self.database.read_only:
            raise LogbookError(f"{self.database.shown}: the logbook is read-only here; make the folder writable.")
        hashes = [self.images.put(data) for data in files]
        values = self._values(floor, name, (hashes[0], hashes[1]), by) | {"body": dump(drawing)}
        table = tables.waiting_drawings if visit is None else tables.drawings
        with self.database.writing() if visit is None else self._changing(visit, alone=True) as connection:
            for sha256, data in zip(hashes, files, strict=True):
                # a row that is there may be signed: it stays as it is
                row = {"sha256": sha256, "size_bytes": len(data), "stored_at": self.clock(), "preview_sha256": None}
                self._insert_missing(connection, tables.images, row)
            if visit is None:
                connection.execute(table.delete().where(table.c.floor == values["floor"]))
            else:
                values |= {"visit": number_of(visit)}
            return _record(connection.execute(table.insert().values(**values).returning(table)).one())

    def take_drawing_away(self, visit: VisitRef | None, floor: str, by: str) -> DrawingRecord:
        """From this visit on the floor has no drawing.

        Raises
        ------
        LogbookError
            If it has none, the visit is signed, or nobody says who takes it away.
        """
        if not by.strip():
            raise LogbookError("say who takes the drawing away (--by NAME).")
        latest = self.drawing(visit, floor)
        if latest is None:
            raise LogbookError(f"{f'floor {floor!r}' if floor else 'the site'} has no drawing to take away.")
        if visit is None:
            waiting = tables.waiting_drawings
            with self.database.writing() as connection:
                connection.execute(waiting.delete().where(waiting.c.floor == latest.floor))
            return latest
        values = self._values(floor, latest.name, (latest.sha256, latest.picture_sha256), by)
        values |= {"visit": number_of(visit), "body": None}
        table = tables.drawings
        with self._changing(visit, alone=True) as connection:
            return _record(connection.execute(table.insert().values(**values).returning(table)).one())

    def drawings(self, visit: VisitRef | None) -> dict[str, DrawingRecord]:
        """The drawing that counts for each floor at a visit: its own, or that of the latest visit before; those that wait for None."""
        if visit is None:
            waiting = tables.waiting_drawings
            with self.database.reading() as connection:
                return {row.floor: _record(row) for row in connection.execute(sa.select(waiting).order_by(waiting.c.floor))}
        table = tables.drawings
        query = sa.select(table).where(table.c.visit <= number_of(visit)).order_by(table.c.visit, table.c.id)
        with self.database.reading() as connection:
            latest = {row.floor: _record(row) for row in connection.execute(query)}
        return {floor: record for floor, record in latest.items() if record.drawing is not None}

    def drawing(self, visit: VisitRef | None, floor: str) -> DrawingRecord | None:
        """The drawing that counts for one floor; None where it has none."""
        return self.drawings(visit).get(clean_text(floor))

    def _values(self, floor: str, name: str, hashes: tuple[str, str], by: str) -> dict[str, Any]:
        return {
            "floor": clean_text(floor),
            "name": clean_text(name),
            "sha256": hashes[0],
            "picture_sha256": hashes[1],
            "by": clean_text(by.strip()),
            "at": self.clock(),
        }


def take_over(connection: sa.Connection, visit: int) -> None:
    """What waited for a visit becomes its own."""
    waiting = tables.waiting_drawings
    columns = [c.name for c in waiting.columns]
    rows = [{"visit": visit, **dict(zip(columns, row, strict=True))} for row in connection.execute(sa.select(waiting).order_by(waiting.c.floor))]
    if rows:
        connection.execute(tables.drawings.insert(), rows)
        connection.execute(waiting.delete())


def _record(row: Any) -> DrawingRecord:
    return DrawingRecord(
        id=getattr(row, "id", None),
        visit=getattr(row, "visit", None),
        floor=row.floor,
        name=row.name,
        sha256=row.sha256,
        picture_sha256=row.picture_sha256,
        drawing=None if row.body is None else load(Drawing, row.body),
        by=row.by,
        at=row.at,
    )
