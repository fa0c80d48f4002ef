"""Which logbook, which visit, who looks, and what they may do."""

from __future__ import annotations

import os
from pathlib import Path

import streamlit as st

from audit.desk import NAME_VARIABLE, NO_SETTINGS, SETTINGS_VARIABLE
from audit.desk_settings import Settings, Watched, read_settings
from audit.errors import AuditError
from audit.logbook import Logbook, VisitRecord
from audit.pairing import COOKIE, PAIRINGS, Paired
from audit.people import RIGHTS, Person, shown_name, typed_name
from ui.parts.keys import press_on
from ui.parts.languages import pick_language
from ui.parts.name_memory import remember_name, remembered_first, typed
from ui.parts.numbers import day
from ui.parts.plain import literal
from ui.parts.style import state_badge
from ui.parts.words import said, term, word

__all__ = [
    "addresses",
    "ask_for_name",
    "asked_name",
    "current_visit",
    "logbook",
    "may",
    "may_read",
    "paired",
    "person",
    "readable_folders",
    "role",
    "settings",
    "signed_in",
    "visit_bar",
]

@st.cache_resource(show_spinner=False)
def _opened(address: str, images: str | None) -> Logbook:
    return Logbook.open(address, images=images)


def addresses() -> tuple[str, str | None]:
    """Addresses of the logbook that this server shows and of its image store; the page ends where there is none."""
    address = os.environ.get("PHOTO_AUDIT_LOGBOOK")
    if not address:
        st.error(word("desk.no_logbook"))
        st.stop()
    return address, os.environ.get("PHOTO_AUDIT_IMAGES")


def logbook() -> Logbook:
    """The logbook that this server shows; the page ends with a sentence where there is none."""
    try:
        return _opened(*addresses())
    except AuditError as error:
        st.error(literal(said(error.message)))
        st.stop()


@st.cache_resource(show_spinner=False)
def _watched() -> Watched:
    file = os.environ.get(SETTINGS_VARIABLE)
    return Watched(NO_SETTINGS if file is None else read_settings(Path(file)))


def settings() -> Settings:
    """The operator's settings, as the server read them when it was started, with the list of people of now."""
    return _watched().now()


def _sign_in_is_set_up() -> bool:
    return settings().auth is not None


def person() -> Person | None:
    """Who signed in, None for nobody whom the operator listed, and where nobody needs to."""
    if not _sign_in_is_set_up() or not st.user.is_logged_in:
        return None
    return settings().person(st.user.to_dict())


def paired() -> Paired | None:
    """The phone that was let in for aiming alone; None for whoever signed in, and for nobody."""
    if not _sign_in_is_set_up() or person() is not None:
        return None
    return PAIRINGS.find(str(st.context.cookies.get(COOKIE, "")))


def role() -> str | None:
    """The signed-in person's role."""
    who = person()
    return None if who is None else who.role


def signed_in() -> bool:
    """Whether the page may be shown; the server's gate has let nobody else this far."""
    return not _sign_in_is_set_up() or person() is not None


def may(what: str) -> bool:
    """Whether whoever looks may ``look``, ``bring in``, ``decide`` or ``sign``."""
    if not _sign_in_is_set_up():
        return True
    if paired() is not None:
        return what == "bring in"
    return what in RIGHTS.get(role() or "", frozenset())


def may_read(folder: Path) -> bool:
    """Whether a visit may read a folder of the server: with sign-in, those of the operator's list alone."""
    return not _sign_in_is_set_up() or settings().may_read(folder)


def readable_folders() -> tuple[Path, ...] | None:
    """The folders of the server that visits may read; None for all that the server's account can."""
    return settings().folders if _sign_in_is_set_up() else None


def asked_name() -> str:
    """Who decides, as records keep it: the signed-in person with their identity, or the name typed once a session."""
    if _sign_in_is_set_up():
        who = person()
        return "" if who is None else who.recorded
    return typed_name(str(st.session_state.get("name", "")))


def visit_bar() -> None:
    """The line above every page: which visit, who looks, how many cameras stand in which state."""
    book = logbook()
    visits = book.visits()
    with st.container(horizontal=True, vertical_alignment="center"):
        if visits:
            shown = {v.number: _visit_words(v) for v in reversed(visits)}
            if "open_visit" in st.session_state:
                st.session_state["visit"] = st.session_state.pop("open_visit")
            asked = str(st.session_state.get("kept visit") or st.query_params.get("visit", ""))
            if "visit" not in st.session_state and asked.isdecimal() and int(asked) in shown:
                st.session_state["visit"] = int(asked)
            st.selectbox(
                word("desk.visit"), list(shown), format_func=shown.__getitem__, key="visit",
                label_visibility="collapsed", width=300,
            )  # fmt: skip
        if _sign_in_is_set_up():
            st.text(shown_name(asked_name()), width="content")
            if st.button(word("desk.sign_out")):
                st.logout()
            st.html(f'<a href="/sessions" target="_self">{word("sessions.link")}</a>', width="content")
        else:
            remembered_first()
            st.session_state.setdefault("name", st.session_state.get("kept name") or os.environ.get(NAME_VARIABLE, ""))
            st.text_input(
                word("desk.your_name"), key="name", placeholder=word("desk.your_name"), label_visibility="collapsed",
                width=300, on_change=typed,
            )  # fmt: skip
            remember_name(word("desk.your_name"))
        pick_language()
        _keep()
        press_on({}, "keys-enter")
        if visits:
            counts = book.verdict_counts(current_visit())
            badges = "".join(state_badge(state, n) for state, n in counts.items())
            st.html(f'<div class="counts">{badges}</div>', width="content")


def _keep() -> None:
    """Visit, name and language beyond the widgets' page; all but the name also in the page's address, so that a reload shows the same.

    The name is not there: an address that somebody else made up must not say who decides.
    """
    for key in ("visit", "name", "language"):
        st.session_state[f"kept {key}"] = str(st.session_state.get(key) or "")
    for key in ("visit", "language"):
        shown = st.session_state[f"kept {key}"]
        if shown and st.query_params.get(key) != shown:
            st.query_params[key] = shown


def _visit_words(visit: VisitRecord) -> str:
    return word(
        "desk.visit_option",
        number=visit.number,
        kind=term("kind", visit.kind),
        on=day(visit.on),
        signed=word("desk.signed_suffix") if visit.signed_at else "",
    )


def ask_for_name() -> bool:
    """Whether it is known who decides; says so in the page where it is not."""
    if asked_name():
        return True
    st.info(word("desk.name_needed"))
    return False


def current_visit() -> VisitRecord:
    """The chosen visit; the page ends with a sentence where there is none yet."""
    book = logbook()
    number = st.session_state.get("visit")
    try:
        return book.visit(number)
    except AuditError:
        st.info(word("desk.no_visit"))
        st.stop()
