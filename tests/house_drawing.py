"""Draws ``docs/house.svg`` from the imports: rooms in their layers, an arrow where one room imports another.

    python -m tests.house_drawing

Layers are those of ``pyproject.toml``. An arrow is left out where a longer way of arrows leads to the same room, and so are
those to the single files below the rooms, which stand together as the ground.
"""

from __future__ import annotations

import ast
import sys
import tomllib
from html import escape
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
DRAWING = ROOT / "docs" / "house.svg"
_WIDE, _ROOM_HIGH, _STEP, _TOP, _CHAR = 980, 40, 74, 92, 8.4
_INK, _LINE, _ROOM, _GROUND, _PAPER = "#1f2128", "#5a6372", "#e8f1f8", "#eeeeee", "#ffffff"
#: First layer of single files that every room may use.
_GROUND_FROM = "compute"


def layers() -> list[list[str]]:
    """Rooms by layer, the desk first."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    contract = next(c for c in settings["tool"]["importlinter"]["contracts"] if c.get("containers") == ["audit"])
    return [["ui"], *([room.strip() for room in layer.split("|")] for layer in contract["layers"])]


def imports() -> set[tuple[str, str]]:
    """(room, room that it imports), as the files say."""
    found = set()
    for package in ("audit", "ui"):
        for path in (ROOT / package).rglob("*.py"):
            here = path.relative_to(ROOT).with_suffix("").parts
            room = "ui" if package == "ui" else here[1]
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.ImportFrom) and node.module:
                    names = [node.module, *(f"{node.module}.{alias.name}" for alias in node.names)]
                elif isinstance(node, ast.Import):
                    names = [alias.name for alias in node.names]
                else:
                    continue
                for name in names:
                    parts = name.split(".")
                    if parts[0] == "audit" and len(parts) > 1 and parts[1] != room:
                        found.add((room, parts[1]))
    rooms = {room for layer in layers() for room in layer}
    return {(one, other) for one, other in found if one in rooms and other in rooms}


def reduced(edges: set[tuple[str, str]]) -> set[tuple[str, str]]:
    """Edges without those that a longer way makes needless (the transitive reduction of a graph without circles)."""
    after: dict[str, set[str]] = {}
    for one, other in edges:
        after.setdefault(one, set()).add(other)

    def reaches(one: str, other: str) -> bool:
        return other in after.get(one, ()) or any(reaches(step, other) for step in after.get(one, ()))

    return {(a, b) for a, b in edges if not any(reaches(step, b) for step in after[a] if step != b)}


def purpose(room: str) -> str:
    """The first sentence of a room's docstring."""
    base = ROOT / "ui" if room == "ui" else ROOT / "audit" / room
    path = base / "__init__.py" if base.is_dir() else base.with_suffix(".py")
    text = (ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or "") if path.exists() else ""
    return " ".join(text.partition("\n\n")[0].split())


def drawing() -> str:
    """The whole drawing as SVG; the same imports give the same text."""
    every = layers()
    first = next(row for row, names in enumerate(every) if _GROUND_FROM in names)
    rows, ground = every[:first], [name for names in every[first:] for name in names]
    cut = (len(ground) + 1) // 2
    place: dict[str, tuple[float, float, float]] = {}
    for row, names in enumerate([*rows, ground[:cut], ground[cut:]]):
        wide = [max(92.0, 26 + _CHAR * len(name)) for name in names]
        gap = 46.0 if row < len(rows) else 20.0
        x = (_WIDE - sum(wide) - gap * (len(names) - 1)) / 2
        for name, width in zip(names, wide, strict=True):
            place[name] = (x, _TOP + row * _STEP - (16 if row > len(rows) else 0), width)
            x += width + gap
    level = {name: row for row, names in enumerate(rows) for name in names}
    high = _TOP + (len(rows) + 2) * _STEP - 16
    title = "The rooms of photo-audit: each uses only what stands below it"
    band = _TOP + len(rows) * _STEP - 26
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDE} {high}" role="img" font-family="sans-serif">',
        f"<title>{escape(title)}</title>",
        f'<rect width="{_WIDE}" height="{high}" fill="{_PAPER}"/>',
        '<defs><marker id="tip" viewBox="0 0 8 8" refX="7" refY="4" markerWidth="6" markerHeight="6" orient="auto">'
        f'<path d="M0 0 8 4 0 8z" fill="{_LINE}"/></marker></defs>',
        _words(_WIDE / 2, 34, 19, title, _INK),
        _words(_WIDE / 2, 58, 14, "An arrow is an import, left out where a longer way leads there. Below: files that every "
               "room may use.", _LINE),
        f'<rect x="60" y="{band}" width="{_WIDE - 120}" height="{high - band - 14}" rx="8" fill="{_GROUND}"/>',
    ]  # fmt: skip
    edges = reduced({(one, other) for one, other in imports() if one in level and other in level})
    parts += [_arrow(place[one], place[other], level[other] - level[one]) for one, other in sorted(edges)]
    for name, (x, y, width) in place.items():
        parts.append(
            f'<g><title>{escape(f"{name}: {purpose(name)}")}</title><rect x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" '
            f'height="{_ROOM_HIGH}" rx="6" fill="{_ROOM}" stroke="{_INK}"/>{_words(x + width / 2, y + 25, 15, name, _INK)}</g>'
        )
    return "\n".join([*parts, "</svg>", ""])


def _words(x: float, y: float, size: int, text: str, colour: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="middle" font-size="{size}" fill="{colour}">{escape(text)}</text>'


def _arrow(one: tuple[float, float, float], other: tuple[float, float, float], down: int) -> str:
    """From the lower edge of a room to the upper edge of another; past other rooms in a bow."""
    x0, y0 = one[0] + one[2] / 2, one[1] + _ROOM_HIGH
    x1, y1 = other[0] + other[2] / 2, other[1]
    bow = 0.0 if down == 1 else (1.0 if x1 >= x0 else -1.0) * (70.0 + 24.0 * down)
    path = f"M{x0:.1f} {y0:.1f}C{x0 + bow:.1f} {y0 + 30:.1f} {x1 + bow:.1f} {y1 - 30:.1f} {x1:.1f} {y1:.1f}"
    return f'<path d="{path}" fill="none" stroke="{_LINE}" stroke-width="1.6" marker-end="url(#tip)"/>'


if __name__ == "__main__":
    DRAWING.write_text(drawing(), encoding="utf-8")
    sys.stdout.write(f"{DRAWING}\n")
