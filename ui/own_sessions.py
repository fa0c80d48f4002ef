"""The page on which people see where else they are signed in, and end it."""

from __future__ import annotations

import html
import time
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from string import Template

from ui.parts.words import language, word

__all__ = ["FRESH_S", "OwnSession", "own_sessions_page"]

#: Ending another session asks for a sign-in no older than this.
FRESH_S = 300.0
_PAGE = Path(__file__).with_name("own_sessions.html").read_text(encoding="utf-8")


@dataclass(frozen=True, slots=True)
class OwnSession:
    """One of a person's sessions.

    Attributes
    ----------
    name : str
        What it is ended by.
    since : float
        When it began, seconds of the epoch.
    silent_s : float
        Since its last word.
    here : bool
        Whether it is the one that asks.
    """

    name: str
    since: float
    silent_s: float
    here: bool


def own_sessions_page(sessions: Iterable[OwnSession]) -> str:
    """HTML of the page."""
    found = sorted(sessions, key=lambda s: s.since)
    fresh = any(s.here and time.time() - s.since <= FRESH_S for s in found)
    others = any(not s.here for s in found)
    ask = f'<p>{html.escape(word("sessions.sign_in_anew"))} <a href="/sign-in">{html.escape(word("desk.sign_in"))}</a></p>'
    return Template(_PAGE).substitute(
        lang=language(),
        title=html.escape(word("sessions.title")),
        text="" if fresh or not others else ask,
        rows="\n".join(_row(s, fresh) for s in found),
        back=html.escape(word("sessions.back")),
    )


def _row(session: OwnSession, fresh: bool) -> str:
    since = datetime.fromtimestamp(session.since, UTC)
    line = html.escape(
        word("sessions.row", since=f"{since:%Y-%m-%d %H:%M}", minutes=int(session.silent_s // 60))
        + (word("sessions.here") if session.here else "")
    )
    if session.here:
        return f'<li>{line} <a href="/auth/logout">{html.escape(word("desk.sign_out"))}</a></li>'
    if not fresh:
        return f"<li>{line}</li>"
    button = f'<button name="end" value="{html.escape(session.name)}">{html.escape(word("sessions.end"))}</button>'
    return f'<li><form method="post" action="/sessions">{line} {button}</form></li>'
