"""Names of fetched pictures: whose, when it was asked for, by which light."""

from __future__ import annotations

import hashlib
import re
from datetime import UTC, datetime

__all__ = ["asked_at", "picture_name", "safe_name"]

_STAMP = "%Y%m%d-%H%M%S"
_STAMPED = re.compile(r"_(?:snapshot|turned)_(\d{8}-\d{6})_(?:day|night)\.[a-z]+$")


def picture_name(camera: str, at: datetime, light: str, ending: str, shot: str = "snapshot") -> str:
    """The file name of a picture that a camera was asked for at a moment (UTC); ``shot`` is ``snapshot`` or ``turned``."""
    return f"{safe_name(camera)}_{shot}_{at:{_STAMP}}_{light}{ending}"


def asked_at(file: str) -> datetime | None:
    """The moment back from :func:`picture_name`, in whole seconds; None where it is no such name.

    Examples
    --------
    >>> asked_at("TH-07_snapshot_20260304-143005_day.jpg")
    datetime.datetime(2026, 3, 4, 14, 30, 5, tzinfo=datetime.timezone.utc)
    """
    found = _STAMPED.search(file)
    try:
        return None if found is None else datetime.strptime(found.group(1), _STAMP).replace(tzinfo=UTC)
    except ValueError:
        return None


def safe_name(camera: str) -> str:
    """A camera's id as part of a file name; ids that would look alike there keep apart by a short hash."""
    plain = re.sub(r"[^A-Za-z0-9._-]+", "_", camera).strip("._") or "camera"
    return plain if plain == camera else f"{plain}-{hashlib.sha256(camera.encode()).hexdigest()[:6]}"
