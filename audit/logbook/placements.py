"""Where photos belong: as the program puts them, with what people said laid over it in the same transaction."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any, get_args

import sqlalchemy as sa
from sqlalchemy import Connection

from audit.errors import LogbookError
from audit.logbook import tables
from audit.logbook.codec import clean_text, dump, load
from audit.logbook.records import AnswerRecord
from audit.logbook.store import Store, VisitRef, number_of
from audit.match.placement import BY_HAND, Decision, Placement
from audit.match.told import SaidRole, Told, laid_over, taken_back

__all__ = ["Placements"]

_UNDO = "undo"
_TURNED: SaidRole = "turned"
_UPSET: SaidRole = "wrong way up"
#: Names that one statement asks for.
_AT_ONCE = 500


class Placements(Store):
    """Places photos, and keeps what people say of them: a list that only grows."""

    def answer(
        self,
        visit: VisitRef,
        photo: str | Sequence[str],
        camera: str | None,
        by: str,
        role: SaidRole | None = None,
        latest_seen: int | None = None,
    ) -> None:
        """Notes what a person says of one or several photos: whose they are and, perhaps, what they show; they are placed so
        in the same transaction. The latest entry counts, all are kept.

        Parameters
        ----------
        camera : str or None
            None: they belong to no camera.
        role : SaidRole or None
            None leaves what was said before, else what the program thinks.
        latest_seen : int or None
            Id of the last entry on them that the person saw, 0 for none. Where somebody has spoken since, nothing is added
            and the error says who. None: add in any case.

        Raises
        ------
        LogbookError
            If the visit is signed, nobody says who speaks, the role is unknown, or somebody was faster.
        """
        if not by.strip():
            raise LogbookError("say who places the photo (--by NAME).")
        if role is not None and role not in get_args(SaidRole):
            raise LogbookError(f"'{role}' is nothing that a photo can be; it is one of {', '.join(get_args(SaidRole))}.")
        names = [clean_text(name) for name in ((photo,) if isinstance(photo, str) else photo)]
        number = number_of(visit)
        with self._changing(number, alone=True) as connection:
            self._refuse_if_spoken(connection, number, names, latest_seen)
            self._speak(connection, number, names, None if camera is None else clean_text(camera), by, role)

    def undo_answer(self, visit: VisitRef, photo: str, by: str, latest_seen: int | None = None) -> None:
        """Takes the latest word on a photo back by adding an entry: the one before it counts again, else the program's.

        Raises
        ------
        LogbookError
            If the visit is signed, nothing is said of the photo, or somebody has spoken since.
        """
        number, name = number_of(visit), clean_text(photo)
        with self._changing(number, alone=True) as connection:
            self._refuse_if_spoken(connection, number, [name], latest_seen)
            if not _counting(self._words(connection, number, [name])).get(name):
                raise LogbookError(f"nothing is said of photo '{photo}' in visit {number}.")
            self._speak(connection, number, [name], None, by, _UNDO)

    def answers(self, visit: VisitRef) -> dict[str, str | None]:
        """Camera by photo as a person said last; None = belongs to no camera."""
        return {photo: told.camera for photo, told in self.told(visit).items()}

    def told(self, visit: VisitRef) -> dict[str, Told]:
        """What counts of all that people said, by photo."""
        with self.database.reading() as connection:
            rows = self._words(connection, number_of(visit), None)
            return _told(rows, self._of_old(connection, number_of(visit), rows))

    def answer_history(self, visit: VisitRef, photos: Sequence[str] | None = None) -> tuple[AnswerRecord, ...]:
        """All answers of a visit, or those on some photos, in the order in which they were given."""
        number = number_of(visit)
        with self.database.reading() as connection:
            rows = self._words(connection, number, None if photos is None else [clean_text(p) for p in photos])
            old = self._of_old(connection, number, rows)
        counting = {row.id for stack in _counting(rows).values() for row in stack}
        return tuple(
            AnswerRecord(r.photo, r.camera, r.by, r.at, _UPSET if r.id in old else r.role, r.id, r.id in counting) for r in rows
        )

    def last_said(self, visit: VisitRef) -> tuple[int, ...]:
        """Ids of the latest entries on photos, of clicks and of decisions: what was judged before them has to be judged again."""
        with self.database.reading() as connection:
            latest = [
                connection.execute(sa.select(sa.func.max(table.c.id)).where(table.c.visit == number_of(visit))).scalar()
                for table in (tables.answers, tables.points, tables.decisions)
            ]
        return tuple(one or 0 for one in latest)

    def photos_ahead(self, visit: VisitRef) -> int:
        """How many photos somebody spoke of since all were last put to cameras together."""
        t, answers = tables.placements, tables.answers
        spoken = sa.select(answers.c.photo).where(answers.c.visit == number_of(visit))
        query = sa.select(t.c.body).where(t.c.visit == number_of(visit), t.c.photo.in_(spoken))
        with self.database.reading() as connection:
            return sum(load(Placement, body).ahead for body in connection.execute(query).scalars())

    def put_placements(self, visit: VisitRef, placements: Iterable[Placement]) -> tuple[Placement, ...]:
        """Replaces the placements of a visit, what people said laid over them; rows that stay the same are not touched.

        Returns
        -------
        tuple of Placement
            As they count, in the order given.
        """
        number, table = number_of(visit), tables.placements
        wanted = tuple(placements)
        with self._changing(number, alone=True) as connection:
            words = self._words(connection, number, None)
            told = _told(words, self._of_old(connection, number, words))
            before = self._placed(connection, number, [name for name in told])
            kept = tuple(_laid(p, told.get(clean_text(p.photo)), before.get(clean_text(p.photo))) for p in wanted)
            rows = {clean_text(p.photo): _row(number, p) for p in kept}
            changed = self._replace(connection, table, "photo", number, rows)
            if changed:
                photos = tables.photos
                known = set(connection.execute(sa.select(photos.c.name).where(photos.c.visit == number)).scalars())
                missing = sorted({row["photo"] for row in changed} - known)
                if missing:
                    raise LogbookError(f"visit {number} has no photo '{missing[0]}' to place; add the photo first.")
            self._insert_or_update(connection, table, changed)
        return kept

    def placements(
        self,
        visit: VisitRef,
        camera: str | None = None,
        *,
        decision: Decision | None = None,
        limit: int | None = None,
    ) -> tuple[Placement, ...]:
        """Placements of a visit by photo name, those at one camera, or those so decided; at most ``limit``."""
        table = tables.placements
        query = sa.select(table.c.body).where(table.c.visit == number_of(visit)).order_by(table.c.photo)
        if camera is not None:
            query = query.where(table.c.camera == camera)
        if decision is not None:
            query = query.where(table.c.decision == decision)
        if limit is not None:
            query = query.limit(limit)
        with self.database.reading() as connection:
            return tuple(load(Placement, body) for body in connection.execute(query).scalars())

    def placement(self, visit: VisitRef, photo: str) -> Placement | None:
        """Where one photo lies; None where it was not placed yet."""
        with self.database.reading() as connection:
            return self._placed(connection, number_of(visit), [clean_text(photo)]).get(clean_text(photo))

    def placed_roles(self, visit: VisitRef) -> dict[str, tuple[str, ...]]:
        """Role of each photo that lies at each camera, without reading the placements themselves."""
        table = tables.placements
        query = sa.select(table.c.camera, table.c.role, sa.func.count()).where(
            table.c.visit == number_of(visit), table.c.camera.is_not(None)
        )
        found: dict[str, tuple[str, ...]] = {}
        with self.database.reading() as connection:
            for camera, role, photos in connection.execute(query.group_by(table.c.camera, table.c.role)):
                found[camera] = (*found.get(camera, ()), *(role,) * photos)
        return found

    def uncertain_placements(self, visit: VisitRef) -> tuple[Placement, ...]:
        """Photos of a visit that a person has to place."""
        return self.placements(visit, decision="uncertain")

    def _speak(
        self, connection: Connection, visit: int, names: Sequence[str], camera: str | None, by: str, role: str | None
    ) -> None:
        """Add the entries, and lay what counts now over the places that are kept."""
        row = {"visit": visit, "camera": camera, "by": clean_text(by.strip()), "at": self.clock(), "role": role}
        old = self._of_old(connection, visit, self._words(connection, visit, names))
        connection.execute(tables.answers.insert(), [{**row, "photo": name} for name in names])
        told = _told(self._words(connection, visit, names), old)
        rows = []
        for name, placed in self._placed(connection, visit, names).items():
            word = told.get(name)
            now = taken_back(placed) if word is None else laid_over(placed, word, placed.own or placed, ahead=True)
            rows.append(_row(visit, now))
        self._insert_or_update(connection, tables.placements, rows)

    def _words(self, connection: Connection, visit: int, names: Sequence[str] | None) -> list[sa.Row[Any]]:
        """Entries of a visit, or on some photos, in the order in which they were added."""
        table = tables.answers
        query = sa.select(table).where(table.c.visit == visit).order_by(table.c.id)
        if names is None:
            return list(connection.execute(query))
        rows = [r for some in _parts(names) for r in connection.execute(query.where(table.c.photo.in_(some)))]
        return sorted(rows, key=lambda row: int(row.id))

    def _of_old(self, connection: Connection, visit: int, rows: Sequence[sa.Row[Any]]) -> frozenset[int]:
        """Ids of entries that said ``turned`` when that meant the wrong way up, as the photo's place tells; signed rows keep
        the word that they were signed with."""
        said = {photo: _what_it_is(stack) for photo, stack in _counting(rows).items()}
        asked = sorted(photo for photo, row in said.items() if row is not None and row.role == _TURNED)
        placed = self._placed(connection, visit, asked)
        return frozenset(row.id for row in rows if row.role == _TURNED and row.photo in placed and placed[row.photo].turned)

    def _placed(self, connection: Connection, visit: int, names: Sequence[str]) -> dict[str, Placement]:
        table = tables.placements
        query = sa.select(table.c.photo, table.c.body).where(table.c.visit == visit)
        return {
            row.photo: load(Placement, row.body)
            for some in _parts(names)
            for row in connection.execute(query.where(table.c.photo.in_(some)))
        }

    def _refuse_if_spoken(
        self, connection: Connection, visit: int, names: Sequence[str], latest_seen: int | None
    ) -> None:
        if latest_seen is None:
            return
        newer = [row for row in self._words(connection, visit, names) if row.id > latest_seen]
        if newer:
            last = newer[-1]
            what = "took back what was said" if last.role == _UNDO else f"put it to {last.camera or 'no camera'}"
            raise LogbookError(
                f"{last.photo}: {last.by} {what} at {last.at:%H:%M} UTC while you were looking; look at it and say it again."
            )


def _laid(placed: Placement, told: Told | None, before: Placement | None) -> Placement:
    """A photo as it is put by what was known when all were; a word that came since stays ahead."""
    if told is None:
        return placed
    own = placed
    if before is not None:
        own = before.own or (placed if before.evidence[:1] == (BY_HAND,) else before)
    if told.role is None:
        own = replace(own, role=placed.role)
    knew = placed.camera == told.camera and placed.decision != "uncertain" and placed.probability == 1.0
    return laid_over(placed, told, own, ahead=not knew)


def _told(rows: Iterable[sa.Row[Any]], old: Collection[int]) -> dict[str, Told]:
    found = {}
    for photo, stack in _counting(rows).items():
        if stack:
            said = _what_it_is(stack)
            role = None if said is None else _UPSET if said.id in old else said.role
            found[photo] = Told(stack[-1].camera, role)
    return found


def _what_it_is(stack: Sequence[sa.Row[Any]]) -> sa.Row[Any] | None:
    """The entry that says what a photo is, of those that count."""
    return next((row for row in reversed(stack) if row.role is not None), None)


def _counting(rows: Iterable[sa.Row[Any]]) -> Mapping[str, list[sa.Row[Any]]]:
    """Entries by photo that nobody has taken back; rows in the order in which they were added."""
    stacks: dict[str, list[sa.Row[Any]]] = {}
    for row in rows:
        stack = stacks.setdefault(row.photo, [])
        if row.role != _UNDO:
            stack.append(row)
        elif stack:
            stack.pop()
    return stacks


def _row(visit: int, placed: Placement) -> dict[str, Any]:
    return {
        "visit": visit,
        "photo": clean_text(placed.photo),
        "camera": None if placed.camera is None else clean_text(placed.camera),
        "decision": placed.decision,
        "role": placed.role,
        "body": dump(placed),
    }


def _parts(names: Sequence[str]) -> Iterable[Sequence[str]]:
    return (names[start : start + _AT_ONCE] for start in range(0, len(names), _AT_ONCE))
