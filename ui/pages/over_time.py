"""Over time: a camera's visits side by side, reference against today, moves and haze with intervals."""

from __future__ import annotations

import altair as alt
import streamlit as st

from audit.report.case import case_of, evidence_of
from audit.report.history import history_rows
from ui.parts.evidence import preview
from ui.parts.session import current_visit, logbook
from ui.parts.style import state_badge
from ui.parts.words import word


def page() -> None:
    """One camera over its visits."""
    book, visit = logbook(), current_visit()
    site = book.site(visit)
    names = [c.camera for c in site.cameras]
    st.subheader(word("over_time.title"))
    here = st.session_state.get("camera", names[0])
    name = st.selectbox(word("review.camera"), names, index=names.index(here) if here in names else 0)
    st.session_state["camera"] = name
    history = book.camera_history(name)
    for entry in history:
        st.html(
            f"{entry.visit.number} · {entry.visit.kind} · {entry.visit.on.isoformat()} {state_badge(entry.verdict.state)}"
        )
    case = case_of(book, visit, site.camera(name))
    shot = case.day if case is not None else None
    reference, change = evidence_of(book, case, shot) if case is not None and shot is not None else (None, None)
    if reference is None or shot is None:
        st.info(word("over_time.none"))
        return
    left, right = st.columns(2)
    left.image(
        preview(reference.sha256),
        caption=word("review.reference", visit=reference.visit),
        width="stretch",
        alt=word("review.reference", visit=reference.visit),
    )
    right.image(preview(shot.photo.sha256), caption=shot.photo.name, width="stretch", alt=shot.photo.name)
    if change is None:
        return
    rows = history_rows(book, name)
    if rows:
        base = alt.Chart(alt.Data(values=rows)).encode(x=alt.X("on:T", title=None))
        for title, kind in ((word("over_time.moves"), "move"), (word("over_time.haze"), "contrast")):
            chart = base.transform_filter(alt.datum.kind == kind)
            line = chart.mark_line(point=True).encode(
                y=alt.Y("value:Q", title=title),
                color=alt.Color("what:N", title=None),
                strokeDash=alt.StrokeDash("what:N", title=None),
            )
            band = chart.mark_errorbar().encode(y=alt.Y("low:Q", title=title), y2="high:Q", color="what:N")
            st.altair_chart((line + band).properties(height=220), width="stretch")


page()
