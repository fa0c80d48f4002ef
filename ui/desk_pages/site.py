"""Site: a drawing from coordinates, without any map service; planned and measured view cones."""

from __future__ import annotations

import streamlit as st

from audit.judge.finding import STATES, State
from audit.logbook import Logbook, VisitRecord
from audit.report.drawing import Seen, seen_of, site_svg
from ui.parts.drawing import show_drawing
from ui.parts.plain import paragraph, table
from ui.parts.session import current_visit, logbook
from ui.parts.words import state_mark, state_word, word

#: Above this many cameras only those that ask for something are read for what was measured.
_READ_ALL_UP_TO = 600
_LISTED = 300


def _measured(book: Logbook, visit: VisitRecord, cameras: int) -> dict[str, Seen]:
    if cameras <= _READ_ALL_UP_TO:
        return seen_of(book.verdicts(visit))
    return seen_of(book.verdicts(visit, state="put right", limit=_READ_ALL_UP_TO))


def page() -> None:
    """The drawing, by floor; choosing a camera opens it."""
    book, visit = logbook(), current_visit()
    site = book.site(visit)
    st.header(word("site.title"))
    floors = sorted({c.floor for c in site.cameras})
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
    chosen = show_drawing(site_svg(site, states, _measured(book, visit, len(site.cameras)), floor, words), "drawing")
    if chosen is not None and chosen in site:
        st.session_state["camera"] = chosen
        st.switch_page("desk_pages/review.py")
    paragraph(word("site.hint"), "faint")
    with st.expander(word("site.jump")):
        rows = [
            (
                c.camera,
                c.name,
                f"{state_mark(s)} {state_word(s)}",
                f"{c.east_m:.1f}",
                f"{c.north_m:.1f}",
                f"{c.height_m:.1f}",
            )
            for c in site.cameras[:_LISTED]
            if c.floor == floor and (s := states.get(c.camera, "no evidence"))
        ]
        table((word("review.camera"), "", word("sign.state"), "E, m", "N, m", "h, m"), rows, word("site.jump"))


page()
