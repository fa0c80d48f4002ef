"""Batches of scenes and of every harmless change between two pictures of them, rendered in torch.

Pictures are linear light, ``float32`` (B, 3, H, W), about 0..1. Random numbers come from torch's global generator, so
``torch.manual_seed`` decides everything.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from pathlib import Path

import cv2
import numpy as np
import torch
from torch import Tensor
from torch.nn import functional as F

__all__ = ["Change", "Stack", "Views", "at_samples", "blurred", "changed", "develop", "disc_blurred", "harmless", "level_of", "load_stack",
           "normal", "octave_noise", "pick_change", "pick_views", "seen", "uniform", "wide_blurred"]

CANVAS = (768, 1152)
LUMA = (0.299, 0.587, 0.114)


@dataclass
class Stack:
    """N photographs in squares of one size: ``pictures`` (N, 3, 768, 1152) bytes, ``aspect`` (N,), ``weight`` (N,)."""

    pictures: Tensor
    aspect: Tensor
    weight: Tensor
    clocks: Tensor


def uniform(low: float, high: float, *shape: int, device: torch.device) -> Tensor:
    return torch.rand(*shape, device=device) * (high - low) + low


def log_uniform(low: float, high: float, *shape: int, device: torch.device) -> Tensor:
    return torch.exp(uniform(float(np.log(low)), float(np.log(high)), *shape, device=device))


def normal(sd: float, *shape: int, device: torch.device) -> Tensor:
    return torch.randn(*shape, device=device) * sd


def happens(chance: float, n: int, device: torch.device) -> Tensor:
    return torch.rand(n, device=device) < chance


def collage(photos: list[np.ndarray], rng: np.random.Generator) -> np.ndarray:
    """Many cut-outs of photographs over one another, at all sizes: sharp edges and foreign neighbours everywhere."""
    h, w = CANVAS
    out = cv2.resize(photos[int(rng.integers(len(photos)))], (w, h))
    for _ in range(int(rng.integers(20, 160))):
        source = photos[int(rng.integers(len(photos)))]
        zoom = float(np.exp(rng.uniform(-1.2, 0.6)))
        sh, sw = source.shape[:2]
        size = int(np.clip(w * np.exp(rng.uniform(np.log(0.02), np.log(0.4))), 12, 0.9 * min(sh, sw) * zoom))
        part = int(size / zoom)
        y, x = int(rng.integers(0, max(1, sh - part))), int(rng.integers(0, max(1, sw - part)))
        piece = cv2.resize(source[y:y + part, x:x + part], (size, size), interpolation=cv2.INTER_AREA)
        mask = np.zeros((size, size), np.uint8)
        if rng.random() < 0.5:
            corners = rng.uniform(0, size, (int(rng.integers(3, 8)), 2)).astype(np.float32)
            cv2.fillConvexPoly(mask, cv2.convexHull(corners).astype(np.int32), 255, cv2.LINE_AA)
        elif rng.random() < 0.5:
            cv2.ellipse(mask, (size // 2, size // 2), (size // 2, max(2, int(size * rng.uniform(0.1, 0.5)))),
                        float(rng.uniform(0, 180)), 0, 360, 255, -1, cv2.LINE_AA)
        else:
            mask[:int(size * rng.uniform(0.1, 1)), :int(size * rng.uniform(0.1, 1))] = 255
        top, left = int(rng.integers(-size // 2, h)), int(rng.integers(-size // 2, w))
        t, u, b, r = max(0, top), max(0, left), min(h, top + size), min(w, left + size)
        if b <= t or r <= u:
            continue
        inside = (slice(t - top, b - top), slice(u - left, r - left))
        m = mask[inside][..., None].astype(np.float32) / 255
        piece = np.clip(piece[inside].astype(np.float32) * rng.uniform(0.5, 1.3), 0, 255)
        out[t:b, u:r] = (out[t:b, u:r] * (1 - m) + piece * m).astype(np.uint8)
    return out


def clock_strip(rng: np.random.Generator) -> np.ndarray:
    """White text with a black outline: (2, 24, 256) of 0..1, ink and coverage."""
    strip, ink = np.zeros((24, 256), np.uint8), np.zeros((24, 256), np.uint8)
    text = (f"20{rng.integers(20, 30)}-{rng.integers(1, 13):02d}-{rng.integers(1, 29):02d} "
            f"{rng.integers(0, 24):02d}:{rng.integers(0, 60):02d}:{rng.integers(0, 60):02d}")
    font = [cv2.FONT_HERSHEY_SIMPLEX, cv2.FONT_HERSHEY_PLAIN, cv2.FONT_HERSHEY_DUPLEX][int(rng.integers(3))]
    scale = rng.uniform(0.4, 0.62) * (1.7 if font == cv2.FONT_HERSHEY_PLAIN else 1)
    if rng.random() < 0.6:
        cv2.putText(strip, text, (4, 18), font, scale, 255, 3, cv2.LINE_AA)
    cv2.putText(ink, text, (4, 18), font, scale, 255, 1, cv2.LINE_AA)
    return np.stack([ink, np.maximum(strip, ink)]).astype(np.float32) / 255


def load_stack(folder: Path, device: torch.device, collages: int = 80, seed: int = 0) -> Stack:
    """Photographs of a folder (views of panoramas are named ``PLACE@N``) and collages of them."""
    rng = np.random.default_rng(seed)
    pictures, aspects, weights, sharp = [], [], [], []
    paths = sorted(p for p in folder.iterdir() if p.suffix in (".webp", ".jpg"))
    soft = sum("@" in p.stem for p in paths)
    for path in paths:
        photo = np.ascontiguousarray(cv2.imread(str(path), cv2.IMREAD_COLOR)[..., ::-1])
        grow = photo.shape[1] < CANVAS[1]
        pictures.append(cv2.resize(photo, CANVAS[::-1], interpolation=cv2.INTER_CUBIC if grow else cv2.INTER_AREA))
        aspects.append(photo.shape[1] / photo.shape[0])
        weights.append(0.15 / max(soft, 1) if "@" in path.stem else 0.6 / max(len(paths) - soft, 1))
        if "@" not in path.stem:
            sharp.append(photo)
    for _ in range(collages):
        pictures.append(collage(sharp, rng))
        aspects.append(CANVAS[1] / CANVAS[0])
        weights.append(0.25 / collages)
    tensor = torch.from_numpy(np.stack(pictures).transpose(0, 3, 1, 2).copy())
    clocks = torch.from_numpy(np.stack([clock_strip(rng) for _ in range(48)]))
    return Stack(tensor.to(device), torch.tensor(aspects, device=device), torch.tensor(weights, device=device),
                 clocks.to(device))


# ---- filters -------------------------------------------------------------------------------------------------

def _filtered(x: Tensor, transfer: Tensor, pad: int) -> Tensor:
    """Multiplies the spectrum of each sample of ``x`` (B, C, H, W) by ``transfer`` (B, 1, h, w/2+1)."""
    big = F.pad(x, (pad,) * 4, mode="reflect")
    out = torch.fft.irfft2(torch.fft.rfft2(big) * transfer, s=big.shape[-2:])
    return out[..., pad:-pad, pad:-pad]


def _frequency(h: int, w: int, device: torch.device) -> Tensor:
    return torch.hypot(torch.fft.fftfreq(h, device=device)[:, None], torch.fft.rfftfreq(w, device=device)[None])


def blurred(x: Tensor, sigma: Tensor, pad: int = 32) -> Tensor:
    """Gaussian blur with a sigma (pixels) for each sample."""
    f = _frequency(x.shape[2] + 2 * pad, x.shape[3] + 2 * pad, x.device)
    return _filtered(x, torch.exp(-2 * (np.pi * sigma[:, None, None] * f) ** 2)[:, None], pad)


def disc_blurred(x: Tensor, radius: Tensor, pad: int = 32) -> Tensor:
    """Blur by a disc with a radius (pixels) for each sample: the transfer of a round aperture out of focus."""
    f = _frequency(x.shape[2] + 2 * pad, x.shape[3] + 2 * pad, x.device)
    z = (2 * np.pi * radius[:, None, None] * f).clamp_min(1e-3)
    return _filtered(x, (2 * torch.special.bessel_j1(z) / z)[:, None], pad)


def wide_blurred(x: Tensor, share: Tensor) -> Tensor:
    """Blur of ``share`` of the width, with long tails."""
    h, w = x.shape[-2:]
    small = F.interpolate(x, (max(8, round(96 * h / w)), 96), mode="area")
    pad = min(small.shape[-2:]) // 2
    near, far = blurred(small, (96 * share).clamp_min(0.5), pad), blurred(small, (288 * share).clamp(1.0, 30.0), pad)
    return F.interpolate(0.6 * near + 0.4 * far, (h, w), mode="bilinear")


def octave_noise(b: int, h: int, w: int, coarse: Tensor, roughness: Tensor, device: torch.device) -> Tensor:
    """Noise (b, h, w) of zero mean and unit sd.

    ``coarse`` (b,): cells across the picture of the largest structures, from 1 to about 40; ``roughness`` (b,): weight
    of each octave over the one before.
    """
    out: Tensor | None = None
    for octave in range(7):
        n = 2 ** (octave + 1)
        if n > w // 4:
            break
        age = octave - (torch.log2(coarse) - 1)
        weight = torch.where(age >= 0, roughness ** age.clamp_min(0), torch.zeros_like(age))
        grid = torch.randn(b, 1, max(2, round(n * h / w)) + 2, n + 2, device=device) * weight.view(-1, 1, 1, 1)
        # each octave's grid takes up the coarser ones: one enlargement to full size, not seven
        out = grid if out is None else grid + F.interpolate(out, grid.shape[-2:], mode="bicubic")
    assert out is not None
    out = F.interpolate(out, (h, w), mode="bicubic")[:, 0]
    out = out - out.mean(dim=(1, 2), keepdim=True)
    return out / (out.std(dim=(1, 2), keepdim=True) + 1e-6)


def level_of(x: Tensor, quantile: float) -> Tensor:
    """Quantile (B,) of the luminance."""
    small = F.interpolate(x, (45, 80), mode="area").mean(dim=1).flatten(1)
    return torch.quantile(small, quantile, dim=1)


# ---- views ---------------------------------------------------------------------------------------------------

@dataclass
class Views:
    """Where each view of a batch is cut from its photograph."""

    which: Tensor
    centre: Tensor
    half_height: Tensor
    flip: Tensor
    lean: Tensor
    half_tan: Tensor
    tone: Tensor
    tint: Tensor
    grey: Tensor


def pick_views(b: int, aspect: float, stack: Stack) -> Views:
    dev = stack.pictures.device
    which = torch.multinomial(stack.weight, b, True)
    own = stack.aspect[which]
    half = torch.minimum(torch.ones(b, device=dev), own / aspect) * uniform(0.5, 0.85, b, device=dev)
    free = torch.stack([(own - aspect * half).clamp_min(0), 1 - half], 1)
    centre = (torch.rand(b, 2, device=dev) * 2 - 1) * free
    return Views(which, centre, half, torch.where(happens(0.5, b, dev), -1.0, 1.0), normal(0.05, b, device=dev),
                 torch.tan(torch.deg2rad(uniform(40, 105, b, device=dev) / 2)),
                 torch.exp(normal(0.22, b, device=dev)), torch.exp(normal(0.12, b, 3, device=dev)),
                 torch.where(happens(0.15, b, dev), torch.rand(b, device=dev), torch.zeros(b, device=dev)))


def rotation(turn: Tensor) -> Tensor:
    """Rotation matrices (B, 3, 3) of small turns (B, 3) in radians about x, y and z."""
    zero = torch.zeros_like(turn[:, 0])
    x, y, z = turn.unbind(1)
    skew = torch.stack([torch.stack([zero, -z, y], 1), torch.stack([z, zero, -x], 1), torch.stack([-y, x, zero], 1)], 1)
    return torch.linalg.matrix_exp(skew)


def turned_grid(h: int, w: int, half_tan: Tensor, turn: Tensor, zoom: Tensor | None = None) -> Tensor:
    """Where in the untaught view (-1..1) each pixel of the turned one looks, (B, h, w, 2)."""
    dev = turn.device
    ys = (torch.arange(h, device=dev) + 0.5) / h * 2 - 1
    xs = (torch.arange(w, device=dev) + 0.5) / w * 2 - 1
    y, x = torch.meshgrid(ys, xs, indexing="ij")
    t = half_tan[:, None, None]
    rays = torch.stack([x * t, y * (h / w) * t, torch.ones_like(x) * torch.ones_like(t)], -1)
    rays = torch.einsum("bij,bhwj->bhwi", rotation(turn), rays)
    grid = rays[..., :2] / rays[..., 2:].clamp_min(0.05) / t[..., None]
    grid = grid * torch.tensor([1.0, w / h], device=dev)
    return grid if zoom is None else grid * zoom[:, None, None, None]


def seen(views: Views, stack: Stack, h: int, w: int, turn: Tensor) -> Tensor:
    """Linear light of the views after a turn."""
    grid = turned_grid(h, w, views.half_tan, turn)
    c, s = torch.cos(views.lean)[:, None, None], torch.sin(views.lean)[:, None, None]
    half = views.half_height[:, None, None]
    x, y = grid[..., 0] * (w / h) * half, grid[..., 1] * half
    x, y = (c * x - s * y) * views.flip[:, None, None], s * x + c * y
    x = (x + views.centre[:, 0, None, None]) / stack.aspect[views.which][:, None, None]
    y = y + views.centre[:, 1, None, None]
    photo = stack.pictures[views.which].float() / 255
    out = F.grid_sample(photo, torch.stack([x, y], -1), mode="bicubic", padding_mode="reflection", align_corners=False)
    out = out.clamp(0, 1) ** (2.2 * views.tone[:, None, None, None])
    out = out * views.tint[..., None, None]
    grey = out.mean(dim=1, keepdim=True)
    return out + (grey - out) * views.grey[:, None, None, None]


# ---- harmless changes ----------------------------------------------------------------------------------------

@dataclass
class Change:
    """Harmless changes of a batch; dirty and clean pairs draw from one distribution."""

    turn: Tensor
    gain: Tensor
    tone: Tensor
    tint: Tensor
    fog: Tensor
    night: Tensor
    lamps: Tensor
    shade: Tensor
    gradient: Tensor
    moved: Tensor
    wear: Tensor
    rain: Tensor
    quality: Tensor
    clock: Tensor
    seed: int


def pick_change(b: int, device: torch.device, strength: float = 1.0) -> Change:
    def maybe(chance: float, value: Tensor, neutral: float = 0.0) -> Tensor:
        yes = happens(chance * strength, b, device)
        return torch.where(yes.view(-1, *[1] * (value.dim() - 1)), value, torch.full_like(value, neutral))

    direction = F.normalize(torch.randn(b, 3, device=device), dim=1)
    size = torch.where(happens(0.8, b, device), uniform(0.1, 2.2, b, device=device), uniform(2, 8, b, device=device))
    night = happens(0.24 * strength, b, device)
    lamps = night & happens(0.3, b, device)
    return Change(
        turn=maybe(0.45, torch.deg2rad(direction * size[:, None])),
        gain=maybe(0.6, log_uniform(0.28, 2.4, b, device=device), 1.0),
        tone=maybe(0.5, torch.exp(normal(0.12, b, device=device)), 1.0),
        tint=maybe(0.5, torch.exp(normal(0.12, b, 3, device=device)), 1.0),
        fog=maybe(0.24, log_uniform(0.08, 3.0, b, device=device)),
        night=night.float(), lamps=lamps.float(),
        shade=maybe(0.4, torch.ones(b, device=device)),
        gradient=maybe(0.3, normal(0.5, b, device=device)),
        moved=maybe(0.5, torch.ones(b, device=device)),
        wear=maybe(0.25, uniform(0.05, 0.5, b, device=device)),
        rain=maybe(0.06, uniform(0.0005, 0.004, b, device=device)),
        quality=maybe(0.4, uniform(25, 70, b, device=device), 0.0) ,
        clock=maybe(0.25, torch.ones(b, device=device)),
        seed=int(torch.randint(1 << 30, (1,)).item()),
    )


def _mesh(h: int, w: int, device: torch.device) -> tuple[Tensor, Tensor]:
    y, x = torch.meshgrid(torch.linspace(-1, 1, h, device=device), torch.linspace(-1, 1, w, device=device), indexing="ij")
    return y[None], x[None]


def _shapes(b: int, k: int, h: int, w: int, low: float, high: float, device: torch.device) -> Tensor:
    """k soft shapes a sample (b, k, h, w) of 0..1: rounded boxes and ellipses of ``low`` to ``high`` of the width."""
    y, x = _mesh(h, w, device)
    y, x = y[:, None] * (h / w), x[:, None]
    angle = uniform(0, np.pi, b, k, 1, 1, device=device) * happens(0.5, b * k, device).view(b, k, 1, 1)
    cx, cy = uniform(-1, 1, b, k, 1, 1, device=device), uniform(-1, 1, b, k, 1, 1, device=device) * (h / w)
    size, flat = log_uniform(low, high, b, k, 1, 1, device=device), log_uniform(0.25, 1.0, b, k, 1, 1, device=device)
    u = ((x - cx) * torch.cos(angle) + (y - cy) * torch.sin(angle)).abs() / size
    v = ((y - cy) * torch.cos(angle) - (x - cx) * torch.sin(angle)).abs() / (size * flat)
    round_ = happens(0.5, b * k, device).view(b, k, 1, 1)
    r = torch.where(round_, torch.hypot(u, v), torch.maximum(u, v))
    soft = log_uniform(0.004, 0.08, b, k, 1, 1, device=device) / size
    return torch.sigmoid((1 - r) / soft)


def _depth(image: Tensor) -> Tensor:
    """A plausible distance for each pixel (B, H, W): growing up the picture, a horizon, standing things, pale places."""
    b, _, h, w = image.shape
    dev = image.device
    y, x = _mesh(h, w, dev)

    def each(low: float, high: float) -> Tensor:
        return uniform(low, high, b, 1, 1, device=dev)

    up = ((1 - y) / 2 + normal(0.12, b, 1, 1, device=dev) * x / 2 - each(-0.15, 0.4)).clamp_min(0)
    smooth = up ** each(0.6, 2.6) * each(0.8, 2.6)
    horizon = each(-0.15, 0.55)
    ground = 0.12 / ((y + 1) / 2 - horizon).clamp_min(0.02)
    column = octave_noise(b, 8, w, uniform(3, 12, b, device=dev), uniform(0.4, 0.7, b, device=dev), dev)[:, :1]
    foot = horizon + 0.18 + 0.12 * column
    standing = ((y + 1) / 2 < foot) & ((y + 1) / 2 > foot - 0.25 - 0.2 * column.roll(w // 3, 2))
    near = (0.12 / (foot - horizon).clamp_min(0.04)).expand(b, h, w)
    built = torch.where(standing, near, ground).clamp(0.05, 6)
    depth = torch.where(happens(0.5, b, dev).view(-1, 1, 1), smooth, built)
    pale = blurred(image.mean(dim=1, keepdim=True), uniform(0.004, 0.03, b, device=dev) * w)[:, 0]
    pale = pale / (pale.amax(dim=(1, 2), keepdim=True) + 1e-6)
    depth = depth * (1 + each(-0.2, 0.9) * (pale - 0.5))
    rough = octave_noise(b, h, w, uniform(2, 10, b, device=dev), uniform(0.4, 0.8, b, device=dev), dev)
    depth = depth * (1 + each(0, 0.3) * rough)
    return (depth + each(0, 0.12)).clamp(0.01, 6)


def at_samples(change: Change, index: Tensor) -> Change:
    """The changes of some samples of a batch."""
    values = (getattr(change, f.name) for f in fields(change))
    return Change(*(v[index] if isinstance(v, Tensor) else v for v in values))


def changed(image: Tensor, chosen: Tensor, draw: Callable[[Tensor, Tensor], Tensor]) -> Tensor:
    """``draw(part, index)`` for the chosen (B,) samples alone: what happens to few of a batch costs little."""
    index = torch.nonzero(chosen)[:, 0]
    if not len(index):
        return image
    out = image.clone()
    out[index] = draw(image[index], index)
    return out


def harmless(image: Tensor, change: Change, other: Tensor) -> Tensor:
    """Applies what happens in front of the glass: light, weather, things that move; ``other`` are other scenes."""
    out = changed(image, change.moved > 0, lambda part, at: _moved(part, other[at]))
    out = changed(out, change.wear > 0, lambda part, at: _worn(part, change.wear[at]))
    out = changed(out, change.shade > 0, lambda part, at: _shaded(part))
    y, x = _mesh(*image.shape[-2:], image.device)
    angle = uniform(0, 2 * np.pi, len(image), 1, 1, device=image.device)
    out = out * torch.exp(change.gradient.view(-1, 1, 1) * (torch.cos(angle) * x + torch.sin(angle) * y))[:, None]
    out = changed(out, change.night > 0, lambda part, at: _night(part, at_samples(change, at)))
    out = changed(out, change.fog > 0, lambda part, at: _foggy(part, image[at], change.fog[at]))
    return changed(out, change.rain > 0, lambda part, at: _rainy(part, change.rain[at]))


def _moved(image: Tensor, other: Tensor) -> Tensor:
    """Pieces of this and of other scenes that stand elsewhere."""
    b, _, h, w = image.shape
    dev, out = image.device, image
    masks = _shapes(b, 6, h, w, 0.015, 0.14, dev) * (torch.rand(b, 6, 1, 1, device=dev) < 0.6)
    pieces = torch.roll(other, (int(torch.randint(h, (1,))), int(torch.randint(w, (1,)))), (2, 3))
    for k in range(6):
        piece = (pieces if k % 2 else torch.roll(out, (h // 3 * k, w // 5 * k), (2, 3)))
        out = out + (piece * uniform(0.4, 1.4, b, 1, 1, 1, device=dev) - out) * masks[:, k:k + 1]
    return out


def _worn(image: Tensor, wear: Tensor) -> Tensor:
    b, _, h, w = image.shape
    dev = image.device
    stain = octave_noise(b, h, w, uniform(2, 40, b, device=dev), uniform(0.4, 0.95, b, device=dev), dev)
    return image * torch.exp(wear.view(-1, 1, 1) * stain).clamp(0.1, 5)[:, None]


def _shaded(image: Tensor) -> Tensor:
    """Broad shadows and light, some of them half the picture."""
    b, _, h, w = image.shape
    dev = image.device
    y, x = _mesh(h, w, dev)
    masks = _shapes(b, 3, h, w, 0.1, 0.7, dev)
    factor = torch.where(torch.rand(b, 3, 1, 1, device=dev) < 0.6, uniform(0.2, 0.8, b, 3, 1, 1, device=dev),
                         uniform(1.1, 2.8, b, 3, 1, 1, device=dev))
    on = torch.rand(b, 3, 1, 1, device=dev) < 0.6
    shadow = (1 + (factor - 1) * masks * on).prod(dim=1)
    angle, offset = uniform(0, 2 * np.pi, b, 1, 1, device=dev), uniform(-0.6, 0.6, b, 1, 1, device=dev)
    lit = torch.sigmoid((torch.cos(angle) * x + torch.sin(angle) * y - offset) * log_uniform(2, 200, b, 1, 1, device=dev))
    half = uniform(0.25, 0.75, b, 1, 1, device=dev) + lit * uniform(0.3, 1.2, b, 1, 1, device=dev)
    return image * (shadow * torch.where(happens(0.4, b, dev).view(-1, 1, 1), half, torch.ones_like(half)))[:, None]


def _foggy(image: Tensor, clear: Tensor, fog: Tensor) -> Tensor:
    """Fog over an image whose distances are read off the ``clear`` one."""
    b, dev = len(image), image.device
    through = torch.exp(-fog.view(-1, 1, 1) * _depth(clear))[:, None]
    air = (level_of(image, 0.85) * uniform(0.5, 1.3, b, device=dev))[:, None] * torch.exp(normal(0.04, b, 3, device=dev))
    return image * through + air[..., None, None] * (1 - through)


def _rainy(image: Tensor, rain: Tensor) -> Tensor:
    b, _, h, w = image.shape
    dev = image.device
    drops = (torch.rand(b, 1, h, w, device=dev) < rain.view(-1, 1, 1, 1)).float()
    slope, streaks = float(normal(0.15, 1, device=dev)), torch.zeros_like(drops)
    for step in range(14):
        streaks = streaks + torch.roll(drops, (step, round(step * slope)), (2, 3))
    return image + 0.15 * (level_of(image, 0.6).view(-1, 1, 1, 1) + 0.03) * streaks.clamp(0, 1)


def _night(image: Tensor, change: Change) -> Tensor:
    b, _, h, w = image.shape
    dev = image.device
    y, x = _mesh(h, w, dev)
    y = y * (h / w)
    grey = (image * torch.tensor([0.45, 0.3, 0.25], device=dev)[:, None, None]).sum(dim=1, keepdim=True)
    cx, cy = uniform(-0.4, 0.4, b, 1, 1, device=dev), uniform(-0.25, 0.45, b, 1, 1, device=dev)
    lit = torch.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * uniform(0.35, 1.3, b, 1, 1, device=dev) ** 2))
    far = 1 / (0.3 + _depth(image)) ** 2
    far = far / far.mean(dim=(1, 2), keepdim=True)
    lit = torch.where(happens(0.5, b, dev).view(-1, 1, 1), lit * far.clamp(0, 3), lit)
    infrared = (grey * (0.02 + lit.clamp(0, 2))[:, None] * uniform(0.25, 1.5, b, 1, 1, 1, device=dev)).expand(b, 3, h, w)
    lamps = image * log_uniform(0.01, 0.1, b, 1, 1, 1, device=dev)
    for _ in range(4):
        u, v = uniform(-1, 1, b, 1, 1, device=dev), uniform(-1, 0.5, b, 1, 1, device=dev) * (h / w)
        square = (x - u) ** 2 + (y - v) ** 2
        near = 1 / (1 + square / uniform(0.08, 0.5, b, 1, 1, device=dev) ** 2)
        core = torch.exp(-square / (2 * uniform(0.004, 0.016, b, 1, 1, device=dev) ** 2))
        lamps = lamps + image * (near * uniform(0.0, 0.8, b, 1, 1, device=dev))[:, None] + 3 * core[:, None]
    return torch.where((change.lamps > 0).view(-1, 1, 1, 1), lamps, infrared)


# ---- the camera ----------------------------------------------------------------------------------------------

_DCT = np.array([[np.sqrt((1 if k == 0 else 2) / 8) * np.cos((2 * n + 1) * k * np.pi / 16) for n in range(8)]
                 for k in range(8)], np.float32)
_LUMA_TABLE = np.array([
    16, 11, 10, 16, 24, 40, 51, 61, 12, 12, 14, 19, 26, 58, 60, 55, 14, 13, 16, 24, 40, 57, 69, 56, 14, 17, 22, 29, 51,
    87, 80, 62, 18, 22, 37, 56, 68, 109, 103, 77, 24, 35, 55, 64, 81, 104, 113, 92, 49, 64, 78, 87, 103, 121, 120, 101,
    72, 92, 95, 98, 112, 100, 103, 99], np.float32).reshape(8, 8)
_CHROMA_TABLE = np.array([
    17, 18, 24, 47, 99, 99, 99, 99, 18, 21, 26, 66, 99, 99, 99, 99, 24, 26, 56, 99, 99, 99, 99, 99, 47, 66, 99, 99, 99,
    99, 99, 99, *([99] * 32)], np.float32).reshape(8, 8)


def _quantised(plane: Tensor, table: Tensor) -> Tensor:
    """8 x 8 cosine transform, rounding to multiples of ``table`` (B, 8, 8) and back; sizes are multiples of 8."""
    b, h, w = plane.shape
    d = torch.from_numpy(_DCT).to(plane.device)
    blocks = plane.view(b, h // 8, 8, w // 8, 8).permute(0, 1, 3, 2, 4)
    spectrum = d @ blocks @ d.T
    t = table[:, None, None]
    back = d.T @ ((spectrum / t).round() * t) @ d
    return back.permute(0, 1, 3, 2, 4).reshape(b, h, w)


def compressed(picture: Tensor, quality: Tensor) -> Tensor:
    """JPEG (ITU-T T.81, annex K tables, half-size colour) of values 0..255."""
    b, _, h, w = picture.shape
    dev = picture.device
    big = F.pad(picture, (0, -w % 16, 0, -h % 16), mode="replicate")
    scale = torch.where(quality < 50, 5000 / quality, 200 - 2 * quality).view(-1, 1, 1) / 100
    luma, chroma = ((torch.from_numpy(t).to(dev)[None] * scale).round().clamp(1, 255) for t in (_LUMA_TABLE, _CHROMA_TABLE))
    r, g, bl = big.unbind(1)
    yy = 0.299 * r + 0.587 * g + 0.114 * bl
    cb, cr = 0.564 * (bl - yy), 0.713 * (r - yy)
    half = F.avg_pool2d(torch.stack([cb, cr], 1), 2)
    yy = _quantised(yy - 128, luma) + 128
    cb, cr = _quantised(half[:, 0], chroma), _quantised(half[:, 1], chroma)
    cb, cr = F.interpolate(torch.stack([cb, cr], 1), scale_factor=2, mode="bilinear").unbind(1)
    out = torch.stack([yy + 1.403 * cr, yy - 0.344 * cb - 0.714 * cr, yy + 1.773 * cb], 1)
    return out[..., :h, :w].round().clamp(0, 255)


@dataclass
class Cameras:
    """Sensor and compression, equal for both pictures of a pair."""

    noise: Tensor
    blur: Tensor
    quality: Tensor
    gamma: Tensor
    auto: Tensor
    target: Tensor


def pick_cameras(b: int, device: torch.device) -> Cameras:
    fine = happens(0.4, b, device)
    return Cameras(log_uniform(0.002, 0.014, b, device=device) * torch.where(fine, 0.5, 1.0), uniform(0, 0.55, b, device=device),
                   torch.where(fine, uniform(90, 98, b, device=device), uniform(78, 96, b, device=device)),
                   uniform(2.0, 2.4, b, device=device), uniform(0.3, 1.0, b, device=device), uniform(0.55, 0.95, b, device=device))


def develop(image: Tensor, cameras: Cameras, change: Change | None, clocks: Tensor | None = None,
            ) -> tuple[Tensor, Tensor]:
    """Linear light to 8-bit values (B, 3, H, W) as floats: automatic exposure, noise, tone, compression, clock.

    Returns also where the clock's text lies (B, H, W), 0..1.
    """
    b, _, h, w = image.shape
    dev = image.device

    def each(v: Tensor) -> Tensor:
        return v.view(-1, 1, 1, 1)

    quantile = float(uniform(0.85, 0.97, 1, device=dev))
    automatic = (cameras.target / level_of(image, quantile).clamp_min(1e-3)) ** cameras.auto
    night = change.night if change is not None else torch.zeros(b, device=dev)
    automatic = torch.minimum(automatic, torch.where(night > 0, 25.0, 5.0))
    out = image * each(automatic)
    if change is not None:
        out = out * each(change.gain) * change.tint[..., None, None]
    out = blurred(out, (cameras.blur + normal(0.04, b, device=dev)).clamp(0.01, 1)).clamp_min(0)
    grey = night if change is None else night * (1 - change.lamps)
    grain = torch.randn(b, 3, h, w, device=dev)
    grain = torch.where(each(grey) > 0, grain[:, :1], grain)
    out = out + grain * each(cameras.noise * (1 + 3 * night)) * torch.sqrt(out.clamp(0, 1) + 0.05)
    tone = change.tone if change is not None else torch.ones(b, device=dev)
    out = (out.clamp(0, 1) ** each(tone / cameras.gamma) * 255).round()
    if torch.rand(()) < 0.15 and change is not None:
        some = happens(0.5, b, dev)
        scale = float(uniform(0.5, 0.95, 1, device=dev))
        small = F.interpolate(out, scale_factor=scale, mode="bilinear", antialias=True)
        out = torch.where(each(some), F.interpolate(small, (h, w), mode="bicubic").clamp(0, 255).round(), out)
    text = torch.zeros(b, h, w, device=dev)
    if clocks is not None and change is not None and change.clock.any():
        strip = F.interpolate(clocks[torch.randint(len(clocks), (b,), device=dev)],
                              scale_factor=float(uniform(0.7, 1.3, 1, device=dev)) * w / 640, mode="bilinear")
        sh, sw = min(strip.shape[2], h // 3), min(strip.shape[3], w)
        top = 3 if torch.rand(()) < 0.5 else h - sh - 3
        left = int(torch.randint(0, max(1, w - sw), (1,)))
        ink = strip[:, :, :sh, :sw] * change.clock.view(-1, 1, 1, 1)
        box = out[:, :, top:top + sh, left:left + sw]
        out[:, :, top:top + sh, left:left + sw] = (box * (1 - ink[:, 1:]) + 255 * ink[:, :1]).clamp(0, 255)
        text[:, top:top + sh, left:left + sw] = ink[:, 1]
    quality = cameras.quality if change is None else torch.where(change.quality > 0, change.quality, cameras.quality)
    return compressed(out, quality), text
