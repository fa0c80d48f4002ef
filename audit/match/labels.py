"""Labels: codes read in pictures, and camera ids and serials found as whole words in what a photo carries."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import zxingcpp
from numpy.typing import NDArray

from audit.photos.photo import Photo
from audit.plan.model import Site

__all__ = ["LabelHit", "LabelIndex", "label_index", "read_codes", "words"]

#: Turns tried where nothing is read upright: 1-D readers fail on bars turned by more than about 18 degrees.
_TURNS_DEG = (25.0, -25.0, 45.0, -45.0, 65.0)
_SMALL_PX = 900
_SEPARATORS = re.compile(r"[^0-9a-z]+")


def _read(gray: NDArray[np.uint8]) -> list[str]:
    found = []
    for result in zxingcpp.read_barcodes(gray):
        text = result.text.strip() if result.valid else ""
        if text:
            found.append(text)
    return found


def _turned(gray: NDArray[np.uint8], turn_deg: float) -> NDArray[np.uint8]:
    height, width = gray.shape
    matrix = cv2.getRotationMatrix2D((width / 2, height / 2), turn_deg, 1.0)
    cos, sin = abs(matrix[0, 0]), abs(matrix[0, 1])
    new_w, new_h = int(height * sin + width * cos), int(height * cos + width * sin)
    matrix[0, 2] += (new_w - width) / 2
    matrix[1, 2] += (new_h - height) / 2
    turned = cv2.warpAffine(gray, matrix, (new_w, new_h), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(turned, dtype=np.uint8)


def read_codes(pixels: NDArray[np.uint8]) -> tuple[str, ...]:
    """Texts of the QR, Data Matrix and 1-D codes in a picture, each once, in reading order.

    Parameters
    ----------
    pixels : uint8 array (H, W, 3) RGB, or (H, W) grey

    Returns
    -------
    tuple of str
        Empty where nothing can be read. A small picture is tried enlarged, and turned by some tens of degrees
        where nothing is read upright.
    """
    gray = pixels if pixels.ndim == 2 else cv2.cvtColor(np.ascontiguousarray(pixels), cv2.COLOR_RGB2GRAY)
    gray = np.ascontiguousarray(gray, dtype=np.uint8)
    if min(gray.shape) < 8:
        return ()
    found = _read(gray)
    if not found and max(gray.shape) < _SMALL_PX:
        large = cv2.resize(gray, None, fx=2.0, fy=2.0, interpolation=cv2.INTER_CUBIC)
        found = _read(np.asarray(large, dtype=np.uint8))
    if not found:
        scale = min(1.0, 1200.0 / max(gray.shape))
        small = gray if scale == 1.0 else np.asarray(
            cv2.resize(gray, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        for turn_deg in _TURNS_DEG:
            found = _read(_turned(small, turn_deg))
            if found:
                break
    return tuple(dict.fromkeys(found))


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
        ``code``, ``text``, ``serial``, ``name`` or ``folder``.
    """

    cameras: tuple[int, ...]
    text: str
    kind: str
    source: str

    def sentence(self) -> str:
        """What was read and where, for a person."""
        what = f"serial {self.text}" if self.kind == "serial" else f"camera {self.text}"
        where = {
            "code": "read in the label",
            "text": "stands in the photo's text",
            "serial": "is the serial number inside the file",
            "name": "stands in the file name",
            "folder": "stands in the folder's name",
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
        whole = self._joined.get("".join(parts)) if source in ("code", "serial", "text") else None
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
