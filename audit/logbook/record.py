"""What a signed visit consists of: the rows of every kind, each by name, and the canonical record of their hashes."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import rfc8785
import sqlalchemy as sa
from sqlalchemy import Connection

from audit.errors import LogbookError
from audit.logbook import tables
from audit.logbook.codec import dump_plain, sha256_hex

__all__ = ["FORMAT", "GROWING", "SECTIONS", "canonical", "hashes_of", "parse_record", "visit_content"]

FORMAT = "photo-audit visit record 1"

#: Sections of a record, each a mapping from a name to the hash of that row, with the word for one of them.
SECTIONS: dict[str, str] = {
    "photos": "photo",
    "refusals": "refusal",
    "measurements": "measurement",
    "comparisons": "comparison",
    "series": "series",
    "placements": "placement",
    "answers": "answer",
    "verdicts": "verdict",
    "decisions": "decision",
    "references": "reference",
}

#: Sections that later method versions may add to without touching what was signed.
GROWING = frozenset({"measurements", "comparisons", "series"})

Content = dict[str, dict[str, list[Any]]]


def visit_content(connection: Connection, visit: int) -> Content:
    """Rows of a visit by section and name; equal content gives equal hashes on every database."""
    t = tables
    of_visit = sa.select(t.photos.c.sha256).where(t.photos.c.visit == visit)
    queries: dict[str, tuple[sa.Select[Any], int]] = {
        "photos": (_of(t.photos, visit, "name", "file_name", "sha256", "size_bytes", "body"), 1),
        "refusals": (_of(t.refusals, visit, "name", "kind", "message"), 1),
        "measurements": (
            sa.select(t.measurements.c.sha256, t.measurements.c.method, t.measurements.c.body).where(
                t.measurements.c.sha256.in_(of_visit)
            ),
            2,
        ),
        "comparisons": (
            sa.select(
                t.comparisons.c.reference_sha256,
                t.comparisons.c.today_sha256,
                t.comparisons.c.method,
                t.comparisons.c.body,
            ).where(t.comparisons.c.today_sha256.in_(of_visit)),
            3,
        ),
        "series": (_of(t.series, visit, "camera", "images", "method", "body"), 3),
        "placements": (_of(t.placements, visit, "photo", "camera", "decision", "role", "body"), 1),
        "answers": (_of(t.answers, visit, "id", "photo", "camera", "by", "at"), 1),
        "verdicts": (_of(t.verdicts, visit, "camera", "rank", "probability_good", "body"), 1),
        "decisions": (
            _of(
                t.decisions,
                visit,
                *("id", "camera", "check", "decision", "by", "why", "at"),
                *("finding_state", "finding_sha256", "undoes"),
            ),
            1,
        ),
        "references": (_of(t.references, visit, "camera", "channel", "sha256", "photo"), 2),
    }
    return {
        section: {
            " ".join(str(part) for part in row[:keys]): [_shown(value) for value in row]
            for row in connection.execute(query)
        }
        for section, (query, keys) in queries.items()
    }


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


def _of(table: sa.Table, visit: int, *columns: str) -> sa.Select[Any]:
    return sa.select(*(table.c[column] for column in columns)).where(table.c.visit == visit)


def _shown(value: Any) -> Any:
    return value.isoformat() if hasattr(value, "isoformat") else value
