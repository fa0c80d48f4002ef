"""Review: one camera a screen, worst first, by keyboard."""

from __future__ import annotations

import html

import streamlit as st

from audit.errors import AuditError
from audit.judge.finding import Finding
from audit.logbook import Logbook, VisitRecord
from audit.report import pictures
from audit.report.case import Case, Shot, case_of, open_findings
from ui.parts.evidence import drawn, preview, remedied
from ui.parts.session import asked_name, current_visit, logbook, may
from ui.parts.style import state_badge
from ui.parts.words import state_mark, word

_DECISIONS = ("accept", "reject", "waive")


def _order(book: Logbook, visit: VisitRecord) -> list[str]:
    """Ids of the cameras, worst first."""
    return [v.camera for v in book.verdicts(visit)]


def _go(order: list[str], step: int) -> None:
    here = order.index(st.session_state["camera"]) if st.session_state.get("camera") in order else 0
    st.session_state["camera"] = order[max(0, min(len(order) - 1, here + step))]


def _decide(book: Logbook, visit: VisitRecord, camera: str, finding: Finding, decision: str, latest: int) -> None:
    why = str(st.session_state.get(f"why-{visit.number}-{camera}-{finding.check}", "")).strip()
    by = asked_name()
    if not by:
        st.session_state["notice"] = word("desk.name_needed")
        return
    if decision != "accept" and not why:
        st.session_state["notice"] = word("review.why_needed")
        return
    try:
        book.decide(visit, camera, finding.check, decision, by, why or "seen", latest_seen=latest)  # type: ignore[arg-type]
    except AuditError as error:
        st.session_state["notice"] = error.message


def _accept_all(book: Logbook, visit: VisitRecord, case: Case, order: list[str]) -> None:
    by = asked_name()
    if not by:
        st.session_state["notice"] = word("desk.name_needed")
        return
    for finding in open_findings(case):
        if case.decision(finding) is None:
            book.decide(visit, case.camera.camera, finding.check, "accept", by, "seen")
    _go(order, 1)


def _undo(book: Logbook, visit: VisitRecord, camera: str, finding: Finding) -> None:
    try:
        book.undo(visit, camera, finding.check, asked_name())
    except AuditError as error:
        st.session_state["notice"] = error.message


def _pictures(book: Logbook, visit: VisitRecord, case: Case) -> None:
    shots = [s for s in case.shots if s.measured is not None]
    if not shots:
        st.info(word("review.no_snapshot"))
        return
    layers = st.pills(
        word("review.layers"), pictures.LAYERS, selection_mode="multi", default=pictures.LAYERS, key="layers"
    )
    names = {s.photo.name: s for s in shots}
    chosen = shots[0]
    if len(shots) > 1:
        name = st.segmented_control(
            word("review.camera"), list(names), default=shots[0].photo.name, label_visibility="collapsed",
            key=f"shot-{visit.number}-{case.camera.camera}",
        )  # fmt: skip
        chosen = names.get(name or "", shots[0])
    reference = case.reference(chosen.measured is not None and chosen.measured.clarity.night)
    left, right = st.columns([2, 1]) if reference is not None else (st.container(), None)
    with left:
        st.image(
            drawn(case, chosen, tuple(layers or ()), visit.number),
            width="stretch",
            caption=chosen.photo.name,
            alt=f"{case.camera.camera}: {chosen.photo.name}",
        )
    if right is not None and reference is not None:
        caption = word("review.reference", visit=reference.visit)
        with right:
            st.image(preview(reference.sha256), width="stretch", caption=caption, alt=caption)


def _finding(book: Logbook, visit: VisitRecord, case: Case, finding: Finding, number: int) -> None:
    camera = case.camera.camera
    st.html(
        f'<div class="finding">{state_badge(finding.state)} <b>{html.escape(finding.check)}</b><br>'
        f"{html.escape(finding.why)}</div>"
    )
    if finding.measured is not None and finding.unit:
        sd = f" ± {1.96 * finding.measured_sd:.2f}" if finding.measured_sd is not None else ""
        planned = "-" if finding.planned is None else f"{finding.planned:.2f}"
        limit = "-" if finding.limit is None else f"{finding.limit:.2f}"
        st.caption(
            word(
                "review.measured",
                measured=f"{finding.measured:.2f}{sd}",
                planned=planned,
                limit=limit,
                unit=finding.unit,
            )
        )
    remedy = finding.remedy
    if remedy is not None and finding.state in ("put right", "look again"):
        lines = [f"{word('review.remedy')}: {remedy.action}"]
        if remedy.field_check:
            lines.append(f"{word('review.field_check')}: {remedy.field_check}")
        if remedy.parts:
            lines.append(f"{word('review.bring')}: {', '.join(remedy.parts)}")
        lines += [f"{word('review.caution')}: {text}" for text in remedy.cautions]
        st.html("<br>".join(html.escape(line) for line in lines))
    history = [d for d in book.decisions(visit, camera) if d.check == finding.check]
    decision = case.decision(finding)
    if decision is not None:
        st.caption(
            word(
                "review.decided",
                decision=decision.decision,
                by=decision.by,
                at=f"{decision.at:%H:%M} UTC",
                why=decision.why,
            )
        )
        if decision.finding_changed:
            st.warning(word("review.changed"))
    if finding.state not in ("put right", "look again") or visit.signed_at is not None or not may("decide"):
        return
    latest = history[-1].id if history else 0
    key = f"{visit.number}-{camera}-{finding.check}"
    st.text_input(word("review.why"), key=f"why-{key}")
    columns = st.columns(4)
    shortcuts = ("a", "r", "w") if number == 1 else (None, None, None)
    for column, name, shortcut in zip(columns, _DECISIONS, shortcuts, strict=False):
        column.button(
            word(f"review.{name}"),
            key=f"{name}-{key}",
            shortcut=shortcut,
            on_click=_decide,
            args=(book, visit, camera, finding, name, latest),
        )
    if decision is not None:
        columns[3].button(
            word("review.undo"),
            key=f"undo-{key}",
            shortcut="u" if number == 1 else None,
            on_click=_undo,
            args=(book, visit, camera, finding),
        )


def _after(case: Case) -> None:
    shot: Shot | None = case.day
    if shot is None:
        return
    for finding in open_findings(case):
        picture = remedied(case, shot, finding)
        if picture is not None:
            st.image(picture, caption=word("review.after"), width="stretch", alt=word("review.after"))
            return


def page() -> None:
    """One camera, its pictures, findings and decisions."""
    book, visit = logbook(), current_visit()
    order = _order(book, visit)
    if not order:
        st.info(word("desk.no_visit"))
        return
    if "camera" not in st.session_state:
        st.session_state["camera"] = st.query_params.get("camera", order[0])
    if st.session_state["camera"] not in order:
        st.session_state["camera"] = order[0]
    name = st.session_state["camera"]
    st.query_params["camera"] = name
    case = case_of(book, visit, book.site(visit).camera(name))
    if case is None:
        st.info(word("desk.no_visit"))
        return
    counts = book.verdict_counts(visit)
    st.html(" &nbsp; ".join(f"{state_mark(state)} {html.escape(state)}: <b>{n}</b>" for state, n in counts.items()))
    head, back, on, every = st.columns([5, 1, 1, 2], vertical_alignment="center")
    title = html.escape(f"{name}  {case.camera.name}")
    head.html(f"<h3 style='margin:0'>{title} {state_badge(case.verdict.state)}</h3>")
    back.button(word("review.previous"), shortcut="Left", on_click=_go, args=(order, -1), key="previous")
    on.button(word("review.next"), shortcut="Right", on_click=_go, args=(order, 1), key="next", type="primary")
    if open_findings(case) and visit.signed_at is None and may("decide"):
        every.button(
            word("review.accept_all"),
            shortcut="Enter",
            on_click=_accept_all,
            args=(book, visit, case, order),
            key="accept_all",
        )
    st.caption(word("review.of", position=order.index(name) + 1, total=len(order)))
    notice = st.session_state.pop("notice", None)
    if notice:
        st.warning(notice)
    left, right = st.columns([3, 2])
    with left:
        _pictures(book, visit, case)
        _after(case)
    with right:
        st.subheader(word("review.findings"))
        for number, finding in enumerate(case.verdict.findings, 1):
            _finding(book, visit, case, finding, number)
    crew = [s for s in case.shots if s.measured is None]
    if crew:
        with st.expander(f"{word('review.photos')} ({len(crew)})"):
            for column, shot in zip(st.columns(min(4, len(crew))) * len(crew), crew, strict=False):
                column.image(
                    preview(shot.photo.sha256),
                    caption=f"{shot.placement.role}: {shot.photo.name}",
                    alt=f"{shot.placement.role} {shot.photo.name}",
                )


page()
