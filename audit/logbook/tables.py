"""The logbook's tables, the same on SQLite and PostgreSQL.

Bodies are JSON text, not a database's own JSON type: what was signed is hashed byte by byte, and a database that
reorders keys or rewrites numbers would break that. Everything that lists or sorts has a column and an index.
Times are ISO 8601 text in UTC.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import (
    BigInteger,
    Column,
    Dialect,
    Float,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    TypeDecorator,
)

from audit.errors import LogbookError

__all__ = [
    "SCHEMA",
    "answers",
    "comparisons",
    "decisions",
    "devices",
    "drawings",
    "images",
    "key_changes",
    "logbook",
    "measurements",
    "metadata",
    "pairings",
    "photos",
    "placements",
    "plan_cameras",
    "plans",
    "points",
    "records",
    "reference_choices",
    "references",
    "refusals",
    "series",
    "verdict_counts",
    "verdicts",
    "visits",
    "waiting_drawings",
]

#: The Alembic revision that this program reads and writes.
SCHEMA = "0010"

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    }
)


class UtcText(TypeDecorator[datetime]):
    """An aware time as ``2026-06-16T10:00:00.000000Z``: sorts as text and reads the same everywhere."""

    impl = String(27)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> str | None:
        """To text, in UTC."""
        if value is None:
            return None
        return value.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        """From text, aware.

        Raises
        ------
        LogbookError
            If it is no time.
        """
        if value is None:
            return None
        try:
            time = datetime.fromisoformat(value)
        except (TypeError, ValueError) as error:
            raise _no_time(value) from error
        if time.tzinfo is None:
            raise _no_time(value)
        return time


class DateText(TypeDecorator[date]):
    """A calendar day as ``2026-06-16``."""

    impl = String(10)
    cache_ok = True

    def process_bind_param(self, value: date | None, dialect: Dialect) -> str | None:
        """To text."""
        return None if value is None else value.isoformat()

    def process_result_value(self, value: Any, dialect: Dialect) -> date | None:
        """From text.

        Raises
        ------
        LogbookError
            If it is no day.
        """
        try:
            return None if value is None else date.fromisoformat(value)
        except (TypeError, ValueError) as error:
            raise _no_time(value) from error


def _no_time(value: Any) -> LogbookError:
    return LogbookError(
        f"{str(value)[:40]!a} stands in the logbook where a time or a day belongs; it was changed by another program: "
        f"restore it from a backup."
    )


logbook = Table(
    "logbook",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("uuid", String(36), nullable=False),
    Column("created_at", UtcText, nullable=False),
    Column("program_version", String(40), nullable=False),
    Column("images_url", Text, nullable=False),
    Column("package_language", String(10)),
)

plans = Table(
    "plans",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("sha256", String(64), nullable=False),
    Column("name", Text, nullable=False),
    Column("data", LargeBinary, nullable=False),
    Column("site", Text, nullable=False),
    Column("since", UtcText, nullable=False),
    Column("by", Text),
)

plan_cameras = Table(
    "plan_cameras",
    metadata,
    Column("plan", Integer, ForeignKey("plans.id"), primary_key=True),
    Column("camera", Text, primary_key=True),
    Column("body", Text, nullable=False),
)

visits = Table(
    "visits",
    metadata,
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("kind", String(20), nullable=False),
    Column("on_day", DateText, nullable=False),
    Column("started_at", UtcText, nullable=False),
    Column("signed_at", UtcText),
    Column("signed_by", Text),
    Column("plan", Integer, ForeignKey("plans.id")),
    Column("limits", Text),
)

images = Table(
    "images",
    metadata,
    Column("sha256", String(64), primary_key=True),
    Column("size_bytes", BigInteger, nullable=False),
    Column("stored_at", UtcText, nullable=False),
    Column("preview_sha256", String(64)),
)

photos = Table(
    "photos",
    metadata,
    Column("visit", Integer, ForeignKey("visits.number"), primary_key=True),
    Column("name", Text, primary_key=True),
    Column("file_name", Text, nullable=False),
    Column("sha256", String(64), ForeignKey("images.sha256"), nullable=False),
    Column("size_bytes", BigInteger, nullable=False),
    Column("mtime_ns", BigInteger),
    Column("body", Text, nullable=False),
    Index(None, "visit", "file_name"),
    Index(None, "sha256"),
)

refusals = Table(
    "refusals",
    metadata,
    Column("visit", Integer, ForeignKey("visits.number"), primary_key=True),
    Column("name", Text, primary_key=True),
    Column("kind", Text, nullable=False),
    Column("message", Text, nullable=False),
    Column("size_bytes", BigInteger),
    Column("mtime_ns", BigInteger),
    Column("at", UtcText, nullable=False),
)

measurements = Table(
    "measurements",
    metadata,
    Column("sha256", String(64), ForeignKey("images.sha256"), primary_key=True),
    Column("method", String(120), primary_key=True),
    Column("body", Text, nullable=False),
    Column("at", UtcText, nullable=False),
)

comparisons = Table(
    "comparisons",
    metadata,
    Column("reference_sha256", String(64), ForeignKey("images.sha256"), primary_key=True),
    Column("today_sha256", String(64), ForeignKey("images.sha256"), primary_key=True),
    Column("method", String(120), primary_key=True),
    Column("body", Text, nullable=False),
    Column("at", UtcText, nullable=False),
    Index(None, "today_sha256"),
)

series = Table(
    "series",
    metadata,
    Column("visit", Integer, ForeignKey("visits.number"), primary_key=True),
    Column("camera", Text, primary_key=True),
    Column("images", String(64), primary_key=True),
    Column("method", String(120), primary_key=True),
    Column("body", Text, nullable=False),
    Column("at", UtcText, nullable=False),
)

devices = Table(
    "devices",
    metadata,
    Column("visit", Integer, ForeignKey("visits.number"), primary_key=True),
    Column("camera", Text, primary_key=True),
    Column("body", Text, nullable=False),
)

placements = Table(
    "placements",
    metadata,
    Column("visit", Integer, primary_key=True),
    Column("photo", Text, primary_key=True),
    Column("camera", Text),
    Column("decision", String(10), nullable=False),
    Column("role", String(10), nullable=False),
    Column("body", Text, nullable=False),
    ForeignKeyConstraint(["visit", "photo"], ["photos.visit", "photos.name"]),
    Index(None, "visit", "camera"),
    Index(None, "visit", "decision"),
)

answers = Table(
    "answers",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("visit", Integer, ForeignKey("visits.number"), nullable=False, index=True),
    Column("photo", Text, nullable=False),
    Column("camera", Text),
    Column("by", Text, nullable=False),
    Column("at", UtcText, nullable=False),
    Column("role", String(20)),
)

verdicts = Table(
    "verdicts",
    metadata,
    Column("visit", Integer, ForeignKey("visits.number"), primary_key=True),
    Column("camera", Text, primary_key=True),
    Column("rank", Integer, nullable=False),
    Column("probability_good", Float, nullable=False),
    Column("body", Text, nullable=False),
    Column("judged", Text),
    Index(None, "visit", "rank", "probability_good", "camera"),
    Index(None, "camera", "visit"),
)

verdict_counts = Table(
    "verdict_counts",
    metadata,
    Column("visit", Integer, ForeignKey("visits.number"), primary_key=True),
    Column("rank", Integer, primary_key=True),
    Column("cameras", Integer, nullable=False),
)

decisions = Table(
    "decisions",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("visit", Integer, ForeignKey("visits.number"), nullable=False),
    Column("camera", Text, nullable=False),
    Column("check", String(20), nullable=False),
    Column("decision", String(10), nullable=False),
    Column("by", Text, nullable=False),
    Column("why", Text, nullable=False),
    Column("at", UtcText, nullable=False),
    Column("finding_state", String(20)),
    Column("finding_sha256", String(64)),
    Column("undoes", Integer, ForeignKey("decisions.id")),
    Column("said_state", String(20)),
    Column("photo", Text),
    Column("column_px", Float),
    Column("row_px", Float),
    Column("due", DateText),
    Index(None, "visit", "camera"),
)

points = Table(
    "points",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("visit", Integer, ForeignKey("visits.number"), nullable=False),
    Column("camera", Text, nullable=False),
    Column("landmark", Text, nullable=False),
    Column("photo", Text, nullable=False),
    Column("sha256", String(64), ForeignKey("images.sha256"), nullable=False),
    Column("column_px", Float),
    Column("row_px", Float),
    Column("confirmed", Integer, nullable=False),
    Column("by", Text, nullable=False),
    Column("at", UtcText, nullable=False),
    Column("undoes", Integer, ForeignKey("points.id")),
    Index(None, "visit", "camera"),
)

pairings = Table(
    "pairings",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("visit", Integer, ForeignKey("visits.number"), nullable=False, index=True),
    Column("pairing", String(16), nullable=False),
    Column("event", String(10), nullable=False),
    Column("name", Text),
    Column("by", Text, nullable=False),
    Column("at", UtcText, nullable=False),
)

drawings = Table(
    "drawings",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("visit", Integer, ForeignKey("visits.number"), nullable=False),
    Column("floor", Text, nullable=False),
    Column("name", Text, nullable=False),
    Column("sha256", String(64), ForeignKey("images.sha256"), nullable=False),
    Column("picture_sha256", String(64), ForeignKey("images.sha256"), nullable=False),
    Column("body", Text),
    Column("by", Text, nullable=False),
    Column("at", UtcText, nullable=False),
    Index(None, "floor", "visit"),
)

#: Handed in before there is a visit; the next that is opened takes them over, and its signature covers them.
waiting_drawings = Table(
    "waiting_drawings",
    metadata,
    Column("floor", Text, primary_key=True),
    Column("name", Text, nullable=False),
    Column("sha256", String(64), ForeignKey("images.sha256"), nullable=False),
    Column("picture_sha256", String(64), ForeignKey("images.sha256"), nullable=False),
    Column("body", Text, nullable=False),
    Column("by", Text, nullable=False),
    Column("at", UtcText, nullable=False),
)

references = Table(
    "reference_images",
    metadata,
    Column("visit", Integer, ForeignKey("visits.number"), primary_key=True),
    Column("camera", Text, primary_key=True),
    Column("channel", String(10), primary_key=True),
    Column("sha256", String(64), ForeignKey("images.sha256"), nullable=False),
    Column("photo", Text, nullable=False),
    Column("why", Text),
    Column("glass", String(20)),
    Index(None, "camera", "channel", "visit"),
)

reference_choices = Table(
    "reference_choices",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("visit", Integer, ForeignKey("visits.number"), nullable=False),
    Column("camera", Text, nullable=False),
    Column("channel", String(10), nullable=False),
    Column("choice", String(10), nullable=False),
    Column("photo", Text),
    Column("by", Text, nullable=False),
    Column("why", Text, nullable=False),
    Column("at", UtcText, nullable=False),
    Index(None, "camera", "channel", "visit"),
)

records = Table(
    "records",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("visit", Integer, ForeignKey("visits.number"), nullable=False, unique=True),
    Column("record", LargeBinary, nullable=False),
    Column("sha256", String(64), nullable=False),
    Column("signature", LargeBinary, nullable=False),
    Column("public_key", LargeBinary, nullable=False),
    Column("time_stamp", LargeBinary),
)

key_changes = Table(
    "key_changes",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("statement", LargeBinary, nullable=False),
    Column("signature", LargeBinary, nullable=False),
)
