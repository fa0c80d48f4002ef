"""The verdict that counts: as judged, with what people said laid over it; kept up to date with every entry."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, cast

import sqlalchemy as sa
from sqlalchemy import Connection

from audit.judge.finding import STATES, Check, Finding, Verdict
from audit.judge.settled import Said, Word, decided_on, settled
from audit.logbook import tables
from audit.logbook.codec import clean_text, dump, load
from audit.logbook.records import SETTLING, DonePictures
from audit.logbook.store import Store, VisitRef, number_of

__all__ = ["Settling", "done_pictures", "in_force", "not_taken_back", "waited_for"]

Entries = Mapping[str, list[sa.Row[Any]]]


class Settling(Store):
    """Lays entries over verdicts."""

    def _entries(self, connection: Connection, visit: int, camera: str | None) -> list[sa.Row[Any]]:
        """All entries of a visit, or of one camera, in the order in which they were added."""
        table = tables.decisions
        query = sa.select(table).where(table.c.visit == visit).order_by(table.c.id)
        if camera is not None:
            query = query.where(table.c.camera == camera)
        return list(connection.execute(query))

    def done_pictures(self, visit: VisitRef, camera: str | None = None) -> dict[str, DonePictures]:
        """Photos that were handed in as done, by camera."""
        with self.database.reading() as connection:
            return self._done_pictures(connection, number_of(visit), camera)

    def _done_pictures(self, connection: Connection, visit: int, camera: str | None = None) -> dict[str, DonePictures]:
        table = tables.decisions
        query = sa.select(table.c.id, table.c.camera, table.c.check, table.c.decision, table.c.photo, table.c.undoes)
        query = query.where(table.c.visit == visit, table.c.decision.in_(("done", "undo"))).order_by(table.c.id)
        if camera is not None:
            query = query.where(table.c.camera == camera)
        return done_pictures(list(connection.execute(query)))

    def _judged(self, connection: Connection, visit: int, camera: str) -> Verdict | None:
        """A camera's verdict as the judge left it."""
        table = tables.verdicts
        query = sa.select(table.c.judged).where(table.c.visit == visit, table.c.camera == camera)
        body = connection.execute(query).scalar()
        return None if body is None else load(Verdict, body)

    def _decided_on(self, judged: Verdict | None, check: str, entries: Iterable[sa.Row[Any]]) -> Finding | None:
        """The finding that the next decision on a check is about."""
        if judged is None:
            return None
        said = [_said(row) for row in not_taken_back(entries) if row.check == check and row.camera == judged.camera]
        return decided_on(judged, cast(Check, check), said)

    def _settle(self, connection: Connection, visit: int, camera: str) -> None:
        """Bring the verdict that counts, and the counts by state, up to date after an entry."""
        judged = self._judged(connection, visit, camera)
        if judged is None:
            return
        table, counts = tables.verdicts, tables.verdict_counts
        key = sa.and_(table.c.visit == visit, table.c.camera == camera)
        before = connection.execute(sa.select(table.c.rank).where(key)).scalar_one()
        row = verdict_row(visit, judged, self._entries(connection, visit, camera))
        connection.execute(table.update().where(key).values(**row))
        for rank, change in ((before, -1), (row["rank"], 1)):
            where = sa.and_(counts.c.visit == visit, counts.c.rank == rank)
            connection.execute(counts.update().where(where).values(cameras=counts.c.cameras + change))


def verdict_row(visit: int, judged: Verdict, entries: Iterable[sa.Row[Any]]) -> dict[str, Any]:
    """A row of the verdicts' table: as judged, and as it counts with a camera's entries."""
    said: dict[Check, list[Said]] = {}
    for row in not_taken_back(entries):
        said.setdefault(row.check, []).append(_said(row))
    counts = settled(judged, said)
    body = dump(counts)
    return {
        "visit": visit,
        "camera": clean_text(judged.camera),
        "rank": STATES.index(counts.state),
        "probability_good": 1.0 - max((f.probability_bad or 0.0 for f in counts.findings), default=0.0),
        "body": body,
        "judged": body if counts is judged else dump(judged),
    }


def not_taken_back(rows: Iterable[sa.Row[Any]]) -> list[sa.Row[Any]]:
    """Entries that nobody has taken back; rows in the order in which they were added."""
    known = list(rows)
    undone = {row.undoes for row in known if row.undoes is not None}
    return [row for row in known if row.undoes is None and row.id not in undone]


def in_force(rows: Iterable[Any]) -> dict[tuple[str, str], int]:
    """Id of the entry that counts, by camera and check."""
    return {(row.camera, row.check): row.id for row in not_taken_back(rows)}


def done_pictures(rows: Iterable[Any]) -> dict[str, DonePictures]:
    """What was handed in as done, by camera; rows in the order in which they were added."""
    known = [row for row in rows if row.decision == "done"]
    kept = {row.id for row in not_taken_back(rows)}
    found: dict[str, DonePictures] = {}
    for camera in dict.fromkeys(row.camera for row in known):
        mine = [row for row in known if row.camera == camera]
        counting = tuple(dict.fromkeys(row.photo for row in reversed(mine) if row.id in kept))[::-1]
        found[camera] = DonePictures(counting, frozenset(row.photo for row in mine) - frozenset(counting))
    return found


def waited_for(rows: Iterable[Any]) -> list[tuple[str, str]]:
    """Camera and check of each finding that sign-off waits for; rows in the order in which they were added."""
    waiting: dict[tuple[str, str], None] = {}
    for row in not_taken_back(rows):
        if row.decision == "wait":
            waiting[row.camera, row.check] = None
        elif row.decision in SETTLING:
            waiting.pop((row.camera, row.check), None)
    return list(waiting)


def _said(row: sa.Row[Any]) -> Said:
    word = cast(Word, row.decision)
    return Said(word, row.by, row.why, row.said_state, row.photo, row.column_px, row.row_px, row.due)
