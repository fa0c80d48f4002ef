"""Which picture a camera is held to: chosen at signing by what was found, or by a person with a reason."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, replace
from typing import Any, cast

import sqlalchemy as sa
from sqlalchemy import Connection

from audit.errors import LogbookError
from audit.judge.finding import Check, Verdict
from audit.judge.referencing import glass_verified, reference_bar, reference_grounds
from audit.logbook import tables
from audit.logbook.codec import clean_text, load, load_plain
from audit.logbook.evidence import REFERENCE_COLUMNS, latest_references, reference_record
from audit.logbook.records import CHANNELS, Channel, DonePictures, ReferenceChoice, ReferenceRecord
from audit.logbook.settling import Settling, in_force
from audit.logbook.store import VisitRef, number_of
from audit.match.placement import Placement
from audit.photos.photo import Photo

__all__ = ["References"]


class References(Settling):
    """Chooses references, and says which one counts."""

    def renew_reference(
        self, visit: VisitRef, camera: str, channel: Channel | str, photo: str, by: str, why: str
    ) -> ReferenceChoice:
        """A person says that a photo of this open visit becomes the camera's reference when it is signed, whatever was found.

        Raises
        ------
        LogbookError
            If the visit is signed, the photo isn't a picture of that camera, or name or reason is missing.
        """
        light, now = cast(Channel, channel), self.clock()
        return self._choose(ReferenceChoice(number_of(visit), camera, light, "renew", photo, by, why, now))

    def withdraw_reference(
        self, visit: VisitRef, camera: str, channel: Channel | str, by: str, why: str
    ) -> ReferenceChoice:
        """A person says that the camera's reference of earlier visits no longer counts, from this open visit on.

        Raises
        ------
        LogbookError
            If the visit is signed, there is no reference, or name or reason is missing.
        """
        if not any(r.channel == channel for r in self.camera_references(camera, visit)):
            raise LogbookError(f"camera '{camera}' has no reference by {channel} to withdraw.")
        light, now = cast(Channel, channel), self.clock()
        return self._choose(ReferenceChoice(number_of(visit), camera, light, "withdraw", None, by, why, now))

    def restore_reference(
        self, visit: VisitRef, camera: str, channel: Channel | str, by: str, why: str
    ) -> ReferenceChoice:
        """A person takes back what was said about a camera's reference in this open visit."""
        light, now = cast(Channel, channel), self.clock()
        return self._choose(ReferenceChoice(number_of(visit), camera, light, "restore", None, by, why, now))

    def reference_choices(self, visit: VisitRef | None = None) -> tuple[ReferenceChoice, ...]:
        """What people said about references, of a visit or of all, in the order in which it was said."""
        table = tables.reference_choices
        query = sa.select(table).order_by(table.c.id)
        if visit is not None:
            query = query.where(table.c.visit == number_of(visit))
        with self.database.reading() as connection:
            return tuple(_choice(row) for row in connection.execute(query))

    def references(self, visit: VisitRef | None = None) -> tuple[ReferenceRecord, ...]:
        """The latest signed reference of each camera that was not withdrawn since, by day and by night.

        Parameters
        ----------
        visit : VisitRecord, int or None
            Only references signed in visits before this one; None: all.
        """
        return self._references(visit, None)

    def camera_references(self, camera: str, visit: VisitRef | None = None) -> tuple[ReferenceRecord, ...]:
        """The latest signed references of one camera, at most one by day and one by night."""
        return self._references(visit, camera)

    def _references(self, visit: VisitRef | None, camera: str | None) -> tuple[ReferenceRecord, ...]:
        table = tables.references
        query = sa.select(*(table.c[name] for name in REFERENCE_COLUMNS)).join(*latest_references(visit, camera))
        with self.database.reading() as connection:
            rows = connection.execute(query.order_by(table.c.camera, table.c.channel)).all()
        return tuple(reference_record(row) for row in rows)

    def no_reference_yet(self, visit: VisitRef) -> dict[str, str]:
        """Cameras none of whose pictures of a visit becomes reference, as things stand, with the reason."""
        number = number_of(visit)
        with self.database.reading() as connection:
            bars = {camera: bar for camera, (bar, _, _) in self._grounds(connection, number).items() if bar is not None}
            chosen = {camera for (camera, _), choice in self._choices(connection, number).items() if choice.photo}
            return {camera: bar for camera, bar in bars.items() if camera not in chosen}

    def latest_snapshot(self, visit: VisitRef, camera: str, channel: Channel | str) -> str:
        """The name of the camera's own latest picture of a visit by day or by night.

        Raises
        ------
        LogbookError
            If there is none.
        """
        with self.database.reading() as connection:
            latest = self._latest_snapshots(connection, number_of(visit))
        found = next((row.name for (name, light), row in latest.items() if (name, light) == (camera, channel)), None)
        if found is None:
            raise LogbookError(f"camera '{camera}' has no picture of its own by {channel} in visit {number_of(visit)}.")
        return str(found)

    def _keep_references(self, connection: Connection, visit: int) -> None:
        """The latest placed snapshot of each camera by day and by night, where it may be; what a person chose besides."""
        grounds = self._grounds(connection, visit)
        choices = self._choices(connection, visit)
        rows = []
        for (camera, channel), photo in self._latest_snapshots(connection, visit).items():
            bar, ground, glass = grounds.get(camera, (None, "as planned", "not verified"))
            choice = choices.get((camera, channel))
            if choice is not None and choice.photo is not None:
                continue
            if bar is None:
                rows.append(_row(visit, (camera, channel), (photo.name, photo.sha256), ground, glass))
        for (camera, channel), choice in choices.items():
            if choice.photo is not None:
                photos = tables.photos
                query = sa.select(photos.c.sha256).where(photos.c.visit == visit, photos.c.name == choice.photo)
                sha256 = connection.execute(query).scalar_one()
                _, _, glass = grounds.get(camera, (None, "", "not verified"))
                said = f"said by {choice.by}: {choice.why}"
                rows.append(_row(visit, (camera, channel), (choice.photo, sha256), said, glass))
        self._insert_or_update(connection, tables.references, rows)

    def _grounds(self, connection: Connection, visit: int) -> dict[str, tuple[str | None, str, str]]:
        """By camera: why no picture of it may be reference, on what grounds one may, and whether the glass was seen clean."""
        entries = self._entries(connection, visit, None)
        word = {row.id: row.decision for row in entries}
        tolerated: dict[str, set[Check]] = {}
        for (camera, check), entry in in_force(entries).items():
            if word[entry] == "tolerate":
                tolerated.setdefault(camera, set()).add(check)  # type: ignore[arg-type]
        table = tables.verdicts
        found = {}
        for body in connection.execute(sa.select(table.c.body).where(table.c.visit == visit)).scalars():
            verdict = load(Verdict, body)
            mine = tolerated.get(verdict.camera, set())
            glass = "verified" if glass_verified(verdict) else "not verified"
            found[verdict.camera] = (reference_bar(verdict, mine), reference_grounds(verdict, mine), glass)
        return found

    def _latest_snapshots(self, connection: Connection, visit: int) -> dict[tuple[str, Channel], Any]:
        photos, placements = tables.photos, tables.placements
        snapshots = (
            sa.select(placements.c.camera, photos.c.name, photos.c.sha256, photos.c.body, placements.c.body.label("placed"))
            .join(photos, sa.and_(photos.c.visit == placements.c.visit, photos.c.name == placements.c.photo))
            .where(
                placements.c.visit == visit,
                placements.c.decision == "placed",
                placements.c.role == "snapshot",
                placements.c.camera.is_not(None),
            )
        )
        done = self._done_pictures(connection, visit)
        chosen: dict[tuple[str, Channel], tuple[tuple[int, str, str], Any]] = {}
        for row in connection.execute(snapshots):
            given = done.get(row.camera, DonePictures())
            if row.name in given.taken_back:
                continue
            taken_at = load(Photo, row.body).metadata.taken_at
            after_work = given.counting.index(row.name) + 1 if row.name in given.counting else 0
            order = (after_work, taken_at.isoformat() if taken_at else "", row.name)
            light = load(Placement, row.placed).light or self._channel(connection, row.sha256)
            place: tuple[str, Channel] = (row.camera, light)
            if place not in chosen or chosen[place][0] < order:
                chosen[place] = (order, row)
        return {place: row for place, (_, row) in chosen.items()}

    def _channel(self, connection: Connection, sha256: str) -> Channel:
        measurements = tables.measurements
        query = sa.select(measurements.c.body).where(measurements.c.sha256 == sha256)
        night = any(_by_night(load_plain(body)) for body in connection.execute(query).scalars())
        return "night" if night else "day"

    def _choose(self, said: ReferenceChoice) -> ReferenceChoice:
        if said.channel not in CHANNELS:
            raise LogbookError(f"a reference is one by {' or by '.join(CHANNELS)}, not by '{said.channel}'.")
        if not said.by.strip():
            raise LogbookError("say who decides (--by NAME).")
        if not said.why.strip():
            raise LogbookError("say why (--why TEXT); a reference is chosen with a reason.")
        cleaned = replace(
            said, camera=clean_text(said.camera), by=clean_text(said.by.strip()), why=clean_text(said.why.strip())
        )
        table = tables.reference_choices
        with self._changing(said.visit, alone=True) as connection:
            if said.photo is not None:
                self._need_snapshot(connection, said.visit, said.camera, said.photo)
            return _choice(connection.execute(table.insert().values(**asdict(cleaned)).returning(table)).one())

    def _need_snapshot(self, connection: Connection, visit: int, camera: str, photo: str) -> None:
        table = tables.placements
        query = sa.select(table.c.role).where(table.c.visit == visit, table.c.camera == camera, table.c.photo == photo)
        if connection.execute(query).scalar() != "snapshot":
            raise LogbookError(f"'{photo}' is no picture of camera '{camera}' itself in visit {visit}.")

    def _choices(self, connection: Connection, visit: int) -> Mapping[tuple[str, Channel], ReferenceChoice]:
        """What counts in a visit, by camera and channel."""
        table = tables.reference_choices
        rows = connection.execute(sa.select(table).where(table.c.visit == visit).order_by(table.c.id))
        return {(row.camera, row.channel): _choice(row) for row in rows}


def _row(visit: int, place: tuple[str, str], picture: tuple[str, str], why: str, glass: str) -> dict[str, Any]:
    """A reference of a (camera, channel) by a picture's (name, SHA-256)."""
    return {"visit": visit, "camera": place[0], "channel": place[1], "photo": picture[0], "sha256": picture[1], "why": why,
            "glass": glass}  # fmt: skip


def _choice(row: Any) -> ReferenceChoice:
    return ReferenceChoice(row.visit, row.camera, row.channel, row.choice, row.photo, row.by, row.why, row.at)


def _by_night(record: Mapping[str, Any]) -> bool:
    clarity = record.get("clarity")
    return record.get("night") is True or (isinstance(clarity, Mapping) and clarity.get("night") is True)
