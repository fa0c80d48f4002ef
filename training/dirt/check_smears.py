"""Smears for checking only, drawn otherwise than :mod:`.batch_smears` and :mod:`.batch_optics`.

A print is a cut of 1/f noise under a Gaussian hand; a streak is noise smeared by a line kernel; a window is a polygon wiped out
of a film; dots have the sizes of a power law. Light passes as 1 - m and the rest is scattered: ``m`` times a mixture of the
scene through a wide blur and of an even grey.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from training.dirt.check_glass import spectrum_noise

__all__ = ["SMEARS", "STRENGTHS", "smear"]

Image = NDArray[np.float32]
SMEARS = ("prints", "streaks", "wiped film", "part film", "dots")
#: Share of the light taken where a smear is thickest.
STRENGTHS = {"faint": (0.15, 0.3), "middle": (0.3, 0.55), "strong": (0.55, 0.85)}


def _line_kernel(length: int, angle: float) -> Image:
    side = length | 1
    kernel = np.zeros((side, side), np.float32)
    half = side // 2
    step = np.array([np.cos(angle), np.sin(angle)]) * half
    cv2.line(kernel, tuple(np.round(half - step).astype(int)), tuple(np.round(half + step).astype(int)), 1.0, 1, cv2.LINE_AA)
    return kernel / kernel.sum()


def _prints(h: int, w: int, rng: np.random.Generator) -> Image:
    out = np.zeros((h, w), np.float32)
    ys, xs = np.mgrid[0:h, 0:w].astype(np.float32)
    for _ in range(int(rng.integers(3, 18))):
        cx, cy, size = rng.uniform(0.05, 0.95) * w, rng.uniform(0.05, 0.95) * h, w * rng.uniform(0.02, 0.07)
        d2 = ((xs - cx) / size) ** 2 + ((ys - cy) / (size * rng.uniform(0.6, 1.4))) ** 2
        out = np.maximum(out, np.exp(-(d2 ** rng.uniform(0.8, 2.5))) * rng.uniform(0.6, 1))
    return out * (1 + 0.25 * spectrum_noise(h, w, 1.2, rng)).clip(0, 1.3)


def _streaks(h: int, w: int, rng: np.random.Generator) -> Image:
    noise = spectrum_noise(h, w, rng.uniform(0.2, 0.9), rng)
    drawn = cv2.filter2D(noise, -1, _line_kernel(int(w * rng.uniform(0.12, 0.4)), rng.uniform(0, np.pi)))
    drawn = cv2.GaussianBlur(drawn, (0, 0), w * rng.uniform(0.002, 0.008))
    drawn = (drawn - np.quantile(drawn, rng.uniform(0.4, 0.8))) / (3 * drawn.std())
    where = 1 / (1 + np.exp(-3 * (spectrum_noise(h, w, 2.2, rng) + rng.uniform(-1, 0.7))))
    return (drawn.clip(0, 1) * where).astype(np.float32)


def _polygon(h: int, w: int, rng: np.random.Generator) -> Image:
    angles = np.sort(rng.uniform(0, 2 * np.pi, int(rng.integers(5, 11))))
    reach = w * rng.uniform(0.12, 0.38) * rng.uniform(0.6, 1.3, len(angles))
    points = np.stack([np.cos(angles) * reach + rng.uniform(0.15, 0.85) * w, np.sin(angles) * reach * 0.7 + rng.uniform(0.15, 0.85) * h], 1)
    mask = np.zeros((h, w), np.float32)
    cv2.fillPoly(mask, [np.round(points).astype(np.int32)], 1.0)
    return cv2.GaussianBlur(mask, (0, 0), w * rng.uniform(0.004, 0.03))


def _dots(h: int, w: int, rng: np.random.Generator) -> Image:
    out = np.zeros((h, w), np.float32)
    for _ in range(int(rng.integers(15, 120))):
        radius = w * 0.004 * rng.pareto(1.6) + w * 0.003
        cv2.circle(out, (int(rng.uniform(0, w)), int(rng.uniform(0, h))), max(1, round(min(radius, 0.05 * w))), float(rng.uniform(0.4, 1)), -1, cv2.LINE_AA)
    return cv2.GaussianBlur(out, (0, 0), w * rng.uniform(0.003, 0.009))


def smear(scene: Image, kind: str, strength: str, rng: np.random.Generator) -> tuple[Image, Image]:
    """A scene in linear light (H, W, 3) through one smear, and the share of the light that it takes (H, W)."""
    h, w = scene.shape[:2]
    if kind in ("wiped film", "part film"):
        mask = _polygon(h, w, rng)
        film = 1 + 0.15 * spectrum_noise(h, w, 1.8, rng)
        form = film * (1 - mask) if kind == "wiped film" else film * mask
    else:
        form = {"prints": _prints, "streaks": _streaks, "dots": _dots}[kind](h, w, rng)
    thickest = max(float(np.quantile(form, 0.99)), 1e-3)
    m = (form / thickest).clip(0, 1.1) * rng.uniform(*STRENGTHS[strength])
    small = cv2.resize(scene, (w // 4, h // 4), interpolation=cv2.INTER_AREA)
    wide = cv2.resize(cv2.GaussianBlur(small, (0, 0), w * rng.uniform(0.01, 0.08) / 4), (w, h))
    grey = float(scene.mean()) * rng.uniform(0.6, 1.6)
    mixed = rng.uniform(0.2, 0.9)
    out = scene * (1 - m[..., None]) + m[..., None] * (mixed * wide + (1 - mixed) * grey)
    return out.astype(np.float32), m.astype(np.float32)
