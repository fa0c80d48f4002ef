"""Procedural skies: clear, polarised, broken cloud, overcast, haze, sunset and night, as (azimuth, elevation) maps."""

from __future__ import annotations

from math import pi

import torch
from torch import Tensor
from torch.nn import functional as F

__all__ = ["noise_tiles", "random_skies", "sample_sky", "sample_tile"]


def noise_tiles(n: int, size: int, g: torch.Generator) -> Tensor:
    """Tileable fractal noise (n, size, size), zero mean, unit deviation."""
    total = torch.zeros(n, size, size, device=g.device)
    cells, weight = 4, 1.0
    while cells <= size // 2:
        grid = torch.randn(n, 1, cells, cells, generator=g, device=g.device)
        grid = F.pad(grid, (2, 2, 2, 2), mode="circular")
        fine = F.interpolate(grid, scale_factor=size // cells, mode="bicubic")
        edge = 2 * (size // cells)
        total += weight * fine[:, 0, edge : edge + size, edge : edge + size]
        cells, weight = cells * 2, weight * 0.58
    total -= total.mean((1, 2), keepdim=True)
    return total / total.std((1, 2), keepdim=True)


def sample_tile(tiles: Tensor, which: Tensor, u: Tensor, v: Tensor) -> Tensor:
    """Bilinear sample of wrapping tiles: which (b), u, v (b, ...) in tiles."""
    size = tiles.shape[-1]
    x, y = (u - torch.floor(u)) * size, (v - torch.floor(v)) * size
    x0, y0 = torch.floor(x), torch.floor(y)
    fx, fy = x - x0, y - y0
    x0, y0 = x0.long() % size, y0.long() % size
    x1, y1 = (x0 + 1) % size, (y0 + 1) % size
    base = (which * size * size).reshape(-1, *[1] * (u.dim() - 1))
    flat = tiles.reshape(-1)
    top = flat[base + y0 * size + x0] * (1 - fx) + flat[base + y0 * size + x1] * fx
    low = flat[base + y1 * size + x0] * (1 - fx) + flat[base + y1 * size + x1] * fx
    return top * (1 - fy) + low * fy


def sample_sky(skies: Tensor, which: Tensor, azimuth: Tensor, elevation: Tensor) -> Tensor:
    """Radiance (b, ..., 3) of sky ``which`` (b) at an azimuth and an elevation (b, ...); below the horizon the rim."""
    rows, columns = skies.shape[1:3]
    y = ((1 - elevation.clamp(0, pi / 2) / (pi / 2)) * (rows - 1)).clamp(0, rows - 1.001)
    x = azimuth / (2 * pi) * columns
    x0, y0 = torch.floor(x), torch.floor(y)
    fx, fy = (x - x0)[..., None], (y - y0)[..., None]
    base = (which * rows * columns).reshape(-1, *[1] * (azimuth.dim() - 1)) + y0.long() * columns
    left, right = x0.long() % columns, (x0.long() + 1) % columns
    flat = skies.reshape(-1, 3)
    top = torch.lerp(flat[base + left], flat[base + right], fx)
    low = torch.lerp(flat[base + columns + left], flat[base + columns + right], fx)
    return torch.lerp(top, low, fy)


def random_skies(n: int, g: torch.Generator, rows: int = 192, columns: int = 768) -> Tensor:
    """Radiance (n, rows, columns, 3), mean near 1; row 0 is the zenith, the last row the horizon."""
    dev = g.device

    def uniform(low: float, high: float, *shape: int) -> Tensor:
        return torch.rand(n, *shape, 1, 1, 1, generator=g, device=dev) * (high - low) + low

    def colour(r: float, green: float, b: float, spread: float) -> Tensor:
        base = torch.tensor([r, green, b], device=dev).reshape(1, 1, 1, 3)
        return base * torch.exp(torch.randn(n, 1, 1, 3, generator=g, device=dev) * spread)

    elevation = torch.linspace(pi / 2, 0.0, rows, device=dev)[None, :, None]
    azimuth = (torch.arange(columns, device=dev) / columns * 2 * pi)[None, None, :]
    kind = torch.randint(0, 12, (n, 1, 1, 1), generator=g, device=dev)
    sunset, night, grey, haze, deep = kind == 0, kind == 1, (kind == 2) | (kind == 3), kind == 4, (kind == 5) | (kind == 6)
    zenith = colour(0.20, 0.38, 0.85, 0.25)
    zenith = torch.where(deep, colour(0.05, 0.14, 0.5, 0.35), zenith)
    zenith = torch.where(sunset, colour(0.25, 0.27, 0.5, 0.35), zenith)
    zenith = torch.where(night, colour(0.02, 0.025, 0.04, 0.5), zenith)
    zenith = torch.where(grey, colour(0.6, 0.63, 0.67, 0.08) * uniform(0.4, 1.5), zenith)
    zenith = torch.where(haze, colour(0.85, 0.82, 0.75, 0.1), zenith)
    rim = colour(0.75, 0.85, 1.0, 0.12) * uniform(0.5, 1.3)
    rim = torch.where(deep, zenith * uniform(1.2, 5), rim)
    rim = torch.where(sunset, colour(1.0, 0.5, 0.25, 0.35), rim)
    rim = torch.where(night, colour(0.10, 0.07, 0.05, 0.6), rim)
    rim = torch.where(grey, zenith * uniform(0.7, 1.4), rim)
    rim = torch.where(haze, zenith * colour(1.0, 0.96, 0.9, 0.05), rim)
    t = (torch.exp(-elevation / uniform(0.12, 0.7)[..., 0]))[..., None]
    sky = (zenith * (1 - t) + rim * t).expand(n, rows, columns, 3).clone()
    sun_az, sun_el = uniform(0, 2 * pi)[..., 0], uniform(-0.05, 1.2)[..., 0]
    cosine = torch.sin(elevation) * torch.sin(sun_el) + torch.cos(elevation) * torch.cos(sun_el) * torch.cos(azimuth - sun_az)
    glow = torch.exp(-(1 - cosine) / uniform(0.01, 0.25)[..., 0])[..., None] * uniform(0.0, 2.5)
    sky += torch.where(night, torch.zeros_like(glow), glow) * colour(1.0, 0.9, 0.75, 0.1)
    tiles = noise_tiles(16, 256, g)
    which = torch.randint(0, 16, (n,), generator=g, device=dev)
    other = torch.randint(0, 16, (n,), generator=g, device=dev)
    reach = uniform(0.05, 0.6)[..., 0] / (torch.sin(elevation) + 0.06)
    u, v = reach * torch.cos(azimuth) * torch.cos(elevation), reach * torch.sin(azimuth) * torch.cos(elevation)
    stretch = uniform(0.3, 1.0)[..., 0]
    shift = uniform(0, 1)[..., 0]
    cloud = sample_tile(tiles, which, u + shift, v * stretch + shift)
    shade = sample_tile(tiles, other, u * 0.6 + shift + 0.05, v * 0.6)
    cover = uniform(-1.5, 2.2)
    alpha = torch.sigmoid((cloud[..., None] - cover) * uniform(1.5, 14)) * uniform(0.2, 1.0)
    cloudless = haze | (deep & (uniform(0, 1) < 0.4)) | (uniform(0, 1) < 0.2)
    alpha = torch.where(cloudless, torch.zeros_like(alpha), alpha)
    lit = colour(1.15, 1.13, 1.1, 0.05) * uniform(0.7, 1.6)
    lit = torch.where(sunset, colour(1.0, 0.55, 0.4, 0.4), lit)
    lit = torch.where(night, sky.mean((1, 2), keepdim=True) * uniform(0.5, 4), lit)
    lit = torch.where(grey, zenith * uniform(0.75, 1.3), lit)
    body = lit * torch.exp(uniform(0.02, 0.45) * shade[..., None])
    sky = sky * (1 - alpha) + body * alpha
    stars = (torch.rand(n, rows, columns, 1, generator=g, device=dev) > 0.9985) & night & (uniform(0, 1) < 0.5)
    sky = torch.where(stars, sky + uniform(0.05, 0.6), sky)
    return sky.clamp_min(1e-3)
