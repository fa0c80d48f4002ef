"""All checks: cameras by checks, filtered and taken as CSV; and which reference each camera is held to, chosen anew here."""

from __future__ import annotations

import streamlit as st

from audit.account.checks import PASSED, check_table, reference_table
from audit.errors import AuditError
from audit.logbook import Logbook, VisitRecord
from audit.report.sheets import table_csv
from ui.parts.plain import show_notice, table
from ui.parts.session import ask_for_name, asked_name, current_visit, logbook, may
from ui.parts.words import check_word, word


def _checks(book: Logbook, visit: VisitRecord) -> None:
    (camera, state, *checks), rows = check_table(book, visit)
    header = (camera, state, *(check_word(c) for c in checks))
    wanted = st.text_input(word("checks.filter"), key="checks_filter", width=420).strip().casefold()
    by = st.selectbox(word("checks.sort"), header, key="checks_sort", index=None, placeholder=word("checks.worst"), width=420)
    shown = [row for row in rows if not wanted or any(wanted in cell.casefold() for cell in row)]
    if by is not None:
        shown.sort(key=lambda row: row[header.index(by)])
    st.caption(word("checks.shown", n=len(shown), total=len(rows)))
    table(header, shown, word("checks.title"), quiet=PASSED)
    st.download_button(
        word("checks.csv"), table_csv(header, shown), file_name=f"checks-visit-{visit.number}.csv", mime="text/csv",
        key="checks_csv", on_click="ignore",
    )  # fmt: skip


def _references(book: Logbook, visit: VisitRecord) -> None:
    st.subheader(word("checks.references"))
    header, rows = reference_table(book, visit)
    table(header, rows, word("checks.references"))
    if visit.signed_at is not None or not may("decide") or not ask_for_name():
        return
    choices = ("renew", "withdraw", "restore")
    with st.form("reference", clear_on_submit=True):
        st.selectbox(word("sign.camera"), [row[0] for row in rows], key="reference_camera")
        st.selectbox(word("checks.light"), ("day", "night"), key="reference_channel", format_func=lambda c: word(f"checks.{c}"))
        st.selectbox(word("checks.choice"), choices, key="reference_choice", format_func=lambda c: word(f"checks.{c}"))
        st.text_input(word("checks.why"), key="reference_why")
        st.form_submit_button(word("review.keep"), on_click=_choose, args=(book, visit))


def _choose(book: Logbook, visit: VisitRecord) -> None:
    camera, channel, choice, why = (str(st.session_state.get(f"reference_{n}") or "") for n in ("camera", "channel", "choice", "why"))
    try:
        if choice == "renew":
            photo = book.latest_snapshot(visit, camera, channel)
            book.renew_reference(visit, camera, channel, photo, asked_name(), why)
        elif choice == "withdraw":
            book.withdraw_reference(visit, camera, channel, asked_name(), why)
        else:
            book.restore_reference(visit, camera, channel, asked_name(), why)
    except AuditError as error:
        st.session_state["notice"] = error.message


def page() -> None:
    """The table of checks, then the references."""
    book, visit = logbook(), current_visit()
    show_notice()
    _checks(book, visit)
    _references(book, visit)


page()
