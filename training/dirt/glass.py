"""Dirt on the glass, rendered in linear light: the model that the weights are trained on.

Whatever sits on the cover is far out of focus: it blocks a share ``m`` of the light that passes it and adds light
that it scatters. So a film is ``(1 - m) image + m (wide blur of the image + veil)``; a speck is a disc the size of
the defocus; a drop bends the scene into a blurred, mirrored patch; a dried rim is a ring.

Each renderer takes and returns ``float32`` linear RGB, with two masks of 0..1: soiled (how much is spoiled) and
blocked (how much is hidden altogether).
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from training.dirt.scene import smooth_noise

__all__ = ["KINDS", "spoil"]

Image = NDArray[np.float32]
Spoiled = tuple[Image, Image, Image]
RUBBED_SHARE = 0.4
KINDS = ("haze", "spots", "cobweb", "infrared reflection", "defocus", "blocked")


def disc(radius: float, soft: float = 0.6) -> Image:
    """Defocus kernel: a disc with a soft rim, sum 1."""
    n = int(np.ceil(radius + 2))
    y, x = np.mgrid[-n:n + 1, -n:n + 1]
    kernel = 1 / (1 + np.exp((np.hypot(x, y) - radius) / max(soft, 0.05)))
    return (kernel / kernel.sum()).astype(np.float32)


def wide_blur(image: Image, share: float) -> Image:
    """Scatter through a large angle: a blur of ``share`` of the width, with long tails."""
    h, w = image.shape[:2]
    small = cv2.resize(image, (96, max(8, round(96 * h / w))), interpolation=cv2.INTER_AREA)
    near = cv2.GaussianBlur(small, (0, 0), max(0.5, 96 * share), borderType=cv2.BORDER_REFLECT)
    far = cv2.GaussianBlur(small, (0, 0), max(1.0, 288 * share), borderType=cv2.BORDER_REFLECT)
    return cv2.resize(0.6 * near + 0.4 * far, (w, h), interpolation=cv2.INTER_LINEAR)


def _veil(image: Image, rng: np.random.Generator) -> Image:
    """Light that dirt scatters from the surroundings: near the scene's mean, dusty in colour."""
    mean = image.reshape(-1, 3).mean(axis=0)
    bright = float(np.percentile(image, 90))
    dust = np.array([1.0, rng.uniform(0.88, 1.0), rng.uniform(0.7, 1.0)], np.float32)
    return ((0.5 * mean + 0.5 * bright * dust) * rng.uniform(0.35, 1.3)).astype(np.float32)


def film(image: Image, rng: np.random.Generator, night: bool) -> Spoiled:
    """Dust haze, grease, condensation or a protective film: most of the light passes, contrast falls."""
    h, w = image.shape[:2]
    form = rng.choice(["even", "patchy", "runs", "from the rim", "film edge", "condensation"])
    base = rng.uniform(0.22, 0.75)
    m = np.full((h, w), base, np.float32)
    y, x = np.mgrid[-1:1:h * 1j, -1:1:w * 1j].astype(np.float32)
    if form == "even":
        m *= 1 + 0.12 * smooth_noise((h, w), rng.uniform(0.2, 0.8), rng)
    elif form == "patchy":
        m *= (0.75 + 0.5 * smooth_noise((h, w), rng.uniform(0.1, 0.5), rng)).clip(0.05, None)
    elif form == "runs":
        runs = np.repeat(smooth_noise((1, w), rng.uniform(0.02, 0.08), rng), h, axis=0)
        m *= (0.8 + 0.5 * runs * (0.6 + 0.4 * y)).clip(0.02, None)
    elif form == "from the rim":
        angle = rng.uniform(0, 2 * np.pi)
        side = np.cos(angle) * x + np.sin(angle) * y if rng.random() < 0.6 else np.hypot(x, y)
        m *= (1 / (1 + np.exp(-(side - rng.uniform(-0.5, 0.5)) * rng.uniform(2, 8)))) * 1.3
    elif form == "film edge":
        angle, offset = rng.uniform(0, 2 * np.pi), rng.uniform(-0.9, 0.2)
        side = np.cos(angle) * x + np.sin(angle) * y - offset
        m *= 1 / (1 + np.exp(-side * rng.uniform(15, 60)))
    else:
        cx, cy = rng.uniform(-0.5, 0.5), rng.uniform(-0.3, 0.9)
        m *= np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * rng.uniform(0.4, 1.0) ** 2)) * 1.3
    out = image
    if form == "film edge" or rng.random() < 0.15:
        ridges = smooth_noise((h, w), rng.uniform(0.08, 0.3), rng, 2)
        wrinkles = np.exp(-(ridges / rng.uniform(0.04, 0.15)) ** 2)
        bend = cv2.GaussianBlur(wrinkles, (0, 0), 0.004 * w) * 0.01 * w * (m > 0.1)
        ys, xs = np.mgrid[0:h, 0:w].astype(np.float32)
        out = cv2.remap(image, xs + cv2.Sobel(bend, cv2.CV_32F, 1, 0), ys + cv2.Sobel(bend, cv2.CV_32F, 0, 1),
                        cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
        m = m + 0.2 * wrinkles * (m > 0.1)
    m = m.clip(0, 0.93)
    veil = _veil(image, rng) * (1 + 0.1 * smooth_noise((h, w), 0.4, rng, 1))[..., None]
    share = rng.uniform(0.3, 0.95)
    spread = rng.uniform(0.01, 0.12)
    glow = share * wide_blur(image, spread) + (1 - share) * veil
    small_angle = rng.uniform(0, 0.5) if form == "condensation" else rng.uniform(0, 0.25)
    if small_angle > 0.08:
        soft = cv2.GaussianBlur(out, (0, 0), rng.uniform(0.002, 0.008) * w)
        out = out + (soft - out) * (small_angle * (m > 0.1))[..., None]
    mm = m[..., None]
    return ((1 - mm) * out + mm * glow).astype(np.float32), (m / 0.3).clip(0, 1), (m > 0.9).astype(np.float32)


def rubbed(image: Image, rng: np.random.Generator, night: bool) -> Spoiled:
    """What a hand or a cloth left: thick pen lines of a wandering hand out of focus, or a film less such lines."""
    h, w = image.shape[:2]
    m = np.zeros((h, w), np.float32)
    for _ in range(int(np.exp(rng.uniform(0, np.log(14))))):
        steps = rng.normal(size=(int(rng.integers(2, 30)), 2)).cumsum(axis=0) * w * rng.uniform(0.004, 0.03)
        points = np.round(steps + rng.uniform(0, 1, 2) * (w, h)).astype(np.int32)
        line = np.zeros((h, w), np.float32)
        cv2.polylines(line, [points], False, 1.0, max(2, round(w * np.exp(rng.uniform(np.log(0.015), np.log(0.1))))), cv2.LINE_AA)
        m = np.maximum(m, line * rng.uniform(0.5, 1))
    m = cv2.GaussianBlur(m, (0, 0), w * np.exp(rng.uniform(np.log(0.002), np.log(0.02))))
    m = (1 - m if rng.random() < 0.25 else m) * (1 + 0.2 * smooth_noise((h, w), rng.uniform(0.03, 0.3), rng))
    m = (m * rng.uniform(0.15, 0.85)).clip(0, 0.93).astype(np.float32)
    share = rng.uniform(0.2, 0.95)
    glow = share * wide_blur(image, rng.uniform(0.008, 0.08)) + (1 - share) * _veil(image, rng)
    out = image
    if rng.random() < 0.4:
        out = image + (cv2.GaussianBlur(image, (0, 0), rng.uniform(0.002, 0.008) * w) - image) * m[..., None]
    return (out + (glow - out) * m[..., None]).astype(np.float32), (m / 0.3).clip(0, 1), np.zeros((h, w), np.float32)


def haze(image: Image, rng: np.random.Generator, night: bool) -> Spoiled:
    """A film, or what rubbing made of one."""
    return (rubbed if rng.random() < RUBBED_SHARE else film)(image, rng, night)


def spots(image: Image, rng: np.random.Generator, night: bool) -> Spoiled:
    """Dust specks, mud splashes, drops and their dried rims, all out of focus."""
    h, w = image.shape[:2]
    form = rng.choice(["specks", "specks", "drops", "rims", "splash"])
    count = int(np.exp(rng.uniform(np.log(8), np.log(180))))
    focus = w * np.exp(rng.uniform(np.log(0.004), np.log(0.03)))
    take, add, drop = np.zeros((h, w), np.float32), np.zeros((h, w), np.float32), np.zeros((h, w), np.float32)
    centre = rng.uniform(0, 1, 2) * (w, h)
    for _ in range(count):
        if form == "splash":
            cx, cy = centre + rng.normal(size=2) * 0.18 * w
        else:
            cx, cy = rng.uniform(0, w), rng.uniform(0, h)
        size = focus * np.exp(rng.normal(0, 0.45)) * (1.6 if form in ("drops", "rims") else 1.0)
        strength = float(rng.beta(2, 2.5)) * rng.uniform(0.5, 1.0)
        r = int(np.ceil(size * 1.8 + 3))
        x0, x1, y0, y1 = int(max(0, cx - r)), int(min(w, cx + r)), int(max(0, cy - r)), int(min(h, cy + r))
        if x1 - x0 < 2 or y1 - y0 < 2:
            continue
        yy, xx = np.mgrid[y0:y1, x0:x1].astype(np.float32)
        squash = np.exp(rng.normal(0, 0.15))
        angle = np.arctan2(yy - cy, xx - cx)
        lobes = 1 + rng.uniform(0, 0.18) * np.cos(int(rng.integers(2, 6)) * angle + rng.uniform(0, 6))
        distance = np.hypot((xx - cx) * squash, (yy - cy) / squash) / lobes
        soft = max(0.6, size * rng.uniform(0.08, 0.35))
        body = 1 / (1 + np.exp((distance - size) / soft))
        if form == "rims":
            ring = np.exp(-((distance - size) / (soft * 1.2)) ** 2)
            body = 0.35 * body + 0.9 * ring
        box = (slice(y0, y1), slice(x0, x1))
        opaque = strength * (rng.uniform(0.0, 0.5) if form == "drops" else 1.0)
        take[box] = 1 - (1 - take[box]) * (1 - opaque * body.clip(0, 1))
        add[box] += opaque * body * rng.uniform(0.1, 1.0)
        if form == "drops":
            drop[box] = np.maximum(drop[box], body)
    veil = _veil(image, rng)
    scatter = wide_blur(image, rng.uniform(0.02, 0.1))
    lightness = rng.uniform(0.0, 1.1)
    t = take[..., None]
    out = (1 - t) * image + (add.clip(0, 1) * lightness)[..., None] * (0.5 * veil + 0.5 * scatter)
    soiled = take
    if form == "drops":
        if rng.random() < 0.5:
            flipped = cv2.GaussianBlur(image[::-1], (0, 0), 0.02 * w)
        else:
            ys, xs = np.mgrid[0:h, 0:w].astype(np.float32)
            thick = cv2.GaussianBlur(drop, (0, 0), 0.25 * focus + 0.5)
            pull = np.float32(rng.uniform(1.0, 4.0) * focus**2)
            flipped = cv2.remap(image, xs + pull * cv2.Sobel(thick, cv2.CV_32F, 1, 0, scale=0.125),
                                ys + pull * cv2.Sobel(thick, cv2.CV_32F, 0, 1, scale=0.125), cv2.INTER_LINEAR,
                                borderMode=cv2.BORDER_REFLECT)
            flipped = cv2.GaussianBlur(flipped, (0, 0), rng.uniform(0.003, 0.012) * w)
        d = (drop * rng.uniform(0.5, 0.95))[..., None]
        out = out * (1 - d) + (0.7 * flipped + 0.3 * scatter) * rng.uniform(0.8, 1.3) * d
        soiled = np.maximum(soiled, d[..., 0])
    if night and rng.random() < 0.6:
        out = out + (add.clip(0, 1) * rng.uniform(0.1, 0.8))[..., None] * float(np.percentile(image, 92))
    return out.astype(np.float32), (soiled / 0.3).clip(0, 1), (take > 0.85).astype(np.float32)


def web(image: Image, rng: np.random.Generator, night: bool) -> Spoiled:
    """Strands across the cover: bright by infrared or against the sun, pale veils by day."""
    h, w = image.shape[:2]
    lines = np.zeros((h, w), np.float32)

    def strand(points: NDArray[np.float64], weight: float) -> None:
        layer = np.zeros((h, w), np.uint8)
        cv2.polylines(layer, [np.round(points * 8).astype(np.int32)], False, 255, 1, cv2.LINE_AA, 3)
        np.maximum(lines, layer.astype(np.float32) / 255 * weight, out=lines)

    centre = rng.uniform(-0.1, 1.1, 2) * (w, h)
    spokes = int(rng.integers(4, 20))
    angles = np.sort(rng.uniform(0, 2 * np.pi, spokes))
    reach = w * rng.uniform(0.3, 1.1)
    if rng.random() < 0.7:
        for a in angles:
            s = np.linspace(0, 1, 12)[:, None]
            sag = rng.normal(0, 0.03) * w * np.sin(np.pi * s)
            direction = np.array([np.cos(a), np.sin(a)])
            strand(centre + s * reach * direction + sag * direction[::-1] * (1, -1), rng.uniform(0.3, 1))
        turns = int(rng.integers(2, 12))
        for turn in range(turns):
            r = reach * (turn + rng.uniform(0.5, 1)) / turns
            for a, b in zip(angles[:-1], angles[1:], strict=True):
                if rng.random() < 0.75:
                    p, q = centre + r * np.array([np.cos(a), np.sin(a)]), centre + r * np.array([np.cos(b), np.sin(b)])
                    mid = (p + q) / 2 + (centre - (p + q) / 2) * rng.uniform(0, 0.12)
                    strand(np.stack([p, mid, q]), rng.uniform(0.2, 0.8))
    for _ in range(int(rng.integers(3, 14))):
        edge = rng.uniform(-0.05, 1.05, (4, 2)) * (w, h)
        s = np.linspace(0, 1, 16)[:, None]
        curve = (1 - s) ** 3 * edge[0] + 3 * (1 - s) ** 2 * s * (edge[0] * 0.6 + edge[1] * 0.4) \
            + 3 * (1 - s) * s**2 * (edge[3] * 0.6 + edge[2] * 0.4) + s**3 * edge[3]
        strand(curve, rng.uniform(0.3, 1))
    radius = w * np.exp(rng.uniform(np.log(0.0012), np.log(0.009)))
    blurred = cv2.filter2D(lines, -1, disc(radius)) * (1 + 1.6 * radius)
    m = (blurred * rng.uniform(0.25, 0.8)).clip(0, 0.9)
    if rng.random() < 0.5:
        m = m * (0.6 + 0.5 * smooth_noise((h, w), 0.25, rng, 2)).clip(0, 1.4)
        m = m.clip(0, 0.9)
    lit = float(np.percentile(image, 92)) * (rng.uniform(0.6, 2.5) if night else rng.uniform(0.5, 1.6))
    out = (1 - 0.7 * m[..., None]) * image + m[..., None] * lit
    if rng.random() < 0.5:
        haze = cv2.GaussianBlur(m, (0, 0), 0.03 * w)[..., None] * rng.uniform(0, 1.2)
        out = (1 - haze.clip(0, 0.7)) * out + haze.clip(0, 0.7) * lit * 0.8
    return out.astype(np.float32), (m / 0.2).clip(0, 1), np.zeros((h, w), np.float32)


def glow(image: Image, rng: np.random.Generator, night: bool) -> Spoiled:
    """Infrared that comes straight back: a lobe, arc or ring of light falling off from a rim or corner."""
    h, w = image.shape[:2]
    y, x = np.mgrid[0:h, 0:w].astype(np.float32) / w
    tall = h / w
    form = rng.choice(["corner", "edge", "arc", "ring", "low arc"])
    reach = rng.uniform(0.08, 0.4)
    if form == "corner":
        cx, cy = float(rng.choice([0, 1])) + rng.normal(0, 0.1), float(rng.choice([0, tall])) + rng.normal(0, 0.06)
        distance = np.hypot(x - cx, y - cy)
    elif form == "edge":
        angle = rng.uniform(0, 2 * np.pi)
        side = np.cos(angle) * (x - 0.5) + np.sin(angle) * (y - tall / 2)
        distance = side.max() - side
    elif form == "ring":
        distance = np.abs(np.hypot(x - 0.5 - rng.normal(0, 0.05), y - tall / 2) - rng.uniform(0.2, 0.45))
        reach *= 0.5
    else:
        r = rng.uniform(0.4, 1.2)
        cx = 0.5 + rng.normal(0, 0.15)
        cy = tall * (0.8 if form == "low arc" else rng.uniform(0, 1)) + r * (1 if form == "low arc" else rng.choice([-1, 1]))
        distance = np.abs(np.hypot(x - cx, y - cy) - r)
    fall = np.exp(-(distance / reach)) if rng.random() < 0.5 else 1 / (1 + (distance / reach) ** 2) ** 1.5
    peak = float(np.percentile(image, 95)) * np.exp(rng.uniform(np.log(0.8), np.log(6)))
    light = fall * peak * (1 + 0.08 * smooth_noise((h, w), 0.15, rng))
    if rng.random() < 0.5:
        even = wide_blur(image, 0.2) * rng.uniform(0.1, 0.6)
        image = image * rng.uniform(0.6, 1.0) + even
    out = image + light.clip(0, None)[..., None]
    local = cv2.GaussianBlur(image.mean(axis=2), (0, 0), 0.03 * w) + 0.02 * peak
    return out.astype(np.float32), (light / (1.2 * local)).clip(0, 1), (light > 8 * local).astype(np.float32)


def defocus(image: Image, rng: np.random.Generator, night: bool) -> Spoiled:
    """Focus lost: a disc, over the whole picture or growing to one side."""
    h, w = image.shape[:2]
    radius = w * np.exp(rng.uniform(np.log(0.0028), np.log(0.016)))
    blurred = cv2.filter2D(image, -1, disc(radius), borderType=cv2.BORDER_REFLECT)
    m = np.ones((h, w), np.float32)
    if rng.random() < 0.3:
        half = cv2.filter2D(image, -1, disc(radius / 2), borderType=cv2.BORDER_REFLECT)
        y, x = np.mgrid[-1:1:h * 1j, -1:1:w * 1j].astype(np.float32)
        angle = rng.uniform(0, 2 * np.pi)
        ramp = (0.6 + 0.6 * (np.cos(angle) * x + np.sin(angle) * y)).clip(0, 1)
        low = (ramp * 2).clip(0, 1)[..., None]
        high = (ramp * 2 - 1).clip(0, 1)[..., None]
        blurred = (image * (1 - low) + half * low) * (1 - high) + blurred * high
        m = ramp
    return blurred.astype(np.float32), m.astype(np.float32), np.zeros((h, w), np.float32)


def blocked(image: Image, rng: np.random.Generator, night: bool) -> Spoiled:
    """Something close in front: leaves, a bar, cloth, a sticker, a hood; out of focus, often dark or glaring."""
    h, w = image.shape[:2]
    form = rng.choice(["leaves", "leaves", "bar", "board", "side", "cover"])
    mask = np.zeros((h, w), np.uint8)
    tone = np.zeros((h, w), np.float32)
    if form == "leaves":
        centre = np.array([rng.choice([0.0, 1.0, rng.uniform()]), rng.choice([0.0, 1.0, rng.uniform()])]) * (w, h)
        for _ in range(int(rng.integers(8, 70))):
            c = centre + rng.normal(size=2) * (w * rng.uniform(0.1, 0.25), h * rng.uniform(0.12, 0.3))
            size = w * rng.uniform(0.02, 0.08)
            axes = (int(size), max(2, int(size * rng.uniform(0.25, 0.6))))
            leaf = np.zeros((h, w), np.uint8)
            cv2.ellipse(leaf, (int(c[0]), int(c[1])), axes, float(rng.uniform(0, 180)), 0, 360, 255, -1)
            tone[leaf > 0] = rng.uniform(0.3, 1.6)
            mask |= leaf
    elif form == "bar":
        for _ in range(int(rng.integers(1, 3))):
            p, q = rng.uniform(-0.2, 1.2, 2) * (w, h), rng.uniform(-0.2, 1.2, 2) * (w, h)
            cv2.line(mask, tuple(int(v) for v in p), tuple(int(v) for v in q), 255, int(w * rng.uniform(0.05, 0.2)))
        tone[:] = 1.0
    elif form == "side":
        angle = rng.uniform(0, 2 * np.pi)
        y, x = np.mgrid[-1:1:h * 1j, -1:1:w * 1j]
        side = np.cos(angle) * x + np.sin(angle) * y + 0.15 * smooth_noise((h, w), 0.3, rng)
        mask[side > np.quantile(side, 1 - rng.uniform(0.12, 0.75))] = 255
        tone[:] = 1.0
    elif form == "cover":
        mask[:] = 255
        hole = _hole(h, w, rng)
        mask[hole > 0] = 0
        tone[:] = 1.0
    else:
        corners = (rng.uniform(0.1, 0.9, 2) + rng.normal(size=(5, 2)) * 0.22) * (w, h)
        cv2.fillConvexPoly(mask, cv2.convexHull(corners.astype(np.float32)).astype(np.int32), 255)
        tone[:] = 1.0
    blur = w * np.exp(rng.uniform(np.log(0.003), np.log(0.025)))
    alpha = cv2.GaussianBlur(mask.astype(np.float32) / 255, (0, 0), blur)
    tone = cv2.GaussianBlur(tone * (1 + 0.15 * smooth_noise((h, w), 0.1, rng)), (0, 0), blur)
    level = float(np.percentile(image, 75)) * np.exp(rng.uniform(np.log(0.03), np.log(2.5 if not night else 5)))
    hue = np.array([rng.uniform(0.5, 1.0), rng.uniform(0.6, 1.0), rng.uniform(0.3, 1.0)], np.float32)
    if night:
        hue[:] = 1.0
    y, x = np.mgrid[-1:1:h * 1j, -1:1:w * 1j].astype(np.float32)
    shading = 1 + rng.normal(0, 0.25) * x + rng.normal(0, 0.25) * y
    thing = (level * tone * shading)[..., None].clip(0, None) * hue
    a = alpha[..., None]
    return ((1 - a) * image + a * thing).astype(np.float32), alpha, (alpha > 0.6).astype(np.float32)


def _hole(h: int, w: int, rng: np.random.Generator) -> NDArray[np.uint8]:
    hole = np.zeros((h, w), np.uint8)
    cv2.ellipse(hole, (int(w * rng.uniform(0.2, 0.8)), int(h * rng.uniform(0.2, 0.8))),
                (int(w * rng.uniform(0.15, 0.35)), int(h * rng.uniform(0.15, 0.4))), 0, 0, 360, 255, -1)
    return hole


_RENDERERS: dict[str, Callable[[Image, np.random.Generator, bool], Spoiled]] = {
    "haze": haze, "spots": spots, "cobweb": web, "infrared reflection": glow, "defocus": defocus, "blocked": blocked}


def spoil(image: Image, kind: str, rng: np.random.Generator, night: bool) -> Spoiled:
    """Puts dirt of one of :data:`KINDS` on the glass in front of ``image``."""
    return _RENDERERS[kind](image, rng, night)
