"""A third way to draw what spoils a picture: layers of optics, sharing nothing with :mod:`.batch_glass` or :mod:`.check_glass`.

What lies on the cover is an optical depth: light passes as exp(-depth) (Beer and Lambert), what is stopped is partly
scattered back as light of the surroundings. Dust is a field of impulses seen through the aperture, films take their
texture from photographs, drops are the nearest points of a jittered grid, threads are the level lines of smooth fields,
things in front are cut out by level sets. Pictures are linear light (B, 3, H, W); random numbers are torch's own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields

import torch
from torch import Tensor
from torch.nn import functional as F

__all__ = ["Cover", "draw_cover", "look_through"]

HAZE, SPOTS, THREADS, REFLECTION, DEFOCUS, BLOCKED = range(1, 7)
#: Of what lies on the glass as a film, that which somebody wiped.
WIPED_SHARE = 0.5


@dataclass
class Cover:
    """Maps (B, H, W) of what lies before the scene, unless said otherwise.

    ``depth``: optical depth; ``back``: light scattered in, over the scene's level, of ``colour`` (B, 3); ``mist``: share of
    the scene seen through a wide blur; ``soft``: share seen through a blur of ``soft_px`` (B, 2) pixels across and down,
    a disc where ``disc`` (B,) is 1; ``shift`` (B, H, W, 2) in pixels; ``hide``: opaque share, with ``front`` (B, 3, H, W)
    over the scene's level and ``borrow`` (B,) of its texture taken from another picture.
    """

    depth: Tensor
    back: Tensor
    colour: Tensor
    mist: Tensor
    soft: Tensor
    soft_px: Tensor
    disc: Tensor
    shift: Tensor
    hide: Tensor
    front: Tensor
    borrow: Tensor
    spoiled: Tensor

    def at(self, index: Tensor) -> Cover:
        return Cover(*(getattr(self, f.name)[index] for f in fields(self)))

    def put(self, index: Tensor, other: Cover) -> None:
        for f in fields(self):
            getattr(self, f.name)[index] = getattr(other, f.name)

    def repeated(self, n: int) -> Cover:
        return Cover(*(getattr(self, f.name).repeat_interleave(n, 0) for f in fields(self)))


def _between(low: float, high: float, n: int, dev: torch.device) -> Tensor:
    return (torch.rand(n, device=dev) * (high - low) + low).view(-1, 1, 1)


def _scaled(low: float, high: float, n: int, dev: torch.device) -> Tensor:
    """Evenly spread in the logarithm."""
    return low * (high / low) ** torch.rand(n, device=dev).view(-1, 1, 1)


def _coin(chance: float, n: int, dev: torch.device) -> Tensor:
    return (torch.rand(n, device=dev) < chance).float().view(-1, 1, 1)


def _axes(h: int, w: int, dev: torch.device) -> tuple[Tensor, Tensor]:
    """Across (-1..1) and down, in the same unit."""
    x = torch.linspace(-1, 1, w, device=dev)[None, None, :]
    y = (torch.linspace(-1, 1, h, device=dev) * h / w)[None, :, None]
    return x, y


def _cloud(n: int, h: int, w: int, slope: Tensor, dev: torch.device) -> Tensor:
    """Gaussian field (n, h, w) of unit sd whose amplitude falls as frequency to the power -``slope``."""
    fy = torch.fft.fftfreq(h, 1 / h, device=dev)[:, None]
    fx = torch.fft.rfftfreq(w, 1 / w, device=dev)[None] * h / w
    size = torch.hypot(fx, fy).clamp_min(0.7)[None] ** -slope.view(-1, 1, 1)
    out = torch.fft.irfft2(torch.fft.rfft2(torch.randn(n, h, w, device=dev)) * size, s=(h, w))
    out = out - out.mean(dim=(1, 2), keepdim=True)
    return out / out.std(dim=(1, 2), keepdim=True).clamp_min(1e-6)


def _texture(other: Tensor) -> Tensor:
    """A photograph's texture (B, H, W): luminance less its surroundings, of unit sd."""
    grey = other.mean(dim=1, keepdim=True)
    log = torch.log(grey + 0.02)
    coarse = F.interpolate(F.interpolate(log, scale_factor=1 / 16, mode="area"), grey.shape[-2:], mode="bilinear")
    flat = (log - coarse)[:, 0]
    return (flat / flat.std(dim=(1, 2), keepdim=True).clamp_min(1e-3)).clamp(-3, 3)


def _stretched(field: Tensor, times: int) -> Tensor:
    """A field drawn out down the picture, as rain runs."""
    h = field.shape[1]
    part = field[:, :max(2, h // times)]
    return F.interpolate(part[:, None], field.shape[1:], mode="bicubic")[:, 0]


def _convolved(field: Tensor, kernel: Callable[[Tensor, Tensor], Tensor], reach: int) -> Tensor:
    """Convolution (n, h, w) with a kernel given by its values over pixel offsets (n, side, side)."""
    n, h, w = field.shape
    at = torch.arange(-reach, reach + 1, device=field.device, dtype=torch.float32)
    values = kernel(at[None, None, :], at[None, :, None])
    size = (h + 2 * reach, w + 2 * reach)
    product = torch.fft.rfft2(field, s=size) * torch.fft.rfft2(values, s=size)
    return torch.fft.irfft2(product, s=size)[:, reach:reach + h, reach:reach + w]


def _empty(n: int, h: int, w: int, dev: torch.device) -> Cover:
    def flat() -> Tensor:
        return torch.zeros(n, h, w, device=dev)

    return Cover(flat(), flat(), torch.ones(n, 3, device=dev), flat(), flat(), torch.ones(n, 2, device=dev),
                 torch.zeros(n, device=dev), torch.zeros(n, h, w, 2, device=dev), flat(),
                 torch.zeros(n, 3, h, w, device=dev), torch.zeros(n, device=dev), flat())


def _earthen(n: int, dev: torch.device) -> Tensor:
    warm = torch.rand(n, 1, device=dev)
    return torch.cat([torch.ones(n, 1, device=dev), 1 - 0.1 * warm, 1 - 0.35 * warm], 1)


def _grimy_or_wiped(c: Cover, other: Tensor, dark: Tensor) -> None:
    wiped = torch.rand(len(dark), device=dark.device) < WIPED_SHARE
    for chosen, draw in ((wiped, _wiped), (~wiped, _grime)):
        index = torch.nonzero(chosen)[:, 0]
        if len(index):
            part = c.at(index)
            draw(part, other[index], dark[index])
            c.put(index, part)


def _swipes(n: int, h: int, w: int, dev: torch.device) -> tuple[Tensor, Tensor]:
    """Where a cloth or a hand went (n, h, w), 0..1, and the streaks it left, about 0 +- 1: arcs about an elbow outside."""
    x, y = _axes(h, w, dev)
    went, streaks = torch.zeros(n, h, w, device=dev), torch.zeros(n, h, w, device=dev)
    wobble = _cloud(n, h, w, _between(1.6, 2.6, n, dev), dev)
    bristle = _cloud(n, h, w, _between(0.4, 1.2, n, dev), dev)[:, 0]
    many = _scaled(1, 7, n, dev)
    for k in range(6):
        turn = _between(0, 6.283, n, dev)
        far = _scaled(0.6, 3.0, n, dev)
        px, py = far * torch.cos(turn), far * torch.sin(turn)
        radius = torch.hypot(x - px, y - py)
        bearing = torch.atan2(y - py, x - px)
        middle = far + _between(-0.7, 0.7, n, dev)
        half = _scaled(0.02, 0.22, n, dev)
        across = (radius - middle + 0.01 * wobble) / half
        edge = _scaled(0.05, 0.5, n, dev)
        inside = torch.sigmoid((1 - across.abs()) / edge * 2)
        aim = torch.cos(bearing - turn - 3.1416 + _between(-0.5, 0.5, n, dev))
        arc = torch.sigmoid((aim - torch.cos(_between(0.1, 0.8, n, dev) / far.clamp_max(1.5))) * _scaled(20, 300, n, dev))
        part = inside * arc * (k < many)
        column = ((across * 0.5 + 0.5).clamp(0, 0.999) * (w - 1)).long()
        lines = bristle.gather(1, column.flatten(1)).view(n, h, w)
        streaks = torch.where(part > 0.5, lines, streaks)
        went = torch.maximum(went, part)
    return went, streaks


def _wiped(c: Cover, other: Tensor, dark: Tensor) -> None:
    """Smears: what a swipe left behind, a film that a swipe took off, dabs of a greasy hand."""
    n, h, w = c.depth.shape
    dev = c.depth.device
    went, streaks = _swipes(n, h, w, dev)
    fine, coarse = _cloud(n, h, w, _between(1.8, 3.0, n, dev), dev), _cloud(n, h, w, _between(1.0, 1.8, n, dev), dev)
    dabs = torch.sigmoid((fine - _between(0.8, 2.0, n, dev)) * _scaled(2, 14, n, dev))
    left = went * (0.75 + _between(0, 0.6, n, dev) * streaks + 0.15 * coarse)
    bank = (went * (1 - went) * 4) * _between(0, 0.8, n, dev)
    film = (1 - went) * (0.85 + 0.2 * coarse) + bank + 0.15 * went * (1 + streaks)
    forms = torch.stack([left + bank, film, dabs * (1 + 0.2 * coarse), torch.maximum(dabs, left)]).clamp(0, 2)
    depth = forms[torch.randint(len(forms), (n,), device=dev), torch.arange(n, device=dev)] * _scaled(0.13, 2.2, n, dev)
    lost = 1 - torch.exp(-depth)
    clear = _between(0, 1, n, dev) * _coin(0.8, n, dev)
    c.depth[:] = depth * (1 - clear)
    c.mist[:] = (lost * clear).clamp(0, 0.95)
    lit = torch.where(dark.view(-1, 1, 1) > 0, _between(0.2, 2.5, n, dev), _between(0.1, 1.4, n, dev))
    c.back[:] = (1 - torch.exp(-c.depth)) * lit
    c.soft[:] = (lost * _between(-0.5, 1.2, n, dev)).clamp(0, 0.95)
    c.soft_px[:] = _scaled(0.0015, 0.014, n, dev)[:, 0].expand(n, 2) * w
    c.colour[:] = _earthen(n, dev)
    c.spoiled[:] = (lost / 0.3).clamp(0, 1)


def _grime(c: Cover, other: Tensor, dark: Tensor) -> None:
    n, h, w = c.depth.shape
    dev = c.depth.device
    x, y = _axes(h, w, dev)
    cloud = _cloud(n, h, w, _between(1.0, 2.4, n, dev), dev)
    texture = _texture(other)
    runs = _stretched(_cloud(n, h, w, _between(0.6, 1.4, n, dev), dev), 14)
    pivot_x, pivot_y = _between(-1.5, 1.5, n, dev), _between(0.8, 2.5, n, dev)
    arcs = torch.cos(torch.hypot(x - pivot_x, y - pivot_y) * _scaled(15, 90, n, dev) + 0.6 * cloud)
    rim = torch.maximum(x.abs(), y.abs() * w / h) ** _scaled(1.5, 8, n, dev)
    angle = _between(0, 6.283, n, dev)
    side = (torch.cos(angle) * x + torch.sin(angle) * y + _between(-0.4, 0.6, n, dev) + 0.25 * cloud)
    partly = torch.sigmoid(side * _scaled(1.5, 25, n, dev))
    forms = torch.stack([
        1 + 0.15 * cloud,
        1 + 0.35 * texture + 0.2 * cloud,
        0.7 + 0.55 * runs + 0.2 * cloud,
        0.7 + 0.35 * arcs * (0.6 + 0.4 * texture.clamp(-1, 1)) + 0.2 * cloud,
        0.15 + 1.5 * rim + 0.2 * cloud,
        partly * (1.1 + 0.3 * texture),
        0.6 * torch.exp(0.7 * cloud),
    ]).clamp_min(0.02)
    form = torch.randint(len(forms), (n,), device=dev)
    depth = forms[form, torch.arange(n, device=dev)] * _scaled(0.16, 1.3, n, dev)
    fogged = _coin(0.2, n, dev)
    c.depth[:] = depth * (1 - fogged)
    lost = 1 - torch.exp(-depth)
    c.back[:] = lost * _between(0.05, 1.1, n, dev) * torch.where(dark > 0, 1.5, 1.0).view(-1, 1, 1)
    c.mist[:] = torch.where(fogged > 0, lost, lost * _between(0, 0.6, n, dev)).clamp(0, 0.9)
    c.soft[:] = fogged * lost.clamp(0, 0.9)
    c.soft_px[:] = _scaled(0.002, 0.012, n, dev)[:, 0].expand(n, 2) * w
    c.colour[:] = _earthen(n, dev)
    wrinkled = _coin(0.2, n, dev)
    ridge = torch.exp(-(cloud / _between(0.05, 0.3, n, dev)) ** 2)
    ridge = F.avg_pool2d(ridge[:, None], 5, 1, 2)[:, 0]
    pull = wrinkled * _scaled(0.003, 0.02, n, dev) * w
    c.shift[:, 1:-1, 1:-1, 0] = (ridge[:, 1:-1, 2:] - ridge[:, 1:-1, :-2]) * 4 * pull
    c.shift[:, 1:-1, 1:-1, 1] = (ridge[:, 2:, 1:-1] - ridge[:, :-2, 1:-1]) * 4 * pull
    c.back[:] += wrinkled * ridge * _between(0, 0.4, n, dev)
    c.spoiled[:] = (lost / 0.3).clamp(0, 1)


def _specks(n: int, h: int, w: int, dev: torch.device) -> Tensor:
    """Optical depth of dust: impulses seen through an aperture far out of focus; discs, rings or soft."""
    count = _scaled(15, 700, n, dev)
    crowd = torch.exp(_between(0, 1.3, n, dev) * _cloud(n, h, w, _between(1, 2, n, dev), dev))
    chance = crowd / crowd.sum(dim=(1, 2), keepdim=True) * count
    total = torch.zeros(n, h, w, device=dev)
    for share in (0.7, 0.3):
        hit = (torch.rand(n, h, w, device=dev) < chance * share).float()
        weight = hit * torch.empty_like(hit).exponential_() * 0.7
        radius = _scaled(0.0016, 0.016, n, dev) * w * (1 if share > 0.5 else 1.6)
        hollow, edge = _coin(0.35, n, dev) * _between(0.4, 0.95, n, dev), _between(0.1, 0.6, n, dev)

        def kernel(dx: Tensor, dy: Tensor, r: Tensor = radius, hollow: Tensor = hollow, edge: Tensor = edge) -> Tensor:
            d = torch.hypot(dx, dy) / r
            return torch.sigmoid((1 - d) / (0.25 * edge)) * (1 - hollow * torch.exp(-((d / 0.6) ** 4)))

        total = total + _convolved(weight, kernel, int(0.028 * w) + 2)
    return total.clamp_min(0)


def _drops(n: int, h: int, w: int, dev: torch.device) -> tuple[Tensor, Tensor]:
    """How much of a drop stands at each pixel, and where it bends the view to: points of a jittered grid."""
    ys, xs = torch.meshgrid(torch.arange(h, device=dev) + 0.5, torch.arange(w, device=dev) + 0.5, indexing="ij")
    step = _scaled(0.03, 0.16, n, dev) * w
    most = 80
    seed = torch.rand(n, most, most, 5, device=dev)
    inside, bend = torch.zeros(n, h, w, device=dev), torch.zeros(n, h, w, 2, device=dev)
    share = _between(0.15, 0.8, n, dev)
    power, tall = _scaled(0.6, 5.0, n, dev), _scaled(0.8, 1.9, n, dev)
    cell_x, cell_y = (xs[None] / step).floor(), (ys[None] / step).floor()
    index = torch.arange(n, device=dev).view(-1, 1, 1)
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            cx, cy = cell_x + dx, cell_y + dy
            own = seed[index, cy.long() % most, cx.long() % most]
            ux = xs[None] - (cx + own[..., 0]) * step
            uy = (ys[None] - (cy + own[..., 1]) * step) / tall
            radius = step * (0.12 + 0.5 * own[..., 2] ** 2)
            part = ((1.1 - torch.hypot(ux, uy) / radius) / 0.2).clamp(0, 1) * (own[..., 3] < share)
            closer = (part > inside)[..., None]
            bend = torch.where(closer, torch.stack([-power * ux, -power * uy * tall], -1) * part[..., None], bend)
            inside = torch.maximum(inside, part)
    return inside, bend


def _dotted(c: Cover, other: Tensor, dark: Tensor) -> None:
    n, h, w = c.depth.shape
    dev = c.depth.device
    wet = _coin(0.35, n, dev)
    dust = _specks(n, h, w, dev) * _scaled(0.25, 2.5, n, dev)
    inside, bend = _drops(n, h, w, dev)
    clear = _between(0, 1, n, dev)
    c.depth[:] = torch.where(wet > 0, inside * 0.5 * (1 - clear), dust)
    lost = 1 - torch.exp(-c.depth)
    lit = torch.where(dark.view(-1, 1, 1) > 0, _between(0, 2.5, n, dev), _between(-0.3, 1.2, n, dev).clamp_min(0))
    c.back[:] = lost * lit
    c.shift[:] = bend * wet[..., None]
    c.soft[:] = wet * inside * _between(0.4, 1.0, n, dev)
    c.soft_px[:] = _scaled(0.002, 0.015, n, dev)[:, 0].expand(n, 2) * w
    film = _coin(0.35, n, dev) * _between(0.05, 0.3, n, dev) * torch.exp(0.4 * _cloud(n, h, w, _between(1, 2, n, dev), dev))
    c.depth[:] += film
    c.back[:] += film * _between(0.2, 0.9, n, dev)
    c.colour[:] = _earthen(n, dev)
    c.spoiled[:] = torch.maximum((lost / 0.25).clamp(0, 1), wet * inside)


def _threads(c: Cover, other: Tensor, dark: Tensor) -> None:
    n, h, w = c.depth.shape
    dev = c.depth.device
    x, y = _axes(h, w, dev)
    px = 2.0 / w

    def line(field: Tensor, width: Tensor) -> Tensor:
        gx = torch.gradient(field, dim=2)[0] / px
        gy = torch.gradient(field, dim=1)[0] / px
        return torch.exp(-(field / torch.hypot(gx, gy).clamp_min(1e-3) / width) ** 2)

    width = _scaled(0.8, 8.0, n, dev) * px * w / 640
    cx, cy = _between(-1.1, 1.1, n, dev), _between(-0.8, 0.8, n, dev)
    warp = _cloud(n, h, w, _between(2.2, 3.0, n, dev), dev)
    angle = torch.atan2(y - cy, x - cx)
    radius = torch.hypot(x - cx, (y - cy) * _between(0.8, 1.3, n, dev))
    spokes = (torch.rand(n, device=dev) * 9 + 4).round().view(-1, 1, 1)
    reach = torch.sigmoid((_between(0.3, 1.4, n, dev) - radius) * 12)
    radial = line(torch.sin(spokes * angle + 0.25 * warp) / spokes * radius.clamp_min(0.02), width)
    rings = line(torch.sin(radius * _scaled(14, 60, n, dev) + 0.5 * torch.cos(2 * spokes * angle) + 0.3 * warp), width)
    gaps = torch.sigmoid(3 * _cloud(n, h, w, _between(0.8, 1.4, n, dev), dev))
    wheel = torch.maximum(radial, 0.8 * rings * gaps) * reach
    loose = torch.zeros(n, h, w, device=dev)
    many = (torch.rand(n, device=dev) * 9 + 1).view(-1, 1, 1)
    for k in range(10):
        a = _between(0, 3.1416, n, dev)
        u, v = torch.cos(a) * x + torch.sin(a) * y, torch.cos(a) * y - torch.sin(a) * x
        bow = _between(-0.5, 0.5, n, dev) * v * v + _between(-0.12, 0.12, n, dev) * torch.sin(v * _between(2, 9, n, dev))
        ends = torch.sigmoid((_between(0.2, 1.6, n, dev) - (v - _between(-0.6, 0.6, n, dev)).abs()) * 20)
        loose = torch.maximum(loose, line((u - _between(-1, 1, n, dev) + bow).expand(n, h, w), width) * ends * (k < many))
    form = torch.rand(n, device=dev).view(-1, 1, 1)
    seen = torch.where(form < 0.45, loose, torch.where(form < 0.85, wheel, torch.maximum(loose, wheel)))
    seen = seen * _between(0.12, 0.75, n, dev) * (0.6 + 0.5 * torch.sigmoid(2 * warp))
    lit = torch.where(dark.view(-1, 1, 1) > 0, _between(0.5, 3.0, n, dev), _between(0.2, 1.7, n, dev))
    c.depth[:] = -torch.log1p(-(seen * _between(0.4, 1, n, dev)).clamp(0, 0.95))
    c.back[:] = seen * lit
    c.spoiled[:] = (seen / 0.15).clamp(0, 1)


def _reflection(c: Cover, other: Tensor, dark: Tensor) -> None:
    n, h, w = c.depth.shape
    dev = c.depth.device
    x, y = _axes(h, w, dev)
    light = torch.zeros(n, h, w, device=dev)
    many = torch.randint(1, 5, (n, 1, 1), device=dev)
    base_x, base_y = _between(-1.1, 1.1, n, dev), _between(-0.75, 0.75, n, dev)
    for k in range(4):
        u, v = base_x + k * _between(-0.35, 0.35, n, dev), base_y + k * _between(-0.25, 0.25, n, dev)
        d = torch.hypot(x - u, (y - v) * _scaled(0.6, 1.7, n, dev))
        bloom = 1 / (1 + (d / _scaled(0.08, 0.6, n, dev)) ** 2) ** _between(0.8, 2.2, n, dev)
        ring = torch.exp(-((d - _between(0.15, 0.9, n, dev)) / _scaled(0.03, 0.2, n, dev)) ** 2)
        light = light + torch.where(_coin(0.7, n, dev) > 0, bloom, ring) * (k < many) * _scaled(0.4, 1.5, n, dev)
    light = light * _scaled(0.5, 6, n, dev) * (1 + 0.06 * _cloud(n, h, w, _between(1, 2, n, dev), dev)).clamp_min(0)
    dust = _coin(0.4, n, dev) * (1 - torch.exp(-_specks(n, h, w, dev)))
    c.back[:] = light * (1 + 1.5 * dust) + _coin(0.3, n, dev) * _between(0, 1.2, n, dev)
    c.spoiled[:] = (light / 1.2).clamp(0, 1)


def _unsharp(c: Cover, other: Tensor, dark: Tensor) -> None:
    n, h, w = c.depth.shape
    dev = c.depth.device
    x, y = _axes(h, w, dev)
    size = _scaled(0.0022, 0.02, n, dev)[:, 0] * w
    c.soft_px[:] = size * torch.exp(torch.randn(n, 2, device=dev) * 0.15)
    c.disc[:] = _coin(0.5, n, dev).flatten()
    radius = torch.hypot(x - _between(-0.4, 0.4, n, dev), y - _between(-0.3, 0.3, n, dev))
    curved = (radius * _between(0.8, 2.0, n, dev) + _between(0.0, 0.6, n, dev)).clamp(0, 1)
    c.soft[:] = torch.where(_coin(0.2, n, dev) > 0, curved, torch.ones_like(curved))
    c.spoiled[:] = c.soft


def _hidden(c: Cover, other: Tensor, dark: Tensor) -> None:
    n, h, w = c.depth.shape
    dev = c.depth.device
    x, y = _axes(h, w, dev)
    cloud = _cloud(n, h, w, _between(1.1, 2.6, n, dev), dev)
    angle = _between(0, 6.283, n, dev)
    side = torch.cos(angle) * x + torch.sin(angle) * y
    across = torch.cos(angle) * y - torch.sin(angle) * x
    lobes = torch.atan2(y - torch.sin(angle) * 0.5, x - torch.cos(angle) * 0.8)
    leaf = -torch.hypot(x - torch.cos(angle) * 0.8, y - torch.sin(angle) * 0.5) * (1 + 0.3 * torch.cos(lobes * _scaled(2, 9, n, dev)))
    bough = -(side + 0.3 * torch.sin(3 * across) + 0.1 * cloud).abs() + 0.25 * cloud
    forms = torch.stack([side + 0.1 * cloud, cloud + side, leaf + 0.1 * cloud, bough,
                         -(side - _between(-0.4, 0.4, n, dev)).abs(), cloud.abs() + 0.5 * side])
    field = forms[torch.randint(len(forms), (n,), device=dev), torch.arange(n, device=dev)]
    share = _scaled(0.07, 0.7, n, dev)
    ranked = torch.sort(field[:, ::4, ::4].flatten(1), dim=1).values
    limit = ranked.gather(1, ((1 - share[:, 0]) * (ranked.shape[1] - 1)).long())[..., None]
    sharp = (field > limit).float()
    reach = int(0.05 * w)
    blur = _scaled(0.002, 0.02, n, dev) * w

    def kernel(dx: Tensor, dy: Tensor) -> Tensor:
        k = torch.sigmoid((1 - torch.hypot(dx, dy) / blur) / 0.1)
        return k / k.sum(dim=(1, 2), keepdim=True)

    c.hide[:] = _convolved(F.pad(sharp[:, None], (reach,) * 4, mode="replicate")[:, 0], kernel, reach)[
        :, reach:-reach, reach:-reach].clamp(0, 1)
    level = torch.where(dark.view(-1, 1, 1) > 0, _scaled(0.03, 5, n, dev), _scaled(0.02, 2.0, n, dev))
    hue = torch.where((dark > 0)[:, None], torch.ones(n, 3, device=dev), 0.4 + 0.6 * torch.rand(n, 3, device=dev))
    shade = (1 + _between(0, 0.35, n, dev) * _cloud(n, h, w, _between(1.4, 2.4, n, dev), dev)).clamp_min(0.05)
    c.front[:] = hue[..., None, None] * (level * shade)[:, None]
    c.borrow[:] = _coin(0.5, n, dev).flatten() * torch.rand(n, device=dev)
    c.soft_px[:] = blur[:, 0].expand(n, 2)
    c.spoiled[:] = c.hide


_DRAWN = {HAZE: _grimy_or_wiped, SPOTS: _dotted, THREADS: _threads, REFLECTION: _reflection, DEFOCUS: _unsharp, BLOCKED: _hidden}


def draw_cover(kind: Tensor, h: int, w: int, dark: Tensor, other: Tensor) -> Cover:
    """What lies before each scene of a batch.

    Parameters
    ----------
    kind : Tensor of int, shape (B,)
        0 for nothing, else as in :data:`training.dirt.batch_glass.KINDS`.
    dark : Tensor, shape (B,)
        1 under infrared.
    other : Tensor, shape (B, 3, H, W)
        Other photographs, for texture.
    """
    out = _empty(len(kind), h, w, kind.device)
    for value, draw in _DRAWN.items():
        index = torch.nonzero(kind == value)[:, 0]
        if len(index):
            part = out.at(index)
            draw(part, other[index], dark[index])
            out.put(index, part)
    return out


def _blurred(x: Tensor, across: Tensor, down: Tensor, disc: Tensor) -> Tensor:
    """Gaussian or disc blur with sigmas (B,) in pixels, by the spectrum."""
    pad = 24
    big = F.pad(x, (pad,) * 4, mode="replicate")
    fy = torch.fft.fftfreq(big.shape[2], device=x.device)[None, :, None] * down.view(-1, 1, 1)
    fx = torch.fft.rfftfreq(big.shape[3], device=x.device)[None, None] * across.view(-1, 1, 1)
    square = fx**2 + fy**2
    z = (4 * 3.14159 * torch.sqrt(square)).clamp_min(1e-3)
    transfer = torch.where(disc.view(-1, 1, 1) > 0, 2 * torch.special.bessel_j1(z) / z, torch.exp(-19.74 * square))
    return torch.fft.irfft2(torch.fft.rfft2(big) * transfer[:, None], s=big.shape[-2:])[..., pad:-pad, pad:-pad].clamp_min(0)


def look_through(cover: Cover, scene: Tensor, other: Tensor) -> tuple[Tensor, Tensor]:
    """The scene (B, 3, H, W) with what lies before it, and how spoiled each pixel is (B, H, W)."""
    b, _, h, w = scene.shape
    small = F.interpolate(scene, (max(6, 48 * h // w), 48), mode="area")
    # of a black scene too a little, or its glare is no number
    bright = torch.quantile(small.mean(dim=1).flatten(1), 0.85, dim=1).clamp_min(1e-4).view(-1, 1, 1, 1)
    out = scene
    if cover.shift.abs().max() > 0.05:
        ys, xs = torch.meshgrid(torch.arange(h, device=scene.device) + 0.5, torch.arange(w, device=scene.device) + 0.5, indexing="ij")
        to = torch.stack([(xs + cover.shift[..., 0]) / w * 2 - 1, (ys + cover.shift[..., 1]) / h * 2 - 1], -1)
        out = F.grid_sample(scene, to, padding_mode="reflection", align_corners=False)
    lost = _blurred(out, cover.soft_px[:, 0], cover.soft_px[:, 1], cover.disc)
    out = out + (lost - out) * cover.soft[:, None]
    wide = F.interpolate(F.avg_pool2d(F.pad(small, (4,) * 4, mode="replicate"), 9, 1), (h, w), mode="bilinear")
    out = out + (wide - out) * cover.mist[:, None]
    out = out * torch.exp(-cover.depth)[:, None] + cover.back[:, None] * cover.colour[..., None, None] * bright
    near = _blurred(other, cover.soft_px[:, 0], cover.soft_px[:, 1], cover.disc)
    near = (near / near.mean(dim=(1, 2, 3), keepdim=True).clamp_min(1e-3)).clamp(0, 3)
    t = cover.borrow.view(-1, 1, 1, 1)
    front = cover.front * bright * (1 - t + t * near)
    out = out + (front - out) * cover.hide[:, None]
    glare = (cover.back / (1.2 * (scene.mean(dim=1) / bright[:, 0] + 0.05))).clamp(0, 1)
    reflected = (cover.spoiled.amax(dim=(1, 2)) > 0) & (cover.depth.amax(dim=(1, 2)) == 0) & (cover.back.amax(dim=(1, 2)) > 0.05)
    spoiled = torch.where(reflected.view(-1, 1, 1), torch.minimum(glare, cover.spoiled * 2), cover.spoiled)
    return out.clamp_min(0), spoiled.clamp(0, 1)
