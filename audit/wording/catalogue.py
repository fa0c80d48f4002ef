"""The catalogue of one language, read once; a file that can't be used leaves English, with a warning."""

from __future__ import annotations

import json
import logging
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib import resources
from string import Formatter

__all__ = ["LANGUAGES", "PLURAL_FORMS", "Catalogue", "Template", "catalogue", "label", "language_of", "templates_of", "why_not"]

#: English is what the program says itself.
LANGUAGES = ("en", "de", "fr")
#: Which of two forms a number takes: that for one or that for more (CLDR's plural rules; French has a third for whole millions, which
#: is worded as the second).
PLURAL_FORMS: dict[str, Callable[[float], int]] = {"de": lambda n: int(n != 1), "fr": lambda n: int(n >= 2)}

_LOG = logging.getLogger(__name__)
_WORD = re.compile(r"[^\W\d_]{2,}")


@dataclass(frozen=True, slots=True)
class Template:
    """One sentence or piece of one.

    Attributes
    ----------
    literals : tuple of str
        What stands before, between and after its places; one more than there are places.
    names, numbers : tuple
        The places' names, and whether each holds a number.
    words : frozenset of str
        Words that a text must have for it to be this one, in small letters.
    forms : tuple of tuple of (str, str or None)
        The translation, or its forms by number: pieces of text, each followed by the name of a place.
    count : str or None
        The place whose number chooses the form.
    """

    literals: tuple[str, ...]
    names: tuple[str, ...]
    numbers: tuple[bool, ...]
    words: frozenset[str]
    forms: tuple[tuple[tuple[str, str | None], ...], ...]
    count: str | None = None


@dataclass(frozen=True, slots=True)
class Catalogue:
    """The desk's labels by key, and the sentences."""

    words: dict[str, str]
    templates: tuple[Template, ...]


@cache
def catalogue(language: str) -> Catalogue | None:
    """The catalogue of a language; None for English, and with a warning where its file can't be used."""
    if language == "en" or language not in LANGUAGES:
        return None
    try:
        text = resources.files("audit.wording").joinpath(f"{language}.json").read_text(encoding="utf-8")
        kept = json.loads(text)
        templates = tuple(t for row in kept["sentences"] for t in templates_of(row))
        return Catalogue({str(k): str(v) for k, v in kept["words"].items()}, templates)
    except (OSError, ValueError, KeyError, TypeError, AttributeError, IndexError) as error:
        _LOG.warning("%s", _broken(language, error))
        return None


def why_not(language: str) -> str | None:
    """Why a language can't be shown, for a person; None where it can."""
    if language == "en" or catalogue(language) is not None:
        return None
    known = ", ".join(LANGUAGES)
    if language not in LANGUAGES:
        return f"--language {language}: this language is not here; choose one of {known}."
    return f"The translations for '{language}' can't be read, so English is shown; install photo-audit again."


def language_of(wanted: str | None) -> str:
    """The language to show for what a browser or an environment names (``de-CH,fr;q=0.8``, ``fr_FR.UTF-8``); English else."""
    for part in (wanted or "").split(","):
        code = re.split(r"[-_.;@\s]", part.strip().lower(), maxsplit=1)[0]
        if code in LANGUAGES:
            return code
    return "en"


def label(key: str, english: str, language: str) -> str:
    """A label of the desk in a language, English where it has none."""
    known = catalogue(language)
    return english if known is None else known.words.get(key, english)


def templates_of(row: list[object]) -> list[Template]:
    """A row of the file: English and translation, or singular, plural, what is counted, and the forms."""
    if len(row) == 2:
        return [_template(str(row[0]), (str(row[1]),), None)]
    one, many, count, forms = row
    if not isinstance(forms, list) or len(forms) != 2:
        raise ValueError(f"{one!r} lacks a form")
    both = tuple(map(str, forms))
    return [_template(str(one), both, str(count)), _template(str(many), both, str(count))]


def _template(english: str, forms: tuple[str, ...], count: str | None) -> Template:
    literals, names, numbers = [""], [], []
    for text, name, spec, _ in Formatter().parse(english):
        literals[-1] += text
        if name is not None:
            names.append(name)
            numbers.append(spec == "n")
            literals.append("")
    words = frozenset(w.lower() for literal in literals for w in _WORD.findall(literal))
    filled = tuple(tuple((text, name) for text, name, _, _ in Formatter().parse(form)) for form in forms)
    unknown = {name for form in filled for _, name in form if name is not None} - set(names)
    if unknown:
        raise ValueError(f"{english!r} has no place {sorted(unknown)}")
    return Template(tuple(literals), tuple(names), tuple(numbers), words, filled, count)


def _broken(language: str, error: Exception) -> str:
    return f"the translations for '{language}' can't be read ({type(error).__name__}: {error}), so English is shown; install photo-audit again"
