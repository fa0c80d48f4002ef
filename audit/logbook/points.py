"""Where a person sees a thing of the plan in a camera's picture: a list that only grows, like decisions."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from sqlalchemy import Connection

from audit.errors import LogbookError
from audit.logbook import tables
from audit.logbook.codec import clean_text
from audit.logbook.records import PointRecord
from audit.logbook.store import Store, VisitRef, number_of

__all__ = ["Points"]


class Points(Store):
    """Adds clicks and says which of them count."""

    def point(
        self,
        visit: VisitRef,
        camera: str,
        landmark: str,
        photo: str,
        at_px: tuple[float, float] | None,
        by: str,
        *,
        confirmed: bool = False,
    ) -> PointRecord:
        """Adds where a landmark or target is seen in a picture; an earlier click on it there counts no more.

        Parameters
        ----------
        photo : str
            The picture's name in the visit.
        at_px : (column, row) or None
            Pixel of the picture in its full size; None: it is not in the picture.
        confirmed : bool
            The person said that the mark drawn there lies on it, and did not point it out.

        Raises
        ------
        LogbookError
            If the visit is signed, has no such photo, or nobody says who points.
        """
        if not by.strip():
            raise LogbookError("say who points it out (--by NAME).")
        number = number_of(visit)
        with self._changing(number, alone=True) as connection:
            photos = tables.photos
            query = sa.select(photos.c.sha256).where(photos.c.visit == number, photos.c.name == photo)
            sha256 = connection.execute(query).scalar()
            if sha256 is None:
                raise LogbookError(f"visit {number} has no photo '{photo}'; check its name.")
            values = {
                "visit": number,
                "camera": clean_text(camera),
                "landmark": clean_text(landmark),
                "photo": clean_text(photo),
                "sha256": sha256,
                "column_px": None if at_px is None else float(at_px[0]),
                "row_px": None if at_px is None else float(at_px[1]),
                "confirmed": int(confirmed),
                "by": clean_text(by.strip()),
                "at": self.clock(),
                "undoes": None,
            }
            table = tables.points
            return _record(connection.execute(table.insert().values(**values).returning(table)).one(), True)

    def undo_point(self, visit: VisitRef, camera: str, landmark: str, by: str) -> PointRecord:
        """Takes the latest click on a landmark back by adding an entry; the one before it counts again."""
        number, table = number_of(visit), tables.points
        with self._changing(number, alone=True) as connection:
            counting = _counting(self._points(connection, number, camera))
            latest = next((r for r in reversed(counting) if r.landmark == landmark), None)
            if latest is None:
                raise LogbookError(f"nothing is pointed out as '{landmark}' in the picture of camera '{camera}'.")
            values = {c: getattr(latest, c) for c in ("visit", "camera", "landmark", "photo", "sha256", "confirmed")}
            values |= {"column_px": None, "row_px": None, "by": clean_text(by.strip()), "at": self.clock()}
            row = connection.execute(table.insert().values(**values, undoes=latest.id).returning(table)).one()
            return _record(row, False)

    def points(self, visit: VisitRef, camera: str | None = None) -> tuple[PointRecord, ...]:
        """All entries of a visit (of one camera) in the order in which they were added."""
        number = number_of(visit)
        with self.database.reading() as connection:
            rows = self._points(connection, number, camera)
        counting = {row.id for row in _counting(rows)}
        return tuple(_record(row, row.id in counting) for row in rows)

    def identity(self) -> str:
        """What tells this logbook from any other: its boards carry numbers drawn from it."""
        with self.database.reading() as connection:
            return str(connection.execute(sa.select(tables.logbook.c.uuid)).scalar_one())

    def _points(self, connection: Connection, visit: int, camera: str | None) -> list[sa.Row[Any]]:
        table = tables.points
        query = sa.select(table).where(table.c.visit == visit).order_by(table.c.id)
        if camera is not None:
            query = query.where(table.c.camera == camera)
        return list(connection.execute(query))


def _counting(rows: list[sa.Row[Any]]) -> list[sa.Row[Any]]:
    """The latest entry for each camera, photo and landmark that was not taken back."""
    stacks: dict[tuple[str, str, str], list[sa.Row[Any]]] = {}
    for row in rows:
        stack = stacks.setdefault((row.camera, row.photo, row.landmark), [])
        if row.undoes is None:
            stack.append(row)
        else:
            stack[:] = [one for one in stack if one.id != row.undoes]
    return sorted((stack[-1] for stack in stacks.values() if stack), key=lambda row: int(row.id))


def _record(row: Any, counts: bool) -> PointRecord:
    return PointRecord(
        id=row.id,
        visit=row.visit,
        camera=row.camera,
        landmark=row.landmark,
        photo=row.photo,
        sha256=row.sha256,
        at_px=None if row.column_px is None else (row.column_px, row.row_px),
        confirmed=bool(row.confirmed),
        by=row.by,
        at=row.at,
        in_force=counts,
        undoes=row.undoes,
    )
