"""A camera's pictures: the snapshot with its evidence, the reference or the other of a pair, the view after the remedy."""

from __future__ import annotations

import html
from collections.abc import Sequence

import streamlit as st

from audit.account.case import Case, Shot, case_of, open_findings
from audit.account.pictures import LAYERS
from audit.account.worklist import lacking_shots, shots_wanted
from audit.logbook import Logbook, VisitRecord
from ui.parts.evidence import drawn, preview, remedied, thumb
from ui.parts.gallery import show_gallery
from ui.parts.numbers import day
from ui.parts.plain import paragraph
from ui.parts.style import state_badge
from ui.parts.viewer import Ahead, Picture, send_ahead, show_beside, show_one
from ui.parts.words import term, word

__all__ = ["fetch_ahead", "show_crew_photos", "show_history", "show_pictures", "show_preview"]

_FIRST_THUMBS = 6
_FINE_PX = 1920
_ROW_PX = 44


def show_pictures(book: Logbook, visit: VisitRecord, case: Case) -> None:
    """The snapshot with the layers chosen, and what it is to be seen beside."""
    shots = [s for s in case.shots if s.measured is not None]
    if not shots:
        paragraph(word("review.no_snapshot"), "strong")
        return
    with st.container(horizontal=True, vertical_alignment="center", height=_ROW_PX, border=False):
        shot = _chosen(shots, visit, case)
        fine = st.toggle(word("review.fine"), key="fine")
    place = st.container()
    layers = st.pills(
        word("review.layers"), LAYERS, selection_mode="multi", default=LAYERS, key="layers",
        format_func=lambda layer: term("layer", layer), label_visibility="collapsed",
    )  # fmt: skip
    with place:
        shown = _beside(book, visit, case, shot, tuple(layers or ()), fine)
        show_beside(shown, shot.photo.width_px, shot.photo.height_px, _of(visit, shot), "viewer")


def _of(visit: VisitRecord, shot: Shot) -> str:
    return f"{visit.number}/{shot.photo.sha256}"


def fetch_ahead(book: Logbook, visit: VisitRecord, camera: str | None, keys: Sequence[str]) -> None:
    """Draw what the page of that camera will show first, and give its pictures to the browser, with the keys that go there."""
    case = None if camera is None else case_of(book, visit, book.planned_camera(camera, visit))
    shots = () if case is None else case.shots
    shot = next((s for s in shots if s.measured is not None), None)
    if case is None or shot is None:
        send_ahead(None, (), "ahead")
    else:
        layers, fine = st.session_state.get("layers", LAYERS), bool(st.session_state.get("fine"))
        pictures = _beside(book, visit, case, shot, tuple(layers or ()), fine)
        send_ahead(Ahead(pictures, (shot.photo.width_px, shot.photo.height_px), _of(visit, shot)), keys, "ahead")
    for one in shots[:_FIRST_THUMBS]:
        thumb(one.photo.sha256)


def _beside(
    book: Logbook, visit: VisitRecord, case: Case, shot: Shot, layers: tuple[str, ...], fine: bool
) -> list[Picture]:
    """The snapshot as it was read, and what it is to be seen beside."""
    name = shot.photo.name
    shown = [Picture(drawn(case, shot, layers, visit.number, fine), name, f"{case.camera.camera}: {name}")]
    beside = _other_of_pair(book, visit, case, fine) or _before_work(case, shot, fine) or _reference(case, shot, fine)
    return shown if beside is None else [*shown, beside]


def _chosen(shots: list[Shot], visit: VisitRecord, case: Case) -> Shot:
    if len(shots) == 1:
        paragraph(_shot_words(shots[0]), "faint")
        return shots[0]
    names = {s.photo.name: s for s in shots}
    name = st.segmented_control(
        word("review.picture"), list(names), default=shots[0].photo.name, label_visibility="collapsed",
        format_func=lambda n: _light(names[n]) if len({_light(s) for s in shots}) == len(shots) else _shot_words(names[n]),
        key=f"shot-{visit.number}-{case.camera.camera}",
    )  # fmt: skip
    return names.get(name or "", shots[0])


def _light(shot: Shot) -> str:
    return word("review.night" if shot.night else "review.day")


def _shot_words(shot: Shot) -> str:
    return word("review.shot", light=_light(shot), photo=shot.photo.name)


def _other_of_pair(book: Logbook, visit: VisitRecord, case: Case, fine: bool) -> Picture | None:
    other = next((f.pair for f in case.verdict.findings if f.pair is not None), None)
    site = book.site(visit)
    if other is None or other not in site:
        return None
    there = case_of(book, visit, site.camera(other))
    shot = None if there is None else there.day or there.night
    if shot is None:
        return None
    words = word("review.pair_picture", camera=other, photo=shot.photo.name)
    return Picture(_plain(shot.photo.sha256, fine), words, words)


def _before_work(case: Case, shot: Shot, fine: bool) -> Picture | None:
    """The picture that a picture handed in as done took the place of."""
    before = case.account.before_work(shot)
    if before is None:
        return None
    words = word("done.before", photo=before.photo.name)
    return Picture(_plain(before.photo.sha256, fine), words, words)


def _reference(case: Case, shot: Shot, fine: bool) -> Picture | None:
    reference = case.reference(shot.night)
    if reference is None:
        return None
    words = word("review.reference", visit=reference.visit, photo=reference.photo)
    return Picture(_plain(reference.sha256, fine), words, words)


def _plain(sha256: str, fine: bool) -> bytes:
    return preview(sha256, _FINE_PX) if fine else preview(sha256)


def show_preview(case: Case) -> None:
    """The picture after the first remedy that is a turn."""
    shot = case.day
    if shot is None:
        return
    for finding in open_findings(case):
        jpeg = remedied(case, shot, finding)
        if jpeg is not None and finding.remedy is not None:
            words = word("review.after", action=finding.remedy.action)
            show_one(Picture(jpeg, words, words), shot.photo.width_px, shot.photo.height_px, "after")
            return


def show_crew_photos(book: Logbook, case: Case, may_sort: bool) -> None:
    """Which shots are here, which are missing, and the camera's photos by role, to be sorted otherwise."""
    crew = [s for s in case.shots if s.measured is None]
    kind = case.visit.kind
    missing = lacking_shots(case.camera, (s.placement.role for s in crew), case.day is not None, case.night is not None, kind)
    items = "".join(
        f"<li>{'✕' if shot in missing else '✓'} {html.escape(term('role', shot))} "
        f"{html.escape(word('review.missing' if shot in missing else 'review.here'))}</li>"
        for shot in shots_wanted(case.camera, kind)
    )
    st.html(f'<ul class="shots" aria-label="{html.escape(word("review.shots"))}">{items}</ul>')
    photos = sorted(case.shots, key=lambda s: (s.measured is not None, s.placement.role, s.photo.name))
    every = len(photos) <= _FIRST_THUMBS or st.toggle(word("review.all_photos", n=len(photos)), key="all_photos")
    shown = photos if every else photos[:_FIRST_THUMBS]
    if shown:
        show_gallery(
            book, case.visit, [s.placement for s in shown], case.camera.camera, may_say=may_sort, label=word("review.photos")
        )
        if may_sort:
            paragraph(word("photo.keys"), "faint")


def show_history(book: Logbook, camera: str) -> None:
    """The camera's state at each visit."""
    entries = book.camera_history(camera)
    lines = "".join(
        f"<li>{e.visit.number} · {html.escape(term('kind', e.visit.kind))} · {day(e.visit.on)} "
        f"{state_badge(e.verdict.state)}</li>"
        for e in entries
    )
    st.html(f'<p class="faint">{html.escape(word("review.history"))}</p><ul class="shots">{lines}</ul>')
