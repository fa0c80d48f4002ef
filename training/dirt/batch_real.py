"""Real pairs of fixed cameras as negatives, and as what lies behind drawn dirt.

A folder holds ``CAMERA__NAME.webp``, all pictures of one camera laid over one another (:mod:`.lay_over`), black where one
does not reach. Two pictures of one camera are a real change of hour, weather or season seen through clean glass.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import torch
from torch import Tensor
from torch.nn import functional as F

from training.dirt.batch_scene import happens, normal, uniform
from training.dirt.photographs import LAID_OVER_SIZE

__all__ = ["RealStack", "load_real", "real_pairs"]

#: Of the pairs, those of one picture twice: nothing has changed but what is drawn.
SAME_SHARE = 0.2


@dataclass
class RealStack:
    """``pictures`` (N, 3, 560, 800) bytes, sorted by camera; ``first`` and ``count`` (C,) of each camera's pictures.

    ``held`` (C,): cameras that a second network which learns beside the first must not see.
    """

    pictures: Tensor
    first: Tensor
    count: Tensor
    weight: Tensor
    held: Tensor


def load_real(folder: Path, device: torch.device, without: tuple[str, ...] = (), held: tuple[str, ...] = ()) -> RealStack | None:
    """All cameras with two pictures or more, less those whose name begins with one of ``without``; None where none is left."""
    groups: dict[str, list[Path]] = {}
    for path in sorted(folder.glob("*__*.webp")):
        camera = path.stem.split("__")[0]
        if not camera.startswith(without or ("\0",)):
            groups.setdefault(camera, []).append(path)
    groups = {camera: paths for camera, paths in groups.items() if len(paths) > 1}
    if not groups:
        return None
    pictures = [cv2.resize(cv2.imread(str(p))[..., ::-1], LAID_OVER_SIZE[::-1], interpolation=cv2.INTER_AREA)
                for paths in groups.values() for p in paths]
    count = torch.tensor([len(paths) for paths in groups.values()])
    tensor = torch.from_numpy(np.stack(pictures).transpose(0, 3, 1, 2).copy())
    kept_back = torch.tensor([camera.startswith(held or ("\0",)) for camera in groups])
    return RealStack(tensor.to(device), (count.cumsum(0) - count).to(device), count.to(device), count.float().sqrt().to(device),
                     kept_back.to(device))


def real_pairs(b: int, h: int, w: int, stack: RealStack) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """Reference and today in linear light (B, 3, h, w), cut, leant and flipped alike, where both are seen, and which are held (B,)."""
    dev = stack.pictures.device
    camera = torch.multinomial(stack.weight, b, True)
    count, first = stack.count[camera], stack.first[camera]
    one = (torch.rand(b, device=dev) * count).long()
    step = 1 + (torch.rand(b, device=dev) * (count - 1)).long()
    two = torch.where(happens(SAME_SHARE, b, dev), one, (one + step) % count)
    ys = (torch.arange(h, device=dev) + 0.5) / h * 2 - 1
    xs = (torch.arange(w, device=dev) + 0.5) / w * 2 - 1
    y, x = torch.meshgrid(ys, xs, indexing="ij")
    half = uniform(0.55, 1.0, b, 1, 1, device=dev)
    angle = normal(0.04, b, 1, 1, device=dev)
    cx, cy = (uniform(-1, 1, b, 1, 1, device=dev) * (1 - half) for _ in range(2))
    flip = torch.where(happens(0.5, b, dev), -1.0, 1.0).view(-1, 1, 1)
    gx = (torch.cos(angle) * x - torch.sin(angle) * y) * half * flip + cx
    gy = (torch.sin(angle) * x + torch.cos(angle) * y) * half + cy
    grid = torch.stack([gx, gy], -1)

    def cut(index: Tensor) -> tuple[Tensor, Tensor]:
        picture = stack.pictures[first + index].float() / 255
        reach = F.grid_sample((picture.amax(dim=1, keepdim=True) > 0.002).float(), grid, align_corners=False)[:, 0]
        return F.grid_sample(picture, grid, mode="bicubic", padding_mode="reflection", align_corners=False).clamp(0, 1), reach

    (before, seen_before), (now, seen_now) = cut(one), cut(two)
    tone, tint = torch.exp(normal(0.15, b, device=dev)).view(-1, 1, 1, 1), torch.exp(normal(0.08, b, 3, device=dev))
    light = [(v ** (2.2 * tone)) * tint[..., None, None] for v in (before, now)]
    grey = happens(0.15, b, dev).view(-1, 1, 1, 1)
    light = [torch.where(grey, v.mean(dim=1, keepdim=True).expand_as(v), v) for v in light]
    return light[0], light[1], (seen_before > 0.5) & (seen_now > 0.5), stack.held[camera]
