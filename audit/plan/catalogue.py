"""The catalogue of forms, surfaces, parts and mounting rules, read once from ``catalogue.toml``."""

from __future__ import annotations

import difflib
import re
import tomllib
from functools import cache
from importlib.resources import files
from typing import Any

from audit.plan.quantities import plain_letters

__all__ = ["catalogue", "finer_name", "nearest_name", "plain_words", "translated"]

_SEPARATORS = re.compile(r"[\s,;/()_\-–\"″”'′]+")
_FRACTIONS = str.maketrans({"½": " 1/2", "¼": " 1/4", "¾": " 3/4"})


def plain_words(text: str) -> str:
    """A name as it is compared: lower case, words separated by one space, no punctuation."""
    return _SEPARATORS.sub(" ", text.translate(_FRACTIONS).lower()).strip()


@cache
def catalogue() -> dict[str, Any]:
    """The whole catalogue as nested mappings."""
    return tomllib.loads((files("audit.plan") / "catalogue.toml").read_text(encoding="utf-8"))


@cache
def _names(kind: str) -> dict[str, str]:
    table: dict[str, list[str]] = catalogue()[kind]
    found = {}
    for word, finer in table.items():
        for name in (word, *finer):
            found[plain_words(name)] = word
    return found


def finer_name(kind: str, text: str) -> tuple[str, str] | None:
    """The plan's word for a name, and the finer name where it says more.

    Parameters
    ----------
    kind : str
        ``forms`` or ``surfaces``.
    text : str
        The name in the plan, e.g. ``brick wall``.

    Returns
    -------
    tuple of str, or None
        (``wall``, ``brick wall``); the second is empty where the plan used the plain word. None where the
        catalogue does not know the name.
    """
    word = _names(kind).get(plain_words(text))
    if word is None:
        return None
    return word, "" if plain_words(text) == plain_words(word) else text.strip()


@cache
def _translations(kind: str) -> dict[str, str]:
    table: dict[str, list[str]] = catalogue()["translations"][kind]
    return {plain_words(plain_letters(name)): word for word, names in table.items() for name in names}


def translated(kind: str, text: str) -> str | None:
    """A name of another language in the plan's words (``Laternenmast``: ``lamp post``), None where it is none."""
    return _translations(kind).get(plain_words(plain_letters(text)))


def nearest_name(kind: str, text: str) -> str | None:
    """The known name that a text looks most like, or that it holds; None where there is none."""
    names = _names(kind)
    plain = plain_words(text)
    near = difflib.get_close_matches(plain, list(names), n=1, cutoff=0.7)
    if near:
        return near[0]
    held = [n for n in sorted(names, key=len, reverse=True) if f" {n} " in f" {plain} "]
    return held[0] if held else translated(kind, plain.split(" ")[0]) if plain else None
