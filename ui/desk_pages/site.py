"""Site: a drawing from coordinates, without any map service; planned and measured view cones."""

from __future__ import annotations

import streamlit as st

from audit.account.drawing import Seen, Sheet, seen_of, site_svg
from audit.account.underlay import Underlay, underlay_of
from audit.judge.finding import STATES, State
from audit.logbook import DrawingRecord, Logbook, VisitRecord
from ui.parts.drawing import show_drawing
from ui.parts.numbers import figure
from ui.parts.plain import paragraph, table
from ui.parts.session import current_visit, logbook
from ui.parts.underlay import show_underlay
from ui.parts.words import state_mark, state_word, word

#: Above this many cameras only those that ask for something are read for what was measured.
_READ_ALL_UP_TO = 600
_LISTED = 300


def _measured(book: Logbook, visit: VisitRecord, cameras: int) -> dict[str, Seen]:
    if cameras <= _READ_ALL_UP_TO:
        return seen_of(book.verdicts(visit))
    return seen_of(book.verdicts(visit, state="defect", limit=_READ_ALL_UP_TO))


@st.cache_data(max_entries=8, show_spinner=False)
def _under(sha256: str, _book: Logbook, _record: DrawingRecord) -> Underlay | None:
    return underlay_of(_book, _record)


def page() -> None:
    """The drawing, by floor; choosing a camera opens it."""
    book, visit = logbook(), current_visit()
    site = book.site(visit)
    st.header(word("site.title"))
    floors = site.floors
    floor = floors[0]
    if len(floors) > 1:
        shown = {name: name or word("site.ground_floor") for name in floors}
        floor = (
            st.segmented_control(
                word("site.floor"), floors, default=floors[0], key="floor", format_func=shown.__getitem__
            )
            or floors[0]
        )
    states: dict[str, State] = dict(book.verdict_order(visit))
    words = {"title": word("site.ground"), "north": word("site.north"), "camera": word("site.camera")}
    words |= {state: state_word(state) for state in STATES}
    kept = book.drawing(visit, floor)
    sheet = Sheet(floor, None if kept is None else _under(f"{kept.id} {kept.picture_sha256}", book, kept))
    chosen = show_drawing(site_svg(site, states, _measured(book, visit, len(site.cameras)), sheet, words), "drawing")
    if chosen is not None and chosen in site:
        st.session_state["camera"] = chosen
        st.switch_page("desk_pages/review.py")
    paragraph(word("site.hint"), "faint")
    show_underlay(book, visit, site, floor, kept)
    with st.expander(word("site.jump")):
        here = [c for c in site.cameras if c.floor == floor]
        rows = [
            (
                c.camera,
                c.name,
                f"{state_mark(state)} {state_word(state)}",
                figure(c.east_m, 1),
                figure(c.north_m, 1),
                figure(c.height_m, 1),
            )
            for c in here[:_LISTED]
            if (state := states.get(c.camera, "not verified"))
        ]
        header = (word("review.camera"), *(word(f"site.{c}") for c in ("name", "state", "east_m", "north_m", "height_m")))
        table(header, rows, word("site.jump"))
        if len(here) > _LISTED:
            paragraph(word("site.more", n=len(here) - _LISTED), "faint")


page()
