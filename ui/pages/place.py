"""Place: photos that wait for a person, two best guesses, one key each; strays; missing evidence."""

from __future__ import annotations

import streamlit as st

from audit.errors import AuditError
from audit.logbook import Logbook, VisitRecord
from audit.match.placement import Placement
from audit.visit import judge_again
from ui.parts.evidence import preview
from ui.parts.session import asked_name, current_visit, logbook, may
from ui.parts.words import word


def _answer(book: Logbook, visit: VisitRecord, photos: tuple[str, ...], camera: str | None) -> None:
    by = asked_name()
    if not by:
        st.session_state["notice"] = word("desk.name_needed")
        return
    try:
        for photo in photos:
            book.answer(visit, photo, camera, by)
        st.session_state["answered"] = st.session_state.get("answered", 0) + 1
    except AuditError as error:
        st.session_state["notice"] = error.message


def _settle(book: Logbook, visit: VisitRecord) -> None:
    try:
        judge_again(book, visit)
        st.session_state["answered"] = 0
    except AuditError as error:
        st.session_state["notice"] = error.message


def _groups(book: Logbook, visit: VisitRecord) -> list[list[Placement]]:
    answered = book.answers(visit)
    groups: dict[str, list[Placement]] = {}
    for placement in book.unsure_placements(visit):
        if placement.photo not in answered:
            groups.setdefault(placement.group, []).append(placement)
    return sorted(groups.values(), key=lambda g: (-len(g), g[0].photo))


def page() -> None:
    """The next question, what can't be decided alone."""
    book, visit = logbook(), current_visit()
    st.subheader(word("place.title"))
    notice = st.session_state.pop("notice", None)
    if notice:
        st.warning(notice)
    groups = _groups(book, visit)
    if st.session_state.get("answered"):
        st.button(
            word("place.settle", n=st.session_state["answered"]),
            on_click=_settle,
            args=(book, visit),
            type="primary",
            shortcut="Enter",
        )
    if not groups:
        st.success(word("place.none"))
    elif may("bring in") and visit.signed_at is None:
        st.caption(word("place.waiting", n=len(groups)))
        _question(book, visit, groups[st.session_state.get("skipped", 0) % len(groups)])
    _strays(book, visit)


def _question(book: Logbook, visit: VisitRecord, group: list[Placement]) -> None:
    photos = {p.name: p for p in book.photos(visit)}
    first = group[0]
    left, right = st.columns([3, 2])
    shown = [p for p in group if p.photo in photos][:4]
    for column, placement in zip(left.columns(max(1, len(shown))), shown, strict=False):
        column.image(
            preview(photos[placement.photo].sha256), caption=placement.photo, width="stretch", alt=placement.photo
        )
    with right:
        if len(group) > 1:
            st.caption(word("place.settles", n=len(group)))
        names = tuple(p.photo for p in group)
        for key, alternative in enumerate(first.alternatives[:2], 1):
            label = (
                word("place.stray")
                if alternative.camera is None
                else word("place.belongs", camera=alternative.camera, probability=f"{alternative.probability:.0%}")
            )
            st.button(
                f"{key}  {label}",
                shortcut=str(key),
                key=f"guess-{key}",
                on_click=_answer,
                args=(book, visit, names, alternative.camera),
            )
        st.button(f"0  {word('place.stray')}", shortcut="0", on_click=_answer, args=(book, visit, names, None))
        cameras = [c.camera for c in book.site(visit).cameras]
        other = st.selectbox(word("review.camera"), cameras, index=None, key=f"other-{first.group}")
        if other:
            st.button(word("place.belongs_to", camera=other), on_click=_answer, args=(book, visit, names, other))
        st.button(word("place.later"), shortcut="Right", on_click=_skip)
        for sentence in first.evidence:
            st.caption(sentence)


def _skip() -> None:
    st.session_state["skipped"] = st.session_state.get("skipped", 0) + 1


def _strays(book: Logbook, visit: VisitRecord) -> None:
    strays = [p for p in book.placements(visit) if p.decision == "stray"]
    if not strays:
        return
    photos = {p.name: p for p in book.photos(visit)}
    with st.expander(f"{word('place.strays')} ({len(strays)})"):
        shown = strays[:24]
        for column, placement in zip(st.columns(6) * 4, shown, strict=False):
            if placement.photo in photos:
                column.image(preview(photos[placement.photo].sha256), caption=placement.photo, alt=placement.photo)


page()
