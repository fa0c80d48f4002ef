"""Which logbook, which visit, who looks, and what they may do."""

from __future__ import annotations

import os

import streamlit as st

from audit.errors import AuditError
from audit.logbook import Logbook, VisitRecord
from ui.parts.numbers import day
from ui.parts.plain import literal
from ui.parts.style import state_badge
from ui.parts.words import term, word

__all__ = ["addresses", "ask_for_name", "asked_name", "current_visit", "logbook", "may", "role", "signed_in", "visit_bar"]

#: What each role may do; without sign-in (loopback) everything.
_RIGHTS = {
    "reader": frozenset({"look"}),
    "crew": frozenset({"look", "bring in"}),
    "reviewer": frozenset({"look", "bring in", "decide"}),
    "signer": frozenset({"look", "bring in", "decide", "sign"}),
}


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
        st.error(literal(error.message))
        st.stop()


def _sign_in_is_set_up() -> bool:
    try:
        return "auth" in st.secrets
    except FileNotFoundError:
        return False


def role() -> str | None:
    """The signed-in person's role; roles are given by address in the server's secrets, ``[roles]``.

    An address that the provider says it has not verified has none.
    """
    if st.user.get("email_verified") is False:
        return None
    roles = st.secrets.get("roles", {})
    return roles.get(str(st.user.get("email", "")).lower())


def signed_in() -> bool:
    """Whether the page may be shown; asks for sign-in where it is set up."""
    if not _sign_in_is_set_up():
        return True
    if not st.user.is_logged_in:
        if st.button(word("desk.sign_in"), type="primary"):
            st.login()
        return False
    if role() not in _RIGHTS:
        st.error(literal(word("desk.no_role", email=st.user.get("email", ""))))
        return False
    return True


def may(what: str) -> bool:
    """Whether whoever looks may ``look``, ``bring in``, ``decide`` or ``sign``."""
    if not _sign_in_is_set_up():
        return True
    return what in _RIGHTS.get(role() or "", frozenset())


def asked_name() -> str:
    """Who decides: the signed-in person, or the name typed once a session."""
    if _sign_in_is_set_up():
        return str(st.user.get("name") or st.user.get("email"))
    return str(st.session_state.get("name", "")).strip()


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
            st.text(asked_name(), width="content")
            if st.button(word("desk.sign_out")):
                st.logout()
        else:
            st.session_state.setdefault("name", st.session_state.get("kept name") or st.query_params.get("name", ""))
            st.text_input(
                word("desk.your_name"),
                key="name",
                placeholder=word("desk.your_name"),
                label_visibility="collapsed",
                width=300,
            )
        _keep_in_address()
        if visits:
            counts = book.verdict_counts(current_visit())
            badges = "".join(state_badge(state, n) for state, n in counts.items())
            st.html(f'<div class="counts">{badges}</div>', width="content")


def _keep_in_address() -> None:
    """Visit and name in the page's address, so that a reload shows the same; beside the widgets, so that a page does."""
    for key in ("visit", "name"):
        value = str(st.session_state.get(key) or "")
        st.session_state[f"kept {key}"] = value
        if value and st.query_params.get(key) != value:
            st.query_params[key] = value


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
