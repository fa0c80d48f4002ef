"""One word for several cameras: those with the same finding are listed, ticked, and recorded each on its own."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from audit.account.alike import Alike, alike
from audit.judge.finding import Finding
from audit.logbook import DecisionRecord
from audit.visit.together import decide_together, take_back_together
from ui.parts.deciding import Desk, named, remember
from ui.parts.evidence import thumbnails
from ui.parts.plain import literal, paragraph
from ui.parts.reasons import offer_reasons
from ui.parts.session import asked_name
from ui.parts.words import check_word, said, state_word, term, word

__all__ = ["offer_together", "show_recorded", "show_together"]

_MOST_LISTED = 60
_WORDS = ("confirm", "dismiss", "tolerate")


def offer_together(desk: Desk, finding: Finding) -> None:
    """The button that lists the cameras with this finding, until it has been pressed."""
    about = _about(desk, finding)
    if st.session_state.get("together") != about:
        st.button(word("together.open"), key="together_open", on_click=_open, args=(about,))


def show_together(desk: Desk, finding: Finding) -> None:
    """The list of the cameras with this finding, once it was asked for."""
    if st.session_state.get("together") != _about(desk, finding):
        return
    items = alike(desk.book, desk.visit, finding.check, finding.state)
    if len(items) <= 1:
        paragraph(word("together.alone"))
        st.button(word("review.never_mind"), key="together_close", on_click=_close)
        return
    title = word("together.title", check=check_word(finding.check), state=state_word(finding.state), n=len(items))
    paragraph(title, "strong")
    paragraph(word("together.each"), "faint")
    listed = items[:_MOST_LISTED]
    _pictures(desk, listed)
    label = word("together.why")
    with st.form("together-form", border=False):
        for item in listed:
            st.checkbox(literal(word("together.camera", camera=item.camera, why=said(item.why))), value=True, key=_tick(desk, item))
        if len(items) > len(listed):
            paragraph(word("together.more", n=len(items) - len(listed)), "faint")
        st.pills(
            word("together.what"), _WORDS, default="confirm", required=True, key="together_word",
            format_func=lambda one: term("decision", one),
        )  # fmt: skip
        key = f"reasons-together-{desk.visit.number}-{desk.camera}-{finding.check}"
        offer_reasons(desk, finding.check, "tolerate", label, key, type_at_once=False)
        st.text_input(label, key="together_why")
        with st.container(horizontal=True):
            st.form_submit_button(word("together.record"), type="primary", on_click=_record, args=(desk, listed))
            st.form_submit_button(word("review.never_mind"), on_click=_close)


def show_recorded(desk: Desk) -> None:
    """What was just recorded at several cameras, with the way to take all of it back."""
    entries: tuple[DecisionRecord, ...] = st.session_state.get("recorded", ())
    if not entries or entries[0].visit != desk.visit.number:
        return
    paragraph(word("together.recorded", n=len(entries), cameras=", ".join(e.camera for e in entries)), "strong")
    st.button(word("together.undo_all", n=len(entries)), key="undo_all", on_click=_take_back, args=(desk, entries))


def _pictures(desk: Desk, listed: Sequence[Alike]) -> None:
    """What shows it at each camera, small."""
    photos = ((item, desk.book.photo(desk.visit, item.photo)) for item in listed if item.photo is not None)
    cells = [(photo.sha256, photo.name, item.camera) for item, photo in photos if photo is not None]
    if cells:
        thumbnails(cells)


def _about(desk: Desk, finding: Finding) -> tuple[int, str, str]:
    return desk.visit.number, desk.camera, finding.check


def _open(about: tuple[int, str, str]) -> None:
    if named():
        st.session_state["together"] = about


def _close() -> None:
    st.session_state.pop("together", None)


def _record(desk: Desk, listed: Sequence[Alike]) -> None:
    """Record it at each camera that is ticked; where somebody was faster, theirs stays and the page says so."""
    decision, why = str(st.session_state.get("together_word")), str(st.session_state.get("together_why") or "").strip()
    ticked = [item for item in listed if st.session_state.get(_tick(desk, item))]
    if not named():
        return
    if not ticked:
        st.session_state["notice"] = word("together.none_ticked")
        return
    if decision != "confirm" and not why:
        st.session_state["notice"] = word("review.why_needed")
        return
    entries, refused = decide_together(desk.book, desk.visit, ticked, decision, asked_name(), why)
    for entry in entries:
        remember(desk, entry.check, entry.camera)
    if refused:
        st.session_state["notice"] = " ".join(refused)
    st.session_state["recorded"] = entries
    _close()


def _take_back(desk: Desk, entries: tuple[DecisionRecord, ...]) -> None:
    if not named():
        return
    taken = take_back_together(desk.book, desk.visit, entries, asked_name())
    if len(taken) < len(entries):
        st.session_state["notice"] = word("together.undone", n=len(taken), of=len(entries))
    gone = {(e.visit, e.camera, e.check) for e in taken}
    st.session_state["trail"] = [one for one in st.session_state.get("trail", []) if one not in gone]
    st.session_state.pop("recorded", None)


def _tick(desk: Desk, item: Alike) -> str:
    return f"together-{desk.visit.number}-{item.camera}-{item.check}"
