"""A command's help in the language that was asked for."""

from __future__ import annotations

from functools import partial
from typing import Any

from audit.wording import translated

__all__ = ["help_in", "help_text"]

#: Words that the parser writes itself: before a colon, in brackets, and of the option that shows the help.
_HEADINGS = ("Usage", "Arguments", "Options", "Commands")
_MARKS = ("required", "default")
_OWN = "Show this message and exit."


def help_in(command: Any, language: str) -> None:
    """From now on a command of the parser, and those below it, show their help in a language."""
    command.get_help = partial(_help, command, language)
    for below in getattr(command, "commands", {}).values():
        help_in(below, language)


def help_text(text: str | None) -> str:
    """A help text on one line, as the catalogue has it."""
    return " ".join((text or "").split())


def _help(command: Any, language: str, context: Any) -> str:
    for one in (command, *getattr(command, "commands", {}).values()):
        for told in (one, *one.params):
            if getattr(told, "help", None):
                told.help = translated(help_text(told.help), language)
    text = str(type(command).get_help(command, context)).replace(_OWN, translated(_OWN, language))
    for word in _HEADINGS:
        text = text.replace(f"\n{word}:", f"\n{translated(word, language)}:").replace(f"{word}: ", f"{translated(word, language)}: ")
    for word in _MARKS:
        text = text.replace(f"[{word}", f"[{translated(word, language)}")
    return text
