"""Every word on the screen comes from one catalogue, so that another language can be added beside it."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import resources

from audit.judge.finding import STATE_MARKS, State

__all__ = ["check_word", "state_mark", "state_word", "term", "word"]


@cache
def _catalogue() -> dict[str, str]:
    text = resources.files("ui").joinpath("words.toml").read_text(encoding="utf-8")
    flat: dict[str, str] = {}
    for group, entries in tomllib.loads(text).items():
        flat.update({f"{group}.{key}": value for key, value in entries.items()})
    return flat


def word(key: str, /, **values: object) -> str:
    """The catalogue's text for a key, with its places filled in."""
    text = _catalogue()[key]
    return text.format(**values) if values else text


def term(group: str, name: str) -> str:
    """The catalogue's word for a value of the audit (a role, a layer, a decision); the value itself where it has none."""
    return _catalogue().get(f"{group}.{name.replace(' ', '_')}", name)


def state_word(state: str) -> str:
    """A state as it is shown."""
    return term("state", state)


def check_word(check: str) -> str:
    """A check as it is shown."""
    return term("check", check)


def state_mark(state: State) -> str:
    """The shape that stands beside a state's word."""
    return STATE_MARKS[state]
