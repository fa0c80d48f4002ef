"""Printed text in pictures: believed only where it can mean one camera of the plan alone."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.extras import has, how_to_get
from audit.match.placement import Placement
from audit.match.roles import of_a_phone
from audit.match.shots import KINDS
from audit.photos.photo import Photo
from audit.photos.text import TextLine, find_text, legible, read_boxes
from audit.plan.model import Site

__all__ = ["READ_SIDE_PX", "TEXT_METHOD", "IdReader", "Ids", "id_reader", "ids_of", "left_open", "may_hold_print", "read_label", "to_read", "unread_sentence"]

#: Changes with the engine, its weights, or how pictures are given to it.
TEXT_METHOD = "text-3"
#: Longest side at which a photo is decoded to be read: a phone's own size.
READ_SIDE_PX = 4608
#: A smaller picture is a thumbnail, in which no label can be read (our default).
LEAST_SIDE_PX = 480
Pixels = NDArray[np.uint8]

#: Long side at which text is looked for in a whole picture, and, where that was not enough, in its middle; a picture that is not so much
#: larger is looked through whole again.
_WHOLE_PX, _PART_PX, _LARGE = 960, 1280, 1.8
#: From this score a line stands upright and needs no turning over.
_READS_WELL = 0.9
#: The middle of a label photo that is looked through at a larger scale, share of each side (common practice, no source: labels are framed).
_MIDDLE = 0.55
#: From here a line's own id counts, and one with confused characters counts (the engine's score; on 400 made labels no id
#: read at or above these was wrong).
_SURE, _SURE_CONFUSED = 0.85, 0.92
#: Ids shorter than this are too easily a part of something else that is printed.
_SHORTEST, _SHORTEST_CONFUSED = 3, 5
#: Probability of showing a label below which a phone's photo is not read (of 85 photos that are none, drawn by another hand or real,
#: 4 lay above; of 24 labels the least was 0.3).
_MAY_BE_LABEL = 0.02
#: Words that stand together as one id at most.
_MOST_WORDS = 4
_SEPARATORS = re.compile(r"[\W_]+")
#: Characters that print and blur take for each other (common practice, no source), each set as its first one.
_CONFUSED = str.maketrans("OQDILSBZG", "000115826")


def read_label(pixels: Pixels, ids: IdReader) -> tuple[TextLine, ...]:
    """The lines of a whole picture; where no id is in them, those of its middle at a larger scale as well.

    Places with text are looked for at a small size, which is most of the time, and read at the size that the picture has.

    Parameters
    ----------
    pixels : uint8 array (H, W, 3) RGB
        As large as it came, within reason: small print is lost when a picture is made smaller.
    """
    whole = _lines(pixels, _WHOLE_PX, ids)
    side_px = max(pixels.shape[:2])
    if ids.cameras(whole) or side_px <= _WHOLE_PX:
        return whole
    part = _middle(pixels) if side_px > _LARGE * _WHOLE_PX else pixels
    return (*whole, *_lines(part, _PART_PX, ids))


def _lines(pixels: Pixels, side_px: int, ids: IdReader) -> tuple[TextLine, ...]:
    """Lines found at a size; what reads badly and names none is turned over, which tells what stands on its head or runs upwards."""
    small = _within(pixels, side_px)
    boxes = find_text(small) * np.float32(max(pixels.shape[:2]) / max(small.shape[:2]))
    upright = read_boxes(pixels, boxes)
    lines = legible(upright)
    doubtful = np.array([line.score < _READS_WELL for line in upright], dtype=bool)
    if ids.cameras(lines) or not doubtful.any():
        return lines
    turned = legible(read_boxes(pixels, boxes[doubtful], turned=True))
    return (*lines, *turned) if ids.cameras(turned) else lines


def _within(pixels: Pixels, side_px: int) -> Pixels:
    scale = side_px / max(pixels.shape[:2])
    if scale >= 1.0:
        return pixels
    return np.asarray(cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _middle(pixels: Pixels) -> Pixels:
    height, width = pixels.shape[:2]
    top, left = int(height * (1 - _MIDDLE) / 2), int(width * (1 - _MIDDLE) / 2)
    return pixels[top : height - top, left : width - left]


class IdReader:
    """Finds ids and serials of a plan in lines of text, and says nothing where they could be another's.

    Parameters
    ----------
    ids : sequence of (id, serial)
        Of each camera of the plan; the serial may be None.
    """

    def __init__(self, ids: Sequence[tuple[str, str | None]]) -> None:
        self._exact: dict[str, set[int]] = {}
        self._like: dict[str, set[int]] = {}
        self._written: dict[tuple[str, int], str] = {}
        self._names = [camera for camera, _ in ids]
        for index, texts in enumerate(ids):
            for text in texts:
                key = _joined(text or "")
                if _tells(key):
                    self._exact.setdefault(key, set()).add(index)
                    self._like.setdefault(key.translate(_CONFUSED), set()).add(index)
                    self._written[key, index] = text or ""

    def cameras(self, lines: Iterable[TextLine]) -> tuple[str, ...]:
        """Ids of the cameras that the lines name; more than one where two are in the picture."""
        return tuple(self._names[index] for index in self._found(lines))

    def told(self, lines: Iterable[TextLine]) -> str | None:
        """The id or serial, as the plan writes it, of the one camera that the lines name; None where none or several."""
        found = self._found(lines)
        return next(iter(found.values())) if len(found) == 1 else None

    def _found(self, lines: Iterable[TextLine]) -> dict[int, str]:
        """Camera by index with what names it."""
        named: dict[int, str] = {}
        for line in lines:
            for key in _windows(line.text):
                for index, written in self._named(key, line.score):
                    named.setdefault(index, written)
        return named

    def _named(self, key: str, score: float) -> Iterator[tuple[int, str]]:
        exact = self._exact.get(key)
        if exact is not None:
            if score >= _SURE and len(exact) == 1:
                (index,) = exact
                yield index, self._written[key, index]
            return
        like = self._like.get(key.translate(_CONFUSED))
        if like is not None and len(like) == 1 and score >= _SURE_CONFUSED and len(key) >= _SHORTEST_CONFUSED:
            (index,) = like
            wanted = next(k for (k, i) in self._written if i == index and k.translate(_CONFUSED) == key.translate(_CONFUSED))
            yield index, self._written[wanted, index]


def _joined(text: str) -> str:
    return _SEPARATORS.sub("", text).upper()


def _tells(key: str) -> bool:
    """Whether an id is not too short or too plain to be told from whatever else is printed."""
    digits = sum(c.isdigit() for c in key)
    # a bare number must be longer: dates, hours and sizes are printed everywhere
    return len(key) >= _SHORTEST and digits > 0 and (digits < len(key) or len(key) >= 5)


def _windows(text: str) -> Iterator[str]:
    """Runs of words of a line, joined; the whole line too."""
    parts = [part for part in _SEPARATORS.split(text.upper()) if part]
    seen = set()
    for start in range(len(parts)):
        for end in range(start + 1, min(start + _MOST_WORDS, len(parts)) + 1):
            seen.add("".join(parts[start:end]))
    yield from sorted(seen, key=len, reverse=True)


def left_open(photo: Photo, placement: Placement) -> bool:
    """Whether a photo is worth a second look: nothing has placed it, no code or board was in it, and it is no thumbnail."""
    told = photo.codes or photo.boards
    return placement.decision != "placed" and not told and max(photo.width_px, photo.height_px) >= LEAST_SIDE_PX


def may_hold_print(photo: Photo) -> bool:
    """Whether a photo looks at all like a label: reading takes a hundred times as long as the look that spares it."""
    return not photo.shows or photo.shows[KINDS.index("label")] >= _MAY_BE_LABEL


def to_read(photo: Photo, placement: Placement) -> bool:
    """Whether a photo is read at all: it is left open, and may be a label or a camera's own picture."""
    return left_open(photo, placement) and (may_hold_print(photo) or not of_a_phone(photo))


def unread_sentence(count: int, snapshots: int = 0, unread: int = 0) -> str | None:
    """What to say of photos that :func:`to_read` names, and of cameras' own pictures that were placed without, where the engine is not
    installed, and of the ``unread`` of those photos that it has not read where it is; None where there are none."""
    installed = has("reading")
    count, snapshots = (unread, 0) if installed else (count, snapshots)
    if count + snapshots == 0:
        return None
    photos = "1 photo that nothing else places was" if count == 1 else f"{count} photos that nothing else places were"
    if installed:
        return f"{photos} not read for printed ids: the time for reading ran out, or the reader failed; run the visit again to go on."
    print_ = [f"{photos} not read for printed ids"] if count else []
    burnt = [f"names and clocks burnt into {snapshots} snapshot{'' if snapshots == 1 else 's'} were not read"] if snapshots else []
    told = "; ".join((*print_, *burnt))
    return f"{told[0].upper()}{told[1:]}; install the reader with: {how_to_get('reading')}."


Ids = tuple[tuple[str, str | None], ...]


def ids_of(site: Site) -> Ids:
    """What :func:`id_reader` needs of a plan."""
    return tuple((camera.camera, camera.serial) for camera in site.cameras)


@lru_cache(maxsize=2)
def id_reader(ids: Ids) -> IdReader:
    """The reader of a plan's ids; the last ones are kept."""
    return IdReader(ids)

