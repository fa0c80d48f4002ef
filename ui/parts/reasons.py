"""Reasons that fill the field for a reason: those of the visit first, then a few that are always at hand."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from audit.account.reasons import reasons_given
from audit.judge.finding import Check
from audit.logbook import Logbook, VisitRecord
from ui.parts.words import reasons_at_hand, word

__all__ = ["offer_reasons"]

_HERE = Path(__file__).parent
_MOST = 6
_reasons = st.components.v2.component(
    "photo_audit_reasons",
    html='<div class="reasons" role="group"></div>',
    css=(_HERE / "reasons.css").read_text(encoding="utf-8"),
    js=(_HERE / "reasons.js").read_text(encoding="utf-8"),
)


def offer_reasons(book: Logbook, visit: VisitRecord, check: Check, decision: str, label: str, key: str) -> None:
    """Reasons to take over into the field of that label, and the keyboard put into it.

    Parameters
    ----------
    decision : str
        What the reason is for; ``dismiss_pass`` for a pass that is dismissed.
    """
    given = reasons_given(book, visit, check, decision.removesuffix("_pass"))
    reasons = list(dict.fromkeys((*given, *reasons_at_hand(decision))))[:_MOST]
    _reasons(data={"reasons": reasons, "label": label, "words": word("review.reasons")}, key=key)
