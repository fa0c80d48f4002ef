"""What every part of the logbook stands on: database, images, clock, and the rule that signed visits stay."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from typing import Any

import sqlalchemy as sa
from sqlalchemy import Connection, Row

from audit.errors import LogbookError
from audit.logbook import tables
from audit.logbook.database import Database
from audit.logbook.images import ImageStore
from audit.logbook.records import VisitRecord

__all__ = [
    "Clock",
    "Counting",
    "Store",
    "VisitRef",
    "no_visit",
    "number_of",
    "refuse_signed",
    "uncounted",
    "utc_now",
    "visit_record",
]

Clock = Callable[[], datetime]
Counting = Callable[[int, int], None]
VisitRef = VisitRecord | int


def uncounted(done: int, total: int) -> None:
    """Progress that nobody watches."""


def utc_now() -> datetime:
    """The machine's time, aware; the only clock that the logbook reads."""
    return datetime.now(UTC)


class Store:
    """Database, images and clock of one logbook."""

    def __init__(self, database: Database, images: ImageStore, clock: Clock) -> None:
        self.database = database
        self.images = images
        self.clock = clock

    @contextmanager
    def one_view(self) -> Iterator[None]:
        """Every read of this thread meanwhile sees the same state, in one transaction."""
        with self.database.one_view():
            yield

    @contextmanager
    def _changing(self, visit: VisitRef, alone: bool = False) -> Iterator[Connection]:
        """One transaction on an open visit; refuses a signed one, also one that is being signed meanwhile.

        With ``alone`` other changes of the visit wait: for what reads first and writes by what it read.
        """
        number = number_of(visit)
        with self.database.writing() as connection:
            refuse_signed(self._visit_row(connection, number, lock="update" if alone else "share"))
            yield connection

    def _visit_row(self, connection: Connection, number: int, lock: str | None = None) -> Row[Any]:
        query = sa.select(tables.visits).where(tables.visits.c.number == number)
        if lock is not None:
            query = query.with_for_update(read=lock == "share")
        row = connection.execute(query).one_or_none()
        if row is None:
            raise no_visit(number)
        return row

    def _after_signatures(self, connection: Connection) -> datetime:
        """Now, but never before a signature, also where the machine's clock jumped back: by this time it is known what
        had been measured when a visit was signed."""
        signed = connection.execute(sa.select(sa.func.max(tables.visits.c.signed_at))).scalar()
        now = self.clock()
        return now if signed is None else max(now, signed + timedelta(microseconds=1))

    def _insert_missing(self, connection: Connection, table: sa.Table, values: Mapping[str, Any]) -> bool:
        """Adds a row unless its key is there; True where it was added."""
        result = connection.execute(self._insert(table).values(**values).on_conflict_do_nothing())
        return bool(result.rowcount)

    def _insert_or_update(self, connection: Connection, table: sa.Table, rows: list[dict[str, Any]]) -> None:
        """Adds rows, and brings those whose key is there up to date."""
        if not rows:
            return
        statement = self._insert(table)
        keys = [column.name for column in table.primary_key]
        changes = {c.name: statement.excluded[c.name] for c in table.columns if c.name not in keys}
        connection.execute(statement.on_conflict_do_update(index_elements=keys, set_=changes), rows)

    def _replace(
        self, connection: Connection, table: sa.Table, key: str, visit: int, rows: dict[str, dict[str, Any]]
    ) -> list[dict[str, Any]]:
        """Removes rows of the visit that are not in ``rows``; gives those that are new or differ."""
        same, gone = set(), []
        whole = [column for column in ("body", "judged") if column in table.c]
        query = sa.select(table.c[key], *(table.c[column] for column in whole)).where(table.c.visit == visit)
        for name, *kept in connection.execute(query):
            if name not in rows:
                gone.append({"of_visit": visit, "of_name": name})
            elif [rows[name][column] for column in whole] == kept:
                same.add(name)
        if gone:
            of_one = sa.and_(table.c.visit == sa.bindparam("of_visit"), table.c[key] == sa.bindparam("of_name"))
            connection.execute(table.delete().where(of_one), gone)
        return [row for name, row in rows.items() if name not in same]

    def _insert(self, table: sa.Table) -> Any:
        if self.database.is_sqlite:
            from sqlalchemy.dialects import sqlite

            return sqlite.insert(table)
        from sqlalchemy.dialects import postgresql

        return postgresql.insert(table)


def number_of(visit: VisitRef) -> int:
    """A visit's number."""
    return visit.number if isinstance(visit, VisitRecord) else int(visit)


def no_visit(number: int) -> LogbookError:
    """What is said of a visit that isn't there."""
    return LogbookError(f"the logbook has no visit {number}; 'photo-audit show' lists the visits.")


def refuse_signed(visit: VisitRecord | Row[Any]) -> None:
    """Raises LogbookError for a signed visit."""
    if visit.signed_at is not None:
        raise LogbookError(
            f"visit {visit.number} was signed by {visit.signed_by} on {visit.signed_at:%Y-%m-%d} and can't be changed; "
            f"open a visit of another day."
        )


def visit_record(row: Row[Any]) -> VisitRecord:
    """A row of the visits' table as a record."""
    return VisitRecord(
        number=row.number,
        kind=row.kind,
        on=row.on_day,
        started_at=row.started_at,
        signed_at=row.signed_at,
        signed_by=row.signed_by,
    )
