"""Records to JSON text and back.

Shared value types go through pydantic, so that a stored row is checked when it is read. Numbers that are not finite
become null, arrays become lists, and text that UTF-8 can't carry is escaped: a row can always be written and hashed.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterable, Mapping
from typing import Any, TypeVar

from audit.errors import LogbookError
from audit.judge.finding import Finding
from audit.stored import adapter, checked

__all__ = ["clean_text", "dump", "dump_plain", "finding_hash", "load", "load_plain", "sha256_hex", "together"]

T = TypeVar("T")


def sha256_hex(data: bytes | str) -> str:
    """SHA-256 of bytes, or of text in UTF-8, as lower-case hex."""
    return hashlib.sha256(data.encode() if isinstance(data, str) else data).hexdigest()


def together(hashes: Iterable[str]) -> str:
    """One hash for images whatever their order."""
    return sha256_hex(" ".join(sorted(hashes)))


def clean_text(text: str) -> str:
    """The same text with what a database can't keep (lone surrogates, NUL) written as an escape."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8").replace("\0", "\\x00")


def dump(value: Any) -> str:
    """A shared dataclass as compact JSON."""
    return dump_plain(adapter(type(value)).dump_python(value, exclude_none=False))


def load(kind: type[T], text: str) -> T:
    """A shared dataclass from its JSON.

    Raises
    ------
    LogbookError
        If the row doesn't hold what the program wrote.
    """
    return checked(kind, text, kind.__name__.lower())


def dump_plain(record: Any) -> str:
    """Any JSON-like value as compact JSON text with sorted keys."""
    try:
        text = _json(record)
        text.encode()
    except (TypeError, ValueError):
        return _json(_plain(record))
    # what only the slow way takes out is rare, and shows in the text
    return _json(_plain(record)) if "\\u0000" in text or '"_index"' in text else text


def load_plain(text: str) -> dict[str, Any]:
    """A measurement's record from its JSON text."""
    try:
        record = json.loads(text)
    except ValueError as error:
        raise LogbookError(
            "a stored measurement can't be read; the logbook was changed by another program: restore it from a backup."
        ) from error
    if not isinstance(record, dict):
        raise LogbookError("a stored measurement is not a record; restore the logbook from a backup.")
    return record


def finding_hash(finding: Finding) -> str:
    """Hash of what a finding says, without the drawing material in ``evidence``."""
    record = adapter(Finding).dump_python(finding)
    record.pop("evidence")
    return sha256_hex(dump_plain(record))


def _json(value: Any) -> str:
    return json.dumps(value, separators=(",", ":"), sort_keys=True, ensure_ascii=False, allow_nan=False)


def _plain(value: Any) -> Any:
    if value is None or isinstance(value, bool | int):
        return value
    if isinstance(value, str):
        return clean_text(value)
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {clean_text(str(key)): _plain(item) for key, item in value.items() if key != "_index"}
    if isinstance(value, list | tuple | set | frozenset):
        return [_plain(item) for item in value]
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    if hasattr(value, "isoformat"):
        return value.isoformat()
    raise LogbookError(f"a record holds a {type(value).__name__}, which can't be kept; this is a fault of the program.")
