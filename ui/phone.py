"""What a phone sees that was let in for aiming: the page on which it gives its code, and then the one page."""

from __future__ import annotations

import html
from collections.abc import Mapping
from pathlib import Path
from string import Template

from ui.parts.words import language, word

__all__ = ["PAIR", "PAIR_SCRIPT", "may_ask", "pair_page", "pair_script"]

PAIR, PAIR_SCRIPT = "/pair", "/pair.js"
#: All that a phone is served: the page itself, its code and its socket; no upload, no file, no other page.
_PLAIN = frozenset({"/", "/favicon.ico", "/favicon.png", "/_stcore/health", "/_stcore/host-config", "/_stcore/stream"})
_BELOW = ("/static/", "/_stcore/bidi-components/")
_PAGE = Path(__file__).with_name("pair.html").read_text(encoding="utf-8")
_SCRIPT = Path(__file__).with_name("pair.js").read_text(encoding="utf-8")


def may_ask(path: str) -> bool:
    """Whether a phone that was let in is served this address."""
    return path in _PLAIN or (path.startswith(_BELOW) and ".." not in path)


def pair_page(wrong: bool) -> str:
    """The page on which a phone gives its code and its user's name."""
    said: Mapping[str, str] = {name: html.escape(word(f"pair.{name}")) for name in ("title", "what", "code", "name", "go")}
    return Template(_PAGE).substitute(said, lang=language(), wrong=f'<p class="wrong" role="alert">{html.escape(word("pair.wrong"))}</p>' if wrong else "")


def pair_script() -> str:
    """Its script."""
    return _SCRIPT
