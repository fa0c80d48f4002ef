"""Reasons that fill the field for a reason: those of the visit first, then a few that are always at hand."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from audit.account.reasons import reasons_given
from audit.judge.finding import Check
from ui.parts.deciding import Desk
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


def offer_reasons(desk: Desk, check: Check, decision: str, label: str, key: str, *, type_at_once: bool = True) -> None:
    """Reasons to take over into the field of that label; the keyboard is put into it where one types at once.

    Parameters
    ----------
    decision : str
        What the reason is for; ``dismiss_pass`` for a pass that is dismissed.
    """
    given = reasons_given(desk.book, desk.visit, check, decision.removesuffix("_pass"))
    reasons = list(dict.fromkeys((*given, *reasons_at_hand(decision))))[:_MOST]
    about = {"reasons": reasons, "label": label, "focus": type_at_once, "words": word("review.reasons")}
    _reasons(data=about, key=key)
