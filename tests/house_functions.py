"""Functions that are too long or take too much to be one thought: a list of them, longest first.

    python -m tests.house_functions
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
MOST_LINES, MOST_PARAMETERS = 60, 6


@dataclass(frozen=True, slots=True)
class Function:
    """A function of the product; its lines with its docstring, its parameters without ``self`` and ``cls``."""

    place: str
    lines: int
    parameters: int


def functions(folders: tuple[str, ...] = ("audit", "ui")) -> Iterator[Function]:
    """Every function and method."""
    for folder in folders:
        for path in sorted((ROOT / folder).rglob("*.py")):
            yield from _of(ast.parse(path.read_text(encoding="utf-8")), str(path.relative_to(ROOT).with_suffix("")).replace("/", "."))


def _of(node: ast.AST, place: str) -> Iterator[Function]:
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef):
            yield Function(f"{place}.{child.name}", _lines(child), _parameters(child))
            yield from _of(child, f"{place}.{child.name}")
        elif isinstance(child, ast.ClassDef):
            yield from _of(child, f"{place}.{child.name}")
        else:
            yield from _of(child, place)


def _lines(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    return (function.end_lineno or 0) - function.lineno + 1


def _parameters(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    given = function.args
    names = [a.arg for a in (*given.posonlyargs, *given.args, *given.kwonlyargs)]
    return len([name for name in names if name not in ("self", "cls")])


def too_much() -> list[Function]:
    """Those beyond either bound, longest first."""
    found = [f for f in functions() if f.lines > MOST_LINES or f.parameters > MOST_PARAMETERS]
    return sorted(found, key=lambda f: (-f.lines, -f.parameters, f.place))


if __name__ == "__main__":
    for function in too_much():
        print(f"{function.lines:4} lines {function.parameters:2} parameters  {function.place}")
