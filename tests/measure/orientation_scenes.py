"""Pictures of made-up places whose pose is known exactly, through any lens of the contract.

A small ray caster: boxes with windows on paved ground under a plain sky, or a room from inside.
"""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np

from audit.frames import camera_from_world
from audit.lens import Lens


def _rays(lens: Lens, bearing_deg: float, pitch_deg: float, roll_deg: float, samples: int) -> np.ndarray:
    step = (np.arange(samples) + 0.5) / samples - 0.5
    x = (np.arange(lens.width_px)[:, None] + step).ravel()
    y = (np.arange(lens.height_px)[:, None] + step).ravel()
    rays = lens.unproject(np.stack(np.meshgrid(x, y), axis=-1))
    return (rays @ camera_from_world(bearing_deg, pitch_deg, roll_deg)).astype(np.float32)


def _noise(seed: int, shape: tuple[int, int]) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return rng.normal(0, 3, (*shape, 1)).astype(np.float32)


def town(lens: Lens, roll_deg: float, pitch_deg: float, *, seed: int = 0, bearing_deg: float = 20.0,
         height_m: float = 4.0, samples: int = 2, buildings: int = 14) -> np.ndarray:
    """A street of boxes with windows on paved ground, shape (H, W, 3) uint8 RGB; same seed, same town."""
    return _town(lens, roll_deg, pitch_deg, seed, bearing_deg, height_m, samples, buildings).copy()


@cache
def _town(lens: Lens, roll_deg: float, pitch_deg: float, seed: int, bearing_deg: float, height_m: float,
          samples: int, buildings: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    rays = _rays(lens, bearing_deg, pitch_deg, roll_deg, samples)
    origin = np.array([0.0, 0.0, height_m], dtype=np.float32)
    flat = rays.reshape(-1, 3)
    good = np.isfinite(flat[:, 0])
    d = np.where(np.abs(flat) < 1e-6, np.float32(1e-6), flat)
    colour = np.full(flat.shape, 215.0, dtype=np.float32)
    colour[:, 0] -= 60 * np.clip(d[:, 2], 0, 1)
    nearest = np.where(d[:, 2] < 0, -height_m / d[:, 2], np.inf).astype(np.float32)
    ground = np.isfinite(nearest) & (nearest < 400)
    where = origin[:2] + d[ground, :2] * nearest[ground, None]
    joint = (np.abs(where / 2 - np.round(where / 2)) < 0.02).any(axis=1)
    colour[ground] = np.where(joint, 70.0, 125.0)[:, None]
    nearest[~ground] = np.inf
    azimuth = np.arctan2(d[:, 0], d[:, 1])
    for number in range(buildings):
        side = -1 if number % 2 else 1
        away = rng.uniform(7, 13)
        along = -40 + (number // 2) * 16 + rng.uniform(0, 5)
        low = np.array([side * away if side > 0 else -away - 9, along, 0.0])
        high = low + np.array([9.0, rng.uniform(8, 13), rng.uniform(4, 16)])
        if (low[:2] < 1).all() and (high[:2] > -1).all():
            continue
        shade = rng.uniform(90, 200, 3)
        near = _towards(azimuth, low, high)
        t0, t1 = ((corner - origin).astype(np.float32) / d[near] for corner in (low, high))
        enter = np.minimum(t0, t1)
        first, last = enter.max(axis=1), np.maximum(t0, t1).min(axis=1)
        hit = (first < last) & (first > 0) & (first < nearest[near])
        if not hit.any():
            continue
        seen = near[hit]
        nearest[seen] = first[hit]
        at = origin + d[seen] * first[hit, None]
        axis = enter[hit].argmax(axis=1)
        run = np.where(axis == 0, at[:, 1], at[:, 0])
        window = (np.abs(run / 2.5 % 1 - 0.5) < 0.2) & (np.abs(at[:, 2] / 3 % 1 - 0.55) < 0.25) & (axis != 2)
        lit = np.where(axis == 0, 1.0, np.where(axis == 1, 0.75, 0.9))
        colour[seen] = np.where(window[:, None], 45.0, shade * lit[:, None])
    colour[~good] = 0
    return _shot(colour, lens, samples, seed)


def _towards(azimuth: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Rays that could meet a box beside the camera: those within its azimuths, a thousandth of a radian more on each side."""
    corners = np.arctan2([low[0], low[0], high[0], high[0]], [low[1], high[1], low[1], high[1]])
    middle = np.arctan2((low[0] + high[0]) / 2, (low[1] + high[1]) / 2)
    reach = np.abs((corners - middle + np.pi) % (2 * np.pi) - np.pi).max() + 1e-3
    return np.flatnonzero(np.abs((azimuth - np.float32(middle) + np.float32(np.pi)) % np.float32(2 * np.pi) - np.float32(np.pi)) <= reach)


def room(lens: Lens, roll_deg: float, pitch_deg: float, *, seed: int = 0, bearing_deg: float = 30.0,
         samples: int = 2) -> np.ndarray:
    """A room with doors, tiles and shelves from inside, shape (H, W, 3) uint8 RGB."""
    return _room(lens, roll_deg, pitch_deg, seed, bearing_deg, samples).copy()


@cache
def _room(lens: Lens, roll_deg: float, pitch_deg: float, seed: int, bearing_deg: float, samples: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    rays = _rays(lens, bearing_deg, pitch_deg, roll_deg, samples).reshape(-1, 3)
    good = np.isfinite(rays[:, 0])
    d = np.where(np.abs(rays) < 1e-6, np.float32(1e-6), rays)
    low, high = np.array([-4.0, -5.0, -2.6], np.float32), np.array([5.0, 6.0, 0.6], np.float32)
    leave = np.maximum(low / d, high / d)
    axis = leave.argmin(axis=1)
    at = d * leave.min(axis=1)[:, None]
    run = np.where(axis == 0, at[:, 1], at[:, 0])
    colour = np.where(axis[:, None] == 0, rng.uniform(140, 200, 3), rng.uniform(120, 190, 3)).astype(np.float32)
    floor, ceiling = (axis == 2) & (at[:, 2] < 0), (axis == 2) & (at[:, 2] > 0)
    tile = ((np.abs(at[:, :2] / 0.6 % 1 - 0.5) > 0.48).any(axis=1))
    colour[floor] = np.where(tile[floor], 90.0, 150.0)[:, None]
    colour[ceiling] = np.where(tile[ceiling], 170.0, 225.0)[:, None]
    door = (axis != 2) & (np.abs(run / 2.2 % 1 - 0.5) < 0.22) & (at[:, 2] < -0.5)
    colour[door] = (95.0, 70.0, 50.0)
    shelf = (axis != 2) & (np.abs(at[:, 2] + 0.1) < 0.03)
    colour[shelf] = 60.0
    colour[~good] = 0
    return _shot(colour, lens, samples, seed)


def _shot(colour: np.ndarray, lens: Lens, samples: int, seed: int) -> np.ndarray:
    big = colour.reshape(lens.height_px * samples, lens.width_px * samples, 3)
    image = cv2.resize(big, (lens.width_px, lens.height_px), interpolation=cv2.INTER_AREA)
    image = image + _noise(seed, (lens.height_px, lens.width_px))
    return np.clip(image, 0, 255).astype(np.uint8)
