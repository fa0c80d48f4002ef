"""What another hour, weather or season does to a scene in front of clean glass: batches, linear light (B, 3, H, W).

The sun's direction shows in relief (edges of bricks, gravel, leaves brighten on one side and darken on the other), in hard
and soft shadows of houses, masts, wires and trees, in wet ground and snow; an overcast sky takes contrast from all of it.
Leaves come and go, crowds and cars stand elsewhere. None of this is dirt, and it is drawn into reference and today alike.
"""

from __future__ import annotations

from collections.abc import Callable

import torch
from torch import Tensor
from torch.nn import functional as F

from training.dirt.batch_scene import changed, happens, log_uniform, normal, octave_noise, uniform
from training.dirt.batch_shade import bare_trees, bumps, puddles, thin_shadows

__all__ = ["another_hour", "busy", "cast_shadows"]


def _smooth(x: Tensor, size: int) -> Tensor:
    return F.avg_pool2d(F.pad(x, (size // 2,) * 4, mode="replicate"), size, 1)


def _relief(image: Tensor, strength: Tensor) -> Tensor:
    """Log gain (B, H, W) of a relief read off the picture's own edges, lit from a random side."""
    b, _, h, w = image.shape
    dev = image.device
    log = torch.log(image.mean(dim=1, keepdim=True) + 0.02)
    out = torch.zeros(b, h, w, device=dev)
    for size in (1, 3, 7):
        level = _smooth(log, size) if size > 1 else log
        level = F.pad(level, (1, 1, 1, 1), mode="replicate")
        gx, gy = level[:, 0, 1:-1, 2:] - level[:, 0, 1:-1, :-2], level[:, 0, 2:, 1:-1] - level[:, 0, :-2, 1:-1]
        angle = uniform(0, 6.283, b, 1, 1, device=dev)
        out = out + (torch.cos(angle) * gx + torch.sin(angle) * gy) * uniform(0, 1, b, 1, 1, device=dev)
    where = torch.sigmoid(2 * octave_noise(b, h, w, uniform(1.5, 5, b, device=dev), uniform(0.3, 0.6, b, device=dev), dev) + 0.5)
    return (out * strength.view(-1, 1, 1)).clamp(-1.2, 1.2) * where


def _ground(b: int, h: int, w: int, dev: torch.device) -> Tensor:
    """Soft share (B, H, W) of the picture that may be ground or one wall: a side of it, or all."""
    y = torch.linspace(-1, 1, h, device=dev)[None, :, None]
    x = torch.linspace(-1, 1, w, device=dev)[None, None]
    angle = uniform(0, 6.283, b, 1, 1, device=dev)
    down = happens(0.6, b, dev).view(-1, 1, 1)
    side = torch.where(down, y.expand(b, h, w), torch.cos(angle) * x + torch.sin(angle) * y)
    return torch.sigmoid((side + uniform(-0.4, 1.0, b, 1, 1, device=dev)) * log_uniform(5, 80, b, 1, 1, device=dev))


def _shadows(b: int, h: int, w: int, dev: torch.device) -> Tensor:
    """Share of the sun's light that shadows leave (B, H, W), 0..1."""
    y = torch.linspace(-1, 1, h, device=dev)[None, :, None] * h / w
    x = torch.linspace(-1, 1, w, device=dev)[None, None]
    lit = torch.ones(b, h, w, device=dev)
    noise = octave_noise(b, h, w, uniform(4, 60, b, device=dev), uniform(0.55, 1.0, b, device=dev), dev)
    flat = F.interpolate(noise[:, None], scale_factor=(0.4, 1.0), mode="bilinear")[:, 0]
    flat = F.pad(flat, (0, 0, 0, h - flat.shape[1]), mode="replicate") if flat.shape[1] < h else flat[:, :h]
    noise = torch.where(happens(0.5, b, dev).view(-1, 1, 1), noise, flat)
    hard = log_uniform(2, 30, b, 1, 1, device=dev)
    leafy = torch.sigmoid((noise - uniform(-1.0, 1.2, b, 1, 1, device=dev)) * hard)
    lit = lit * torch.where(happens(0.6, b, dev).view(-1, 1, 1), 1 - leafy * _ground(b, h, w, dev), lit)
    for _ in range(3):
        house = torch.ones(b, h, w, device=dev)
        for _ in range(3):
            angle = uniform(0, 6.283, b, 1, 1, device=dev)
            edge = torch.cos(angle) * x + torch.sin(angle) * y - uniform(-0.2, 0.8, b, 1, 1, device=dev)
            house = house * torch.sigmoid(-edge * log_uniform(60, 600, b, 1, 1, device=dev))
        lit = lit * (1 - house * happens(0.4, b, dev).view(-1, 1, 1))
    for _ in range(6):
        angle = uniform(0, 3.1416, b, 1, 1, device=dev)
        u = torch.cos(angle) * x + torch.sin(angle) * y - uniform(-0.8, 0.8, b, 1, 1, device=dev)
        v = torch.cos(angle) * y - torch.sin(angle) * x - uniform(-0.8, 0.8, b, 1, 1, device=dev)
        width = log_uniform(0.0015, 0.02, b, 1, 1, device=dev)
        mast = torch.sigmoid((width - u.abs()) / (0.25 * width)) * torch.sigmoid((uniform(0.1, 0.9, b, 1, 1, device=dev) - v.abs()) * 60)
        lit = lit * (1 - mast * happens(0.3, b, dev).view(-1, 1, 1))
    return lit


def another_hour(image: Tensor, chance: float | Tensor = 0.7) -> Tensor:
    """The scene under another sun or sky; ``chance`` (of each change, one or (B,)); some samples stay as they are."""
    b, _, h, w = image.shape
    dev = image.device

    def some(share: float) -> Tensor:
        return torch.rand(b, device=dev) < share * chance

    def drawn(share: float, draw: Callable[[int], Tensor]) -> Tensor:
        """Maps (B, h, w) that are 0 but for a share of the samples."""
        return changed(torch.zeros(b, h, w, device=dev), some(share), lambda part, _: draw(len(part)))

    log_gain = changed(torch.zeros(b, h, w, device=dev), some(0.6),
                       lambda part, at: _relief(image[at], log_uniform(0.3, 4.0, len(at), device=dev)))
    log_gain = log_gain + drawn(0.25, lambda n: bumps(n, h, w, dev) * _ground(n, h, w, dev))
    dark = drawn(0.5, lambda n: 1 - _shadows(n, h, w, dev))
    thin = drawn(0.4, lambda n: thin_shadows(n, h, w, dev) * _ground(n, h, w, dev))
    sky = uniform(0.12, 0.75, b, 1, 1, device=dev)
    light = sky + (1 - sky) * (1 - dark) * (1 - thin)
    out = image * ((light / light.amax(dim=(1, 2), keepdim=True)) * torch.exp(log_gain))[:, None]
    out = changed(out, some(0.5), lambda part, at: _other_contrast(part))
    out = changed(out, some(0.15), lambda part, at: _wet(part))
    out = changed(out, some(0.15), lambda part, at: puddles(part))
    out = changed(out, some(0.2), lambda part, at: bare_trees(part))
    return changed(out, some(0.14), lambda part, at: _snowed(part, light[at])).clamp_min(0)


def cast_shadows(image: Tensor, chance: float) -> Tensor:
    """Thin shadows, puddles and bare trees alone, over pictures whose light is real."""
    b, _, h, w = image.shape
    dev = image.device

    def shaded(part: Tensor, at: Tensor) -> Tensor:
        n = len(at)
        left = 1 - thin_shadows(n, h, w, dev) * _ground(n, h, w, dev) * uniform(0.2, 0.85, n, 1, 1, device=dev)
        return part * left[:, None]

    out = changed(image, happens(chance, b, dev), shaded)
    out = changed(out, happens(chance / 3, b, dev), lambda part, at: puddles(part))
    return changed(out, happens(chance / 3, b, dev), lambda part, at: bare_trees(part))


def _other_contrast(image: Tensor) -> Tensor:
    """An overcast or a hard light: contrast around the surroundings' level."""
    b, _, h, w = image.shape
    dev = image.device
    grey = image.mean(dim=1, keepdim=True)
    level = F.interpolate(_smooth(F.avg_pool2d(grey, 4), 9), (h, w), mode="bilinear")
    more = torch.where(happens(0.6, b, dev), uniform(-0.45, 0.0, b, device=dev), uniform(0, 0.5, b, device=dev)).view(-1, 1, 1)
    share = torch.sigmoid(3 * octave_noise(b, h, w, uniform(1, 4, b, device=dev), uniform(0.3, 0.6, b, device=dev), dev) + 1.5)
    return image * (((grey + 0.01) / (level + 0.01)).clamp(0.05, 20) ** (more * share)[:, None])


def _wet(image: Tensor) -> Tensor:
    b, _, h, w = image.shape
    dev = image.device
    wet = _ground(b, h, w, dev)[:, None]
    mirrored = _smooth(image.flip(2), 5)
    return image * (1 - wet * uniform(0.2, 0.6, b, 1, 1, 1, device=dev)) + mirrored * wet * uniform(0, 0.4, b, 1, 1, 1, device=dev)


def _snowed(image: Tensor, light: Tensor) -> Tensor:
    b, _, h, w = image.shape
    dev = image.device
    fallen = torch.sigmoid((octave_noise(b, h, w, uniform(2, 20, b, device=dev), uniform(0.5, 0.9, b, device=dev), dev)
                            + uniform(-0.5, 2.0, b, 1, 1, device=dev)) * log_uniform(4, 30, b, 1, 1, device=dev))
    snow = (fallen * _ground(b, h, w, dev))[:, None]
    bright = torch.quantile(F.avg_pool2d(image.mean(dim=1, keepdim=True), 8).flatten(1), 0.9, dim=1).view(-1, 1, 1, 1)
    white = bright * uniform(0.6, 1.3, b, 1, 1, 1, device=dev) * (light[:, None] * (1 + normal(0.02, b, 1, h, w, device=dev)))
    return image + (white - image) * snow


def busy(image: Tensor, other: Tensor, chance: float | Tensor = 0.5) -> Tensor:
    """Crowds, cars and leaves that stand elsewhere: many sharp pieces of this and of other scenes."""
    b, dev = len(image), image.device
    out = changed(image, torch.rand(b, device=dev) < chance, lambda part, at: _crowded(part, other[at]))
    return changed(out, torch.rand(b, device=dev) < 0.2 * chance, lambda part, at: _other_leaves(part)).clamp_min(0)


def _crowded(image: Tensor, other: Tensor) -> Tensor:
    b, _, h, w = image.shape
    dev = image.device
    y = torch.linspace(-1, 1, h, device=dev)[None, :, None] * h / w
    x = torch.linspace(-1, 1, w, device=dev)[None, None]
    tall, size = log_uniform(0.5, 3.0, b, 1, 1, device=dev), log_uniform(0.006, 0.07, b, 1, 1, device=dev)
    row = uniform(-0.4, 0.5, b, 1, 1, device=dev)
    mask, pick = torch.zeros(b, h, w, device=dev), torch.zeros(b, h, w, device=dev)
    for k in range(24):
        cx, cy = uniform(-1, 1, b, 1, 1, device=dev), row + normal(0.18, b, 1, 1, device=dev)
        s = size * torch.exp(normal(0.35, b, 1, 1, device=dev)) * (1 + 0.9 * cy).clamp(0.25, 2)
        r = (((x - cx) / s) ** 4 + ((y - cy) / (s * tall)) ** 4) ** 0.25
        m = torch.sigmoid((1 - r) * s * w / 1.2) * happens(0.6, b, dev).view(-1, 1, 1)
        pick = torch.where(m > mask, torch.full_like(pick, float(k)), pick)
        mask = torch.maximum(mask, m)
    stuff = torch.roll(other, (int(torch.randint(h, (1,))), int(torch.randint(w, (1,)))), (2, 3))
    own = torch.roll(image, (0, int(torch.randint(w, (1,)))), (2, 3))
    pieces = torch.where((pick % 2 > 0)[:, None], stuff, own)
    tones = log_uniform(0.15, 1.6, b, 24, device=dev).gather(1, pick.long().flatten(1)).view(b, 1, h, w)
    return image + (pieces * tones - image) * mask[:, None]


def _other_leaves(image: Tensor) -> Tensor:
    """Places whose fine texture is another one."""
    b, _, h, w = image.shape
    dev = image.device
    jagged = octave_noise(b, h, w, uniform(2, 8, b, device=dev), uniform(0.4, 0.75, b, device=dev), dev)
    tree = torch.sigmoid((jagged - uniform(0.3, 1.8, b, 1, 1, device=dev)) * 40)
    grain = torch.exp(0.8 * octave_noise(b, h, w, uniform(30, 90, b, device=dev), uniform(0.7, 1.0, b, device=dev), dev))
    leaf = _smooth(image, 15) * grain[:, None] * uniform(0.4, 1.2, b, 1, 1, 1, device=dev)
    return image + (leaf - image) * tree[:, None]
