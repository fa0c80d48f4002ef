"""Looks: state badges with a word and a shape, colours of the Okabe-Ito palette at 4.5:1 or more."""

from __future__ import annotations

import html
from pathlib import Path

import streamlit as st

from audit.judge.finding import State
from ui.parts.words import state_mark, state_word

__all__ = ["apply_style", "state_badge"]

#: Text on ground; every pair has a contrast of at least 4.5:1.
_BADGES = {
    "defect": ("#ffffff", "#9c4300"),
    "to check": ("#000000", "#e69f00"),
    "not verified": ("#000000", "#dddddd"),
    "as planned": ("#ffffff", "#00563f"),
}
_SHEET = Path(__file__).with_name("style.css")


def apply_style() -> None:
    """The desk's style sheet."""
    st.html(f"<style>{_SHEET.read_text(encoding='utf-8')}</style>")


def state_badge(state: State, count: int | None = None) -> str:
    """A state as HTML: shape, word and colour; with a count of cameras if given."""
    text, ground = _BADGES[state]
    number = "" if count is None else f" <b>{count}</b>"
    label = html.escape(state_word(state))
    mark = f'<span aria-hidden="true">{state_mark(state)}</span>'
    return f'<span class="state" style="color:{text};background:{ground}">{mark} {label}{number}</span>'
