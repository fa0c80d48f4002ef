"""Bring in: photos by folder or by drop, progress, what was refused, stop and go on."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from datetime import UTC, date, datetime
from functools import partial
from pathlib import Path

import streamlit as st

from audit.errors import AuditError
from audit.photos.inbox import Inbox
from audit.running import RunningVisit
from audit.visit import KINDS, Progress, VisitSummary, run_visit
from ui.parts.session import logbook, may
from ui.parts.words import word


@st.cache_resource(show_spinner=False)
def _runs() -> dict[str, RunningVisit]:
    """The run of each logbook, shared by all browsers of this server."""
    return {}


def _work(
    folder: Path, kind: str, on: date, progress: Callable[[Progress], None], stop: Callable[[], bool]
) -> VisitSummary:
    return run_visit(logbook(), folder, kind, on, workers=min(2, os.cpu_count() or 1), progress=progress, stop=stop)


def _start(folder: Path, kind: str, on: date) -> None:
    run = RunningVisit(partial(_work, folder, kind, on))
    _runs()[logbook().address] = run
    run.start()


@st.fragment(run_every=1.0)
def _watch() -> None:
    run = _runs().get(logbook().address)
    if run is None:
        return
    if run.alive:
        progress = run.progress
        if progress is not None:
            share = progress.done / progress.total if progress.total else 0.0
            st.progress(
                min(1.0, share),
                text=word(
                    "bring_in.working", step=progress.step, done=progress.done, total=progress.total, name=progress.name
                ),
            )
        if run.stopping:
            st.caption(word("bring_in.stopping"))
        else:
            st.button(word("bring_in.stop"), on_click=run.stop)
        return
    if run.problem:
        st.warning(run.problem)
    if run.summary is not None:
        st.success(word("bring_in.finished", photos=run.summary.photos, refused=len(run.summary.refused)))


def _refused() -> None:
    book = logbook()
    number = st.session_state.get("visit")
    try:
        refusals = book.refusals(book.visit(number))
    except AuditError:
        return
    st.subheader(word("bring_in.refused"))
    if not refusals:
        st.caption(word("bring_in.none_refused"))
    for refusal in refusals:
        st.text(refusal.message)


def page() -> None:
    """Folder or drop, kind and day, start."""
    book = logbook()
    st.subheader(word("bring_in.title"))
    if not may("bring in"):
        st.info(word("desk.not_your_role", role=""))
        return
    kind_column, day_column = st.columns(2)
    kind = kind_column.selectbox(word("bring_in.kind"), KINDS, key="kind")
    on = day_column.date_input(word("bring_in.on"), value=datetime.now(UTC).date(), key="on")
    folder = st.text_input(word("bring_in.folder"), key="folder")
    inbox = Inbox.of(book.address, kind, on)
    with st.form("upload", clear_on_submit=True, border=False):
        files = st.file_uploader(word("bring_in.upload"), accept_multiple_files=True)
        start = st.form_submit_button(word("bring_in.start"), type="primary")
    st.caption(word("bring_in.resume_hint"))
    if start:
        for file in files:
            try:
                inbox.put(file.name, file)
            except AuditError as error:
                st.warning(error.message)
        chosen = Path(folder) if folder.strip() else inbox.folder
        running = _runs().get(book.address)
        if running is not None and running.alive:
            st.warning(word("bring_in.working", step="", done="", total="", name=""))
        else:
            _start(chosen, kind, on)
            time.sleep(0.2)
    _watch()
    _refused()


page()
