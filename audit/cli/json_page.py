"""Writes ``docs/json.md`` from the types: ``python -m audit.cli.json_page``."""

from __future__ import annotations

import re
import sys
from dataclasses import fields, is_dataclass
from pathlib import Path
from types import NoneType, UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from typing_extensions import is_typeddict

from audit.cli import lines
from audit.errors import PlanProblem
from audit.judge.finding import Finding
from audit.judge.trip import Stop
from audit.logbook.records import VerifyProblem
from audit.plan.optics import Geometry
from audit.plan.parts import PartLine

__all__ = ["COMMANDS", "FILES", "members", "page"]

#: Commands by what a line of theirs is.
COMMANDS: dict[str, type[Any]] = {
    "measure": lines.MeasureLine,
    "compare": lines.CompareLine,
    "match": lines.MatchLine,
    "plan check": PlanProblem,
    "plan geometry": Geometry,
    "plan parts": PartLine,
    "visit, show, point": lines.VerdictLine,
    "drawing": lines.DrawingLine,
    "settings": lines.SettingsLine,
    "point, for a row that can't be taken": lines.PointErrorLine,
    "show --progress": lines.ProgressLine,
    "methods": lines.MethodsLine,
    "collect": lines.CollectLine,
    "trip": Stop,
    "trip, the last line": lines.TripEndLine,
    "verify, a problem": VerifyProblem,
    "verify, the last line": lines.VerifyAnswerLine,
}
#: Files of a package by what they hold.
FILES: dict[str, type[Any]] = {
    "about.json": lines.AboutFile,
    "files.json": lines.FilesFile,
    "record.json": lines.RecordFile,
}
_HEAD = """# JSON lines and files

This page is made from the program's types by `python -m audit.cli.json_page`; a test compares both with what the commands
print.

`--json` prints one object a line on standard output, in input order. A value that is absent is `null`, and the key is there;
there is no NaN and no infinity. Angles are in degrees, lengths in metres, times ISO 8601 with offset. Every `x` has its one
standard deviation in `x_sd` or, with a unit, `x_sd_deg`. Keys may be added; none is taken away or changes its meaning.
"""


def members(kind: type[Any]) -> dict[str, Any]:
    """Names and types of the keys of a type's JSON object."""
    hints = get_type_hints(kind)
    return {f.name: hints[f.name] for f in fields(kind)} if is_dataclass(kind) else hints


def page() -> str:
    """The whole page."""
    parts = [_HEAD, "## Lines\n"]
    inner: dict[type[Any], None] = {}
    for command, kind in COMMANDS.items():
        parts.append(f"### {command}\n\n{_table(kind, inner)}")
    parts.append("## Objects inside lines\n")
    done: set[type[Any]] = set()
    while waiting := [kind for kind in inner if kind not in done]:
        for kind in waiting:
            done.add(kind)
            parts.append(f"### {_title(kind)}\n\n{_table(kind, inner)}")
    parts.append("## Files of a package\n")
    parts += [f"### `{name}`\n\n{_table(kind, inner)}" for name, kind in FILES.items()]
    return "\n".join(parts)


def _title(kind: type[Any]) -> str:
    if kind is Finding:
        return "withheld finding"
    words: str = re.sub(r"(?<!^)(?=[A-Z])", " ", kind.__name__.removesuffix("Line")).lower()
    return words


def _table(kind: type[Any], inner: dict[type[Any], None]) -> str:
    told = _told(kind)
    rows = [f"{_first_words(kind)}\n", "| key | value | what it is |", "|---|---|---|"]
    for name, hint in members(kind).items():
        rows.append(f"| `{name}` | {_words(hint, inner)} | {told.get(name) or _by_its_name(name, told)} |")
    return "\n".join(rows) + "\n"


def _first_words(kind: type[Any]) -> str:
    """The docstring before its attributes, as one paragraph."""
    text = (kind.__doc__ or "").partition("Attributes\n")[0]
    return re.sub(r":\w+:`~?([\w.]+)`", r"`\1`", " ".join(text.split())).replace("``", "`")


def _told(kind: type[Any]) -> dict[str, str]:
    """What the docstring says of each attribute."""
    section = (kind.__doc__ or "").partition("Attributes\n")[2].partition("----------\n")[2]
    found: dict[str, str] = {}
    names: list[str] = []
    for line in section.splitlines():
        if head := re.fullmatch(r"    ([\w, ]+?) : .*|    (\w+)", line):
            names = [name.strip() for name in (head[1] or head[2]).split(",")]
        elif line.strip():
            for name in names:
                found[name] = f"{found.get(name, '')} {line.strip()}".strip().replace("``", "`").replace("|", "\\|")
    return {name: re.sub(r":\w+:`~?([\w.]+)`", r"`\1`", text) for name, text in found.items()}


def _by_its_name(name: str, told: dict[str, str]) -> str:
    """What a name says by its end: an sd or a note."""
    of = re.fullmatch(r"(\w+?)_(sd|note)(_deg|_m|_px)?", name)
    if of is None:
        return ""
    about = next((key for key in told if key.startswith(of[1])), of[1])
    return f"One standard deviation of `{about}`." if of[2] == "sd" else f"Why `{about}` is absent, or what limits it."


def _words(hint: Any, inner: dict[type[Any], None]) -> str:
    """A type in words; types of our own are noted in ``inner``."""
    kinds = get_args(hint) if get_origin(hint) in (Union, UnionType) else (hint,)
    words = [_one(kind, inner) for kind in kinds if kind is not NoneType]
    return " or ".join([*words, *(["null"] if NoneType in kinds else [])])


def _one(hint: Any, inner: dict[type[Any], None]) -> str:
    plain = {str: "text", int: "whole number", float: "number", bool: "true or false", Any: "any value"}
    if hint in plain:
        return plain[hint]
    origin, within = get_origin(hint), get_args(hint)
    if origin is Literal:
        return ", ".join(f"*{word}*" for word in within)
    if origin in (list, tuple):
        if origin is tuple and Ellipsis not in within:
            return f"[{', '.join(_words(kind, inner) for kind in within)}]"
        return f"list of {_words(within[0], inner)}"
    if origin is dict:
        return f"object of {_words(within[1], inner)} by name"
    if is_dataclass(hint) or is_typeddict(hint):
        inner.setdefault(hint)
        return f"[{_title(hint)}](#{_title(hint).replace(' ', '-')})"
    return "object"


if __name__ == "__main__":
    Path(sys.argv[1] if len(sys.argv) > 1 else "docs/json.md").write_text(page(), encoding="utf-8")
