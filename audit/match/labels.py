"""Labels: codes read in pictures, and camera ids and serials found as whole words in what a photo carries."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import zxingcpp
from numpy.typing import NDArray

from audit.match.placement import READ_IN_IT
from audit.photos.photo import Photo
from audit.plan.model import Site

__all__ = ["LabelHit", "LabelIndex", "label_index", "read_codes", "words"]

#: Turns at which Data Matrix codes are tried again: their reader starts from lines near the upright.
_TURNS_DEG = (30.0, -30.0)
_SMALL_PX = 900
_TURNED_PX = 1280
#: Where bars are looked for: cells of the picture, how much of their gradient runs one way, its strength (Sobel 3 x 3,
#: squared), how many cells a code covers, and how many places are tried.
_CELL_PX = 8
_LEAST_COHERENCE = 0.75
_LEAST_ENERGY = 3000.0
_LEAST_CELLS = 6
_MOST_PLACES = 4
Pixels = NDArray[np.uint8]
_SEPARATORS = re.compile(r"[^0-9a-z]+")


def _read(gray: Pixels, formats: zxingcpp.BarcodeFormat | None = None) -> list[str]:
    """Texts of the codes in a picture: of all kinds in any quarter turn, or of one kind as it stands."""
    results = (
        zxingcpp.read_barcodes(gray)
        if formats is None
        else zxingcpp.read_barcodes(gray, formats, try_rotate=False, try_downscale=False, try_invert=False)
    )
    texts = (result.text.strip() for result in results if result.valid)
    return [text for text in texts if text]


def _turned(gray: Pixels, turn_deg: float) -> Pixels:
    height, width = gray.shape
    matrix = cv2.getRotationMatrix2D((width / 2, height / 2), turn_deg, 1.0)
    cos, sin = abs(matrix[0, 0]), abs(matrix[0, 1])
    new_w, new_h = int(height * sin + width * cos), int(height * cos + width * sin)
    matrix[0, 2] += (new_w - width) / 2
    matrix[1, 2] += (new_h - height) / 2
    turned = cv2.warpAffine(gray, matrix, (new_w, new_h), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(turned, dtype=np.uint8)


def _barred(gray: Pixels) -> Iterator[Pixels]:
    """Places full of parallel lines, cut out so that the lines stand upright, the strongest first.

    A reader of 1-D codes fails on bars turned by more than about 18 degrees. The structure tensor of the gradient,
    summed over cells, tells where all edges run one way, and which way.
    """
    columns, rows = gray.shape[1] // _CELL_PX, gray.shape[0] // _CELL_PX
    if min(columns, rows) < 3:
        return

    def summed(product: NDArray[np.float32]) -> NDArray[np.float32]:
        cells = cv2.resize(product, (columns, rows), interpolation=cv2.INTER_AREA)
        # cells either side: bars of one code share their direction over some cells (chosen)
        return np.asarray(cv2.blur(cells, (5, 5)), dtype=np.float32)

    whole = gray[: rows * _CELL_PX, : columns * _CELL_PX]
    right, down = (cv2.Sobel(whole, cv2.CV_16S, *order).astype(np.float32) for order in ((1, 0), (0, 1)))
    xx, yy, xy = summed(right * right), summed(down * down), summed(right * down)
    across = np.hypot(xx - yy, 2 * xy)
    lined = (across > _LEAST_COHERENCE * (xx + yy)) & (xx + yy > _LEAST_ENERGY)
    count, parts = cv2.connectedComponents(lined.astype(np.uint8))
    strength = np.bincount(parts.ravel(), across.ravel(), minlength=count)
    for part in 1 + np.argsort(-strength[1:])[:_MOST_PLACES]:
        inside = parts == part
        if int(inside.sum()) < _LEAST_CELLS:
            continue
        turn = 0.5 * float(np.arctan2(2 * xy[inside].sum(), (xx - yy)[inside].sum()))
        ahead, aside = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
        centres = (np.argwhere(inside)[:, ::-1] + 0.5) * _CELL_PX
        lengths, heights = centres @ ahead, centres @ aside
        # seven cells of quiet zone on either side of the bars, two above and below (GS1 asks for ten modules, some cells)
        size = (int(np.ptp(lengths)) + 14 * _CELL_PX, int(np.ptp(heights)) + 4 * _CELL_PX)
        middle = (lengths.max() + lengths.min()) / 2 * ahead + (heights.max() + heights.min()) / 2 * aside
        matrix = cv2.getRotationMatrix2D((float(middle[0]), float(middle[1])), float(np.degrees(turn)), 1.0)
        matrix[:, 2] += np.array(size) / 2 - middle
        cut = cv2.warpAffine(gray, matrix, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        yield np.asarray(cut, dtype=np.uint8)


def read_codes(pixels: Pixels) -> tuple[str, ...]:
    """Texts of the QR, Data Matrix and 1-D codes in a picture, each once, in reading order.

    Parameters
    ----------
    pixels : uint8 array (H, W, 3) RGB, or (H, W) grey

    Returns
    -------
    tuple of str
        Empty where nothing can be read. A small picture is tried enlarged; where nothing is read upright, places
        full of parallel bars are set upright and read, then the picture is turned for Data Matrix codes.
    """
    gray = pixels if pixels.ndim == 2 else cv2.cvtColor(np.ascontiguousarray(pixels), cv2.COLOR_RGB2GRAY)
    gray = np.ascontiguousarray(gray, dtype=np.uint8)
    # no code has fewer modules than this (QR 21, Data Matrix 8)
    if min(gray.shape) < 8:
        return ()
    return next((tuple(dict.fromkeys(found)) for found in _tries(gray) if found), ())


def _tries(gray: Pixels) -> Iterator[list[str]]:
    """What each way of reading finds, the cheapest first."""
    yield _read(gray)
    if max(gray.shape) < _SMALL_PX:
        large = cv2.resize(gray, None, fx=2.0, fy=2.0, interpolation=cv2.INTER_CUBIC)
        yield _read(np.asarray(large, dtype=np.uint8))
    for place in _barred(gray):
        yield _read(place, zxingcpp.BarcodeFormat.AllLinear)
    scale = min(1.0, _TURNED_PX / max(gray.shape))
    small = gray
    if scale < 1.0:
        small = np.asarray(cv2.resize(gray, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    for turn_deg in _TURNS_DEG:
        yield _read(_turned(small, turn_deg), zxingcpp.BarcodeFormat.DataMatrix)


def words(text: str) -> tuple[str, ...]:
    """Lower-case runs of letters and digits of a text; everything else separates.

    Examples
    --------
    >>> words("Visit/TH-10_overview.jpg")
    ('visit', 'th', '10', 'overview', 'jpg')
    """
    return tuple(word for word in _SEPARATORS.split(text.lower()) if word)


def _is_plain(word: str) -> bool:
    """Whether a word is too common to name a camera inside a longer text: one letter, or a short number."""
    # shorter words and numbers stand in too many names (chosen)
    return len(word) < 2 or word.isalpha() and len(word) < 4 or word.isdigit() and len(word) < 5


@dataclass(frozen=True, slots=True)
class LabelHit:
    """A camera id or serial found in something that a photo carries.

    Attributes
    ----------
    cameras : tuple of int
        Indices into ``site.cameras``; more than one where the same serial is planned twice.
    text : str
        The id or serial as the plan writes it.
    kind : str
        ``serial`` or ``camera``.
    source : str
        ``code``, ``board``, ``picture``, ``text``, ``serial``, ``name`` or ``folder``.
    """

    cameras: tuple[int, ...]
    text: str
    kind: str
    source: str

    def sentence(self) -> str:
        """What was read and where, for a person."""
        what = f"serial {self.text}" if self.kind == "serial" else f"camera {self.text}"
        where = {
            **READ_IN_IT,
            "text": "found in the photo's text",
            "serial": "is the serial number inside the file",
            "name": "found in the file name",
            "folder": "found in the folder's name",
        }[self.source]
        also = f" (planned for {len(self.cameras)} cameras)" if len(self.cameras) > 1 else ""
        return f"{what} {where}{also}"


class LabelIndex:
    """Finds camera ids and serials as whole words, whatever the case and separators.

    ``TH-1`` is found in ``th_1 overview`` but not in ``TH-10``. An id that is a short number or a short plain word
    (``7``, ``bay``) counts only where it is the whole text. Leading words such as ``S/N`` in the plan's serial don't matter.

    Parameters
    ----------
    site : Site
    """

    def __init__(self, site: Site) -> None:
        self._words: dict[tuple[str, ...], tuple[str, str, list[int]]] = {}
        self._joined: dict[str, tuple[str, str, list[int]]] = {}
        for index, camera in enumerate(site.cameras):
            self._add(camera.camera, "camera", index)
            if camera.serial:
                serial = re.sub(r"(?i)^\s*s\s*/?\s*n\s*[:.]?\s+", "", camera.serial)
                self._add(serial, "serial", index)
        self._longest = max((len(key) for key in self._words), default=0)

    def _add(self, text: str, kind: str, index: int) -> None:
        key = words(text)
        if not key:
            return
        for known in (self._words.setdefault(key, (text, kind, [])),
                      self._joined.setdefault("".join(key), (text, kind, []))):
            if index not in known[2]:
                known[2].append(index)

    def _find(self, text: str, source: str) -> Iterable[LabelHit]:
        parts = words(text)
        whole = self._joined.get("".join(parts)) if source in ("code", "board", "picture", "serial", "text") else None
        if whole is not None:
            yield LabelHit(tuple(whole[2]), whole[0], whole[1], source)
            return
        start = 0
        while start < len(parts):
            for length in range(min(self._longest, len(parts) - start), 0, -1):
                key = parts[start : start + length]
                entry = self._words.get(key)
                if entry is None and length == 1:
                    entry = self._joined.get(key[0])
                if entry is not None and not _is_plain("".join(key)):
                    yield LabelHit(tuple(entry[2]), entry[0], entry[1], source)
                    start += length - 1
                    break
            start += 1

    def hits(self, photo: Photo) -> tuple[LabelHit, ...]:
        """All ids and serials found with a photo, the surest source first."""
        folder, _, file_name = photo.name.rpartition("/")
        stem = file_name.rsplit(".", 1)[0]
        meta = photo.metadata
        sources: Sequence[tuple[str, str | None]] = (
            *((code, "code") for code in photo.codes),
            *((name, "board") for name in photo.boards),
            *((name, "picture") for name in photo.written),
            (meta.serial or "", "serial"),
            (meta.text or "", "text"),
            (stem, "name"),
            *((part, "folder") for part in reversed(folder.split("/")) if part),
        )
        found: dict[tuple[tuple[int, ...], str], LabelHit] = {}
        for text, source in sources:
            for hit in self._find(text, str(source)) if text else ():
                found.setdefault((hit.cameras, "folder" if source == "folder" else "photo"), hit)
        return tuple(found.values())


#: The index made last with its site, told apart by identity: comparing two plans costs as much as indexing one.
_kept: list[tuple[Site, LabelIndex]] = []


def label_index(site: Site) -> LabelIndex:
    """The index of a site; the last one is kept, as a visit asks for the same one at every step."""
    for known, index in _kept:
        if known is site:
            return index
    index = LabelIndex(site)
    _kept[:] = [(site, index)]
    return index
