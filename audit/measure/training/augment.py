"""What a camera and its wire do to radiance: exposure, tone, colour, mist, blur, noise, compression, overlays."""

from __future__ import annotations

import cv2
import numpy as np
import torch
from torch import Tensor
from torch.nn import functional as F

__all__ = ["develop", "text_strips"]

_LUMINANCE = np.array([
    [16, 11, 10, 16, 24, 40, 51, 61], [12, 12, 14, 19, 26, 58, 60, 55], [14, 13, 16, 24, 40, 57, 69, 56],
    [14, 17, 22, 29, 51, 87, 80, 62], [18, 22, 37, 56, 68, 109, 103, 77], [24, 35, 55, 64, 81, 104, 113, 92],
    [49, 64, 78, 87, 103, 121, 120, 101], [72, 92, 95, 98, 112, 100, 103, 99],
], np.float32)  # fmt: skip
"""Luminance quantisation of ITU-T T.81, annex K, table K.1."""


def text_strips(n: int, seed: int) -> Tensor:
    """Overlay masks (n, 20, 200), 0..1, of dates, times and names as recorders print them."""
    rng = np.random.default_rng(seed)
    strips = np.zeros((n, 20, 200), np.uint8)
    for strip in strips:
        day, clock = rng.integers([2015, 1, 1], [2030, 13, 29]), rng.integers([0, 0, 0], [24, 60, 60])
        text = f"{day[0]}-{day[1]:02d}-{day[2]:02d} {clock[0]:02d}:{clock[1]:02d}:{clock[2]:02d}"
        if rng.random() < 0.4:
            text = f"CAM {rng.integers(1, 99):02d} " + ("GATE", "YARD", "DOOR", "HALL")[rng.integers(4)]
        cv2.putText(strip, text, (2, 14), cv2.FONT_HERSHEY_SIMPLEX, float(rng.uniform(0.3, 0.5)), 255, 1, cv2.LINE_AA)
    return torch.from_numpy(strips).float() / 255


def _dct_matrix(device: torch.device) -> Tensor:
    k = torch.arange(8, device=device, dtype=torch.float32)
    m = torch.cos((2 * k[None, :] + 1) * k[:, None] * torch.pi / 16) * 0.5
    m[0] *= 2**-0.5
    return m


def _compress(image: Tensor, quality: Tensor) -> Tensor:
    """Block transform and quantisation as in JPEG, (b, 3, h, w) in 0..255, chroma halved."""
    b, _, h, w = image.shape
    r, g, bl = image.unbind(1)
    y = 0.299 * r + 0.587 * g + 0.114 * bl
    chroma = torch.stack([bl - y, r - y], 1) * 0.6
    small = F.avg_pool2d(chroma, 2)
    table = torch.from_numpy(_LUMINANCE).to(image.device)
    scale = torch.where(quality < 50, 50 / quality, 2 - quality / 50).clamp_min(0.02)
    m = _dct_matrix(image.device)

    def blocks(plane: Tensor, coarser: float) -> Tensor:
        n, hh, ww = plane.shape
        ph, pw = -hh % 8, -ww % 8
        padded = F.pad(plane[:, None], (0, pw, 0, ph), mode="replicate")[:, 0]
        t = padded.reshape(n, (hh + ph) // 8, 8, (ww + pw) // 8, 8).transpose(2, 3)
        step = (table * coarser * scale.repeat_interleave(n // b)[:, None, None]).clamp_min(1.0)[:, None, None]
        coefficients = torch.round(m @ (t - 128) @ m.T / step) * step
        back = (m.T @ coefficients @ m + 128).transpose(2, 3).reshape(n, hh + ph, ww + pw)
        return back[:, :hh, :ww]

    y = blocks(y, 1.0)
    small = blocks(small.reshape(b * 2, *small.shape[2:]) + 128, 1.5) - 128
    chroma = F.interpolate(small.reshape(b, 2, h // 2, w // 2), size=(h, w), mode="bilinear") / 0.6
    bl, r = chroma[:, 0] + y, chroma[:, 1] + y
    g = (y - 0.299 * r - 0.114 * bl) / 0.587
    return torch.stack([r, g, bl], 1)


def _gauss(image: Tensor, sigma: float) -> Tensor:
    radius = max(1, int(2.5 * sigma + 0.5))
    x = torch.arange(-radius, radius + 1, device=image.device, dtype=image.dtype)
    k = torch.exp(-(x**2) / (2 * sigma**2))
    k = (k / k.sum()).expand(3, 1, -1)
    image = F.conv2d(F.pad(image, (radius, radius, 0, 0), mode="replicate"), k[:, :, None, :], groups=3)
    return F.conv2d(F.pad(image, (0, 0, radius, radius), mode="replicate"), k[..., None], groups=3)


def develop(
    radiance: Tensor, sky: Tensor, latitude: Tensor, strips: Tensor, g: torch.Generator, strength: float = 1.0
) -> Tensor:
    """Pictures (b, 3, h, w), whole numbers 0..255 in float, from radiance (b, h, w, 3).

    ``latitude`` (b, h, w) in radians places the mist; ``strength`` 0 leaves only exposure and tone.
    """
    b, h, w, _ = radiance.shape
    dev = radiance.device

    def uniform(low: float, high: float) -> Tensor:
        return (torch.rand(b, generator=g, device=dev) * (high - low) + low)[:, None, None, None]

    def chance(p: float) -> Tensor:
        return (torch.rand(b, generator=g, device=dev) < p * strength)[:, None, None, None]

    x = radiance.clamp(1e-4, 1e4)
    infrared = chance(0.08)
    dark = torch.where(infrared, uniform(0.01, 0.3), 1.0)
    x = x * (1 - sky[..., None] * (1 - dark))
    ys = torch.linspace(-1, 1, h, device=dev)[None, :, None, None]
    xs = torch.linspace(-1, 1, w, device=dev)[None, None, :, None]
    off = (xs - uniform(-0.4, 0.4)) ** 2 + (ys - uniform(-0.4, 0.4)) ** 2
    x = x * torch.where(infrared, torch.exp(-off * uniform(0.2, 2.0)), 1.0)
    x = x * torch.exp(-(xs**2 + ys**2) * torch.where(chance(0.3), uniform(0, 0.5), 0.0))
    key = torch.exp(torch.log(x.mean(-1) + 1e-3).mean((1, 2)))[:, None, None, None]
    bright = x.mean((1, 2, 3), keepdim=True)
    key = torch.exp(torch.lerp(torch.log(key), torch.log(bright), uniform(0.0, 0.8)))
    x = x / key * 0.2 * torch.exp2(torch.randn(b, 1, 1, 1, generator=g, device=dev) * 0.9)
    x = x * torch.exp(torch.randn(b, 1, 1, 3, generator=g, device=dev) * 0.12 * strength)
    mist = torch.where(chance(0.2), uniform(0.1, 0.95), 0.0)
    depth = torch.exp(-latitude.abs()[..., None] / uniform(0.03, 0.8))
    x = torch.lerp(x, uniform(0.3, 1.0) * (1 + 0.1 * uniform(-1, 1) * torch.tensor([1.0, 0, -1], device=dev)), mist * depth)
    x = 1.45 * x / (1 + uniform(0.0, 0.9) * x)
    x = x.clamp(0, 1.0) ** (1 / uniform(1.7, 2.6))
    grey = x.mean(-1, keepdim=True)
    saturation = torch.where(infrared | chance(0.08), 0.0, uniform(0.4, 1.7))
    x = (grey + (x - grey) * saturation).permute(0, 3, 1, 2)
    contrast = uniform(0.75, 1.2)
    x = (x - 0.5) * contrast + 0.5 + uniform(-0.06, 0.06)
    soft, softer = _gauss(x, 0.8), _gauss(x, 2.2)
    draw = torch.rand(b, generator=g, device=dev)[:, None, None, None]
    amount = uniform(0, 1)
    blurred = torch.where(draw < 0.15, torch.lerp(soft, softer, amount), torch.lerp(x, soft, amount))
    sharpened = x + (x - softer) * amount * 1.2
    x = torch.where(draw < 0.5, sharpened if strength > 0 else x, blurred if strength > 0 else x)
    if float(torch.rand(1, generator=g, device=dev)) < 0.25 * strength:
        n = b // 2
        factor = float(torch.rand(1, generator=g, device=dev)) * 0.5 + 0.4
        small = F.interpolate(x[:n], scale_factor=factor, mode="bilinear", antialias=True)
        x = torch.cat([F.interpolate(small, size=(h, w), mode="bilinear"), x[n:]])
    sigma = torch.where(infrared | chance(0.15), uniform(0.01, 0.09), uniform(0.0, 0.02)) * strength
    noise = torch.randn(b, 3, h, w, generator=g, device=dev)
    noise = torch.lerp(noise, noise.mean(1, keepdim=True) * 1.7, uniform(0, 1))
    x = (x.clamp(0, 1) + noise * sigma).clamp(0, 1) * 255
    written = torch.where(chance(0.12), 1.0, 0.0)
    if bool(written.any()):
        strip = strips[torch.randint(0, strips.shape[0], (b,), generator=g, device=dev)][:, None]
        sh, sw = strip.shape[-2:]
        top = int(torch.randint(0, 2, (1,), generator=g, device=dev)) * (h - sh - 4) + 2
        left = int(torch.randint(0, max(1, w - sw), (1,), generator=g, device=dev))
        patch = x[:, :, top : top + sh, left : left + sw]
        ink = torch.where(uniform(0, 1) < 0.8, 250.0, 10.0)
        shadow = torch.where(uniform(0, 1) < 0.5, 0.0, 1.0) * F.max_pool2d(strip, 3, 1, 1)
        patch = patch * (1 - 0.8 * shadow * written)
        x[:, :, top : top + sh, left : left + sw] = patch * (1 - strip * written) + ink * strip * written
    pressed = _compress(x, uniform(12, 95)[:, 0, 0, 0])
    x = torch.where(chance(0.7), pressed, x)
    return torch.round(x).clamp(0, 255)
