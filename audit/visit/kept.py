"""A kept image as a worker gets it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from audit import compute
from audit.logbook import ImageStore
from audit.measure.image import MEASURE_SIDE_PX
from audit.photos.pixels import decode, decode_grey
from audit.visit.run import Run

__all__ = ["KeptImage", "kept_image"]


@dataclass(frozen=True, slots=True)
class KeptImage:
    """Where an image lies, or its bytes where the worker may not reach the place; and its pixels where this run has them still."""

    sha256: str
    place: str
    data: bytes | None = None
    opened: NDArray[np.uint8] | None = field(default=None, compare=False, repr=False)

    def pixels(self, longest_px: int = MEASURE_SIDE_PX) -> NDArray[np.uint8]:
        """At measuring size, or another."""
        if self.opened is not None and longest_px == MEASURE_SIDE_PX:
            return self.opened
        return decode(self._bytes(), longest_px)

    def grey(self) -> NDArray[np.uint8]:
        """Its shades, as large as the camera gave it."""
        return decode_grey(self._bytes())

    def _bytes(self) -> bytes:
        return ImageStore(self.place).get(self.sha256) if self.data is None else self.data


def kept_image(run: Run, sha256: str) -> KeptImage:
    """An image by its place where workers share this machine's files, else with its bytes."""
    images = run.logbook.images
    far = not compute.shares_files(run.executor) and images.folder is not None
    return KeptImage(sha256, images.address, run.logbook.image(sha256) if far else None, run.opened.get(sha256))
