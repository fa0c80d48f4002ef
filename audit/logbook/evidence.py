"""What is kept of a visit's pictures, read at once: a few statements, however many cameras there are."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from datetime import datetime
from typing import Any, TypeVar

import sqlalchemy as sa

from audit.logbook import tables
from audit.logbook.records import KeptRecord, ReferenceRecord
from audit.logbook.store import Store, VisitRef, number_of

__all__ = ["REFERENCE_COLUMNS", "Evidence", "latest_references", "reference_record"]

Key = TypeVar("Key", bound=Hashable)

REFERENCE_COLUMNS = ("camera", "channel", "sha256", "photo", "visit", "why", "glass")


class Evidence(Store):
    """Kept records by what they are about, each time by all method versions, oldest first.

    ``camera`` leaves out what belongs to other cameras, ``until`` what was kept later.
    """

    def measured(
        self, visit: VisitRef, camera: str | None = None, until: datetime | None = None
    ) -> dict[str, tuple[KeptRecord, ...]]:
        """Measurements of the snapshots that lie at cameras, by image hash."""
        table = tables.measurements
        query = sa.select(table.c.sha256, table.c.method, table.c.body)
        query = query.where(table.c.sha256.in_(_placed_snapshots(visit, camera)))
        return {key: kept for (key,), kept in self._kept(query, table, until).items()}

    def referenced(
        self, visit: VisitRef, camera: str | None = None, until: datetime | None = None
    ) -> dict[ReferenceRecord, tuple[KeptRecord, ...]]:
        """The latest references that were signed before a visit, by camera and channel, each with its measurements."""
        table, references = tables.measurements, tables.references
        key = tuple(references.c[name] for name in REFERENCE_COLUMNS)
        kept = table.c.sha256 == references.c.sha256
        if until is not None:
            kept = sa.and_(kept, table.c.at <= until)
        query = sa.select(*key, table.c.method, table.c.body).join(*latest_references(visit, camera))
        query = query.outerjoin(table, kept)
        query = query.order_by(references.c.camera, references.c.channel, table.c.at, table.c.method)
        found: dict[ReferenceRecord, list[KeptRecord]] = {}
        with self.database.reading() as connection:
            for *of, method, body in connection.execute(query):
                measured = found.setdefault(reference_record(of), [])
                if method is not None:
                    measured.append(KeptRecord(method, body))
        return {reference: tuple(measured) for reference, measured in found.items()}

    def compared(
        self, visit: VisitRef, camera: str | None = None, until: datetime | None = None
    ) -> dict[tuple[str, str], tuple[KeptRecord, ...]]:
        """Comparisons of the snapshots that lie at cameras, by (reference's hash, today's hash)."""
        table = tables.comparisons
        query = sa.select(table.c.reference_sha256, table.c.today_sha256, table.c.method, table.c.body)
        query = query.where(table.c.today_sha256.in_(_placed_snapshots(visit, camera)))
        return {(then, today): kept for (then, today), kept in self._kept(query, table, until).items()}

    def seen_together(
        self, visit: VisitRef, camera: str | None = None, until: datetime | None = None
    ) -> dict[tuple[str, str], tuple[KeptRecord, ...]]:
        """What several images tell together, by camera and :func:`audit.logbook.codec.together` of the images."""
        table = tables.series
        query = sa.select(table.c.camera, table.c.images, table.c.method, table.c.body)
        query = query.where(table.c.visit == number_of(visit))
        if camera is not None:
            query = query.where(table.c.camera == camera)
        return {(name, images): kept for (name, images), kept in self._kept(query, table, until).items()}

    def _kept(
        self, query: sa.Select[Any], table: sa.Table, until: datetime | None
    ) -> dict[tuple[Any, ...], tuple[KeptRecord, ...]]:
        """Rows of (key..., method, body) by key, in the order in which they were kept."""
        if until is not None:
            query = query.where(table.c.at <= until)
        with self.database.reading() as connection:
            rows = connection.execute(query.order_by(table.c.at, table.c.method)).all()
        return _grouped((tuple(row[:-2]), KeptRecord(row[-2], row[-1])) for row in rows)


def latest_references(
    visit: VisitRef | None, camera: str | None = None
) -> tuple[sa.Subquery, sa.ColumnElement[bool]]:
    """What leaves the latest reference of each camera and channel when the table of references is joined with it.

    References that were withdrawn since are left out.
    """
    table, gone = tables.references, _withdrawn(visit)
    latest = sa.select(table.c.camera, table.c.channel, sa.func.max(table.c.visit).label("visit"))
    if visit is not None:
        latest = latest.where(table.c.visit < number_of(visit))
    if camera is not None:
        latest = latest.where(table.c.camera == camera)
    same_place = sa.and_(gone.c.camera == table.c.camera, gone.c.channel == table.c.channel)
    latest = latest.where(~sa.exists().where(same_place, gone.c.visit > table.c.visit))
    found = latest.group_by(table.c.camera, table.c.channel).subquery()
    same = (found.c[name] == table.c[name] for name in ("camera", "channel", "visit"))
    return found, sa.and_(*same)


def reference_record(row: Sequence[Any]) -> ReferenceRecord:
    """A reference from its :data:`REFERENCE_COLUMNS`."""
    camera, channel, sha256, photo, visit, why, glass = row
    return ReferenceRecord(camera, channel, sha256, photo, visit, why, glass == "verified")


def _withdrawn(visit: VisitRef | None) -> sa.Subquery:
    """Visits that withdrew the references signed before them, by camera and channel; a visit's last word counts."""
    table = tables.reference_choices
    last = sa.select(sa.func.max(table.c.id)).group_by(table.c.visit, table.c.camera, table.c.channel)
    query = sa.select(table.c.camera, table.c.channel, table.c.visit)
    query = query.where(table.c.id.in_(last), table.c.choice == "withdraw")
    if visit is not None:
        query = query.where(table.c.visit <= number_of(visit))
    return query.subquery()


def _placed_snapshots(visit: VisitRef, camera: str | None) -> sa.Select[Any]:
    photos, placements = tables.photos, tables.placements
    same = sa.and_(placements.c.visit == photos.c.visit, placements.c.photo == photos.c.name)
    query = sa.select(photos.c.sha256).join(placements, same)
    query = query.where(photos.c.visit == number_of(visit), placements.c.role == "snapshot")
    return query.where(placements.c.camera.is_not(None) if camera is None else placements.c.camera == camera)


def _grouped(pairs: Iterable[tuple[Key, KeptRecord]]) -> dict[Key, tuple[KeptRecord, ...]]:
    found: dict[Key, list[KeptRecord]] = {}
    for key, kept in pairs:
        found.setdefault(key, []).append(kept)
    return {key: tuple(kept) for key, kept in found.items()}
