"""The language of the desk: the browser's, until another is picked."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from audit.wording import LANGUAGES
from ui.parts.words import language, word

__all__ = ["LANGUAGE_NAMES", "pick_language"]

#: Each language by its own name, which is the same in all of them.
LANGUAGE_NAMES = {"en": "English", "de": "Deutsch", "fr": "Français"}
_JS = Path(__file__).with_name("languages.js").read_text(encoding="utf-8")
_told = st.components.v2.component("photo_audit_language", html="<span></span>", js=_JS)


def pick_language() -> None:
    """The field to pick it; tells the page's readers which language is spoken."""
    st.session_state.setdefault("language", language())
    st.selectbox(
        word("desk.language"), LANGUAGES, format_func=LANGUAGE_NAMES.__getitem__, key="language", label_visibility="collapsed", width=130
    )
    _told(data={"language": language()}, key="language_told")
