"""Where names are written in a drawing: none on another, on a shape or beyond the edge; far ones with a line to their shape."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

__all__ = ["Box", "Label", "Wanted", "place_labels"]

Box = tuple[float, float, float, float]
#: Share of the letters' size that letters are wide: narrow, middling, capitals and digits, others (DejaVu Sans, rounded up).
_WIDTHS = {**dict.fromkeys("ijl.,:;'| I()-", 0.38), **dict.fromkeys("rtfsckvxyz", 0.56), **dict.fromkeys("mwMW@", 1.0)}
_CAPITAL, _OTHER = 0.68, 0.64
#: Share of it that a line stands above and below its base.
_ABOVE, _BELOW = 0.78, 0.24
#: Between a shape and its name, pixels; how far rings of places lie apart, in letters; how many rings are tried.
_GAP_PX, _RING_LETTERS, _RINGS = 4.0, 0.9, 7
_CELL_PX = 40.0


@dataclass(frozen=True, slots=True)
class Wanted:
    """A name beside a shape: the shape's middle and half its size, pixels."""

    text: str
    x: float
    y: float
    half_px: float


@dataclass(frozen=True, slots=True)
class Label:
    """Where a name stands: the end of its base line that is next to its shape, the right one where it stands ``left`` of it; ``line``
    from its shape where it stands apart (x, y, x, y), else None."""

    x: float
    y: float
    left: bool
    line: Box | None


class _Taken:
    """Boxes that are taken, found by cells."""

    def __init__(self, boxes: Iterable[Box]) -> None:
        self._cells: dict[tuple[int, int], list[Box]] = {}
        for box in boxes:
            self.add(box)

    def add(self, box: Box) -> None:
        for cell in _cells(box):
            self._cells.setdefault(cell, []).append(box)

    def free(self, box: Box) -> bool:
        return not any(_meet(box, other) for cell in _cells(box) for other in self._cells.get(cell, ()))


def place_labels(wanted: Sequence[Wanted], taken: Iterable[Box], letters_px: float, size_px: tuple[float, float]) -> list[Label | None]:
    """A place for each name in turn, the first ones nearest; None where all places about it are taken.

    Parameters
    ----------
    wanted : sequence of Wanted
        The most important first.
    taken : iterable of (left, top, right, bottom)
        What no name may lie on.
    letters_px : float
        Font size.
    size_px : (width, height)
    """
    boxes = _Taken(taken)
    placed: list[Label | None] = []
    for one in wanted:
        wide = letters_px * sum(_WIDTHS.get(c, _CAPITAL if c.isupper() or c.isdigit() else _OTHER) for c in one.text)
        found = None
        for ring, x, y in _places(one, wide, letters_px):
            box = (x - 1, y - _ABOVE * letters_px, x + wide + 1, y + _BELOW * letters_px)
            if box[0] >= 0 and box[1] >= 0 and box[2] <= size_px[0] and box[3] <= size_px[1] and boxes.free(box):
                boxes.add(box)
                left = x + wide <= one.x
                found = Label(x + wide if left else x, y, left, _line(one, box) if ring else None)
                break
        placed.append(found)
    return placed


def _places(one: Wanted, wide: float, letters_px: float) -> Iterator[tuple[int, float, float]]:
    """Rings of places about a shape: right, left, below, above, and between."""
    for ring in range(_RINGS):
        off = one.half_px + _GAP_PX + ring * _RING_LETTERS * letters_px
        right, left, middle = one.x + off, one.x - off - wide, one.x - wide / 2
        level = one.y + 0.33 * letters_px
        below, above = one.y + off + _ABOVE * letters_px, one.y - off - _BELOW * letters_px
        yield ring, right, level
        yield ring, left, level
        for y in (below, above):
            yield from ((ring, x, y) for x in (middle, one.x + 0.5 * off, one.x - 0.5 * off - wide))
        for y in (level + 0.6 * off, level - 0.6 * off):
            yield from ((ring, x, y) for x in (right, left))


def _line(one: Wanted, box: Box) -> Box:
    """From the shape's edge to the nearest point of its name."""
    x, y = min(max(one.x, box[0]), box[2]), min(max(one.y, box[1]), box[3])
    far = max(1e-9, ((x - one.x) ** 2 + (y - one.y) ** 2) ** 0.5)
    share = min(1.0, one.half_px / far)
    return one.x + share * (x - one.x), one.y + share * (y - one.y), x, y


def _cells(box: Box) -> Iterator[tuple[int, int]]:
    for across in range(int(box[0] // _CELL_PX), int(box[2] // _CELL_PX) + 1):
        for down in range(int(box[1] // _CELL_PX), int(box[3] // _CELL_PX) + 1):
            yield across, down


def _meet(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]
