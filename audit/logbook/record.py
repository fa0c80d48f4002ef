"""What a signed visit consists of: the rows of every kind, each by name, and the canonical record of their hashes."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import rfc8785
import sqlalchemy as sa
from sqlalchemy import Connection

from audit.errors import LogbookError
from audit.logbook import tables
from audit.logbook.codec import dump_plain, load_plain, sha256_hex

__all__ = [
    "FIRST_FORMAT",
    "FORMAT",
    "GROWING",
    "SECTIONS",
    "canonical",
    "hashes_of",
    "images_of",
    "logbook_of",
    "parse_record",
    "record_format",
    "section_rows",
    "sections_of",
    "signed_state",
    "visit_content",
]

FORMAT = "photo-audit visit record 2"
#: Covers less: no sizes and times of storing, no previews, no plan but the visit's own.
FIRST_FORMAT = "photo-audit visit record 1"

#: Sections of a record, each a mapping from a name to the hash of that row, with the word for one of them.
SECTIONS: dict[str, str] = {
    "photos": "photo",
    "images": "image",
    "refusals": "refusal",
    "measurements": "measurement",
    "comparisons": "comparison",
    "series": "series",
    "devices": "device",
    "placements": "placement",
    "answers": "answer",
    "verdicts": "verdict",
    "decisions": "decision",
    "points": "point",
    "references": "reference",
    "choices": "reference choice",
    "plans": "plan version",
    "drawings": "drawing",
    "pairings": "pairing",
}

#: Sections that later method versions, or later plans, may add to without touching what was signed.
GROWING = frozenset({"measurements", "comparisons", "series", "plans"})

Rows = dict[str, list[Any]]
Content = dict[str, Rows]


@dataclass(frozen=True, slots=True)
class _Section:
    """Which columns of which table are signed.

    Attributes
    ----------
    keys : int
        So many columns from the left name a row.
    columns, since_second : tuple of str
        Signed in every format, and from the second on besides.
    """

    table: sa.Table
    keys: int
    columns: tuple[str, ...]
    since_second: tuple[str, ...] = ()


_MEASURED = ("method", "body")
_IN_TABLES: dict[str, _Section] = {
    "photos": _Section(tables.photos, 1, ("name", "file_name", "sha256", "size_bytes", "body"), ("mtime_ns",)),
    "images": _Section(tables.images, 1, (), ("sha256", "size_bytes", "stored_at", "preview_sha256")),
    "refusals": _Section(tables.refusals, 1, ("name", "kind", "message"), ("size_bytes", "mtime_ns", "at")),
    "measurements": _Section(tables.measurements, 2, ("sha256", *_MEASURED), ("at",)),
    "comparisons": _Section(tables.comparisons, 3, ("reference_sha256", "today_sha256", *_MEASURED), ("at",)),
    "series": _Section(tables.series, 3, ("camera", "images", *_MEASURED), ("at",)),
    "devices": _Section(tables.devices, 1, (), ("camera", "body")),
    "placements": _Section(tables.placements, 1, ("photo", "camera", "decision", "role", "body")),
    "answers": _Section(tables.answers, 1, ("id", "photo", "camera", "by", "at"), ("role",)),
    "verdicts": _Section(tables.verdicts, 1, ("camera", "rank", "probability_good", "body"), ("judged",)),
    "decisions": _Section(
        tables.decisions,
        1,
        ("id", "camera", "check", "decision", "by", "why", "at", "finding_state", "finding_sha256", "undoes"),
        ("said_state", "photo", "column_px", "row_px", "due"),
    ),
    "references": _Section(tables.references, 2, ("camera", "channel", "sha256", "photo"), ("why", "glass")),
    "choices": _Section(
        tables.reference_choices, 1, (), ("id", "camera", "channel", "choice", "photo", "by", "why", "at")
    ),
    "points": _Section(
        tables.points,
        1,
        (),
        ("id", "camera", "landmark", "photo", "sha256", "column_px", "row_px", "confirmed", "by", "at", "undoes"),
    ),
    "drawings": _Section(
        tables.drawings, 1, (), ("id", "floor", "name", "sha256", "picture_sha256", "body", "by", "at")
    ),
    "pairings": _Section(tables.pairings, 1, (), ("id", "pairing", "event", "name", "by", "at")),
    "plans": _Section(tables.plans, 1, (), ("id", "sha256", "name", "since", "by", "data", "site")),
}
#: Column by which rows that belong to an image belong to a visit.
_BY_IMAGE = {"images": "sha256", "measurements": "sha256", "comparisons": "today_sha256"}
#: Of the logbook itself; where its images lie may change, they are known by their hashes.
_LOGBOOK = ("uuid", "created_at", "program_version")
#: Stored whole, and signed by their hash: the plan file as it was handed in, and what was read from it.
_LARGE = ("data", "site")


def sections_of(record_format: str = FORMAT) -> tuple[str, ...]:
    """Sections that a record of this format has."""
    return tuple(name for name in SECTIONS if _IN_TABLES[name].columns or record_format != FIRST_FORMAT)


def visit_content(connection: Connection, visit: int, record_format: str = FORMAT) -> Content:
    """Rows of a visit by section and name; equal content gives equal hashes on every database."""
    return {name: section_rows(connection, visit, name, record_format) for name in sections_of(record_format)}


def section_rows(connection: Connection, visit: int, section: str, record_format: str = FORMAT) -> Rows:
    """Rows of one section by name, each the signed columns in their order.

    Raises
    ------
    LogbookError
        If a row holds what no logbook writes.
    """
    what = _IN_TABLES[section]
    columns = what.columns if record_format == FIRST_FORMAT else (*what.columns, *what.since_second)
    query = sa.select(*(what.table.c[column] for column in columns))
    if section in _BY_IMAGE:
        query = query.where(what.table.c[_BY_IMAGE[section]].in_(images_of(visit)))
    elif "visit" in what.table.c:
        query = query.where(what.table.c.visit == visit)
    return {
        " ".join(str(part) for part in row[: what.keys]): [
            _shown(value, column in _LARGE) for column, value in zip(columns, row, strict=True)
        ]
        for row in connection.execute(query)
    }


def images_of(visit: int) -> sa.CompoundSelect[Any]:
    """Hashes of all images of a visit: its photos', and its drawings' with the pictures made of them."""
    photos, drawings = tables.photos, tables.drawings
    return sa.union(
        sa.select(photos.c.sha256).where(photos.c.visit == visit),
        sa.select(drawings.c.sha256).where(drawings.c.visit == visit),
        sa.select(drawings.c.picture_sha256).where(drawings.c.visit == visit),
    )


def hashes_of(content: Content) -> dict[str, dict[str, str]]:
    """The hash of each row, by section and name."""
    return {
        section: {name: sha256_hex(dump_plain(row)) for name, row in rows.items()} for section, rows in content.items()
    }


def canonical(record: Mapping[str, Any]) -> bytes:
    """The record's bytes by RFC 8785 (JSON Canonicalization Scheme), on which the signature stands."""
    try:
        data: bytes = rfc8785.dumps(dict(record))
        return data
    except rfc8785.CanonicalizationError as error:
        raise LogbookError(f"the visit can't be written as a canonical record ({error}).") from error


def parse_record(data: bytes) -> dict[str, Any] | None:
    """A record from its bytes; None unless they are exactly what :func:`canonical` writes."""
    try:
        record = json.loads(data)
        if not isinstance(record, dict) or rfc8785.dumps(record) != data:
            return None
    except (ValueError, RecursionError):
        return None
    return record


def signed_state(connection: Connection, visit: sa.Row[Any], record_format: str = FORMAT) -> dict[str, Any]:
    """What the tables say of a signed visit besides its rows, in the form in which it is signed."""
    plans = tables.plans
    plan = connection.execute(sa.select(plans).where(plans.c.id == visit.plan)).one_or_none()
    book = connection.execute(sa.select(tables.logbook)).one_or_none()
    first = record_format == FIRST_FORMAT
    whole_book = None if book is None else {column: _shown(getattr(book, column), False) for column in _LOGBOOK}
    return {
        "logbook": (book and book.uuid) if first else whole_book,
        "visit": {
            "number": visit.number,
            "kind": visit.kind,
            "on": visit.on_day.isoformat(),
            "started_at": visit.started_at.isoformat(),
            "signed_at": visit.signed_at.isoformat(),
            "signed_by": visit.signed_by,
            "limits": _limits(visit.limits),
            **({} if first else {"plan": visit.plan}),
        },
        "plan": None
        if plan is None
        else {"name": plan.name, "sha256": sha256_hex(bytes(plan.data)), "site_sha256": sha256_hex(plan.site)},
    }


def record_format(record: bytes) -> str:
    """The format that a record says it has."""
    told = parse_record(record) or {}
    return FIRST_FORMAT if told.get("format") == FIRST_FORMAT else FORMAT


def logbook_of(record: Mapping[str, Any]) -> str | None:
    """The identity of the logbook that a record belongs to."""
    told = record.get("logbook")
    uuid = told.get("uuid") if isinstance(told, Mapping) else told
    return uuid if isinstance(uuid, str) else None


def _limits(text: str | None) -> Any:
    """A visit's limits as values; text that was damaged as it stands, so that it differs from what was signed."""
    if text is None:
        return None
    try:
        return load_plain(text)
    except LogbookError:
        return text


def _shown(value: Any, large: bool) -> Any:
    if large and isinstance(value, bytes | str):
        return sha256_hex(value)
    return value.isoformat() if hasattr(value, "isoformat") else value
