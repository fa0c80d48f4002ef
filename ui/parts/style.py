"""Looks: state badges with a word and a shape, colours of the Okabe-Ito palette at 4.5:1 or more."""

from __future__ import annotations

import html

import streamlit as st

from ui.parts.words import state_mark, word

__all__ = ["apply_style", "state_badge"]

#: Text on ground; every pair has a contrast of at least 4.5:1.
_BADGES = {
    "put right": ("#ffffff", "#9c4300"),
    "look again": ("#000000", "#e69f00"),
    "no evidence": ("#000000", "#dddddd"),
    "meets plan": ("#ffffff", "#00563f"),
}
_CSS = """
<style>
.block-container {padding-top: 3.2rem; padding-bottom: 2rem;}
.state {display: inline-block; padding: .12rem .55rem; border-radius: .25rem; font-weight: 600;}
.finding {border-left: 4px solid #bbbbbb; padding-left: .7rem; margin-bottom: .4rem;}
@media (max-width: 640px) {.block-container {padding-left: .8rem; padding-right: .8rem;}}
</style>
"""


def apply_style() -> None:
    """The desk's style sheet."""
    st.html(_CSS)


def state_badge(state: str) -> str:
    """A state as HTML: shape, word and colour."""
    text, ground = _BADGES[state]
    label = html.escape(word(f"state.{state.replace(' ', '_')}"))
    return f'<span class="state" style="color:{text};background:{ground}">{state_mark(state)} {label}</span>'
