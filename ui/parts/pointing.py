"""Review's question where the camera is panned to: the planned mark in the picture, one key or one click."""

from __future__ import annotations

import base64
import html

import streamlit as st

from audit.account.pointing import Mark, Pointing, pointing_of
from audit.errors import AuditError
from audit.judge.finding import Finding
from audit.visit.point import point_out, take_point_back
from ui.parts.deciding import Desk, go
from ui.parts.evidence import preview
from ui.parts.numbers import amount
from ui.parts.plain import paragraph
from ui.parts.point_picture import ToPoint, point_in
from ui.parts.session import asked_name
from ui.parts.words import word

__all__ = ["confirm_and_go_on", "question", "show_pointing"]


def question(desk: Desk) -> tuple[Pointing, Mark] | None:
    """The mark that waits for a word: where pan is not verified, and the plan puts something into the picture."""
    pan = _pan(desk)
    if pan is None or pan.measured is not None or pan.state == "defect":
        return None
    pointing = pointing_of(desk.book, desk.visit, desk.case)
    mark = None if pointing is None else _chosen(desk, pointing)
    return None if pointing is None or mark is None or mark.at is None or mark.told is not None else (pointing, mark)


def confirm_and_go_on(desk: Desk, order: list[str], pointing: Pointing, mark: Mark) -> None:
    """The mark lies on it; then the next camera, unless something here still waits."""
    assert mark.at is not None
    if _keep(desk, mark.landmark, _pixel(pointing, mark.at), confirmed=True) and not desk.undecided:
        go(order, 1)


def show_pointing(desk: Desk, may_decide: bool) -> None:
    """The picture to point in, the small drawing, and what was pointed out."""
    pan = _pan(desk)
    pointing = None if pan is None else pointing_of(desk.book, desk.visit, desk.case)
    if pan is None or pointing is None:
        return
    with st.expander(word("point.title"), expanded=pan.state != "as planned"):
        names = [m.landmark for m in pointing.marks]
        first = _chosen(desk, pointing)
        picked = st.selectbox(
            word("point.what"), names, index=names.index(first.landmark) if first is not None else 0, key=_key(desk)
        )
        mark = next(m for m in pointing.marks if m.landmark == picked)
        paragraph(_asked(mark), "faint")
        _ask(desk, pointing, mark, may_decide)
        drawing = base64.b64encode(pointing.map_svg.encode()).decode("ascii")
        alt = html.escape(word("point.drawing", camera=desk.camera))
        st.html(f'<img class="map" alt="{alt}" src="data:image/svg+xml;base64,{drawing}">')


def _ask(desk: Desk, pointing: Pointing, mark: Mark, may_decide: bool) -> None:
    picture = ToPoint(
        preview(pointing.sha256), f"{desk.camera}: {pointing.photo}", pointing.width_px, pointing.height_px,
        f"{desk.visit.number}/{pointing.sha256}/{mark.landmark}/{mark.told.id if mark.told else 0}",
        word("point.picture", landmark=mark.landmark), mark.at, mark.region,
    )  # fmt: skip
    at = point_in(picture, f"pointing-{desk.visit.number}-{desk.camera}", enabled=may_decide)
    if not may_decide:
        return
    with st.container(horizontal=True):
        if mark.at is not None and mark.told is None:
            st.button(word("point.lies_on_it"), key="point_confirm", on_click=_confirm, args=(desk, pointing, mark))
        st.button(word("point.absent"), key="point_absent", on_click=_deny, args=(desk, mark.landmark))
        if mark.told is not None:
            st.button(word("point.undo"), key="point_undo", on_click=_undo, args=(desk, mark.landmark))
    if at is not None:
        _keep(desk, mark.landmark, at)
        st.rerun()


def _asked(mark: Mark) -> str:
    far = amount(mark.distance_m, "m")
    if mark.told is not None:
        said = "point.told_absent" if mark.told.at_px is None else "point.told"
        return word(said, landmark=mark.landmark, by=mark.told.by)
    return word("point.ask" if mark.at is not None else "point.ask_outside", landmark=mark.landmark, distance=far)


def _confirm(desk: Desk, pointing: Pointing, mark: Mark) -> None:
    assert mark.at is not None
    _keep(desk, mark.landmark, _pixel(pointing, mark.at), confirmed=True)


def _deny(desk: Desk, landmark: str) -> None:
    _keep(desk, landmark, None)


def _keep(desk: Desk, landmark: str, at_px: tuple[float, float] | None, confirmed: bool = False) -> bool:
    """Record it; False with a notice where it can't be."""
    if not asked_name():
        st.session_state["notice"] = word("desk.name_needed")
        return False
    try:
        point_out(desk.book, desk.visit, desk.camera, landmark, at_px, asked_name(), confirmed=confirmed)
    except AuditError as error:
        st.session_state["notice"] = error.message
        return False
    return True


def _undo(desk: Desk, landmark: str) -> None:
    try:
        take_point_back(desk.book, desk.visit, desk.camera, landmark, asked_name())
    except AuditError as error:
        st.session_state["notice"] = error.message


def _chosen(desk: Desk, pointing: Pointing) -> Mark | None:
    """What the person chose, else what is asked first."""
    wanted = st.session_state.get(_key(desk))
    return next((m for m in pointing.marks if m.landmark == wanted), pointing.first)


def _pan(desk: Desk) -> Finding | None:
    return next((f for f in desk.case.verdict.findings if f.check == "pan"), None)


def _pixel(pointing: Pointing, share: tuple[float, float]) -> tuple[float, float]:
    return share[0] * pointing.width_px - 0.5, share[1] * pointing.height_px - 0.5


def _key(desk: Desk) -> str:
    return f"landmark-{desk.visit.number}-{desk.camera}"
