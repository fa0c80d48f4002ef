"""A whole logbook as one checked file: for backups, and for moving between a folder and a database.

The archive is a ZIP with ``tables/NAME.jsonl`` (one row a line), ``images/HASH``, ``previews/HASH`` and, last,
``hashes.json`` with the SHA-256 of each of them. Reading it back takes members by the names that belong in an
archive and unpacks nothing by a name found in it. Private keys are never part of it.
"""

from __future__ import annotations

import base64
import hashlib
import os
import re
import struct
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy import Connection

from audit.errors import LogbookError
from audit.logbook import tables
from audit.logbook.codec import dump_plain, load_plain
from audit.logbook.container import Damaged, ZipContainer, open_zip
from audit.logbook.database import Database, file_sentence, known_schema
from audit.logbook.flat import FLAT_OBJECT
from audit.logbook.images import ImageStore
from audit.logbook.store import Counting

__all__ = ["read_archive", "write_archive"]

_FORMAT = "photo-audit logbook 1"
_HASHES = "hashes.json"
_MEMBER = re.compile(r"tables/[a-z_]{1,40}\.jsonl|(images|previews)/[0-9a-f]{64}")
_ROWS_AT_ONCE, _BYTES_AT_ONCE = 2000, 8 << 20
#: A plan's file is one value of one row.
_LONGEST_LINE = 64 << 20
_LARGEST_IMAGE = 1 << 30
#: ``hashes.json`` names each member with its hash.
_HASH_LINE_BYTES, _HASHES_BYTES = 256, 1 << 16
#: What zipfile, zlib and our own reading of rows raise at a damaged or made-up archive.
_DAMAGE = (
    *(zipfile.BadZipFile, zlib.error, struct.error, EOFError, NotImplementedError, RuntimeError),
    *(ValueError, TypeError, KeyError, AttributeError, ArithmeticError, RecursionError),
)


def write_archive(database: Database, images: ImageStore, path: Path, progress: Counting) -> None:
    """Writes everything that a logbook keeps into one file, which takes its name only when it is whole."""
    new = path.with_name(path.name + ".new")
    hashes: dict[str, str] = {}
    try:
        with zipfile.ZipFile(new, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
            with database.reading() as connection:
                for table in tables.metadata.sorted_tables:
                    name = f"tables/{table.name}.jsonl"
                    hashes[name] = _write_rows(archive, name, connection, table)
                keys = list(connection.execute(sa.select(tables.images.c.sha256)).scalars())
            for done, sha256 in enumerate(sorted(keys), start=1):
                hashes[f"images/{sha256}"] = _write_bytes(archive, f"images/{sha256}", images.get(sha256))
                preview = images.get_preview(sha256)
                progress(done, len(keys))
                if preview is not None:
                    hashes[f"previews/{sha256}"] = _write_bytes(archive, f"previews/{sha256}", preview)
            record = {"format": _FORMAT, "schema": tables.SCHEMA, "members": hashes}
            archive.writestr(_HASHES, dump_plain(record), zipfile.ZIP_DEFLATED)
        with new.open("rb") as file:
            os.fsync(file.fileno())
        os.replace(new, path)
    except OSError as error:
        raise LogbookError(file_sentence(str(path), error)) from error
    finally:
        new.unlink(missing_ok=True)


def read_archive(path: Path, database: Database, images: ImageStore, images_url: str) -> None:
    """Makes a logbook from an archive: images first, then all tables and rows in one transaction.

    Raises
    ------
    LogbookError
        If the archive is damaged, holds what doesn't belong in it, or comes from a newer program.
    """
    kept: list[tuple[str, str]] = []
    try:
        with open_zip(path) as archive:
            container = ZipContainer(archive, path.stat().st_size)
            schema, listed = _listed(archive, container, path)
            for name in listed:
                room, _, sha256 = name.partition("/")
                if room != "tables" and _keep(container, images, name, listed[name], path):
                    kept.append((room, sha256))
            with database.writing() as connection:
                database.lay_out(connection, schema)
                for table in _tables_of(connection):
                    name = f"tables/{table.name}.jsonl"
                    if name not in listed:
                        raise _damaged(path, name)
                    _insert_rows(connection, table, _checked_lines(container, name, listed, path), path)
                database.bring_up_to_date(connection)
                _count_on(connection)
                connection.execute(tables.logbook.update().values(images_url=images_url))
    except BaseException as error:
        for room, sha256 in kept:
            with suppress(LogbookError):
                images.remove(room, sha256)
        raise _in_words(path, error) from error


def _in_words(path: Path, error: BaseException) -> BaseException:
    """The error as a sentence about the archive, where it is one."""
    if isinstance(error, Damaged):
        named = f"'{error.name}' in it " if error.name else ""
        return LogbookError(f"{path}: the archive is damaged ({named}{error.why}); take another copy of it.")
    if isinstance(error, MemoryError | LogbookError):
        return error
    if isinstance(error, OSError):
        return LogbookError(file_sentence(str(path), error))
    if isinstance(error, _DAMAGE):
        return LogbookError(f"{path}: the archive is damaged ({str(error)[:200]}); take another copy of it.")
    return error


def _keep(container: ZipContainer, images: ImageStore, name: str, digest: str, path: Path) -> bool:
    """Keep an image or a preview; whether it is new."""
    room, _, sha256 = name.partition("/")
    if container.size(name) > _LARGEST_IMAGE or not container.is_stored(name) or (room == "images" and sha256 != digest):
        raise _damaged(path, name)
    try:
        return images.put_blocks(room, sha256, container.blocks(name), digest)
    except ValueError as error:
        raise _damaged(path, name) from error


def _write_rows(archive: zipfile.ZipFile, name: str, connection: Connection, table: sa.Table) -> str:
    digest = hashlib.sha256()
    columns = [column.name for column in table.columns]
    query = sa.select(table).order_by(*table.primary_key.columns)
    with archive.open(name, "w", force_zip64=True) as stream:
        rows = connection.execution_options(yield_per=_ROWS_AT_ONCE).execute(query)
        for row in rows:
            line = dump_plain({c: _to_json(value) for c, value in zip(columns, row, strict=True)}).encode() + b"\n"
            digest.update(line)
            stream.write(line)
    return digest.hexdigest()


def _write_bytes(archive: zipfile.ZipFile, name: str, data: bytes) -> str:
    archive.writestr(name, data, zipfile.ZIP_STORED)
    return hashlib.sha256(data).hexdigest()


def _listed(archive: zipfile.ZipFile, container: ZipContainer, path: Path) -> tuple[str, dict[str, str]]:
    """The schema that the archive was written with, and its members' hashes."""
    names = archive.namelist()
    strange = [name for name in names if name != _HASHES and not _MEMBER.fullmatch(name)]
    if strange or len(set(names)) != len(names):
        raise LogbookError(f"{path}: the archive holds {ascii(strange[0][:80]) if strange else 'a name twice'}, which no logbook writes.")
    if _HASHES not in names:
        raise LogbookError(f"{path}: this is no archive of a logbook; make one with 'photo-audit export'.")
    record = load_plain(_small(container, _HASHES, _HASH_LINE_BYTES * len(names) + _HASHES_BYTES).decode())
    schema = str(record.get("schema"))
    if record.get("format") != _FORMAT or not known_schema(schema):
        raise LogbookError(
            f"{path}: the archive was written by a newer photo-audit (schema {schema}, this program reads "
            f"{tables.SCHEMA}); update the program."
        )
    listed = record.get("members")
    if not isinstance(listed, dict) or set(listed) != set(names) - {_HASHES} or not all(map(_is_hash, listed.values())):
        raise _damaged(path, _HASHES)
    return schema, listed


def _tables_of(connection: Connection) -> list[sa.Table]:
    """The tables as they are laid out, in an order in which rows can be put in."""
    there = sa.MetaData()
    there.reflect(connection, only=lambda name, _: name != "alembic_version")
    return there.sorted_tables


def _is_hash(value: object) -> bool:
    return isinstance(value, str) and re.fullmatch("[0-9a-f]{64}", value) is not None


def _small(container: ZipContainer, name: str, at_most: int) -> bytes:
    data = bytearray()
    for block in container.blocks(name):
        data += block
        if len(data) > at_most:
            raise Damaged(name, "is larger than any that a logbook writes")
    return bytes(data)


def _checked_lines(container: ZipContainer, name: str, listed: dict[str, str], path: Path) -> Iterator[dict[str, Any]]:
    """Rows of a table; the last one comes only if all of them have the right hash, else nothing is kept."""
    digest = hashlib.sha256()
    for line in _lines(container.blocks(name), path, name):
        digest.update(line)
        if not FLAT_OBJECT.fullmatch(line):
            raise LogbookError(f"{path}: a row of '{name}' in the archive can't be read; take another copy of it.")
        yield load_plain(line.decode())
    if digest.hexdigest() != listed[name]:
        raise _damaged(path, name)


def _lines(blocks: Iterator[bytes], path: Path, name: str) -> Iterator[bytes]:
    held: list[bytes] = []
    size = 0
    for block in blocks:
        first, *others = block.split(b"\n")
        held.append(first)
        size += len(first)
        for piece in others:
            yield b"".join(held) + b"\n"
            held, size = [piece], len(piece)
        if size > _LONGEST_LINE:
            raise Damaged(name, "holds a row that is larger than any that a logbook writes")
    if any(held):
        raise _damaged(path, name)


def _insert_rows(connection: Connection, table: sa.Table, rows: Iterator[dict[str, Any]], path: Path) -> None:
    names = {column.name for column in table.columns}
    batch: list[dict[str, Any]] = []
    size = 0
    for row in rows:
        if set(row) != names:
            raise _damaged(path, table.name)
        batch.append({name: _from_json(table.c[name], value) for name, value in row.items()})
        size += sum(len(value) for value in row.values() if isinstance(value, str))
        if len(batch) == _ROWS_AT_ONCE or size > _BYTES_AT_ONCE:
            connection.execute(table.insert(), batch)
            batch, size = [], 0
    if batch:
        connection.execute(table.insert(), batch)


def _count_on(connection: Connection) -> None:
    """Numbers given by the database itself go on after those that were read in."""
    if connection.dialect.name != "postgresql":
        return
    for table in tables.metadata.sorted_tables:
        if table.autoincrement_column is not None:
            sequence = sa.func.pg_get_serial_sequence(table.name, "id")
            last = sa.select(sa.func.max(table.c.id)).scalar_subquery()
            connection.execute(sa.select(sa.func.setval(sequence, sa.func.coalesce(last, 1), last.is_not(None))))


def _to_json(value: Any) -> Any:
    if isinstance(value, bytes | memoryview):
        return base64.b64encode(bytes(value)).decode()
    return value


def _from_json(column: sa.Column[Any], value: Any) -> Any:
    if value is None:
        return None
    if isinstance(column.type, sa.LargeBinary):
        return base64.b64decode(value, validate=True)
    ours = tables.metadata.tables[column.table.name].c.get(column.name)
    if ours is not None and isinstance(ours.type, sa.TypeDecorator):
        return ours.type.process_bind_param(ours.type.process_result_value(value, _NO_DIALECT), _NO_DIALECT)
    return value


_NO_DIALECT = sa.engine.default.DefaultDialect()


def _damaged(path: Path, name: str) -> LogbookError:
    return LogbookError(f"{path}: '{name}' in the archive was changed or is incomplete; take another copy of it.")
