"""Signing a visit, the references that it leaves, the change of the key, and time stamps."""

from __future__ import annotations

import logging
import os
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy import Connection

from audit import __version__
from audit.errors import LogbookError, SignatureError
from audit.logbook import tables
from audit.logbook.codec import clean_text, sha256_hex
from audit.logbook.decisions import Decisions
from audit.logbook.keychange import change_statement, key_after
from audit.logbook.locks import one_writer
from audit.logbook.package import seal_package
from audit.logbook.photos import Photos
from audit.logbook.proof import Proof
from audit.logbook.record import FORMAT, canonical, hashes_of, record_format, signed_state, visit_content
from audit.logbook.records import SignedRecord
from audit.logbook.references import References
from audit.logbook.signing import (
    SigningKey,
    fingerprint,
    fingerprint_words,
    key_state,
    next_is,
    next_place,
    signing_key,
    take_next,
)
from audit.logbook.stamps import TimeStamp, read_stamp, stamp_request
from audit.logbook.store import Counting, VisitRef, number_of, uncounted
from audit.logbook.token_key import in_token
from audit.logbook.trust import note_signed_here

__all__ = ["KEYS_VARIABLE", "KEY_VARIABLE", "Signoff"]

KEY_VARIABLE = "PHOTO_AUDIT_KEY"
KEYS_VARIABLE = "PHOTO_AUDIT_KEYS"

_NAMED = 6

log = logging.getLogger(__name__)


class Signoff(Proof, Photos, References, Decisions):
    """Signs visits, changes the key, and puts packages together."""

    def sign(
        self,
        visit: VisitRef,
        by: str,
        passphrase: str | None = None,
        keys: Path | None = None,
        progress: Counting = uncounted,
        unprotected: bool = False,
    ) -> SignedRecord:
        """Signs a visit: from then on it can't be changed, and its good snapshots are references.

        Parameters
        ----------
        passphrase : str or None
            Of the key; None takes the environment variable ``PHOTO_AUDIT_PASSPHRASE``.
        keys : Path or None
            Folder of the key, its file, or its PKCS #11 URI. By default what ``PHOTO_AUDIT_KEY`` names, else ``keys/`` in the logbook's
            folder; for a database the folder in ``PHOTO_AUDIT_KEYS``, else one in the user's configuration.
        progress : callable
            Called with images checked and images in all.
        unprotected : bool
            A key that is made may be kept without a passphrase, readable by its owner alone; the record says so.

        Raises
        ------
        LogbookError
            If the visit is signed, somebody asked that it waits for a finding, or one of its images is missing or changed.
        SignatureError
            If the key can't be used, or is another one than signed before.
        """
        if not by.strip():
            raise LogbookError("say who signs (--by NAME).")
        number = number_of(visit)
        with one_writer(self.database, self.clock()):
            self._refuse_signed_already(number)
            place = keys or self.key_place()
            self._finish_change(place)
            key = signing_key(place, passphrase, unprotected)
            with self.database.writing() as connection:
                self._make_ready(connection, number, key, progress)
                record = self._close(connection, number, clean_text(by.strip()), key)
        log.info("visit signed", extra={"visit": number, "by": by, "record_sha256": record.record_sha256})
        note_signed_here(self.chain())
        return record

    def _make_ready(self, connection: Connection, number: int, key: SigningKey, progress: Counting) -> None:
        """Refuses what can't be signed, and keeps the references that the visit leaves."""
        row = self._visit_row(connection, number, lock="update")
        if row.signed_at is not None:
            raise LogbookError(f"visit {number} was signed by {row.signed_by} already.")
        self._need_key_in_force(connection, key)
        self._need_no_waiting(connection, number)
        self._need_whole_images(connection, number, progress)
        self._keep_references(connection, number)

    def _close(self, connection: Connection, number: int, by: str, key: SigningKey) -> SignedRecord:
        """Notes who signed and when, and keeps the record of all that the visit holds with its signature."""
        table, plan = tables.visits, self._plan_row(connection, None)
        signed = table.update().where(table.c.number == number)
        connection.execute(signed.values(signed_at=self.clock(), signed_by=by, plan=plan.id))
        data = canonical(self._record(connection, self._visit_row(connection, number), key))
        record = SignedRecord(number, data, sha256_hex(data), key.sign(data), key.public_pem)
        kept = {"record": data, "sha256": record.record_sha256, "signature": record.signature, "public_key": record.public_key}
        connection.execute(tables.records.insert().values(visit=number, **kept))
        return record

    def signed_record(self, visit: VisitRef) -> SignedRecord | None:
        """The record of a signed visit, or None while it is open."""
        number = number_of(visit)
        with self.database.reading() as connection:
            self._visit_row(connection, number)
            table = tables.records
            row = connection.execute(sa.select(table).where(table.c.visit == number)).one_or_none()
        if row is None:
            return None
        stamp = None if row.time_stamp is None else bytes(row.time_stamp)
        return SignedRecord(
            row.visit, bytes(row.record), row.sha256, bytes(row.signature), bytes(row.public_key), stamp
        )

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
        changed = self.verify_visit(visit)
        if changed:
            raise LogbookError(
                f"visit {signed.visit} is not as it was signed ({changed[0].message}) and is not handed over; restore the "
                f"logbook from a backup."
            )
        key = signing_key(keys or self.key_place(), passphrase)
        if fingerprint(key.public_pem) != fingerprint(signed.public_key):
            raise SignatureError(
                f"visit {signed.visit} was signed with another key than the one here; hand it over where it was signed, or name "
                f"that key's file in {KEY_VARIABLE}."
            )
        with self.database.reading() as connection:
            content = visit_content(connection, signed.visit, record_format(signed.record)) if with_content else None
            changes = [change for _, change in self._key_changes(connection) if change is not None]
        seal_package(folder, signed, key, content, changes)

    def change_key(
        self, by: str, passphrase: str | None = None, new_passphrase: str | None = None, keys: Path | None = None
    ) -> str:
        """Makes a new signing key, to which the old one passes on; the old key's file stays beside it.

        Returns
        -------
        str
            The new key's fingerprint.

        Raises
        ------
        SignatureError
            If the old key can't be used, or isn't the one in force.
        """
        if not by.strip():
            raise LogbookError("say who changes the key (--by NAME).")
        with one_writer(self.database, self.clock()):
            place = keys or self.key_place()
            self._finish_change(place)
            if key_state(place) == "missing":
                raise SignatureError(f"{place}: there is no signing key yet; it is made when a visit is signed.")
            old = signing_key(place, passphrase)
            new = signing_key(next_place(place), new_passphrase or passphrase, unprotected=old.protection != "passphrase")
            with self.database.writing() as connection:
                self._need_key_in_force(connection, old)
                last = self._last_record(connection)
                change = change_statement(
                    self._uuid(connection),
                    old,
                    new.public_pem,
                    None if last is None else last.sha256,
                    clean_text(by.strip()),
                    self.clock(),
                )
                if last is not None:
                    values = {"statement": change.statement, "signature": change.signature}
                    connection.execute(tables.key_changes.insert().values(**values))
            take_next(place, fingerprint(old.public_pem) or "")
        log.info("key changed", extra={"by": by, "fingerprint": fingerprint(new.public_pem)})
        return fingerprint(new.public_pem) or ""

    def stamp_request(self, visit: VisitRef) -> bytes:
        """What a time stamp authority is asked for a signed visit's record (RFC 3161, DER)."""
        return stamp_request(self._need_record(visit).record)

    def put_stamp(self, visit: VisitRef, answer: bytes) -> TimeStamp:
        """Keeps an authority's answer with the record that it is about; the first one stays.

        Raises
        ------
        SignatureError
            If it is about another record, or no answer at all.
        LogbookError
            If the record has a time stamp already.
        """
        signed = self._need_record(visit)
        stamp = read_stamp(answer, signed.record)
        table = tables.records
        with self.database.writing() as connection:
            without = sa.and_(table.c.visit == signed.visit, table.c.time_stamp.is_(None))
            if not connection.execute(table.update().where(without).values(time_stamp=answer)).rowcount:
                raise LogbookError(f"visit {signed.visit} has a time stamp already.")
        return stamp

    def _need_record(self, visit: VisitRef) -> SignedRecord:
        signed = self.signed_record(visit)
        if signed is None:
            raise LogbookError(f"visit {number_of(visit)} is not signed; sign it first.")
        return signed

    def _refuse_signed_already(self, number: int) -> None:
        """Before a key is made or asked for."""
        with self.database.reading() as connection:
            row = self._visit_row(connection, number)
        if row.signed_at is not None:
            raise LogbookError(f"visit {number} was signed by {row.signed_by} already.")

    def _finish_change(self, place: Path) -> None:
        """Takes the new key where a change of keys was kept but cut off before its file was in place."""
        with self.database.reading() as connection:
            in_force = self._key_in_force(connection)
            last = self._last_record(connection)
        if in_force is not None and last is not None and next_is(place, in_force):
            take_next(place, fingerprint(bytes(last.public_key)) or "")

    def key_place(self) -> Path:
        """The file or token that ``PHOTO_AUDIT_KEY`` names, outside the logbook; else the folder of keys."""
        named = os.environ.get(KEY_VARIABLE)
        if named and not named.endswith(".pem") and not in_token(Path(named)):
            raise SignatureError(
                f"{KEY_VARIABLE} names the key's file, which ends in .pem, or a token's key (pkcs11:…), not '{named}'."
            )
        return Path(named) if named else self.keys_folder()

    def keys_folder(self) -> Path:
        """Where the signing key is kept unless its file is named."""
        if self.database.folder is not None:
            return self.database.folder / "keys"
        if os.environ.get(KEYS_VARIABLE):
            return Path(os.environ[KEYS_VARIABLE])
        with self.database.reading() as connection:
            uuid = str(connection.execute(sa.select(tables.logbook.c.uuid)).scalar_one())
        return Path.home() / ".config" / "photo-audit" / "keys" / uuid

    def _record(self, connection: Connection, visit: sa.Row[Any], key: SigningKey) -> dict[str, Any]:
        previous = self._last_record(connection)
        return {
            "format": FORMAT,
            "program": {"name": "photo-audit", "version": __version__},
            "key": {
                "algorithm": "Ed25519",
                "fingerprint": fingerprint(key.public_pem),
                "protection": key.protection,
            },
            "previous": None if previous is None else {"visit": previous.visit, "record_sha256": previous.sha256},
            **signed_state(connection, visit),
            **hashes_of(visit_content(connection, visit.number)),
        }

    def _need_key_in_force(self, connection: Connection, key: SigningKey) -> None:
        """A visit is signed with the key of the visit before, or with one that it passed on to."""
        in_force = self._key_in_force(connection)
        if in_force is not None and fingerprint(in_force) != fingerprint(key.public_pem):
            raise SignatureError(
                f"the visit before was signed with the key {fingerprint_words(fingerprint(in_force))}, not with the one here; "
                f"bring that key back, or let it pass on to another with 'photo-audit change-key'."
            )

    def _key_in_force(self, connection: Connection) -> bytes | None:
        """The key that signs next; None before anything is signed."""
        last = self._last_record(connection)
        if last is None:
            return None
        changes = [change for _, change in self._key_changes(connection) if change is not None]
        return key_after(bytes(last.public_key), self._uuid(connection), last.sha256, changes)

    def _last_record(self, connection: Connection) -> sa.Row[Any] | None:
        table = tables.records
        return connection.execute(sa.select(table).order_by(table.c.id.desc()).limit(1)).one_or_none()

    def _need_no_waiting(self, connection: Connection, visit: int) -> None:
        waiting = self._waits(connection, visit)
        if waiting:
            named = ", ".join(f"{camera} {check}" for camera, check in waiting[:_NAMED])
            more = f" and {len(waiting) - _NAMED} more" if len(waiting) > _NAMED else ""
            raise LogbookError(
                f"visit {visit} waits for {named}{more}: hand in what was done, decide on it, or take the wait back "
                f"('photo-audit undo'), then sign."
            )

    def _need_whole_images(self, connection: Connection, visit: int, progress: Counting) -> None:
        photos, drawings = tables.photos, tables.drawings
        query = sa.union(
            sa.select(photos.c.sha256, photos.c.name).where(photos.c.visit == visit),
            sa.select(drawings.c.sha256, drawings.c.name).where(drawings.c.visit == visit),
            sa.select(drawings.c.picture_sha256, drawings.c.name).where(drawings.c.visit == visit),
        )
        rows = sorted(connection.execute(query).all(), key=lambda row: (str(row.name), str(row.sha256)))
        for done, (sha256, name) in enumerate(rows, start=1):
            state = self.images.state(sha256)
            progress(done, len(rows))
            if state != "kept":
                raise LogbookError(f"visit {visit} can't be signed: the image of '{name}' is {state}; restore it.")
