"""The site's own drawing, turned and cut to the frame in which cameras are drawn, and faded so that they stand out."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from audit.account.pictures import decode_picture, encode_jpeg
from audit.drawings.placing import Drawing
from audit.logbook import DrawingRecord, Logbook

__all__ = ["Underlay", "Window", "cut_out", "underlay_of"]

#: Pixels across a frame: what 178 mm of paper take at 300 dots an inch.
_WIDEST_PX = 2100
#: Share of the drawing's darkness that is left (chosen by eye: lines stay readable, markers stand out).
_LEFT = 0.75
_QUALITY = 82


@dataclass(frozen=True, slots=True)
class Underlay:
    """A drawing as the logbook keeps it.

    Attributes
    ----------
    name : str
        Its file's.
    data : bytes
        PNG or JPEG.
    drawing : Drawing
    """

    name: str
    data: bytes
    drawing: Drawing

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """West, south, east and north in metres."""
        corners = self.drawing.placed.corners(self.drawing.width_px, self.drawing.height_px)
        east, north = [c[0] for c in corners], [c[1] for c in corners]
        return min(east), min(north), max(east), max(north)


@dataclass(frozen=True, slots=True)
class Window:
    """The part of the site that is shown: its upper left corner, and its size; north is up."""

    west_m: float
    north_m: float
    wide_m: float
    high_m: float


def underlay_of(logbook: Logbook, record: DrawingRecord | None) -> Underlay | None:
    """A kept drawing with its picture; None where there is none."""
    if record is None or record.drawing is None:
        return None
    return Underlay(record.name, logbook.image(record.picture_sha256), record.drawing)


@lru_cache(maxsize=16)
def cut_out(under: Underlay, window: Window) -> str:
    """The drawing within a window, as an address that an SVG can hold."""
    picture = decode_picture(under.data, max(under.drawing.width_px, under.drawing.height_px))
    placed = under.drawing.placed
    kept = picture.shape[1] / under.drawing.width_px
    finest = window.wide_m / (placed.metres_per_px / kept)
    width = max(1, round(min(_WIDEST_PX, finest)))
    height = max(1, round(width * window.high_m / window.wide_m))
    metres = window.wide_m / width
    # drawn much smaller than it is: averaged first, so that no line gets lost
    shrunk = int(metres / (placed.metres_per_px / kept))
    if shrunk > 1:
        size = (max(1, picture.shape[1] // shrunk), max(1, picture.shape[0] // shrunk))
        picture = np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        kept = picture.shape[1] / under.drawing.width_px
    corners = np.array([(0, 0), (width - 1, 0), (0, height - 1)], dtype=np.float32)
    there = [
        placed.pixel(window.west_m + (x + 0.5) * metres, window.north_m - (y + 0.5) * metres) for x, y in corners.tolist()
    ]
    source = np.array([((x + 0.5) * kept - 0.5, (y + 0.5) * kept - 0.5) for x, y in there], dtype=np.float32)
    turned = cv2.warpAffine(
        picture, cv2.getAffineTransform(corners, source), (width, height), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT, borderValue=(255, 255, 255),
    )  # fmt: skip
    faded = np.asarray(255 - (255 - turned.astype(np.float32)) * _LEFT, dtype=np.uint8)
    return _address(faded)


def _address(picture: np.ndarray[tuple[int, ...], np.dtype[np.uint8]]) -> str:
    """PNG or JPEG, whichever is smaller."""
    _, png = cv2.imencode(".png", cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_PNG_COMPRESSION, 6])
    jpeg = encode_jpeg(picture, _QUALITY)
    kind, data = ("png", png.tobytes()) if len(png) < len(jpeg) else ("jpeg", jpeg)
    return f"data:image/{kind};base64,{base64.b64encode(data).decode('ascii')}"
