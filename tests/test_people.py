"""Who an ID token means. Required checks: OpenID Connect Core 1.0, sections 2, 3.1.3.7, 5.1 and 5.7."""

from __future__ import annotations

from typing import Any

import pytest

from audit.people import Entry, entry, find_person, recorded, shown_name, typed_name

ISSUER, CLIENT = "https://id.example.org", "desk"
LIST = (
    Entry("signer", "Ada Example", None, "ada@example.org"),
    Entry("reviewer", "Ben Example", "24400320", None),
    Entry("crew", "", "both", "both@example.org"),
    Entry("reader", "", None, "k@example.org"),
)
BEN: dict[str, Any] = {"iss": ISSUER, "aud": CLIENT, "sub": "24400320"}
ADA: dict[str, Any] = BEN | {"sub": "1", "email": "ada@example.org", "email_verified": True, "name": "Somebody"}


def role(claims: dict[str, Any]) -> str | None:
    found = find_person(LIST, claims, ISSUER, CLIENT)
    return None if found is None else found.role


def test_a_person_is_issuer_and_subject_under_the_operators_name() -> None:
    found = find_person(LIST, ADA, ISSUER, CLIENT)
    assert found is not None and (found.name, found.role) == ("Ada Example", "signer")
    assert found.recorded == "Ada Example <https://id.example.org 1>"
    assert role(BEN) == "reviewer" and role(BEN | {"aud": ["other", CLIENT]}) == "reviewer"
    found = find_person(
        LIST, BEN | {"sub": "both", "email": "both@example.org", "email_verified": True}, ISSUER, CLIENT
    )
    assert found is not None and (found.name, found.role) == ("both@example.org", "crew")


@pytest.mark.parametrize(
    "claims",
    [
        BEN | {"iss": "https://id.example.org/"},
        BEN | {"iss": "https://other.example.org"},
        {name: value for name, value in BEN.items() if name != "iss"},
        BEN | {"aud": "other"},
        BEN | {"aud": ["other"]},
        BEN | {"aud": "desk2"},
        BEN | {"aud": {"desk": 1}},
        {name: value for name, value in BEN.items() if name != "aud"},
        BEN | {"sub": 24400320},
        BEN | {"sub": "24400320 "},
        BEN | {"sub": "2440032\u0660"},
        BEN | {"sub": ""},
        BEN | {"sub": "a" * 256},
        {name: value for name, value in BEN.items() if name != "sub"},
        ADA | {"email_verified": False},
        ADA | {"email_verified": "true"},
        ADA | {"email_verified": "false"},
        ADA | {"email_verified": 1},
        ADA | {"email_verified": None},
        {name: value for name, value in ADA.items() if name != "email_verified"},
        ADA | {"email": "ADA@example.org"},
        ADA | {"email": "ada@Example.org"},
        ADA | {"email": " ada@example.org"},
        ADA | {"email": "ada@example.org\u200b"},
        ADA | {"email": "\u0430da@example.org"},
        ADA | {"email": ["ada@example.org"]},
        ADA | {"email": "\u212a@example.org"},
        ADA | {"email": "k@example.or\u212a"},
        ADA | {"email": "K@example.org"},
        BEN | {"sub": "both"},
        BEN | {"sub": "other", "email": "both@example.org", "email_verified": True},
        ADA | {"email": "x", "name": "Ada Example", "preferred_username": "ada@example.org"},
    ],
)
def test_nobody_else_is_let_in(claims: dict[str, Any]) -> None:
    assert role(claims) is None


def test_equal_by_normal_form_c_is_equal() -> None:
    """Unicode Standard Annex 15: e and a combining acute are one letter's two spellings."""
    row = entry("list", {"role": "reader", "email": "ada@caf\u00e9.example"})
    claims = ADA | {"email": "ada@cafe\u0301.example"}
    assert find_person((row,), claims, ISSUER, CLIENT) is not None


@pytest.mark.parametrize(
    ("typed", "kept"),
    [
        ("Ada Example <https://id.example.org 1>", "Ada Example https://id.example.org 1"),
        ("  Ada \x1b[31m\n Example\u202e ", "Ada [31m Example"),
        ("x" * 500, "x" * 200),
    ],
)
def test_a_typed_name_never_looks_like_an_identity(typed: str, kept: str) -> None:
    assert typed_name(typed) == kept and shown_name(typed_name(typed)) == kept


def test_the_identity_is_left_out_where_a_name_is_shown() -> None:
    assert shown_name(recorded("Ada Example", ISSUER, "a b")) == "Ada Example"
    assert shown_name("Ada Example") == "Ada Example" and shown_name("Ada <ada@example.org>") == "Ada <ada@example.org>"
