"""Text that came from a plan, a file name or a person: shown as it is, never as mark-up."""

from __future__ import annotations

import html
import re
from collections.abc import Iterable, Sequence

import streamlit as st

from ui.parts.words import said, word

__all__ = ["literal", "paragraph", "show_notice", "table"]

#: Columns that say which row it is and how it stands.
_ALWAYS_SHOWN = 2

_PUNCTUATION = re.compile(r"([!-/:-@\[-`{-~])")


def literal(text: object) -> str:
    """Text for an element that reads Markdown, so that nothing in it is taken for mark-up."""
    return _PUNCTUATION.sub(r"\\\1", " ".join(str(text).split()))


def paragraph(text: object, kind: str = "plain") -> None:
    """A sentence as plain text; ``kind`` is a class of the style sheet."""
    st.html(f'<p class="{kind}">{html.escape(str(text))}</p>')


def table(header: Sequence[str], rows: Iterable[Sequence[object]], caption: str, quiet: str | None = None) -> None:
    """A small table that a screen reader can walk through; on a narrow screen each row stands as a list of its cells.

    There the cells that read ``quiet`` are left out, but for the first two of a row.
    """
    names = [html.escape(name) for name in header]
    head = "".join(f'<th scope="col" role="columnheader">{name}</th>' for name in names)
    body = "".join(f'<tr role="row">{_cells(names, row, quiet)}</tr>' for row in rows)
    st.html(
        f'<div class="scroll" tabindex="0" role="region" aria-label="{html.escape(caption)}">'
        f'<table class="plain" role="table"><caption class="unseen">{html.escape(caption)}</caption>'
        f'<thead role="rowgroup"><tr role="row">{head}</tr></thead><tbody role="rowgroup">{body}</tbody></table></div>'
    )


def _cells(names: Sequence[str], row: Sequence[object], quiet: str | None) -> str:
    return "".join(
        f'<td role="cell" data-th="{name}"{" class=quiet" if v == quiet and at >= _ALWAYS_SHOWN else ""}>'
        f"{'' if v is None else html.escape(said(v))}</td>"
        for at, (name, v) in enumerate(zip(names, row, strict=True))
    )


def show_notice() -> None:
    """What went wrong with the last thing asked for, once."""
    notice = st.session_state.pop("notice", None)
    if notice:
        st.warning(literal(said(notice)), icon=word("desk.notice_icon"))
