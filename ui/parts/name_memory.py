"""The name of whoever decides: remembered on their browser, and left by Enter."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

__all__ = ["remember_name", "remembered_first", "typed"]

_JS = Path(__file__).with_name("name_memory.js").read_text(encoding="utf-8")
_memory = st.components.v2.component("photo_audit_name", html="<span></span>", js=_JS)
_TYPED, _TOLD = "name_typed", "name_told"


def remembered_first() -> None:
    """Take the name that the browser told, before the field is drawn."""
    if _TOLD in st.session_state:
        st.session_state["name"] = st.session_state.pop(_TOLD)
        st.session_state[_TYPED] = True


def remember_name(label: str) -> None:
    """Keep a name that was typed in the field of that label on the browser; take the one that it keeps where none was."""
    answer = _memory(
        data={"label": label, "name": str(st.session_state.get("name", "")), "typed": bool(st.session_state.get(_TYPED))},
        key="name_memory", on_name_change=lambda: None,
    )  # fmt: skip
    told = answer.get("name")
    if told and not st.session_state.get(_TYPED):
        st.session_state[_TOLD] = str(told)
        st.rerun()


def typed() -> None:
    """Somebody typed a name."""
    st.session_state[_TYPED] = True
