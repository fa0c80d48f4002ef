"""Codes that let a phone in: short-lived, once, few tries, out at once when turned away or the visit is signed."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from audit.errors import LogbookError
from audit.logbook import Logbook
from audit.pairing import CODE_S, SESSION_S, Event, Host, Pairings
from tests.desk_samples import judged_logbook

ADA = "Ada Example <https://id.example.org 1>"


@dataclass
class Told:
    """A host that writes down what it is told, and a clock."""

    now: float = 0.0
    unsigned: bool = True
    events: list[tuple[Event, str, str | None]] = field(default_factory=list)

    def host(self) -> Host:
        return Host(3, "commissioning", "2026-06-16", ADA, {"sub": "1"}, lambda: self.unsigned,
                    lambda _, event, by, name: self.events.append((event, by, name)))  # fmt: skip


@pytest.fixture
def told() -> Told:
    return Told()


@pytest.fixture
def pairings(told: Told) -> Pairings:
    return Pairings(lambda: told.now)


def wrong(digits: str) -> str:
    return f"{(int(digits) + 1) % 10**8:08}"


def test_a_code_lets_one_phone_in_once(pairings: Pairings, told: Told) -> None:
    code = pairings.issue(told.host())
    assert code is not None and len(code.digits) == 8 and code.digits not in repr(code)
    let_in = pairings.redeem(f"{code.digits[:4]} {code.digits[4:]}", " Cleo\n Example ")
    assert let_in is not None and let_in[1].name == "Cleo Example" and pairings.find(let_in[0]) is let_in[1]
    assert pairings.redeem(code.digits, "Ben Example") is None, "it works once"
    assert told.events == [("issued", ADA, None), ("joined", ADA, "Cleo Example")]
    assert pairings.find("") is None and pairings.find(let_in[0] + "x") is None and pairings.find(code.digits) is None


def test_a_code_is_old_after_fifteen_minutes_and_a_session_after_twelve_hours(pairings: Pairings, told: Told) -> None:
    code = pairings.issue(told.host())
    assert code is not None
    told.now = CODE_S + 1
    assert pairings.redeem(code.digits, "Cleo") is None and pairings.open_code(ADA) is None
    again = pairings.issue(told.host())
    assert again is not None
    let_in = pairings.redeem(again.digits, "Cleo")
    assert let_in is not None
    told.now += SESSION_S + 10
    assert pairings.find(let_in[0]) is None and pairings.phones() == ()


def test_a_fresh_code_makes_ones_earlier_one_void(pairings: Pairings, told: Told) -> None:
    first, second = pairings.issue(told.host()), pairings.issue(told.host())
    assert first is not None and second is not None
    assert first.digits == second.digits or pairings.redeem(first.digits, "Cleo") is None
    assert pairings.redeem(second.digits, "Cleo") is not None


def test_five_wrong_tries_make_every_open_code_void(pairings: Pairings, told: Told) -> None:
    code = pairings.issue(told.host())
    other = pairings.issue(replace(told.host(), by="Ben Example <https://id.example.org 2>"))
    assert code is not None and other is not None
    given = [w for k in range(2, 9) if (w := f"{(int(code.digits) + k) % 10**8:08}") != other.digits][:5]
    assert [pairings.redeem(w, "Cleo") for w in given] == [None] * 5
    assert pairings.redeem(code.digits, "Cleo") is None and pairings.redeem(other.digits, "Cleo") is None
    assert [event for event, _, _ in told.events].count("void") == 2


def test_a_phone_without_a_name_stays_out_and_the_code_stays_open(pairings: Pairings, told: Told) -> None:
    code = pairings.issue(told.host())
    assert code is not None
    assert pairings.redeem(code.digits, " \n<> ") is None and pairings.redeem(code.digits, "Cleo") is not None


def test_a_signed_visit_lets_nobody_in_and_everybody_out(pairings: Pairings, told: Told) -> None:
    one, host = pairings.issue(told.host()), told.host()
    assert one is not None
    let_in = pairings.redeem(one.digits, "Cleo")
    two = pairings.issue(host)
    assert let_in is not None and two is not None
    told.unsigned, told.now = False, told.now + 3
    assert pairings.find(let_in[0]) is None and pairings.redeem(two.digits, "Ben") is None


def test_turned_away_is_out_at_once(pairings: Pairings, told: Told) -> None:
    code = pairings.issue(told.host())
    assert code is not None
    let_in = pairings.redeem(code.digits, "Cleo")
    assert let_in is not None
    pairings.revoke(let_in[1].key, "Ben Example")
    assert pairings.find(let_in[0]) is None and told.events[-1] == ("revoked", "Ben Example", None)
    waiting = pairings.issue(told.host())
    assert waiting is not None
    pairings.revoke(waiting.key, ADA)
    assert pairings.redeem(waiting.digits, "Cleo") is None


def test_what_can_not_be_recorded_lets_nobody_in(pairings: Pairings, told: Told) -> None:
    code = pairings.issue(told.host())
    assert code is not None

    def refuse(*_: object) -> None:
        raise LogbookError("the disk is full.")

    full = pairings.issue(replace(told.host(), note=lambda key, event, by, name: None if event == "issued" else refuse()))
    assert full is not None
    with pytest.raises(LogbookError):
        pairings.redeem(full.digits, "Cleo")
    assert pairings.phones() == ()


def test_it_is_kept_with_the_visit_and_signed(tmp_path: Path) -> None:
    with judged_logbook(tmp_path, cameras=1, visits=1) as book:
        visit = book.visit(1)
        book.note_pairing(visit, "a1", "issued", ADA)
        book.note_pairing(visit, "a1", "joined", ADA, "Cleo Example")
        assert [(p.event, p.by, p.name) for p in book.pairings(visit)] == [("issued", ADA, None), ("joined", ADA, "Cleo Example")]
        with pytest.raises(LogbookError, match="say who"):
            book.note_pairing(visit, "a1", "revoked", " ")
        signed = book.sign(visit, ADA, keys=tmp_path / "keys", unprotected=True)
        assert b'"pairings":{"1":' in signed.record.replace(b" ", b"") and book.verify() == ()
        with pytest.raises(LogbookError):
            book.note_pairing(visit, "a1", "revoked", ADA)
    with Logbook.open(str(tmp_path / "logbook")) as again:
        assert len(again.pairings(1)) == 2
