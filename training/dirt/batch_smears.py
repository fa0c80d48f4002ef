"""Smears for whole batches: soft dabs, strokes of fingers and cloths, wiped windows in a film, runs of dried water.

Each is a share of the light taken (B, H, W), drawn stroke by stroke; :mod:`.batch_glass` looks through it. A stroke is a bent
capsule: soft to its rim, grooved along its way, lighter where the hand let go.
"""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional as F

from training.dirt.batch_scene import blurred, happens, log_uniform, normal, octave_noise, uniform

__all__ = ["FORMS", "smears"]

FORMS = ("dabs", "strokes", "wiped film", "runs", "patch", "mixed")
DABS, STROKES, WIPED, RUNS, PATCH, MIXED = range(len(FORMS))
MOST = 28
#: Strokes are drawn at half size: none is finer than two pixels.
COARSE = 2


def _strokes(form: Tensor, h: int, w: int) -> Tensor:
    """Share taken by strokes laid over one another (n, h, w); sizes are shares of the width."""
    n, dev, k = len(form), form.device, MOST
    hh, hw = h // COARSE, w // COARSE
    ys = (torch.arange(hh, device=dev) + 0.5) * COARSE / w - 0.5 * h / w
    xs = (torch.arange(hw, device=dev) + 0.5) * COARSE / w - 0.5
    y, x = ys[:, None], xs[None]

    def per(values: Tensor) -> Tensor:
        return values.view(n, -1, 1, 1)

    dab, run = per((form == DABS).float()), per((form == RUNS).float())
    mixed = (happens(0.5, n * k, dev).view(n, k, 1, 1) & per(form == MIXED))
    short = (dab > 0) | mixed
    size = per(log_uniform(0.008, 0.075, n, device=dev)) * torch.exp(normal(0.35, n, k, 1, 1, device=dev))
    long_ = torch.where(short, uniform(0.0, 0.8, n, k, 1, 1, device=dev) * size, log_uniform(0.05, 0.45, n, k, 1, 1, device=dev))
    size = torch.where(run > 0, size * 0.35, size)
    way = torch.where(happens(0.5, n, dev).view(n, 1, 1, 1), normal(0.35, n, k, 1, 1, device=dev), uniform(0, 3.1416, n, k, 1, 1, device=dev))
    way = way + per(uniform(0, 3.1416, n, device=dev))
    way = torch.where(run > 0, 1.5708 + normal(0.06, n, k, 1, 1, device=dev), way)
    spread = per(torch.where(happens(0.4, n, dev), uniform(0.08, 0.2, n, device=dev), torch.full((n,), 0.6, device=dev)))
    gathered = spread < 0.5
    cx = torch.where(gathered, per(uniform(-0.4, 0.4, n, device=dev)) + spread * normal(1.0, n, k, 1, 1, device=dev), uniform(-0.52, 0.52, n, k, 1, 1, device=dev))
    cy = torch.where(gathered, per(uniform(-0.4, 0.4, n, device=dev) * h / w) + spread * normal(1.0, n, k, 1, 1, device=dev),
                     uniform(-0.52, 0.52, n, k, 1, 1, device=dev) * h / w)
    u = (x - cx) * torch.cos(way) + (y - cy) * torch.sin(way)
    v = (y - cy) * torch.cos(way) - (x - cx) * torch.sin(way)
    v = v - u * u * normal(1.2, n, k, 1, 1, device=dev) * (1 - run)
    taper = 1 - uniform(0, 0.6, n, k, 1, 1, device=dev) * ((u / (long_ + size)) * 0.5 + 0.5).clamp(0, 1)
    away = torch.hypot((u.abs() - long_).clamp_min(0), v / taper) / size
    soft = per(log_uniform(0.06, 0.6, n, device=dev)) * torch.exp(normal(0.2, n, k, 1, 1, device=dev))
    body = torch.sigmoid((1 - away) / (soft * 0.5))
    grooves = 1 + per(uniform(0, 0.9, n, device=dev)) * torch.cos(v / size * uniform(3, 14, n, k, 1, 1, device=dev) + normal(2.0, n, k, 1, 1, device=dev))
    body = torch.where(short, body, body * (grooves / 1.4).clamp(0, 1.3))
    rim = per(uniform(-0.4, 0.7, n, device=dev).clamp_min(0)) * torch.exp(-((away - 1) / (soft + 0.1)) ** 2)
    fade = 1 - uniform(0, 0.8, n, k, 1, 1, device=dev) * (u / (long_ + size) * 0.5 + 0.5).clamp(0, 1)
    count = log_uniform(1, MOST, n, device=dev)
    on = torch.arange(k, device=dev).view(1, k, 1, 1) < per(count)
    each = (body * fade + rim).clamp(0, 1) * uniform(0.45, 1.0, n, k, 1, 1, device=dev) * on
    left = torch.exp(torch.log1p(-each.clamp(0, 0.97)).sum(dim=1))
    return F.interpolate((1 - left)[:, None], (h, w), mode="bilinear")[:, 0]


def smears(n: int, h: int, w: int, dev: torch.device) -> Tensor:
    """Share of the light that each smear takes (n, h, w), 0..0.95, from faint to thick."""
    form = torch.randint(len(FORMS), (n,), device=dev)
    noise = octave_noise(n, h, w, uniform(1.5, 25, n, device=dev), uniform(0.3, 0.75, n, device=dev), dev)
    drawn = _strokes(form, h, w)
    film = (0.9 + uniform(0, 0.3, n, 1, 1, device=dev) * noise).clamp(0, 1.3)
    patch = torch.sigmoid((noise - uniform(0.2, 1.3, n, 1, 1, device=dev)) * log_uniform(2, 12, n, 1, 1, device=dev))
    chosen = form.view(-1, 1, 1)
    out = torch.where(chosen == WIPED, film * (1 - drawn), torch.where(chosen == PATCH, patch, drawn * (1 + 0.2 * noise)))
    out = out.clamp(0, 1) * uniform(0.12, 0.92, n, 1, 1, device=dev)
    return blurred(out[:, None], log_uniform(0.0008, 0.012, n, device=dev) * w)[:, 0].clamp(0, 0.95)
