"""What was measured, and what was found."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy import Connection

from audit.errors import LogbookError
from audit.judge.finding import STATES, State, Verdict
from audit.logbook import tables
from audit.logbook.codec import clean_text, dump, dump_plain, load, load_plain, together
from audit.logbook.records import DeviceRecord, HistoryEntry, Remeasured, given_to
from audit.logbook.settling import Settling, verdict_row
from audit.logbook.store import VisitRef, number_of, visit_record

__all__ = ["Results"]


class Results(Settling):
    """Measurements by image and method, and verdicts by visit."""

    def measurement(self, sha256: str, method: str) -> dict[str, Any] | None:
        """The record of one image by one method version, or None."""
        table = tables.measurements
        query = sa.select(table.c.body).where(table.c.sha256 == sha256, table.c.method == method)
        with self.database.reading() as connection:
            body = connection.execute(query).scalar()
        return None if body is None else load_plain(body)

    def put_measurement(self, sha256: str, method: str, record: dict[str, Any]) -> None:
        """Keeps a measurement. The first one of an image and method stays: a new result needs a new method name."""
        row: dict[str, Any] = {"sha256": sha256, "method": clean_text(method), "body": dump_plain(record)}
        with self.database.writing() as connection:
            self._need_images(connection, (sha256,))
            row["at"] = self._after_signatures(connection)
            self._insert_missing(connection, tables.measurements, row)

    def measurements(self, visit: VisitRef, method: str) -> dict[str, dict[str, Any]]:
        """Records by image hash of all photos of a visit that this method has looked at."""
        table, photos = tables.measurements, tables.photos
        of_visit = sa.select(photos.c.sha256).where(photos.c.visit == number_of(visit))
        query = sa.select(table.c.sha256, table.c.body).where(table.c.method == method, table.c.sha256.in_(of_visit))
        with self.database.reading() as connection:
            return {sha256: load_plain(body) for sha256, body in connection.execute(query)}

    def methods(self, sha256: str, until: datetime | None = None) -> tuple[str, ...]:
        """Method versions that have measured an image, oldest first; ``until`` leaves out later ones."""
        table = tables.measurements
        query = sa.select(table.c.method).where(table.c.sha256 == sha256).order_by(table.c.at, table.c.method)
        if until is not None:
            query = query.where(table.c.at <= until)
        with self.database.reading() as connection:
            return tuple(connection.execute(query).scalars())

    def remeasured(self, visit: VisitRef) -> tuple[Remeasured, ...]:
        """Photos of a visit that more than one method version has measured: the latest two, by name of the photo.

        Only measurements that were given the same lens are set beside each other.
        """
        table, photos = tables.measurements, tables.photos
        query = sa.select(photos.c.name, table.c.sha256, table.c.method).where(
            photos.c.visit == number_of(visit), photos.c.sha256 == table.c.sha256
        )
        versions: dict[tuple[str, str, str], list[str]] = {}
        with self.database.reading() as connection:
            for name, sha256, method in connection.execute(query.order_by(photos.c.name, table.c.at, table.c.method)):
                versions.setdefault((name, sha256, given_to(method)), []).append(method)
        found = []
        for (name, sha256, _), methods in versions.items():
            if len(methods) > 1:
                before, now = methods[-2:]
                old, new = (dict(_values("", self.measurement(sha256, method))) for method in (before, now))
                found.append(Remeasured(name, before, now, old, new))
        return tuple(found)

    def comparison(self, reference_sha256: str, today_sha256: str, method: str) -> dict[str, Any] | None:
        """The record of today's image against a reference by one method version, or None."""
        table = tables.comparisons
        query = sa.select(table.c.body).where(
            table.c.reference_sha256 == reference_sha256,
            table.c.today_sha256 == today_sha256,
            table.c.method == method,
        )
        with self.database.reading() as connection:
            body = connection.execute(query).scalar()
        return None if body is None else load_plain(body)

    def put_comparison(self, reference_sha256: str, today_sha256: str, method: str, record: dict[str, Any]) -> None:
        """Keeps a comparison; the first one of a pair and method stays."""
        row: dict[str, Any] = {
            "reference_sha256": reference_sha256,
            "today_sha256": today_sha256,
            "method": clean_text(method),
            "body": dump_plain(record),
        }
        with self.database.writing() as connection:
            self._need_images(connection, (reference_sha256, today_sha256))
            row["at"] = self._after_signatures(connection)
            self._insert_missing(connection, tables.comparisons, row)

    def series(self, visit: VisitRef, camera: str, images: Sequence[str], method: str) -> dict[str, Any] | None:
        """The record of several images of one camera together by one method version, or None."""
        table = tables.series
        query = sa.select(table.c.body).where(
            table.c.visit == number_of(visit),
            table.c.camera == camera,
            table.c.images == together(images),
            table.c.method == method,
        )
        with self.database.reading() as connection:
            body = connection.execute(query).scalar()
        return None if body is None else load_plain(body)

    def put_series(
        self, visit: VisitRef, camera: str, images: Sequence[str], method: str, record: dict[str, Any]
    ) -> None:
        """Keeps what several images tell together; the first record of the same images and method stays."""
        row = {
            "visit": number_of(visit),
            "camera": clean_text(camera),
            "images": together(images),
            "method": clean_text(method),
            "body": dump_plain(record),
            "at": self.clock(),
        }
        with self._changing(visit) as connection:
            self._insert_missing(connection, tables.series, row)

    def put_device(self, visit: VisitRef, record: DeviceRecord) -> None:
        """Keeps what came of asking one camera; the last time counts."""
        row = {"visit": number_of(visit), "camera": clean_text(record.camera), "body": dump(record)}
        with self._changing(visit) as connection:
            self._insert_or_update(connection, tables.devices, [row])

    def devices(self, visit: VisitRef) -> dict[str, DeviceRecord]:
        """What came of asking cameras in a visit, by camera."""
        query = sa.select(tables.devices.c.body).where(tables.devices.c.visit == number_of(visit))
        with self.database.reading() as connection:
            found = [load(DeviceRecord, body) for body in connection.execute(query).scalars()]
        return {record.camera: record for record in found}

    def put_verdicts(self, visit: VisitRef, verdicts: Iterable[Verdict]) -> None:
        """Replaces the verdicts of a visit, what people said laid over them; rows that stay the same are not touched."""
        number, table = number_of(visit), tables.verdicts
        with self._changing(number, alone=True) as connection:
            said: dict[str, list[sa.Row[Any]]] = {}
            for row in self._entries(connection, number, None):
                said.setdefault(row.camera, []).append(row)
            rows = {
                clean_text(v.camera): verdict_row(number, v, said.get(clean_text(v.camera), ())) for v in verdicts
            }
            changed = self._replace(connection, table, "camera", number, rows)
            self._insert_or_update(connection, table, changed)
            totals = Counter(row["rank"] for row in rows.values())
            self._insert_or_update(
                connection,
                tables.verdict_counts,
                [{"visit": number, "rank": rank, "cameras": totals[rank]} for rank in range(len(STATES))],
            )

    def put_verdict(self, visit: VisitRef, verdict: Verdict) -> None:
        """Replaces the verdict of one camera that was judged already."""
        number = number_of(visit)
        with self._changing(number, alone=True) as connection:
            table, counts = tables.verdicts, tables.verdict_counts
            said = self._entries(connection, number, clean_text(verdict.camera))
            self._insert_or_update(connection, table, [verdict_row(number, verdict, said)])
            query = sa.select(table.c.rank, sa.func.count()).where(table.c.visit == number).group_by(table.c.rank)
            totals = {rank: count for rank, count in connection.execute(query)}
            rows = [{"visit": number, "rank": r, "cameras": totals.get(r, 0)} for r in range(len(STATES))]
            self._insert_or_update(connection, counts, rows)

    def verdicts(
        self,
        visit: VisitRef,
        camera: str | None = None,
        *,
        state: State | None = None,
        limit: int | None = None,
        offset: int = 0,
    ) -> tuple[Verdict, ...]:
        """Verdicts of a visit, worst first: by state, then by the probability of the worst finding."""
        table = tables.verdicts
        query = sa.select(table.c.body).where(table.c.visit == number_of(visit))
        query = query.order_by(table.c.rank, table.c.probability_good, table.c.camera)
        if camera is not None:
            query = query.where(table.c.camera == camera)
        if state is not None:
            query = query.where(table.c.rank == STATES.index(state))
        if limit is not None or offset:
            query = query.limit(limit if limit is not None else 2**31 - 1).offset(offset)
        with self.database.reading() as connection:
            return tuple(load(Verdict, body) for body in connection.execute(query).scalars())

    def verdict_order(self, visit: VisitRef) -> tuple[tuple[str, State], ...]:
        """Every camera with its state, worst first as :meth:`verdicts`, without reading the findings."""
        table = tables.verdicts
        query = sa.select(table.c.camera, table.c.rank).where(table.c.visit == number_of(visit))
        query = query.order_by(table.c.rank, table.c.probability_good, table.c.camera)
        with self.database.reading() as connection:
            return tuple((camera, STATES[rank]) for camera, rank in connection.execute(query))

    def verdict_counts(self, visit: VisitRef) -> dict[State, int]:
        """Cameras by state, worst first; states without a camera count 0."""
        table = tables.verdict_counts
        query = sa.select(table.c.rank, table.c.cameras).where(table.c.visit == number_of(visit))
        with self.database.reading() as connection:
            found = {rank: cameras for rank, cameras in connection.execute(query)}
        return {state: found.get(rank, 0) for rank, state in enumerate(STATES)}

    def camera_history(self, camera: str) -> tuple[HistoryEntry, ...]:
        """A camera's verdict at each visit that judged it, oldest first."""
        table = tables.verdicts
        query = sa.select(tables.visits, table.c.body).join(table, table.c.visit == tables.visits.c.number)
        query = query.where(table.c.camera == camera).order_by(table.c.visit)
        with self.database.reading() as connection:
            return tuple(HistoryEntry(visit_record(row), load(Verdict, row.body)) for row in connection.execute(query))

    def _need_images(self, connection: Connection, hashes: Iterable[str]) -> None:
        table = tables.images
        for sha256 in hashes:
            if connection.execute(sa.select(table.c.sha256).where(table.c.sha256 == sha256)).first() is None:
                raise LogbookError(f"image {sha256[:12]} is not in the logbook; add its photo before its measurement.")


def _values(name: str, record: Any) -> Iterator[tuple[str, Any]]:
    """Single values of a record with their dotted names."""
    if isinstance(record, dict):
        for key, value in record.items():
            yield from _values(f"{name}.{key}" if name else key, value)
    else:
        yield name, record
