"""The change of a logbook's signing key: a statement that names the new key, signed by the old one."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from audit.logbook.record import canonical, parse_record
from audit.logbook.signing import SigningKey, fingerprint, signature_fits

__all__ = ["KeyChange", "change_statement", "follows", "key_after", "read_change"]

FORMAT = "photo-audit key change 1"


@dataclass(frozen=True, slots=True)
class KeyChange:
    """One change as it is kept.

    Attributes
    ----------
    statement, signature : bytes
        Canonical JSON (RFC 8785) and the old key's Ed25519 signature over it.
    logbook : str
    old_key, new_key : bytes
        PEM of the key that signed, and of the one that signs from then on.
    after : str or None
        SHA-256 of the last record that the old key signed.
    """

    statement: bytes
    signature: bytes
    logbook: str
    old_key: bytes
    new_key: bytes
    after: str | None


def change_statement(
    logbook: str, old: SigningKey, new_key: bytes, after: str | None, by: str, at: datetime
) -> KeyChange:
    """The statement of a change, signed by the old key."""
    statement = canonical(
        {
            "format": FORMAT,
            "logbook": logbook,
            "old": fingerprint(old.public_pem),
            "old_key": old.public_pem.decode(),
            "new": fingerprint(new_key),
            "new_key": new_key.decode(),
            "after": after,
            "by": by,
            "at": at.isoformat(),
        }
    )
    return KeyChange(statement, old.sign(statement), logbook, old.public_pem, new_key, after)


def read_change(statement: bytes, signature: bytes) -> KeyChange | None:
    """A change from its bytes; None where they are none. Its signature is checked when it is followed."""
    told: Mapping[str, Any] | None = parse_record(statement)
    if told is None or told.get("format") != FORMAT:
        return None
    texts = [told.get(name) for name in ("logbook", "old_key", "new_key")]
    after = told.get("after")
    if not all(isinstance(text, str) for text in texts) or not isinstance(after, str | None):
        return None
    logbook, *keys = map(str, texts)
    old_key, new_key = (key.encode("utf-8", "replace") for key in keys)
    return KeyChange(statement, signature, logbook, old_key, new_key, after)


def follows(change: KeyChange, old_fingerprint: str | None) -> bool:
    """Whether the key of this fingerprint made the change, and made it out to a key."""
    return (
        old_fingerprint is not None
        and fingerprint(change.old_key) == old_fingerprint
        and fingerprint(change.new_key) is not None
        and signature_fits(change.old_key, change.statement, change.signature)
    )


def key_after(public: bytes, logbook: str, after: str | None, changes: Iterable[KeyChange]) -> bytes:
    """The key that signs next: where the key in force passed on after this record, the one that it named.

    Parameters
    ----------
    public : bytes
        PEM of the key in force.
    after : str or None
        SHA-256 of the last record.
    changes : iterable of KeyChange
        In the order in which they were made; one that doesn't fit is passed over.
    """
    for change in changes:
        if (change.logbook, change.after) == (logbook, after) and follows(change, fingerprint(public)):
            public = change.new_key
    return public
