"""Text that came from a plan, a file name or a person: shown as it is, never as mark-up."""

from __future__ import annotations

import html
import re
from collections.abc import Iterable, Sequence

import streamlit as st

from ui.parts.words import word

__all__ = ["literal", "paragraph", "show_notice", "table"]

_PUNCTUATION = re.compile(r"([!-/:-@\[-`{-~])")


def literal(text: object) -> str:
    """Text for an element that reads Markdown, so that nothing in it is taken for mark-up."""
    return _PUNCTUATION.sub(r"\\\1", " ".join(str(text).split()))


def paragraph(text: object, kind: str = "plain") -> None:
    """A sentence as plain text; ``kind`` is a class of the style sheet."""
    st.html(f'<p class="{kind}">{html.escape(str(text))}</p>')


def table(header: Sequence[str], rows: Iterable[Sequence[object]], caption: str) -> None:
    """A small table that a screen reader can walk through; wide ones scroll inside their frame."""
    head = "".join(f'<th scope="col">{html.escape(name)}</th>' for name in header)
    body = "".join(
        "<tr>" + "".join(f"<td>{html.escape('' if v is None else str(v))}</td>" for v in row) + "</tr>" for row in rows
    )
    st.html(
        f'<div class="scroll" tabindex="0" role="region" aria-label="{html.escape(caption)}">'
        f'<table class="plain"><caption class="unseen">{html.escape(caption)}</caption>'
        f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>"
    )


def show_notice() -> None:
    """What went wrong with the last thing asked for, once."""
    notice = st.session_state.pop("notice", None)
    if notice:
        st.warning(literal(notice), icon=word("desk.notice_icon"))
