"""Figures that stand in numeric code without a name: a list of them, by file and line.

    python -m tests.house_figures [ROOM...]

A figure is named where a constant or a default holds it, and explained where a comment stands on its line or right above. No
figure needs a name that is no choice: 0 to 4 and a half (counts, squares, middles), whole turns and their parts, units of time
and length, indices, shapes, digits of rounding, masks and bases of bits, and guards of at most a millionth against dividing by 0.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
#: Where numbers decide: matching, measuring, judging, and the plan's geometry.
ROOMS = ("audit/match", "audit/measure", "audit/judge", "audit/lens.py", "audit/frames.py", "audit/plan/optics.py")
_PLAIN = {0, 1, 2, 3, 4, 0.5, 10, 60, 90, 100, 180, 255, 270, 360, 1000, 1024, 3600, 86400, 16, 64, 0xFFFF}
#: Numbers up to this only keep a divisor or a logarithm from 0.
_GUARD = 1e-6
#: Calls whose numbers are digits, lengths or ends of a scale.
_NO_CHOICE = {"round", "range", "arange", "zeros", "ones", "full", "reshape", "linspace", "eye", "astype", "uint64"}


@dataclass(frozen=True, slots=True)
class Figure:
    """A number in a function."""

    file: str
    line: int
    text: str
    code: str


def figures(rooms: tuple[str, ...] = ROOMS) -> Iterator[Figure]:
    """Every unnamed and unexplained figure."""
    for room in rooms:
        place = ROOT / room
        for path in sorted(place.rglob("*.py")) if place.is_dir() else [place]:
            source = path.read_text(encoding="utf-8")
            lines = source.splitlines()
            for node in _numbers(ast.parse(source)):
                here, above = lines[node.lineno - 1], lines[node.lineno - 2].strip()
                if "#" not in here and not above.startswith("#"):
                    yield Figure(str(path.relative_to(ROOT)), node.lineno, repr(node.value), here.strip())


def _numbers(tree: ast.Module) -> Iterator[ast.Constant]:
    for top in ast.walk(tree):
        if isinstance(top, ast.FunctionDef | ast.AsyncFunctionDef):
            for statement in top.body:
                if not isinstance(statement, ast.FunctionDef | ast.AsyncFunctionDef):
                    yield from _in(statement)


def _in(node: ast.AST) -> Iterator[ast.Constant]:
    if isinstance(node, ast.Constant):
        number = node.value
        if isinstance(number, int | float) and not isinstance(number, bool) and number not in _PLAIN and number > _GUARD:
            yield node
        return
    if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Subscript | ast.JoinedStr):
        if isinstance(node, ast.Subscript):
            yield from _in(node.value)
        return
    if isinstance(node, ast.Call):
        name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        if name in _NO_CHOICE:
            return
    for child in ast.iter_child_nodes(node):
        yield from _in(child)


if __name__ == "__main__":
    found = list(figures(tuple(sys.argv[1:]) or ROOMS))
    for figure in found:
        print(f"{figure.file}:{figure.line}: {figure.text:8} {figure.code}")
    print(f"{len(found)} figures without a name")
