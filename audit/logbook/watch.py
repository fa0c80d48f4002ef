"""What is watched: counters in OpenMetrics text, one line of health, and how far a visit is."""

from __future__ import annotations

from typing import get_args

import sqlalchemy as sa

from audit.errors import LogbookError
from audit.judge.finding import STATES
from audit.logbook import tables
from audit.logbook.locks import present_writer
from audit.logbook.plans import Plans
from audit.logbook.records import VisitProgress
from audit.logbook.store import VisitRef, number_of, visit_record
from audit.match.placement import Decision

__all__ = ["Watch"]


class Watch(Plans):
    """Counts what is kept, says whether the logbook answers, and how far a visit is."""

    def counters(self) -> str:
        """Numbers of what is kept, as OpenMetrics 1.0 text.

        Returns
        -------
        str
            Gauges, ending with ``# EOF``; cameras by state are those of the latest visit.
        """
        t = tables
        with self.database.reading() as connection:

            def count(table: sa.Table, *where: sa.ColumnElement[bool]) -> int:
                return connection.execute(sa.select(sa.func.count()).select_from(table).where(*where)).scalar_one()

            size = connection.execute(sa.select(sa.func.coalesce(sa.func.sum(t.images.c.size_bytes), 0))).scalar_one()
            latest = sa.select(sa.func.max(t.visits.c.number)).scalar_subquery()
            counts = sa.select(t.verdict_counts.c.rank, t.verdict_counts.c.cameras)
            cameras = dict.fromkeys(range(len(STATES)), 0)
            for rank, number in connection.execute(counts.where(t.verdict_counts.c.visit == latest)):
                cameras[rank] = number
            families = [
                ("visits", "Visits opened.", {"": count(t.visits)}),
                ("visits_signed", "Visits signed.", {"": count(t.visits, t.visits.c.signed_at.is_not(None))}),
                ("photos", "Photos taken in.", {"": count(t.photos)}),
                ("files_refused", "Files refused.", {"": count(t.refusals)}),
                ("images", "Images kept, each once.", {"": count(t.images)}),
                ("image_bytes", "Bytes of the images kept.", {"": int(size)}),
                ("measurements", "Measurements kept.", {"": count(t.measurements)}),
                ("decisions", "Decisions entered.", {"": count(t.decisions)}),
                (
                    "cameras",
                    "Cameras of the latest visit by state.",
                    {f'{{state="{state}"}}': cameras[rank] for rank, state in enumerate(STATES)},
                ),
            ]
        lines = []
        for name, text, values in families:
            lines += [f"# TYPE photo_audit_{name} gauge", f"# HELP photo_audit_{name} {text}"]
            lines += [f"photo_audit_{name}{labels} {value}" for labels, value in values.items()]
        return "\n".join([*lines, "# EOF", ""])

    def progress(self, visit: VisitRef) -> VisitProgress:
        """How far a visit is; for looking on from another terminal while it runs."""
        t, number = tables, number_of(visit)
        with self.database.reading() as connection:

            def count(table: sa.Table, *where: sa.ColumnElement[bool]) -> int:
                query = sa.select(sa.func.count()).select_from(table).where(table.c.visit == number, *where)
                return connection.execute(query).scalar_one()

            record = visit_record(self._visit_row(connection, number))
            decisions = {word: count(t.placements, t.placements.c.decision == word) for word in get_args(Decision)}
            snapshot = (t.placements.c.decision == "placed", t.placements.c.role == "snapshot")
            measured = sa.exists().where(
                t.photos.c.visit == number,
                t.photos.c.name == t.placements.c.photo,
                t.measurements.c.sha256 == t.photos.c.sha256,
            )
            plan = self._plan_id(connection, number)
            cameras = sa.select(sa.func.count()).select_from(t.plan_cameras).where(t.plan_cameras.c.plan == plan)
            return VisitProgress(
                record,
                photos=count(t.photos),
                refused=count(t.refusals),
                placed=decisions["placed"],
                uncertain=decisions["uncertain"],
                unmatched=decisions["unmatched"],
                snapshots=count(t.placements, *snapshot),
                measured=count(t.placements, *snapshot, measured),
                judged=count(t.verdicts),
                cameras=connection.execute(cameras).scalar_one(),
                writer=present_writer(self.database),
            )

    def health(self) -> tuple[bool, str]:
        """Whether database and image store answer, with one line about it."""
        try:
            with self.database.reading() as connection:
                visits = connection.execute(sa.select(sa.func.count()).select_from(tables.visits)).scalar_one()
                sample = connection.execute(sa.select(tables.images.c.sha256).limit(1)).scalar()
            if sample is not None and self.images.state(sample) != "kept":
                return False, f"{self.database.shown}: an image is missing or changed; run 'photo-audit verify'."
        except LogbookError as error:
            return False, error.message
        access = "read-only" if self.database.read_only else "writable"
        return True, f"{self.database.shown}: well, {access}, {visits} visit{'s' if visits != 1 else ''}."
