"""How a command speaks: JSON lines on standard output, sentences and a bar on standard error."""

from __future__ import annotations

import json
import math
import re
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, is_dataclass
from datetime import date
from typing import Any

import typer

from audit.errors import AuditError
from audit.visible import visible, without_password
from audit.wording import LANGUAGES, translated, why_not

__all__ = ["emit", "plain", "progress_bar", "say", "speak_in", "spoken", "tell"]

#: Letters that a terminal obeys or hides, and JSON may carry unescaped.
_OBEYED = re.compile("[\x7f-\x9f\xad\u061c\u180e\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb\ud800-\udfff\U000e0000-\U000e007f]")


#: What ``--language`` asked for.
_ASKED: list[str] = []


def speak_in(language: str | None) -> None:
    """From now on say and tell everything for a person in a language; JSON stays as it is."""
    _ASKED.clear()
    if language is None:
        return
    why = why_not(language)
    if why is not None and language not in LANGUAGES:
        raise AuditError(why)
    if why is not None:
        say(why)
    _ASKED.append(language)


def spoken() -> str | None:
    """The language that was asked for; None where none was."""
    return _ASKED[0] if _ASKED else None


def say(text: str) -> None:
    """A message for the person at the terminal, on standard error."""
    typer.echo(_shown(text), err=True)


def tell(text: str, ends_line: bool = True) -> None:
    """An answer for a person on standard output; names in it are strangers' and steer no terminal."""
    typer.echo(_shown(text.replace("\r\n", "\n")), nl=ends_line)


def _shown(text: str) -> str:
    return visible(translated(without_password(text), spoken() or "en"), keep="\n")


def emit(line: Mapping[str, Any]) -> None:
    """One JSON object as one line on standard output, what a terminal would obey written as JSON's escape of it."""
    text = json.dumps(plain(line), ensure_ascii=False, allow_nan=False)
    typer.echo(_OBEYED.sub(_escaped, text))


def _escaped(found: re.Match[str]) -> str:
    letter = found[0]
    return json.dumps(letter)[1:-1] if ord(letter) > 0x7F else f"\\u{ord(letter):04x}"


def plain(value: Any) -> Any:
    """The same in JSON's own types: dates as ISO 8601, numpy's numbers as numbers; NaN and infinity are absent.

    Raises
    ------
    TypeError
        Where there is no JSON form.
    """
    if value is None or isinstance(value, str | bool | int):
        return value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {key: plain(item) for key, item in value.items()}
    if isinstance(value, date):
        return value.isoformat()
    if is_dataclass(value) and not isinstance(value, type):
        return plain(asdict(value))
    if hasattr(value, "item"):
        return plain(value.item())
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(item) for item in value]
    raise TypeError(f"no JSON form for {type(value).__name__}")


@contextmanager
def progress_bar() -> Iterator[Any]:
    """A bar on a terminal, silence elsewhere; yields a function of (step, done, total, name)."""
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )

    console = Console(stderr=True)
    told = (TextColumn("{task.description:<8}"), BarColumn(), MofNCompleteColumn())
    columns = (*told, TimeElapsedColumn(), TimeRemainingColumn())  # seconds move also where one item takes long
    with Progress(*columns, console=console, disable=not sys.stderr.isatty()) as bars:
        tasks: dict[str, Any] = {}

        def report(step: str, done: int, total: int, name: str = "") -> None:
            if step not in tasks:
                tasks[step] = bars.add_task(step, total=total)
            bars.update(tasks[step], completed=done, total=total)

        yield report
