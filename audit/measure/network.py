"""The small network that orientation and sky share: one look at the pixels, fields of gravity and sky out.

It was trained on views of panoramas and rendered scenes (:mod:`training`; figures in
``weights/CARD.md``) and runs through ONNX Runtime on one core. It never sees the lens: up directions hold for any
lens, and latitudes are what the picture suggests, with a scale.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files

import cv2
import numpy as np
import onnxruntime
from numpy.typing import NDArray

from audit.lens import Lens

__all__ = ["NetworkView", "input_size", "look"]

WEIGHTS = "fields.onnx"
AREA_PX = 384 * 216
"""Pixels that the network looks at, whatever the picture's shape."""
STRIDE_PX, MULTIPLE_PX = 8, 32
LONGEST_PX, SHORTEST_PX = 768, 32
TOLD_HALF_VIEW = (-1.5, 0.6)
"""Angles of view (as ``half_view``, 25 to 122 degrees) that training told the network; others it is not told."""
SURELY_UPRIGHT = 0.98
"""Chance of standing upright below which the network is asked again of the picture's quarter turns: of one in sixteen views of places
held out and one in four pictures of real cameras; of those turned over 0.7 and 5 % pass for surely upright."""
USUAL_DISTANCE = 0.24
"""Median squared distance a dimension (Mahalanobis, against the augmented training views) of clear views."""


@dataclass(frozen=True, slots=True)
class NetworkView:
    """What the network sees in a picture; row 0, column 0 is the top left cell, cells tile the picture evenly.

    Attributes
    ----------
    up : ndarray, (h, w, 2) float32
        Unit directions in the image plane (x right, y down) in which "up" points at each cell's centre.
    latitude_rad : ndarray, (h, w) float32
        Angle above the horizon of each cell's viewing ray.
    up_kappa : ndarray, (h, w) float32
        Concentration of a von Mises distribution about ``up``; near 0 where the network doesn't know.
    latitude_sd_rad : ndarray, (h, w) float32
        Standard deviation of the Laplace distribution about ``latitude_rad``. Errors of cells go together.
    sky_logit : ndarray, (4 h, 4 w) float32
        Logit of the probability that a cell shows sky.
    familiar : float
        How like clear views of ordinary places the picture's embedding is: 1 up to the median of such views, about
        0.5 for one in twenty of them, 0.15 for most turned pictures. Blank pictures pass for familiar; there the
        concentration and the scale say that nothing is known.
    half_view, half_view_sd : float or None
        Log of the tangent of half the angle of view across the longer side, as the picture suggests it, and the
        standard deviation of its Laplace distribution. They mean nothing where the network was told the lens.
    turned : tuple of 4 floats or None
        Probability of the picture standing upright, or as ``numpy.rot90`` turns it once, twice or three times: of
        one look; of a picture that is not surely upright the mean over looks at its four quarter turns.
    """

    up: NDArray[np.float32]
    latitude_rad: NDArray[np.float32]
    up_kappa: NDArray[np.float32]
    latitude_sd_rad: NDArray[np.float32]
    sky_logit: NDArray[np.float32]
    familiar: float
    half_view: float | None = None
    half_view_sd: float | None = None
    turned: tuple[float, float, float, float] | None = None


@cache
def input_size(width_px: int, height_px: int) -> tuple[int, int]:
    """Width and height, multiples of 8, that keep a picture's proportions best at about the network's area."""
    aspect = float(np.clip(width_px / height_px, SHORTEST_PX / LONGEST_PX * 2, LONGEST_PX / SHORTEST_PX / 2))
    # 16:9, the shape of most pictures
    best, best_cost = (384, 216), np.inf
    for width in range(SHORTEST_PX, LONGEST_PX + 1, STRIDE_PX):
        for height in (int(width / aspect / STRIDE_PX + k) * STRIDE_PX for k in (0, 1)):
            if not SHORTEST_PX <= height <= LONGEST_PX:
                continue
            padded = -(-width // MULTIPLE_PX) * -(-height // MULTIPLE_PX) * MULTIPLE_PX**2
            # a twentieth more is still within the time that one look may take
            if padded > 1.05 * AREA_PX:
                continue
            # a wrong shape costs more than a wrong size (chosen)
            cost = 6 * abs(np.log(width / height / aspect)) + abs(np.log(width * height / AREA_PX))
            if cost < best_cost:
                best, best_cost = (width, height), cost
    return best


@cache
def _session() -> onnxruntime.InferenceSession:
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    options.log_severity_level = 3
    weights = files("audit.measure").joinpath("weights", WEIGHTS).read_bytes()
    return onnxruntime.InferenceSession(weights, options, providers=["CPUExecutionProvider"])


def _hint(lens: Lens | None) -> NDArray[np.float32]:
    """What is known of the lens, shape (1, 2): log of the tangent of half the angle across the longer side, and 1."""
    if lens is None or lens.projection != "rectilinear":
        return np.zeros((1, 2), np.float32)
    half_view = np.log(max(lens.width_px, lens.height_px) / (2 * lens.focal_px))
    if not TOLD_HALF_VIEW[0] <= half_view <= TOLD_HALF_VIEW[1]:
        return np.zeros((1, 2), np.float32)
    return np.array([[half_view, 1.0]], np.float32)


def look(pixels: NDArray[np.uint8], lens: Lens | None = None) -> NetworkView:
    """Looks at a picture.

    Parameters
    ----------
    pixels : ndarray, (H, W, 3) uint8
        RGB, after the EXIF orientation, any size.
    lens : Lens or None
        Of the picture at any size, where known: it helps latitudes.

    Returns
    -------
    NetworkView
        For a 16:9 picture h, w = 27, 48.

    Raises
    ------
    ValueError
        If the array is no RGB picture of bytes.
    """
    if pixels.ndim != 3 or pixels.shape[2] != 3 or pixels.dtype != np.uint8 or 0 in pixels.shape:
        raise ValueError(f"the network looks at RGB pictures of bytes (H, W, 3), not {pixels.dtype} {pixels.shape}")
    hint = _hint(lens)
    view = _seen(pixels, hint)
    if view.turned is not None and view.turned[0] < SURELY_UPRIGHT:
        view = replace(view, turned=_asked_again(pixels, hint, view.turned))
    return view


def _asked_again(
    pixels: NDArray[np.uint8], hint: NDArray[np.float32], first: tuple[float, float, float, float]
) -> tuple[float, float, float, float]:
    """How the picture stands by the mean over its four quarter turns: a wall beside the camera passes for the floor less."""
    total = np.array(first)
    for turns in (1, 2, 3):
        again = _seen(np.ascontiguousarray(np.rot90(pixels, turns)), hint).turned
        total += np.roll(np.array(again), -turns)
    upright, once, twice, thrice = (total / 4).tolist()
    return upright, once, twice, thrice


def _seen(pixels: NDArray[np.uint8], hint: NDArray[np.float32]) -> NetworkView:
    """One look, told what ``hint`` says of the lens."""
    height_px, width_px = pixels.shape[:2]
    width, height = input_size(width_px, height_px)
    shrinks = width * height < width_px * height_px
    small = cv2.resize(pixels, (width, height), interpolation=cv2.INTER_AREA if shrinks else cv2.INTER_LINEAR)
    padded = cv2.copyMakeBorder(small, 0, -height % MULTIPLE_PX, 0, -width % MULTIPLE_PX, cv2.BORDER_REFLECT_101)
    given = {"pixels": padded[None], "hint": hint}
    session = _session()
    up, kappa, latitude, latitude_sd, sky, strange, *whole = session.run(None, {i.name: given[i.name] for i in session.get_inputs()})
    view, turned = (w[0] for w in whole) if whole else (None, None)
    rows, columns = height // STRIDE_PX, width // STRIDE_PX
    up = up[0, :rows, :columns] / np.array([width / width_px, height / height_px], np.float32)
    up /= np.maximum(np.linalg.norm(up, axis=-1, keepdims=True), 1e-12)
    return NetworkView(
        up=up.astype(np.float32),
        latitude_rad=latitude[0, :rows, :columns],
        up_kappa=kappa[0, :rows, :columns],
        latitude_sd_rad=latitude_sd[0, :rows, :columns],
        sky_logit=sky[0, : 4 * rows, : 4 * columns],
        familiar=float(min(1.0, USUAL_DISTANCE / max(float(strange[0]), 1e-6))),
        half_view=None if view is None else float(view[0]),
        half_view_sd=None if view is None else float(view[1]),
        turned=None if turned is None else (float(turned[0]), float(turned[1]), float(turned[2]), float(turned[3])),
    )
