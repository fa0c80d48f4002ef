"""The plan and its versions."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from sqlalchemy import Connection

from audit.errors import LogbookError
from audit.logbook import tables
from audit.logbook.codec import clean_text, dump, load, sha256_hex
from audit.logbook.records import PlanRecord
from audit.logbook.store import Store, VisitRef, no_visit, number_of
from audit.plan.model import Camera, Site

__all__ = ["Plans"]


class Plans(Store):
    """Reads and replaces the plan; every version stays."""

    # A stored plan never changes, so that the one read last can be kept; pages ask for it again and again.
    _last_site: tuple[int, Site] | None = None

    def site(self, visit: VisitRef | None = None) -> Site:
        """The site by the plan in force, or by the plan that a signed visit was signed with."""
        with self.database.reading() as connection:
            plan = self._plan_id(connection, visit)
            known = self._last_site
            if known is not None and known[0] == plan:
                return known[1]
            text = connection.execute(sa.select(tables.plans.c.site).where(tables.plans.c.id == plan)).scalar_one()
        site = load(Site, text)
        self._last_site = (plan, site)
        return site

    def planned_camera(self, camera: str, visit: VisitRef | None = None) -> Camera:
        """One planned camera, without reading the whole plan.

        Raises
        ------
        LogbookError
            If the plan has no such camera.
        """
        table = tables.plan_cameras
        with self.database.reading() as connection:
            plan = self._plan_id(connection, visit)
            query = sa.select(table.c.body).where(table.c.plan == plan, table.c.camera == camera)
            body = connection.execute(query).scalar()
        if body is None:
            raise LogbookError(f"the plan has no camera '{camera}'; check the camera's id.")
        return load(Camera, body)

    def plans(self) -> tuple[PlanRecord, ...]:
        """All versions, oldest first."""
        table = tables.plans
        query = sa.select(table.c.sha256, table.c.name, table.c.since, table.c.by).order_by(table.c.id)
        with self.database.reading() as connection:
            return tuple(PlanRecord(*row) for row in connection.execute(query))

    def replace_plan(self, site: Site, plan_name: str, plan_bytes: bytes, by: str | None = None) -> None:
        """Puts a new version in force for open and later visits; the same file again changes nothing."""
        with self.database.writing() as connection:
            latest = self._plan_row(connection, None)
            if latest.sha256 != sha256_hex(plan_bytes) or latest.site != dump(site):
                self._add_plan(connection, site, plan_name, plan_bytes, by)

    def _add_plan(self, connection: Connection, site: Site, name: str, data: bytes, by: str | None) -> None:
        table = tables.plans
        values = {
            "sha256": sha256_hex(data),
            "name": clean_text(name),
            "data": data,
            "site": dump(site),
            "since": self.clock(),
            "by": None if by is None else clean_text(by),
        }
        plan = connection.execute(table.insert().values(**values).returning(table.c.id)).scalar_one()
        rows = [{"plan": plan, "camera": clean_text(c.camera), "body": dump(c)} for c in site.cameras]
        if rows:
            connection.execute(tables.plan_cameras.insert(), rows)

    def _plan_row(self, connection: Connection, visit: VisitRef | None) -> sa.Row[Any]:
        plan = self._plan_id(connection, visit)
        return connection.execute(sa.select(tables.plans).where(tables.plans.c.id == plan)).one()

    def _plan_id(self, connection: Connection, visit: VisitRef | None) -> int:
        """The plan that a signed visit was signed with; else the one in force."""
        latest: int | None
        in_force = sa.select(sa.func.max(tables.plans.c.id)).scalar_subquery()
        if visit is None:
            latest = connection.execute(sa.select(in_force)).scalar()
        else:
            visits, number = tables.visits, number_of(visit)
            query = sa.select(sa.func.coalesce(visits.c.plan, in_force)).where(visits.c.number == number)
            row = connection.execute(query).one_or_none()
            if row is None:
                raise no_visit(number)
            latest = row[0]
        if latest is None:
            raise LogbookError(f"{self.database.shown}: the logbook holds no plan; restore it from a backup.")
        return latest
