"""Puts the keyboard where the next word is typed."""

from __future__ import annotations

import streamlit as st

__all__ = ["focus_on"]

_JS = """
export default function ({ data }) {
  let tries = 20;
  const go = () => {
    const input = [...document.querySelectorAll("input, textarea")].find((i) => i.ariaLabel === data.label);
    if (input) input.focus(); else if (tries--) setTimeout(go, 50);
  };
  go();
}
"""
_focus = st.components.v2.component("photo_audit_focus", html="<span></span>", js=_JS)


def focus_on(label: str, key: str) -> None:
    """Focus the input of that label once it is on the page."""
    _focus(data={"label": label}, key=key)
