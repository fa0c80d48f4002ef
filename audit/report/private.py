"""What leaves the house with less in it: positions out, faces blurred. Originals never change."""

from __future__ import annotations

import hashlib
from io import BytesIO

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageFilter

from audit.photos.pixels import decode

__all__ = ["faces_blurred", "without_position"]

Box = tuple[float, float, float, float]

_SEARCH_SIDE_PX = 640
_QUALITY = 90
_MOST_KNOWN = 10_000
_known: dict[str, tuple[Box, ...]] = {}
"""Faces of pictures by their SHA-256: a package shows a picture up to four times, and the search takes most of its time."""


def without_position(data: bytes) -> bytes:
    """The picture as a JPEG without any metadata."""
    with Image.open(BytesIO(data)) as image:
        clean = Image.fromarray(np.asarray(image.convert("RGB")))
    out = BytesIO()
    clean.save(out, "JPEG", quality=_QUALITY)
    return out.getvalue()


def faces_blurred(data: bytes) -> bytes:
    """The picture as an upright JPEG, faces that the detector finds made unrecognisable.

    Notes
    -----
    scikit-image's frontal face cascade finds faces that look at the camera and are at least about 24 pixels wide at
    640 px; it misses profiles and backs of heads. A person checks before pictures of people leave the house.
    """
    pixels = decode(data, None)
    height, width = pixels.shape[:2]
    image = Image.fromarray(pixels)
    for left, top, right, bottom in _faces(pixels, hashlib.sha256(data).hexdigest()):
        pad = 0.15 * (right - left)
        box = (
            max(0, int(left - pad)), max(0, int(top - pad)), min(width, int(right + pad)), min(height, int(bottom + pad)),
        )  # fmt: skip
        region = image.crop(box)
        image.paste(region.filter(ImageFilter.GaussianBlur(max(6, (box[2] - box[0]) / 5))), box)
    out = BytesIO()
    image.save(out, "JPEG", quality=_QUALITY)
    return out.getvalue()


def _faces(pixels: NDArray[np.uint8], sha256: str) -> tuple[Box, ...]:
    """Left, top, right and bottom of each face that the detector finds, in pixels."""
    found = _known.get(sha256)
    if found is None:
        found = _searched(pixels)
        if len(_known) < _MOST_KNOWN:
            _known[sha256] = found
    return found


def _searched(pixels: NDArray[np.uint8]) -> tuple[Box, ...]:
    from skimage.data import lbp_frontal_face_cascade_filename
    from skimage.feature import Cascade

    scale = min(1.0, _SEARCH_SIDE_PX / max(pixels.shape[:2]))
    small = cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA) if scale < 1 else pixels
    faces = Cascade(lbp_frontal_face_cascade_filename()).detect_multi_scale(
        img=small, scale_factor=1.2, step_ratio=1, min_size=(24, 24), max_size=(320, 320)
    )
    boxes = ((f["c"], f["r"], f["c"] + f["width"], f["r"] + f["height"]) for f in faces)
    return tuple((a / scale, b / scale, c / scale, d / scale) for a, b, c, d in boxes)
