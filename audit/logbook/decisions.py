"""What people said about findings: a list that only grows."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any, get_args

import sqlalchemy as sa
from sqlalchemy import Connection

from audit.errors import LogbookError
from audit.judge.finding import STATES, Check, Finding, State, Verdict
from audit.logbook import tables
from audit.logbook.codec import clean_text, dump, finding_hash, load
from audit.logbook.records import DECISIONS, DecisionRecord, DecisionWord
from audit.logbook.settling import Settling, in_force, not_taken_back, waited_for
from audit.logbook.store import VisitRef, number_of
from audit.match.placement import Placement
from audit.photos.photo import Photo

__all__ = ["Decisions"]

#: Entries that one statement asks for.
_AT_ONCE = 500


@dataclass(frozen=True, slots=True)
class _Entry:
    """What somebody says of one check of one camera.

    Attributes
    ----------
    word : str
        A decision, or ``finding``, ``promise``, ``wait``, ``done``, ``undo``.
    undoes : int or None
        Id of the entry that it takes back.
    more : mapping
        Further columns that the word brings.
    """

    camera: str
    check: str
    word: str
    by: str
    why: str = ""
    undoes: int | None = None
    more: Mapping[str, Any] = field(default_factory=dict)


class Decisions(Settling):
    """Adds decisions, people's own findings and promises, and says which one counts."""

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
        """Adds a decision on one check of one camera; state and counts follow in the same transaction.

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
        _need_check_and_name(check, by)
        if decision != "confirm" and not why.strip():
            raise LogbookError(f"say why (--why TEXT); a decision to {decision} needs a reason.")
        return self._say(visit, _Entry(camera, check, decision, by, why), latest_seen)

    def add_finding(
        self,
        visit: VisitRef,
        camera: str,
        check: Check | str,
        state: State | str,
        by: str,
        why: str,
        photo: str | None = None,
        at_px: tuple[float, float] | None = None,
        latest_seen: int | None = None,
    ) -> DecisionRecord:
        """Adds what a person sees: it stands in place of the check's finding until it is taken back.

        Parameters
        ----------
        photo : str or None
            One of the camera's photos in this visit.
        at_px : (column, row) or None
            Where in that photo, in pixels of the oriented file.

        Raises
        ------
        LogbookError
            As :meth:`decide`; also if the state is unknown, or the place lies outside the picture.
        """
        if state not in STATES:
            raise LogbookError(f"'{state}' is no state; the states are {', '.join(STATES)}.")
        _need_check_and_name(check, by)
        if not why.strip():
            raise LogbookError("say what you see (--why TEXT).")
        where = {} if at_px is None else {"column_px": float(at_px[0]), "row_px": float(at_px[1])}
        self._need_in_picture(visit, camera, photo, at_px)
        more = {"said_state": state, "photo": photo, **where}
        return self._say(visit, _Entry(camera, check, "finding", by, why, more=more), latest_seen)

    def promise(
        self, visit: VisitRef, camera: str, check: Check | str, due: date, by: str, why: str = ""
    ) -> DecisionRecord:
        """Notes that a check will be settled by a day; it stays open until then.

        Raises
        ------
        LogbookError
            As :meth:`decide`; also if the day has passed.
        """
        _need_check_and_name(check, by)
        today = self.clock().date()
        if due < today:
            raise LogbookError(f"{due:%Y-%m-%d} has passed (today is {today:%Y-%m-%d}); promise a day to come.")
        return self._say(visit, _Entry(camera, check, "promise", by, why, more={"due": due}), None)

    def wait_for(self, visit: VisitRef, camera: str, check: Check | str, by: str, why: str = "") -> DecisionRecord:
        """Notes that sign-off waits until a check is settled: as planned, dismissed, or tolerated.

        Raises
        ------
        LogbookError
            As :meth:`decide`.
        """
        _need_check_and_name(check, by)
        return self._say(visit, _Entry(camera, check, "wait", by, why), None)

    def wait_no_more(self, visit: VisitRef, camera: str, check: Check | str, by: str) -> None:
        """Takes back that sign-off waits for a check; what was said about it since stays."""
        number = number_of(visit)
        with self._changing(number, alone=True) as connection:
            rows = not_taken_back(self._entries(connection, number, camera))
            asked = [row for row in rows if row.check == check and row.decision == "wait"]
            if not asked:
                raise LogbookError(f"nobody asked that sign-off waits for '{check}' of camera '{camera}'.")
            finding = self._decided_on(self._judged(connection, number, camera), check, rows)
            for row in asked:
                self._add(connection, number, _Entry(camera, check, "undo", by, undoes=row.id), finding)

    def waits(self, visit: VisitRef) -> tuple[tuple[str, str], ...]:
        """Camera and check of each finding that sign-off still waits for."""
        with self.database.reading() as connection:
            return self._waits(connection, number_of(visit))

    def _waits(self, connection: Connection, visit: int) -> tuple[tuple[str, str], ...]:
        open_checks = set()
        asked = waited_for(self._entries(connection, visit, None))
        table = tables.verdicts
        cameras = {camera for camera, _ in asked}
        query = sa.select(table.c.body).where(table.c.visit == visit, table.c.camera.in_(cameras))
        for body in connection.execute(query).scalars() if cameras else ():
            verdict = load(Verdict, body)
            open_checks |= {(verdict.camera, f.check) for f in verdict.findings if f.state != "as planned"}
        return tuple(one for one in asked if one in open_checks)

    def put_done(
        self,
        visit: VisitRef,
        placement: Placement,
        after: Sequence[tuple[Check, State, str]],
        by: str,
        verdict: Verdict | None,
    ) -> tuple[DecisionRecord, ...]:
        """Keeps that work was done at a camera: the photo that shows it, an entry a check, and the verdict by it, in one
        transaction.

        Parameters
        ----------
        placement : Placement
            Of the photo, which lies in the visit already, at the camera.
        after : sequence of (check, state, words)
            What the photo makes of each check, with the figures before and after.
        verdict : Verdict or None
            Of the camera as judged with the photo; None where it is no picture that the camera took.

        Raises
        ------
        LogbookError
            If the visit is signed, the camera is not judged, or the name is missing.
        """
        number, camera, table = number_of(visit), clean_text(placement.camera or ""), tables.placements
        with self._changing(number, alone=True) as connection:
            judged = self._judged(connection, number, camera)
            if judged is None:
                raise LogbookError(f"visit {number} has no findings for camera '{camera}'; check the camera's id.")
            before = {check: self._decided_on(judged, check, self._entries(connection, number, camera)) for check, _, _ in after}
            row = {"visit": number, "photo": clean_text(placement.photo), "camera": camera,
                   "decision": placement.decision, "role": placement.role, "body": dump(placement)}  # fmt: skip
            self._insert_or_update(connection, table, [row])
            if verdict is not None:
                kept = tables.verdicts
                key = sa.and_(kept.c.visit == number, kept.c.camera == camera)
                connection.execute(kept.update().where(key).values(judged=dump(verdict)))
            added = []
            for check, state, words in after:
                _need_check_and_name(check, by)
                done = _Entry(camera, check, "done", by, words, more={"said_state": state, "photo": row["photo"]})
                added.append(self._add(connection, number, done, before[check]))
            return tuple(added)

    def undo(self, visit: VisitRef, camera: str, check: Check | str, by: str, why: str = "") -> DecisionRecord:
        """Takes the entry in force back by adding one; the one before it counts again.

        Where cameras share the finding that it was about, it is taken back for all of them in one transaction. After a
        ``done`` the camera is to be judged again (:func:`audit.visit.done.take_back`): its photo no longer counts.
        """
        number = number_of(visit)
        with self._changing(number, alone=True) as connection:
            rows = self._entries(connection, number, camera)
            latest = in_force(rows).get((camera, check))
            if latest is None:
                raise LogbookError(f"nothing is decided on '{check}' of camera '{camera}'.")
            judged = self._judged(connection, number, camera)
            finding = self._decided_on(judged, check, (row for row in rows if row.id < latest))
            undo = _Entry(camera, check, "undo", by, why, latest)
            added = self._add(connection, number, undo, finding)
            for partner in self._partners(connection, number, finding):
                entries = self._entries(connection, number, partner.camera)
                theirs = in_force(entries).get((partner.camera, check))
                if theirs is not None:
                    self._add(connection, number, replace(undo, camera=partner.camera, undoes=theirs), partner)
            return added

    def decisions(self, visit: VisitRef, camera: str | None = None) -> tuple[DecisionRecord, ...]:
        """All entries of a visit (of one camera) in the order in which they were added."""
        number, verdicts = number_of(visit), tables.verdicts
        query = sa.select(verdicts.c.camera, verdicts.c.judged).where(verdicts.c.visit == number)
        if camera is not None:
            query = query.where(verdicts.c.camera == camera)
        with self.database.reading() as connection:
            rows = self._entries(connection, number, camera)
            spoken_of = {row.camera for row in rows}
            verdict_of: dict[str, Verdict | None] = dict.fromkeys(spoken_of)
            verdict_of |= {c: load(Verdict, body) for c, body in connection.execute(query) if c in spoken_of and body is not None}
        counting = set(in_force(rows).values())
        earlier: dict[tuple[str, str], list[sa.Row[Any]]] = {}
        found = []
        for row in rows:
            entries = earlier.setdefault((row.camera, row.check), [])
            finding = self._decided_on(verdict_of[row.camera], row.check, entries) if row.id in counting else None
            now = None if finding is None else finding_hash(finding)
            changed = row.id in counting and row.decision != "done" and now != row.finding_sha256
            found.append(_record(row, row.id in counting, changed))
            entries.append(row)
        return tuple(found)

    def standing(self, visit: VisitRef) -> tuple[DecisionRecord, ...]:
        """The entries of a visit that count now, one a camera and check, in the order in which they were added; however many
        were added before. Whether their findings have changed since is not looked at."""
        table = tables.decisions
        slim = sa.select(table.c.id, table.c.camera, table.c.check, table.c.undoes).where(table.c.visit == number_of(visit))
        with self.database.reading() as connection:
            ids = sorted(in_force(connection.execute(slim.order_by(table.c.id)).all()).values())
            rows = [
                row
                for start in range(0, len(ids), _AT_ONCE)
                for row in connection.execute(sa.select(table).where(table.c.id.in_(ids[start : start + _AT_ONCE])))
            ]
        return tuple(_record(row, True, False) for row in sorted(rows, key=lambda row: int(row.id)))

    def _say(self, visit: VisitRef, said: _Entry, latest_seen: int | None) -> DecisionRecord:
        """Adds an entry, for every camera that shares the finding it is about."""
        number, camera = number_of(visit), said.camera
        with self._changing(number, alone=True) as connection:
            judged = self._judged(connection, number, camera)
            if judged is None:
                raise LogbookError(f"visit {number} has no findings for camera '{camera}'; check the camera's id.")
            self._refuse_if_newer(connection, number, camera, said.check, latest_seen)
            finding = self._decided_on(judged, said.check, self._entries(connection, number, camera))
            added = self._add(connection, number, said, finding)
            for partner in self._partners(connection, number, finding) if said.word != "finding" else ():
                self._add(connection, number, replace(said, camera=partner.camera), partner)
            return added

    def _need_in_picture(
        self, visit: VisitRef, camera: str, photo: str | None, at_px: tuple[float, float] | None
    ) -> None:
        if photo is None:
            if at_px is not None:
                raise LogbookError("say in which photo the place lies.")
            return
        photos, placements = tables.photos, tables.placements
        query = sa.select(photos.c.body).join(
            placements, sa.and_(placements.c.visit == photos.c.visit, placements.c.photo == photos.c.name)
        )
        query = query.where(
            photos.c.visit == number_of(visit), photos.c.name == photo, placements.c.camera == camera
        )
        with self.database.reading() as connection:
            body = connection.execute(query).scalar()
        if body is None:
            raise LogbookError(f"'{photo}' is no photo of camera '{camera}' in visit {number_of(visit)}.")
        kept = load(Photo, body)
        inside = at_px is None or (
            all(math.isfinite(v) for v in at_px) and -0.5 <= at_px[0] < kept.width_px and -0.5 <= at_px[1] < kept.height_px
        )
        if not inside:
            raise LogbookError(
                f"the place lies outside '{photo}', which has {kept.width_px} × {kept.height_px} px; give column and row "
                f"from its top left corner."
            )

    def _refuse_if_newer(
        self, connection: Connection, visit: int, camera: str, check: str, latest_seen: int | None
    ) -> None:
        if latest_seen is None:
            return
        newer = [row for row in self._entries(connection, visit, camera) if row.check == check and row.id > latest_seen]
        if newer:
            last = newer[-1]
            raise LogbookError(
                f"{last.by} decided '{last.decision}' on '{check}' of camera '{camera}' at {last.at:%H:%M} UTC while "
                f"you were looking; read it and decide again."
            )

    def _add(self, connection: Connection, visit: int, said: _Entry, finding: Finding | None) -> DecisionRecord:
        values = {
            "visit": visit,
            "camera": said.camera,
            "check": said.check,
            "decision": said.word,
            "by": clean_text(said.by.strip()),
            "why": clean_text(said.why.strip()),
            "at": self.clock(),
            "finding_state": None if finding is None else finding.state,
            "finding_sha256": None if finding is None else finding_hash(finding),
            "undoes": said.undoes,
            **said.more,
        }
        table = tables.decisions
        row = connection.execute(table.insert().values(**values).returning(table)).one()
        self._settle(connection, visit, said.camera)
        return _record(row, counts=said.word != "undo", changed=False)

    def _partners(self, connection: Connection, visit: int, finding: Finding | None) -> list[Finding]:
        """The same finding on the other cameras of an exchange."""
        found: list[Finding] = []
        if finding is None:
            return found
        for camera in finding.shared:
            if camera == finding.camera:
                continue
            judged = self._judged(connection, visit, camera)
            partner = None if judged is None else next((f for f in judged.findings if f.check == finding.check), None)
            if partner is not None and partner.shared == finding.shared:
                found.append(partner)
        return found


def _need_check_and_name(check: str, by: str) -> None:
    if check not in get_args(Check):
        raise LogbookError(f"'{check}' is no check; the checks are {', '.join(get_args(Check))}.")
    if not by.strip():
        raise LogbookError("say who decides (--by NAME).")


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
        said_state=row.said_state,
        photo=row.photo,
        at_px=None if row.column_px is None else (row.column_px, row.row_px),
        due=row.due,
    )
