"""What leaves the house with less in it: positions out, faces blurred. Originals never change."""

from __future__ import annotations

from io import BytesIO

import cv2
import numpy as np
from PIL import Image, ImageFilter

from audit.photos.pixels import decode

__all__ = ["faces_blurred", "without_position"]

_SEARCH_SIDE_PX = 640
_QUALITY = 90


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
    from skimage.data import lbp_frontal_face_cascade_filename
    from skimage.feature import Cascade

    pixels = decode(data, None)
    height, width = pixels.shape[:2]
    scale = min(1.0, _SEARCH_SIDE_PX / max(height, width))
    small = cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA) if scale < 1 else pixels
    found = Cascade(lbp_frontal_face_cascade_filename()).detect_multi_scale(
        img=small, scale_factor=1.2, step_ratio=1, min_size=(24, 24), max_size=(320, 320)
    )
    image = Image.fromarray(pixels)
    for face in found:
        left, top = face["c"] / scale, face["r"] / scale
        right, bottom = left + face["width"] / scale, top + face["height"] / scale
        pad = 0.15 * (right - left)
        box = (
            max(0, int(left - pad)), max(0, int(top - pad)), min(width, int(right + pad)), min(height, int(bottom + pad)),
        )  # fmt: skip
        region = image.crop(box)
        image.paste(region.filter(ImageFilter.GaussianBlur(max(6, (box[2] - box[0]) / 5))), box)
    out = BytesIO()
    image.save(out, "JPEG", quality=_QUALITY)
    return out.getvalue()
