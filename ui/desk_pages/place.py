"""Place: photos that wait for a person, two best guesses, one key each; unmatched; missing shots."""

from __future__ import annotations

import streamlit as st

from audit.account.worklist import missing_work
from audit.errors import AuditError
from audit.logbook import Logbook, VisitRecord
from audit.match.placement import Placement
from audit.plan.model import Site
from audit.visit import judge_again
from ui.parts.evidence import preview, thumbnails
from ui.parts.numbers import amount
from ui.parts.plain import literal, paragraph, show_notice, table
from ui.parts.session import ask_for_name, asked_name, current_visit, logbook, may
from ui.parts.viewer import Picture, show_beside
from ui.parts.words import term, word

_UNMATCHED_SHOWN = 60
_OF_ONE_GROUP = 8


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


def _answer_other(book: Logbook, visit: VisitRecord, photos: tuple[str, ...], field: str) -> None:
    site = book.site(visit)
    wanted = str(st.session_state.get(field, "")).strip()
    found = next((c.camera for c in site.cameras if c.camera.lower() == wanted.lower()), None)
    if found is None:
        st.session_state["notice"] = word("place.unknown_camera", camera=wanted)
    else:
        _answer(book, visit, photos, found)


def _settle(book: Logbook, visit: VisitRecord) -> None:
    try:
        judge_again(book, visit)
        st.session_state["answered"] = 0
    except AuditError as error:
        st.session_state["notice"] = error.message


def _skip() -> None:
    st.session_state["skipped"] = st.session_state.get("skipped", 0) + 1


def _groups(book: Logbook, visit: VisitRecord) -> list[list[Placement]]:
    answered = book.answers(visit)
    groups: dict[str, list[Placement]] = {}
    for placement in book.uncertain_placements(visit):
        if placement.photo not in answered:
            groups.setdefault(placement.group, []).append(placement)
    return sorted(groups.values(), key=lambda g: (-len(g), g[0].photo))


def page() -> None:
    """The next question, what can't be decided alone."""
    book, visit = logbook(), current_visit()
    st.header(word("place.title"))
    may_answer = may("bring in") and visit.signed_at is None
    if may_answer:
        ask_for_name()
    show_notice()
    groups = _groups(book, visit)
    answered = st.session_state.get("answered", 0)
    if answered and may_answer:
        st.button(
            word("place.settle", n=answered), on_click=_settle, args=(book, visit), type="primary", shortcut="Enter"
        )
    if not groups:
        st.success(word("place.none"))
    elif may_answer:
        st.caption(word("place.waiting", n=len(groups)))
        _question(book, visit, groups[st.session_state.get("skipped", 0) % len(groups)])
    _unmatched(book, visit)
    _missing(book, visit)


def _question(book: Logbook, visit: VisitRecord, group: list[Placement]) -> None:
    first, site = group[0], book.site(visit)
    left, right = st.columns([3, 2])
    names = tuple(p.photo for p in group)
    with left:
        photo = book.photo(visit, first.photo)
        if photo is not None:
            show_beside(
                [Picture(preview(photo.sha256), photo.name, photo.name)], photo.width_px, photo.height_px, photo.sha256,
                "question",
            )  # fmt: skip
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
                args=(book, visit, names, guess.camera),
            )  # fmt: skip
        st.button(word("place.unmatched"), shortcut="0", key="unmatched", on_click=_answer, args=(book, visit, names, None))
        field = f"other-{first.group}"
        with st.container(horizontal=True, vertical_alignment="bottom"):
            st.text_input(word("place.other"), key=field, width=180)
            st.button(word("place.belongs_to"), key="other", on_click=_answer_other, args=(book, visit, names, field))
            st.button(word("place.later"), shortcut="Right", key="later", on_click=_skip)
        if first.evidence:
            paragraph(word("place.why"), "faint")
            for sentence in first.evidence:
                paragraph(sentence)
        _already_there(book, visit, [g.camera for g in guesses if g.camera])


def _guess_words(site: Site, camera: str, probability: float) -> str:
    name = site.camera(camera).name if camera in site else ""
    return word("place.belongs", camera=camera, name=name, probability=amount(probability, "probability"))


def _already_there(book: Logbook, visit: VisitRecord, cameras: list[str]) -> None:
    """What lies at the guessed cameras already, to compare with."""
    for camera in cameras:
        placed = book.placements(visit, camera, decision="placed", limit=3)
        shown = [(p, q) for p in placed if (q := book.photo(visit, p.photo)) is not None]
        if shown:
            paragraph(word("place.known", camera=camera), "faint")
            thumbnails([(q.sha256, q.name, term("role", p.role)) for p, q in shown])


def _unmatched(book: Logbook, visit: VisitRecord) -> None:
    st.subheader(word("place.unmatched_photos"))
    if not st.toggle(word("place.show_unmatched"), key="show_unmatched"):
        return
    unmatched = book.placements(visit, decision="unmatched", limit=_UNMATCHED_SHOWN)
    shown = [q for p in unmatched if (q := book.photo(visit, p.photo)) is not None]
    if shown:
        thumbnails([(q.sha256, q.name, "") for q in shown])


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
