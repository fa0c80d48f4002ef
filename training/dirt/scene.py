"""What the camera looks at, and every harmless thing that can happen between two pictures of it.

Images are linear light, ``float32`` RGB (H, W, 3), about 0..1; ``rng`` is a numpy generator and decides everything.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.frames import camera_from_world

__all__ = ["Camera", "Harmless", "View", "cut_view", "expose", "harmless_change", "pick_harmless", "smooth_noise"]

Image = NDArray[np.float32]
MARGIN = 0.14


@dataclass(frozen=True)
class Camera:
    """Sensor and compression, equal for both pictures of a pair but for its gain."""

    noise: float
    blur_px: float
    jpeg_quality: int
    gamma: float


@dataclass(frozen=True)
class Harmless:
    """What differs harmlessly between the reference and today."""

    turn_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)
    gain: float = 1.0
    tone: float = 1.0
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    fog: float = 0.0
    night: str = ""
    shade: int = 0
    gradient: float = 0.0
    moved: int = 0
    rain: float = 0.0
    resize: float = 1.0
    jpeg_quality: int = 90
    clock: bool = False
    names: tuple[str, ...] = field(default=())


@dataclass(frozen=True)
class View:
    """A photograph wider than the view, so that the camera can turn in it; ``hfov_deg`` is the view's."""

    wide: Image
    width: int
    height: int
    hfov_deg: float

    def seen(self, turn_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> Image:
        """The view after a turn by (pan, pitch, roll)."""
        focal = self.width / 2 / np.tan(np.radians(self.hfov_deg) / 2)
        turn = camera_from_world(*turn_deg) @ camera_from_world(0, 0, 0).T
        k_view = np.array([[focal, 0, (self.width - 1) / 2], [0, focal, (self.height - 1) / 2], [0, 0, 1]])
        k_wide = np.array([[focal, 0, (self.wide.shape[1] - 1) / 2], [0, focal, (self.wide.shape[0] - 1) / 2],
                           [0, 0, 1]])
        matrix = k_view @ turn @ np.linalg.inv(k_wide)
        return cv2.warpPerspective(self.wide, matrix, (self.width, self.height), flags=cv2.INTER_CUBIC,
                                   borderMode=cv2.BORDER_REFLECT).clip(0, None)


def cut_view(photo: NDArray[np.uint8], width: int, rng: np.random.Generator) -> View:
    """A random part of a photograph (8-bit RGB) as a view of the given width."""
    aspect = 16 / 9 if rng.random() < 0.75 else 4 / 3
    h, w = photo.shape[:2]
    share = rng.uniform(0.72, 1.0)
    part_w = min(w, h * aspect) * share
    part_h = part_w / aspect
    x, y = rng.uniform(0, w - part_w), rng.uniform(0, h - part_h)
    scale = width * (1 + 2 * MARGIN) / part_w
    height = round(width / aspect)
    wide_w, wide_h = round(width * (1 + 2 * MARGIN)), round(height * (1 + 2 * MARGIN))
    part = photo[int(y):int(y + part_h), int(x):int(x + part_w)]
    part = cv2.resize(part, (wide_w, wide_h), interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC)
    if rng.random() < 0.5:
        part = part[:, ::-1]
    light = (part.astype(np.float32) / 255) ** 2.2
    return View(np.ascontiguousarray(light), width, height, float(rng.uniform(45, 100)))


def smooth_noise(shape: tuple[int, int], scale: float, rng: np.random.Generator, octaves: int = 3) -> Image:
    """Noise of zero mean and unit sd whose largest structures are ``scale`` of the width."""
    out = np.zeros(shape, np.float32)
    cells = max(2, round(1 / scale))
    for octave in range(octaves):
        n = cells * 2**octave
        small = rng.normal(size=(max(2, round(n * shape[0] / shape[1])) + 1, n + 1)).astype(np.float32)
        out += cv2.resize(small, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC) * 0.55**octave
    return (out - out.mean()) / (out.std() + 1e-6)


def pick_harmless(rng: np.random.Generator, strength: float = 1.0) -> Harmless:
    """A random set of harmless changes; dirty and clean pairs draw from the same distribution."""
    names: list[str] = []

    def happens(name: str, chance: float) -> bool:
        yes = bool(rng.random() < chance * strength)
        if yes:
            names.append(name)
        return yes

    turn = (0.0, 0.0, 0.0)
    if happens("re-aimed", 0.45):
        direction = rng.normal(size=3)
        size = rng.uniform(0.2, 2.0) if rng.random() < 0.8 else rng.uniform(2, 8)
        turn = tuple(float(v) for v in direction / np.linalg.norm(direction) * size)
    gain, tone, tint = 1.0, 1.0, (1.0, 1.0, 1.0)
    if happens("exposure", 0.55):
        gain = float(np.exp(rng.uniform(-1.1, 0.8)))
        tone = float(np.exp(rng.normal(0, 0.12)))
        tint = tuple(float(v) for v in np.exp(rng.normal(0, 0.1, 3)))
    fog = float(np.exp(rng.uniform(np.log(0.08), np.log(1.6)))) if happens("fog", 0.22) else 0.0
    night = ""
    if happens("night", 0.24):
        night = str(rng.choice(["infrared", "infrared", "lamps"]))
    shade = int(rng.integers(1, 5)) if happens("shade", 0.35) else 0
    gradient = float(rng.normal(0, 0.5)) if happens("gradient", 0.3) else 0.0
    moved = int(rng.integers(1, 7)) if happens("moved", 0.45) else 0
    rain = float(rng.uniform(0.02, 0.12)) if happens("rain", 0.07) else 0.0
    resize = float(rng.uniform(0.6, 0.95)) if happens("resized", 0.15) else 1.0
    quality = int(rng.integers(28, 70)) if happens("recompressed", 0.35) else int(rng.integers(75, 96))
    return Harmless(turn, gain, tone, tint, fog, night, shade, gradient, moved, rain, resize, quality,
                    happens("clock", 0.25), tuple(names))


def _polygon(shape: tuple[int, int], rng: np.random.Generator, size: float) -> Image:
    h, w = shape
    centre = rng.uniform(0, 1, 2) * (w, h)
    angles = np.sort(rng.uniform(0, 2 * np.pi, int(rng.integers(4, 9))))
    radius = size * w * rng.uniform(0.5, 1.3, angles.size)
    points = centre + np.stack([np.cos(angles), np.sin(angles)], 1) * radius[:, None]
    mask = np.zeros(shape, np.uint8)
    cv2.fillPoly(mask, [points.astype(np.int32)], 255)
    return mask.astype(np.float32) / 255


def depth_map(image: Image, rng: np.random.Generator) -> Image:
    """A plausible distance for each pixel: ground to a horizon, things that stand on it, sky farthest."""
    h, w = image.shape[:2]
    if rng.random() < 0.5:
        return _open_depth(image, rng)
    horizon = rng.uniform(-0.15, 0.5) * h
    rows = np.arange(h, dtype=np.float32)[:, None]
    below = np.maximum(rows - horizon, 0.02 * h) / h
    depth = np.broadcast_to(0.12 / below, (h, w)).copy()
    column = smooth_noise((1, w), rng.uniform(0.1, 0.3), rng, 2)[0]
    foot = (horizon + (0.18 + 0.12 * column) * h).clip(0, h - 1)
    near = 0.12 / (np.maximum(foot - horizon, 0.04 * h) / h)
    standing = rows < foot[None, :]
    top = foot - (0.25 + 0.2 * smooth_noise((1, w), 0.12, rng, 3)[0]) * h
    inside = standing & (rows > top[None, :])
    depth = np.where(inside, near[None, :], depth)
    luminance = image.mean(axis=2)
    darker = cv2.GaussianBlur(luminance, (0, 0), 0.01 * w) < np.median(luminance)
    return np.where(darker, depth * rng.uniform(0.5, 1.0), depth).clip(0.05, 6).astype(np.float32)


def _open_depth(image: Image, rng: np.random.Generator) -> Image:
    """An open place: distance grows smoothly up the picture, a little more where it is pale."""
    h, w = image.shape[:2]
    y, x = np.mgrid[0:1:h * 1j, -0.5:0.5:w * 1j].astype(np.float32)
    up = (1 - y + rng.normal(0, 0.15) * x - rng.uniform(-0.1, 0.35)).clip(0, None)
    depth = up ** rng.uniform(0.7, 2.5) * rng.uniform(0.8, 2.5)
    pale = cv2.GaussianBlur(image.mean(axis=2), (0, 0), rng.uniform(0.006, 0.04) * w)
    pale = pale / (np.percentile(pale, 95) + 1e-6)
    depth = depth * (1 + rng.uniform(0, 0.8) * (pale - 0.5))
    if rng.random() < 0.4:
        depth = depth * (1 + 0.2 * smooth_noise((h, w), rng.uniform(0.1, 0.4), rng, 2))
    return (depth + rng.uniform(0.0, 0.1)).clip(0.01, 6).astype(np.float32)


def harmless_change(image: Image, change: Harmless, others: Image, rng: np.random.Generator) -> Image:
    """Applies what happens in front of the glass: light, weather, things that move."""
    out = image.copy()
    h, w = out.shape[:2]
    for _ in range(change.moved):
        size = rng.uniform(0.02, 0.09)
        mask = _polygon((h, w), rng, size)
        x, y = int(rng.integers(0, max(1, others.shape[1] - w + 1))), int(rng.integers(0, max(1, others.shape[0] - h + 1)))
        foreign = others[y:y + h, x:x + w]
        if foreign.shape[:2] != (h, w):
            foreign = cv2.resize(others, (w, h))
        if rng.random() < 0.35:
            bw, bh = int(w * size * rng.uniform(0.8, 2)), int(h * size * rng.uniform(1, 5))
            left, top = int(rng.integers(0, w)), int(rng.integers(0, h))
            mask = np.zeros((h, w), np.float32)
            mask[top:top + bh, left:left + bw] = 1.0
        mask = cv2.GaussianBlur(mask, (0, 0), rng.uniform(0.3, 1.0))[..., None]
        out = out * (1 - mask) + foreign * rng.uniform(0.5, 1.3) * mask
    for _ in range(change.shade):
        mask = _polygon((h, w), rng, rng.uniform(0.1, 0.5))
        mask = cv2.GaussianBlur(mask, (0, 0), rng.uniform(0.5, 12))
        out = out * (1 + (rng.uniform(0.25, 0.8) if rng.random() < 0.6 else rng.uniform(1.2, 2.5)) * mask - mask)[..., None]
    if change.shade and rng.random() < 0.35:
        y, x = np.mgrid[-1:1:h * 1j, -1:1:w * 1j].astype(np.float32)
        angle, offset = rng.uniform(0, 2 * np.pi), rng.uniform(-0.6, 0.6)
        lit = 1 / (1 + np.exp(-(np.cos(angle) * x + np.sin(angle) * y - offset) * np.exp(rng.uniform(1, 5.5))))
        out = out * (rng.uniform(0.25, 0.75) + lit * rng.uniform(0.3, 1.2))[..., None]
    if change.gradient:
        y, x = np.mgrid[-1:1:h * 1j, -1:1:w * 1j].astype(np.float32)
        angle = rng.uniform(0, 2 * np.pi)
        out = out * np.exp(change.gradient * (np.cos(angle) * x + np.sin(angle) * y))[..., None]
    if change.night:
        out = _night(out, change.night, rng)
    if change.fog:
        depth = depth_map(image, rng)
        through = np.exp(-change.fog * depth)[..., None]
        air = rng.uniform(0.35, 0.9) * (0.15 if change.night else 1.0) * np.array(
            [1.0, 1.0, 1.0 if change.night else rng.uniform(1.0, 1.1)], np.float32)
        out = out * through + air * (1 - through)
    if change.rain:
        streaks = (rng.random((h, w)) < change.rain * 0.02).astype(np.float32)
        length = int(rng.integers(7, 25))
        kernel = np.zeros((length, length), np.float32)
        cv2.line(kernel, (length // 2, 0), (length // 2 + int(rng.integers(-3, 4)), length - 1), 1.0)
        out = out + (0.15 * out.mean() + 0.05) * cv2.filter2D(streaks, -1, kernel).clip(0, 1)[..., None]
    return out.astype(np.float32)


def _night(image: Image, kind: str, rng: np.random.Generator) -> Image:
    h, w = image.shape[:2]
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    grey = image @ np.array([0.45, 0.3, 0.25], np.float32)
    if kind == "infrared":
        cx, cy = w * rng.uniform(0.35, 0.65), h * rng.uniform(0.4, 0.8)
        spread = w * rng.uniform(0.25, 0.7)
        lit = np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * spread**2))
        if rng.random() < 0.6:
            depth = depth_map(image, rng)
            lit = lit / (0.3 + depth) ** 2
            lit /= np.percentile(lit, 95)
        out = grey * (0.02 + lit.clip(0, 2)) * rng.uniform(0.5, 1.5)
        return np.repeat(out[..., None], 3, axis=2).astype(np.float32)
    out = image * rng.uniform(0.01, 0.08)
    for _ in range(int(rng.integers(1, 5))):
        cx, cy = rng.uniform(0, w), rng.uniform(0, 0.7 * h)
        reach = w * rng.uniform(0.04, 0.25)
        near = 1 / (1 + ((x - cx) ** 2 + (y - cy) ** 2) / reach**2)
        out = out + image * (near * rng.uniform(0.2, 0.8))[..., None]
        core = np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * (w * rng.uniform(0.002, 0.008)) ** 2))
        out = out + core[..., None] * 3
    return out.astype(np.float32)


def pick_camera(rng: np.random.Generator) -> Camera:
    """A random camera."""
    return Camera(float(np.exp(rng.uniform(np.log(0.002), np.log(0.012)))), float(rng.uniform(0.0, 0.9)),
                  int(rng.integers(80, 96)), float(rng.uniform(2.0, 2.4)))


def expose(image: Image, camera: Camera, rng: np.random.Generator, change: Harmless | None = None) -> NDArray[np.uint8]:
    """Linear light to the 8-bit picture: automatic exposure, noise, tone, resize and compression."""
    change = change or Harmless(jpeg_quality=camera.jpeg_quality)
    level = float(np.percentile(image, rng.uniform(85, 97)))
    automatic = (rng.uniform(0.55, 0.9) / max(level, 1e-3)) ** rng.uniform(0.3, 1.0)
    automatic = min(automatic, 25.0 if change.night else 4.0)
    out = image * automatic * change.gain * np.array(change.tint, np.float32)
    if camera.blur_px > 0.3:
        out = cv2.GaussianBlur(out, (0, 0), camera.blur_px * image.shape[1] / 1280 + 0.05)
    noise = camera.noise * (4.0 if change.night else 1.0)
    shape = out.shape[:2]
    if change.night == "infrared":
        grain = np.repeat(rng.normal(size=shape).astype(np.float32)[..., None], 3, axis=2)
    else:
        grain = rng.normal(size=out.shape).astype(np.float32)
    out = out + grain * noise * np.sqrt(out.clip(0, 1) + 0.05)
    out = out.clip(0, 1) ** (change.tone / camera.gamma)
    picture = (out * 255 + 0.5).astype(np.uint8)
    if change.resize < 1:
        small = cv2.resize(picture, None, fx=change.resize, fy=change.resize, interpolation=cv2.INTER_AREA)
        if rng.random() < 0.5:
            small = cv2.resize(small, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR)
        picture = small
    if change.clock:
        _write_clock(picture, rng)
    _, data = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, change.jpeg_quality])
    return cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1].copy()


def _write_clock(picture: NDArray[np.uint8], rng: np.random.Generator) -> None:
    h, w = picture.shape[:2]
    scale = h / 720 * rng.uniform(0.7, 1.3)
    text = f"20{rng.integers(20, 30)}-{rng.integers(1, 13):02d}-{rng.integers(1, 29):02d} {rng.integers(0, 24):02d}:{rng.integers(0, 60):02d}:{rng.integers(0, 60):02d}"
    x = int(w * rng.choice([0.02, 0.62]))
    y = int(h * rng.choice([0.06, 0.96]))
    if rng.random() < 0.6:
        cv2.putText(picture, text, (x, y), cv2.FONT_HERSHEY_SIMPLEX, scale, (0, 0, 0), max(2, round(4 * scale)), cv2.LINE_AA)
    cv2.putText(picture, text, (x, y), cv2.FONT_HERSHEY_SIMPLEX, scale, (255, 255, 255), max(1, round(1.6 * scale)), cv2.LINE_AA)
