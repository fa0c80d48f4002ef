"""What reviewers decided: a list that only grows."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, get_args

import sqlalchemy as sa
from sqlalchemy import Connection

from audit.errors import LogbookError
from audit.judge.finding import Check, Finding, Verdict
from audit.logbook import tables
from audit.logbook.codec import clean_text, finding_hash, load
from audit.logbook.records import DECISIONS, DecisionRecord, DecisionWord
from audit.logbook.store import Store, VisitRef, number_of

__all__ = ["Decisions", "in_force"]


class Decisions(Store):
    """Adds decisions and says which one counts."""

    def decide(
        self,
        visit: VisitRef,
        camera: str,
        check: Check | str,
        decision: DecisionWord | str,
        by: str,
        why: str,
        latest_seen: int | None = None,
    ) -> DecisionRecord:
        """Adds a decision on one check of one camera.

        A finding that cameras share (their pictures are exchanged) is decided for all of them in one transaction: all
        entries are there, or none.

        Parameters
        ----------
        latest_seen : int or None
            Id of the last entry for this camera and check that the reviewer saw, 0 for none. Where another reviewer
            has decided since, nothing is added and the error says who. None: add in any case.

        Raises
        ------
        LogbookError
            If the visit is signed, the camera or the word is unknown, a reason is missing, or somebody was faster.
        """
        if decision not in DECISIONS:
            raise LogbookError(f"a decision is confirm, dismiss or tolerate, not '{decision}'.")
        if check not in get_args(Check):
            raise LogbookError(f"'{check}' is no check; the checks are {', '.join(get_args(Check))}.")
        if not by.strip():
            raise LogbookError("say who decides (--by NAME).")
        if decision != "confirm" and not why.strip():
            raise LogbookError(f"say why (--why TEXT); a decision to {decision} needs a reason.")
        number = number_of(visit)
        with self._changing(number, alone=True) as connection:
            verdict = self._verdict(connection, number, camera)
            finding = _finding(verdict, check) if verdict else None
            if verdict is None:
                raise LogbookError(f"visit {number} has no findings for camera '{camera}'; check the camera's id.")
            self._refuse_if_newer(connection, number, camera, check, latest_seen)
            added = self._add(connection, number, camera, check, decision, by, why, finding, None)
            for partner in self._partners(connection, number, finding):
                self._add(connection, number, partner.camera, check, decision, by, why, partner, None)
            return added

    def undo(self, visit: VisitRef, camera: str, check: Check | str, by: str, why: str = "") -> DecisionRecord:
        """Takes the decision in force back by adding an entry; the one before it counts again.

        Where cameras share the finding, it is taken back for all of them in one transaction.
        """
        number = number_of(visit)
        with self._changing(number, alone=True) as connection:
            rows = self._rows(connection, number, camera)
            latest = in_force(rows).get((camera, check))
            if latest is None:
                raise LogbookError(f"nothing is decided on '{check}' of camera '{camera}'.")
            verdict = self._verdict(connection, number, camera)
            finding = _finding(verdict, check) if verdict else None
            added = self._add(connection, number, camera, check, "undo", by, why, finding, latest)
            for partner in self._partners(connection, number, finding):
                theirs = in_force(self._rows(connection, number, partner.camera)).get((partner.camera, check))
                if theirs is not None:
                    self._add(connection, number, partner.camera, check, "undo", by, why, partner, theirs)
            return added

    def decisions(self, visit: VisitRef, camera: str | None = None) -> tuple[DecisionRecord, ...]:
        """All entries of a visit (of one camera) in the order in which they were added."""
        table, verdicts = tables.decisions, tables.verdicts
        same = sa.and_(verdicts.c.visit == table.c.visit, verdicts.c.camera == table.c.camera)
        query = sa.select(table, verdicts.c.body).outerjoin(verdicts, same).where(table.c.visit == number_of(visit))
        if camera is not None:
            query = query.where(table.c.camera == camera)
        with self.database.reading() as connection:
            rows = connection.execute(query.order_by(table.c.id)).all()
        counting = set(in_force(rows).values())
        judged = {row.camera: load(Verdict, row.body) for row in rows if row.body is not None}
        hashes = {(name, f.check): finding_hash(f) for name, verdict in judged.items() for f in verdict.findings}
        return tuple(
            _record(row, row.id in counting, hashes.get((row.camera, row.check)) != row.finding_sha256) for row in rows
        )

    def _rows(self, connection: Connection, visit: int, camera: str | None) -> list[sa.Row[Any]]:
        table = tables.decisions
        query = sa.select(table).where(table.c.visit == visit).order_by(table.c.id)
        if camera is not None:
            query = query.where(table.c.camera == camera)
        return list(connection.execute(query))

    def _refuse_if_newer(
        self, connection: Connection, visit: int, camera: str, check: str, latest_seen: int | None
    ) -> None:
        if latest_seen is None:
            return
        newer = [row for row in self._rows(connection, visit, camera) if row.check == check and row.id > latest_seen]
        if newer:
            last = newer[-1]
            raise LogbookError(
                f"{last.by} decided '{last.decision}' on '{check}' of camera '{camera}' at {last.at:%H:%M} UTC while "
                f"you were looking; read it and decide again."
            )

    def _add(
        self,
        connection: Connection,
        visit: int,
        camera: str,
        check: str,
        decision: str,
        by: str,
        why: str,
        finding: Finding | None,
        undoes: int | None,
    ) -> DecisionRecord:
        values = {
            "visit": visit,
            "camera": camera,
            "check": check,
            "decision": decision,
            "by": clean_text(by.strip()),
            "why": clean_text(why.strip()),
            "at": self.clock(),
            "finding_state": None if finding is None else finding.state,
            "finding_sha256": None if finding is None else finding_hash(finding),
            "undoes": undoes,
        }
        table = tables.decisions
        row = connection.execute(table.insert().values(**values).returning(table)).one()
        return _record(row, counts=decision != "undo", changed=False)

    def _partners(self, connection: Connection, visit: int, finding: Finding | None) -> list[Finding]:
        """The same finding on the other cameras of an exchange."""
        found: list[Finding] = []
        if finding is None:
            return found
        for camera in finding.shared:
            verdict = None if camera == finding.camera else self._verdict(connection, visit, camera)
            partner = _finding(verdict, finding.check) if verdict else None
            if partner is not None and partner.shared == finding.shared:
                found.append(partner)
        return found

    def _verdict(self, connection: Connection, visit: int, camera: str) -> Verdict | None:
        table = tables.verdicts
        query = sa.select(table.c.body).where(table.c.visit == visit, table.c.camera == camera)
        body = connection.execute(query).scalar()
        return None if body is None else load(Verdict, body)


def in_force(rows: Iterable[Any]) -> dict[tuple[str, str], int]:
    """Id of the entry that counts, by camera and check; rows in the order in which they were added."""
    stacks: dict[tuple[str, str], list[int]] = {}
    for row in rows:
        stack = stacks.setdefault((row.camera, row.check), [])
        if row.undoes is None:
            stack.append(row.id)
        elif row.undoes in stack:
            stack.remove(row.undoes)
    return {key: stack[-1] for key, stack in stacks.items() if stack}


def _finding(verdict: Verdict, check: str) -> Finding | None:
    return next((finding for finding in verdict.findings if finding.check == check), None)


def _record(row: Any, counts: bool, changed: bool) -> DecisionRecord:
    return DecisionRecord(
        id=row.id,
        visit=row.visit,
        camera=row.camera,
        check=row.check,
        decision=row.decision,
        by=row.by,
        why=row.why,
        at=row.at,
        finding_state=row.finding_state,
        in_force=counts,
        finding_changed=changed,
        undoes=row.undoes,
    )
