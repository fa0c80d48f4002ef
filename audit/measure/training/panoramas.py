"""The packed panoramas as one stack of textures, and views of them with their own or another sky."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from math import pi
from pathlib import Path

import cv2
import numpy as np
import torch
from torch import Tensor

from audit.measure.training.evaluation_views import level_rotation
from audit.measure.training.prepare import LOG_STOPS_BELOW, LOG_STOPS_TOTAL
from audit.measure.training.skies import sample_sky

__all__ = ["PanoramaStack", "load_stack", "render_panoramas"]

KIND_WEIGHT = {"town": 2.4, "country": 2.0, "room": 1.0}


@dataclass(frozen=True, slots=True)
class PanoramaStack:
    """n panoramas: ``texture`` (n * h * w, 4) half: stops of R, G, B and sky; ``level`` (n, 3, 3)."""

    texture: Tensor
    height: int
    width: int
    level: Tensor
    sky_known: Tensor
    replaceable: Tensor
    weight: Tensor
    names: tuple[str, ...]
    kinds: tuple[str, ...]


def load_stack(folder: Path, split: str, device: torch.device) -> PanoramaStack:
    """Reads the places of one split ("train" or "held out")."""
    places = [p for p in json.loads((folder / "places.json").read_text()) if p["split"] == split]

    def layer(place: dict[str, object]) -> np.ndarray:
        code = cv2.imread(str(folder / f"{place['key']}.jp2"), cv2.IMREAD_UNCHANGED)[..., ::-1]
        stops = code.astype(np.float32) / 65535 * LOG_STOPS_TOTAL - LOG_STOPS_BELOW
        sky = np.zeros(stops.shape[:2], np.float32)
        if place["sky"]:
            sky = cv2.imread(str(folder / f"{place['key']}.png"), 0).astype(np.float32) / 255
        return np.concatenate([stops, sky[..., None]], -1).astype(np.float16)

    with ThreadPoolExecutor() as pool:
        layers = list(pool.map(layer, places))
    stack = torch.from_numpy(np.stack(layers)).to(device)
    n, height, width, _ = stack.shape
    level = np.stack([level_rotation(tuple(p["axis"]) if p["axis"] else None) for p in places])
    return PanoramaStack(
        stack.reshape(-1, 4).contiguous(), height, width,
        torch.from_numpy(level).float().to(device),
        torch.tensor([bool(p["sky"]) for p in places], device=device),
        torch.tensor([bool(p["outdoor"]) for p in places], device=device),
        torch.tensor([KIND_WEIGHT[p["kind"]] for p in places], device=device),
        tuple(p["name"] for p in places), tuple(p["kind"] for p in places),
    )  # fmt: skip


def render_panoramas(
    d: Tensor, which: Tensor, stack: PanoramaStack, skies: Tensor, g: torch.Generator, replace_sky: float, mirror: bool
) -> tuple[Tensor, Tensor]:
    """Radiance (b, h, w, 3) and sky (b, h, w) along world rays ``d`` (b, h, w, 3).

    ``replace_sky`` is the share of views with a known sky that get another; ``mirror`` also shows places mirrored.
    """
    b, dev = d.shape[0], d.device
    if mirror:
        sign = torch.where(torch.rand(b, generator=g, device=dev) < 0.5, -1.0, 1.0)
        d = torch.stack([d[..., 0] * sign[:, None, None], d[..., 1], d[..., 2]], -1)
    p = torch.einsum("bhwc,bdc->bhwd", d, stack.level[which])
    x = (0.5 + torch.atan2(p[..., 0], p[..., 1]) / (2 * pi)) * stack.width - 0.5
    y = ((0.5 - torch.asin(p[..., 2].clamp(-1, 1)) / pi) * stack.height - 0.5).clamp(0, stack.height - 1.001)
    x0, y0 = torch.floor(x), torch.floor(y)
    fx, fy = (x - x0)[..., None], (y - y0)[..., None]
    left, right = x0.long() % stack.width, (x0.long() + 1) % stack.width
    base = which[:, None, None] * (stack.height * stack.width) + y0.long() * stack.width
    top = torch.lerp(stack.texture[base + left].float(), stack.texture[base + right].float(), fx)
    base = base + stack.width
    low = torch.lerp(stack.texture[base + left].float(), stack.texture[base + right].float(), fx)
    value = torch.lerp(top, low, fy)
    radiance, sky = torch.exp2(value[..., :3]), value[..., 3]
    chosen = (torch.rand(b, generator=g, device=dev) < replace_sky) & stack.replaceable[which]
    if bool(chosen.any()):
        index = chosen.nonzero()[:, 0]
        n = len(index)
        number = torch.randint(0, skies.shape[0], (n,), generator=g, device=dev)
        turn = torch.rand(n, generator=g, device=dev)[:, None, None] * (2 * pi)
        part = d[index]
        elevation, azimuth = torch.asin(part[..., 2].clamp(0, 1)), torch.atan2(part[..., 0], part[..., 1])
        own, alpha = radiance[index], sky[index][..., None]
        ground = torch.exp((torch.log(own) * (1 - alpha)).mean((1, 2, 3)) / (1 - alpha).mean((1, 2, 3)).clamp_min(0.05))
        level = ground * torch.exp2(torch.rand(n, generator=g, device=dev) * 5.0 - 1.5)
        other = sample_sky(skies, number, azimuth + turn, elevation) * level[:, None, None, None]
        sharp = ((alpha - 0.5) * 1.6 + 0.5).clamp(0, 1)
        radiance[index] = own.clamp_max(1e4) * (1 - sharp) + other * sharp
    return radiance, sky
