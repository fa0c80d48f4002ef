"""Sign: what is open, what was decided and why, who signs; then the package that is handed over."""

from __future__ import annotations

import tempfile
from functools import partial
from pathlib import Path
from typing import cast

import streamlit as st

from audit.account.unproven import Unproven, by_reason, left_open, unproven, unproven_sentences
from audit.account.worklist import open_work
from audit.errors import AuditError
from audit.judge.finding import State
from audit.logbook import Logbook, VisitRecord, who_signed
from audit.people import shown_name
from audit.report.crew_list import crew_list
from audit.report.handover import write_handover
from audit.wording import LANGUAGES
from ui.parts.languages import LANGUAGE_NAMES
from ui.parts.numbers import minute
from ui.parts.plain import literal, paragraph, show_notice, table
from ui.parts.session import ask_for_name, asked_name, current_visit, logbook, may
from ui.parts.words import check_word, language, said, state_mark, state_word, term, word

#: Checks that are not verified are listed openly up to so many; beyond, their sum by reason comes first.
_SHOWN_AT_ONCE = 4


def _sign(book: Logbook, visit: VisitRecord) -> None:
    by = asked_name()
    if not by:
        st.session_state["notice"] = word("desk.name_needed")
        return
    passphrase = str(st.session_state.get("passphrase") or "")
    if not passphrase or not may("sign"):
        st.session_state["notice"] = word("sign.passphrase_needed")
        return
    left = len(left_open(unproven(book, visit)))
    if left and not st.session_state.get(_ticked(visit, left)):
        st.session_state["notice"] = word("sign.unproven_needed", n=left)
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
        word("sign.crew_list"), partial(_crew_list, book, visit, language()), file_name=f"crew-list-visit-{visit.number}.html",
        mime="text/html", key="crew_list", on_click="ignore",
    )  # fmt: skip
    return len(rows)


def _crew_list(book: Logbook, visit: VisitRecord, spoken: str) -> bytes:
    try:
        return crew_list(book, visit, language=spoken).encode("utf-8")
    except AuditError:
        return crew_list(book, visit, with_pictures=False, language=spoken).encode("utf-8")


def _decided(book: Logbook, visit: VisitRecord) -> None:
    decisions = book.standing(visit)
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
    wanted = _package_language(book)
    private = st.checkbox(word("sign.handover_private"), key="private")
    originals = st.checkbox(word("sign.handover_originals"), key="originals")
    if st.button(word("sign.handover"), key="handover"):
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place) / f"handover-visit-{visit.number}"
            bar = st.progress(0.0, text=word("sign.writing"))

            def show(done: int, total: int) -> None:
                bar.progress(done / max(1, total), text=word("sign.writing"))

            try:
                written = write_handover(
                    book, visit, folder, private=private, originals=originals, passphrase=st.session_state.get("passphrase") or None,
                    language=wanted, progress=show,
                )  # fmt: skip
            except AuditError as error:
                bar.empty()
                st.error(literal(said(error.message)))
                return
            bar.empty()
            st.session_state["package"] = (visit.number, folder.name, written[-1].read_bytes())
    package = st.session_state.get("package")
    if package and package[0] == visit.number:
        label = word("sign.download", size=f"{len(package[2]) / 1e6:.1f}")
        st.download_button(
            label, package[2], file_name=f"{package[1]}.zip", mime="application/zip", key="download", on_click=_taken
        )


def _package_language(book: Logbook) -> str:
    """The language that the package is written in; another one that is picked is kept for the logbook by whoever may sign."""
    kept = book.package_language()
    first = kept if kept in LANGUAGES else language()

    def keep() -> None:
        if may("sign") and not book.database.read_only:
            book.set_package_language(st.session_state["package_language"])

    return str(
        st.selectbox(
            word("sign.package_language"), LANGUAGES, index=LANGUAGES.index(first), format_func=LANGUAGE_NAMES.__getitem__,
            key="package_language", width=300, on_change=keep,
        )
    )  # fmt: skip


def _taken() -> None:
    """The package leaves the server's memory once it is downloaded."""
    st.session_state.pop("package", None)


def _ticked(visit: VisitRecord, left: int) -> str:
    """The tick is for this number: one more that comes up asks again."""
    return f"unproven-{visit.number}-{left}"


def _unproven(book: Logbook, visit: VisitRecord) -> int:
    """Every check that is not verified, by reason; how many are left open."""
    items = unproven(book, visit)
    st.subheader(f"{word('sign.unproven')} ({len(items)})")
    if not items:
        st.success(word("sign.unproven_none"))
        return 0
    header = tuple(word(f"sign.{c}") for c in ("reason", "camera", "check", "why", "said"))
    rows = [
        (reason, item.camera, check_word(item.check), item.why, _said(item))
        for reason, group in by_reason(items).items()
        for item in group
    ]
    for sentence in unproven_sentences(items):
        paragraph(said(sentence))
    with st.expander(word("sign.unproven_each", n=len(items)), expanded=len(items) <= _SHOWN_AT_ONCE):
        table(header, rows, word("sign.unproven"))
    left = left_open(items)
    if left and visit.signed_at is None and may("decide"):
        _settling(book, visit, left)
    return len(left)


def _said(item: Unproven) -> str:
    if item.said == "promise":
        return word("sign.promised", due=str(item.due), by=shown_name(item.by)) + (f" ({item.words})" if item.words else "")
    return f"{word('sign.tolerated', by=shown_name(item.by))} ({item.words})" if item.said else ""


def _settling(book: Logbook, visit: VisitRecord, left: tuple[Unproven, ...]) -> None:
    """One reason for all of a kind, or for one check: tolerated as it is, or promised by a day."""
    wanted = {word("sign.settle_group", reason=reason, n=len(group)): group for reason, group in by_reason(left).items()}
    for item in left:
        wanted[word("sign.settle_one", camera=item.camera, check=check_word(item.check))] = (item,)
    with st.form("settle", border=True, clear_on_submit=True):
        st.selectbox(word("sign.settle_what"), list(wanted), key="settle_what")
        st.text_input(word("sign.settle_why"), key="settle_why")
        st.date_input(word("sign.settle_due"), value=None, key="settle_due")
        st.form_submit_button(word("sign.settle"), on_click=_settle, args=(book, visit, wanted))


def _settle(book: Logbook, visit: VisitRecord, wanted: dict[str, tuple[Unproven, ...]]) -> None:
    by, why, due = asked_name(), str(st.session_state.get("settle_why") or "").strip(), st.session_state.get("settle_due")
    if not by:
        st.session_state["notice"] = word("desk.name_needed")
        return
    if due is None and not why:
        st.session_state["notice"] = word("sign.settle_needs_why")
        return
    try:
        for item in wanted.get(str(st.session_state.get("settle_what")), ()):
            if due is None:
                book.decide(visit, item.camera, item.check, "tolerate", by, why)
            else:
                book.promise(visit, item.camera, item.check, due, by, why)
    except AuditError as error:
        st.session_state["notice"] = error.message


def _signature(book: Logbook, visit: VisitRecord, open_count: int, left: int) -> None:
    st.subheader(word("sign.title"))
    if visit.signed_at is not None:
        st.success(literal(word("sign.signed", by=visit.signed_by or "", at=minute(visit.signed_at))))
        if st.button(word("sign.verify"), key="verify"):
            _proven(book)
        if may("sign"):
            st.text_input(word("sign.passphrase"), type="password", key="passphrase", width=420)
    elif may("sign"):
        waits = book.waits(visit)
        if waits:
            named = ", ".join(f"{camera} {check_word(check)}" for camera, check in waits)
            st.warning(literal(word("sign.waits", checks=named)))
        if open_count:
            st.warning(word("sign.open_warning", n=open_count))
        if ask_for_name():
            with st.form("sign", border=False):
                if left:
                    st.checkbox(word("sign.unproven_tick", n=left), key=_ticked(visit, left))
                st.text_input(word("sign.passphrase"), type="password", key="passphrase", width=420)
                label = literal(word("sign.sign", name=shown_name(asked_name())))
                st.form_submit_button(label, type="primary", on_click=_sign, args=(book, visit))


def _proven(book: Logbook) -> None:
    """What changed since it was signed; where nothing did, whether it is known who signed."""
    problems = book.verify()
    answer = None if problems else who_signed(book.chain())
    for problem in (*problems, *(answer.problems if answer else ())):
        st.error(literal(said(problem.sentence())))
    if answer is not None and answer.state == "known":
        st.success(literal(f"{word('sign.unchanged')} {said(answer.sentence)}"))
    elif answer is not None:
        st.warning(literal(said(answer.sentence)))


def page() -> None:
    """Open work, decisions, signature, package."""
    book, visit = logbook(), current_visit()
    show_notice()
    open_count = _open(book, visit)
    left = _unproven(book, visit)
    _decided(book, visit)
    _signature(book, visit, open_count, left)
    _handover(book, visit)


page()
