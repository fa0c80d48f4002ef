"""Which cameras the review goes through: all, or those of a check, state, floor, part, device, of words, or that wait."""

from __future__ import annotations

import streamlit as st

from audit.account.selection import Selection, crew_devices, parts_of, selected
from audit.judge.finding import CHECKS, STATES
from audit.logbook import Logbook, VisitRecord
from ui.parts.words import check_word, state_mark, state_word, word

__all__ = ["chosen_order", "show_all", "show_choice"]

_FIELDS: dict[str, object] = {
    "only_states": [], "only_floor": None, "only_text": "", "only_waiting": False, "only_check": None, "only_part": None,
    "only_device": None,
}  # fmt: skip


def chosen_order(book: Logbook, visit: VisitRecord, every: list[str]) -> list[str]:
    """The cameras chosen of all, worst first; the order stays while a reviewer's own words change the states."""
    states, floor, text, waiting, check, part, device = (st.session_state.get(field) for field in _FIELDS)
    selection = Selection(tuple(states or ()), floor, text or "", bool(waiting), check, part, device)
    about = visit.number, selection, frozenset(every)
    kept = st.session_state.get("review_order")
    if kept is None or kept[0] != about or selection.waiting:
        kept = about, every if selection.everything else selected(book, visit, selection)
        st.session_state["review_order"] = kept
    return list(kept[1])


def show_all() -> None:
    """Leave no camera out any more."""
    st.session_state.update(_FIELDS)


def show_choice(book: Logbook, visit: VisitRecord, shown: int, total: int) -> None:
    """The button that says how many are shown, with the choice behind it."""
    label = word("review.all") if shown == total else word("review.some", n=shown, total=total)
    with st.popover(label, key="choice", on_change="rerun") as behind:
        st.selectbox(
            word("review.only_check"), CHECKS, index=None, key="only_check", placeholder=word("review.any_check"),
            format_func=check_word,
        )  # fmt: skip
        st.pills(
            word("review.only_states"), STATES, selection_mode="multi", key="only_states",
            format_func=lambda state: f"{state_mark(state)} {state_word(state)}",
        )  # fmt: skip
        site = book.site(visit)
        if len(site.floors) > 1:
            st.selectbox(
                word("site.floor"), site.floors, index=None, key="only_floor", placeholder=word("review.any_floor"),
                format_func=lambda floor: floor or word("site.ground_floor"),
            )  # fmt: skip
        st.selectbox(
            word("review.only_part"), parts_of(site), index=None, key="only_part", placeholder=word("review.any_part")
        )
        st.selectbox(
            word("review.only_device"), _devices(book, visit, bool(behind.open)), index=None, key="only_device",
            placeholder=word("review.any_device"),
        )  # fmt: skip
        st.text_input(word("review.only_text"), key="only_text")
        if visit.signed_at is None:
            st.toggle(word("review.only_waiting"), key="only_waiting")
        st.button(word("review.show_all"), key="show_all", on_click=show_all)


def _devices(book: Logbook, visit: VisitRecord, asked: bool) -> list[str]:
    """Devices to choose from, which takes reading every photo's entry: only while somebody looks at the choice."""
    if asked:
        return list(crew_devices(book, visit))
    chosen = st.session_state.get("only_device")
    return [] if chosen is None else [chosen]
