"""Sign: what is open, what was decided and why, who signs; then the package that is handed over."""

from __future__ import annotations

import tempfile
from functools import partial
from pathlib import Path
from typing import cast

import streamlit as st

from audit.account.worklist import open_work
from audit.errors import AuditError
from audit.judge.finding import State
from audit.logbook import Logbook, VisitRecord, who_signed
from audit.people import shown_name
from audit.report.crew_list import crew_list
from audit.report.handover import write_handover
from ui.parts.numbers import minute
from ui.parts.plain import literal, show_notice, table
from ui.parts.session import ask_for_name, asked_name, current_visit, logbook, may
from ui.parts.words import check_word, state_mark, state_word, term, word


def _sign(book: Logbook, visit: VisitRecord) -> None:
    by = asked_name()
    if not by:
        st.session_state["notice"] = word("desk.name_needed")
        return
    passphrase = str(st.session_state.get("passphrase") or "")
    if not passphrase or not may("sign"):
        st.session_state["notice"] = word("sign.passphrase_needed")
        return
    try:
        book.sign(visit, by, passphrase=passphrase)
        st.session_state.pop("package", None)
    except AuditError as error:
        st.session_state["notice"] = error.message


def _open(book: Logbook, visit: VisitRecord) -> int:
    rows = open_work(book, visit)
    st.subheader(f"{word('sign.open_findings')} ({len(rows)})")
    if rows:
        header = tuple(word(f"sign.{c}") for c in ("camera", "check", "state", "why", "remedy", "decision"))
        table(
            header,
            [
                (
                    row["camera"],
                    check_word(row["check"]),
                    f"{state_mark(cast(State, row['state']))} {state_word(row['state'])}",
                    row["why"],
                    row["remedy"],
                    term("decision", row["decided"]) if row["decided"] else "",
                )
                for row in rows
            ],
            word("sign.open_findings"),
        )
    else:
        st.success(word("sign.none_open"))
    st.download_button(
        word("sign.crew_list"), partial(_crew_list, book, visit), file_name=f"crew-list-visit-{visit.number}.html",
        mime="text/html", key="crew_list", on_click="ignore",
    )  # fmt: skip
    return len(rows)


def _crew_list(book: Logbook, visit: VisitRecord) -> bytes:
    try:
        return crew_list(book, visit).encode("utf-8")
    except AuditError:
        return crew_list(book, visit, with_pictures=False).encode("utf-8")


def _decided(book: Logbook, visit: VisitRecord) -> None:
    decisions = [d for d in book.decisions(visit) if d.in_force]
    if decisions:
        st.subheader(f"{word('sign.decided')} ({len(decisions)})")
        header = tuple(word(f"sign.{c}") for c in ("camera", "check", "decision", "by", "at", "why"))
        table(
            header,
            [
                (d.camera, check_word(d.check), term("decision", d.decision), shown_name(d.by), minute(d.at), d.why)
                for d in decisions
            ],
            word("sign.decided"),
        )


def _handover(book: Logbook, visit: VisitRecord) -> None:
    st.subheader(word("sign.handover_title"))
    if visit.signed_at is None:
        st.caption(word("sign.draft"))
    private = st.checkbox(word("sign.handover_private"), key="private")
    if st.button(word("sign.handover"), key="handover"):
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place) / f"handover-visit-{visit.number}"
            bar = st.progress(0.0, text=word("sign.writing"))

            def show(done: int, total: int) -> None:
                bar.progress(done / max(1, total), text=word("sign.writing"))

            try:
                written = write_handover(
                    book, visit, folder, private=private, passphrase=st.session_state.get("passphrase") or None,
                    progress=show,
                )  # fmt: skip
            except AuditError as error:
                bar.empty()
                st.error(literal(error.message))
                return
            bar.empty()
            st.session_state["package"] = (visit.number, folder.name, written[-1].read_bytes())
    package = st.session_state.get("package")
    if package and package[0] == visit.number:
        label = word("sign.download", size=f"{len(package[2]) / 1e6:.1f}")
        st.download_button(
            label, package[2], file_name=f"{package[1]}.zip", mime="application/zip", key="download", on_click=_taken
        )


def _taken() -> None:
    """The package leaves the server's memory once it is downloaded."""
    st.session_state.pop("package", None)


def _signature(book: Logbook, visit: VisitRecord, open_count: int) -> None:
    st.subheader(word("sign.title"))
    if visit.signed_at is not None:
        st.success(literal(word("sign.signed", by=visit.signed_by or "", at=minute(visit.signed_at))))
        if st.button(word("sign.verify"), key="verify"):
            _proven(book)
        if may("sign"):
            st.text_input(word("sign.passphrase"), type="password", key="passphrase", width=420)
    elif may("sign"):
        if open_count:
            st.warning(word("sign.open_warning", n=open_count))
        if ask_for_name():
            with st.form("sign", border=False):
                st.text_input(word("sign.passphrase"), type="password", key="passphrase", width=420)
                label = literal(word("sign.sign", name=shown_name(asked_name())))
                st.form_submit_button(label, type="primary", on_click=_sign, args=(book, visit))


def _proven(book: Logbook) -> None:
    """What changed since it was signed; where nothing did, whether it is known who signed."""
    problems = book.verify()
    answer = None if problems else who_signed(book.chain())
    for problem in (*problems, *(answer.problems if answer else ())):
        st.error(literal(problem.sentence()))
    if answer is not None and answer.state == "known":
        st.success(literal(f"{word('sign.unchanged')} {answer.sentence}"))
    elif answer is not None:
        st.warning(literal(answer.sentence))


def page() -> None:
    """Open work, decisions, signature, package."""
    book, visit = logbook(), current_visit()
    show_notice()
    open_count = _open(book, visit)
    _decided(book, visit)
    _signature(book, visit, open_count)
    _handover(book, visit)


page()
