"""A second dirt model, for checking only: other algorithms and other parameters than :mod:`.glass`.

Dirt is a transmittance and a scattered light made from spectra (1/f noise), sparse impulses convolved with a
polygonal aperture, a Delaunay net, point sources with inverse-square fall-off, and pieces of other photographs; the
harmless changes are built differently too, and come one, two or three at a time.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import Delaunay

from training.dirt.pairs import Pair
from training.dirt.scene import Harmless, cut_view

__all__ = ["CHECK_KINDS", "look_through", "render_check_pair", "render_check_today", "taken"]

Image = NDArray[np.float32]
Spoiled = tuple[Image, Image, Image]
CHECK_KINDS = ("haze", "film", "dust", "drops", "cobweb", "glow", "defocus", "blocked")
_NAMES = {"haze": "haze", "film": "haze", "dust": "spots", "drops": "spots", "cobweb": "cobweb", "glow": "infrared reflection",
          "defocus": "defocus", "blocked": "blocked"}


def spectrum_noise(h: int, w: int, power: float, rng: np.random.Generator) -> Image:
    """1/f**power noise with zero mean and unit sd."""
    fy, fx = np.fft.fftfreq(h)[:, None] * h / w, np.fft.rfftfreq(w)[None, :]
    amplitude = 1 / np.maximum(np.hypot(fx, fy), 1.0 / w) ** power
    phase = np.exp(2j * np.pi * rng.random(amplitude.shape))
    out = np.fft.irfft2(amplitude * phase, s=(h, w))
    return ((out - out.mean()) / out.std()).astype(np.float32)


def aperture(radius: float, blades: int, turn: float) -> Image:
    """Polygonal defocus kernel drawn at four times the size, sum 1."""
    n = int(np.ceil(radius)) + 1
    canvas = np.zeros((4 * (2 * n + 1), 4 * (2 * n + 1)), np.uint8)
    angles = turn + np.arange(blades) * 2 * np.pi / blades
    points = 4 * (n + 0.5) + 4 * radius * np.stack([np.cos(angles), np.sin(angles)], 1)
    cv2.fillPoly(canvas, [np.round(points).astype(np.int32)], 255, cv2.LINE_AA)
    kernel = cv2.resize(canvas, (2 * n + 1, 2 * n + 1), interpolation=cv2.INTER_AREA).astype(np.float32)
    return kernel / kernel.sum()


def _haze(image: Image, other: Image, rng: np.random.Generator, night: bool) -> Spoiled:
    h, w = image.shape[:2]
    a = np.full((h, w), rng.uniform(0.25, 0.7), np.float32)
    if rng.random() < 0.6:
        a *= (1 + rng.uniform(0.1, 0.6) * spectrum_noise(h, w, rng.uniform(1.2, 2.2), rng)).clip(0.05, 1.8)
    a = a.clip(0, 0.92)
    sigma = w * rng.uniform(0.03, 0.2)
    small = cv2.resize(image, (w // 8, h // 8), interpolation=cv2.INTER_AREA)
    scatter = cv2.resize(cv2.GaussianBlur(small, (0, 0), sigma / 8), (w, h))
    ambient = float(image.mean()) * rng.uniform(0.5, 1.6) * np.array([1, 0.96, rng.uniform(0.8, 1)], np.float32)
    k = rng.uniform(0.2, 0.8)
    out = image * (1 - a[..., None]) + a[..., None] * (k * scatter + (1 - k) * ambient)
    return out, (a / 0.3).clip(0, 1), (a > 0.9).astype(np.float32)


def _film(image: Image, other: Image, rng: np.random.Generator, night: bool) -> Spoiled:
    h, w = image.shape[:2]
    out, soiled, _ = _haze(image, other, rng, night)
    height = spectrum_noise(h, w, 2.4, rng) * w * rng.uniform(0.001, 0.004)
    gx, gy = np.gradient(height, axis=1), np.gradient(height, axis=0)
    ys, xs = np.mgrid[0:h, 0:w].astype(np.float32)
    out = cv2.remap(out.astype(np.float32), xs + 12 * gx.astype(np.float32), ys + 12 * gy.astype(np.float32), cv2.INTER_LINEAR,
                    borderMode=cv2.BORDER_REFLECT)
    if rng.random() < 0.6:
        edge = np.zeros((h, w), np.uint8)
        p, q = rng.uniform(0, 1, 2) * (w, h), rng.uniform(0, 1, 2) * (w, h)
        d = (q - p) / (np.linalg.norm(q - p) + 1e-6)
        far = np.array([p - 3 * w * d, p + 3 * w * d, p + 3 * w * d + 3 * w * d[::-1] * (-1, 1), p - 3 * w * d + 3 * w * d[::-1] * (-1, 1)])
        cv2.fillConvexPoly(edge, far.astype(np.int32), 255)
        m = cv2.GaussianBlur(edge.astype(np.float32) / 255, (0, 0), w * 0.006)
        out = image + (out - image) * m[..., None]
        soiled = soiled * m
    return out, soiled, np.zeros((h, w), np.float32)


def _dust(image: Image, other: Image, rng: np.random.Generator, night: bool) -> Spoiled:
    h, w = image.shape[:2]
    impulses = np.zeros((h, w), np.float32)
    count = int(rng.integers(12, 140))
    density = spectrum_noise(h, w, 1.6, rng)
    density = np.exp(rng.uniform(0, 1.2) * density).ravel().astype(np.float64)
    where = rng.choice(h * w, count, p=density / density.sum())
    impulses.ravel()[where] = rng.gamma(1.5, 0.5, count)
    optical = np.zeros((h, w), np.float32)
    sizes = w * np.array([rng.uniform(0.004, 0.012), rng.uniform(0.008, 0.022)])
    for share, radius in zip((0.6, 0.4), sizes, strict=True):
        kernel = aperture(float(radius), int(rng.integers(5, 9)), rng.uniform(0, 3))
        chosen = impulses * (rng.random((h, w)) < share)
        optical += cv2.filter2D(chosen, -1, kernel / kernel.max())
    optical = cv2.GaussianBlur(optical, (0, 0), w * rng.uniform(0.0008, 0.003))
    through = np.exp(-optical * rng.uniform(0.35, 1.4))
    light = float(np.percentile(image, 80)) * (rng.uniform(0, 1.0) if not night else rng.uniform(0.2, 2.5))
    out = image * through[..., None] + light * (1 - through[..., None])
    return out, ((1 - through) / 0.3).clip(0, 1), (through < 0.12).astype(np.float32)


def _drops(image: Image, other: Image, rng: np.random.Generator, night: bool) -> Spoiled:
    h, w = image.shape[:2]
    ys, xs = np.mgrid[0:h, 0:w].astype(np.float32)
    mx, my = xs.copy(), ys.copy()
    mask = np.zeros((h, w), np.float32)
    for _ in range(int(rng.integers(5, 40))):
        cx, cy, r = rng.uniform(0, w), rng.uniform(0, h), w * rng.uniform(0.012, 0.05)
        d2 = (((xs - cx) / r) ** 2 + ((ys - cy) / (r * rng.uniform(0.9, 1.5))) ** 2)
        inside = np.clip(1.2 - d2, 0, 1)
        mask = np.maximum(mask, inside.clip(0, 1))
        bend = inside * rng.uniform(1.2, 2.0)
        mx -= bend * (xs - cx)
        my -= bend * (ys - cy)
    bent = cv2.remap(image, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    bent = cv2.GaussianBlur(bent, (0, 0), w * rng.uniform(0.004, 0.012))
    m = cv2.GaussianBlur(mask, (0, 0), w * 0.004)[..., None] * rng.uniform(0.6, 1.0)
    return image * (1 - m) + bent * rng.uniform(0.8, 1.25) * m, (m[..., 0] / 0.3).clip(0, 1), np.zeros((h, w), np.float32)


def _web(image: Image, other: Image, rng: np.random.Generator, night: bool) -> Spoiled:
    h, w = image.shape[:2]
    layer = np.zeros((2 * h, 2 * w), np.uint8)
    if rng.random() < 0.5:
        points = rng.normal(size=(int(rng.integers(8, 30)), 2)) * (0.35 * w, 0.35 * h) + rng.uniform(0.1, 0.9, 2) * (w, h)
        for simplex in Delaunay(points).simplices:
            for i in range(3):
                if rng.random() < 0.45:
                    p, q = points[simplex[i]], points[simplex[(i + 1) % 3]]
                    cv2.line(layer, tuple((2 * p).astype(int).tolist()), tuple((2 * q).astype(int).tolist()),
                             int(rng.integers(80, 255)), 1, cv2.LINE_AA)
    else:
        centre = rng.uniform(0, 1, 2) * (w, h)
        theta = np.linspace(0, 2 * np.pi * rng.integers(3, 9), 500)
        r = theta / theta[-1] * w * rng.uniform(0.2, 0.6) * (1 + 0.05 * np.cos(rng.integers(6, 14) * theta))
        spiral = centre + np.stack([r * np.cos(theta), 0.8 * r * np.sin(theta)], 1)
        cv2.polylines(layer, [np.round(2 * spiral).astype(np.int32)], False, int(rng.integers(90, 220)), 1, cv2.LINE_AA)
        for a in rng.uniform(0, 2 * np.pi, int(rng.integers(6, 16))):
            end = centre + w * rng.uniform(0.3, 0.8) * np.array([np.cos(a), np.sin(a)])
            cv2.line(layer, tuple((2 * centre).astype(int).tolist()), tuple((2 * end).astype(int).tolist()),
                     int(rng.integers(120, 255)), 1, cv2.LINE_AA)
    lines = cv2.resize(layer, (w, h), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    sigma = w * rng.uniform(0.0009, 0.0045)
    m = cv2.GaussianBlur(lines, (0, 0), sigma) * (2.2 * sigma + 1)
    m = (m * rng.uniform(0.5, 1.2)).clip(0, 0.8)
    light = float(np.percentile(image, 85)) * (rng.uniform(0.8, 2.5) if night else rng.uniform(0.7, 1.5))
    return image * (1 - m[..., None]) + light * m[..., None], (m / 0.2).clip(0, 1), np.zeros((h, w), np.float32)


def _glow(image: Image, other: Image, rng: np.random.Generator, night: bool) -> Spoiled:
    h, w = image.shape[:2]
    ys, xs = np.mgrid[0:h, 0:w].astype(np.float32) / w
    side = int(rng.integers(4))
    along = rng.uniform(0, 1)
    cx, cy = ((along, -0.05), (along, h / w + 0.05), (-0.05, along * h / w), (1.05, along * h / w))[side]
    d2 = (xs - cx) ** 2 + (ys - cy) ** 2
    light = 1 / (d2 + rng.uniform(0.01, 0.06))
    light = light / light.max() * float(np.percentile(image, 95)) * rng.uniform(1.0, 5.0)
    out = image + light[..., None]
    local = cv2.blur(image.mean(axis=2), (w // 12, w // 12)) + 1e-3
    return out, (light / (1.2 * local)).clip(0, 1), (light > 8 * local).astype(np.float32)


def _defocus(image: Image, other: Image, rng: np.random.Generator, night: bool) -> Spoiled:
    h, w = image.shape[:2]
    if rng.random() < 0.5:
        out = cv2.GaussianBlur(image, (0, 0), w * rng.uniform(0.0022, 0.009))
    else:
        out = cv2.filter2D(image, -1, aperture(float(w * rng.uniform(0.0035, 0.013)), 6, rng.uniform(0, 1)))
    return out, np.ones((h, w), np.float32), np.zeros((h, w), np.float32)


def _blocked(image: Image, other: Image, rng: np.random.Generator, night: bool) -> Spoiled:
    h, w = image.shape[:2]
    noise = spectrum_noise(h, w, rng.uniform(1.4, 2.6), rng)
    ys, xs = np.mgrid[-1:1:h * 1j, -1:1:w * 1j].astype(np.float32)
    angle = rng.uniform(0, 2 * np.pi)
    field = noise + rng.uniform(0.5, 4) * (np.cos(angle) * xs + np.sin(angle) * ys)
    mask = (field > np.quantile(field, 1 - rng.uniform(0.1, 0.6))).astype(np.float32)
    blur = w * rng.uniform(0.004, 0.018)
    mask = cv2.GaussianBlur(mask, (0, 0), blur)[..., None]
    thing = cv2.GaussianBlur(cv2.resize(other, (w, h)), (0, 0), blur * rng.uniform(1, 2.5))
    thing = thing * rng.uniform(0.15, 1.2) * (rng.uniform(1, 4) if night else 1)
    if rng.random() < 0.35:
        thing = np.full_like(image, float(np.percentile(image, 50)) * rng.uniform(0.05, 1.5))
    return image * (1 - mask) + thing * mask, mask[..., 0], (mask[..., 0] > 0.6).astype(np.float32)


_RENDERERS: dict[str, Callable[[Image, Image, np.random.Generator, bool], Spoiled]] = {
    "haze": _haze, "film": _film, "dust": _dust, "drops": _drops, "cobweb": _web, "glow": _glow, "defocus": _defocus,
    "blocked": _blocked}

HARMLESS = ("none", "exposure", "fog", "night", "sun", "re-aimed", "moved", "recompressed", "resized")


def _photograph(image: Image, gain: float, noise: float, quality: int, rng: np.random.Generator,
                scale: float = 1.0) -> NDArray[np.uint8]:
    exposure = 0.8 / max(float(np.percentile(image, 93)), 1e-3)
    exposure = float(np.clip(exposure, 0.5, 20.0)) ** 0.8
    values = (image * exposure * gain).clip(0, 1.0) ** (1 / 2.2) * 255 + rng.normal(0, noise, image.shape)
    picture = values.clip(0, 255).astype(np.uint8)
    if scale != 1.0:
        small = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        picture = cv2.resize(small, (picture.shape[1], picture.shape[0]), interpolation=cv2.INTER_CUBIC)
    data = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    return cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1].copy()


def _change(image: Image, other: Image, names: tuple[str, ...], rng: np.random.Generator) -> Image:
    h, w = image.shape[:2]
    out = image
    ys = np.linspace(0, 1, h, dtype=np.float32)[:, None]
    if "moved" in names:
        out = out.copy()
        for _ in range(int(rng.integers(1, 5))):
            bw, bh = int(w * rng.uniform(0.03, 0.13)), int(h * rng.uniform(0.06, 0.3))
            x, y = int(rng.integers(0, w - bw)), int(rng.integers(0, h - bh))
            u, v = int(rng.integers(0, w - bw)), int(rng.integers(0, h - bh))
            source = out if rng.random() < 0.5 else cv2.resize(other, (w, h))
            out[y:y + bh, x:x + bw] = source[v:v + bh, u:u + bw]
    if "sun" in names:
        angle, offset = rng.uniform(0, 2 * np.pi), rng.uniform(-0.4, 0.4)
        y, x = np.mgrid[-1:1:h * 1j, -1:1:w * 1j]
        lit = 1 / (1 + np.exp(-(np.cos(angle) * x + np.sin(angle) * y - offset) * rng.uniform(4, 150)))
        out = out * (rng.uniform(0.35, 0.7) + rng.uniform(0.5, 1.0) * lit)[..., None].astype(np.float32)
    if "night" in names:
        grey = out @ np.array([0.5, 0.3, 0.2], np.float32)
        y, x = np.mgrid[-1:1:h * 1j, -1:1:w * 1j]
        lamp = np.exp(-(x**2 + (y - rng.uniform(0, 0.5)) ** 2) / rng.uniform(0.5, 2.5))
        out = np.repeat((grey * lamp * 0.3)[..., None], 3, 2).astype(np.float32)
    if "fog" in names:
        distance = np.clip(1.15 - ys * rng.uniform(1.0, 1.3), 0.03, None) ** rng.uniform(1.0, 2.0)
        luminance = cv2.GaussianBlur(image.mean(axis=2), (0, 0), w * 0.02)
        distance = distance * (0.8 + 0.4 * luminance / (luminance.max() + 1e-6))
        through = np.exp(-rng.uniform(0.4, 2.8) * distance)[..., None]
        air = float(np.percentile(out, 85)) * rng.uniform(0.7, 1.1)
        out = out * through + air * (1 - through)
    return out.astype(np.float32)


def render_check_pair(photo: NDArray[np.uint8], other: NDArray[np.uint8], rng: np.random.Generator, *, dirty: bool,
                      width: int | None = None, exposure: bool = False) -> Pair:
    """A pair by the second model; ``exposure`` adds a change of exposure to every pair, dirty or clean."""
    width = width or int(rng.choice([640, 960, 1280]))
    view = cut_view(photo, width, rng)
    names = tuple(str(n) for n in rng.choice(HARMLESS, int(rng.integers(1, 4)), replace=False) if n != "none")
    kind = str(rng.choice(CHECK_KINDS)) if dirty else "clear"
    if kind == "glow" and "night" not in names:
        names = (*names, "night")
    turn = (0.0, 0.0, 0.0)
    if "re-aimed" in names:
        direction = rng.normal(size=3)
        turn = tuple(float(v) for v in direction / np.linalg.norm(direction) * rng.uniform(0.5, 2.0))
    light = (cv2.resize(other, (width, width * 3 // 4), interpolation=cv2.INTER_AREA).astype(np.float32) / 255) ** 2.2
    night_reference = "night" in names and rng.random() < 0.5
    before = _change(view.seen(), light, ("night",), np.random.default_rng(1)) if night_reference else view.seen()
    reference = _photograph(before, 1.0, rng.uniform(0.5, 2), 92, rng)
    scene = _change(view.seen(turn), light, names, np.random.default_rng(int(rng.integers(1 << 30))))
    gain = float(np.exp(rng.uniform(-1.0, 0.7))) if exposure or "exposure" in names else 1.0
    quality = int(rng.integers(30, 60)) if "recompressed" in names else 90
    scale = float(rng.uniform(0.5, 0.8)) if "resized" in names else 1.0
    today, soiled, blocked = render_check_today(scene, light, kind, rng, "night" in names, gain, quality, scale)
    change = replace(Harmless(), turn_deg=turn, night="infrared" if "night" in names else "", names=names + ((f"kind {kind}",)))
    return Pair(reference, today, _NAMES.get(kind, "clear"), soiled, blocked, change, view.hfov_deg)


def render_check_today(scene: Image, other: Image, kind: str, rng: np.random.Generator, night: bool, gain: float,
                       quality: int, scale: float) -> tuple[NDArray[np.uint8], Image, Image]:
    """Today's picture of a scene with dirt of one kind (``clear`` for none), and its masks."""
    scene, soiled, blocked = look_through(scene, other, kind, rng, night)
    picture = _photograph(scene, gain, rng.uniform(0.5, 2.0) * (3 if night else 1), quality, rng, scale)
    return picture, soiled, blocked


def look_through(scene: Image, other: Image, kind: str, rng: np.random.Generator, night: bool = False) -> Spoiled:
    """A scene in linear light with dirt of one kind before it (``clear`` for none), and its masks."""
    if kind == "clear":
        nothing = np.zeros(scene.shape[:2], np.float32)
        return scene, nothing, nothing
    for _ in range(8):
        spoiled, soiled, blocked = _RENDERERS[kind](scene, other, rng, night)
        if soiled.mean() > 0.025:
            break
    return spoiled, soiled.astype(np.float32), blocked.astype(np.float32)


def taken(scene: Image, rng: np.random.Generator, gain: float = 1.0, quality: int = 90) -> NDArray[np.uint8]:
    """A scene in linear light as a camera by day takes it, with noise of its own."""
    return _photograph(scene, gain, rng.uniform(0.5, 2.0), quality, rng)
