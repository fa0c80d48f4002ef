"""A code that lets a fitter's phone in for aiming, and the phones that are in."""

from __future__ import annotations

import base64
from datetime import date

import segno
import streamlit as st

from audit.logbook import Logbook
from audit.pairing import PAIRINGS, Code, Event, Host
from ui.parts.plain import paragraph
from ui.parts.session import asked_name, logbook, person, settings
from ui.parts.words import word

__all__ = ["let_a_phone_in"]


def let_a_phone_in(kind: str, on: str) -> None:
    """Ask for a code, show the open one, list the phones that are in.

    Parameters
    ----------
    kind, on : str
        The visit that they are let into.
    """
    with st.expander(word("pair.let_in")):
        if person() is None:
            paragraph(word("pair.no_sign_in"))
            return
        paragraph(word("pair.explained"))
        st.button(word("pair.new"), key="pair-new", on_click=_issue, args=(kind, on))
        _code_and_phones()


def _issue(kind: str, on: str) -> None:
    book = logbook()
    visit = book.open_visit("commissioning" if kind == "commissioning" else "maintenance", date.fromisoformat(on))
    if PAIRINGS.issue(_host(book, visit.number, kind, on)) is None:
        st.session_state["notice"] = word("pair.too_many")


def _host(book: Logbook, number: int, kind: str, on: str) -> Host:
    def lasts() -> bool:
        return book.visit(number).signed_at is None

    def note(pairing: str, event: Event, by: str, name: str | None) -> None:
        book.note_pairing(number, pairing, event, by, name)

    return Host(number, kind, on, asked_name(), st.user.to_dict(), lasts, note)


@st.fragment(run_every=2.0)
def _code_and_phones() -> None:
    code = PAIRINGS.open_code(asked_name())
    if code is not None:
        _shown(code)
    for phone in PAIRINGS.phones():
        with st.container(horizontal=True, vertical_alignment="center"):
            paragraph(word("pair.is_in", name=phone.name, number=phone.host.visit))
            st.button(word("pair.revoke"), key=f"pair-revoke-{phone.key}", on_click=PAIRINGS.revoke, args=(phone.key, asked_name()))


def _shown(code: Code) -> None:
    """The code as digits, and as a picture of the address with them behind its #."""
    address = f"{settings().origin}/pair"
    picture = base64.b64encode(_svg(f"{address}#{code.digits}")).decode("ascii")
    st.html(f'<img class="pair" width="260" height="260" alt="{word("pair.picture")}" src="data:image/svg+xml;base64,{picture}">')
    st.subheader(f"{code.digits[:4]} {code.digits[4:]}")
    paragraph(word("pair.open", address=address, minutes=max(1, round(PAIRINGS.left_s(code) / 60))))
    st.button(word("pair.void"), key="pair-void", on_click=PAIRINGS.revoke, args=(code.key, asked_name()))


def _svg(text: str) -> bytes:
    drawn: str = segno.make(text, micro=False, error="m").svg_inline(scale=6, border=4, light="white")
    return drawn.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1).encode()
