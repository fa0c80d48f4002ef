"""What a camera and its wire do to radiance: exposure, tone, colour, mist, blur, noise, compression, overlays."""

from __future__ import annotations

import cv2
import numpy as np
import torch
from torch import Tensor
from torch.nn import functional as F

from training.panoramas import RAYS, fused

__all__ = ["burn_in", "develop", "occlude", "text_strips"]

_LUMINANCE = np.array([
    [16, 11, 10, 16, 24, 40, 51, 61], [12, 12, 14, 19, 26, 58, 60, 55], [14, 13, 16, 24, 40, 57, 69, 56],
    [14, 17, 22, 29, 51, 87, 80, 62], [18, 22, 37, 56, 68, 109, 103, 77], [24, 35, 55, 64, 81, 104, 113, 92],
    [49, 64, 78, 87, 103, 121, 120, 101], [72, 92, 95, 98, 112, 100, 103, 99],
], np.float32)  # fmt: skip
"""Luminance quantisation of ITU-T T.81, annex K, table K.1."""


def text_strips(n: int, seed: int) -> Tensor:
    """Overlay masks (n, 20, 200), 0..1, of dates, times and names as recorders print them."""
    rng = np.random.default_rng(seed)
    strips = np.zeros((n, 20, 200), np.uint8)
    for strip in strips:
        day, clock = rng.integers([2015, 1, 1], [2030, 13, 29]), rng.integers([0, 0, 0], [24, 60, 60])
        text = f"{day[0]}-{day[1]:02d}-{day[2]:02d} {clock[0]:02d}:{clock[1]:02d}:{clock[2]:02d}"
        if rng.random() < 0.4:
            text = f"CAM {rng.integers(1, 99):02d} " + ("GATE", "YARD", "DOOR", "HALL")[rng.integers(4)]
        cv2.putText(strip, text, (2, 14), cv2.FONT_HERSHEY_SIMPLEX, float(rng.uniform(0.3, 0.5)), 255, 1, cv2.LINE_AA)
    return torch.from_numpy(strips).float() / 255


def _dct_matrix(device: torch.device) -> Tensor:
    k = torch.arange(8, device=device, dtype=torch.float32)
    m = torch.cos((2 * k[None, :] + 1) * k[:, None] * torch.pi / 16) * 0.5
    m[0] *= 2**-0.5
    return m


def _compress(image: Tensor, quality: Tensor) -> Tensor:
    """Block transform and quantisation as in JPEG, (b, 3, h, w) in 0..255, chroma halved."""
    b, _, h, w = image.shape
    r, g, bl = image.unbind(1)
    y = 0.299 * r + 0.587 * g + 0.114 * bl
    chroma = torch.stack([bl - y, r - y], 1) * 0.6
    small = F.avg_pool2d(chroma, 2)
    table = torch.from_numpy(_LUMINANCE).to(image.device)
    scale = torch.where(quality < 50, 50 / quality, 2 - quality / 50).clamp_min(0.02)
    m = _dct_matrix(image.device)

    def blocks(plane: Tensor, coarser: float) -> Tensor:
        n, hh, ww = plane.shape
        ph, pw = -hh % 8, -ww % 8
        padded = F.pad(plane[:, None], (0, pw, 0, ph), mode="replicate")[:, 0]
        t = padded.reshape(n, (hh + ph) // 8, 8, (ww + pw) // 8, 8).transpose(2, 3)
        step = (table * coarser * scale.repeat_interleave(n // b)[:, None, None]).clamp_min(1.0)[:, None, None]
        coefficients = torch.round(m @ (t - 128) @ m.T / step) * step
        back = (m.T @ coefficients @ m + 128).transpose(2, 3).reshape(n, hh + ph, ww + pw)
        return back[:, :hh, :ww]

    y = blocks(y, 1.0)
    small = blocks(small.reshape(b * 2, *small.shape[2:]) + 128, 1.5) - 128
    chroma = F.interpolate(small.reshape(b, 2, h // 2, w // 2), size=(h, w), mode="bilinear") / 0.6
    bl, r = chroma[:, 0] + y, chroma[:, 1] + y
    g = (y - 0.299 * r - 0.114 * bl) / 0.587
    return torch.stack([r, g, bl], 1)


def _box_blur(image: Tensor, size: int) -> Tensor:
    return F.avg_pool2d(image, size, 1, size // 2, count_include_pad=False)


def _expose(
    x: Tensor, sky: Tensor, latitude: Tensor, xs: Tensor, ys: Tensor, inside: Tensor, p: dict[str, Tensor]
) -> Tensor:
    """Display values (b, m, 3) of radiance x (b, m, 3) at m pixels with coordinates xs, ys (m) in -1..1."""
    x = x.clamp(1e-4, 1e4)
    infrared = p["infrared"]
    x = x * (1 - sky * (1 - torch.where(infrared, p["dark"], 1.0)))[..., None]
    off = (xs - p["beam_x"]) ** 2 + (ys - p["beam_y"]) ** 2
    x = x * torch.where(infrared, torch.exp(-off * p["beam"]), 1.0)[..., None]
    x = x * torch.exp(-(xs**2 + ys**2) * p["vignette"])[..., None]
    share = inside / inside.sum()
    luminance = x.mean(-1)
    dim = (torch.log(luminance + 1e-3) * share).sum(1, keepdim=True)
    bright = torch.log((luminance * share).sum(1, keepdim=True))
    x = x * (torch.exp2(p["stops"]) * 0.2 / torch.exp(torch.lerp(dim, bright, p["metering"])))[..., None]
    mixed = [sum(x[..., k] * p["mixing"][:, i, k, None] for k in range(3)) * p["cast"][:, i, None] for i in range(3)]
    depth = p["mist"] * torch.exp(-latitude.abs() / p["mist_depth"])
    out = []
    for k in range(3):
        value = torch.lerp(mixed[k].clamp_min(0), p["mist_tone"] * (1 + (0.1 - 0.1 * k) * p["mist_tint"]), depth)
        value = 1.45 * value / (1 + p["shoulder"] * value)
        out.append(value.clamp(1e-6, 1.0) ** p["gamma"])
    grey = (out[0] + out[1] + out[2]) / 3
    out = [(grey + (v - grey) * p["saturation"] - 0.5) * p["contrast"] + 0.5 + p["lift"] for v in out]
    return torch.stack(out, -1)


_expose_fused = fused(_expose)


def occlude(radiance: Tensor, sky: Tensor, g: torch.Generator, share: float) -> tuple[Tensor, Tensor]:
    """Puts plain discs, boxes and people-like shapes into a share of the pictures, as things near the camera."""
    b, h, w, _ = radiance.shape
    dev = radiance.device

    def uniform(low: float, high: float) -> Tensor:
        return (torch.rand(b, generator=g, device=dev) * (high - low) + low)[:, None, None]

    ys = torch.linspace(-1, 1, h, device=dev)[None, :, None]
    xs = torch.linspace(-1, 1, w, device=dev)[None, None, :] * (w / h)
    level = radiance.mean((1, 2, 3), keepdim=True).clamp(1e-3, 1e3)
    for _ in range(3):
        shown = torch.rand(b, generator=g, device=dev)[:, None, None] < share / 2
        x, y = uniform(-w / h, w / h), uniform(-0.8, 1.2)
        tall = torch.exp(uniform(-2.5, -0.5))
        wide = tall * torch.exp(uniform(-1.3, 0.6))
        power = torch.where(uniform(0, 1) < 0.5, 2.0, 10.0)
        body = ((xs - x) / wide).abs() ** power + ((ys - y) / tall).abs() ** power
        head = ((xs - x) / (0.22 * tall)) ** 2 + ((ys - y + 1.15 * tall) / (0.25 * tall)) ** 2
        person = uniform(0, 1) < 0.4
        near = shown & ((body < 1) | (person & (head < 1)))
        tone = torch.exp(torch.randn(b, 3, generator=g, device=dev) * 0.3)[:, None, None, :] * level
        tone = tone * torch.exp(uniform(-2.5, 1.0))[..., None] * (1 + 0.4 * uniform(-1, 1) * (ys - y) / tall)[..., None]
        radiance = torch.where(near[..., None], tone, radiance)
        sky = torch.where(near, 0.0, sky)
    return radiance, sky


def _camera_faults(b: int, g: torch.Generator, strength: float) -> dict[str, Tensor]:
    dev = g.device

    def uniform(low: float, high: float) -> Tensor:
        return torch.rand(b, 1, generator=g, device=dev) * (high - low) + low

    def chance(p: float) -> Tensor:
        return torch.rand(b, 1, generator=g, device=dev) < p * strength

    infrared = chance(0.08)
    mixing = torch.eye(3, device=dev) + torch.where(chance(0.5), 0.09, 0.0)[..., None] * torch.randn(b, 3, 3, generator=g, device=dev)
    mixing = mixing / mixing.sum(-1, keepdim=True).clamp_min(0.5)
    return {
        "infrared": infrared, "dark": uniform(0.01, 0.3), "beam_x": uniform(-0.4, 0.4), "beam_y": uniform(-0.4, 0.4),
        "beam": uniform(0.2, 2.0), "vignette": torch.where(chance(0.3), uniform(0, 0.5), 0.0),
        "metering": uniform(0.0, 0.8), "stops": torch.randn(b, 1, generator=g, device=dev) * 0.9, "mixing": mixing,
        "cast": torch.exp(torch.randn(b, 3, generator=g, device=dev) * torch.where(chance(0.2), 0.22, 0.12 * strength)),
        "mist": torch.where(chance(0.2), uniform(0.1, 0.95), 0.0), "mist_depth": uniform(0.03, 0.8),
        "mist_tone": uniform(0.3, 1.0), "mist_tint": uniform(-1, 1), "shoulder": uniform(0.0, 0.9),
        "gamma": 1 / uniform(1.7, 2.6), "saturation": torch.where(infrared | chance(0.10), 0.0, uniform(0.4, 1.7)),
        "contrast": uniform(0.75, 1.2), "lift": uniform(-0.06, 0.06),
    }  # fmt: skip


def burn_in(x: Tensor, g: torch.Generator, strength: float) -> Tensor:
    """Dark edges, letter boxes, plates in the corners and drawn boxes over pictures (b, 3, h, w) in 0..255.

    They follow no scene: what is true of a picture stays as it is.
    """
    b, _, h, w = x.shape
    dev = x.device

    def uniform(low: float, high: float) -> Tensor:
        return (torch.rand(b, generator=g, device=dev) * (high - low) + low)[:, None, None]

    def chance(p: float) -> Tensor:
        return (torch.rand(b, generator=g, device=dev) < p * strength)[:, None, None]

    ys = torch.arange(h, device=dev, dtype=torch.float32)[None, :, None]
    xs = torch.arange(w, device=dev, dtype=torch.float32)[None, None, :]
    sides = chance(0.12) & ((xs < uniform(0, 0.035) * w) | (xs >= w - uniform(0, 0.035) * w))
    strips = chance(0.08) & ((ys < uniform(0, 0.12) * h) | (ys >= h - uniform(0, 0.1) * h))
    x = torch.where((sides | strips)[:, None], torch.randn(x.shape, generator=g, device=dev) * 3 + 8, x)
    for share, tone in ((0.1, 250.0), (0.08, 8.0)):
        wide, tall = uniform(0.06, 0.35) * w, uniform(0.03, 0.1) * h
        left = torch.where(uniform(0, 1) < 0.5, uniform(0, 0.04) * w, w - wide - uniform(0, 0.04) * w)
        top = torch.where(uniform(0, 1) < 0.5, uniform(0, 0.04) * h, h - tall - uniform(0, 0.04) * h)
        plate = chance(share) & (xs >= left) & (xs < left + wide) & (ys >= top) & (ys < top + tall)
        marks = (torch.rand(b, 1, h, w, generator=g, device=dev) < 0.25).float() * (255 - 2 * tone)
        x = torch.where(plate[:, None], tone + marks, x)
    colour = torch.where(torch.rand(b, 3, generator=g, device=dev) < 0.5, 15.0, 235.0)[:, :, None, None]
    shown = chance(0.05)
    for _ in range(3):
        left, top = uniform(0, 0.9) * w, uniform(0.2, 0.9) * h
        wide, tall = uniform(0.03, 0.2) * w, uniform(0.05, 0.3) * h
        inside = (xs >= left) & (xs < left + wide) & (ys >= top) & (ys < top + tall)
        core = (xs >= left + 1) & (xs < left + wide - 1) & (ys >= top + 1) & (ys < top + tall - 1)
        label = (xs >= left) & (xs < left + wide) & (ys >= top - 7) & (ys < top)
        x = torch.where((shown & ((inside & ~core) | label))[:, None], colour, x)
    return x


def develop(
    radiance: Tensor, sky: Tensor, latitude: Tensor, strips: Tensor, g: torch.Generator, dice: torch.Generator,
    strength: float = 1.0,
) -> Tensor:  # fmt: skip
    """Pictures (b, 3, h, w), whole numbers 0..255 in float, from radiance (b, h, w, 3).

    ``latitude`` (b, h, w) in radians places the mist; ``strength`` 0 leaves only exposure and tone. ``dice`` is a
    generator on the CPU for what is decided once a batch, so that nothing waits for the GPU.
    """
    b, h, w, _ = radiance.shape
    dev = radiance.device

    def uniform(low: float, high: float) -> Tensor:
        return (torch.rand(b, generator=g, device=dev) * (high - low) + low)[:, None, None, None]

    def chance(p: float) -> Tensor:
        return (torch.rand(b, generator=g, device=dev) < p * strength)[:, None, None, None]

    faults = _camera_faults(b, g, strength)
    infrared = faults["infrared"][:, :, None, None]
    ys = torch.linspace(-1, 1, h, device=dev)[:, None].expand(h, w).reshape(-1)
    xs = torch.linspace(-1, 1, w, device=dev)[None, :].expand(h, w).reshape(-1)
    flat = [radiance.reshape(b, h * w, 3), sky.reshape(b, h * w), latitude.reshape(b, h * w), xs, ys, torch.ones_like(xs)]
    if (more := RAYS - h * w) > 0:
        flat = [F.pad(t, (0, 0, 0, more)) if t.dim() == 3 else F.pad(t, (0, more)) for t in flat]
    x = _expose_fused(*flat, faults)[:, : h * w].reshape(b, h, w, 3).permute(0, 3, 1, 2).contiguous()
    soft, softer = _box_blur(x, 3), _box_blur(_box_blur(x, 5), 5)
    draw = torch.rand(b, generator=g, device=dev)[:, None, None, None]
    amount = uniform(0, 1)
    blurred = torch.where(draw < 0.15, torch.lerp(soft, softer, amount), torch.lerp(x, soft, amount))
    sharpened = x + (x - softer) * amount * 1.2
    x = torch.where(draw < 0.5, sharpened if strength > 0 else x, blurred if strength > 0 else x)
    once = torch.rand(4, generator=dice).tolist()
    if once[0] < 0.25 * strength:
        n = b // 2
        factor = once[1] * 0.6 + 0.3
        small = F.interpolate(x[:n], scale_factor=factor, mode="bilinear", antialias=True)
        x = torch.cat([F.interpolate(small, size=(h, w), mode="bilinear"), x[n:]])
    sigma = torch.where(infrared | chance(0.15), uniform(0.01, 0.09), uniform(0.0, 0.02)) * strength
    noise = torch.randn(b, 3, h, w, generator=g, device=dev)
    noise = torch.lerp(noise, noise.mean(1, keepdim=True) * 1.7, uniform(0, 1))
    x = (x.clamp(0, 1) + noise * sigma).clamp(0, 1) * 255
    written = torch.where(chance(0.12), 1.0, 0.0)
    strip = strips[torch.randint(0, strips.shape[0], (b,), generator=g, device=dev)][:, None]
    sh, sw = strip.shape[-2:]
    top, left = int(once[2] * 2) * (h - sh - 4) + 2, int(once[3] * max(1, w - sw))
    patch = x[:, :, top : top + sh, left : left + sw]
    ink = torch.where(uniform(0, 1) < 0.8, 250.0, 10.0)
    shadow = torch.where(uniform(0, 1) < 0.5, 0.0, 1.0) * F.max_pool2d(strip, 3, 1, 1)
    patch = patch * (1 - 0.8 * shadow * written)
    x[:, :, top : top + sh, left : left + sw] = patch * (1 - strip * written) + ink * strip * written
    x = burn_in(x, g, strength)
    pressed = _compress(x, uniform(12, 95)[:, 0, 0, 0])
    x = torch.where(chance(0.7), pressed, x)
    return torch.round(x).clamp(0, 255)
