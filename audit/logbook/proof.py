"""The proof that nothing changed since a visit was signed: rows, images, previews, the chain and its keys.

The database may have been written by anybody, so that nothing in it is believed to be of the kind that it should be:
what can't be read is a problem like any other, and the rest is still checked.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

import sqlalchemy as sa
from sqlalchemy import Connection

from audit.errors import LogbookError
from audit.logbook import tables
from audit.logbook.codec import clean_text, load, sha256_hex
from audit.logbook.keychange import KeyChange, key_after, read_change
from audit.logbook.plans import Plans
from audit.logbook.record import (
    FIRST_FORMAT,
    FORMAT,
    GROWING,
    SECTIONS,
    hashes_of,
    images_of,
    logbook_of,
    parse_record,
    section_rows,
    sections_of,
    signed_state,
)
from audit.logbook.records import Chain, ChainLink, VerifyProblem
from audit.logbook.signing import fingerprint, signature_fits
from audit.logbook.stamps import stamp_problem
from audit.logbook.store import Counting, VisitRef, number_of, uncounted
from audit.plan.model import Camera, Site

__all__ = ["Proof"]

_KEYS_AT_ONCE = 1000
#: What reading rows raises that another program wrote.
_STRANGE = (LogbookError, TypeError, ValueError, KeyError, AttributeError, ArithmeticError, RecursionError)

log = logging.getLogger(__name__)


class Proof(Plans):
    """Proves signed visits."""

    def verify(self, progress: Counting = uncounted) -> tuple[VerifyProblem, ...]:
        """Everything that is not as it was signed, or not as it was stored; empty where nothing changed.

        Who signed is another question, see :func:`audit.logbook.trust.who_signed`.

        Parameters
        ----------
        progress : callable
            Called with images checked and images in all.
        """
        with self.database.reading() as connection:
            problems = list(_strange_cells(connection)) if self.database.is_sqlite else []
            if not problems:
                problems += self._guarded(None, self._rows_changed(connection))
        if not any(problem.what == "table" for problem in problems):
            problems += self._guarded(None, self._images_changed(progress))
        for problem in problems:
            log.warning("not as signed", extra={"what": problem.what, "thing": problem.name, "visit": problem.visit})
        return tuple(problems)

    def verify_visit(self, visit: VisitRef) -> tuple[VerifyProblem, ...]:
        """What of one signed visit is not as it was signed: its rows, its images, its place in the chain."""
        number = number_of(visit)
        with self.database.reading() as connection:
            problems = list(_strange_cells(connection)) if self.database.is_sqlite else []
            if problems:
                return tuple(problems)
            problems += (p for p in self._guarded(None, self._rows_changed(connection)) if p.visit in (number, None))
            keys = connection.execute(images_of(number)).scalars().all()
        for sha256 in dict.fromkeys(keys):
            state = self.images.state(sha256)
            if state != "kept":
                problems += self._guarded(number, self._image_problems(sha256, f"is {state}"))
        return tuple(problems)

    def chain(self) -> Chain:
        """What was signed, for the question who did.

        Raises
        ------
        LogbookError
            If the records can't be read.
        """
        links = []
        logbook = None
        with self.database.reading() as connection:
            for row in connection.execute(sa.select(tables.records).order_by(tables.records.c.id)):
                record = parse_record(bytes(row.record)) or {}
                logbook = logbook_of(record) or logbook
                visit = record.get("visit")
                by = visit.get("signed_by") if isinstance(visit, Mapping) else None
                links.append(ChainLink(row.visit, sha256_hex(bytes(row.record)), str(by), fingerprint(bytes(row.public_key))))
            changes = tuple(c for _, c in self._key_changes(connection) if c is not None)
        return Chain(logbook, tuple(links), changes)

    def stamped_records(self) -> list[tuple[int, bytes, bytes]]:
        """Visit, record and time stamp of each record that has one."""
        table = tables.records
        query = sa.select(table.c.visit, table.c.record, table.c.time_stamp).where(table.c.time_stamp.is_not(None))
        with self.database.reading() as connection:
            rows = connection.execute(query.order_by(table.c.id)).all()
        return [(row.visit, bytes(row.record), bytes(row.time_stamp)) for row in rows]

    def _guarded(self, visit: int | None, problems: Iterable[VerifyProblem]) -> Iterator[VerifyProblem]:
        """The problems found, and one more where reading on was not possible."""
        try:
            yield from problems
        except _STRANGE as error:
            what = f"Visit {visit}" if visit is not None else "The logbook"
            yield VerifyProblem("visit", what.lower(), f"{what} can't be read on: {_why(error)}.", visit)

    def _rows_changed(self, connection: Connection) -> Iterator[VerifyProblem]:
        rows = connection.execute(sa.select(tables.records).order_by(tables.records.c.id)).all()
        yield from self._records_missing(connection, {row.visit for row in rows})
        yield from self._guarded(None, self._chain_broken(connection, rows))
        for row in rows:
            yield from self._guarded(row.visit, self._verify_visit(connection, row))
        yield from self._guarded(None, self._copies_changed(connection))
        yield from self._guarded(None, self._references_unsigned(connection))

    def _chain_broken(self, connection: Connection, rows: Sequence[sa.Row[Any]]) -> Iterator[VerifyProblem]:
        """Whether each record names the one before, and is signed by the key that was in force."""
        changes = list(self._key_changes(connection))
        for number, change in changes:
            if change is None:
                yield VerifyProblem("key", f"change {number}", f"Key change {number} is not what a logbook writes.")
        passed = [change for _, change in changes if change is not None]
        used: set[bytes] = set()
        before: dict[str, Any] | None = None
        in_force: bytes | None = None
        for row in rows:
            label, public = f"visit {row.visit}", bytes(row.public_key)
            record = parse_record(bytes(row.record)) or {}
            if record.get("previous") != before:
                sentence = f"The record signed before that of {label} is gone or was replaced."
                yield VerifyProblem("chain", label, sentence, row.visit)
            if in_force is not None:
                after = None if before is None else str(before["record_sha256"])
                in_force = self._next_key(in_force, record, after, passed, used)
                if fingerprint(in_force) != fingerprint(public):
                    sentence = f"The key changed before {label} was signed, and the key before it did not pass on to it."
                    yield VerifyProblem("key", label, sentence, row.visit)
            in_force = public
            before = {"visit": row.visit, "record_sha256": row.sha256}
        if in_force is not None and before is not None:
            self._next_key(in_force, {"logbook": self._uuid(connection)}, str(before["record_sha256"]), passed, used)
        for number, change in changes:
            if change is not None and change.statement not in used:
                yield VerifyProblem("key", f"change {number}", f"Key change {number} does not follow from any signed record.")

    def _next_key(
        self, key: bytes, record: Mapping[str, Any], after: str | None, changes: list[KeyChange], used: set[bytes]
    ) -> bytes:
        here = [change for change in changes if change.after == after]
        for change in here:
            passed_on = key_after(key, logbook_of(record) or "", after, [change])
            if passed_on != key:
                used.add(change.statement)
            key = passed_on
        return key

    def _uuid(self, connection: Connection) -> str:
        return str(connection.execute(sa.select(tables.logbook.c.uuid)).scalar())

    def _key_changes(self, connection: Connection) -> Iterator[tuple[int, KeyChange | None]]:
        table = tables.key_changes
        for row in connection.execute(sa.select(table).order_by(table.c.id)):
            yield row.id, read_change(bytes(row.statement), bytes(row.signature))

    def _verify_visit(self, connection: Connection, row: sa.Row[Any]) -> Iterator[VerifyProblem]:
        number, data, public = row.visit, bytes(row.record), bytes(row.public_key)
        label = f"visit {number}"

        def problem(what: str, name: str, message: str) -> VerifyProblem:
            return VerifyProblem(what, name, message, number)

        record = parse_record(data)
        if record is None or sha256_hex(data) != row.sha256:
            yield problem("record", label, f"The signed record of {label} was changed.")
        if not signature_fits(public, data, bytes(row.signature)):
            yield problem("signature", label, f"The signature does not fit the record of {label}.")
        if row.time_stamp is not None and (wrong := stamp_problem(bytes(row.time_stamp), data)):
            yield problem("time stamp", label, f"The time stamp of {label} {wrong}.")
        if record is None:
            return
        key = record.get("key")
        if not isinstance(key, Mapping) or key.get("fingerprint") != fingerprint(public):
            yield problem("key", label, f"The public key of {label} is not the one that the record names.")
        table = tables.visits
        visit = connection.execute(sa.select(table).where(table.c.number == number)).one_or_none()
        if visit is None or visit.signed_at is None:
            gone = "sign-off of" if visit is not None else "row of"
            yield problem("visit", label, f"The {gone} {label} was removed.")
            return
        yield from self._state_changed(connection, visit, record)

    def _state_changed(
        self, connection: Connection, visit: sa.Row[Any], record: Mapping[str, Any]
    ) -> Iterator[VerifyProblem]:
        """What the tables say now against what the record says."""
        number, label, record_format = visit.number, f"visit {visit.number}", record.get("format")
        if record_format not in (FORMAT, FIRST_FORMAT):
            sentence = f"The record of {label} is of a kind that this program doesn't know; update the program."
            yield VerifyProblem("record", label, sentence, number)
            return
        state = signed_state(connection, visit, record_format)
        for part in ("logbook", "visit", "plan"):
            for name in _changed_fields(record.get(part), state[part]):
                sentence = f"{name or part} of {label} was changed after it was signed."
                yield VerifyProblem(part, name or label, sentence, number)
        for section in sections_of(record_format):
            told = _guarded_section(connection, number, section, record_format, record.get(section))
            yield from self._guarded(number, told)
        yield from self._slipped_in(connection, visit, record)
        if not self._counts_fit(connection, number):
            sentence = f"The counts of cameras by state are not those of {label}'s verdicts."
            yield VerifyProblem("verdict", label, sentence, number)

    def _slipped_in(
        self, connection: Connection, visit: sa.Row[Any], record: Mapping[str, Any]
    ) -> Iterator[VerifyProblem]:
        """Measurements that the record doesn't name and that claim to be older than the signature.

        Pages show a signed visit by what had been measured when it was signed, and know that by the time.
        """
        queries = (
            ("measurements", tables.measurements, ("sha256", "method"), "sha256"),
            ("comparisons", tables.comparisons, ("reference_sha256", "today_sha256", "method"), "today_sha256"),
        )
        for section, table, keys, image in queries:
            signed = record.get(section)
            of_visit = sa.select(tables.photos.c.sha256).where(tables.photos.c.visit == visit.number)
            query = sa.select(*(table.c[key] for key in keys)).where(
                table.c[image].in_(of_visit), table.c.at <= visit.signed_at
            )
            for row in connection.execute(query):
                name = " ".join(map(str, row))
                if isinstance(signed, Mapping) and name not in signed:
                    word = SECTIONS[section]
                    sentence = f"{word.capitalize()} '{name}' of visit {visit.number} was slipped in after it was signed."
                    yield VerifyProblem(word, name, sentence, visit.number)

    def _references_unsigned(self, connection: Connection) -> Iterator[VerifyProblem]:
        """References of visits that nobody signed: later visits would be compared with them."""
        references, visits = tables.references, tables.visits
        signed = sa.select(visits.c.number).where(visits.c.signed_at.is_not(None))
        query = sa.select(references.c.visit, references.c.camera, references.c.channel)
        for row in connection.execute(query.where(references.c.visit.not_in(signed))):
            name = f"{row.camera} {row.channel}"
            yield VerifyProblem("reference", name, f"Reference '{name}' is of visit {row.visit}, which is not signed.", row.visit)

    def _copies_changed(self, connection: Connection) -> Iterator[VerifyProblem]:
        """Plans whose hash is not that of their bytes, and cameras whose rows of their own, which pages read, differ."""
        plans, cameras, visits = tables.plans, tables.plan_cameras, tables.visits
        signed = sa.select(visits.c.plan, sa.func.min(visits.c.number)).where(visits.c.signed_at.is_not(None))
        with_visit = {plan: visit for plan, visit in connection.execute(signed.group_by(visits.c.plan))}
        for plan in connection.execute(sa.select(plans).order_by(plans.c.id)):
            visit = with_visit.get(plan.id)
            if sha256_hex(bytes(plan.data)) != plan.sha256:
                yield VerifyProblem("plan", plan.name, f"The plan file '{plan.name}' is not the one that was handed in.", visit)
            planned = _planned(plan.site)
            rows = connection.execute(sa.select(cameras.c.camera, cameras.c.body).where(cameras.c.plan == plan.id))
            copies: dict[str, str] = {row.camera: row.body for row in rows}
            for name in sorted({*planned, *copies}):
                if name not in planned or name not in copies or not _reads_as(copies[name], planned[name]):
                    sentence = f"What pages show as planned for '{name}' is not what the plan '{plan.name}' says."
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
                sentence = f"The signed record of visit {number} is missing."
                yield VerifyProblem("record", f"visit {number}", sentence, number)

    def _images_changed(self, progress: Counting) -> Iterator[VerifyProblem]:
        with self.database.reading() as connection:
            total = connection.execute(sa.select(sa.func.count()).select_from(tables.images)).scalar_one()
            listed = sa.select(tables.images.c.sha256)
            lost: set[str] = set()
            for named in (tables.photos.c.sha256, tables.drawings.c.sha256, tables.drawings.c.picture_sha256):
                lost |= set(connection.execute(sa.select(named).where(named.not_in(listed))).scalars())
        for sha256 in sorted(lost):
            state = self.images.state(sha256)
            told = "is no longer listed" if state == "kept" else f"is {state}, and no longer listed"
            yield from self._guarded(None, self._image_problems(sha256, told))
        for done, (sha256, preview) in enumerate(self._image_keys(), start=1):
            state = self.images.state(sha256)
            progress(done, total)
            if state != "kept":
                yield from self._image_problems(sha256, f"is {state}")
            elif preview is not None and (state := self.images.preview_state(sha256, preview)) != "kept":
                yield from self._image_problems(sha256, f"has a preview that is {state}; the image itself is shown", "preview")

    def _image_problems(self, sha256: str, told: str, what: str = "image") -> Iterator[VerifyProblem]:
        photos = tables.photos
        query = sa.select(photos.c.visit, photos.c.name).where(photos.c.sha256 == sha256)
        drawings = tables.drawings
        drawn = sa.select(drawings.c.visit, drawings.c.name).where(
            sa.or_(drawings.c.sha256 == sha256, drawings.c.picture_sha256 == sha256)
        )
        with self.database.reading() as connection:
            named = connection.execute(query.order_by(photos.c.visit, photos.c.name)).all()
            named = [*named, *connection.execute(drawn.order_by(drawings.c.visit, drawings.c.name)).all()]
        for visit, name in named:
            yield VerifyProblem(what, name, f"The image of '{name}' in visit {visit} {told}.", visit)
        if not named:
            yield VerifyProblem(what, sha256, f"The image {sha256[:12]}, which no photo and no drawing names, {told}.")

    def _image_keys(self) -> Iterator[tuple[str, str | None]]:
        """Hashes of all images and previews, read in pieces: hashing takes hours, and no transaction should."""
        table, last = tables.images, ""
        while True:
            query = sa.select(table.c.sha256, table.c.preview_sha256).where(table.c.sha256 > last)
            with self.database.reading() as connection:
                rows = connection.execute(query.order_by(table.c.sha256).limit(_KEYS_AT_ONCE)).all()
            if not rows:
                return
            yield from ((row.sha256, row.preview_sha256) for row in rows)
            last = rows[-1].sha256


def _strange_cells(connection: Connection) -> Iterator[VerifyProblem]:
    """Columns of an SQLite database, which keeps any kind of value anywhere, that hold what no logbook writes."""
    kinds: tuple[tuple[type[Any], str], ...] = (
        (sa.LargeBinary, "'blob'"),
        (sa.Float, "'real', 'integer'"),
        (sa.Integer, "'integer'"),
    )
    for table in tables.metadata.sorted_tables:
        tests = []
        for column in table.columns:
            kept = next((names for kind, names in kinds if isinstance(column.type, kind)), "'text'")
            allowed = f"{kept}, 'null'" if column.nullable else kept
            tests.append(f'max(typeof("{column.name}") NOT IN ({allowed}))')
        # one reading of each table, however many columns it has
        strange = connection.exec_driver_sql(f'SELECT {", ".join(tests)} FROM "{table.name}"').one()
        for column, found in zip(table.columns, strange, strict=True):
            if found:
                yield VerifyProblem(
                    "table",
                    f"{table.name}.{column.name}",
                    f"The column '{column.name}' of the table '{table.name}' holds what no logbook writes; restore the logbook "
                    f"from a backup.",
                )


def _guarded_section(
    connection: Connection, visit: int, section: str, record_format: str, signed: Any
) -> Iterator[VerifyProblem]:
    word = SECTIONS[section]
    if signed is None:  # signed before the program kept such rows; none may be there
        signed = {}
    if not isinstance(signed, Mapping):
        yield VerifyProblem("record", f"visit {visit}", f"The record of visit {visit} names no {section}.", visit)
        return
    now = hashes_of({section: section_rows(connection, visit, section, record_format)})[section]
    for name, how in _changed_rows(signed, now, section in GROWING):
        yield VerifyProblem(word, name, f"{word.capitalize()} '{name}' of visit {visit} was {how} after it was signed.", visit)


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


def _changed_fields(signed: Any, now: Any) -> Iterator[str]:
    """Names of fields that differ; an empty name where the whole differs."""
    if isinstance(signed, Mapping) and isinstance(now, Mapping):
        yield from (name for name in sorted({*signed, *now}) if signed.get(name) != now.get(name))
    elif signed != now:
        yield ""


def _changed_rows(signed: Mapping[str, Any], now: Mapping[str, str], growing: bool) -> Iterator[tuple[str, str]]:
    for name in sorted(signed):
        if name not in now:
            yield name, "removed"
        elif now[name] != signed[name]:
            yield name, "changed"
    if not growing:
        yield from ((name, "added") for name in sorted(now) if name not in signed)


def _why(error: Exception) -> str:
    text = error.message if isinstance(error, LogbookError) else str(error) or type(error).__name__
    return text.splitlines()[0].rstrip(".")
