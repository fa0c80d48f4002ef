"""Harmless things that look most like dirt: what a low sun, bare trees and rain leave in a scene. Whole batches, linear light.

Thin shadows of branches, railings and wires lie on ground and walls; relief that no edge shows shades otherwise under a lower
sun; where leaves have fallen the sky shows through twigs; puddles mirror what stands above them. Each function draws for all
samples that it is given; the caller picks which.
"""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional as F

from training.dirt.batch_scene import happens, log_uniform, normal, octave_noise, uniform

__all__ = ["bare_trees", "bumps", "puddles", "thin_shadows"]

BRANCHES = 14
#: Shadows and twigs are a pixel wide at least.
LEAST_WIDTH = 0.0012


def _axes(h: int, w: int, dev: torch.device) -> tuple[Tensor, Tensor]:
    """Across and down, in half widths."""
    y = torch.linspace(-1, 1, h, device=dev)[None, :, None] * (h / w)
    x = torch.linspace(-1, 1, w, device=dev)[None, None]
    return x, y


def _laid_down(b: int, h: int, w: int, dev: torch.device) -> tuple[Tensor, Tensor, Tensor]:
    """Coordinates on a plane that falls away from the camera (b, h, w), and how far each pixel is (1 near)."""
    x, y = _axes(h, w, dev)
    horizon = uniform(-1.6, 0.1, b, 1, 1, device=dev)
    near = ((y - horizon) / (h / w - horizon)).clamp_min(0.08)
    flat = happens(0.4, b, dev).view(-1, 1, 1)
    near = torch.where(flat, torch.ones_like(near), near)
    along = torch.where(flat, y.expand(b, h, w), 0.5 / near)
    u, v = (x / near).expand(b, h, w), along.expand(b, h, w)
    angle = uniform(0, 6.283, b, 1, 1, device=dev)
    return torch.cos(angle) * u + torch.sin(angle) * v, torch.cos(angle) * v - torch.sin(angle) * u, near.expand(b, h, w)


def _line(offset: Tensor, width: Tensor, soft: Tensor) -> Tensor:
    return torch.sigmoid((width - offset.abs()) / (soft * width).clamp_min(LEAST_WIDTH / 3))


def _branches(u: Tensor, v: Tensor) -> Tensor:
    """A bough's shadow (b, h, w), 0..1: bent tapering limbs that leave one stem on both sides."""
    b, dev = len(u), u.device
    stem_bow, width = normal(0.25, b, 1, 1, device=dev), log_uniform(0.004, 0.02, b, 1, 1, device=dev)
    soft = log_uniform(0.15, 1.2, b, 1, 1, device=dev)
    reach = log_uniform(0.4, 2.0, b, 1, 1, device=dev)
    u = u - uniform(-0.6, 0.6, b, 1, 1, device=dev)
    v = v - uniform(-0.6, 0.6, b, 1, 1, device=dev)
    stem = u - stem_bow * v * v
    out = _line(stem, width, soft) * torch.sigmoid((reach - v.abs()) * 25)
    count = log_uniform(3, BRANCHES, b, 1, 1, device=dev)
    for k in range(BRANCHES):
        foot, side = uniform(-1, 1, b, 1, 1, device=dev) * reach, (1.0 if k % 2 else -1.0)
        lean, bow = uniform(0.3, 1.6, b, 1, 1, device=dev), normal(0.5, b, 1, 1, device=dev)
        away = (stem * side).clamp_min(0)
        limb = (v - foot) - lean * away - bow * away * away
        length = reach * uniform(0.2, 0.8, b, 1, 1, device=dev)
        taper = width * uniform(0.25, 0.7, b, 1, 1, device=dev) * (1 - 0.8 * (away / length).clamp(0, 1))
        part = _line(limb, taper.clamp_min(LEAST_WIDTH), soft) * (away > 0) * torch.sigmoid((length - away) * 30)
        out = torch.maximum(out, part * (k < count))
    return out


def _railings(u: Tensor, v: Tensor) -> Tensor:
    """Shadows of a fence, a railing, a grille or wires (b, h, w), 0..1."""
    b, dev = len(u), u.device
    pitch = log_uniform(0.02, 0.3, b, 1, 1, device=dev)
    share, soft = uniform(0.05, 0.35, b, 1, 1, device=dev), log_uniform(0.1, 1.0, b, 1, 1, device=dev)

    def bars(at: Tensor, pitch: Tensor) -> Tensor:
        phase = at / pitch + torch.rand(b, 1, 1, device=dev)
        return _line((phase - phase.round()) * pitch, 0.5 * share * pitch, soft)

    upright = bars(u, pitch)
    rails = bars(v, pitch * log_uniform(0.8, 8, b, 1, 1, device=dev))
    crossed = happens(0.7, b, dev).view(-1, 1, 1)
    out = torch.where(crossed, torch.maximum(upright, rails), upright)
    middle, half = uniform(-0.5, 0.5, b, 1, 1, device=dev), log_uniform(0.1, 1.5, b, 1, 1, device=dev)
    return out * torch.sigmoid((half - (v - middle).abs()) * 60)


def thin_shadows(b: int, h: int, w: int, dev: torch.device) -> Tensor:
    """Share of the sun's light that branches and railings take (b, h, w), 0..1: hard near what casts it, soft far from it."""
    u, v, near = _laid_down(b, h, w, dev)
    bough = happens(0.6, b, dev).view(-1, 1, 1)
    out = torch.where(bough, _branches(u, v), _railings(u, v))
    return out * torch.where(near > 0.1, torch.ones_like(near), torch.zeros_like(near))


def bumps(b: int, h: int, w: int, dev: torch.device) -> Tensor:
    """Log gain (b, h, w) of relief under a low sun: gravel, ruts, turf, rough plaster, seen at a slant."""
    slant = int(torch.randint(1, 4, (1,)))
    field = octave_noise(b, h * slant, w, uniform(6, 90, b, device=dev), uniform(0.6, 1.0, b, device=dev), dev)
    field = F.avg_pool2d(field[:, None], (slant, 1))[:, 0] if slant > 1 else field
    across, down = field - field.roll(1, 2), field - field.roll(1, 1)
    angle = uniform(0, 6.283, b, 1, 1, device=dev)
    slope = torch.cos(angle) * across + torch.sin(angle) * down
    slope = slope / slope.std(dim=(1, 2), keepdim=True).clamp_min(1e-6)
    return (slope * log_uniform(0.03, 0.4, b, 1, 1, device=dev)).clamp(-1.0, 0.8)


def bare_trees(image: Tensor) -> Tensor:
    """Trees without their leaves (B, 3, H, W): places where twigs stand before a pale or another ground."""
    b, _, h, w = image.shape
    dev = image.device
    crown = octave_noise(b, h, w, uniform(1.5, 6, b, device=dev), uniform(0.4, 0.7, b, device=dev), dev)
    where = torch.sigmoid((crown - uniform(0.2, 1.5, b, 1, 1, device=dev)) * log_uniform(4, 40, b, 1, 1, device=dev))
    out = torch.zeros(b, h, w, device=dev)
    for coarse, thin in ((3.0, 1.0), (9.0, 0.6), (22.0, 0.35)):
        field = octave_noise(b, h, w, torch.full((b,), coarse, device=dev) * uniform(0.7, 1.5, b, device=dev),
                             torch.full((b,), 0.45, device=dev), dev)
        slope = torch.hypot(field - field.roll(1, 2), field - field.roll(1, 1)).clamp_min(1e-3)
        width = log_uniform(0.8, 3.0, b, 1, 1, device=dev) * thin * w / 640
        out = torch.maximum(out, torch.sigmoid((width - field.abs() / slope) * 2) * uniform(0.5, 1.0, b, 1, 1, device=dev))
    small = F.interpolate(image, (max(4, h // 40), max(4, w // 40)), mode="area")
    behind = F.interpolate(small, (h, w), mode="bilinear") * uniform(0.7, 2.2, b, 1, 1, 1, device=dev)
    behind = torch.where(happens(0.5, b, dev).view(-1, 1, 1, 1), behind, image)
    shown = behind * (1 - out * uniform(0.4, 0.95, b, 1, 1, device=dev))[:, None]
    return image + (shown - image) * where[:, None]


def puddles(image: Tensor) -> Tensor:
    """Water that stands in hollows (B, 3, H, W): dark rims, and what is above mirrored in it."""
    b, _, h, w = image.shape
    dev = image.device
    _, y = _axes(h, w, dev)
    field = octave_noise(b, h, w, uniform(2, 14, b, device=dev), uniform(0.3, 0.6, b, device=dev), dev)
    low = torch.sigmoid((y - uniform(-0.3, 0.3, b, 1, 1, device=dev)) * 12)
    depth = field - uniform(0.3, 1.6, b, 1, 1, device=dev)
    water = torch.sigmoid(depth * log_uniform(15, 120, b, 1, 1, device=dev)) * low
    damp = torch.sigmoid((depth + uniform(0.1, 0.6, b, 1, 1, device=dev)) * 8) * low
    mirrored = F.avg_pool2d(image.flip(2), 3, 1, 1) * uniform(0.3, 1.0, b, 1, 1, 1, device=dev)
    out = image * (1 - damp * uniform(0.1, 0.55, b, 1, 1, device=dev))[:, None]
    return out + (mirrored - out) * (water * uniform(0.3, 0.95, b, 1, 1, device=dev))[:, None]
