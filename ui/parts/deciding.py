"""What a reviewer does with findings: confirm, dismiss, tolerate, take back; each kept with who and when."""

from __future__ import annotations

import streamlit as st

from audit.account.case import Case
from audit.account.worklist import asks
from audit.errors import AuditError
from audit.judge.finding import Finding
from audit.logbook import DecisionRecord, Logbook, VisitRecord
from audit.visit.done import take_back as take_word_back
from ui.parts.session import asked_name
from ui.parts.words import word

__all__ = [
    "Desk", "accept_and_go_on", "ask_reason", "choose", "current", "decide", "go", "named", "never_mind", "remember", "take_back",
]  # fmt: skip


class Desk:
    """What a camera's page knew when it was drawn: a decision says what its reviewer had seen."""

    def __init__(self, book: Logbook, visit: VisitRecord, case: Case) -> None:
        self.book, self.visit, self.case = book, visit, case
        self.camera = case.camera.camera
        self.entries = book.decisions(visit, self.camera)
        self.asking = tuple(f for f in case.verdict.findings if asks(f) or case.decision(f) is not None)

    def latest(self, check: str) -> int:
        """Id of the last entry seen for a check, 0 for none."""
        return max((d.id for d in self.entries if d.check == check), default=0)

    def decision(self, finding: Finding) -> DecisionRecord | None:
        """What counts for a finding now."""
        return self.case.decision(finding)

    @property
    def undecided(self) -> tuple[Finding, ...]:
        """Findings that ask for something and wait for a word."""
        return tuple(f for f in self.asking if self.decision(f) is None)


def current(desk: Desk) -> Finding | None:
    """The finding that the keys decide on: the chosen one, else the first undecided, else the first."""
    chosen = st.session_state.get("chosen")
    if chosen is not None and chosen[:2] == (desk.visit.number, desk.camera):
        found = next((f for f in desk.asking if f.check == chosen[2]), None)
        if found is not None:
            return found
    return next(iter(desk.undecided), next(iter(desk.asking), None))


def choose(desk: Desk, finding: Finding) -> None:
    """Turn the keys to another finding of this camera."""
    _stay(desk, finding)
    never_mind()


def ask_reason(desk: Desk, finding: Finding, decision: str) -> None:
    """Open the field for the reason that rejecting and waiving need."""
    if named():
        st.session_state["asking"] = (desk.visit.number, desk.camera, finding.check, decision)


def never_mind() -> None:
    """Close the field for the reason."""
    st.session_state.pop("asking", None)


def decide(desk: Desk, finding: Finding, decision: str, field: str | None = None) -> None:
    """Keep a decision; the logbook keeps one on an exchange of two cameras for both."""
    why = "" if field is None else str(st.session_state.get(field, "")).strip()
    if not named():
        return
    if field is not None and not why:
        st.session_state["notice"] = word("review.why_needed")
        return
    try:
        _keep(desk, finding, decision, why)
    except AuditError as error:
        _stay(desk, finding)
        st.session_state["notice"] = error.message
        return
    never_mind()
    st.session_state.pop("chosen", None)


def accept_and_go_on(desk: Desk, order: list[str]) -> None:
    """Accept what is undecided here, and show the next camera."""
    if desk.undecided and not named():
        return
    for finding in desk.undecided:
        try:
            _keep(desk, finding, "confirm", "")
        except AuditError as error:
            _stay(desk, finding)
            st.session_state["notice"] = error.message
            return
    go(order, 1)


def take_back(book: Logbook, visit: VisitRecord, said: tuple[str, str] | None = None) -> None:
    """Take the word on a camera's check back, this session's last one where none is named, and show its camera."""
    trail = [one for one in st.session_state.get("trail", []) if one[0] == visit.number]
    if not named() or (said is None and not trail):
        return
    camera, check = said or trail[-1][1:]
    if (visit.number, camera, check) in trail:
        trail.reverse()
        trail.remove((visit.number, camera, check))
        trail.reverse()
    st.session_state["trail"] = trail
    try:
        take_word_back(book, visit, camera, check, asked_name())
    except AuditError as error:
        st.session_state["notice"] = error.message
    never_mind()
    st.session_state["camera"] = camera


def go(order: list[str], step: int) -> None:
    """Show the camera so many places on."""
    here = order.index(st.session_state["camera"]) if st.session_state.get("camera") in order else 0
    st.session_state["camera"] = order[max(0, min(len(order) - 1, here + step))]
    st.session_state.pop("chosen", None)
    st.session_state.pop("recorded", None)
    never_mind()


def _keep(desk: Desk, finding: Finding, decision: str, why: str) -> None:
    by = asked_name()
    desk.book.decide(desk.visit, desk.camera, finding.check, decision, by, why, latest_seen=desk.latest(finding.check))
    remember(desk, finding.check)


def remember(desk: Desk, check: str, camera: str | None = None) -> None:
    """Note what this session said last, for taking it back; of the page's camera where none is named."""
    st.session_state.setdefault("trail", []).append((desk.visit.number, camera or desk.camera, check))


def _stay(desk: Desk, finding: Finding) -> None:
    """Keep the keys on a finding; a reason that is being typed stays."""
    st.session_state["chosen"] = (desk.visit.number, desk.camera, finding.check)


def named() -> bool:
    """Whether it is known who decides; the page says so where it is not."""
    if asked_name():
        return True
    st.session_state["notice"] = word("desk.name_needed")
    return False
