"""Text that is burnt into a picture: the bands along its top and bottom edge are looked through, and their lines read.

Looking through both bands costs a tenth of reading a whole picture, at the size at which pictures are measured anyway; a band
without any steps as dense as letters is left out.
What the lines mean (a name, a clock) is for others to say. The mask that keeps them out of the other measurements is
:mod:`audit.measure.overlay`'s.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.photos.text import TextLine, read_strip

__all__ = ["WRITTEN_METHOD", "read_burned_in"]

#: Changes with the engine, its weights, or how lines are found; what stands after the dash tells it from measurements by a lens.
WRITTEN_METHOD = "burnt2-text"

#: Share of the height that each band has (common practice, no source), and the long side at which it is read.
_BAND, _READ_PX = 0.2, 1280
#: A band holds no text where nowhere this share of a window (columns, rows) has steps of so many shades from column to column but one:
#: of 200 pictures of tests/bench/burnt_in_bench.py every one has 0.41 and more somewhere, walls, skies and roads stay below 0.3.
_STEP, _WINDOW_PX, _LEAST_STEPPED = 40, (36, 9), 0.3
#: A picture smaller than this is a thumbnail whose text can't be read.
_LEAST_PX = 320


def read_burned_in(pixels: NDArray[np.uint8]) -> tuple[TextLine, ...]:
    """Lines of text along the top and the bottom of a picture, from top to bottom; none where nothing is written there.

    Parameters
    ----------
    pixels : uint8 array (H, W, 3) RGB
        At measuring size, or as large as the camera gave it.
    """
    scale = _READ_PX / max(pixels.shape[:2])
    if max(pixels.shape[:2]) < _LEAST_PX:
        return ()
    if scale < 1.0:
        pixels = np.asarray(cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    height = pixels.shape[0]
    deep = round(_BAND * height)
    bands = (pixels[:deep], pixels[height - deep :])
    return tuple(line for band in bands if _may_hold_text(band) for line in read_strip(band))


def _may_hold_text(band: NDArray[np.uint8]) -> bool:
    """Whether a band has hard steps as dense as letters have them: looking costs a hundredth of what the engine takes."""
    grey = np.asarray(cv2.cvtColor(np.ascontiguousarray(band), cv2.COLOR_RGB2GRAY))
    steps = cv2.absdiff(grey[:, 2:], grey[:, :-2]) > _STEP
    return float(cv2.blur(steps.astype(np.float32), _WINDOW_PX).max(initial=0.0)) >= _LEAST_STEPPED
