"""Every word on the screen comes from one catalogue, in the language of whoever looks."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache
from importlib import resources

import streamlit as st
from streamlit.runtime.scriptrunner import get_script_run_ctx

from audit.judge.finding import STATE_MARKS, State
from audit.wording import LANGUAGES, label, language_of, translated

__all__ = ["check_word", "language", "reasons_at_hand", "said", "speak_this_run", "speaking", "state_mark", "state_word", "term", "within_sentence", "word"]

#: Where the picked language is kept for the session.
_PICKED = ("language", "kept language")
#: The language of an answer outside the desk's pages.
_ASKED: ContextVar[str] = ContextVar("language", default="en")
#: The language of the run of a page that is under way: a page of a large site asks tens of thousands of times.
_NOW: ContextVar[str | None] = ContextVar("language_now", default=None)


def language() -> str:
    """The language of whoever looks: the one that was picked, else the browser's."""
    known = _NOW.get()
    if known is not None:
        return known
    if get_script_run_ctx(suppress_warning=True) is None:
        return _ASKED.get()
    for chosen in (*(st.session_state.get(key) for key in _PICKED), st.query_params.get("language")):
        if chosen in LANGUAGES:
            return str(chosen)
    return language_of(st.context.headers.get("Accept-Language"))


def speak_this_run() -> None:
    """Look once for the language, at the beginning of a page's run, and keep it until the next one begins."""
    _NOW.set(None)
    _NOW.set(language())


@contextmanager
def speaking(wanted: str) -> Iterator[None]:
    """Words in the language that a browser asks for, where no page of the desk is shown."""
    token = _ASKED.set(language_of(wanted))
    try:
        yield
    finally:
        _ASKED.reset(token)


@cache
def _english() -> dict[str, str]:
    text = resources.files("ui").joinpath("words.toml").read_text(encoding="utf-8")
    flat: dict[str, str] = {}
    for group, entries in tomllib.loads(text).items():
        flat.update({f"{group}.{key}": value for key, value in entries.items()})
    return flat


@cache
def _in(spoken: str) -> dict[str, str]:
    return {key: label(key, english, spoken) for key, english in _english().items()}


def _catalogue() -> dict[str, str]:
    return _in(language())


def word(key: str, /, **values: object) -> str:
    """The catalogue's text for a key, with its places filled in."""
    text = _catalogue()[key]
    return text.format(**values) if values else text


def said(text: object) -> str:
    """A sentence of the audit, as kept or as an error tells it, in the language of whoever looks."""
    return translated(str(text), language())


def within_sentence(noun: str) -> str:
    """A noun as it stands within a sentence: small, but for German."""
    return noun if language() == "de" else noun.lower()


def term(group: str, name: str) -> str:
    """The catalogue's word for a value of the audit (a role, a layer, a decision); the value itself where it has none."""
    return _catalogue().get(f"{group}.{name.replace(' ', '_')}", name)


def state_word(state: str) -> str:
    """A state as it is shown."""
    return term("state", state)


def check_word(check: str) -> str:
    """A check as it is shown."""
    return term("check", check)


def reasons_at_hand(decision: str) -> tuple[str, ...]:
    """The catalogue's own reasons for a decision."""
    start = f"reason.{decision}_"
    return tuple(text for key, text in _catalogue().items() if key.startswith(start) and key[len(start) :].isdigit())


def state_mark(state: State) -> str:
    """The shape that stands beside a state's word."""
    return STATE_MARKS[state]
