"""Pages for a phone as one HTML file each, in a language: how their templates say things."""

from __future__ import annotations

from functools import cache
from importlib import resources
from typing import Any

from jinja2 import Environment, Template
from markupsafe import Markup, escape

from audit.visible import visible
from audit.wording import in_pieces, translated

__all__ = ["page_of"]


def page_of(name: str, language: str, **values: Any) -> str:
    """A page from its template; there ``t`` says a label, ``said`` a sentence of the audit, both in the language."""

    def t(text: str, **places: object) -> str:
        return translated(text.format(**places) if places else text, language)

    def said(text: object) -> Markup:
        """What isn't known in the language stays English, and says so to a screen reader."""
        pieces = in_pieces(visible(str(text), keep="\n"), language)
        return Markup("").join(escape(p) if known else Markup('<span lang="en">{}</span>').format(p) for p, known in pieces)

    return _template(name).render(language="en-GB" if language == "en" else language, t=t, said=said, **values)


@cache
def _template(name: str) -> Template:
    """A page's template."""
    text = resources.files("audit.report").joinpath(name).read_text(encoding="utf-8")
    environment = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True, finalize=_shown)
    return environment.from_string(text)


def _shown(value: Any) -> Any:
    """Names as they may stand on a page: no mark in them turns a line round or hides a letter."""
    return visible(value, keep="\n") if type(value) is str else value
