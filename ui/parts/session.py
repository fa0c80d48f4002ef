"""Which logbook, which visit, who looks, and what they may do."""

from __future__ import annotations

import os

import streamlit as st

from audit.errors import AuditError
from audit.logbook import Logbook, VisitRecord
from ui.parts.words import word

__all__ = ["asked_name", "current_visit", "logbook", "may", "signed_in", "visit_chooser"]

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


def logbook() -> Logbook:
    """The logbook that this server shows; the page ends with a sentence where there is none."""
    address = os.environ.get("PHOTO_AUDIT_LOGBOOK")
    if not address:
        st.error(word("desk.no_logbook"))
        st.stop()
    try:
        return _opened(address, os.environ.get("PHOTO_AUDIT_IMAGES"))
    except AuditError as error:
        st.error(error.message)
        st.stop()


def _sign_in_is_set_up() -> bool:
    try:
        return "auth" in st.secrets
    except FileNotFoundError:
        return False


def _role() -> str | None:
    """The signed-in person's role; roles are given by address in the server's secrets, ``[roles]``."""
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
    if _role() not in _RIGHTS:
        st.error(word("desk.no_role", email=st.user.get("email", "")))
        return False
    return True


def may(what: str) -> bool:
    """Whether whoever looks may ``look``, ``bring in``, ``decide`` or ``sign``."""
    if not _sign_in_is_set_up():
        return True
    return what in _RIGHTS.get(_role() or "", frozenset())


def asked_name() -> str:
    """Who decides: the signed-in person, or the name typed once a session."""
    if _sign_in_is_set_up():
        return str(st.user.get("name") or st.user.get("email"))
    return str(st.session_state.get("name", "")).strip()


def visit_chooser() -> None:
    """The sidebar: visit and name."""
    book = logbook()
    visits = book.visits()
    with st.sidebar:
        if visits:
            numbers = [v.number for v in reversed(visits)]
            shown = {
                v.number: word(
                    "desk.visit_option",
                    number=v.number,
                    kind=v.kind,
                    on=v.on.isoformat(),
                    signed=word("desk.signed_suffix") if v.signed_at else "",
                )
                for v in visits
            }
            st.selectbox(word("desk.visit"), numbers, format_func=shown.__getitem__, key="visit", bind="query-params")
        if _sign_in_is_set_up():
            st.caption(asked_name())
            if st.button(word("desk.sign_out")):
                st.logout()
        else:
            st.text_input(word("desk.your_name"), key="name")


def current_visit() -> VisitRecord:
    """The chosen visit; the page ends with a sentence where there is none yet."""
    book = logbook()
    number = st.session_state.get("visit")
    try:
        return book.visit(number)
    except AuditError:
        st.info(word("desk.no_visit"))
        st.stop()
