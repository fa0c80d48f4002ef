"""Which colours of one picture are its sky's.

The network knows sky by its look in general; a picture's own sky has few colours. Each pixel's belief counts its
colour for sky or for the rest, and the ratio of the two histograms (Bayes' rule) carries the belief on to pixels of the
same colour that the network was unsure of: grey cloud beside bright cloud, the sky between branches.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["with_colour"]

FloatImage = NDArray[np.float32]

_LIGHT_BINS, _CHROMA_BINS, _CHROMA_STEP = 24, 12, 5
_SMOOTH = (0.25, 0.5, 0.25)
_PRIOR_SHARE = 0.001
"""Pixels, as a share of the picture, that each colour counts with before looking: rare colours say little."""
_SURE, _LEAST_SURE = 0.5, 0.0005
"""Belief of a pixel that is likelier sky than not, and the share of such pixels below which no colour is learned."""
_LARGEST_RATIO = 4.0


def with_colour(picture: NDArray[np.uint8], belief: FloatImage, inside: NDArray[np.bool_]) -> FloatImage:
    """Belief in sky, shape (h, w), updated by how the picture's colours share out between sky and the rest.

    Parameters
    ----------
    picture : ndarray, shape (h, w, 3), uint8
        RGB.
    belief : ndarray, shape (h, w)
        Probability of sky.
    inside : ndarray of bool, shape (h, w)
        Pixels that count.
    """
    if float(((belief > _SURE) & inside).mean()) < _LEAST_SURE:
        return belief
    lab = cv2.cvtColor(picture, cv2.COLOR_RGB2LAB)
    colour = _LIGHT_OF[lab[..., 0]] + _GREEN_RED_OF[lab[..., 1]] + _BLUE_YELLOW_OF[lab[..., 2]]
    bins = _LIGHT_BINS * _CHROMA_BINS**2
    flat = colour.ravel()
    sky = _count(flat, np.where(inside, belief, 0.0).ravel(), bins)
    rest = _smooth(_count(flat, inside.astype(np.float64).ravel(), bins) - sky)
    sky = _smooth(sky)
    before = _PRIOR_SHARE * belief.size
    share = sky.sum() / max(sky.sum() + rest.sum(), 1e-9)
    ratio = np.log((sky + before * share) / (rest + before * (1 - share))) - np.log(share / (1 - share))
    ratio = np.clip(ratio, -_LARGEST_RATIO, _LARGEST_RATIO).astype(np.float32)
    sure = np.clip(belief, 1e-4, 1 - 1e-4)
    return np.asarray(1 / (1 + (1 / sure - 1) * np.exp(-ratio)[colour]), dtype=np.float32)


def _count(colour: NDArray[np.int32], weight: NDArray[np.float64], bins: int) -> NDArray[np.float64]:
    return np.bincount(colour, weights=weight, minlength=bins).astype(np.float64)


def _smooth(histogram: NDArray[np.float64]) -> NDArray[np.float64]:
    """A histogram blurred by one bin along each of its three axes, flat."""
    cube = histogram.reshape(_LIGHT_BINS, _CHROMA_BINS, _CHROMA_BINS)
    kernel = np.array(_SMOOTH)
    flat = np.ascontiguousarray(cube.reshape(_LIGHT_BINS, -1))
    flat = np.asarray(cv2.filter2D(flat, -1, kernel[:, None], borderType=cv2.BORDER_REFLECT))
    planes = flat.reshape(_LIGHT_BINS * _CHROMA_BINS, _CHROMA_BINS)
    planes = np.asarray(cv2.filter2D(planes, -1, kernel[None], borderType=cv2.BORDER_REFLECT))
    turned = planes.reshape(_LIGHT_BINS, _CHROMA_BINS, _CHROMA_BINS).transpose(0, 2, 1).reshape(-1, _CHROMA_BINS)
    turned = np.asarray(cv2.filter2D(np.ascontiguousarray(turned), -1, kernel[None], borderType=cv2.BORDER_REFLECT))
    return turned.reshape(_LIGHT_BINS, _CHROMA_BINS, _CHROMA_BINS).transpose(0, 2, 1).ravel()


def _chroma_bins() -> NDArray[np.int32]:
    value = (np.arange(256) - 128) // _CHROMA_STEP + _CHROMA_BINS // 2
    return np.clip(value, 0, _CHROMA_BINS - 1).astype(np.int32)


_LIGHT_OF = ((np.arange(256) * _LIGHT_BINS // 256) * _CHROMA_BINS**2).astype(np.int32)
_GREEN_RED_OF = _chroma_bins() * _CHROMA_BINS
_BLUE_YELLOW_OF = _chroma_bins()
