"""Photographs with a sky mask, as further material for the sky: random crops; their pose is not known."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import torch
from torch import Tensor
from torch.nn import functional as F

from training.cameras import Shape
from training.panoramas import draw_index

__all__ = ["PhotoStack", "load_photos", "photo_views"]

SIDE = 512
POND_SHARE = 0.07
"""Share of the photographs that are mirrored in still water: a pond is not the sky that it shows."""


@dataclass(frozen=True, slots=True)
class PhotoStack:
    """n photographs in squares: ``picture`` (n, 3, 512, 512) linear, ``sky`` (n, 2, 512, 512): mask and known."""

    picture: Tensor
    sky: Tensor
    aspect: Tensor
    weight: Tensor


def load_photos(folder: Path, device: torch.device) -> PhotoStack | None:
    """Reads ``photos/NAME.jpg`` and ``photos/NAME.png`` (0 not sky, 255 sky, 128 unknown), and how often each is shown
    from ``photos/weights.csv``; None if there are none."""
    pictures, skies, aspects, names = [], [], [], []
    for path in sorted((folder / "photos").glob("*.jpg")):
        mask = cv2.imread(str(path.with_suffix(".png")), 0)
        if mask is None:
            continue
        picture = cv2.imread(str(path))[..., ::-1]
        names.append(path.stem)
        aspects.append(picture.shape[1] / picture.shape[0])
        picture = cv2.resize(picture, (SIDE, SIDE), interpolation=cv2.INTER_AREA)
        mask = cv2.resize(mask, (SIDE, SIDE), interpolation=cv2.INTER_NEAREST)
        pictures.append(picture.transpose(2, 0, 1))
        skies.append(np.stack([mask == 255, mask != 128]))
    if not pictures:
        return None
    linear = torch.from_numpy(np.stack(pictures)).to(device).float().div(255).pow(2.2).add(0.003)
    table = folder / "photos" / "weights.csv"
    given = dict(csv.reader(table.open(newline="", encoding="utf-8"))) if table.exists() else {}
    usual = [2.0 if sky[0].any() else 0.4 for sky in skies]
    weight = torch.tensor([float(given.get(name, w)) for name, w in zip(names, usual, strict=True)], device=device)
    return PhotoStack(linear, torch.from_numpy(np.stack(skies)).to(device).float(),
                      torch.tensor(aspects, device=device), weight)  # fmt: skip


def photo_views(n: int, shape: Shape, photos: PhotoStack, g: torch.Generator) -> tuple[Tensor, Tensor, Tensor]:
    """Radiance (n, h, w, 3), sky (n, h, w) and where it is known (n, h, w) of random crops."""
    dev = g.device
    which = draw_index(photos.weight, n, g)
    wanted = shape.width / shape.height
    aspect = photos.aspect[which]
    zoom = 0.35 + 0.65 * torch.rand(n, generator=g, device=dev).sqrt()
    wide = torch.minimum(torch.ones_like(aspect), wanted / aspect) * zoom
    high = torch.minimum(torch.ones_like(aspect), aspect / wanted) * zoom
    flip = torch.where(torch.rand(n, generator=g, device=dev) < 0.5, -1.0, 1.0)
    turn = torch.randn(n, generator=g, device=dev) * 0.06
    stretch = aspect  # turning happens in the photograph's own proportions
    shift_x = (torch.rand(n, generator=g, device=dev) * 2 - 1) * (1 - wide)
    shift_y = (torch.rand(n, generator=g, device=dev) * 2 - 1) * (1 - high)
    c, s = torch.cos(turn), torch.sin(turn)
    matrix = torch.stack([
        torch.stack([flip * wide * c, -high * s / stretch, shift_x], -1),
        torch.stack([flip * wide * s * stretch, high * c, shift_y], -1),
    ], 1)  # fmt: skip
    grid = F.affine_grid(matrix, [n, 3, shape.height, shape.width], align_corners=False)
    both = torch.cat([photos.picture[which], photos.sky[which]], 1)
    both = F.grid_sample(both, grid, padding_mode="reflection", align_corners=False)
    picture, sky, known = both[:, :3], both[:, 3], (both[:, 4] > 0.99).float()
    picture, sky, known = _ponds(picture, sky, known, g)
    return picture.permute(0, 2, 3, 1), sky, known


def _ponds(picture: Tensor, sky: Tensor, known: Tensor, g: torch.Generator) -> tuple[Tensor, Tensor, Tensor]:
    """Lays still water under a share of the pictures: what stands above its edge hangs below it, darker and rippled."""
    n, _, h, w = picture.shape

    def uniform(low: float, high: float) -> Tensor:
        return (torch.rand(n, generator=g, device=g.device) * (high - low) + low)[:, None, None]

    pond = uniform(0, 1) < POND_SHARE
    edge = uniform(0.45, 0.85) * h
    y = torch.arange(h, device=g.device, dtype=torch.float32)[None, :, None]
    x = torch.arange(w, device=g.device, dtype=torch.float32)[None, None, :]
    below = pond & (y > edge)
    wave = torch.sin(x * uniform(0.0, 0.15) + y * uniform(0.3, 2.0)) * uniform(0.0, 2.5)
    source = torch.where(below, (2 * edge - y + wave).clamp(0, h - 1), y.expand(n, h, w)).round().long()
    mirrored = torch.gather(picture, 2, source[:, None].expand_as(picture))
    tint = 1 - uniform(0.0, 0.5)[..., None] * torch.rand(n, 3, 1, 1, generator=g, device=g.device)
    picture = torch.where(below[:, None], mirrored * tint * uniform(0.5, 1.0)[:, None], picture)
    known = torch.gather(known, 1, source)
    return picture, torch.where(below, torch.zeros_like(sky), sky), known
