"""A camera's own pictures at measuring size, kept from reading to the steps that look at them again: unpacking one takes as long as
half a full decode, and most are asked for twice more in the same run."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["OpenedPictures"]

#: Memory that they may take (chosen: 36 pictures of 1280 x 960; of a larger visit the first ones are kept, the others unpacked again).
MOST_BYTES = 128 << 20


class OpenedPictures:
    """``uint8`` RGB arrays (H, W, 3) by the hash of their file; nothing is kept beyond the limit."""

    def __init__(self, most_bytes: int = MOST_BYTES) -> None:
        self._left = most_bytes
        self._pixels: dict[str, NDArray[np.uint8]] = {}

    def put(self, sha256: str, pixels: NDArray[np.uint8]) -> None:
        """Keep a picture where there is room for it; nobody may write into it from then on."""
        if sha256 not in self._pixels and pixels.nbytes <= self._left:
            pixels.setflags(write=False)
            self._pixels[sha256] = pixels
            self._left -= pixels.nbytes

    def get(self, sha256: str) -> NDArray[np.uint8] | None:
        """The picture, or None where it was not kept."""
        return self._pixels.get(sha256)
