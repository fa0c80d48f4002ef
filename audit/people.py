"""Who signed in: a person is an issuer and a subject, and what stands in the records says both beside the name.

OpenID Connect Core 1.0, 5.7: only ``iss`` and ``sub`` together identify a person; a name or an address may change hands.
The names shown and the roles are the operator's own list, never what a provider's user may write of themselves.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from audit.errors import AuditError

__all__ = ["RIGHTS", "Entry", "Person", "entry", "find_person", "recorded", "shown_name", "typed_name"]

#: What each role may do; without sign-in (loopback) everything.
RIGHTS: Mapping[str, frozenset[str]] = {
    "reader": frozenset({"look"}),
    "crew": frozenset({"look", "bring in"}),
    "reviewer": frozenset({"look", "bring in", "decide"}),
    "signer": frozenset({"look", "bring in", "decide", "sign"}),
}
_LONGEST_NAME = 200
#: OpenID Connect Core 1.0, 2: at most 255 ASCII characters; of them those that can be seen.
_SUBJECT = re.compile(r"[!-~](?:[ -~]{0,253}[!-~])?")
_IDENTITY = re.compile(r" <\S+ [!-~][ -~]*>$")


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the operator's list: whom it means (by subject, address, or both), the name shown, the role."""

    role: str
    name: str
    subject: str | None
    email: str | None


@dataclass(frozen=True, slots=True)
class Person:
    """Whoever signed in and stands in the operator's list.

    Attributes
    ----------
    issuer, subject : str
        Who it is, as the provider says.
    name : str
        What is shown: the operator's word for them, else their verified address, else the subject.
    role : str
        A key of :data:`RIGHTS`.
    """

    issuer: str
    subject: str
    name: str
    role: str

    @property
    def rights(self) -> frozenset[str]:
        """What the role may do."""
        return RIGHTS[self.role]

    @property
    def recorded(self) -> str:
        """How records name them."""
        return recorded(self.name, self.issuer, self.subject)


def recorded(name: str, issuer: str, subject: str) -> str:
    """Name and identity as a record keeps them: ``Ada Example <https://id.example.org 24400320>``."""
    return f"{name} <{issuer} {subject}>"


def shown_name(by: str) -> str:
    """The name of a record without the identity."""
    return _IDENTITY.sub("", by)


def typed_name(text: str) -> str:
    """A name that somebody typed: one line, without the marks that set an identity off."""
    plain = "".join(c if c.isprintable() else " " for c in text)
    return " ".join(plain.translate({ord("<"): None, ord(">"): None}).split())[:_LONGEST_NAME]


def entry(place: str, row: object) -> Entry:
    """One entry of the operator's list.

    Raises
    ------
    AuditError
        Naming the place and what is wrong there.
    """
    if not isinstance(row, dict) or any(not isinstance(value, str) for value in row.values()):
        raise AuditError(f"{place}: an entry has texts for role, name, subject and email; write them in quotes.")
    unknown = sorted(set(row) - {"role", "name", "subject", "email"})
    if unknown:
        raise AuditError(f"{place}: '{unknown[0]}' is unknown; an entry has role, name, subject, email.")
    role, subject, email = row.get("role", ""), row.get("subject"), row.get("email")
    if role not in RIGHTS:
        raise AuditError(f"{place}: the role '{role}' is unknown; it is one of {', '.join(RIGHTS)}.")
    if subject is None and email is None:
        raise AuditError(f"{place}: says not whom it means; give the subject, or an address as email.")
    if subject is not None and not _SUBJECT.fullmatch(subject):
        raise AuditError(f"{place}: '{subject!r}' is no subject; copy it from the provider (visible ASCII characters).")
    if email is not None and _address(email) is None:
        raise AuditError(
            f"{place}: {email!r} can't be told from others that look alike; the part before the @ must be ASCII, else "
            "give the subject."
        )
    name = typed_name(row.get("name", ""))
    if name != row.get("name", ""):
        raise AuditError(f"{place}: the name is shown on one line and holds no < or >; write it so.")
    return Entry(role, name, subject, email if email is None else _address(email))


def find_person(entries: Sequence[Entry], claims: Mapping[str, object], issuer: str, client: str) -> Person | None:
    """Who the claims of an ID token mean, None for nobody in the list.

    Strict: the issuer and the audience are those of the settings, ``email_verified`` is the boolean true (not the text),
    and everything is compared exactly, addresses in Unicode's normal form C.
    """
    subject = claims.get("sub")
    if claims.get("iss") != issuer or not isinstance(subject, str) or not _SUBJECT.fullmatch(subject):
        return None
    audience = claims.get("aud")
    if client != audience and not (isinstance(audience, list) and client in audience):
        return None
    address = claims.get("email")
    verified = _address(address) if isinstance(address, str) and claims.get("email_verified") is True else None
    found = [
        e for e in entries if (e.subject is None or e.subject == subject) and (e.email is None or e.email == verified)
    ]
    if not found:
        return None
    best = max(found, key=lambda e: e.subject is not None)
    return Person(issuer, subject, best.name or best.email or subject, best.role)


def _address(text: str) -> str | None:
    """An address for comparing, None for one that is none or that can look like another.

    The part before the @ is ASCII as it came: the Kelvin sign, for one, becomes a K only in the normal form.
    """
    normal = unicodedata.normalize("NFC", text)
    local, at, domain = text.rpartition("@")
    whole = bool(at and local and domain) and not any(c.isspace() or c in "<>" or not c.isprintable() for c in text)
    return normal if whole and local.isascii() and normal.isascii() == text.isascii() else None
