"""Site: a drawing from coordinates, without any map service; planned and measured view cones."""

from __future__ import annotations

import altair as alt
import streamlit as st

from audit.report.drawing import OUTLINES, cone_rows, marker_rows
from ui.parts.session import current_visit, logbook
from ui.parts.words import word

_COLOURS = {"put right": "#9c4300", "look again": "#e69f00", "no evidence": "#777777", "meets plan": "#00563f"}
_SHAPES = {"put right": "triangle-up", "look again": "diamond", "no evidence": "stroke", "meets plan": "circle"}


def page() -> None:
    """The drawing, by floor; a click opens the camera."""
    book, visit = logbook(), current_visit()
    site = book.site(visit)
    st.subheader(word("site.title"))
    floors = sorted({c.floor for c in site.cameras})
    floor = st.segmented_control(word("site.floor"), floors, default=floors[0]) if len(floors) > 1 else floors[0]
    verdicts = {v.camera: v for v in book.verdicts(visit)}
    cones = cone_rows(site, verdicts, floor or "")
    markers = marker_rows(site, verdicts, floor or "")
    east = alt.X("east_m:Q", title="east, m", scale=alt.Scale(zero=False, nice=False, padding=20))
    north = alt.Y("north_m:Q", title="north, m", scale=alt.Scale(zero=False, nice=False, padding=20))
    states = list(_COLOURS)
    outline = alt.Chart(alt.Data(values=cones)).mark_line(opacity=0.8).encode(
        x=east, y=north, detail="cone:N", order="step:Q",
        strokeDash=alt.StrokeDash("which:N", scale=alt.Scale(domain=list(OUTLINES), range=[[5, 4], [1, 0]]), title=None),
        color=alt.Color("which:N", scale=alt.Scale(domain=list(OUTLINES), range=["#666666", "#9c4300"]), legend=None),
    )  # fmt: skip
    pick = alt.selection_point(name="camera", fields=["camera"])
    points = alt.Chart(alt.Data(values=markers)).mark_point(filled=True, size=150, opacity=1).encode(
        x=east, y=north,
        color=alt.Color("state:N", scale=alt.Scale(domain=states, range=list(_COLOURS.values())), title=None),
        shape=alt.Shape("state:N", scale=alt.Scale(domain=states, range=list(_SHAPES.values())), title=None),
        tooltip=["camera:N", "name:N", "state:N"],
    ).add_params(pick)  # fmt: skip
    names = alt.Chart(alt.Data(values=markers)).mark_text(dy=-13, fontSize=11).encode(x=east, y=north, text="camera:N")
    chosen = st.altair_chart(
        (outline + points + names).properties(height=620), width="stretch", on_select="rerun", selection_mode="camera"
    )
    st.caption(word("site.hint"))
    picked = chosen.get("selection", {}).get("camera", [])
    if picked:
        st.session_state["camera"] = picked[0]["camera"]
        st.switch_page("pages/review.py")


page()
