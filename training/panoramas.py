"""The packed panoramas as one stack of textures, and views of them: moved, mixed, with their own or another sky.

Besides plain views there are two ways to make more places out of few that leave the truth exact. *Moved* views are
taken from beside and above the panorama's own spot, as if it were painted on a level ground and an upright
cylinder: uprights stay upright and level lines level. *Mixed* views show one panorama on one side of an upright
seam, or below the horizon, and another one beyond.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from math import pi
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

import cv2
import numpy as np
import torch
from torch import Tensor

from training.evaluation_views import level_rotation, panorama_stops
from training.skies import sample_sky

__all__ = ["RAYS", "PanoramaStack", "draw_index", "fused", "load_stack", "real_skies", "render_panoramas"]

P = ParamSpec("P")
T = TypeVar("T")
KIND_WEIGHT = {"town": 2.2, "country": 2.6, "room": 1.2}
STUDIO_WEIGHT = 0.7
"""Photo studios look alike: together they count less than other rooms."""
PANORAMA_HEIGHT_M = 1.6
"""Usual height of a panorama's camera; common practice, no source."""
OPEN_SKY_DEG = 40.0


def fused(function: Callable[P, T]) -> Callable[P, T]:
    """The function compiled into few kernels on a GPU, as it is on a CPU."""
    if not torch.cuda.is_available():
        return function
    return torch.compile(function, dynamic=False)


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
    """Reads the places of one split ("train", "held out" or "all")."""
    places = [p for p in json.loads((folder / "places.json").read_text()) if split in (p["split"], "all")]

    def layer(place: dict[str, Any]) -> np.ndarray:
        stops = panorama_stops(folder, place)
        sky = np.zeros(stops.shape[:2], np.float32)
        if place["sky"]:
            sky = cv2.imread(str(folder / f"{place['key']}.png"), 0).astype(np.float32) / 255
        return np.concatenate([stops, sky[..., None]], -1).astype(np.float16)

    with ThreadPoolExecutor() as pool:
        layers = list(pool.map(layer, places))
    stack = torch.from_numpy(np.stack(layers)).to(device)
    n, height, width, _ = stack.shape
    level = np.stack([level_rotation(tuple(p["axis"]) if p["axis"] else None) for p in places])
    weight = [KIND_WEIGHT[p["kind"]] * (STUDIO_WEIGHT if "studio" in p["name"] else 1.0) for p in places]
    return PanoramaStack(
        stack.reshape(-1, 4).contiguous(), height, width,
        torch.from_numpy(level).float().to(device),
        torch.tensor([bool(p["sky"]) for p in places], device=device),
        torch.tensor([bool(p["outdoor"]) for p in places], device=device),
        torch.tensor(weight, device=device),
        tuple(p["name"] for p in places), tuple(p["kind"] for p in places),
    )  # fmt: skip


def real_skies(stack: PanoramaStack, rows: int, columns: int) -> Tensor:
    """Skies (n, rows, columns, 3) of the places with an open sky, mean 1; row 0 the zenith, the last the lowest.

    A sky is taken down to where the first thing stands in it; its elevations are stretched to the horizon, which
    changes no truth: a sky has no uprights.
    """
    found = []
    for number in range(len(stack.names)):
        if not bool(stack.replaceable[number]):
            continue
        layer = stack.texture.reshape(len(stack.names), stack.height, stack.width, 4)[number].float()
        upper = layer[: stack.height // 2]
        covered = (upper[..., 3] > 0.95).float().mean(1) < 0.998
        first = int(covered.nonzero()[0]) if bool(covered.any()) else stack.height // 2
        lowest_deg = 90 - first / stack.height * 180
        if lowest_deg > OPEN_SKY_DEG:
            continue
        sky = torch.exp2(upper[: max(first - 2, 1), :, :3]).permute(2, 0, 1)[None]
        sky = torch.nn.functional.interpolate(sky, size=(rows, columns), mode="bilinear")[0].permute(1, 2, 0)
        found.append((sky / sky.clamp_max(50).mean()).clamp(1e-3, 50))
    return torch.stack(found) if found else torch.zeros(0, rows, columns, 3, device=stack.texture.device)


@dataclass(frozen=True, slots=True)
class _Look:
    """How each of b views shows its panorama: tensors (b) or (b, 1)."""

    other: Tensor
    seam: Tensor
    below: Tensor
    shift: Tensor
    radius: Tensor


def _draw_look(which: Tensor, forward: Tensor, stack: PanoramaStack, g: torch.Generator, varied: bool) -> _Look:
    b, dev = len(which), which.device

    def uniform(low: float, high: float) -> Tensor:
        return torch.rand(b, generator=g, device=dev) * (high - low) + low

    far = torch.full((b,), 1e5, device=dev)
    if not varied:
        zero = torch.zeros(b, device=dev)
        return _Look(which, far, far * -1, torch.zeros(b, 3, device=dev), far + zero)
    room = torch.tensor([k == "room" for k in stack.kinds], device=dev)
    country = torch.tensor([k == "country" for k in stack.kinds], device=dev)
    # a partner of the same sort: rooms with rooms, open places with known skies among themselves
    sort = torch.where(room & stack.sky_known, 0, torch.where(stack.replaceable, 1, 2))
    alike = (sort[which][:, None] == sort[None, :]).float() * stack.weight[None, :]
    chosen = torch.log(alike) - torch.log(-torch.log(torch.rand(alike.shape, generator=g, device=dev).clamp(1e-7, 1 - 1e-7)))
    other = chosen.argmax(1)
    mixed = torch.rand(b, generator=g, device=dev)
    seam = torch.where(mixed < 0.16, forward + uniform(-0.6, 0.6), far)
    below = torch.where((mixed > 0.16) & (mixed < 0.26), uniform(-0.12, 0.0), -far)
    moved = torch.rand(b, generator=g, device=dev) < 0.4
    is_room, is_country = room[which], country[which]
    radius = torch.where(is_room, torch.exp(uniform(1.0, 2.2)), torch.exp(uniform(3.2, 5.0)))
    # woods stand close around; open country has nothing upright near, so that only the ground moves
    close = torch.tensor([("forest" in name) or name == "park2" for name in stack.names], device=dev)[which]
    radius = torch.where(is_country, torch.where(close, torch.exp(uniform(1.6, 2.5)), far), radius)
    away = torch.where(is_room, 0.35 * radius, torch.where(is_country & ~close, uniform(0, 4), 0.15 * radius)) * uniform(0, 1)
    bearing = uniform(-pi, pi)
    up = torch.where(is_room, torch.minimum(0.2 * radius, uniform(-0.7, 1.3)),
                     torch.minimum(0.03 * radius, uniform(-0.8, 5.0)))  # fmt: skip
    shift = torch.stack([away * torch.sin(bearing), away * torch.cos(bearing), up], -1)
    shift = torch.where(moved[:, None], shift, torch.zeros_like(shift))
    return _Look(other, seam, below, shift, torch.where(moved, radius, far))


def _lookup(
    d: Tensor, which: Tensor, level: Tensor, level_other: Tensor, other: Tensor, seam: Tensor, below: Tensor,
    shift: Tensor, radius: Tensor, texture: Tensor, height: int, width: int,
) -> Tensor:  # fmt: skip
    """Stops of R, G, B and sky (b, m, 4) along the rays d (b, m, 3) of b views."""
    dx, dy, dz = d.unbind(-1)
    tx, ty, tz = (t[:, None] for t in shift.unbind(-1))
    flat = (dx * dx + dy * dy).clamp_min(1e-9)
    along = tx * dx + ty * dy
    root = torch.sqrt((along * along - flat * (tx * tx + ty * ty - radius[:, None] ** 2)).clamp_min(0))
    wall = (root - along) / flat
    ground = (PANORAMA_HEIGHT_M + tz) / (-dz).clamp_min(1e-6)
    reach = torch.where(dz < 0, torch.minimum(wall, ground), wall)
    px, py, pz = tx + reach * dx, ty + reach * dy, tz + reach * dz
    length = torch.rsqrt(px * px + py * py + pz * pz)
    px, py, pz = px * length, py * length, pz * length
    turn = torch.atan2(dx, dy) - seam[:, None]
    beyond = (seam[:, None] < 1e4) & (turn - 2 * pi * torch.floor(turn / (2 * pi)) < pi)
    beyond = beyond | (dz < below[:, None])
    rotation = [torch.where(beyond, level_other[:, i, k, None], level[:, i, k, None]) for i in range(3) for k in range(3)]
    qx = rotation[0] * px + rotation[1] * py + rotation[2] * pz
    qy = rotation[3] * px + rotation[4] * py + rotation[5] * pz
    qz = rotation[6] * px + rotation[7] * py + rotation[8] * pz
    place = torch.where(beyond, other[:, None], which[:, None])
    x = (0.5 + torch.atan2(qx, qy) / (2 * pi)) * width - 0.5
    y = ((0.5 - torch.asin(qz.clamp(-1, 1)) / pi) * height - 0.5).clamp(0, height - 1.001)
    x0, y0 = torch.floor(x), torch.floor(y)
    fx, fy = (x - x0)[..., None], (y - y0)[..., None]
    left, right = x0.long() % width, (x0.long() + 1) % width
    base = place * (height * width) + y0.long() * width
    top = texture[base + left].float() * (1 - fx) + texture[base + right].float() * fx
    base = base + width
    low = texture[base + left].float() * (1 - fx) + texture[base + right].float() * fx
    return top * (1 - fy) + low * fy


_lookup_fused = fused(_lookup)
SNOW_SHARE = 0.08
"""Share of views of open places whose ground is shown under snow: panoramas of snow are few."""


def _snow(radiance: Tensor, sky: Tensor, up: Tensor, allowed: Tensor, g: torch.Generator) -> Tensor:
    """Radiance (b, h, w, 3) with the ground of a few views white, from some way below the horizon down.

    ``up`` (b, h, w) is the upward part of the rays, ``allowed`` (b) which views may be changed; the poses and the sky stay.
    """
    b, dev = len(radiance), radiance.device

    def uniform(low: float, high: float) -> Tensor:
        return (torch.rand(b, generator=g, device=dev) * (high - low) + low)[:, None, None]

    shown = (torch.rand(b, generator=g, device=dev) < SNOW_SHARE) & allowed
    cover = torch.sigmoid((-up - uniform(0.0, 0.2)) / 0.03) * (1 - sky) * uniform(0.6, 1.0) * shown[:, None, None]
    stops = torch.log(radiance.mean(-1).clamp(1e-4, 1e3))
    usual = stops.mean((1, 2), keepdim=True)
    white = torch.exp(usual + uniform(0.2, 1.8) + (stops - usual) * uniform(0.05, 0.4))
    tint = torch.tensor([0.97, 1.0, 1.04], device=dev) * torch.exp(torch.randn(b, 1, 1, 3, generator=g, device=dev) * 0.03)
    return torch.lerp(radiance, white[..., None] * tint, cover[..., None])


RAYS = 384 * 216
"""Rays of a view are padded to this many, so that every shape shares one compiled function."""


def render_panoramas(
    d: Tensor, which: Tensor, stack: PanoramaStack, skies: Tensor, g: torch.Generator, replace_sky: float, varied: bool
) -> tuple[Tensor, Tensor]:
    """Radiance (b, h, w, 3) and sky (b, h, w) along world rays ``d`` (b, h, w, 3).

    ``replace_sky`` is the share of views with a known sky that get another; ``varied`` also shows places mirrored,
    moved and mixed.
    """
    b, h, w, _ = d.shape
    dev = d.device
    if varied:
        sign = torch.where(torch.rand(b, generator=g, device=dev) < 0.5, -1.0, 1.0)
        d = torch.stack([d[..., 0] * sign[:, None, None], d[..., 1], d[..., 2]], -1)
    middle = d[:, h // 2, w // 2]
    look = _draw_look(which, torch.atan2(middle[:, 0], middle[:, 1]), stack, g, varied)
    spin = torch.rand(b, generator=g, device=dev) * (2 * pi)
    c, s, zero, one = torch.cos(spin), torch.sin(spin), torch.zeros(b, device=dev), torch.ones(b, device=dev)
    about = torch.stack([c, -s, zero, s, c, zero, zero, zero, one], -1).reshape(b, 3, 3)
    rays = d.reshape(b, h * w, 3)
    if h * w < RAYS:
        rays = torch.nn.functional.pad(rays, (0, 0, 0, RAYS - h * w), value=0.577)
    value = _lookup_fused(rays, which, stack.level[which], stack.level[look.other] @ about, look.other, look.seam,
                          look.below, look.shift, look.radius, stack.texture, stack.height, stack.width)  # fmt: skip
    value = value[:, : h * w].reshape(b, h, w, 4)
    radiance, sky = torch.exp2(value[..., :3]), value[..., 3]
    n = round(b * replace_sky)
    if n:
        # a fixed number of views, so that nothing waits for the GPU to count them
        index = torch.rand(b, generator=g, device=dev).argsort()[:n]
        allowed = stack.replaceable[which[index]].float()[:, None, None, None]
        number = torch.randint(0, skies.shape[0], (n,), generator=g, device=dev)
        turn = torch.rand(n, generator=g, device=dev)[:, None, None] * (2 * pi)
        part = d[index]
        elevation, azimuth = torch.asin(part[..., 2].clamp(0, 1)), torch.atan2(part[..., 0], part[..., 1])
        own, alpha = radiance[index], sky[index][..., None] * allowed
        ground = torch.exp((torch.log(own) * (1 - alpha)).mean((1, 2, 3)) / (1 - alpha).mean((1, 2, 3)).clamp_min(0.05))
        level = ground * torch.exp2(torch.rand(n, generator=g, device=dev) * 5.0 - 1.5)
        behind = sample_sky(skies, number, azimuth + turn, elevation) * level[:, None, None, None]
        sharp = ((alpha - 0.5) * 1.6 + 0.5).clamp(0, 1) * allowed
        radiance[index] = own.clamp_max(1e4) * (1 - sharp) + behind * sharp
    if varied:
        radiance = _snow(radiance, sky, d[..., 2], stack.replaceable[which], g)
    return radiance, sky


def draw_index(weight: Tensor, n: int, g: torch.Generator) -> Tensor:
    """n indices, as often as their weight says; unlike ``torch.multinomial`` it never waits for the GPU."""
    total = weight.cumsum(0)
    wanted = torch.rand(n, generator=g, device=g.device) * total[-1]
    return torch.searchsorted(total, wanted).clamp_max(len(weight) - 1)
