"""Dirt on the glass for whole batches: what it takes, bends, blurs and adds, kept apart from the scene behind it.

Whatever sits on the cover is far out of focus: it blocks a share of the light that passes and adds light that it
scatters. :func:`make_glass` draws that as maps; :func:`through` looks through them at any scene, so that one glass can
lie over several pictures of one camera.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional as F

from training.dirt.batch_scene import (
    blurred,
    disc_blurred,
    happens,
    level_of,
    log_uniform,
    normal,
    octave_noise,
    uniform,
    wide_blurred,
)
from training.dirt.batch_smears import smears

__all__ = ["KINDS", "Glass", "make_glass", "through"]

KINDS = ("clear", "haze", "spots", "cobweb", "infrared reflection", "defocus", "blocked")
HAZE, SPOTS, WEB, GLOW, DEFOCUS, BLOCKED = range(1, 7)
#: Of films, those that are rubbed or wiped.
SMEARED_SHARE = 0.5
#: A black scene has this level: light over it is then glare, not a number that is none.
DARKEST = 1e-4


@dataclass
class Glass:
    """Maps (B, H, W) unless said otherwise.

    ``take``: share of the light lost; ``scatter``: share of a wide blur of the scene added; ``veil``: light added, in
    units of the scene's level, of ``colour`` (B, 3); ``bend`` (B, H, W, 2) in pixels, shown with weight ``drop`` after
    a blur of ``drop_blur`` (B,) pixels; ``focus`` (B,) pixels and ``focus_map`` for how much of it; ``alpha`` of a
    thing in front with ``thing`` (B, 3, H, W) in units of the level, its texture weighted ``texture`` (B,).
    """

    kind: Tensor
    take: Tensor
    scatter: Tensor
    spread: Tensor
    veil: Tensor
    colour: Tensor
    mean_share: Tensor
    bend: Tensor
    drop: Tensor
    drop_blur: Tensor
    drop_gain: Tensor
    focus: Tensor
    focus_gauss: Tensor
    focus_map: Tensor
    alpha: Tensor
    thing: Tensor
    texture: Tensor
    thing_blur: Tensor
    soiled: Tensor
    blocked: Tensor

    def take_samples(self, index: Tensor) -> Glass:
        return Glass(*(getattr(self, f.name)[index] for f in fields(self)))

    def put_samples(self, index: Tensor, other: Glass) -> None:
        for f in fields(self):
            getattr(self, f.name)[index] = getattr(other, f.name)


def _empty(kind: Tensor, h: int, w: int) -> Glass:
    b, dev = len(kind), kind.device

    def flat() -> Tensor:
        return torch.zeros(b, h, w, device=dev)

    def one(value: float) -> Tensor:
        return torch.full((b,), value, device=dev)

    return Glass(kind, flat(), flat(), one(0.05), flat(), torch.ones(b, 3, device=dev), one(0.5),
                 torch.zeros(b, h, w, 2, device=dev), flat(), one(1.0), one(1.0), one(0.01), one(0.0), flat(), flat(),
                 torch.zeros(b, 3, h, w, device=dev), one(0.0), one(1.0), flat(), flat())


def _mesh(n: int, h: int, w: int, dev: torch.device) -> tuple[Tensor, Tensor]:
    y, x = torch.meshgrid(torch.linspace(-1, 1, h, device=dev), torch.linspace(-1, 1, w, device=dev), indexing="ij")
    return y[None], x[None]


def _dust_colour(n: int, dev: torch.device) -> Tensor:
    return torch.stack([torch.ones(n, device=dev), uniform(0.88, 1.02, n, device=dev), uniform(0.7, 1.05, n, device=dev)], 1)


def _film_or_smear(g: Glass, h: int, w: int, night: Tensor) -> None:
    rubbed = happens(SMEARED_SHARE, len(g.kind), g.kind.device)
    for chosen, maker in ((rubbed, _smear), (~rubbed, _film)):
        index = torch.nonzero(chosen)[:, 0]
        if len(index):
            part = g.take_samples(index)
            maker(part, h, w, night[index])
            g.put_samples(index, part)


def _smear(g: Glass, h: int, w: int, night: Tensor) -> None:
    n, dev = len(g.kind), g.kind.device
    m = smears(n, h, w, dev)
    share = uniform(0.1, 0.98, n, 1, 1, device=dev)
    g.take[:], g.scatter[:] = m, m * share
    bright = torch.where(night > 0, uniform(0.3, 2.5, n, device=dev), uniform(0.25, 1.5, n, device=dev)).view(-1, 1, 1)
    g.veil[:] = m * (1 - share) * bright
    g.spread[:] = log_uniform(0.008, 0.15, n, device=dev)
    g.colour[:] = _dust_colour(n, dev)
    g.focus[:] = uniform(0.002, 0.012, n, device=dev) * w
    g.focus_gauss[:] = 1.0
    g.focus_map[:] = (m * uniform(-0.6, 1.2, n, 1, 1, device=dev).clamp_min(0)).clamp(0, 1)
    g.soiled[:], g.blocked[:] = (m / 0.3).clamp(0, 1), (m > 0.9).float()


def _film(g: Glass, h: int, w: int, night: Tensor) -> None:
    n, dev = len(g.kind), g.kind.device

    def each(low: float, high: float) -> Tensor:
        return uniform(low, high, n, 1, 1, device=dev)

    y, x = _mesh(n, h, w, dev)
    noise = octave_noise(n, h, w, uniform(1.2, 10, n, device=dev), uniform(0.3, 0.75, n, device=dev), dev)
    angle = each(0, 2 * np.pi)
    side = torch.cos(angle) * x + torch.sin(angle) * y
    radial = torch.hypot(x - normal(0.2, n, 1, 1, device=dev), y - normal(0.2, n, 1, 1, device=dev))
    column = octave_noise(n, 6, w, uniform(8, 40, n, device=dev), uniform(0.4, 0.8, n, device=dev), dev)[:, :1]
    forms = torch.stack([
        1 + each(0.0, 0.2) * noise,
        (0.8 + each(0.2, 0.6) * noise).clamp_min(0.03),
        (0.8 + 0.5 * column * (0.6 + 0.4 * y)).clamp_min(0.02),
        1.25 * torch.sigmoid((torch.where(happens(0.6, n, dev).view(-1, 1, 1), side, radial) - each(-0.6, 0.5)) * each(1.5, 8)),
        torch.sigmoid((side - each(-0.9, 0.3)) * log_uniform(15, 120, n, 1, 1, device=dev)).expand(n, h, w),
        1.3 * torch.exp(-((x - each(-0.5, 0.5)) ** 2 + (y - each(-0.3, 0.9)) ** 2) / (2 * each(0.4, 1.1) ** 2)),
    ])
    form = torch.randint(6, (n,), device=dev)
    m = forms[form, torch.arange(n, device=dev)] * each(0.2, 0.78)
    wrinkled = (form == 4) | happens(0.2, n, dev)
    wave = octave_noise(n, h, w, uniform(1.5, 12, n, device=dev), uniform(0.25, 0.5, n, device=dev), dev)
    crease = torch.exp(-(wave / each(0.04, 0.2)) ** 2)
    sheet = torch.where(happens(0.5, n, dev).view(-1, 1, 1), wave, crease)
    sheet = blurred(sheet[:, None], uniform(0.003, 0.012, n, device=dev) * w)[:, 0]
    pull = each(0.0, 1.0) * 0.035 * w * w / 640 * 18 * wrinkled.view(-1, 1, 1)
    dy = F.pad(sheet[:, 2:] - sheet[:, :-2], (0, 0, 1, 1))
    dx = F.pad(sheet[:, :, 2:] - sheet[:, :, :-2], (1, 1))
    inside = (m > 0.08).float()
    g.bend[:] = (torch.stack([dx, dy], -1) * (pull * inside)[..., None]).clamp(-0.03 * w, 0.03 * w)
    m = m + 0.2 * crease * inside * wrinkled.view(-1, 1, 1) * each(0, 1)
    g.drop[:] = (wrinkled.view(-1, 1, 1) * inside)
    g.drop_blur[:] = torch.full((n,), 0.3, device=dev)
    soft = torch.where(form == 5, uniform(0, 0.6, n, device=dev), uniform(-0.15, 0.3, n, device=dev)).clamp_min(0)
    g.focus[:] = uniform(0.002, 0.009, n, device=dev) * w
    g.focus_gauss[:] = 1.0
    g.focus_map[:] = soft.view(-1, 1, 1) * inside
    m = m.clamp(0, 0.94)
    share = each(0.1, 0.98)
    g.take[:], g.scatter[:] = m, m * share
    g.veil[:] = m * (1 - share) * each(0.35, 1.7) * (1 + 0.1 * noise)
    g.spread[:] = log_uniform(0.01, 0.2, n, device=dev)
    g.colour[:] = _dust_colour(n, dev)
    g.soiled[:], g.blocked[:] = (m / 0.3).clamp(0, 1), (m > 0.9).float()


def _spots(g: Glass, h: int, w: int, night: Tensor) -> None:
    n, dev = len(g.kind), g.kind.device
    form = torch.randint(5, (n,), device=dev)
    drops, rims, splash = form == 2, form == 3, form == 4
    drops = drops | (form == 4) & (torch.rand(n, device=dev) < 0.5)
    count = log_uniform(6, 180, n, device=dev)
    k = int(count.max()) + 1
    half = 48
    base = log_uniform(0.003, 0.03, n, device=dev) * w * torch.where(drops, 1.5, 1.0)
    size = (base[:, None] * torch.exp(normal(0.45, n, k, device=dev))).clamp(1.2, 30.0)
    size = torch.minimum(size, torch.tensor(0.09 * w, device=dev))
    on = torch.arange(k, device=dev)[None] < count[:, None]
    on = on & ((size < 14) | (torch.arange(k, device=dev)[None] < 45))
    cx, cy = torch.rand(n, k, device=dev) * w, torch.rand(n, k, device=dev) * h
    centre = torch.rand(n, 2, 1, device=dev)
    near = splash[:, None] | happens(0.2, n, dev)[:, None]
    cx = torch.where(near, centre[:, 0] * w + normal(0.2, n, k, device=dev) * w, cx)
    cy = torch.where(near, centre[:, 1] * h + normal(0.2, n, k, device=dev) * w, cy)
    strength = torch.distributions.Beta(2.0, 2.5).sample((n, k)).to(dev) * uniform(0.45, 1.05, n, 1, device=dev)
    p = torch.arange(2 * half, device=dev) - half
    x0, y0 = cx.floor().long(), cy.floor().long()
    px, py = x0[..., None] + p, y0[..., None] + p
    ux = (px - cx[..., None])[:, :, None, :]
    uy = (py - cy[..., None])[:, :, :, None]
    squash = torch.exp(normal(0.14, n, k, 1, 1, device=dev))
    angle = torch.atan2(uy, ux)
    lobes = 1 + uniform(0, 0.13, n, k, 1, 1, device=dev) * torch.cos(torch.randint(2, 6, (n, k, 1, 1), device=dev) * angle
                                                                    + uniform(0, 6, n, k, 1, 1, device=dev))
    s = size[..., None, None]
    distance = torch.hypot(ux * squash, uy / squash) / lobes
    soft = torch.minimum(s * log_uniform(0.05, 0.5, n, k, 1, 1, device=dev), (half - s) / 4.5).clamp_min(0.6)
    window = ((half - torch.maximum(ux.abs(), uy.abs())) / 6).clamp(0, 1)
    body = torch.sigmoid((s - distance) / soft) * window
    ring = torch.exp(-((distance - s) / (soft * 1.2)) ** 2)
    r = rims.view(-1, 1, 1, 1)
    body = torch.where(r, 0.35 * body + 0.9 * ring, body).clamp(0, 1)
    ok = on[..., None, None] & (px >= 0)[:, :, None, :] & (px < w)[:, :, None, :] & (py >= 0)[..., None] & (py < h)[..., None]
    where = (py.clamp(0, h - 1)[..., None] * w + px.clamp(0, w - 1)[:, :, None, :]).view(n, -1)
    faint = torch.where(drops, uniform(0.0, 0.5, n, device=dev), torch.ones(n, device=dev)).view(-1, 1)
    opaque = (strength * faint)[..., None, None]
    loss = torch.log1p(-(opaque * body).clamp(0, 0.99)) * ok
    take = 1 - torch.exp(torch.zeros(n, h * w, device=dev).scatter_add_(1, where, loss.view(n, -1))).view(n, h, w)
    add = opaque * body * uniform(0.1, 1.0, n, k, 1, 1, device=dev) * ok
    add = torch.zeros(n, h * w, device=dev).scatter_add_(1, where, add.view(n, -1)).view(n, h, w).clamp(0, 1)
    lens = (1 - (distance / (s * 1.05)) ** 2).clamp_min(0)
    shown = torch.where(drops.view(-1, 1, 1, 1), body * ok, torch.zeros_like(body))
    drop = torch.zeros(n, h * w, device=dev).scatter_reduce_(1, where, shown.reshape(n, -1), "amax").view(n, h, w)
    # a drop shows the scene upside down and wide: it looks from its centre the other way, further the wider its angle
    power = torch.where(happens(0.6, n, dev), log_uniform(1.2, 6.0, n, device=dev), uniform(0.3, 1.2, n, device=dev))
    power = (power.view(-1, 1, 1, 1) * torch.exp(normal(0.25, n, k, 1, 1, device=dev))) * lens.clamp(0, 1) ** 0.3 * ok * shown
    best = (shown >= drop.view(n, -1).gather(1, where).view_as(shown) - 1e-6) & (shown > 0.02)
    flat = where.view_as(shown)
    bend = torch.zeros(n, h * w, 2, device=dev)
    index = torch.arange(n, device=dev).view(-1, 1, 1, 1).expand_as(shown)[best]
    bend[index, flat[best]] = torch.stack([(-power * ux)[best], (-power * uy)[best]], -1)
    g.bend[:] = bend.view(n, h, w, 2)
    g.drop[:] = drop * uniform(0.4, 1.0, n, 1, 1, device=dev)
    g.drop_blur[:] = log_uniform(0.002, 0.02, n, device=dev) * w
    g.drop_gain[:] = torch.exp(normal(0.18, n, device=dev))
    lightness = torch.where(night > 0, uniform(0, 2.0, n, device=dev), uniform(-0.15, 1.15, n, device=dev).clamp_min(0)).view(-1, 1, 1)
    mix = uniform(0, 1, n, 1, 1, device=dev)
    g.take[:] = take
    g.veil[:], g.scatter[:] = add * lightness * mix * uniform(0.4, 1.3, n, 1, 1, device=dev), add * lightness * (1 - mix)
    g.spread[:] = uniform(0.02, 0.12, n, device=dev)
    g.colour[:] = _dust_colour(n, dev)
    g.soiled[:], g.blocked[:] = (torch.maximum(take, g.drop) / 0.3).clamp(0, 1), (take > 0.87).float()


def _splat(points: Tensor, weight: Tensor, h: int, w: int) -> Tensor:
    """Adds points (n, p, 2) in pixels with weights (n, p) to pictures (n, h, w), shared by four pixels each."""
    n = len(points)
    out = torch.zeros(n, h * w, device=points.device)
    low = points.floor()
    frac = points - low
    for i in (0, 1):
        for j in (0, 1):
            x, y = low[..., 0].long() + i, low[..., 1].long() + j
            part = weight * (frac[..., 0] if i else 1 - frac[..., 0]) * (frac[..., 1] if j else 1 - frac[..., 1])
            ok = (x >= 0) & (x < w) & (y >= 0) & (y < h)
            out.scatter_add_(1, (y.clamp(0, h - 1) * w + x.clamp(0, w - 1)), part * ok)
    return out.view(n, h, w)


def _strand(points: Tensor, weight: Tensor, h: int, w: int) -> Tensor:
    """Polylines (n, s, t, 2) densely sampled, weights (n, s): one grey level a pixel of length."""
    step = (points[:, :, 1:] - points[:, :, :-1]).norm(dim=-1)
    each = (F.pad(step, (0, 1)) + F.pad(step, (1, 0))) / 2 * weight[..., None]
    return _splat(points.flatten(1, 2), each.flatten(1, 2), h, w)


def _web(g: Glass, h: int, w: int, night: Tensor) -> None:
    n, dev = len(g.kind), g.kind.device
    size = torch.tensor([w, h], device=dev, dtype=torch.float32)
    centre = uniform(-0.1, 1.1, n, 1, 2, device=dev) * size
    spokes, turns = 20, 12
    angles, _ = torch.sort(uniform(0, 2 * np.pi, n, spokes, device=dev), dim=1)
    used = torch.rand(n, spokes, device=dev) < uniform(0.2, 1.0, n, 1, device=dev)
    reach = uniform(0.2, 1.1, n, 1, device=dev) * w
    s = torch.linspace(0, 1, 500, device=dev)[:, None]
    direction = torch.stack([torch.cos(angles), torch.sin(angles)], -1)[:, :, None]
    across = torch.stack([-torch.sin(angles), torch.cos(angles)], -1)[:, :, None]
    sag = normal(0.03, n, spokes, 1, 1, device=dev) * w * torch.sin(np.pi * s)
    lines = _strand(centre[:, :, None] + s * (reach[..., None] * direction.squeeze(2))[:, :, None] + sag * across,
                    used * uniform(0.3, 1, n, spokes, device=dev), h, w)
    rings = torch.arange(turns, device=dev)[None] + uniform(0.5, 1, n, turns, device=dev)
    total = uniform(2, turns, n, 1, device=dev)
    radius = reach * rings / total
    tips = centre[:, :, None] + radius[..., None, None] * direction.squeeze(2)[:, None]
    a, b = tips[:, :, :-1], tips[:, :, 1:]
    middle = (a + b) / 2 + (centre[:, :, None] - (a + b) / 2) * uniform(0, 0.15, n, turns, spokes - 1, 1, device=dev)
    t = torch.linspace(0, 1, 160, device=dev)[:, None]
    curve = (1 - t) ** 2 * a[..., None, :] + 2 * t * (1 - t) * middle[..., None, :] + t**2 * b[..., None, :]
    on = (torch.rand(n, turns, spokes - 1, device=dev) < 0.75) & (rings < total)[..., None]
    chords = _strand(curve.flatten(1, 2), (on * uniform(0.2, 0.8, n, turns, spokes - 1, device=dev)).flatten(1), h, w)
    wheel = happens(0.6, n, dev).view(-1, 1, 1)
    lines = torch.where(wheel, lines + chords, torch.zeros_like(lines))
    m = 26
    ends = uniform(-0.1, 1.1, n, m, 4, 2, device=dev)
    tangled = happens(0.35, n, dev).view(-1, 1, 1, 1)
    ends = torch.where(tangled, (centre / size)[:, :, None] + normal(0.25, n, m, 4, 2, device=dev), ends) * size
    bow = uniform(0.0, 0.7, n, 1, 1, 1, device=dev)
    p0, p3 = ends[:, :, :1], ends[:, :, 3:]
    p1, p2 = p0 + (p3 - p0) / 3 + bow * (ends[:, :, 1:2] - p0) * 0.4, p3 + (p0 - p3) / 3 + bow * (ends[:, :, 2:3] - p3) * 0.4
    s = torch.linspace(0, 1, 700, device=dev)[:, None]
    curve = (1 - s) ** 3 * p0 + 3 * (1 - s) ** 2 * s * p1 + 3 * (1 - s) * s**2 * p2 + s**3 * p3
    number = torch.where(wheel[:, 0], log_uniform(1, 12, n, 1, device=dev), log_uniform(4, m, n, 1, device=dev))
    on = torch.arange(m, device=dev)[None] < number
    lines = lines + _strand(curve, on * uniform(0.3, 1, n, m, device=dev), h, w)
    radius = log_uniform(0.0008, 0.009, n, device=dev) * w
    gauss = happens(0.4, n, dev)
    soft = torch.where(gauss.view(-1, 1, 1, 1), blurred(lines[:, None], radius * 0.6), disc_blurred(lines[:, None], radius))
    m_ = soft[:, 0].clamp_min(0) * (1 + 1.6 * radius).view(-1, 1, 1) * uniform(0.2, 0.9, n, 1, 1, device=dev)
    patchy = 0.7 + 0.4 * octave_noise(n, h, w, uniform(2, 8, n, device=dev), uniform(0.3, 0.6, n, device=dev), dev)
    m_ = torch.where(happens(0.5, n, dev).view(-1, 1, 1), m_ * patchy.clamp(0, 1.4), m_).clamp(0, 0.9)
    lit = torch.where(night > 0, uniform(0.6, 2.8, n, device=dev), uniform(0.4, 1.7, n, device=dev)).view(-1, 1, 1)
    haze = (blurred(m_[:, None], torch.full((n,), 0.03 * w, device=dev), 40)[:, 0] * uniform(-1.0, 1.2, n, 1, 1, device=dev)).clamp(0, 0.7)
    g.take[:] = 1 - (1 - uniform(0.5, 1.0, n, 1, 1, device=dev) * m_) * (1 - haze)
    g.veil[:] = (m_ + 0.8 * haze) * lit
    g.mean_share[:] = 0.0
    g.soiled[:] = (m_ / 0.2).clamp(0, 1)


def _glow(g: Glass, h: int, w: int, night: Tensor) -> None:
    n, dev = len(g.kind), g.kind.device
    tall = h / w
    y, x = _mesh(n, h, w, dev)
    y, x = y * tall / 2, x / 2

    def each(low: float, high: float) -> Tensor:
        return uniform(low, high, n, 1, 1, device=dev)

    form = torch.randint(5, (n,), device=dev)
    sign = torch.where(torch.rand(n, 2, 1, 1, device=dev) < 0.5, -0.5, 0.5)
    corner = torch.hypot(x - sign[:, 0] - normal(0.1, n, 1, 1, device=dev), y - tall * sign[:, 1] - normal(0.06, n, 1, 1, device=dev))
    angle = each(0, 2 * np.pi)
    side = torch.cos(angle) * x + torch.sin(angle) * y
    edge = side.amax(dim=(1, 2), keepdim=True) - side
    ring = (torch.hypot(x - normal(0.05, n, 1, 1, device=dev), y) - each(0.2, 0.45)).abs()
    r = each(0.4, 1.2)
    arc = (torch.hypot(x - normal(0.15, n, 1, 1, device=dev),
                       y - tall * each(-0.5, 0.5) - r * torch.where(torch.rand(n, 1, 1, device=dev) < 0.5, -1.0, 1.0)) - r).abs()
    along = each(-0.5, 0.5)
    on_x = happens(0.5, n, dev).view(-1, 1, 1)
    rim = torch.where(on_x, torch.hypot(x - along, y - 2.1 * sign[:, 1] * tall / 2), torch.hypot(x - 1.05 * sign[:, 0], y - along * tall))
    distance = torch.stack([corner, edge.expand(n, h, w), ring, arc, rim])[form, torch.arange(n, device=dev)]
    reach = each(0.06, 0.4) * torch.where(form == 2, 0.5, 1.0).view(-1, 1, 1)
    fall = torch.where(happens(0.5, n, dev).view(-1, 1, 1), torch.exp(-distance / reach), 1 / (1 + (distance / reach) ** 2) ** each(0.9, 1.6))
    light = fall * log_uniform(0.6, 6, n, 1, 1, device=dev)
    light = light * (1 + 0.08 * octave_noise(n, h, w, uniform(4, 10, n, device=dev), uniform(0.4, 0.6, n, device=dev), dev))
    even = uniform(-0.5, 0.6, n, 1, 1, device=dev).clamp_min(0)
    g.veil[:], g.mean_share[:] = light.clamp_min(0), -1.0
    g.take[:], g.scatter[:] = (even * 0.5).expand(n, h, w), even.expand(n, h, w)
    g.spread[:] = 0.2
    g.soiled[:] = light


def _defocus(g: Glass, h: int, w: int, night: Tensor) -> None:
    n, dev = len(g.kind), g.kind.device
    g.focus[:] = log_uniform(0.0024, 0.016, n, device=dev) * w
    g.focus_gauss[:] = happens(0.45, n, dev).float()
    g.focus[:] = torch.where(g.focus_gauss > 0, g.focus * 0.65, g.focus)
    y, x = _mesh(n, h, w, dev)
    angle = uniform(0, 2 * np.pi, n, 1, 1, device=dev)
    ramp = (0.6 + 0.6 * (torch.cos(angle) * x + torch.sin(angle) * y)).clamp(0, 1)
    g.focus_map[:] = torch.where(happens(0.25, n, dev).view(-1, 1, 1), ramp, torch.ones_like(ramp))
    g.soiled[:] = g.focus_map


def _blocked(g: Glass, h: int, w: int, night: Tensor) -> None:
    n, dev = len(g.kind), g.kind.device
    hh, hw = h // 2, w // 2
    y, x = _mesh(n, hh, hw, dev)
    y = y * (h / w)

    def each(low: float, high: float) -> Tensor:
        return uniform(low, high, n, 1, 1, device=dev)

    k = 60
    centre = torch.where(torch.rand(n, 1, 2, device=dev) < 0.6, torch.randint(0, 2, (n, 1, 2), device=dev) * 2.0 - 1, uniform(-1, 1, n, 1, 2, device=dev))
    at = centre * torch.tensor([1.0, h / w], device=dev) + normal(1.0, n, k, 2, device=dev) * uniform(0.2, 0.6, n, 1, 1, device=dev)
    turn = uniform(0, np.pi, n, k, 1, 1, device=dev)
    u = (x[:, None] - at[:, :, 0, None, None]) * torch.cos(turn) + (y[:, None] - at[:, :, 1, None, None]) * torch.sin(turn)
    v = (y[:, None] - at[:, :, 1, None, None]) * torch.cos(turn) - (x[:, None] - at[:, :, 0, None, None]) * torch.sin(turn)
    size = log_uniform(0.03, 0.18, n, k, 1, 1, device=dev)
    inside = ((u / size) ** 2 + (v / (size * uniform(0.2, 0.7, n, k, 1, 1, device=dev))) ** 2 < 1)
    inside = inside & (torch.arange(k, device=dev)[None] < log_uniform(8, k, n, 1, device=dev))[..., None, None]
    leaves = inside.any(dim=1).float()
    noise = octave_noise(n, hh, hw, uniform(1.2, 12, n, device=dev), uniform(0.3, 0.8, n, device=dev), dev)
    angle = each(0, 2 * np.pi)
    side = torch.cos(angle) * x + torch.sin(angle) * y
    bars = ((side + each(-0.5, 0.5)).abs() < each(0.05, 0.25)).float().expand(n, hh, hw)
    share = log_uniform(0.08, 0.75, n, 1, 1, device=dev)

    def upper(field: Tensor) -> Tensor:
        limit = torch.quantile(field[:, ::3, ::3].flatten(1), 0.999, dim=1)
        ranked = torch.sort(field[:, ::3, ::3].flatten(1), dim=1).values
        at_ = ((1 - share.flatten()) * (ranked.shape[1] - 1)).long()
        return (field > torch.minimum(ranked.gather(1, at_[:, None]), limit[:, None])[..., None]).float()

    edge = upper(side + each(0.0, 0.35) * noise)
    cloth = upper(noise + each(0, 1.5) * side)
    board = torch.ones(n, hh, hw, device=dev)
    cx, cy = each(-0.6, 0.6), each(-0.35, 0.35)
    for j in range(5):
        a = each(-0.5, 0.5) + j * 2 * np.pi / 5
        board = board * (torch.cos(a) * (x - cx) + torch.sin(a) * (y - cy) < each(0.15, 0.6)).float()
    hole = (((x - cx) / each(0.25, 0.8)) ** 2 + ((y - cy) / each(0.2, 0.6)) ** 2 > 1).float()
    form = torch.randint(7, (n,), device=dev)
    mask = torch.stack([leaves, leaves, bars, edge, cloth, board, hole])[form, torch.arange(n, device=dev)]
    blur = log_uniform(0.0025, 0.025, n, device=dev) * w
    alpha = blurred(mask[:, None], blur / 2, 40)[:, 0].clamp(0, 1)
    alpha = F.interpolate(alpha[:, None], (h, w), mode="bilinear")[:, 0]
    tone = F.interpolate(1 + each(0, 0.4)[:, None] * noise[:, None], (h, w), mode="bilinear")
    tone = blurred(tone, blur)
    yy, xx = _mesh(n, h, w, dev)
    shading = 1 + normal(0.25, n, 1, 1, device=dev) * xx + normal(0.25, n, 1, 1, device=dev) * yy
    hue = torch.stack([uniform(0.5, 1, n, device=dev), uniform(0.6, 1, n, device=dev), uniform(0.3, 1, n, device=dev)], 1)
    hue = torch.where((night > 0)[:, None], torch.ones_like(hue), hue)
    level = torch.where(night > 0, log_uniform(0.03, 5, n, device=dev), log_uniform(0.03, 2.2, n, device=dev))
    g.alpha[:] = alpha
    g.thing[:] = (level.view(-1, 1, 1, 1) * hue[..., None, None] * (tone * shading[:, None]).clamp_min(0))
    g.texture[:] = torch.where(happens(0.55, n, dev), uniform(0.3, 1.0, n, device=dev), torch.zeros(n, device=dev))
    g.thing_blur[:] = blur * uniform(0.6, 2.5, n, device=dev)
    g.soiled[:], g.blocked[:] = alpha, (alpha > 0.6).float()


_MAKERS = {HAZE: _film_or_smear, SPOTS: _spots, WEB: _web, GLOW: _glow, DEFOCUS: _defocus, BLOCKED: _blocked}


def make_glass(kind: Tensor, h: int, w: int, night: Tensor) -> Glass:
    """Draws what lies on each glass of a batch; ``kind`` indexes :data:`KINDS`, ``night`` (B,) is 1 under infrared."""
    out = _empty(kind, h, w)
    for value, maker in _MAKERS.items():
        index = torch.nonzero(kind == value)[:, 0]
        for _ in range(3):
            if not len(index):
                break
            part = _empty(kind[index], h, w)
            maker(part, h, w, night[index])
            out.put_samples(index, part)
            if value == GLOW:
                break
            index = index[part.soiled.mean(dim=(1, 2)) < 0.025]
    return out


def through(g: Glass, scene: Tensor, other: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """The scene (B, 3, H, W) seen through the glass, and the masks soiled and blocked (B, H, W)."""
    b, _, h, w = scene.shape
    dev = scene.device
    out = scene.clone()
    soiled, blocked = g.soiled.clone(), g.blocked.clone()
    bent = torch.nonzero(g.drop.amax(dim=(1, 2)) > 0.01)[:, 0]
    if len(bent):
        part = scene[bent]
        source = blurred(part, g.drop_blur[bent])
        ys = (torch.arange(h, device=dev) + 0.5)[:, None]
        xs = (torch.arange(w, device=dev) + 0.5)[None]
        bend = g.bend[bent]
        grid = torch.stack([(xs + bend[..., 0]) / w * 2 - 1, (ys + bend[..., 1]) / h * 2 - 1], -1)
        shown = F.grid_sample(source, grid, padding_mode="reflection", align_corners=False)
        out[bent] = part + (shown * g.drop_gain[bent].view(-1, 1, 1, 1) - part) * g.drop[bent][:, None]
    soft = torch.nonzero(g.focus_map.amax(dim=(1, 2)) > 0.01)[:, 0]
    if len(soft):
        part = out[soft]
        gauss = g.focus_gauss[soft].view(-1, 1, 1, 1)
        lost = torch.where(gauss > 0, blurred(part, g.focus[soft]), disc_blurred(part, g.focus[soft]))
        lost = torch.where(gauss > 0, lost, blurred(lost, torch.full((len(soft),), 0.5, device=dev))).clamp_min(0)
        out[soft] = part + (lost - part) * g.focus_map[soft][:, None]
    stained = torch.nonzero((g.take + g.veil + g.scatter).amax(dim=(1, 2)) > 0.003)[:, 0]
    if len(stained):
        part, behind = out[stained], scene[stained]
        p90 = level_of(behind, 0.93)
        mean = behind.mean(dim=(1, 2, 3))
        s = g.mean_share[stained].clamp_min(0)
        level = (s * mean + (1 - s) * p90)[:, None] * g.colour[stained]
        light = g.veil[stained][:, None] * level[..., None, None]
        wide = wide_blurred(behind, g.spread[stained])
        out[stained] = part * (1 - g.take[stained])[:, None] + wide * g.scatter[stained][:, None] + light
        glow = g.kind[stained] == GLOW
        if glow.any():
            local = F.interpolate(F.interpolate(behind.mean(dim=1, keepdim=True), (max(4, h // 48), max(4, w // 48)), mode="area"),
                                  (h, w), mode="bilinear")[:, 0] + 0.02 * p90.clamp_min(DARKEST).view(-1, 1, 1)
            own = stained[glow]
            soiled[own] = (light.mean(dim=1) / (1.2 * local))[glow].clamp(0, 1)
            blocked[own] = (light.mean(dim=1) > 8 * local)[glow].float()
    hidden = torch.nonzero(g.alpha.amax(dim=(1, 2)) > 0.01)[:, 0]
    if len(hidden):
        part, near = out[hidden], other[hidden]
        near = blurred(near, g.thing_blur[hidden])
        level = level_of(scene[hidden], 0.75).view(-1, 1, 1, 1)
        near = near / (level_of(near, 0.75).view(-1, 1, 1, 1) + 0.02)
        t = g.texture[hidden].view(-1, 1, 1, 1)
        thing = g.thing[hidden] * level * (1 - t + t * near.clamp(0, 3))
        out[hidden] = part + (thing - part) * g.alpha[hidden][:, None]
    return out.clamp_min(0), soiled.clamp(0, 1), blocked
