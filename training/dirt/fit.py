"""Trains the networks of :mod:`.networks` on pairs and series that are rendered while they train.

    python -m training.dirt.fit pair PHOTOS OUT --minutes 18
    python -m training.dirt.fit picture PHOTOS OUT --minutes 18
    python -m training.dirt.fit pair PHOTOS OUT --minutes 3 --start audit/measure/weights/dirt_hours.onnx --rate 6e-4

PHOTOS is a folder of photographs of the part ``train`` (:mod:`.photographs`); nothing else is read. The schedule
follows the clock. OUT gets ``dirt_pair_state.pt`` or ``dirt_picture_state.pt`` (averaged weights) every two minutes.
``--start`` goes on from averaged weights or from a shipped network; from ``dirt_series.onnx``, which has no answer for one
picture alone, only the answer for several is trained.
"""

from __future__ import annotations

import argparse
import copy
import math
import time
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional as F

from training.dirt.batch_glass import GLOW, KINDS, Glass, make_glass, through
from training.dirt.batch_light import another_hour, busy
from training.dirt.batch_optics import draw_cover, look_through
from training.dirt.batch_real import RealStack, load_real, real_pairs
from training.dirt.batch_scene import (
    Change,
    Stack,
    Views,
    develop,
    happens,
    harmless,
    load_stack,
    log_uniform,
    normal,
    pick_cameras,
    pick_change,
    pick_views,
    seen,
    turned_grid,
)
from training.dirt.networks import CELL_PX, PairNetwork, PictureNetwork
from training.dirt.resume import settle_norms, take_weights

__all__ = ["main", "pair_batch", "pair_inputs", "picture_inputs", "series_batch"]

SHAPES = ((360, 640), (360, 640), (360, 640), (480, 640), (224, 400), (304, 400))
DIRTY_SHARE = 0.55
LUMA = (0.299, 0.587, 0.114)
LEAST_SOILED = 0.02
REAL_SHARE = 0.4
#: Batches over which a shipped network's norms are measured.
SETTLED_OVER = 12


def log_luminance(picture: Tensor) -> Tensor:
    """As :func:`audit.measure.transfer.log_luminance`, less its median; values 0..255 in, (B, 1, H, W) out."""
    light = (picture / 255) ** 2.2
    luminance = (light * torch.tensor(LUMA, device=picture.device)[:, None, None]).sum(dim=1, keepdim=True)
    sample = luminance[:, 0, ::4, ::4].flatten(1)
    bright = torch.quantile(sample, 0.9, dim=1).clamp_min(0.004)
    out = torch.log(luminance + 0.02 * bright.view(-1, 1, 1, 1))
    middle = torch.quantile(out[:, 0, ::4, ::4].flatten(1), 0.5, dim=1)
    return out - middle.view(-1, 1, 1, 1)


def padded(x: Tensor, mode: str = "replicate") -> Tensor:
    h, w = x.shape[-2:]
    pad = (0, -w % CELL_PX, 0, -h % CELL_PX)
    return F.pad(x, pad, mode=mode) if mode == "replicate" else F.pad(x, pad)


def pair_inputs(reference: Tensor, today: Tensor, valid: Tensor) -> tuple[Tensor, Tensor]:
    """What :class:`PairNetwork` takes, from values 0..255 (B, 3, H, W) and where both are seen (B, H, W)."""
    logs = padded(torch.cat([log_luminance(reference), log_luminance(today)], 1))
    mask = padded(valid[:, None].float(), "zero")
    colours = F.avg_pool2d(padded(torch.cat([reference, today], 1)) / 255, 2)
    return torch.cat([logs * mask, mask], 1), colours


def picture_inputs(pictures: Tensor) -> tuple[Tensor, Tensor]:
    """What :class:`PictureNetwork` takes for single pictures, from values 0..255 (B, 3, H, W)."""
    return padded(log_luminance(pictures)), F.avg_pool2d(padded(pictures) / 255, 2)


def pick_kinds(b: int, device: torch.device) -> Tensor:
    dirty = happens(DIRTY_SHARE, b, device)
    kind = torch.multinomial(torch.tensor([1.7, 1.5, 1.15, 0.85, 0.8, 1.1], device=device), b, True) + 1
    return torch.where(dirty, kind, torch.zeros_like(kind))


def spoil(kind: Tensor, scene: Tensor, other: Tensor, dark: Tensor, n: int = 1) -> tuple[Tensor, Tensor]:
    """Scenes (B * n, 3, H, W) through what each of B kinds puts on the glass, half of them by each renderer.

    ``n`` scenes behind one another share a glass. Returns also how spoiled each pixel is (B * n, H, W).
    """
    h, w = scene.shape[-2:]
    by_layers = happens(0.5, len(kind), kind.device)
    out, soiled = scene.clone(), torch.zeros(len(scene), h, w, device=scene.device)
    for chosen, draw in ((by_layers & (kind > 0), _by_layers), (~by_layers & (kind > 0), _by_optics)):
        index = torch.nonzero(chosen)[:, 0]
        if len(index):
            every = (index[:, None] * n + torch.arange(n, device=kind.device)).flatten()
            out[every], soiled[every] = draw(kind[index], scene[every], other[every], dark[index], n)
    return out, soiled


def _by_layers(kind: Tensor, scene: Tensor, other: Tensor, dark: Tensor, n: int) -> tuple[Tensor, Tensor]:
    glass = make_glass(kind, *scene.shape[-2:], dark)
    glass = Glass(*(getattr(glass, name).repeat_interleave(n, 0) for name in glass.__dataclass_fields__))
    out, soiled, _ = through(glass, scene, other[::n].repeat_interleave(n, 0))
    return out, soiled


def _by_optics(kind: Tensor, scene: Tensor, other: Tensor, dark: Tensor, n: int) -> tuple[Tensor, Tensor]:
    near = other[::n]
    cover = draw_cover(kind, *scene.shape[-2:], dark, near)
    return look_through(cover.repeated(n), scene, near.repeat_interleave(n, 0))


def _drawn_scenes(b: int, h: int, w: int, stack: Stack, change: Change) -> tuple[Tensor, Tensor, Tensor]:
    """Two hours of views cut from photographs, and their half angle's tangent."""
    views = pick_views(b, w / h, stack)
    dev = stack.pictures.device
    before, now = seen(views, stack, h, w, torch.zeros(b, 3, device=dev)), seen(views, stack, h, w, change.turn)
    other = before.roll(1, 0)
    return another_hour(busy(before, other, 0.25), 0.6), another_hour(busy(now, other)), views.half_tan


def pair_batch(b: int, h: int, w: int, stack: Stack, real: RealStack | None,
               ) -> tuple[Tensor, Tensor, Tensor, Tensor, Tensor, Tensor]:
    """Reference as registered, today (0..255), where both are seen, kind (B,), soiled (B, H, W), trusted (B,)."""
    dev = stack.pictures.device
    cameras, kind = pick_cameras(b, dev), pick_kinds(b, dev)
    own = round(b * REAL_SHARE) if real is not None else 0
    photographed = torch.arange(b, device=dev) < own
    change = pick_change(b, dev)
    change.night = torch.where((kind == GLOW) | (kind == 3) & happens(0.3, b, dev), torch.ones_like(change.night), change.night)
    change.lamps = change.lamps * change.night
    for name in ("turn", "fog", "night", "lamps", "shade", "gradient", "moved", "wear", "rain"):
        value = getattr(change, name)
        keep = ~photographed | happens(0.12, b, dev) if name not in ("turn", "night") else ~photographed
        keep = keep | (kind == GLOW) & (name == "night")  # type: ignore[operator]
        setattr(change, name, value * keep.view(-1, *[1] * (value.dim() - 1)))
    drawn = Change(*(v[own:] if isinstance(v, Tensor) else v for v in (getattr(change, f) for f in change.__dataclass_fields__)))
    before, now, half_tan = _drawn_scenes(b - own, h, w, stack, drawn)
    reach = torch.ones(b, h, w, dtype=torch.bool, device=dev)
    if real is not None:
        then, later, reach[:own] = real_pairs(own, h, w, real)
        before, now = torch.cat([then, before]), torch.cat([later, now])
        half_tan = torch.cat([torch.full((own,), 0.6, device=dev), half_tan])
    other = before.roll(1, 0)
    scene = harmless(now, change, other)
    earlier = pick_change(b, dev, 0.25)
    earlier.night = ((change.night > 0) & happens(0.5, b, dev)).float()
    earlier.lamps = change.lamps * earlier.night
    earlier.turn, earlier.quality = torch.zeros(b, 3, device=dev), torch.zeros_like(earlier.quality)
    for name in ("fog", "shade", "gradient", "moved", "wear", "rain"):
        setattr(earlier, name, getattr(earlier, name) * ~photographed)
    before = harmless(before, earlier, other)
    out, soiled = spoil(kind, scene, other, change.night * (1 - change.lamps))
    reference, _ = develop(before, cameras, earlier, stack.clocks)
    today, text = develop(out, cameras, change, stack.clocks)
    error = normal(1.0, b, 3, device=dev) * torch.deg2rad(torch.where(
        happens(0.8, b, dev), 0.02 + 0 * change.gain, 0.1 + 0 * change.gain))[:, None]
    same = (change.turn.abs().amax(dim=1) == 0) & happens(0.4, b, dev)
    grid = turned_grid(h, w, half_tan, change.turn + error, 1 + normal(0.0006, b, device=dev))
    warped = F.grid_sample(reference, grid, padding_mode="border", align_corners=False).round()
    warped = torch.where(same.view(-1, 1, 1, 1), reference, warped)
    valid = ((grid.abs().amax(dim=-1) < 1) | same.view(-1, 1, 1)) & reach
    masked = happens(0.85, b, dev).view(-1, 1, 1)
    grown = F.max_pool2d(text[:, None], 5, 1, 2)[:, 0] > 0.1
    valid = valid & ~(grown & masked)
    trusted = (kind == 0) | (soiled.mean(dim=(1, 2)) > LEAST_SOILED)
    return warped, today, valid, kind, soiled, trusted


def repeated(views: Views, n: int) -> Views:
    return Views(*(getattr(views, name).repeat_interleave(n, 0) for name in views.__dataclass_fields__))


def series_batch(b: int, n: int, h: int, w: int, stack: Stack) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """Pictures (B * n, 3, H, W) through one glass a series; kind (B,), soiled (B * n, H, W), trusted (B * n,).

    Of the series, a third show different scenes, a third one scene while the camera was turned a little, the rest one
    scene at different hours.
    """
    dev = stack.pictures.device
    views = pick_views(b * n, w / h, stack)
    form = torch.rand(b, device=dev)
    one_place = (form < 0.66).repeat_interleave(n)
    turned = (form < 0.40).repeat_interleave(n)
    still = repeated(Views(*(getattr(views, name)[::n] for name in views.__dataclass_fields__)), n)
    for name in views.__dataclass_fields__:
        a, c = getattr(views, name), getattr(still, name)
        setattr(views, name, torch.where(one_place.view(-1, *[1] * (a.dim() - 1)), c, a))
    kind = pick_kinds(b, dev)
    every = kind.repeat_interleave(n)
    change = pick_change(b * n, dev)
    quick = (turned & happens(0.8, b, dev).repeat_interleave(n)).float()
    for name in ("gain", "tone", "fog", "night", "lamps", "shade", "gradient", "wear", "rain", "quality"):
        value = getattr(change, name)
        first = value[::n].repeat_interleave(n, 0)
        setattr(change, name, torch.where(quick > 0, first, value))
    change.night = torch.where(every == GLOW, torch.ones_like(change.night), change.night)
    cameras = pick_cameras(b, dev)
    cameras = type(cameras)(*(getattr(cameras, name).repeat_interleave(n) for name in cameras.__dataclass_fields__))
    size = (log_uniform(0.4, 14.0, b * n, device=dev)).deg2rad()
    turn = F.normalize(normal(1.0, b * n, 3, device=dev) * torch.tensor([0.6, 1.0, 0.25], device=dev), dim=1) * size[:, None]
    hour = another_hour(seen(views, stack, h, w, turn * turned[:, None]), 0.6)
    images = torch.where((quick > 0).view(-1, 1, 1, 1), seen(views, stack, h, w, turn * turned[:, None]), hour)
    other = images.roll(n, 0)
    images = busy(images, other, 0.3)
    change.turn = change.turn * 0
    scene = harmless(images, change, other)
    night = change.night.view(b, n).amin(dim=1)
    out, soiled = spoil(kind, scene, other, night, n)
    pictures, _ = develop(out, cameras, change, stack.clocks)
    trusted = (every == 0) | (soiled.mean(dim=(1, 2)) > LEAST_SOILED)
    return pictures, kind, soiled, trusted


def shown(pair: bool, batch: int, n: int, h: int, w: int, stack: Stack, real: RealStack | None,
          ) -> tuple[tuple[Tensor, Tensor], Tensor, Tensor, Tensor]:
    """A batch as the network takes it (pairs, or series of ``n``), kind, soiled, trusted."""
    if pair:
        reference, today, valid, kind, soiled, trusted = pair_batch(batch, h, w, stack, real)
        return pair_inputs(reference, today, valid), kind, soiled, trusted
    b = max(2, batch // n)
    pictures, kind, soiled, trusted = series_batch(b, n, h, w, stack)
    logs, colours = (v.view(b, n, *v.shape[1:]) for v in picture_inputs(pictures))
    return (logs, colours), kind, soiled, trusted


def loss_of(cells: Tensor, image: Tensor, kind: Tensor, soiled: Tensor, trusted: Tensor, seen_: Tensor | None) -> Tensor:
    """Cross entropies of the cells (soft by how soiled they are) and of the picture, and of dirty against clean."""
    share = F.avg_pool2d(padded(soiled[:, None], "zero"), CELL_PX)[:, 0]
    share = (share * 1.5).clamp(0, 1)
    logp = F.log_softmax(cells.float(), dim=1)
    own = logp.gather(1, kind.view(-1, 1, 1, 1).expand(-1, 1, *logp.shape[-2:]))[:, 0]
    each = -(share * own + (1 - share) * logp[:, 0]) * (1 + 2 * share)
    if seen_ is not None:
        each = each * (F.avg_pool2d(seen_, CELL_PX)[:, 0] > 0.5)
    weight = trusted.float()
    whole = F.log_softmax(image.float(), dim=1)
    picture = -(whole.gather(1, kind[:, None])[:, 0])
    clear = whole[:, 0]
    dirty = torch.logsumexp(whole[:, 1:], dim=1)
    binary = -torch.where(kind == 0, clear, dirty)
    total = weight.sum().clamp_min(1)
    return each.mean() * 0.7 + ((picture * 0.5 + binary) * weight).sum() / total


class Average:
    """Running average of a network's weights and statistics."""

    def __init__(self, network: nn.Module) -> None:
        self.network = copy.deepcopy(network).eval()
        self.steps = 0

    @torch.no_grad()
    def update(self, network: nn.Module) -> None:
        self.steps += 1
        keep = min(0.999, self.steps / (self.steps + 50))
        for mine, theirs in zip(self.network.state_dict().values(), network.state_dict().values(), strict=True):
            if mine.is_floating_point():
                mine.lerp_(theirs, 1 - keep)
            else:
                mine.copy_(theirs)


def auroc(score: np.ndarray, dirty: np.ndarray) -> float:
    order = np.argsort(score)
    ranks = np.empty(len(score))
    ranks[order] = np.arange(1, len(score) + 1)
    n1, n0 = int(dirty.sum()), int((~dirty).sum())
    return float((ranks[dirty].sum() - n1 * (n1 + 1) / 2) / max(n1 * n0, 1))


class Scores:
    """The last few thousand answers, to print."""

    def __init__(self) -> None:
        self.rows: list[tuple[np.ndarray, np.ndarray]] = []

    def add(self, image: Tensor, kind: Tensor, trusted: Tensor) -> None:
        p = 1 - F.softmax(image.float(), dim=1)[:, 0]
        ok = trusted.cpu().numpy()
        self.rows = [*self.rows[-60:], (p.detach().cpu().numpy()[ok], kind.cpu().numpy()[ok])]

    def line(self) -> str:
        p, kind = (np.concatenate(v) for v in zip(*self.rows, strict=True))
        clean = p[kind == 0]
        limit = np.quantile(clean, 0.99)
        parts = [f"AUROC {auroc(p, kind > 0):.3f} at 1 % {(p[kind > 0] > limit).mean():.2f}"]
        for value, name in enumerate(KINDS[1:], 1):
            own = p[kind == value]
            if len(own):
                both = np.r_[clean, own]
                parts.append(f"{name[:5]} {auroc(both, np.r_[np.zeros(len(clean), bool), np.ones(len(own), bool)]):.3f}")
        return ", ".join(parts)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("which", choices=("pair", "picture"))
    parser.add_argument("photos", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--minutes", type=float, default=15.0)
    parser.add_argument("--batch", type=int, default=32)
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--device", default="cuda:0" if torch.cuda.is_available() else "cpu")
    parser.add_argument("--collages", type=int, default=80)
    parser.add_argument("--span", type=float, nargs=2, default=(0.0, 1.0), help="part of the schedule that this run covers")
    parser.add_argument("--real", type=Path, help="folder of laid-over pictures of fixed cameras")
    parser.add_argument("--without", nargs="*", default=[], help="cameras to leave out, to be checked on")
    parser.add_argument("--start", type=Path, help="averaged weights of an earlier run to go on from")
    parser.add_argument("--small", action="store_true", help="pictures of half the size, to try the code out")
    arguments = parser.parse_args()
    torch.manual_seed(arguments.seed)
    torch.backends.cuda.matmul.allow_tf32 = True
    torch.backends.cudnn.allow_tf32 = True
    dev = torch.device(arguments.device)
    arguments.out.mkdir(parents=True, exist_ok=True)
    stack = load_stack(arguments.photos, dev, arguments.collages, arguments.seed)
    real = load_real(arguments.real, dev, tuple(arguments.without)) if arguments.real else None
    pair = arguments.which == "pair"
    network: nn.Module = (PairNetwork() if pair else PictureNetwork()).to(dev)
    print(arguments.which, len(stack.aspect), "pictures", sum(p.numel() for p in network.parameters()), "weights", flush=True)
    shipped = arguments.start is not None and arguments.start.suffix == ".onnx"
    if shipped:
        print(take_weights(network, arguments.start), "layers taken", flush=True)
        with torch.no_grad():
            settle_norms(network, [shown(pair, arguments.batch, 3, *SHAPES[i % len(SHAPES)], stack, real)[0] for i in range(SETTLED_OVER)])
    elif arguments.start:
        network.load_state_dict({k: v.float() if v.is_floating_point() else v for k, v in torch.load(arguments.start, map_location=dev).items()})
    optimiser = torch.optim.AdamW(network.parameters(), lr=arguments.rate, weight_decay=0.02)
    average, scores, single = Average(network), Scores(), Scores()
    path = arguments.out / f"dirt_{arguments.which}_state.pt"
    began = saved = spoken = time.time()
    step, running = 0, 0.0
    whole = arguments.out / f"dirt_{arguments.which}_whole.pt"
    if arguments.span[0] > 0 and whole.exists():
        kept = torch.load(whole, map_location=dev)
        network.load_state_dict(kept["network"])
        average.network.load_state_dict(kept["average"])
        optimiser.load_state_dict(kept["optimiser"])
        step, average.steps = kept["step"], kept["step"]
        torch.manual_seed(arguments.seed + step)
        print("goes on from step", step, flush=True)

    def save() -> None:
        torch.save({"network": network.state_dict(), "average": average.network.state_dict(),
                    "optimiser": optimiser.state_dict(), "step": step}, whole)
        state = {k: v.half() if v.is_floating_point() else v for k, v in average.network.state_dict().items()}
        torch.save(state, path.with_suffix(".part"))
        path.with_suffix(".part").replace(path)

    while True:
        part = (time.time() - began) / 60 / arguments.minutes
        if part >= 1:
            break
        done = arguments.span[0] + part * (arguments.span[1] - arguments.span[0])
        rate = arguments.rate * min(1.0, (step + 1) / 200) * (0.02 + 0.98 * 0.5 * (1 + math.cos(math.pi * done)))
        for group in optimiser.param_groups:
            group["lr"] = rate
        h, w = SHAPES[step % len(SHAPES)]
        if arguments.small:
            h, w = h // 2 // 8 * 8, w // 2
        n = (2, 3, 3, 4)[int(torch.randint(4, (1,)))]
        with torch.no_grad():
            (logs, colours), kind, soiled, trusted = shown(pair, arguments.batch, n, h, w, stack, real)
        network.train()
        if pair:
            cells, image = network(logs, colours)
            loss = loss_of(cells, image, kind, soiled, trusted, logs[:, 2:])
            scores.add(image, kind, trusted)
        else:
            cells, image, common, together = network(logs, colours)
            every = kind.repeat_interleave(n)
            lasting = soiled.view(-1, n, h, w).mean(dim=1)
            sure = trusted.view(-1, n).all(dim=1)
            loss = loss_of(common, together, kind, lasting, sure, None)
            if not shipped:
                loss = loss + loss_of(cells, image, every, soiled, trusted, None)
            single.add(image, every, trusted)
            scores.add(together, kind, sure)
        if not torch.isfinite(loss):
            print("step", step, "has no finite loss; left out", flush=True)
            step += 1
            continue
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(network.parameters(), 3.0)
        optimiser.step()
        average.update(network)
        step += 1
        running += (0.02 if step > 1 else 1.0) * (float(loss.detach()) - running)
        if time.time() - spoken > 30:
            spoken = time.time()
            print(f"{(spoken - began) / 60:.1f} min step {step} loss {running:.3f}", scores.line(), flush=True)
            if not pair and not shipped:
                print("    one picture:", single.line(), flush=True)
        if time.time() - saved > 120:
            saved = time.time()
            save()
    save()
    print("steps", step, flush=True)


if __name__ == "__main__":
    main()
