"""Straight edges of an image as arcs of great circles.

A straight edge in the world, seen through any lens of the contract, lies in a plane through the camera's centre;
the plane's normal is all that the direction cues need. Segments are found in pixels and handed on as rays.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.lens import Lens
from audit.measure.overlay import Overlay

__all__ = ["Arcs", "arcs", "find_segments", "grey", "of_the_scene"]

FloatArray = NDArray[np.float64]

DETECT_WIDTH_PX = 840
"""Long side at which segments are sought; finer costs time and adds mostly texture."""

SHORTEST_PX = 15.0
"""Shortest segment kept, in pixels at the size of detection."""

_SAMPLES, _DRAWN_SHARE = 9, 0.2
_SIDE, _PARALLEL = 0.012, 0.01
"""How close to a side, by the longer one, and how parallel to it an edge of the picture itself runs."""

MOST_SEGMENTS = 500
"""Longest segments kept; the rest are texture."""


@dataclass(frozen=True, slots=True)
class Arcs:
    """Segments as arcs on the viewing sphere, longest first.

    Attributes
    ----------
    normal : ndarray, shape (N, 3)
        Unit normal of the plane through the camera's centre and the segment.
    middle : ndarray, shape (N, 3)
        Unit ray to the segment's middle.
    length_px : ndarray, shape (N,)
        Length in pixels at the size of detection.
    sd_rad : ndarray, shape (N,)
        One standard deviation of the arc's direction at its middle.
    segments_px : ndarray, shape (N, 4)
        x1 y1 x2 y2 in pixels of the image given.
    """

    normal: FloatArray
    middle: FloatArray
    length_px: FloatArray
    sd_rad: FloatArray
    segments_px: FloatArray

    def __len__(self) -> int:
        return int(self.normal.shape[0])

    def longest(self, most: int) -> Arcs:
        """The longest ``most`` of them."""
        if len(self) <= most:
            return self
        return Arcs(self.normal[:most], self.middle[:most], self.length_px[:most], self.sd_rad[:most],
                    self.segments_px[:most])


def grey(pixels: NDArray[np.generic]) -> NDArray[np.uint8]:
    """An ``uint8`` grey image from RGB, RGBA or grey of 8 or 16 bits or floats in 0..1."""
    image = np.asarray(pixels)
    if image.dtype == np.uint16:
        image = (image >> 8).astype(np.uint8)
    elif image.dtype == np.bool_:
        image = image.astype(np.uint8) * 255
    elif image.dtype != np.uint8:
        values = np.nan_to_num(image.astype(np.float64), nan=0.0, posinf=0.0, neginf=0.0)
        top = 255.0 if values.size == 0 or values.max() > 1.0 else 1.0
        image = (np.clip(values / top, 0.0, 1.0) * 255).astype(np.uint8)
    if image.ndim == 3 and image.shape[2] in (3, 4):
        return np.asarray(cv2.cvtColor(np.ascontiguousarray(image[..., :3]), cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    if image.ndim == 3:
        image = image[..., 0]
    return np.ascontiguousarray(image, dtype=np.uint8)


def find_segments(pixels: NDArray[np.generic]) -> tuple[FloatArray, float]:
    """Straight edge segments, longest first.

    Parameters
    ----------
    pixels : ndarray, shape (H, W) or (H, W, 3)
        Image; RGB order, any of the types that :func:`grey` takes.

    Returns
    -------
    segments_px : ndarray, shape (N, 4)
        x1 y1 x2 y2 in pixels of ``pixels`` (pixel centres at whole numbers).
    scale : float
        Detection size over image size.
    """
    image = grey(pixels)
    height, width = image.shape
    if min(height, width) < 16:
        return np.zeros((0, 4)), 1.0
    scale = min(1.0, DETECT_WIDTH_PX / max(height, width))
    if scale < 1.0:
        # never so small that no line fits
        size = (max(8, round(width * scale)), max(8, round(height * scale)))
        image = np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    # the detector's own scale (von Gioi et al. 2012)
    found = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD, 0.8).detect(image)[0]
    if found is None:
        return np.zeros((0, 4)), scale
    lines = np.asarray(found, dtype=np.float64).reshape(-1, 4)
    length = np.hypot(lines[:, 2] - lines[:, 0], lines[:, 3] - lines[:, 1])
    order = np.argsort(-length, kind="stable")[:MOST_SEGMENTS]
    lines = lines[order[length[order] >= SHORTEST_PX]]
    steps = np.array([width / image.shape[1], height / image.shape[0]] * 2)
    return (lines + 0.5) * steps - 0.5, scale


def of_the_scene(segments_px: FloatArray, overlay: Overlay) -> FloatArray:
    """Segments that no burnt-in thing made, shape (N, 4) -> (M, 4).

    A segment goes where a fifth of it lies in the mask or within two pixels of it, or where it runs exactly along a
    side of the picture close to it.
    """
    height, width = overlay.mask.shape
    if segments_px.shape[0] == 0:
        return segments_px
    near = cv2.dilate(overlay.mask.astype(np.uint8), np.ones((5, 5), np.uint8))
    share = np.linspace(0.0, 1.0, _SAMPLES)
    x = segments_px[:, 0, None] + share * (segments_px[:, 2] - segments_px[:, 0])[:, None]
    y = segments_px[:, 1, None] + share * (segments_px[:, 3] - segments_px[:, 1])[:, None]
    column = np.clip(np.rint(x).astype(int), 0, width - 1)
    row = np.clip(np.rint(y).astype(int), 0, height - 1)
    drawn = near[row, column].mean(axis=1) >= _DRAWN_SHARE
    across, down = np.ptp(segments_px[:, ::2], axis=1), np.ptp(segments_px[:, 1::2], axis=1)
    left, top, right, bottom = overlay.rim
    reach = _SIDE * max(width, height)
    beside = (x.max(axis=1) < left + reach) | (x.min(axis=1) > width - 1 - right - reach)
    beyond = (y.max(axis=1) < top + reach) | (y.min(axis=1) > height - 1 - bottom - reach)
    along = (beside & (across <= _PARALLEL * down + 0.5)) | (beyond & (down <= _PARALLEL * across + 0.5))
    return np.asarray(segments_px[~(drawn | along)])


def arcs(segments_px: FloatArray, lens: Lens, scale: float, endpoint_px: float, floor_rad: float) -> Arcs:
    """Segments as arcs through a lens.

    Parameters
    ----------
    segments_px : ndarray, shape (N, 4)
    lens : Lens
        Of the image that the segments were found in.
    scale : float
        Detection size over image size.
    endpoint_px : float
        Scatter across the segment of one end against the other, in pixels at the size of detection.
    floor_rad : float
        Scatter of a long edge's direction: real uprights are not perfect.
    """
    if segments_px.shape[0] == 0:
        empty = np.zeros((0, 3))
        return Arcs(empty, empty, np.zeros(0), np.zeros(0), np.zeros((0, 4)))
    rays = lens.unproject(segments_px.reshape(-1, 2, 2))
    first, last = rays[:, 0], rays[:, 1]
    normal = np.cross(first, last)
    size = np.linalg.norm(normal, axis=1)
    middle = first + last
    half = np.linalg.norm(middle, axis=1)
    good = np.isfinite(size) & (size > 1e-9) & (half > 1e-6)
    length = np.hypot(segments_px[:, 2] - segments_px[:, 0], segments_px[:, 3] - segments_px[:, 1]) * scale
    sd = np.hypot(endpoint_px / np.maximum(length, 1.0), floor_rad)
    return Arcs(
        normal[good] / size[good, None],
        middle[good] / half[good, None],
        length[good],
        sd[good],
        segments_px[good],
    )
