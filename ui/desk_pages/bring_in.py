"""Bring in: photos by folder or by drop, progress, what was refused, stop and go on."""

from __future__ import annotations

import os
from datetime import UTC, date, datetime
from functools import partial
from pathlib import Path

import streamlit as st

from audit.desk import START_VARIABLE
from audit.errors import AuditError
from audit.logbook import Logbook, VisitRecord
from audit.photos.inbox import Inbox
from audit.report.guide import guide
from audit.running import Job, RunningVisit
from audit.visit import KINDS
from ui.parts.done import show_hand_in
from ui.parts.numbers import day
from ui.parts.plain import literal, paragraph, show_notice, table
from ui.parts.session import addresses, logbook, may, may_read, readable_folders, role
from ui.parts.uploads import forget
from ui.parts.words import language, said, term, word


@st.cache_resource(show_spinner=False)
def _runs() -> dict[str, RunningVisit]:
    """The run of each logbook, shared by all browsers of this server."""
    return {}


def _visit_of(book: Logbook, kind: str, on: date) -> VisitRecord | None:
    return next((v for v in book.visits() if (v.kind, v.on) == (kind, on)), None)


def _start(folder: Path, kind: str, on: date) -> None:
    running = _runs().get(logbook().address)
    if running is not None and running.alive:
        st.session_state["notice"] = word("bring_in.busy")
        return
    if not may("bring in") or not (folder == Inbox.of(logbook().address, kind, on).folder or may_read(folder)):
        st.session_state["notice"] = word("bring_in.not_allowed")
        return
    run = RunningVisit(Job(*addresses(), str(folder), kind, on.isoformat()))
    _runs()[logbook().address] = run
    run.start()


def _taken_in(inbox: Inbox, files: list[st.runtime.uploaded_file_manager.UploadedFile]) -> None:
    """Dropped files to disk, so that the server's memory is free again."""
    problems = []
    for file in files:
        try:
            inbox.put(file.name, file)
        except AuditError as error:
            problems.append(error.message)
        forget([file])
    if problems:
        st.session_state["notice"] = " ".join(problems)


@st.fragment(run_every=1.0)
def _watch() -> None:
    run = _runs().get(logbook().address)
    if run is None or not run.alive:
        if run is not None and run.brought is not None:
            st.session_state["open_visit"] = run.brought.visit
        st.rerun()
        return
    progress = run.progress
    share, text = 0.0, word("bring_in.starting", seconds=run.step_seconds)
    if progress is not None:
        share = progress.done / progress.total if progress.total else 0.0
        text = word(
            "bring_in.working", step=term("step", progress.step), done=progress.done, total=progress.total,
            name=progress.name, seconds=run.step_seconds,
        )  # fmt: skip
    st.progress(min(1.0, share), text=literal(text))
    if run.stopping:
        st.caption(word("bring_in.stopping"))
    else:
        st.button(word("bring_in.stop"), on_click=run.stop, key="stop")


def _outcome() -> None:
    run = _runs().get(logbook().address)
    if run is None:
        return
    if run.alive:
        _watch()
    elif run.problem:
        st.warning(literal(said(run.problem)))
    elif run.brought is not None:
        st.success(word("bring_in.finished", photos=run.brought.photos, refused=run.brought.refused))


def _refused() -> None:
    book = logbook()
    try:
        refusals = book.refusals(book.visit(st.session_state.get("visit")))
    except AuditError:
        return
    st.subheader(word("bring_in.refused"))
    if refusals:
        rows = [(r.name, r.message) for r in refusals]
        table((word("bring_in.file"), word("bring_in.why")), rows, word("bring_in.refused"))
    else:
        st.caption(word("bring_in.none_refused"))


def _unfinished() -> None:
    """Offer to go on with a run that was stopped, or that ended with its server."""
    book = logbook()
    running = _runs().get(book.address)
    if running is not None and running.alive:
        return
    for kind, on, source in Inbox.under_way(book.address):
        visit = _visit_of(book, kind, on)
        if visit is not None and visit.signed_at is None:
            words = word("bring_in.broken_off", kind=term("kind", kind), on=day(on), n=len(book.photos(visit)))
            st.info(literal(said(words)))
            st.button(
                word("bring_in.go_on"), key=f"go-on-{visit.number}", type="primary", on_click=_start, args=(source, kind, on)
            )


def _likely() -> tuple[int, date]:
    """Kind and day that are asked for most likely: those of the open visit, else a maintenance visit today."""
    book = logbook()
    visits = book.visits()
    chosen = next((v for v in visits if v.number == st.session_state.get("visit") and v.signed_at is None), None)
    if chosen is not None:
        return KINDS.index(chosen.kind), chosen.on
    return KINDS.index("maintenance" if visits else "commissioning"), datetime.now(UTC).date()


def _asked_folder() -> Path | None:
    """A folder of the server, where whoever looks may name one; a relative one is meant from where the desk was started."""
    folders = readable_folders()
    if folders is None:
        typed = st.text_input(word("bring_in.folder"), key="folder").strip()
        return Path(os.environ.get(START_VARIABLE, ""), typed) if typed else None
    if not folders:
        return None
    typed = st.text_input(word("bring_in.folder"), key="folder").strip()
    paragraph(word("bring_in.allowed", folders=", ".join(map(str, folders))), "faint")
    return Path(typed) if typed else None


def _form() -> None:
    book = logbook()
    likely, today = _likely()
    with st.form("upload", clear_on_submit=False, border=False):
        kind_column, day_column = st.columns(2)
        kind = kind_column.selectbox(
            word("bring_in.kind"), KINDS, index=likely, key="kind", format_func=lambda name: term("kind", name)
        )
        on = day_column.date_input(word("bring_in.on"), value=today, key="on")
        folder = _asked_folder()
        generation = st.session_state.setdefault("uploads", 0)
        files = st.file_uploader(word("bring_in.upload"), accept_multiple_files=True, key=f"files-{generation}")
        started = st.form_submit_button(word("bring_in.start"), type="primary")
    paragraph(word("bring_in.resume_hint"), "faint")
    if not started:
        return
    inbox = Inbox.of(book.address, kind, on)
    _taken_in(inbox, files)
    st.session_state["uploads"] = generation + 1
    chosen = inbox.folder if folder is None else folder
    if folder is not None and files:
        st.session_state.setdefault("notice", word("bring_in.kept", n=len(files)))
    if folder is not None or inbox.folder.is_dir():
        _start(chosen, kind, on)
    else:
        st.session_state.setdefault("notice", word("bring_in.nothing_to_read"))
    st.rerun()


def _guide(book: Logbook, spoken: str) -> bytes:
    """What is still missing in the open visit, or all that a first one wants."""
    return guide(book, next((v for v in reversed(book.visits()) if v.signed_at is None), None), spoken).encode("utf-8")


def page() -> None:
    """Folder or drop, kind and day, start."""
    st.header(word("bring_in.title"))
    if not may("bring in"):
        st.info(word("desk.not_your_role", role=role() or ""))
        return
    show_notice()
    _unfinished()
    _form()
    st.download_button(
        word("bring_in.guide"), partial(_guide, logbook(), language()), file_name="photo_guide.html", mime="text/html", key="guide",
        on_click="ignore",
    )  # fmt: skip
    _outcome()
    show_hand_in(logbook())
    _refused()


page()
