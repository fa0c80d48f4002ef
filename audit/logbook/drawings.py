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

__all__ = ["Drawings"]


class Drawings(Store):
    """Adds drawings and says which of them count."""

    def put_drawing(
        self, visit: VisitRef, floor: str, name: str, files: tuple[bytes, bytes], drawing: Drawing, by: str
    ) -> DrawingRecord:
        """Puts a drawing under a floor, from this visit on; the one before stays in the visits before.

        Parameters
        ----------
        files : (bytes, bytes)
            The drawing's file as it was handed in, and the picture of it.

        Raises
        ------
        LogbookError
            If the visit is signed, or nobody says who puts it there.
        """
        number = number_of(visit)
        if not by.strip():
            raise LogbookError("say who puts the drawing there (--by NAME).")
        if self.database.read_only:
            raise LogbookError(f"{self.database.shown}: the logbook is read-only here; make the folder writable.")
        hashes = [self.images.put(data) for data in files]
        values = self._values(number, floor, name, (hashes[0], hashes[1]), by) | {"body": dump(drawing)}
        with self._changing(number, alone=True) as connection:
            for sha256, data in zip(hashes, files, strict=True):
                # a row that is there may be signed: it stays as it is
                row = {"sha256": sha256, "size_bytes": len(data), "stored_at": self.clock(), "preview_sha256": None}
                self._insert_missing(connection, tables.images, row)
            table = tables.drawings
            return _record(connection.execute(table.insert().values(**values).returning(table)).one())

    def take_drawing_away(self, visit: VisitRef, floor: str, by: str) -> DrawingRecord:
        """From this visit on the floor has no drawing.

        Raises
        ------
        LogbookError
            If it has none, the visit is signed, or nobody says who takes it away.
        """
        number = number_of(visit)
        if not by.strip():
            raise LogbookError("say who takes the drawing away (--by NAME).")
        latest = self.drawing(visit, floor)
        if latest is None:
            raise LogbookError(f"{f'floor {floor!r}' if floor else 'the site'} has no drawing to take away.")
        values = self._values(number, floor, latest.name, (latest.sha256, latest.picture_sha256), by) | {"body": None}
        table = tables.drawings
        with self._changing(number, alone=True) as connection:
            return _record(connection.execute(table.insert().values(**values).returning(table)).one())

    def drawings(self, visit: VisitRef) -> dict[str, DrawingRecord]:
        """The drawing that counts for each floor at a visit: its own, or that of the latest visit before."""
        table = tables.drawings
        query = sa.select(table).where(table.c.visit <= number_of(visit)).order_by(table.c.visit, table.c.id)
        with self.database.reading() as connection:
            latest = {row.floor: _record(row) for row in connection.execute(query)}
        return {floor: record for floor, record in latest.items() if record.drawing is not None}

    def drawing(self, visit: VisitRef, floor: str) -> DrawingRecord | None:
        """The drawing that counts for one floor; None where it has none."""
        return self.drawings(visit).get(clean_text(floor))

    def _values(self, visit: int, floor: str, name: str, hashes: tuple[str, str], by: str) -> dict[str, Any]:
        return {
            "visit": visit,
            "floor": clean_text(floor),
            "name": clean_text(name),
            "sha256": hashes[0],
            "picture_sha256": hashes[1],
            "by": clean_text(by.strip()),
            "at": self.clock(),
        }


def _record(row: Any) -> DrawingRecord:
    return DrawingRecord(
        id=row.id,
        visit=row.visit,
        floor=row.floor,
        name=row.name,
        sha256=row.sha256,
        picture_sha256=row.picture_sha256,
        drawing=None if row.body is None else load(Drawing, row.body),
        by=row.by,
        at=row.at,
    )
