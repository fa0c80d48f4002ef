"""Phones let into a visit's aiming: who issued the code, which name the phone gave, who turned it away; a list that only grows."""

from __future__ import annotations

from typing import get_args

import sqlalchemy as sa

from audit.errors import LogbookError
from audit.logbook import tables
from audit.logbook.codec import clean_text
from audit.logbook.records import PairingEvent, PairingRecord
from audit.logbook.store import Store, VisitRef, number_of

__all__ = ["PairingNotes"]


class PairingNotes(Store):
    """Keeps what came of pairing codes."""

    def note_pairing(self, visit: VisitRef, pairing: str, event: PairingEvent, by: str, name: str | None = None) -> PairingRecord:
        """Adds an event of a pairing.

        Parameters
        ----------
        pairing : str
            Names the pairing; neither its code nor its session follow from it.
        by : str
            Who issued the code, or turned the phone away.
        name : str or None
            Which the phone gave, where it was let in.

        Raises
        ------
        LogbookError
            If the visit is signed, or nobody says who it was.
        """
        if event not in get_args(PairingEvent) or not by.strip():
            raise LogbookError("say who lets a phone in, and what came of it.")
        values = {
            "visit": number_of(visit), "pairing": pairing, "event": event, "by": clean_text(by.strip()),
            "name": None if name is None else clean_text(name), "at": self.clock(),
        }  # fmt: skip
        table = tables.pairings
        with self._changing(number_of(visit), alone=True) as connection:
            row = connection.execute(table.insert().values(**values).returning(table)).one()
        return PairingRecord(row.visit, row.pairing, row.event, row.name, row.by, row.at)

    def pairings(self, visit: VisitRef) -> tuple[PairingRecord, ...]:
        """What came of a visit's pairing codes, in order."""
        table = tables.pairings
        query = sa.select(table).where(table.c.visit == number_of(visit)).order_by(table.c.id)
        with self.database.reading() as connection:
            rows = connection.execute(query).all()
        return tuple(PairingRecord(row.visit, row.pairing, row.event, row.name, row.by, row.at) for row in rows)
