"""Review's panel of the crew's answers: a picture from after the work is dropped, measured, and seen beside the one before."""

from __future__ import annotations

import tempfile
from pathlib import Path

import streamlit as st

from audit.account.worklist import asks
from audit.errors import AuditError
from audit.logbook import DecisionRecord, Logbook
from audit.people import shown_name
from audit.visit.done import Answer, hand_in_done, take_back
from audit.visit.hand_in import take_hand_in
from ui.parts.deciding import Desk
from ui.parts.numbers import minute
from ui.parts.plain import literal, paragraph
from ui.parts.session import asked_name
from ui.parts.uploads import forget
from ui.parts.words import check_word, said, state_mark, state_word, word

__all__ = ["show_done", "show_hand_in"]

Upload = st.runtime.uploaded_file_manager.UploadedFile


def show_done(desk: Desk, may_decide: bool) -> None:
    """What the crew answered for this camera; a place to drop the next answer, and what sign-off waits for."""
    entries = [d for d in desk.entries if d.decision == "done" and d.in_force]
    open_checks: list[str] = [f.check for f in desk.case.verdict.findings if asks(f)]
    if not entries and not (may_decide and open_checks):
        return
    with st.expander(word("done.title"), expanded=bool(entries)):
        for photo in dict.fromkeys(d.photo for d in entries):
            _answered(desk, [d for d in entries if d.photo == photo], may_decide)
        if may_decide:
            if open_checks:
                _drop(desk, open_checks)
            _waiting(desk, open_checks)


def _answered(desk: Desk, entries: list[DecisionRecord], may_decide: bool) -> None:
    """What one picture from after the work made of each finding; Review shows it beside the picture from before."""
    for entry in entries:
        state = entry.said_state or "to check"
        head = word(
            "done.said", mark=state_mark(state), check=check_word(entry.check), state=state_word(state),
            by=shown_name(entry.by), at=minute(entry.at),
        )  # fmt: skip
        paragraph(head, "strong")
    if may_decide:
        st.button(word("done.take_back"), key=f"done-back-{entries[0].id}", on_click=_take_back, args=(desk, entries[0].check))


def _drop(desk: Desk, open_checks: list[str]) -> None:
    """Where the next picture is dropped; it is taken in as soon as it is here."""
    of = f"{desk.visit.number}-{desk.camera}"
    generation = st.session_state.setdefault(f"done-generation-{of}", 0)
    checks = st.multiselect(
        word("done.checks"), open_checks, default=open_checks, format_func=check_word, key=f"done-checks-{of}-{generation}"
    )
    why = st.text_input(word("done.why"), key=f"done-why-{of}-{generation}")
    vouched = st.checkbox(word("done.vouch"), key=f"done-vouch-{of}-{generation}")
    file = st.file_uploader(word("done.drop"), key=f"done-file-{of}-{generation}")
    if file is None:
        return
    if not asked_name():
        st.info(word("desk.name_needed"))
        return
    if not checks:
        st.info(word("done.choose"))
        return
    with st.spinner(word("done.measuring")):
        _take(desk, file, tuple(checks), why, vouched)
    st.session_state[f"done-generation-{of}"] = generation + 1
    st.rerun()


def _take(desk: Desk, file: Upload, checks: tuple[str, ...], why: str, vouched: bool) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = _on_disk(file, folder)
        answer = Answer(desk.camera, checks, path, file.name, asked_name(), why, vouched)
        try:
            brought = hand_in_done(desk.book, desk.visit, answer)
        except AuditError as error:
            st.session_state["notice"] = error.message
            return
    st.session_state.setdefault("trail", []).append((desk.visit.number, desk.camera, brought.states[0][0]))


def _waiting(desk: Desk, open_checks: list[str]) -> None:
    """Whether sign-off waits for a finding: the person says so."""
    waiting = {check for camera, check in desk.book.waits(desk.visit) if camera == desk.camera}
    if waiting:
        paragraph(word("done.waits", checks=", ".join(check_word(c) for c in sorted(waiting))), "strong")
    with st.container(horizontal=True):
        for check in dict.fromkeys((*open_checks, *sorted(waiting))):
            key = "done.no_wait" if check in waiting else "done.wait"
            st.button(
                literal(word(key, check=check_word(check))), key=f"wait-{check}", on_click=_wait, args=(desk, check, check not in waiting)
            )


def _wait(desk: Desk, check: str, wanted: bool) -> None:
    if not asked_name():
        st.session_state["notice"] = word("desk.name_needed")
        return
    try:
        if wanted:
            desk.book.wait_for(desk.visit, desk.camera, check, asked_name())
        else:
            desk.book.wait_no_more(desk.visit, desk.camera, check, asked_name())
    except AuditError as error:
        st.session_state["notice"] = error.message


def _take_back(desk: Desk, check: str) -> None:
    if not asked_name():
        st.session_state["notice"] = word("desk.name_needed")
        return
    try:
        take_back(desk.book, desk.visit, desk.camera, check, asked_name())
    except AuditError as error:
        st.session_state["notice"] = error.message


def show_hand_in(book: Logbook) -> None:
    """Where the file that the job list saved on the phone is dropped; every answer in it is told."""
    generation = st.session_state.setdefault("hand-in-generation", 0)
    with st.expander(word("done.hand_in_title"), expanded="handed_in" in st.session_state):
        file = st.file_uploader(word("done.hand_in"), type=["zip"], key=f"hand-in-{generation}")
        for taken, sentence in st.session_state.get("handed_in", ()):
            (st.success if taken else st.warning)(literal(said(sentence)))
    if file is None:
        return
    with tempfile.TemporaryDirectory() as folder, st.spinner(word("done.measuring")):
        try:
            outcomes = take_hand_in(book, _on_disk(file, folder), file.name)
            st.session_state["handed_in"] = [(o.taken, o.sentence) for o in outcomes]
        except AuditError as error:
            st.session_state["handed_in"] = [(False, error.message)]
    st.session_state["hand-in-generation"] = generation + 1
    st.rerun()


def _on_disk(file: Upload, folder: str) -> Path:
    """A dropped file as a file, so that the server's memory is free again."""
    path = Path(folder) / "dropped"
    path.write_bytes(file.getbuffer())
    forget([file])
    return path
