"""Pictures with a printed board at a known place, drawn into photographs that come with scikit-image and scikit-learn."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from skimage import data
from sklearn.datasets import load_sample_images

from audit.frames import camera_from_world
from audit.lens import Lens
from audit.measure.board import MARKER_SIDE_M, marker_picture, paper_of

SIZE = (960, 540)
_FINER = 4
#: The sheet's white rim around the marker's corners, generously.
_AROUND_PX = 24


@dataclass(frozen=True)
class Drawn:
    """A picture and what is true of it."""

    pixels: np.ndarray
    lens: Lens
    pose: tuple[float, float, float]
    offset: np.ndarray
    px_per_m: float


@lru_cache
def backgrounds() -> tuple[np.ndarray, ...]:
    found = [data.astronaut(), data.coffee(), data.chelsea(), data.rocket(), data.brick(), data.grass(), data.gravel()]
    found += list(load_sample_images().images)
    return tuple(np.repeat(b[..., None], 3, -1) if b.ndim == 2 else b for b in found)


def scene(rng: np.random.Generator, night: bool) -> np.ndarray:
    """A part of a photograph, by night dark and grey."""
    photo = backgrounds()[rng.integers(len(backgrounds()))]
    scale = max(SIZE[0] / photo.shape[1], SIZE[1] / photo.shape[0]) * rng.uniform(1.0, 1.6)
    large = cv2.resize(photo, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC)
    x = int(rng.integers(0, large.shape[1] - SIZE[0] + 1))
    y = int(rng.integers(0, large.shape[0] - SIZE[1] + 1))
    picture = large[y : y + SIZE[1], x : x + SIZE[0]].astype(np.float32)
    return np.repeat(0.35 * picture.mean(-1, keepdims=True), 3, -1) if night else picture


def drawn(rng: np.random.Generator, number: int, side_px: float, night: bool, *, mirrored: bool = False) -> Drawn:
    """A board turned up to 35 degrees from the line of sight, ``side_px`` a side if it faced the camera."""
    lens = Lens(*SIZE, float(rng.uniform(40, 100)))
    pose = float(rng.uniform(0, 360)), float(rng.uniform(-35, 0)), float(rng.uniform(-4, 4))
    rotation = camera_from_world(*pose)
    side = MARKER_SIDE_M[paper_of(number)]
    pixel = rng.uniform([60, 60], [SIZE[0] - 60, SIZE[1] - 60])
    ray = lens.unproject(pixel)
    depth = lens.focal_px * side / side_px
    middle = ray / ray[2] * depth
    turned = _facing(ray) @ cv2.Rodrigues(np.radians([rng.uniform(-25, 25), 0, 0]))[0]
    turned = turned @ cv2.Rodrigues(np.radians([0, rng.uniform(-25, 25), 0]))[0]
    turned = turned @ cv2.Rodrigues(np.radians([0, 0, rng.uniform(-8, 8)]))[0]
    picture = _pasted(rng, scene(rng, night), lens, (middle, turned, side), number, night)
    if mirrored:
        picture = picture[:, ::-1].copy()
    return Drawn(picture, lens, pose, middle @ rotation, lens.focal_px / depth)


def _facing(ray: np.ndarray) -> np.ndarray:
    """Axes of a sheet that faces the camera: right, down, away."""
    right = np.cross([0.0, 1.0, 0.0], ray)
    right /= np.linalg.norm(right)
    return np.stack([right, np.cross(ray, right), ray], axis=1)


def _laid(part: np.ndarray, low: np.ndarray) -> np.ndarray:
    """A part of the picture that begins at ``low``, in an empty picture of full size with one channel."""
    whole = np.zeros((SIZE[1], SIZE[0], 1), np.float32)
    first, last = np.maximum(low, 0), np.minimum(low + part.shape[::-1], SIZE)
    if np.all(last > first):
        whole[first[1] : last[1], first[0] : last[0], 0] = part[first[1] - low[1] : last[1] - low[1], first[0] - low[0] : last[0] - low[0]]
    return whole


def _pasted(rng, picture, lens, sheet, number, night):
    middle, turned, side = sheet
    marker = marker_picture(number)
    rim = marker.shape[0] // 10
    paper = np.pad(marker, rim, constant_values=255)
    half = side / 2
    corners = np.array([[-half, -half, 0], [half, -half, 0], [half, half, 0], [-half, half, 0]]) @ turned.T + middle
    there = lens.project(corners)
    low, high = rim - 0.5, rim + marker.shape[0] - 0.5
    here = np.array([[low, low], [high, low], [high, high], [low, high]], np.float32)
    low_px = np.floor(there.min(axis=0)).astype(int) - _AROUND_PX
    high_px = np.ceil(there.max(axis=0)).astype(int) + _AROUND_PX
    near = tuple(int(n) for n in high_px - low_px)
    warp = cv2.getPerspectiveTransform(here, ((there - low_px + 0.5) * _FINER - 0.5).astype(np.float32))
    size = near[0] * _FINER, near[1] * _FINER
    cover = _laid(cv2.resize(cv2.warpPerspective(np.ones_like(paper, np.float32), warp, size), near, interpolation=cv2.INTER_AREA), low_px)
    flat = cv2.warpPerspective(paper, warp, size, flags=cv2.INTER_AREA).astype(np.float32)
    ink = _laid(cv2.resize(flat, near, interpolation=cv2.INTER_AREA), low_px)
    white, black = rng.uniform(0.6, 1.0) * (0.6 if night else 1.0), rng.uniform(0.02, 0.15)
    out = picture * (1 - cover) + cover * (ink * (white - black) + 255 * black)
    out = cv2.GaussianBlur(out, (0, 0), rng.uniform(0.6, 1.3) if night else rng.uniform(0.4, 0.9))
    out = out + rng.normal(0, rng.uniform(6, 14) if night else rng.uniform(1, 5), out.shape)
    if night:  # a camera's own smoothing of noise
        out = cv2.GaussianBlur(out, (0, 0), 0.6)
    _, file = cv2.imencode(
        ".jpg", np.clip(out, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(60, 92))]
    )
    return cv2.imdecode(file, cv2.IMREAD_COLOR)
