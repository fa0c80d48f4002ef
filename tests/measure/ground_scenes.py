"""Yards with a patterned ground and boxes on it, ray-cast from cameras of known pose: parallax without a renderer."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.frames import camera_from_world
from audit.lens import Lens

__all__ = ["Yard", "outside", "photograph", "yard"]

FloatArray = NDArray[np.float64]
CELL_M, SIDE = 0.05, 1280


@dataclass(frozen=True)
class Yard:
    """Grey of the ground, (SIDE, SIDE), its middle at the origin, north up; boxes (N, 7): middle, half sides, height,
    turn, grey."""

    ground: NDArray[np.float32]
    boxes: FloatArray


def _noise(rng: np.random.Generator, size: int) -> NDArray[np.float32]:
    """Blots of all sizes, deviation 1."""
    total = np.zeros((size, size), np.float32)
    for cells, weight in ((8, 1.0), (24, 0.8), (80, 0.6), (240, 0.5)):
        coarse = rng.standard_normal((cells, cells)).astype(np.float32)
        total += weight * cv2.resize(coarse, (size, size), interpolation=cv2.INTER_CUBIC)
    return total / total.std()


def yard(rng: np.random.Generator, blots: float | None = None) -> Yard:
    """Blots as strong as drawn (from bland asphalt to worn paving), joints, lanes and kerbs in one direction, and boxes."""
    strength = float(np.exp(rng.uniform(np.log(0.01), np.log(0.2)))) if blots is None else blots
    ground = 0.45 * np.exp(strength * _noise(rng, SIDE))
    north, east = (np.mgrid[SIDE / 2 : -SIDE / 2 : -1, -SIDE / 2 : SIDE / 2] * CELL_M).astype(np.float32)
    turn = rng.uniform(0, np.pi / 2)
    along, across = east * np.cos(turn) + north * np.sin(turn), north * np.cos(turn) - east * np.sin(turn)
    if rng.random() < 0.5:
        period = rng.uniform(0.6, 4)
        ground[(along % period < 0.06) | (across % period < 0.06)] *= rng.uniform(0.6, 0.95)
    for _ in range(int(rng.integers(0, 5))):
        at, width = rng.uniform(-15, 15), rng.uniform(0.1, 0.3)
        broken = (along % 6 < 3.5) if rng.random() < 0.5 else np.ones_like(along, bool)
        ground[(np.abs(across - at) < width) & broken] = rng.uniform(0.6, 0.9)
    for _ in range(int(rng.integers(0, 3))):
        ground[np.abs(along - rng.uniform(-15, 15)) < rng.uniform(0.5, 3)] *= rng.uniform(0.5, 0.9)
    count = int(rng.integers(4, 9))
    boxes = np.stack([*rng.uniform(-16, 16, (2, count)), *rng.uniform(0.3, 3, (2, count)), rng.uniform(0.5, 6, count),
                      rng.uniform(0, np.pi, count), rng.uniform(0.1, 0.9, count)], axis=1)  # fmt: skip
    return Yard(ground.astype(np.float32), boxes)


def photograph(scene: Yard, lens: Lens, place: FloatArray, pose: tuple[float, float, float], rng: np.random.Generator) -> NDArray[np.uint8]:
    """The picture, RGB uint8, of a camera at (east, north, up) with bearing, pitch, roll: own exposure, noise, JPEG."""
    rows, columns = np.mgrid[0 : lens.height_px, 0 : lens.width_px]
    rays = lens.unproject(np.stack([columns, rows], axis=-1).reshape(-1, 2)) @ camera_from_world(*pose)
    east, north, up = rays.T
    away = np.where(up < -1e-3, -place[2] / np.minimum(up, -1e-3), np.inf)
    x, y = place[0] + away * east, place[1] + away * north
    column, row = x / CELL_M + SIDE / 2, SIDE / 2 - y / CELL_M
    inside = (column >= 0) & (row >= 0) & (column < SIDE - 1) & (row < SIDE - 1)
    grey = np.where(np.isfinite(away), 0.4, 0.9)
    grey[inside] = scene.ground[row[inside].astype(int), column[inside].astype(int)]
    for middle_x, middle_y, half_x, half_y, tall, turn, tone in scene.boxes:
        sine, cosine = np.sin(turn), np.cos(turn)
        ox, oy = place[0] - middle_x, place[1] - middle_y
        start = np.array([ox * cosine + oy * sine, oy * cosine - ox * sine, place[2]])
        way = np.stack([east * cosine + north * sine, north * cosine - east * sine, up], axis=1)
        way = np.where(np.abs(way) < 1e-9, 1e-9, way)
        low, high = (np.array([-half_x, -half_y, 0.0]) - start) / way, (np.array([half_x, half_y, tall]) - start) / way
        enters, leaves = np.minimum(low, high), np.maximum(low, high)
        enter, leave = enters.max(axis=1), leaves.min(axis=1)
        hit = (enter < leave) & (enter > 0.05) & (enter < away)
        grey[hit] = tone * np.array([0.7, 0.85, 1.0])[enters[hit].argmax(axis=1)]
        away = np.where(hit, enter, away)
    shown = np.clip(grey.reshape(rows.shape) * rng.uniform(0.8, 1.3), 0, 1) ** rng.uniform(0.4, 0.6) * 255
    shown = cv2.GaussianBlur(shown, (0, 0), 0.7) + rng.normal(0, 3, rows.shape)
    coded = cv2.imencode(".jpg", np.clip(shown, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 80])[1]
    return np.asarray(cv2.cvtColor(cv2.imdecode(coded, cv2.IMREAD_GRAYSCALE), cv2.COLOR_GRAY2RGB), np.uint8)


def outside(scene: Yard, place: FloatArray) -> bool:
    """Whether a place stands in none of the boxes and half a metre clear of them."""
    off = place[:2] - scene.boxes[:, :2]
    turn = scene.boxes[:, 5]
    x, y = off[:, 0] * np.cos(turn) + off[:, 1] * np.sin(turn), off[:, 1] * np.cos(turn) - off[:, 0] * np.sin(turn)
    return not bool(np.any((np.abs(x) < scene.boxes[:, 2] + 0.5) & (np.abs(y) < scene.boxes[:, 3] + 0.5)))
