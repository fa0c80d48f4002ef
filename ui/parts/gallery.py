"""Photos that a person sorts: what each shows and whose it is, by mouse or key, each word taken back as easily."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path, PurePosixPath
from typing import get_args

import streamlit as st

from audit.errors import AuditError
from audit.logbook import AnswerRecord, Logbook, SaidRole, VisitRecord
from audit.match.placement import Placement
from audit.people import shown_name
from audit.visit.say import say_photos, take_photo_back
from ui.parts.evidence import thumb
from ui.parts.focus import focus_on
from ui.parts.numbers import minute
from ui.parts.plain import paragraph
from ui.parts.session import asked_name
from ui.parts.viewer import data_url
from ui.parts.words import said as spoken
from ui.parts.words import term, word

__all__ = ["show_gallery"]

_HERE = Path(__file__).parent
_gallery = st.components.v2.component(
    "photo_audit_gallery",
    html='<div class="gallery"></div>',
    css=(_HERE / "gallery.css").read_text(encoding="utf-8"),
    js=(_HERE / "gallery.js").read_text(encoding="utf-8"),
)
_ROLES: tuple[SaidRole, ...] = get_args(SaidRole)
#: Letters that say it of the photo that the keyboard is on.
_KEYS: dict[str, str] = dict(zip("lwbdntu", _ROLES, strict=True)) | {"0": "nobody", "m": "move", "z": "undo"}


def show_gallery(
    book: Logbook, visit: VisitRecord, placed: Sequence[Placement], key: str, *, may_say: bool, label: str
) -> None:
    """The photos with what they are; the chosen one with all that can be said of it.

    Parameters
    ----------
    key : str
        Tells this gallery from others of the page.
    """
    photos = {p.photo: photo for p in placed if (photo := book.photo(visit, p.photo)) is not None}
    places = {p.photo: p for p in placed if p.photo in photos}
    history = book.answer_history(visit, list(places))
    seen = {a.photo: a.id for a in history}
    chosen = st.session_state.get("chosen_photo")
    here = chosen[1] if chosen is not None and chosen[0] == (visit.number, key) and chosen[1] in places else None
    answer = _gallery(
        data={
            "photos": [
                {
                    "name": name,
                    "src": data_url(thumb(photos[name].sha256)),
                    "alt": f"{_role(place)} {name}".strip(),
                    "caption": ". ".join((f"{_role(place)}: {PurePosixPath(name).name}", *map(spoken, place.read_or_seen))),
                    "chosen": name == here,
                    "seen": seen.get(name, 0),
                }
                for name, place in places.items()
            ],
            "keys": _KEYS,
            "label": label,
            "enabled": may_say,
        },
        key=f"gallery-{key}",
        on_said_change=lambda: None,
    )
    said = answer.get("said") if may_say else None
    if said is not None and said[0] in places:
        _by_key(book, visit, places[said[0]], str(said[1]), (key, int(said[2])))
        st.rerun()
    if here is not None and may_say:
        with st.container(border=True):
            _chosen(book, visit, places[here], key, [a for a in history if a.photo == here])


def _role(placed: Placement) -> str:
    if placed.turned:
        return term("role", "wrong way up")
    if placed.role == "snapshot" and placed.light is not None:
        return term("role", f"{placed.light} snapshot")
    return term("role", placed.role)


def _by_key(book: Logbook, visit: VisitRecord, placed: Placement, said: str, at: tuple[str, int]) -> None:
    """What a letter says of a photo; ``at`` is the gallery, and the last word on the photo that it showed."""
    key, latest = at
    st.session_state["chosen_photo"] = (visit.number, key), placed.photo
    st.session_state.pop("moving", None)
    if said == "nobody":
        _say(book, visit, placed, None, None, latest)
    elif said == "undo":
        _undo(book, visit, placed.photo, latest)
    elif said == "move":
        st.session_state["moving"] = placed.photo
    elif said in _ROLES:
        _say(book, visit, placed, placed.camera, said, latest)


def _chosen(
    book: Logbook, visit: VisitRecord, placed: Placement, key: str, history: Sequence[AnswerRecord]
) -> None:
    """What the photo is taken for, and the buttons that say otherwise."""
    latest = history[-1].id if history else 0
    where = word("photo.nowhere") if placed.camera is None else placed.camera
    paragraph(word("photo.is", photo=placed.photo, role=_role(placed), camera=where), "strong")
    last = next((a for a in reversed(history) if a.in_force), None)
    if last is not None:
        paragraph(word("photo.said", by=shown_name(last.by), at=minute(last.at)), "faint")
    for sentence in placed.read_or_seen:
        paragraph(spoken(sentence))
    with st.container(horizontal=True):
        for role in _ROLES:
            st.button(
                term("role", role), key=f"role-{key}-{role.replace(' ', '_')}", disabled=placed.camera is None,
                on_click=_say, args=(book, visit, placed, placed.camera, role, latest),
            )  # fmt: skip
    field = f"move-{key}-{visit.number}-{placed.photo}"
    label = word("photo.other_camera")
    with st.form(f"form-{field}", border=False):
        st.text_input(label, key=field, width=220)
        st.form_submit_button(word("photo.move"), on_click=_move, args=(book, visit, placed, field, latest))
    with st.container(horizontal=True):
        if placed.decision != "unmatched":
            st.button(
                word("photo.nobody"), key=f"nobody-{key}", on_click=_say, args=(book, visit, placed, None, None, latest)
            )
        if last is not None:
            st.button(word("photo.undo"), key=f"undo-{key}", on_click=_undo, args=(book, visit, placed.photo, latest))
    if st.session_state.get("moving") == placed.photo:
        focus_on(label, f"focus-{field}")


def _move(book: Logbook, visit: VisitRecord, placed: Placement, field: str, latest: int) -> None:
    wanted = str(st.session_state.get(field, "")).strip()
    found = next((c.camera for c in book.site(visit).cameras if c.camera.lower() == wanted.lower()), wanted)
    if found:
        _say(book, visit, placed, found, None, latest)


def _say(
    book: Logbook, visit: VisitRecord, placed: Placement, camera: str | None, role: SaidRole | None, latest: int
) -> None:
    if not asked_name():
        st.session_state["notice"] = word("desk.name_needed")
        return
    st.session_state.pop("moving", None)
    try:
        if camera is None and role is not None:
            raise AuditError(word("photo.whose_first"))
        say_photos(book, visit, [placed.photo], camera, asked_name(), role=role, latest_seen=latest)
    except AuditError as error:
        st.session_state["notice"] = error.message


def _undo(book: Logbook, visit: VisitRecord, photo: str, latest: int) -> None:
    if not asked_name():
        st.session_state["notice"] = word("desk.name_needed")
        return
    try:
        take_photo_back(book, visit, [photo], asked_name(), latest_seen=latest)
    except AuditError as error:
        st.session_state["notice"] = error.message
