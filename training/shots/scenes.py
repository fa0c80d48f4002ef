"""Draws close-ups of brackets, wide views with a camera, the same without a camera, and ladders, for training.

    python -m training.shots.scenes OUT_FOLDER --places FOLDER… --count 2000 [--first 0]

Each scene is drawn from its own number: a view of a panorama, and before it a wall, corner, post, soffit or nothing that carries a
camera of some form, a lamp, a loudspeaker, a box or nothing, in flat faces with light from one side. Forms and places share
nothing with the demo's site; only the primitives of ``sample_images/make/shapes.py`` are used. A picture is named
``KIND_PLACE_NUMBER.jpg``, so that kinds and places can be told from its name.
"""

from __future__ import annotations

import argparse
import importlib.util
import math
from collections.abc import Callable
from functools import lru_cache, partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["CAMERAS", "CAMERA_SHARES", "CARRIERS", "CARRIER_SHARES", "FINER", "KINDS", "LONG_PX", "SHORT_PX", "UP", "Shapes", "carrier_of", "close_up", "command", "draw", "keep", "main", "other", "place_view", "places_of"]

Array = NDArray[np.float64]
Pixels = NDArray[np.uint8]


def _shapes() -> Any:
    """The demo's primitives: a module of a folder that is no package."""
    file = Path(__file__).parents[2] / "sample_images" / "make" / "shapes.py"
    spec = importlib.util.spec_from_file_location("shapes", file)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


_made = _shapes()
Shapes, frame = _made.Shapes, _made.frame

KINDS = ("bracket", "wide", "bare", "ladder")
#: Shares of the kinds, and of near views among those without a camera.
SHARES, BARE_NEAR = (0.4, 0.36, 0.2, 0.04), 0.35
UP = np.array([0.0, 0.0, 1.0])
LONG_PX, SHORT_PX, FINER = 288, 216, 1.5


def _unit(vector: Array) -> Array:
    return np.asarray(vector / np.linalg.norm(vector))


def _aim(rng: np.random.Generator, out: Array) -> tuple[Array, Array, Array]:
    """Where a camera looks: forward, right, up; about outwards, somewhat down."""
    if abs(out[2]) > 0.5:
        out = _unit(np.array([rng.normal(), rng.normal(), 0.0]))
    turn, down = math.radians(rng.normal(0, 40)), math.radians(rng.uniform(0, 35))
    c, s = math.cos(turn), math.sin(turn)
    level = _unit(np.array([out[0] * c - out[1] * s, out[0] * s + out[1] * c, 0.0]))
    forward = level * math.cos(down) - UP * math.sin(down)
    right = _unit(np.cross(forward, UP))
    return forward, right, np.cross(right, forward)


def _bullet(s: Shapes, rng: np.random.Generator, foot: Array, out: Array) -> Array:
    """A long body on an arm; returns its middle."""
    forward, right, up = _aim(rng, out)
    length, radius, arm = rng.uniform(0.12, 0.34), rng.uniform(0.028, 0.06), rng.uniform(0.06, 0.3)
    base = foot + out * arm
    s.tube("body", foot, foot + out * 0.015, rng.uniform(0.045, 0.075), sides=20)
    s.tube("body", foot, base, rng.uniform(0.012, 0.024), sides=12)
    s.ball("body", base, rng.uniform(0.025, 0.04))
    middle = base + up * (radius + 0.02) + forward * rng.uniform(-0.02, 0.08)
    nose, tail = middle + forward * length / 2, middle - forward * length / 2
    if rng.random() < 0.6:
        s.tube("body", tail, nose, radius, sides=24)
        s.tube("glass", nose, nose + forward * 0.004, radius * 0.9, sides=24)
    else:
        s.beam("body", tail, nose, radius * 2, radius * rng.uniform(1.6, 2.2))
        s.tube("glass", nose, nose + forward * 0.006, radius * 0.75, sides=20)
    s.tube("glass", nose + forward * 0.004, nose + forward * 0.02, radius * 0.4, sides=16)
    if rng.random() < 0.65:
        s.beam("body", tail + up * (radius + 0.006), nose + up * (radius + 0.006) + forward * rng.uniform(0, 0.06), radius * 2.2, 0.005)
    return middle


def _dome(s: Shapes, rng: np.random.Generator, foot: Array, out: Array) -> Array:
    """A half ball on a base; on a wall often on an elbow, hanging."""
    radius = rng.uniform(0.045, 0.11)
    axis = out
    if abs(out[2]) < 0.5 and rng.random() < 0.7:
        elbow = foot + out * rng.uniform(0.1, 0.3)
        s.tube("body", foot, foot + out * 0.012, radius * 0.7, sides=20)
        s.tube("body", foot, elbow, 0.02, sides=12)
        s.tube("body", elbow, elbow - UP * 0.06, 0.02, sides=12)
        foot, axis = elbow - UP * 0.06, -UP
    depth = radius * rng.uniform(0.4, 1.1)
    s.tube("body", foot, foot + axis * depth, radius * 1.05, radius, 28)
    s.ball("glass" if rng.random() < 0.6 else "smoke", foot + axis * depth, radius * 0.8, 0, 90, tuple(axis))
    return foot + axis * depth


def _turret(s: Shapes, rng: np.random.Generator, foot: Array, out: Array) -> Array:
    """A ball in a ring."""
    radius = rng.uniform(0.04, 0.07)
    s.tube("body", foot, foot + out * radius * 0.8, radius * 1.15, radius * 1.05, 28)
    middle = foot + out * radius
    forward, _, _ = _aim(rng, out)
    s.ball("body", middle, radius * 0.95)
    s.tube("glass", middle + forward * radius * 0.75, middle + forward * radius * 0.99, radius * 0.6, sides=20)
    return middle


def _swivel(s: Shapes, rng: np.random.Generator, foot: Array, out: Array) -> Array:
    """A large ball under a cap, as turning cameras have it, on a long arm."""
    radius, arm = rng.uniform(0.08, 0.15), rng.uniform(0.2, 0.5)
    tip = foot + out * arm + UP * rng.uniform(0, 0.1)
    s.beam("body", foot - UP * 0.1, foot + UP * 0.1, 0.12, 0.02)
    s.tube("body", foot, tip, 0.028, sides=14)
    s.tube("body", tip + UP * 0.03, tip - UP * 0.08, 0.05, radius, 24)
    s.tube("body", tip - UP * 0.08, tip - UP * 0.16, radius, sides=28)
    s.ball("smoke", tip - UP * 0.16, radius * 0.92, 0, 90, (0, 0, -1))
    return tip - UP * 0.12


def _boxed(s: Shapes, rng: np.random.Generator, foot: Array, out: Array) -> Array:
    """A brick with a lens tube on a knuckle."""
    forward, _, up = _aim(rng, out)
    base = foot + out * rng.uniform(0.08, 0.2)
    s.tube("steel", foot, base, 0.012, sides=10)
    middle = base + up * 0.05
    s.beam("body", middle - forward * 0.08, middle + forward * 0.06, 0.075, 0.065)
    s.tube("glass", middle + forward * 0.06, middle + forward * rng.uniform(0.1, 0.16), 0.03, 0.026, 20)
    return middle


#: How each form of camera is drawn, and its share of the scenes.
CAMERAS = {"bullet": _bullet, "dome": _dome, "turret": _turret, "ptz": _swivel, "box": _boxed}
CAMERA_SHARES = (0.34, 0.26, 0.2, 0.1, 0.1)
#: What carries it, and its share.
CARRIERS, CARRIER_SHARES = ("wall", "corner", "post", "soffit", "free"), (0.4, 0.12, 0.26, 0.17, 0.05)


def other(s: Shapes, rng: np.random.Generator, foot: Array, out: Array) -> Array:
    """What else hangs on walls and posts: a lamp, a loudspeaker, a box, a sign, an aerial, a bird's house."""
    kind = int(rng.integers(6))
    if kind == 0:
        tip = foot + out * rng.uniform(0.15, 0.5) + UP * 0.05
        s.tube("steel", foot, tip, 0.016, sides=10)
        s.tube("body", tip, tip - UP * 0.08, 0.05, rng.uniform(0.1, 0.2), 24)
        s.ball("lamp", tip - UP * 0.06, 0.05)
    elif kind == 1:
        s.tube("body", foot, foot + out * 0.25, 0.03, rng.uniform(0.1, 0.2), 20)
    elif kind == 2:
        w, h = rng.uniform(0.1, 0.5, 2)
        s.beam("box", foot, foot + out * rng.uniform(0.05, 0.2), float(w), float(h))
    elif kind == 3:
        s.beam("sign", foot + out * 0.02, foot + out * 0.024, float(rng.uniform(0.2, 0.8)), float(rng.uniform(0.2, 0.6)))
    elif kind == 4:
        s.tube("steel", foot, foot + out * 0.1 + UP * 0.3, 0.012, sides=8)
        for k in range(5):
            side = (np.cross(out, UP) if abs(out[2]) < 0.5 else np.array([1.0, 0.0, 0.0])) * rng.uniform(0.08, 0.2)
            at = foot + out * 0.1 + UP * (0.05 + 0.06 * k)
            s.tube("steel", at - side, at + side, 0.006, sides=6)
    else:
        s.beam("wood", foot, foot + out * 0.16, 0.16, 0.24)
        s.tube("glass", foot + out * 0.16, foot + out * 0.165, 0.03, sides=16)
    return foot + out * 0.08


def _ladder(s: Shapes, rng: np.random.Generator) -> Array:
    """A ladder that leans on the wall or the post at the origin."""
    top, reach, half = rng.uniform(1.8, 4.0), rng.uniform(0.5, 1.2), rng.uniform(0.18, 0.26)
    out, side = np.array([0.0, -1.0, 0.0]), np.array([1.0, 0.0, 0.0])
    low, high = out * reach, UP * top + out * 0.08
    for sign in (-1, 1):
        s.beam("ladder", low + side * half * sign, high + side * half * sign, 0.025, 0.06)
    for k in range(int(top / 0.28)):
        at = low + (high - low) * (k + 0.5) * 0.28 / top
        s.tube("ladder", at - side * half, at + side * half, 0.015, sides=8)
    return (low + high) / 2


def carrier_of(s: Shapes, kind: str, rng: np.random.Generator) -> tuple[Array, Array]:
    """What carries the fitting, and where: foot and outward direction. The wall stands along x, outwards is −y."""
    height = float(rng.uniform(2.2, 5.0))
    out = np.array([0.0, -1.0, 0.0])
    if kind in ("wall", "corner", "soffit"):
        left, right, top = rng.uniform(1.0, 9.0), rng.uniform(1.0, 9.0), height + rng.uniform(0.15, 3.0)
        right = 0.0 if kind == "corner" else right
        s.box("wall", (-left, 0.0, -1.0), (right, rng.uniform(0.2, 6.0), top))
        for _ in range(int(rng.integers(0, 4))):
            x, z, w, h = rng.uniform(-left, right), rng.uniform(0, top - 1), rng.uniform(0.6, 1.6), rng.uniform(0.7, 2.1)
            if abs(x) > 0.9 or z + h < height - 0.5 or z > height + 0.4:
                s.box("window", (x - w / 2, -0.02, z), (x + w / 2, 0.01, min(z + h, top)))
                s.box("frame", (x - w / 2 - 0.06, -0.015, z - 0.06), (x + w / 2 + 0.06, 0.005, min(z + h + 0.06, top)))
        if rng.random() < 0.4:
            x = rng.uniform(0.15, 2.0) * rng.choice((-1, 1))
            s.tube("pipe", (x, -0.06, -1.0), (x, -0.06, top), float(rng.uniform(0.02, 0.06)), sides=12)
        if kind == "soffit":
            s.box("soffit", (-left, -rng.uniform(0.8, 3.0), height), (right, 0.0, height + 0.15))
            return np.array([0.0, -rng.uniform(0.2, 0.7), height]), np.array([0.0, 0.0, -1.0])
        return np.array([-0.02 if kind == "corner" else 0.0, 0.0, height]), out
    if kind == "post":
        radius, top = rng.uniform(0.04, 0.12), height + rng.uniform(0.1, 3.0)
        if rng.random() < 0.6:
            s.tube("post", (0, 0, -1), (0, 0, top), float(radius), float(radius * 0.85), 20)
        else:
            s.beam("post", (0, 0, -1), (0, 0, top), float(radius * 2), float(radius * 2))
        return np.array([0.0, -radius, height]), out
    return np.array([0.0, 0.0, height]), out


def _eye(rng: np.random.Generator, at: Array, out: Array, near: bool) -> tuple[Array, Array, float]:
    """Where the phone is, what it looks at, and its angle of view in degrees."""
    level = np.array([0.0, -1.0, 0.0]) if abs(out[2]) > 0.5 else out
    turn = math.radians(rng.uniform(-70, 70))
    c, s = math.cos(turn), math.sin(turn)
    away = np.array([level[0] * c - level[1] * s, level[0] * s + level[1] * c, 0.0])
    if near:
        distance = float(np.exp(rng.uniform(math.log(0.35), math.log(1.7))))
        return at + away * distance - UP * distance * rng.uniform(-0.1, 0.9), at + rng.normal(0, 0.06, 3) * distance, float(rng.uniform(45, 68))
    distance = float(np.exp(rng.uniform(math.log(2.6), math.log(10.0))))
    spot = at + away * distance
    spot[2] = rng.uniform(1.4, 1.8)
    aside = rng.normal(0, 0.13, 3) * distance
    return spot, at + aside - UP * distance * rng.uniform(-0.05, 0.22), float(rng.uniform(50, 76))


COLOURS: dict[str, tuple[tuple[float, float, float], ...]] = {
    "body": ((0.8, 0.8, 0.78), (0.75, 0.73, 0.68), (0.3, 0.3, 0.31), (0.05, 0.05, 0.055), (0.55, 0.56, 0.58)),
    "glass": ((0.01, 0.01, 0.012),), "smoke": ((0.03, 0.03, 0.035), (0.1, 0.1, 0.11)), "steel": ((0.5, 0.5, 0.5), (0.2, 0.2, 0.2)),
    "lamp": ((0.9, 0.88, 0.8),), "box": ((0.5, 0.5, 0.5), (0.7, 0.7, 0.68), (0.25, 0.3, 0.28)), "pipe": ((0.4, 0.4, 0.4), (0.1, 0.07, 0.05)),
    "sign": ((0.8, 0.1, 0.08), (0.1, 0.2, 0.6), (0.85, 0.8, 0.1), (0.85, 0.85, 0.85)), "wood": ((0.3, 0.18, 0.09),),
    "ladder": ((0.6, 0.6, 0.62), (0.7, 0.5, 0.1), (0.35, 0.22, 0.1)), "window": ((0.02, 0.025, 0.03), (0.2, 0.22, 0.24)),
    "frame": ((0.8, 0.8, 0.8), (0.15, 0.1, 0.07)), "post": ((0.45, 0.46, 0.47), (0.1, 0.1, 0.1), (0.3, 0.2, 0.12), (0.1, 0.25, 0.15)),
    "soffit": ((0.75, 0.75, 0.73), (0.35, 0.22, 0.12)),
}  # fmt: skip
#: Colours of walls; how much one shade differs from the other; nearest depth that is drawn, metres.
WALLS = ((0.7, 0.66, 0.58), (0.75, 0.75, 0.73), (0.4, 0.16, 0.1), (0.35, 0.36, 0.38), (0.5, 0.4, 0.25), (0.15, 0.2, 0.25))
NEAR_M = 0.03
TEXTURE_PX, TEXTURE_M = 512, 4.0


@lru_cache(maxsize=256)
def _panorama(place: Path) -> NDArray[np.float32]:
    """A panorama (H, W, 3), RGB, 0 to 1 and display-like."""
    if place.suffix == ".exr":
        import OpenEXR

        rgb = np.asarray(OpenEXR.File(str(place)).channels()["RGB"].pixels, np.float32)
    else:
        raw = cv2.imread(str(place), cv2.IMREAD_UNCHANGED if place.suffix == ".hdr" else cv2.IMREAD_COLOR)
        rgb = np.asarray(raw[..., ::-1], np.float32)
    rgb = np.nan_to_num(rgb)
    if place.suffix == ".jpg":
        return rgb / 255.0
    grey = float(np.exp(np.log(np.maximum(rgb.mean(axis=2), 1e-4)).mean()))
    lit = np.maximum(rgb, 0.0) * (0.2 / grey)
    return np.asarray((lit * (1 + lit / 9.0) / (1 + lit)) ** (1 / 2.2), np.float32)


def places_of(folders: list[Path]) -> list[Path]:
    """Panoramas of the folders, in order."""
    return sorted(p for folder in folders for p in folder.iterdir() if p.suffix in (".exr", ".hdr", ".jpg"))


def place_view(place: Path, axes: Array, focal_px: float, size: tuple[int, int], yaw: float) -> NDArray[np.float32]:
    """What a phone sees of a place alone, (H, W, 3); ``axes`` are its right, up and forward directions as columns."""
    width, height = size
    x, y = np.meshgrid(np.arange(width) - width / 2 + 0.5, np.arange(height) - height / 2 + 0.5)
    ray = np.stack([x / focal_px, -y / focal_px, np.ones_like(x)], -1) @ axes.T
    ray /= np.linalg.norm(ray, axis=-1, keepdims=True)
    image = _panorama(place)
    rows, columns = image.shape[:2]
    column = ((np.arctan2(ray[..., 0], ray[..., 1]) + yaw) / (2 * np.pi) + 0.5) % 1 * columns - 0.5
    row = (0.5 - np.arcsin(np.clip(ray[..., 2], -1, 1)) / np.pi) * rows - 0.5
    return np.asarray(cv2.remap(image, column.astype(np.float32), row.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP))


def _texture(rng: np.random.Generator) -> NDArray[np.float32]:
    """A wall's face of four metres, to be repeated: bricks, boards, panels or plaster."""
    base = np.array(WALLS[int(rng.integers(len(WALLS)))]) ** (1 / 2.2)
    kind = int(rng.integers(4))
    soft = cv2.GaussianBlur(rng.normal(0, 1, (TEXTURE_PX, TEXTURE_PX)).astype(np.float32), (0, 0), float(np.exp(rng.uniform(0, 3))))
    shade = 1.0 + rng.uniform(0.01, 0.06) * soft / max(float(soft.std()), 1e-6)
    face = base[None, None, :] * shade[..., None]
    joint = base * rng.uniform(0.6, 1.3)
    if kind < 3:
        high = (0.075, float(rng.uniform(0.1, 0.3)), float(rng.uniform(0.6, 1.5)))[kind]
        for k in range(int(TEXTURE_M / high)):
            top = int(k * high * TEXTURE_PX / TEXTURE_M)
            bottom = int((k + 1) * high * TEXTURE_PX / TEXTURE_M)
            face[top:bottom] *= rng.uniform(0.93, 1.07)
            face[top : top + max(1, (bottom - top) // 10)] = joint
            for m in range(int(TEXTURE_M / 0.25) if kind == 0 else (3 if kind == 2 else 0)):
                left = int((m + 0.5 * (k % 2)) * (0.25 if kind == 0 else 1.33) * TEXTURE_PX / TEXTURE_M) % TEXTURE_PX
                face[top:bottom, left : left + 2] = joint
    return np.asarray(np.clip(face, 0, 1), np.float32)


class _View:
    """A picture that faces are painted into, the farthest first."""

    def __init__(self, picture: NDArray[np.float32], spot: Array, axes: Array, focal_px: float, light: Array, ambient: float) -> None:
        self.picture, self.spot, self.axes, self.focal_px = picture, spot, axes, focal_px
        self.light, self.ambient = light, ambient

    def _clipped(self, corners: Array) -> Array:
        """A face's corners before the phone, right, up and ahead of it."""
        local = (corners - self.spot) @ self.axes
        kept = []
        for a, b in zip(local, np.roll(local, -1, axis=0), strict=True):
            if a[2] >= NEAR_M:
                kept.append(a)
            if (a[2] >= NEAR_M) != (b[2] >= NEAR_M):
                kept.append(a + (b - a) * (NEAR_M - a[2]) / (b[2] - a[2]))
        return np.array(kept)

    def _flat(self, local: Array) -> Array:
        height, width = self.picture.shape[:2]
        return np.column_stack([local[:, 0] / local[:, 2] * self.focal_px + width / 2, -local[:, 1] / local[:, 2] * self.focal_px + height / 2])

    def paint(self, shapes: Any, colours: dict[str, Array], textures: dict[str, NDArray[np.float32]]) -> None:
        """Paint all faces that look at the phone."""
        facing = []
        for name, parts in shapes.parts.items():
            for vertices, quads, _, _ in parts:
                for quad in quads:
                    corners = vertices[list(dict.fromkeys(quad.tolist()))]
                    facing.append((float(np.linalg.norm(corners.mean(axis=0) - self.spot)), name, corners))
        for _, name, corners in sorted(facing, key=lambda one: -one[0]):
            self._face(name, corners, colours.get(name), textures.get(name))

    def _face(self, name: str, corners: Array, colour: Array | None, texture: NDArray[np.float32] | None) -> None:
        a, b = corners[1] - corners[0], corners[2] - corners[0]
        normal = np.array([a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]])
        length = float(np.linalg.norm(normal))
        if length < 1e-9:
            return
        normal /= length
        towards = self.spot - corners.mean(axis=0)
        if normal @ towards < 0:
            normal = -normal
        local = self._clipped(corners)
        if len(local) < 3:
            return
        points = np.clip(self._flat(local), -30000, 30000)
        shade = self.ambient * (0.75 + 0.25 * normal[2]) + (1 - self.ambient) * max(0.0, float(normal @ self.light))
        if name in ("glass", "smoke", "window"):
            half = towards / np.linalg.norm(towards) + self.light
            shade = 0.9 + 6.0 * max(0.0, float(normal @ half / np.linalg.norm(half))) ** 60
        if texture is None and colour is not None:
            tint = np.clip(colour * shade ** (1 / 2.2), 0, 1)
            cv2.fillConvexPoly(self.picture, np.round(points * 16).astype(np.int32), tint.tolist(), cv2.LINE_AA, 4)
        elif texture is not None:
            self._textured(points, corners, normal, texture * np.float32(shade ** (1 / 2.2)))

    def _textured(self, points: Array, corners: Array, normal: Array, texture: NDArray[np.float32]) -> None:
        """A face with its texture, by where each pixel's ray meets its plane."""
        height, width = self.picture.shape[:2]
        low = np.clip(np.floor(points.min(axis=0)), 0, (width, height)).astype(int)
        high = np.clip(np.ceil(points.max(axis=0)), 0, (width, height)).astype(int)
        if (high <= low).any():
            return
        mask = np.zeros((height, width), np.uint8)
        cv2.fillConvexPoly(mask, np.round(points * 16).astype(np.int32), 255, cv2.LINE_AA, 4)
        x, y = np.meshgrid(np.arange(low[0], high[0]) + 0.5 - width / 2, np.arange(low[1], high[1]) + 0.5 - height / 2)
        ray = np.stack([x / self.focal_px, -y / self.focal_px, np.ones_like(x)], -1) @ self.axes.T
        slope = ray @ normal
        reach = float((corners[0] - self.spot) @ normal) / np.where(np.abs(slope) < 1e-6, 1e-6, slope)
        hit = self.spot + ray * reach[..., None]
        along = np.array([normal[1], -normal[0], 0.0]) if abs(normal[2]) < 0.9 else np.array([1.0, 0.0, 0.0])
        along /= np.linalg.norm(along)
        up = np.cross(normal, along)
        u, v = (((hit @ way) * TEXTURE_PX / TEXTURE_M) % TEXTURE_PX for way in (along, up))
        face = cv2.remap(texture, u.astype(np.float32), v.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
        part = (slice(low[1], high[1]), slice(low[0], high[0]))
        share = mask[part][..., None].astype(np.float32) / 255.0
        self.picture[part] = self.picture[part] * (1 - share) + face * share


def _shadow(view: _View, shapes: Any, rng: np.random.Generator) -> None:
    """A soft dark copy of the fitting on what carries it."""
    height, width = view.picture.shape[:2]
    mask = np.zeros((height, width), np.float32)
    for parts in shapes.parts.values():
        for vertices, quads, _, _ in parts:
            for quad in quads:
                local = view._clipped(vertices[list(dict.fromkeys(quad.tolist()))])
                if len(local) >= 3:
                    cv2.fillConvexPoly(mask, np.round(np.clip(view._flat(local), -30000, 30000)).astype(np.int32), 1.0)
    across = float(np.sqrt(mask.sum()))
    shift = np.float32([[1, 0, across * rng.uniform(-0.3, 0.3)], [0, 1, across * rng.uniform(0.03, 0.4)]])
    mask = cv2.GaussianBlur(cv2.warpAffine(mask, shift, (width, height)), (0, 0), max(0.8, across * float(rng.uniform(0.02, 0.2))))
    view.picture *= (1 - rng.uniform(0.1, 0.6) * mask)[..., None].astype(np.float32)


def draw(kind: str, place: Path, seed: int, close: bool = False) -> Pixels:
    """One scene, (H, W, 3) RGB, before the phone's own faults; ``close``: a body fills it, as behind a label."""
    rng = np.random.default_rng([71, seed])
    carrier, fitting = Shapes(), Shapes()
    near = kind == "bracket" or (kind == "bare" and rng.random() < BARE_NEAR)
    foot, out = carrier_of(carrier, str(rng.choice(CARRIERS, p=CARRIER_SHARES)), rng)
    if kind in ("bracket", "wide"):
        if rng.random() < 0.35:
            depth = rng.uniform(0.03, 0.07)
            fitting.beam("box", foot, foot + out * depth, 0.13, 0.13)
            foot = foot + out * depth
        at = tuple(CAMERAS.values())[int(rng.choice(len(CAMERAS), p=CAMERA_SHARES))](fitting, rng, foot, out)
        if rng.random() < 0.5:
            fitting.tube("pipe", foot + out * 0.02, foot + out * 0.02 - UP * rng.uniform(0.1, 1.5), 0.008, sides=8)
    elif kind == "ladder":
        at = _ladder(fitting, rng)
    else:
        at = other(fitting, rng, foot, out) if rng.random() < 0.75 else foot
    spot, middle, view_deg = _eye(rng, at, out, near)
    if close:
        spot = at + _unit(spot - at) * rng.uniform(0.14, 0.4)
        middle = at
    return taken(carrier, fitting, (spot, middle, view_deg), place, rng)


def close_up(carrier: Any, fitting: Any, at: Array, out: Array, place: Path, rng: np.random.Generator) -> Pixels:
    """What a phone near a fitting takes of it, (H, W, 3) RGB; ``at`` and ``out`` are its middle and the way that it stands out."""
    return taken(carrier, fitting, _eye(rng, at, out, near=True), place, rng)


def taken(carrier: Any, fitting: Any, eye: tuple[Array, Array, float], place: Path, rng: np.random.Generator) -> Pixels:
    """The picture of a scene from where the phone is, what it looks at, and its angle of view in degrees."""
    spot, middle, view_deg = eye
    kept = (LONG_PX, SHORT_PX) if rng.random() < 0.6 else (SHORT_PX, LONG_PX)
    size = (int(kept[0] * FINER), int(kept[1] * FINER))
    focal_px = max(size) / 2 / math.tan(math.radians(view_deg / 2))
    m = frame(middle - spot)
    roll = math.radians(rng.normal(0, 3))
    right, up = m[:, 0] * math.cos(roll) + m[:, 2] * math.sin(roll), m[:, 2] * math.cos(roll) - m[:, 0] * math.sin(roll)
    axes = np.column_stack([right, up, m[:, 1]])
    picture = np.ascontiguousarray(place_view(place, axes, focal_px, size, float(rng.uniform(0, 2 * math.pi))))
    light = _unit(np.array([rng.normal(), -abs(rng.normal()), rng.uniform(0.2, 1.5)]))
    view = _View(picture, spot, axes, focal_px, light, float(rng.uniform(0.35, 0.9)))
    colours = {}
    for name, choices in COLOURS.items():
        colours[name] = np.clip(np.array(choices[int(rng.integers(len(choices)))]) * rng.uniform(0.8, 1.2), 0, 1) ** (1 / 2.2)
    view.paint(carrier, colours, {"wall": _texture(rng)})
    if rng.random() < 0.7 and carrier.parts:
        _shadow(view, fitting, rng)
    view.paint(fitting, colours, {})
    bright = picture * np.exp(rng.normal(0, 0.15))
    small = cv2.resize(np.clip(bright * 255, 0, 255).astype(np.uint8), kept, interpolation=cv2.INTER_AREA)
    return np.asarray(small, dtype=np.uint8)


def command(about: str | None, count: int) -> argparse.ArgumentParser:
    """The command line of what draws pictures into a folder, ``count`` of them unless it is told."""
    parser = argparse.ArgumentParser(description=about)
    parser.add_argument("output", type=Path)
    parser.add_argument("--places", type=Path, nargs="+", required=True)
    parser.add_argument("--count", type=int, default=count)
    parser.add_argument("--first", type=int, default=0)
    return parser


def keep(output: Path, shows: str, place: Path, number: int, drawn: Callable[[], Pixels]) -> None:
    """Draw a picture and write it under a name that tells what it shows, where and its number; one that is there stays."""
    file = output / f"{shows}_{place.stem.removesuffix('_1k').replace('_', '-')}_{number:05d}.jpg"
    if not file.exists():
        output.mkdir(parents=True, exist_ok=True)
        cv2.imwrite(str(file), drawn()[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 92])


def main() -> None:
    """Draw what is not there yet."""
    given = command(__doc__, 2000).parse_args()
    places = places_of(given.places)
    for number in range(given.first, given.first + given.count):
        rng = np.random.default_rng([70, number])
        kind, place = str(rng.choice(KINDS, p=SHARES)), places[int(rng.integers(len(places)))]
        keep(given.output, kind, place, number, partial(draw, kind, place, number))


if __name__ == "__main__":
    main()
