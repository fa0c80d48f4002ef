"""Signing a visit, the references that it leaves, and the proof that nothing changed since."""

from __future__ import annotations

import logging
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy import Connection

from audit import __version__
from audit.errors import LogbookError, SignatureError
from audit.judge.finding import Verdict
from audit.logbook import tables
from audit.logbook.codec import clean_text, load, load_plain, sha256_hex
from audit.logbook.decisions import Decisions, in_force
from audit.logbook.locks import one_writer
from audit.logbook.package import seal_package
from audit.logbook.photos import Photos
from audit.logbook.plans import Plans
from audit.logbook.record import FORMAT, GROWING, SECTIONS, canonical, hashes_of, parse_record, visit_content
from audit.logbook.records import SETTLING, Channel, ReferenceRecord, SignedRecord, VerifyProblem
from audit.logbook.signing import SigningKey, fingerprint, signature_fits, signing_key
from audit.logbook.store import Counting, VisitRef, number_of, uncounted
from audit.photos.photo import Photo
from audit.plan.model import Camera, Site

__all__ = ["KEYS_VARIABLE", "Signoff"]

KEYS_VARIABLE = "PHOTO_AUDIT_KEYS"

_KEYS_AT_ONCE = 1000

log = logging.getLogger(__name__)


class Signoff(Plans, Photos, Decisions):
    """Signs visits and proves them."""

    def sign(
        self,
        visit: VisitRef,
        by: str,
        passphrase: str | None = None,
        keys: Path | None = None,
        progress: Counting = uncounted,
    ) -> SignedRecord:
        """Signs a visit: from then on it can't be changed, and its good snapshots are references.

        Parameters
        ----------
        passphrase : str or None
            Of the key; None takes the environment variable ``PHOTO_AUDIT_PASSPHRASE``. Without either the key is kept
            unencrypted, readable by its owner alone, and the record says so.
        keys : Path or None
            Folder of the key. By default ``keys/`` in the logbook's folder; for a database the folder in
            ``PHOTO_AUDIT_KEYS``, else one in the user's configuration.
        progress : callable
            Called with images checked and images in all.

        Raises
        ------
        LogbookError
            If the visit is signed, or one of its images is missing or changed.
        SignatureError
            If the key can't be used.
        """
        if not by.strip():
            raise LogbookError("say who signs (--by NAME).")
        number = number_of(visit)
        with one_writer(self.database, self.clock()):
            key = signing_key(keys or self.keys_folder(), passphrase)
            with self.database.writing() as connection:
                row = self._visit_row(connection, number, lock="update")
                if row.signed_at is not None:
                    raise LogbookError(f"visit {number} was signed by {row.signed_by} already.")
                self._need_whole_images(connection, number, progress)
                self._keep_references(connection, number)
                plan = self._plan_row(connection, None)
                signed_at = self.clock()
                connection.execute(
                    tables.visits.update()
                    .where(tables.visits.c.number == number)
                    .values(signed_at=signed_at, signed_by=clean_text(by.strip()), plan=plan.id)
                )
                record = self._record(connection, self._visit_row(connection, number), key)
                data = canonical(record)
                signature = key.sign(data)
                connection.execute(
                    tables.records.insert().values(
                        visit=number,
                        record=data,
                        sha256=sha256_hex(data),
                        signature=signature,
                        public_key=key.public_pem,
                    )
                )
        log.info("visit signed", extra={"visit": number, "by": by, "record_sha256": sha256_hex(data)})
        return SignedRecord(number, data, sha256_hex(data), signature, key.public_pem)

    def signed_record(self, visit: VisitRef) -> SignedRecord | None:
        """The record of a signed visit, or None while it is open."""
        number = number_of(visit)
        with self.database.reading() as connection:
            self._visit_row(connection, number)
            table = tables.records
            row = connection.execute(sa.select(table).where(table.c.visit == number)).one_or_none()
        if row is None:
            return None
        return SignedRecord(row.visit, bytes(row.record), row.sha256, bytes(row.signature), bytes(row.public_key))

    def seal(
        self,
        folder: Path,
        visit: VisitRef,
        passphrase: str | None = None,
        keys: Path | None = None,
        with_content: bool = True,
    ) -> None:
        """Puts a signed visit's record beside the files of a handover package and signs the list of all of them.

        Parameters
        ----------
        with_content : bool
            Also put the rows that the record's hashes stand for into the package. They hold the photos' metadata:
            False where positions are to stay private.
        """
        signed = self.signed_record(visit)
        if signed is None:
            raise LogbookError(f"visit {number_of(visit)} is not signed; sign it before it is handed over.")
        key = signing_key(keys or self.keys_folder(), passphrase)
        if fingerprint(key.public_pem) != fingerprint(signed.public_key):
            raise SignatureError(
                f"visit {signed.visit} was signed with another key than the one here; hand it over where it was signed."
            )
        with self.database.reading() as connection:
            content = visit_content(connection, signed.visit) if with_content else None
        seal_package(folder, signed, key, content)

    def references(self, visit: VisitRef | None = None) -> tuple[ReferenceRecord, ...]:
        """The latest signed reference of each camera, by day and by night.

        Parameters
        ----------
        visit : VisitRecord, int or None
            Only references signed in visits before this one; None: all.
        """
        table = tables.references
        latest = sa.select(table.c.camera, table.c.channel, sa.func.max(table.c.visit).label("visit"))
        if visit is not None:
            latest = latest.where(table.c.visit < number_of(visit))
        found = latest.group_by(table.c.camera, table.c.channel).subquery()
        query = sa.select(table).join(
            found,
            sa.and_(
                found.c.camera == table.c.camera,
                found.c.channel == table.c.channel,
                found.c.visit == table.c.visit,
            ),
        )
        with self.database.reading() as connection:
            rows = connection.execute(query.order_by(table.c.camera, table.c.channel)).all()
        return tuple(_reference(row) for row in rows)

    def camera_references(self, camera: str, visit: VisitRef | None = None) -> tuple[ReferenceRecord, ...]:
        """The latest signed references of one camera, at most one by day and one by night."""
        table = tables.references
        query = sa.select(table).where(table.c.camera == camera).order_by(table.c.visit)
        if visit is not None:
            query = query.where(table.c.visit < number_of(visit))
        with self.database.reading() as connection:
            latest = {row.channel: _reference(row) for row in connection.execute(query)}
        return tuple(latest[channel] for channel in sorted(latest))

    def verify(self, progress: Counting = uncounted) -> tuple[VerifyProblem, ...]:
        """Everything that is not as it was signed, or not as it was stored; empty where nothing changed.

        Parameters
        ----------
        progress : callable
            Called with images checked and images in all.
        """
        with self.database.reading() as connection:
            rows = connection.execute(sa.select(tables.records).order_by(tables.records.c.id)).all()
            problems = [*self._records_missing(connection, {row.visit for row in rows})]
            previous: sa.Row[Any] | None = None
            for row in rows:
                problems += self._verify_visit(connection, row, previous)
                previous = row
            problems += self._copies_changed(connection)
        problems += self._images_changed(progress)
        for problem in problems:
            log.warning("not as signed", extra={"what": problem.what, "thing": problem.name, "visit": problem.visit})
        return tuple(problems)

    def keys_folder(self) -> Path:
        """Where the signing key is kept."""
        if self.database.folder is not None:
            return self.database.folder / "keys"
        if os.environ.get(KEYS_VARIABLE):
            return Path(os.environ[KEYS_VARIABLE])
        with self.database.reading() as connection:
            uuid = str(connection.execute(sa.select(tables.logbook.c.uuid)).scalar_one())
        return Path.home() / ".config" / "photo-audit" / "keys" / uuid

    def _record(self, connection: Connection, visit: sa.Row[Any], key: SigningKey) -> dict[str, Any]:
        table = tables.records
        previous = connection.execute(sa.select(table).order_by(table.c.id.desc()).limit(1)).one_or_none()
        return {
            "format": FORMAT,
            "program": {"name": "photo-audit", "version": __version__},
            "key": {
                "algorithm": "Ed25519",
                "fingerprint": fingerprint(key.public_pem),
                "protection": key.protection,
            },
            "previous": None if previous is None else {"visit": previous.visit, "record_sha256": previous.sha256},
            **self._signed_state(connection, visit),
        }

    def _signed_state(self, connection: Connection, visit: sa.Row[Any]) -> dict[str, Any]:
        """What the tables say about a signed visit, in the form in which it is signed."""
        plan = connection.execute(sa.select(tables.plans).where(tables.plans.c.id == visit.plan)).one_or_none()
        return {
            "logbook": connection.execute(sa.select(tables.logbook.c.uuid)).scalar(),
            "visit": {
                "number": visit.number,
                "kind": visit.kind,
                "on": visit.on_day.isoformat(),
                "started_at": visit.started_at.isoformat(),
                "signed_at": visit.signed_at.isoformat(),
                "signed_by": visit.signed_by,
                "limits": _limits(visit.limits),
            },
            "plan": None
            if plan is None
            else {
                "name": plan.name,
                "sha256": sha256_hex(bytes(plan.data)),
                "site_sha256": sha256_hex(plan.site),
            },
            **hashes_of(visit_content(connection, visit.number)),
        }

    def _verify_visit(
        self, connection: Connection, row: sa.Row[Any], previous: sa.Row[Any] | None
    ) -> Iterator[VerifyProblem]:
        number, data = row.visit, bytes(row.record)

        def problem(what: str, name: str, message: str) -> VerifyProblem:
            return VerifyProblem(what, name, message, number)

        label = f"visit {number}"
        record = parse_record(data)
        public = bytes(row.public_key)
        if record is None or sha256_hex(data) != row.sha256:
            yield problem("record", label, f"The signed record of {label} was changed.")
        if not signature_fits(public, data, bytes(row.signature)):
            yield problem("signature", label, f"The signature does not fit the record of {label}.")
        if record is None:
            return
        if record.get("key", {}).get("fingerprint") != fingerprint(public):
            yield problem("key", label, f"The public key of {label} is not the one that the record names.")
        before = None if previous is None else {"visit": previous.visit, "record_sha256": previous.sha256}
        if record.get("previous") != before:
            yield problem("chain", label, f"The record signed before that of {label} is gone or was replaced.")
        visit = self._visit_row(connection, number)
        if visit.signed_at is None:
            yield problem("visit", label, f"The sign-off of {label} was removed.")
            return
        state = self._signed_state(connection, visit)
        for part in ("logbook", "visit", "plan"):
            for name in _changed_fields(record.get(part), state[part]):
                yield problem(part, name or label, f"{name or part} of {label} was changed after it was signed.")
        for section, word in SECTIONS.items():
            for name, how in _changed_rows(record.get(section, {}), state[section], section in GROWING):
                yield problem(word, name, f"{word.capitalize()} '{name}' of {label} was {how} after it was signed.")
        if not self._counts_fit(connection, number):
            yield problem("verdict", label, f"The counts of cameras by state are not those of {label}'s verdicts.")

    def _copies_changed(self, connection: Connection) -> Iterator[VerifyProblem]:
        """Cameras whose rows of their own, which pages read, differ from the plan that a visit was signed with."""
        visits, cameras = tables.visits, tables.plan_cameras
        signed = sa.select(visits.c.plan, sa.func.min(visits.c.number)).where(visits.c.signed_at.is_not(None))
        for plan, visit in connection.execute(signed.group_by(visits.c.plan)).all():
            site = connection.execute(sa.select(tables.plans.c.site).where(tables.plans.c.id == plan)).scalar()
            planned = {} if site is None else _planned(site)
            rows = connection.execute(sa.select(cameras.c.camera, cameras.c.body).where(cameras.c.plan == plan))
            copies: dict[str, str] = {row.camera: row.body for row in rows}
            for name in sorted({*planned, *copies}):
                if name not in planned or name not in copies or not _reads_as(copies[name], planned[name]):
                    sentence = f"What pages show as planned for '{name}' is not what visit {visit} was signed with."
                    yield VerifyProblem("plan", name, sentence, visit)

    def _counts_fit(self, connection: Connection, visit: int) -> bool:
        """Whether the counts by state, which lists read, are those of the verdicts."""
        counts, verdicts = tables.verdict_counts, tables.verdicts
        kept = sa.select(counts.c.rank, counts.c.cameras).where(counts.c.visit == visit, counts.c.cameras > 0)
        counted = sa.select(verdicts.c.rank, sa.func.count()).where(verdicts.c.visit == visit)
        by_rank = {row[0]: row[1] for row in connection.execute(counted.group_by(verdicts.c.rank))}
        return {row.rank: row.cameras for row in connection.execute(kept)} == by_rank

    def _records_missing(self, connection: Connection, with_record: set[int]) -> Iterator[VerifyProblem]:
        table = tables.visits
        for number in connection.execute(sa.select(table.c.number).where(table.c.signed_at.is_not(None))).scalars():
            if number not in with_record:
                yield VerifyProblem(
                    "record", f"visit {number}", f"The signed record of visit {number} is missing.", number
                )

    def _images_changed(self, progress: Counting) -> Iterator[VerifyProblem]:
        photos = tables.photos
        with self.database.reading() as connection:
            total = connection.execute(sa.select(sa.func.count()).select_from(tables.images)).scalar_one()
        for done, sha256 in enumerate(self._image_keys(), start=1):
            state = self.images.state(sha256)
            progress(done, total)
            if state == "kept":
                continue
            query = sa.select(photos.c.visit, photos.c.name).where(photos.c.sha256 == sha256)
            with self.database.reading() as connection:
                named = connection.execute(query.order_by(photos.c.visit, photos.c.name)).all()
            for visit, name in named:
                yield VerifyProblem("image", name, f"The image of '{name}' in visit {visit} is {state}.", visit)

    def _image_keys(self) -> Iterator[str]:
        """Hashes of all images, read in pieces: hashing a large store takes hours, and no transaction should."""
        column, last = tables.images.c.sha256, ""
        while True:
            query = sa.select(column).where(column > last).order_by(column).limit(_KEYS_AT_ONCE)
            with self.database.reading() as connection:
                keys = connection.execute(query).scalars().all()
            if not keys:
                return
            yield from keys
            last = keys[-1]

    def _need_whole_images(self, connection: Connection, visit: int, progress: Counting) -> None:
        table = tables.photos
        query = sa.select(table.c.sha256, table.c.name).where(table.c.visit == visit).order_by(table.c.name)
        rows = connection.execute(query).all()
        for done, (sha256, name) in enumerate(rows, start=1):
            state = self.images.state(sha256)
            progress(done, len(rows))
            if state != "kept":
                raise LogbookError(f"visit {visit} can't be signed: the image of '{name}' is {state}; restore it.")

    def _keep_references(self, connection: Connection, visit: int) -> None:
        """The latest placed snapshot of each camera by day and by night, where no defect is open."""
        faulty = self._faulty_cameras(connection, visit)
        photos, placements, measurements = tables.photos, tables.placements, tables.measurements
        snapshots = (
            sa.select(placements.c.camera, photos.c.name, photos.c.sha256, photos.c.body)
            .join(photos, sa.and_(photos.c.visit == placements.c.visit, photos.c.name == placements.c.photo))
            .where(
                placements.c.visit == visit,
                placements.c.decision == "placed",
                placements.c.role == "snapshot",
                placements.c.camera.is_not(None),
            )
        )
        chosen: dict[tuple[str, Channel], tuple[tuple[str, str], Any]] = {}
        for row in connection.execute(snapshots):
            if row.camera in faulty:
                continue
            measured = sa.select(measurements.c.body).where(measurements.c.sha256 == row.sha256)
            night = any(_by_night(load_plain(body)) for body in connection.execute(measured).scalars())
            taken_at = load(Photo, row.body).metadata.taken_at
            order = (taken_at.isoformat() if taken_at else "", row.name)
            place: tuple[str, Channel] = (row.camera, "night" if night else "day")
            if place not in chosen or chosen[place][0] < order:
                chosen[place] = (order, row)
        rows = [
            {"visit": visit, "camera": camera, "channel": channel, "sha256": row.sha256, "photo": row.name}
            for (camera, channel), (_, row) in chosen.items()
        ]
        self._insert_or_update(connection, tables.references, rows)

    def _faulty_cameras(self, connection: Connection, visit: int) -> set[str]:
        """Cameras with a finding that stands: a defect or one to check, and neither dismissed nor tolerated."""
        table = tables.decisions
        entries = connection.execute(sa.select(table).where(table.c.visit == visit).order_by(table.c.id)).all()
        word = {row.id: row.decision for row in entries}
        decided = {key: word[entry] for key, entry in in_force(entries).items()}
        verdicts = tables.verdicts
        faulty = set()
        for body in connection.execute(sa.select(verdicts.c.body).where(verdicts.c.visit == visit)).scalars():
            verdict = load(Verdict, body)
            for finding in verdict.findings:
                decision = decided.get((verdict.camera, finding.check))
                if finding.state in ("defect", "to check") and decision not in SETTLING:
                    faulty.add(verdict.camera)
        return faulty


def _planned(site: str) -> dict[str, Camera]:
    """Cameras of a stored plan by name; none where the plan can't be read, which its hash tells."""
    try:
        return {clean_text(camera.camera): camera for camera in load(Site, site).cameras}
    except LogbookError:
        return {}


def _reads_as(body: str, camera: Camera) -> bool:
    try:
        return load(Camera, body) == camera
    except LogbookError:
        return False


def _limits(text: str | None) -> Any:
    """A visit's limits as values; text that was damaged as it stands, so that it differs from what was signed."""
    if text is None:
        return None
    try:
        return load_plain(text)
    except LogbookError:
        return text


def _reference(row: Any) -> ReferenceRecord:
    return ReferenceRecord(row.camera, row.channel, row.sha256, row.photo, row.visit)


def _by_night(record: Mapping[str, Any]) -> bool:
    clarity = record.get("clarity")
    return record.get("night") is True or (isinstance(clarity, Mapping) and clarity.get("night") is True)


def _changed_fields(signed: Any, now: Any) -> Iterator[str]:
    """Names of fields that differ; an empty name where the whole differs."""
    if isinstance(signed, Mapping) and isinstance(now, Mapping):
        yield from (name for name in sorted({*signed, *now}) if signed.get(name) != now.get(name))
    elif signed != now:
        yield ""


def _changed_rows(signed: Mapping[str, str], now: Mapping[str, str], growing: bool) -> Iterator[tuple[str, str]]:
    for name in sorted(signed):
        if name not in now:
            yield name, "removed"
        elif now[name] != signed[name]:
            yield name, "changed"
    if not growing:
        yield from ((name, "added") for name in sorted(now) if name not in signed)
