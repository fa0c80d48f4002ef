"""One look at a photo: a small network's numbers, and linear heads that say how likely each kind of shot is and what is on a bracket.

The network is part of one trained on photographs of all sorts of things, not trained further; the heads were trained on drawn pictures and
free photographs. ``weights/CARD.md`` says how, and how often it is right.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from io import BytesIO

import cv2
import numpy as np
import onnxruntime
from numpy.typing import NDArray

from audit.match.shots import Shows

__all__ = ["look_at", "looks"]

Pixels = NDArray[np.uint8]
FloatArray = NDArray[np.float64]

#: Pixels that the network looks at, and what its sides divide by.
_AREA_PX, _MULTIPLE_PX = 288 * 224, 32
#: A flatter picture than this is cut to it: its sides would leave nothing to look at.
_FLATTEST = 3.0


@cache
def _session() -> onnxruntime.InferenceSession:
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    options.log_severity_level = 3
    weights = files("audit.match").joinpath("weights", "shots.onnx").read_bytes()
    return onnxruntime.InferenceSession(weights, options, providers=["CPUExecutionProvider"])


@cache
def _head(name: str) -> Mapping[str, FloatArray]:
    """``mean`` and ``scale`` (608,) of the network's numbers, ``weight`` (n, 608) and ``bias`` (n,) of what a head tells."""
    with np.load(BytesIO(files("audit.match").joinpath("weights", name).read_bytes())) as kept:
        return {key: kept[key].astype(np.float64) for key in kept.files}


def looks(pixels: Pixels) -> FloatArray:
    """What the network makes of a picture, (608,)."""
    height, width = pixels.shape[:2]
    high, wide = min(height, int(_FLATTEST * width)), min(width, int(_FLATTEST * height))
    top, left = (height - high) // 2, (width - wide) // 2
    part = pixels[top : top + high, left : left + wide]
    scale = math.sqrt(_AREA_PX / (high * wide))
    size = [max(_MULTIPLE_PX, round(side * scale / _MULTIPLE_PX) * _MULTIPLE_PX) for side in (wide, high)]
    small = cv2.resize(part, size, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR)
    (found,) = _session().run(None, {"pixels": small[None]})
    return np.asarray(found[0], dtype=np.float64)


def look_at(pixels: Pixels) -> Shows:
    """Look at a photo.

    Parameters
    ----------
    pixels : uint8 array (H, W, 3) RGB
        Upright, any size: a preview is as good as the photo.
    """
    seen = looks(pixels)
    return Shows(_told("shots_head.npz", seen), _told("bodies_head.npz", seen))


def _told(head_name: str, seen: FloatArray) -> tuple[float, ...]:
    """Probabilities by one head."""
    head = _head(head_name)
    score = head["weight"] @ ((seen - head["mean"]) / head["scale"]) + head["bias"]
    share = np.exp(score - score.max())
    return tuple(round(float(p), 4) for p in share / share.sum())
