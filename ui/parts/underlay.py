"""The site's own drawing on the Site plan page: brought in, placed by clicks, looked at, kept or taken away."""

from __future__ import annotations

from dataclasses import replace

import streamlit as st

from audit.drawings.picture import KINDS, Opened
from audit.drawings.placing import Drawing, KnownPoint
from audit.errors import AuditError
from audit.logbook import DrawingRecord, Logbook, VisitRecord
from audit.plan.model import Site
from audit.visit.draw import DrawingFile, Opening, known_places, known_point, open_file, place_drawing
from ui.parts.numbers import figure
from ui.parts.plain import literal, paragraph, table
from ui.parts.point_picture import ToPoint, point_in
from ui.parts.session import ask_for_name, asked_name, may
from ui.parts.uploads import forget
from ui.parts.words import word

__all__ = ["show_underlay"]

#: Known points by floor, the file that waits to be placed, and its picture.
_POINTS, _FILE, _OPENED = "drawing_points", "drawing_file", "drawing_opened"
_WORLD = ("pgw", "jgw", "tfw", "wld")


def show_underlay(book: Logbook, visit: VisitRecord, site: Site, floor: str, kept: DrawingRecord | None) -> None:
    """What lies under a floor, and the way to put something else there while the visit is open."""
    with st.expander(word("underlay.title"), expanded=_FILE in st.session_state):
        if kept is not None:
            _tell(kept)
        else:
            paragraph(word("underlay.none"), "faint")
        if visit.signed_at is not None or not may("decide") or not ask_for_name():
            return
        if kept is not None:
            with st.container(horizontal=True):
                if st.button(word("underlay.again"), key="drawing_again"):
                    _take(DrawingFile(kept.name, book.image(kept.sha256)), 1 if kept.drawing is None else kept.drawing.page, "")
                if st.button(word("underlay.remove"), key="drawing_remove"):
                    _try(lambda: book.take_drawing_away(visit, floor, asked_name()))
        _bring_in()
        if _OPENED in st.session_state:
            _place(book, visit, site, floor)


def _tell(record: DrawingRecord) -> None:
    assert record.drawing is not None
    placed = record.drawing.placed
    if placed.how == "georeference":
        paragraph(word("underlay.by_grid", name=record.name, grid=placed.grid))
    elif placed.residual_m is None:
        paragraph(word("underlay.by_two", name=record.name))
    else:
        paragraph(word("underlay.by_points", name=record.name, n=len(placed.points), off=figure(placed.residual_m, 2)))
    if placed.sd_m is not None:
        paragraph(word("underlay.doubt", off=figure(1.96 * placed.sd_m, 1)), "faint")


def _bring_in() -> None:
    with st.form("drawing_form", border=False):
        kinds = [kind.lstrip(".") for kind in KINDS]
        files = st.file_uploader(word("underlay.file"), type=[*kinds, *_WORLD], accept_multiple_files=True, key="drawing_files")
        left, right = st.columns(2)
        page = left.number_input(word("underlay.page"), 1, value=1, key="drawing_page")
        grid = right.text_input(word("underlay.grid"), key="drawing_grid")
        if not st.form_submit_button(word("underlay.open"), key="drawing_open") or not files:
            return
    picture = next((f for f in files if f.name.rsplit(".", 1)[-1].lower() not in _WORLD), None)
    world = next((f for f in files if f.name.rsplit(".", 1)[-1].lower() in _WORLD), None)
    if picture is None:
        st.error(word("underlay.no_picture"))
        return
    text = None if world is None else world.getvalue().decode("utf-8", "replace")
    file = DrawingFile(picture.name, picture.getvalue(), text)
    forget(files)
    _take(file, int(page), grid.strip())


def _take(file: DrawingFile, page: int, grid: str) -> None:
    """Open a file and let it wait to be placed."""
    how = Opening(page=page, grid=grid)

    def opened() -> None:
        st.session_state[_OPENED] = open_file(file, how)
        st.session_state[_FILE] = (file, how)
        st.session_state[_POINTS] = []

    with st.spinner(word("underlay.opening")):
        _try(opened)


def _try(act: object) -> None:
    """Do it and show the page anew; a sentence where it can't be done."""
    assert callable(act)
    try:
        act()
    except AuditError as error:
        st.error(literal(error.message))
        return
    st.rerun()


def _place(book: Logbook, visit: VisitRecord, site: Site, floor: str) -> None:
    """The opened drawing: by its own coordinates, or by places that are clicked in it."""
    file, how = st.session_state[_FILE]
    opened: Opened = st.session_state[_OPENED]
    points: list[KnownPoint] = st.session_state[_POINTS]
    how = replace(how, floor=floor, points=tuple(points))
    drawing, problem = _placed(site, opened, file.name, how)
    st.subheader(literal(file.name))
    if opened.reference is None or points or drawing is None:
        _click(site, floor, opened, file.name, points)
    _list(drawing, points)
    if drawing is None:
        paragraph(problem, "faint")
    with st.container(horizontal=True):
        if st.button(word("underlay.keep"), key="drawing_keep", type="primary", disabled=drawing is None) and drawing is not None:
            book.put_drawing(visit, floor, file.name, (file.data, opened.data), drawing, asked_name())
            _forget()
            st.rerun()
        if st.button(word("underlay.drop"), key="drawing_drop"):
            _forget()
            st.rerun()


def _placed(site: Site, opened: Opened, name: str, how: Opening) -> tuple[Drawing | None, str]:
    try:
        return place_drawing(site, opened, name, how), ""
    except AuditError as error:
        return None, error.message


def _click(site: Site, floor: str, opened: Opened, name: str, points: list[KnownPoint]) -> None:
    """A place is chosen by name or written as coordinates, and clicked in the drawing."""
    left, right = st.columns(2)
    taken = {p.name for p in points}
    names = [place for place in known_places(site, floor) if place not in taken]
    place = left.selectbox(word("underlay.place"), names, key=f"drawing_place_{len(points)}")
    typed = right.text_input(word("underlay.or_typed"), key=f"drawing_typed_{len(points)}").strip()
    wanted = typed or place
    if not wanted:
        return
    paragraph(word("underlay.click", place=wanted), "strong")
    label = word("underlay.label", place=wanted)
    picture = ToPoint(opened.data, name, opened.width_px, opened.height_px, f"{name}/{len(points)}", label)
    at = point_in(picture, f"drawing-{len(points)}")
    if at is not None:
        _try(lambda: points.append(known_point(site, floor, at, wanted)))


def _list(drawing: Drawing | None, points: list[KnownPoint]) -> None:
    """What was pointed out, and how far each point misses."""
    if drawing is not None and drawing.placed.how == "georeference":
        paragraph(word("underlay.lies", grid=drawing.placed.grid, off=figure(drawing.placed.residual_m or 0.0, 3)))
        return
    if not points:
        return
    placed = {p.name: p.off_m for p in drawing.placed.points} if drawing is not None else {}
    rows = [(p.name, figure(p.column_px, 0), figure(p.row_px, 0), "–" if (off := placed.get(p.name)) is None else figure(off, 2)) for p in points]
    header = tuple(word(f"underlay.{c}") for c in ("known", "column", "row", "off"))
    table(header, rows, word("underlay.known"))
    if drawing is not None:
        residual = drawing.placed.residual_m
        paragraph(word("underlay.two") if residual is None else word("underlay.residual", off=figure(residual, 2)), "strong")
    if st.button(word("underlay.undo"), key="drawing_undo"):
        points.pop()
        st.rerun()


def _forget() -> None:
    for key in (_FILE, _OPENED, _POINTS):
        st.session_state.pop(key, None)
