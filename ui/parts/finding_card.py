"""One finding: sentence, number with its interval, evidence, remedy, and the decision."""

from __future__ import annotations

import html
from collections.abc import Iterator

import streamlit as st

from audit.judge.finding import Finding
from audit.people import shown_name
from ui.parts.deciding import Desk, ask_reason, choose, decide, never_mind, take_back
from ui.parts.keys import press_on
from ui.parts.numbers import amount, limit_of, minute, with_interval
from ui.parts.plain import literal, paragraph
from ui.parts.reasons import offer_reasons
from ui.parts.style import state_badge
from ui.parts.together import offer_together, show_together
from ui.parts.words import check_word, said, term, within_sentence, word

__all__ = ["show_cautions", "show_finding", "show_passed"]


def show_finding(desk: Desk, finding: Finding, key: int, active: bool, may_decide: bool) -> None:
    """A finding that asks for something; the keys work on the active one."""
    with st.container(border=True):
        _sentence(finding, full=True)
        if finding.shared:
            paragraph(word("review.pair", cameras=", ".join(finding.shared)), "faint")
        decision = desk.decision(finding)
        if decision is not None:
            line = word(
                "review.decided", decision=term("decision", decision.decision), by=shown_name(decision.by), at=minute(decision.at)
            )
            paragraph(line, "strong")
            if decision.why and decision.decision != "finding":  # those words are the finding's own
                paragraph(word("review.reason", why=decision.why))
            if decision.finding_changed:
                st.warning(word("review.changed"))
        if not may_decide:
            return
        if not active:
            label = word("review.choose", key=key, check=check_word(finding.check))
            st.button(
                literal(label), key=f"choose-{finding.check}", shortcut=str(key), on_click=choose, args=(desk, finding)
            )
        elif st.session_state.get("asking", (0, "", ""))[:3] == (desk.visit.number, desk.camera, finding.check):
            _reason(desk, finding, st.session_state["asking"][3])
        else:
            _buttons(desk, finding)


def _buttons(desk: Desk, finding: Finding) -> None:
    with st.container(horizontal=True):
        st.button(word("review.confirm"), key="confirm", on_click=decide, args=(desk, finding, "confirm"))
        for name, shortcut in (("dismiss", "d"), ("tolerate", "t")):
            st.button(
                word(f"review.{name}"), key=name, shortcut=shortcut, on_click=ask_reason, args=(desk, finding, name)
            )
        said = None if desk.decision(finding) is None else (desk.camera, finding.check)
        if said is not None or st.session_state.get("trail"):
            st.button(word("review.undo"), key="undo", shortcut="z", on_click=take_back, args=(desk.book, desk.visit, said))
        offer_together(desk, finding)
    press_on({"c": "confirm", "o": "together_open"}, "keys-confirm")
    show_together(desk, finding)


def _reason(desk: Desk, finding: Finding, decision: str) -> None:
    field = f"why-{desk.visit.number}-{desk.camera}-{finding.check}"
    label = word(f"review.why_{decision}")
    offer_reasons(desk, finding.check, decision, label, f"reasons-{field}-{decision}")
    with st.form(f"form-{field}", border=False):
        st.text_input(label, key=field)
        with st.container(horizontal=True):
            st.form_submit_button(
                word("review.keep"), type="primary", on_click=decide,
                args=(desk, finding, decision.removesuffix("_pass"), field),
            )
            st.form_submit_button(word("review.never_mind"), on_click=never_mind)


def show_cautions(findings: tuple[Finding, ...]) -> None:
    """Safety sentences of all remedies here, each once."""
    texts = dict.fromkeys(text for f in findings if f.remedy is not None for text in f.remedy.cautions)
    if texts:
        items = "".join(f"<li>{html.escape(said(text))}</li>" for text in texts)
        st.html(f'<div class="cautions"><b>{html.escape(word("review.cautions"))}</b><ul>{items}</ul></div>')


def show_passed(desk: Desk, may_decide: bool) -> None:
    """What passed or was not seen, folded; a pass can be dismissed, which opens its check."""
    rest = [f for f in desk.case.verdict.findings if f not in desk.asking]
    asked = st.session_state.get("asking", (0, "", "", ""))
    about = asked[2] if asked[:2] == (desk.visit.number, desk.camera) else ""
    if not rest:
        return
    with st.expander(word("review.passed", n=len(rest)), expanded=any(f.check == about for f in rest)):
        for finding in rest:
            _sentence(finding, full=False)
            if not may_decide or finding.state != "as planned":
                continue
            if finding.check == about:
                _reason(desk, finding, "dismiss_pass")
            else:
                st.button(
                    word("review.dismiss_pass", check=check_word(finding.check)), key=f"dismiss-pass-{finding.check}",
                    on_click=ask_reason, args=(desk, finding, "dismiss_pass"),
                )  # fmt: skip


def _sentence(finding: Finding, full: bool) -> None:
    check = html.escape(check_word(finding.check))
    lines = [
        f'<div class="finding"><p>{state_badge(finding.state)} <b>{check}</b></p><p>{html.escape(said(finding.why))}</p>'
    ]
    rows = "".join(f"<dt>{html.escape(name)}</dt><dd>{html.escape(text)}</dd>" for name, text in _facts(finding, full))
    st.html("".join((*lines, f"<dl>{rows}</dl></div>" if rows else "</div>")))


def _facts(finding: Finding, full: bool) -> Iterator[tuple[str, str]]:
    if finding.measured is not None and finding.unit:
        signed = finding.check != "pan"  # a bearing counts round from north
        measured = with_interval(finding.measured, finding.measured_sd, finding.unit, signed)
        numbers = [f"{word('review.measured')} {measured}"]
        if finding.planned is not None:
            numbers.append(f"{word('review.planned').lower()} {amount(finding.planned, finding.unit, signed)}")
        if finding.limit is not None:
            numbers.append(f"{within_sentence(word('review.limit'))} {limit_of(finding.limit, finding.unit)}")
        yield numbers[0].split(" ", 1)[0], "; ".join((numbers[0].split(" ", 1)[1], *numbers[1:]))
    seen = [finding.photo] if finding.photo else []
    seen += [said(cue) for cue in finding.evidence.get("cues", ())]
    if full and seen:
        yield word("review.seen_in"), ", ".join(seen)
    remedy = finding.remedy
    if full and remedy is not None:
        yield word("review.remedy"), said(remedy.action)
        if remedy.field_check:
            yield word("review.field_check"), said(remedy.field_check)
        if remedy.parts:
            yield word("review.bring"), ", ".join(map(said, remedy.parts))
