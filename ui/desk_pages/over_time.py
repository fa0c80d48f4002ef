"""Over time: a camera's visits side by side, reference against today, moves and haze with intervals."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Any

import altair as alt
import streamlit as st

from audit.account.case import case_of
from audit.account.changes import changes, signed_before
from audit.account.history import cleaning_due, history_rows
from audit.account.selection import judged
from audit.account.worklist import asks
from audit.judge.finding import State
from audit.logbook import Logbook, ReferenceRecord, VisitRecord
from ui.parts.evidence import preview
from ui.parts.numbers import day, figure
from ui.parts.plain import paragraph, table
from ui.parts.session import current_visit, logbook
from ui.parts.viewer import Picture, show_wiped
from ui.parts.words import check_word, said, state_mark, state_word, term, word

_SHOWN = 300
_COLOURS = ("#0072b2", "#9c4300", "#00563f", "#1f2128")


def page() -> None:
    """One camera over its visits."""
    book, visit = logbook(), current_visit()
    order = [camera for camera, _ in judged(book, visit)]
    st.header(word("over_time.title"))
    if not order:
        st.info(word("desk.no_visit"))
        return
    _changed(book, visit)
    here = st.session_state.get("camera") or st.query_params.get("camera")
    names = sorted(order)
    name = st.selectbox(word("review.camera"), names, index=names.index(here) if here in names else 0, width=260)
    st.session_state["camera"] = name
    st.query_params["camera"] = name
    case = case_of(book, visit, book.planned_camera(name, visit))
    shot = case.day if case is not None else None
    reference = case.compared(shot)[0] if case is not None and shot is not None else None
    rows: list[dict[str, Any]] = []
    left, right = st.columns([3, 2])
    with left:
        if reference is None or shot is None:
            st.info(word("over_time.none"))
        else:
            then = word("review.reference", visit=reference.visit, photo=reference.photo)
            show_wiped(
                Picture(preview(reference.sha256), then, then),
                Picture(preview(shot.photo.sha256), shot.photo.name, f"{name}: {shot.photo.name}"),
                shot.photo.width_px, shot.photo.height_px, f"{visit.number}/{name}", "wipe",
            )  # fmt: skip
    with right:
        _visits(book, name)
        rows = history_rows(book, name)
        if rows and reference is not None:
            _cleaning(book, rows, reference, book.limits(visit).cleanliness.contrast_ratio)
    if rows:
        _plots(rows)


def _changed(book: Logbook, visit: VisitRecord) -> None:
    """Every camera that is not as it was signed, folded."""
    before = signed_before(book, visit)
    if before is None:
        return
    found = changes(book, before, visit)
    if not found:
        paragraph(word("over_time.unchanged", visit=before.number, on=day(before.on)), "strong")
        return
    with st.expander(word("over_time.changed", n=len(found), visit=before.number, on=day(before.on))):
        header = tuple(word(f"over_time.{c}") for c in ("camera", "before", "now", "came", "gone"))
        rows = [(c.camera, word("over_time.new_since") if c.new else _state(c.before), _state(c.now), _checks(c.came), _checks(c.gone)) for c in found[:_SHOWN]]
        table(header, rows, word("over_time.changes"))
        if len(found) > _SHOWN:
            paragraph(word("over_time.more", n=len(found) - _SHOWN), "faint")


def _state(state: State | None) -> str:
    return word("over_time.not_judged") if state is None else f"{state_mark(state)} {state_word(state)}"


def _checks(checks: Iterable[str]) -> str:
    return ", ".join(check_word(check) for check in checks)


def _visits(book: Logbook, name: str) -> None:
    rows = [
        (
            f"{e.visit.number} · {term('kind', e.visit.kind)}",
            day(e.visit.on),
            _state(e.verdict.state),
            _checks(f.check for f in e.verdict.findings if asks(f)),
        )
        for e in book.camera_history(name)
    ]
    header = (word("over_time.visit"), word("over_time.on"), word("over_time.state"), word("over_time.findings"))
    table(header, rows, word("over_time.title"))


def _cleaning(book: Logbook, rows: list[dict[str, Any]], reference: ReferenceRecord, limit: float) -> None:
    due = cleaning_due(rows, book.visit(reference.visit).on, limit)
    if due.on is None or due.earliest is None:
        paragraph(said(due.note or ""), "faint")
        return
    latest = word("over_time.open_end") if due.latest is None else day(due.latest)
    paragraph(word("over_time.cleaning", on=day(due.on), earliest=day(due.earliest), latest=latest), "strong")


def _plots(rows: list[dict[str, Any]]) -> None:
    named = [{**r, "what": term("over_time", r["what"])} for r in rows]
    for column, title, kind in zip(
        st.columns(2), (word("over_time.moves"), word("over_time.haze")), ("move", "contrast"), strict=True
    ):
        values = [r for r in named if r["kind"] == kind]
        if not values:
            continue
        what = sorted({r["what"] for r in values})
        colour = alt.Color("what:N", title=None, scale=alt.Scale(domain=what, range=list(_COLOURS[: len(what)])))
        base = alt.Chart(alt.Data(values=values)).encode(
            x=alt.X("on:T", title=None, axis=alt.Axis(format=word("numbers.day"), labelAngle=-30)), color=colour
        )
        low_high = base.mark_rule(strokeWidth=2).encode(y=alt.Y("low:Q", title=None), y2="high:Q")
        points = base.mark_line(point=alt.OverlayMarkDef(size=70)).encode(
            y="value:Q", shape=alt.Shape("what:N", title=None), strokeDash=alt.StrokeDash("what:N", title=None)
        )
        chart = (low_high + points).properties(height=230).configure_axis(labelColor="#1f2128")
        with column:
            paragraph(title, "strong")
        column.altair_chart(chart.configure_legend(labelColor="#1f2128", orient="bottom"), width="stretch")
    header = (word("over_time.on"), word("over_time.what"), word("over_time.value"), word("over_time.interval"))
    with st.expander(word("over_time.days")):
        table(
            header,
            [(day(date.fromisoformat(r["on"])), r["what"], _figure(r, "value"), _interval(r)) for r in named],
            word("over_time.days"),
        )


def _figure(row: dict[str, Any], which: str) -> str:
    return figure(row[which], 2, signed=row["kind"] == "move")


def _interval(row: dict[str, Any]) -> str:
    return f"{_figure(row, 'low')} … {_figure(row, 'high')}"


page()
