"""Keys that press a button where the framework keeps the letter for itself."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import streamlit as st

__all__ = ["press_on"]

_JS = Path(__file__).with_name("keys.js").read_text(encoding="utf-8")
_keys = st.components.v2.component("photo_audit_keys", html="<span></span>", js=_JS)


def press_on(buttons: Mapping[str, str], key: str) -> None:
    """Let each letter press the button of that key while this is on the page; never while somebody types."""
    _keys(data={"keys": dict(buttons)}, key=key)
