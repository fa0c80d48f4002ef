"""Views of a ground or floor that fills the picture, under any texture: what perspective alone tells there, and what not.

Photographs without sky are laid on level ground and on an upright cylinder around the camera, each at a scale of its own;
the ground's is turned at random. The pose is exact, the textures are many more than those of the panoramas' grounds, and
none of them says where up is: the network learns how little a floor, cobbles or grass tell from close by.
"""

from __future__ import annotations

from math import pi

import torch
from torch import Tensor
from torch.nn import functional as F

from training.cameras import Cameras
from training.panoramas import draw_index
from training.photographs import PhotoStack

__all__ = ["ground_views"]

LEVELS = 6
"""Sizes of a texture, each half the one before: what is far off must not glitter."""
MOST_SKY = 0.002
"""Largest share of sky in a photograph that serves as a texture."""


def ground_views(d: Tensor, cameras: Cameras, photos: PhotoStack, g: torch.Generator) -> Tensor:
    """Radiance (b, h, w, 3) along unit world rays ``d`` (b, h, w, 3) of the cameras, 1.2 to 8 m above the ground."""
    b, dev = len(d), d.device

    def uniform(low: float, high: float) -> Tensor:
        return (torch.rand(b, generator=g, device=dev) * (high - low) + low)[:, None, None]

    plain = photos.weight * (photos.sky[:, 0].mean((1, 2)) <= MOST_SKY)
    height, radius = torch.exp(uniform(0.2, 2.1)), torch.exp(uniform(1.2, 4.0))
    dx, dy, dz = d.unbind(-1)
    flat = torch.sqrt(dx * dx + dy * dy).clamp_min(1e-4)
    ground, wall = height / (-dz).clamp_min(1e-6), radius / flat
    low = ground < wall
    reach = torch.minimum(ground, wall)
    turn = uniform(-pi, pi)
    c, s = torch.cos(turn), torch.sin(turn)
    x, y = reach * dx, reach * dy
    slant = torch.where(low, -dz, flat).clamp_min(0.05)
    blur_m = reach / cameras.focal_px[:, None, None] / torch.sqrt(slant)
    floor = _texture(draw_index(plain, b, g), x * c + y * s, y * c - x * s, torch.exp(uniform(-0.7, 2.2)), blur_m, photos)
    around = _texture(draw_index(plain, b, g), torch.atan2(dx, dy) * radius, -(height + reach * dz),
                      torch.exp(uniform(0.7, 2.7)), blur_m, photos)  # fmt: skip
    tone = torch.exp(torch.randn(b, 1, 1, 3, generator=g, device=dev) * 0.25)
    return torch.where(low[..., None], floor * tone, around)


def _texture(which: Tensor, u_m: Tensor, v_m: Tensor, wide_m: Tensor, blur_m: Tensor, photos: PhotoStack) -> Tensor:
    """Colours (b, h, w, 3) of the photographs ``which`` (b), mirrored again and again, each ``wide_m`` wide, at u right
    and v down; ``blur_m`` is what a pixel covers."""
    picture = photos.picture[which]
    high_m = wide_m / photos.aspect[which][:, None, None]
    grid = torch.stack([u_m / wide_m * 2, v_m / high_m * 2], -1)
    level = torch.log2((blur_m / wide_m * picture.shape[-1]).clamp_min(1.0)).clamp_max(LEVELS - 1.0)
    seen = torch.zeros(*u_m.shape, 3, device=u_m.device)
    for number in range(LEVELS):
        share = (1 - (level - number).abs()).clamp_min(0)[..., None]
        sampled = F.grid_sample(picture, grid, padding_mode="reflection", align_corners=False)
        seen = seen + share * sampled.permute(0, 2, 3, 1)
        picture = F.avg_pool2d(picture, 2)
    return seen
