"""What a reviewer sees with their own eyes: a finding on any check, with its place in the picture, or a word on one."""

from __future__ import annotations

import streamlit as st

from audit.account.case import Shot
from audit.errors import AuditError
from audit.judge.finding import CHECKS, STATES, Check
from audit.logbook.records import DECISIONS
from ui.parts.deciding import Desk, named, remember
from ui.parts.evidence import preview
from ui.parts.focus import focus_on
from ui.parts.plain import paragraph
from ui.parts.point_picture import ToPoint, point_in
from ui.parts.session import asked_name
from ui.parts.words import check_word, state_word, word

__all__ = ["show_saying"]


def show_saying(desk: Desk) -> None:
    """The button that opens the form, or the form."""
    if st.session_state.get("saying") != _here(desk):
        st.button(word("say.open"), key="say_open", shortcut="a", on_click=_open, args=(desk,))
        return
    with st.container(border=True):
        paragraph(word("say.title"), "strong")
        check = st.selectbox(
            word("say.check"), CHECKS, index=None, key=_field(desk, "check"), placeholder=word("say.which"),
            format_func=lambda one: _check_words(desk, one),
        )  # fmt: skip
        st.pills(
            word("say.what"), (*STATES, *DECISIONS), key=_field(desk, "word"), default="defect",
            format_func=lambda one: state_word(one) if one in STATES else word(f"say.{one}"),
        )  # fmt: skip
        _mark(desk)
        label = word("say.why")
        st.text_input(label, key=_field(desk, "why"))
        with st.container(horizontal=True):
            st.button(
                word("review.keep"), key="say_keep", type="primary", on_click=_keep, args=(desk, _latest(desk, check))
            )
            st.button(word("review.never_mind"), key="say_close", on_click=_close)
        focus_on(word("say.check"), f"focus-say-{desk.visit.number}-{desk.camera}")


def _open(desk: Desk) -> None:
    if named():
        _close()
        st.session_state["saying"] = _here(desk)


def _close() -> None:
    st.session_state.pop("saying", None)
    st.session_state.pop("mark", None)
    for key in [k for k in st.session_state if str(k).startswith("say-")]:
        st.session_state.pop(key, None)


def _mark(desk: Desk) -> None:
    """The camera's photo to point in, once it is asked for."""
    shots = {s.photo.name: s for s in desk.case.shots}
    if not shots or not st.toggle(word("say.mark"), key=_field(desk, "marked")):
        st.session_state.pop("mark", None)
        return
    name = next(iter(shots))
    if len(shots) > 1:
        name = st.selectbox(word("say.photo"), list(shots), key=_field(desk, "photo"))
    shot = shots[name]
    mark = st.session_state.get("mark")
    share = _share(shot, mark[1]) if mark is not None and mark[0] == name else None
    picture = ToPoint(
        preview(shot.photo.sha256), f"{desk.camera}: {name}", shot.photo.width_px, shot.photo.height_px,
        f"{desk.visit.number}/{shot.photo.sha256}/say", word("say.point"), share, (0.02, 0.02),
    )  # fmt: skip
    at = point_in(picture, f"say-at-{desk.visit.number}-{desk.camera}")
    if at is not None:
        st.session_state["mark"] = name, at
        st.rerun()
    paragraph(word("say.unmarked") if share is None else word("say.marked", photo=name), "faint")


def _share(shot: Shot, at_px: tuple[float, float]) -> tuple[float, float]:
    return (at_px[0] + 0.5) / shot.photo.width_px, (at_px[1] + 0.5) / shot.photo.height_px


def _keep(desk: Desk, latest: int) -> None:
    """Record it; what was typed stays where it can't be."""
    check: Check | None = st.session_state.get(_field(desk, "check"))
    said = st.session_state.get(_field(desk, "word"))
    why = str(st.session_state.get(_field(desk, "why")) or "").strip()
    photo, at = st.session_state.get("mark") or (None, None)
    if not named():
        return
    if check is None or said is None:
        st.session_state["notice"] = word("say.incomplete")
        return
    try:
        if said in STATES:
            desk.book.add_finding(
                desk.visit, desk.camera, check, said, asked_name(), why, photo=photo, at_px=at, latest_seen=latest
            )
        else:
            desk.book.decide(desk.visit, desk.camera, check, said, asked_name(), why, latest_seen=latest)
    except AuditError as error:
        st.session_state["notice"] = error.message
        return
    remember(desk, check)
    _close()


def _latest(desk: Desk, check: Check | None) -> int:
    return 0 if check is None else desk.latest(check)


def _check_words(desk: Desk, check: Check) -> str:
    found = next((f for f in desk.case.verdict.findings if f.check == check), None)
    return f"{check_word(check)}: {state_word(found.state) if found is not None else word('say.no_finding')}"


def _here(desk: Desk) -> tuple[int, str]:
    return desk.visit.number, desk.camera


def _field(desk: Desk, name: str) -> str:
    return f"say-{desk.visit.number}-{desk.camera}-{name}"
