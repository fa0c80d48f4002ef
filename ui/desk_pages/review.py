"""Review: one camera a screen, worst first, by keyboard."""

from __future__ import annotations

import html

import streamlit as st

from audit.account.case import case_of
from audit.account.pointing import Mark, Pointing
from audit.account.selection import judged
from audit.judge.findings import intended_pose
from audit.logbook import Logbook, VisitRecord
from ui.parts.camera_view import fetch_ahead, show_crew_photos, show_history, show_pictures, show_preview
from ui.parts.choosing import chosen_order, show_all, show_choice
from ui.parts.deciding import Desk, accept_and_go_on, current, go
from ui.parts.done import show_done
from ui.parts.finding_card import show_cautions, show_finding, show_passed
from ui.parts.plain import paragraph, show_notice
from ui.parts.pointing import confirm_and_go_on, question, show_pointing
from ui.parts.saying import show_saying
from ui.parts.session import ask_for_name, current_visit, logbook, may
from ui.parts.style import state_badge
from ui.parts.together import show_recorded
from ui.parts.words import check_word, word


def _chosen_camera(order: list[str]) -> str:
    here = st.session_state.get("camera") or st.query_params.get("camera")
    st.session_state["camera"] = here if here in order else order[0]
    st.query_params["camera"] = st.session_state["camera"]
    return str(st.session_state["camera"])


def _jump(order: list[str], every: list[str]) -> None:
    wanted = str(st.session_state.get("go_to", "")).strip()
    found = next((name for name in every if name.lower() == wanted.lower()), None)
    if found is not None:
        st.session_state["camera"] = found
        if found not in order:
            show_all()
    elif wanted:
        st.session_state["notice"] = word("review.unknown_camera", camera=wanted)
    st.session_state["go_to"] = ""


def _head(desk: Desk, order: list[str], every: list[str]) -> None:
    camera = desk.case.camera
    title = html.escape(f"{camera.camera}  {camera.name}")
    place = html.escape(word("review.of", position=order.index(camera.camera) + 1, total=len(order)))
    left, right = st.columns([4, 5], vertical_alignment="center")
    left.html(
        f'<div class="title"><h1 title="{title}">{title}</h1>{state_badge(desk.case.verdict.state)}<span class="faint">{place}</span></div>'
    )
    with right.container(horizontal=True, vertical_alignment="center", horizontal_alignment="right"):
        show_choice(desk.book, desk.visit, len(order), len(every))
        st.text_input(
            word("review.go_to"), key="go_to", placeholder=word("review.go_to"), label_visibility="collapsed",
            on_change=_jump, args=(order, every), width=130,
        )  # fmt: skip
        st.button(word("review.previous"), shortcut="Left", on_click=go, args=(order, -1), key="previous")
        st.button(word("review.next"), shortcut="Right", on_click=go, args=(order, 1), key="next")


def _go_on(desk: Desk, order: list[str], asked: tuple[Pointing, Mark] | None, may_decide: bool) -> None:
    """What confirms and goes on; it stands behind all that it confirms, for eye, finger and Tab alike."""
    if asked is not None:
        st.button(
            word("point.enter", landmark=asked[1].landmark), shortcut="Enter", on_click=confirm_and_go_on,
            args=(desk, order, *asked), key="accept_all", type="primary",
        )  # fmt: skip
        return
    label = "review.accept_all" if may_decide and desk.undecided else "review.go_on"
    st.button(
        word(label), shortcut="Enter", on_click=accept_and_go_on if may_decide else go,
        args=(desk, order) if may_decide else (order, 1), key="accept_all", type="primary",
    )  # fmt: skip


def _findings(desk: Desk, order: list[str], may_decide: bool) -> bool:
    """What was found, and what is said of it; whether the key that confirms goes on to the next camera."""
    unseen = [check_word(f.check) for f in desk.case.verdict.findings if f.state == "not verified"]
    show_recorded(desk)
    if unseen:
        paragraph(word("review.unproven", checks=", ".join(unseen)), "strong")
    elif not desk.asking:
        paragraph(word("review.nothing"), "strong")
    asked = question(desk) if may_decide else None
    if asked is not None:
        show_pointing(desk, may_decide)
    active = current(desk)
    for key, finding in enumerate(desk.asking, 1):
        show_finding(desk, finding, key, finding is active, may_decide)
    _go_on(desk, order, asked, may_decide)
    if asked is None:
        show_pointing(desk, may_decide)
    show_cautions(desk.asking)
    if may_decide:
        show_saying(desk)
    show_passed(desk, may_decide)
    return asked is None


def _camera(book: Logbook, visit: VisitRecord, order: list[str], every: list[str]) -> None:
    name = _chosen_camera(order)
    case = case_of(book, visit, book.planned_camera(name, visit))
    if case is None:
        st.info(word("desk.no_visit"))
        return
    desk = Desk(book, visit, case)
    may_decide = visit.signed_at is None and may("decide")
    may_sort = visit.signed_at is None and may("bring in")
    _head(desk, order, every)
    if may_decide:
        ask_for_name()
    show_notice()
    body = st.container(key="review-body")
    with body.container(key="review-pictures"):
        show_pictures(book, visit, case)
    with body.container(key="review-findings"):
        if visit.signed_at is not None:
            paragraph(word("review.signed"), "faint")
        note = intended_pose(case.camera).note
        if note:
            paragraph(word("review.agreed", note=note), "faint")
        goes_on = _findings(desk, order, may_decide)
        show_done(desk, may_decide)
        show_history(book, name)
    with body.container(key="review-crew"):
        beside, below = st.columns(2)
        with beside:
            show_crew_photos(book, case, may_sort)
        with below:
            show_preview(case)
    after = order[order.index(name) + 1 :]
    fetch_ahead(book, visit, after[0] if after else None, ("Enter", "ArrowRight") if goes_on else ("ArrowRight",))


def page() -> None:
    """One camera, its pictures, findings and decisions."""
    book, visit = logbook(), current_visit()
    every = [camera for camera, _ in judged(book, visit)]
    order = chosen_order(book, visit, every)
    if order:
        _camera(book, visit, order, every)
    elif every:
        show_notice()
        st.info(word("review.none_fits"))
        show_choice(book, visit, 0, len(every))
    else:
        st.info(word("desk.no_visit"))


page()
