"""Sign: what is open, what was decided and why, who signs; then the package that is handed over."""

from __future__ import annotations

import tempfile
from pathlib import Path

import streamlit as st

from audit.errors import AuditError
from audit.logbook import Logbook, VisitRecord
from audit.report.handover import write_handover
from audit.report.worklist import open_work
from ui.parts.session import asked_name, current_visit, logbook, may
from ui.parts.words import word


def _sign(book: Logbook, visit: VisitRecord) -> None:
    by = asked_name()
    if not by:
        st.session_state["notice"] = word("desk.name_needed")
        return
    try:
        book.sign(visit, by, passphrase=st.session_state.get("passphrase") or None)
    except AuditError as error:
        st.session_state["notice"] = error.message


def _open(book: Logbook, visit: VisitRecord) -> int:
    rows = open_work(book, visit)
    st.subheader(word("sign.open_findings"))
    if rows:
        st.dataframe(rows, hide_index=True, width="stretch")
    else:
        st.success(word("sign.none_open"))
    return len(rows)


def _decided(book: Logbook, visit: VisitRecord) -> None:
    decisions = [d for d in book.decisions(visit) if d.in_force]
    if decisions:
        st.subheader(word("sign.waived"))
        st.dataframe(
            [{"camera": d.camera, "check": d.check, "decision": d.decision, "by": d.by, "why": d.why} for d in decisions],
            hide_index=True, width="stretch",
        )  # fmt: skip


def _handover(book: Logbook, visit: VisitRecord) -> None:
    private = st.checkbox(word("sign.handover_private"))
    if st.button(word("sign.handover")):
        with tempfile.TemporaryDirectory() as place, st.spinner():
            folder = Path(place) / f"handover-visit-{visit.number}"
            try:
                written = write_handover(
                    book, visit, folder, private=private, passphrase=st.session_state.get("passphrase") or None
                )
            except AuditError as error:
                st.error(error.message)
                return
            st.session_state["package"] = (folder.name, written[-1].read_bytes())
    package = st.session_state.get("package")
    if package:
        st.download_button(word("sign.download"), package[1], file_name=f"{package[0]}.zip", mime="application/zip")


def page() -> None:
    """Open work, decisions, signature, package."""
    book, visit = logbook(), current_visit()
    notice = st.session_state.pop("notice", None)
    if notice:
        st.warning(notice)
    open_count = _open(book, visit)
    _decided(book, visit)
    st.subheader(word("sign.title"))
    if visit.signed_at is not None:
        st.success(word("sign.signed", by=visit.signed_by or "", at=f"{visit.signed_at:%Y-%m-%d %H:%M}"))
        if st.button(word("sign.verify")):
            problems = book.verify()
            for problem in problems:
                st.error(problem.sentence())
            if not problems:
                st.success(word("sign.unchanged"))
        _handover(book, visit)
    elif may("sign"):
        if open_count:
            st.warning(word("sign.open_warning", n=open_count))
        st.text_input(word("sign.passphrase"), type="password", key="passphrase")
        st.button(word("sign.sign"), type="primary", on_click=_sign, args=(book, visit))
        _handover(book, visit)


page()
