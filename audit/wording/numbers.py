"""Numbers and days in a sentence as a language writes them (CLDR); units, ° and ± stay."""

from __future__ import annotations

import re

__all__ = ["localised"]

_DAY = re.compile(r"(?<![\w-])(\d{4})-(\d{2})-(\d{2})(?![\w-])")
_DECIMAL = re.compile(r"(?<![\w.])(\d+)\.(\d+)(?!\w|\.\d)")
_PERCENT = re.compile(r"(?:(?<=\d) ?|^)%")
_DAY_FORMS = {"de": r"\3.\2.\1", "fr": r"\3/\2/\1"}


def localised(text: str, language: str) -> str:
    """A text's numbers, percentages and days in a language; English stays as it is."""
    if language not in _DAY_FORMS:
        return text
    text = _DECIMAL.sub(r"\1,\2", text)
    text = _PERCENT.sub("\N{NO-BREAK SPACE}%", text)
    return _DAY.sub(_DAY_FORMS[language], text)
