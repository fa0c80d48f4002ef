"""Assign: photos that wait for a person, two best guesses, one key each; what was said, what is unmatched, what is missing."""

from __future__ import annotations

from typing import get_args

import streamlit as st

from audit.account.worklist import missing_work
from audit.errors import AuditError
from audit.logbook import Logbook, SaidRole, VisitRecord
from audit.match.placement import Placement
from audit.plan.model import Site
from audit.visit import COLLECTOR, judge_again
from audit.visit.say import say_photos, take_photo_back
from ui.parts.evidence import preview, thumbnails
from ui.parts.gallery import show_gallery
from ui.parts.numbers import amount
from ui.parts.plain import literal, paragraph, show_notice, table
from ui.parts.session import ask_for_name, asked_name, current_visit, logbook, may
from ui.parts.viewer import Picture, show_beside
from ui.parts.words import said, term, word

_UNMATCHED_SHOWN = 60
_OF_ONE_GROUP = 8
_ROLES = get_args(SaidRole)


def _answer(book: Logbook, visit: VisitRecord, group: list[Placement], camera: str | None, latest: int) -> None:
    """One answer for a group of photos: kept, placed and judged at once."""
    by = asked_name()
    if not by:
        st.session_state["notice"] = word("desk.name_needed")
        return
    names = [p.photo for p in group]
    try:
        say_photos(book, visit, names, camera, by, role=st.session_state.get(_role_field(group)), latest_seen=latest)
        st.session_state.setdefault("placed", []).append((visit.number, names))
    except AuditError as error:
        st.session_state["notice"] = error.message


def _answer_other(book: Logbook, visit: VisitRecord, group: list[Placement], field: str, latest: int) -> None:
    site = book.site(visit)
    wanted = str(st.session_state.get(field, "")).strip()
    found = next((c.camera for c in site.cameras if c.camera.lower() == wanted.lower()), None)
    if found is None:
        st.session_state["notice"] = word("place.unknown_camera", camera=wanted)
    else:
        _answer(book, visit, group, found, latest)


def _take_back(book: Logbook, visit: VisitRecord) -> None:
    """This session's last answer no longer counts."""
    trail = [one for one in st.session_state.get("placed", []) if one[0] == visit.number]
    if not trail or not asked_name():
        st.session_state["notice"] = word("desk.name_needed") if trail else word("place.nothing_to_undo")
        return
    _, names = trail.pop()
    st.session_state["placed"] = trail
    try:
        take_photo_back(book, visit, names, asked_name())
    except AuditError as error:
        st.session_state["notice"] = error.message


def _settle(book: Logbook, visit: VisitRecord) -> None:
    try:
        judge_again(book, visit)
    except AuditError as error:
        st.session_state["notice"] = error.message


def _skip() -> None:
    st.session_state["skipped"] = st.session_state.get("skipped", 0) + 1


def _groups(book: Logbook, visit: VisitRecord) -> list[list[Placement]]:
    """What is open, best question first: matching numbers its groups by how many photos an answer is expected to settle."""
    groups: dict[str, list[Placement]] = {}
    for placement in book.uncertain_placements(visit):
        groups.setdefault(placement.group, []).append(placement)
    return [groups[name] for name in sorted(groups)]


def page() -> None:
    """The next question, what was answered, what can't be decided alone."""
    book, visit = logbook(), current_visit()
    st.header(word("place.title"))
    may_answer = may("bring in") and visit.signed_at is None
    if may_answer:
        ask_for_name()
    show_notice()
    groups = _groups(book, visit)
    if may_answer:
        _follow_up(book, visit)
    if not groups:
        st.success(word("place.none"))
    elif may_answer:
        st.caption(word("place.waiting", n=len(groups)))
        _question(book, visit, groups[st.session_state.get("skipped", 0) % len(groups)])
    _answered(book, visit, may_answer)
    _unmatched(book, visit, may_answer)
    _missing(book, visit)


def _follow_up(book: Logbook, visit: VisitRecord) -> None:
    """Undo, and the button that any session shows until the other photos know of the answers."""
    ahead = book.photos_ahead(visit)
    with st.container(horizontal=True, vertical_alignment="center"):
        if any(one[0] == visit.number for one in st.session_state.get("placed", [])):
            st.button(word("place.undo"), key="undo_place", shortcut="z", on_click=_take_back, args=(book, visit))
        if ahead:
            st.button(word("place.settle", n=ahead), key="settle", on_click=_settle, args=(book, visit))
            paragraph(word("place.settle_why"), "faint")


def _question(book: Logbook, visit: VisitRecord, group: list[Placement]) -> None:
    first, site = group[0], book.site(visit)
    left, right = st.columns([3, 2])
    names = [p.photo for p in group]
    latest = max((a.id for a in book.answer_history(visit, names)), default=0)
    with left:
        photo = book.photo(visit, first.photo)
        if photo is not None:
            show_beside(
                [Picture(preview(photo.sha256), photo.name, photo.name)], photo.width_px, photo.height_px, photo.sha256,
                "question",
            )  # fmt: skip
        for sentence in first.read_or_seen:
            paragraph(said(sentence), "strong")
        others = [p for p in (book.photo(visit, name) for name in names[1:_OF_ONE_GROUP]) if p is not None]
        if others:
            thumbnails([(p.sha256, p.name, "") for p in others])
    with right:
        if len(group) > 1:
            paragraph(word("place.settles", n=len(group)), "strong")
        guesses = [a for a in first.alternatives if a.camera is not None][:2]
        for key, guess in enumerate(guesses, 1):
            label = _guess_words(site, guess.camera or "", guess.probability)
            st.button(
                literal(label), shortcut=str(key), key=f"guess-{key}", on_click=_answer,
                args=(book, visit, group, guess.camera, latest),
            )  # fmt: skip
        st.button(
            word("place.unmatched"), shortcut="0", key="unmatched", on_click=_answer, args=(book, visit, group, None, latest)
        )
        field = f"other-{first.group}"
        with st.container(horizontal=True, vertical_alignment="bottom"):
            st.text_input(word("place.other"), key=field, width=180)
            st.button(
                word("place.belongs_to"), key="other", on_click=_answer_other, args=(book, visit, group, field, latest)
            )
            st.button(word("place.later"), shortcut="Right", key="later", on_click=_skip)
        st.pills(word("place.role"), _ROLES, key=_role_field(group), format_func=lambda role: term("role", role))
        if first.evidence:
            paragraph(word("place.why"), "faint")
            for sentence in first.evidence:
                if sentence not in first.read_or_seen:
                    paragraph(said(sentence))
        _already_there(book, visit, [g.camera for g in guesses if g.camera])


def _role_field(group: list[Placement]) -> str:
    return f"role-{group[0].group}-{group[0].photo}"


def _guess_words(site: Site, camera: str, probability: float) -> str:
    name = site.camera(camera).name if camera in site else ""
    return word("place.belongs", camera=camera, name=name, probability=amount(probability, "probability"))


def _already_there(book: Logbook, visit: VisitRecord, cameras: list[str]) -> None:
    """What lies at the guessed cameras already, to compare with."""
    for camera in cameras:
        placed = book.placements(visit, camera, decision="placed", limit=3)
        if placed:
            known = word("place.known", camera=camera)
            paragraph(known, "faint")
            show_gallery(book, visit, placed, f"known-{camera}", may_say=True, label=known)


def _answered(book: Logbook, visit: VisitRecord, may_answer: bool) -> None:
    """What people said, the latest first, to be changed or taken back by anybody."""
    said = [a.photo for a in book.answer_history(visit) if a.in_force and a.by != COLLECTOR]
    names = list(dict.fromkeys(reversed(said)))
    if not names:
        return
    st.subheader(word("place.answered", n=len(names)))
    if st.toggle(word("place.show_answered"), key="show_answered"):
        placed = [p for p in (book.placement(visit, name) for name in names[:_UNMATCHED_SHOWN]) if p is not None]
        show_gallery(book, visit, placed, "answered", may_say=may_answer, label=word("place.answered", n=len(names)))


def _unmatched(book: Logbook, visit: VisitRecord, may_answer: bool) -> None:
    st.subheader(word("place.unmatched_photos"))
    if not st.toggle(word("place.show_unmatched"), key="show_unmatched"):
        return
    unmatched = book.placements(visit, decision="unmatched", limit=_UNMATCHED_SHOWN)
    if unmatched:
        show_gallery(book, visit, unmatched, "unmatched", may_say=may_answer, label=word("place.unmatched_photos"))


def _missing(book: Logbook, visit: VisitRecord) -> None:
    st.subheader(word("place.missing"))
    if not st.toggle(word("place.show_missing"), key="show_missing"):
        return
    rows = missing_work(book, visit)
    if rows:
        lines = [(camera, ", ".join(term("role", shot) for shot in shots)) for camera, shots in rows]
        table((word("review.camera"), word("place.missing")), lines, word("place.missing"))
    else:
        st.success(word("place.none_missing"))


page()
