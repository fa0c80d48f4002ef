"""Every word on the screen comes from one catalogue, so that another language can be added beside it."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import resources

__all__ = ["state_mark", "word"]

_MARKS = {"put right": "▲", "look again": "◆", "no evidence": "○", "meets plan": "●"}


@cache
def _catalogue() -> dict[str, str]:
    text = resources.files("ui").joinpath("words.toml").read_text(encoding="utf-8")
    flat: dict[str, str] = {}
    for group, entries in tomllib.loads(text).items():
        flat.update({f"{group}.{key}": value for key, value in entries.items()})
    return flat


def word(key: str, **values: object) -> str:
    """The catalogue's text for a key, with its places filled in."""
    text = _catalogue()[key]
    return text.format(**values) if values else text


def state_mark(state: str) -> str:
    """The shape that stands beside a state's word."""
    return _MARKS[state]
