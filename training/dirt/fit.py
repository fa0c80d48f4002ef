"""Trains the networks of :mod:`.networks` on pairs and series that are rendered while they train.

    python -m training.dirt.fit pair PHOTOS OUT --minutes 18
    python -m training.dirt.fit picture PHOTOS OUT --minutes 18
    python -m training.dirt.fit pair PHOTOS OUT --minutes 3 --start audit/measure/weights/dirt_hours.onnx --rate 6e-4

PHOTOS is a folder of photographs of the part ``train`` (:mod:`.photographs`); nothing else is read. The schedule
follows the clock. OUT gets ``dirt_pair_state.pt`` or ``dirt_picture_state.pt`` (averaged weights) now and then. Pairs are rendered for
several steps at once: the steps of one batch would wait for the processor. ``--fold`` trains a second network on the same
pairs but for those of the cameras ``--held``, so that it can be judged on these: ``dirt_fold_state.pt``.
``--start`` goes on from averaged weights or from a shipped network; from ``dirt_series.onnx``, which has no answer for one
picture alone, only the answer for several is trained.
"""

from __future__ import annotations

import argparse
import copy
import math
import time
from collections.abc import Iterator
from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional as F

from training.dirt.batch_glass import GLOW, KINDS, Glass, make_glass, through
from training.dirt.batch_light import another_hour, busy, cast_shadows
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

__all__ = ["Pairs", "main", "pair_batch", "pair_inputs", "picture_inputs", "series_batch"]

SHAPES = ((360, 640), (360, 640), (360, 640), (480, 640), (224, 400), (304, 400))
DIRTY_SHARE = 0.55
LUMA = (0.299, 0.587, 0.114)
LEAST_SOILED = 0.02
REAL_SHARE = 0.4
#: Of drawn pairs, those in which nothing but exposure, weather and things nearby may have changed.
ONE_LIGHT_SHARE = 0.35
#: Of real pictures, those that get thin shadows drawn over them.
CAST_SHARE = 0.2
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
    kind = torch.multinomial(torch.tensor([1.7, 2.0, 1.2, 0.7, 0.6, 1.0], device=device), b, True) + 1
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
    later = (~happens(ONE_LIGHT_SHARE, b, dev)).float()
    before = another_hour(busy(before, other, 0.25 * later), 0.6 * later)
    return before, another_hour(busy(now, other, 0.5 * later), 0.7 * later), views.half_tan


@dataclass
class Pairs:
    """``reference`` as registered and ``today`` (B, 3, H, W) of 0..255, ``valid`` (B, H, W) where both are seen, ``kind`` (B,),
    ``soiled`` (B, H, W), ``trusted`` (B,) and ``held`` (B,): of a camera that a second network must not see.
    """

    reference: Tensor
    today: Tensor
    valid: Tensor
    kind: Tensor
    soiled: Tensor
    trusted: Tensor
    held: Tensor

    def at(self, index: Tensor) -> Pairs:
        return Pairs(*(getattr(self, f.name)[index] for f in fields(self)))


def pair_batch(b: int, h: int, w: int, stack: Stack, real: RealStack | None) -> Pairs:
    """Pairs of one size; the first of them are of real cameras."""
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
    reach, held = torch.ones(b, h, w, dtype=torch.bool, device=dev), torch.zeros(b, dtype=torch.bool, device=dev)
    if real is not None:
        then, later, reach[:own], held[:own] = real_pairs(own, h, w, real)
        before = torch.cat([cast_shadows(then, CAST_SHARE / 2), before])
        now = torch.cat([cast_shadows(later, CAST_SHARE), now])
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
    return Pairs(warped, today, valid, kind, soiled, trusted, held)


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


class Learner:
    """A network that learns, the average of its weights, and what it said lately."""

    def __init__(self, network: nn.Module, rate: float, path: Path) -> None:
        self.network, self.average, self.path, self.rate = network, Average(network), path, rate
        self.optimiser = torch.optim.AdamW(network.parameters(), lr=rate, weight_decay=0.02)
        self.scores = Scores()
        self.step, self.running = 0, 0.0

    def at_rate(self, done: float) -> None:
        """Sets the rate for the share of the schedule that is over: a short rise, then half a cosine."""
        rate = self.rate * min(1.0, (self.step + 1) / 200) * (0.02 + 0.98 * 0.5 * (1 + math.cos(math.pi * done)))
        for group in self.optimiser.param_groups:
            group["lr"] = rate

    def learn(self, loss: Tensor) -> None:
        self.step += 1
        if not torch.isfinite(loss):
            print("step", self.step, "has no finite loss; left out", flush=True)
            return
        self.optimiser.zero_grad(set_to_none=True)
        loss.backward()  # type: ignore[no-untyped-call]
        nn.utils.clip_grad_norm_(self.network.parameters(), 3.0)
        self.optimiser.step()
        self.average.update(self.network)
        self.running += (0.02 if self.step > 1 else 1.0) * (float(loss.detach()) - self.running)

    def learn_pairs(self, pairs: Pairs) -> None:
        logs, colours = pair_inputs(pairs.reference, pairs.today, pairs.valid)
        self.network.train()
        cells, image = self.network(logs, colours)
        self.scores.add(image, pairs.kind, pairs.trusted)
        self.learn(loss_of(cells, image, pairs.kind, pairs.soiled, pairs.trusted, logs[:, 2:]))

    def learn_series(self, pictures: Tensor, kind: Tensor, soiled: Tensor, trusted: Tensor, alone: bool) -> None:
        """From series of pictures (B * n, 3, H, W); ``alone``: from single pictures as well."""
        n = len(pictures) // len(kind)
        logs, colours = (v.view(len(kind), n, *v.shape[1:]) for v in picture_inputs(pictures))
        self.network.train()
        cells, image, common, together = self.network(logs, colours)
        lasting = soiled.view(-1, n, *soiled.shape[1:]).mean(dim=1)
        sure = trusted.view(-1, n).all(dim=1)
        loss = loss_of(common, together, kind, lasting, sure, None)
        if alone:
            loss = loss + loss_of(cells, image, kind.repeat_interleave(n), soiled, trusted, None)
        self.scores.add(together, kind, sure)
        self.learn(loss)

    def save(self) -> None:
        state = {k: v.half() if v.is_floating_point() else v for k, v in self.average.network.state_dict().items()}
        torch.save(state, self.path.with_suffix(".part"))
        self.path.with_suffix(".part").replace(self.path)

    def tell(self, minutes: float) -> None:
        print(f"{minutes:.1f} min {self.path.stem} step {self.step} loss {self.running:.3f}", self.scores.line(), flush=True)


def taken_up(network: nn.Module, start: Path | None, batches: Iterator[tuple[Tensor, Tensor]]) -> bool:
    """Puts earlier weights into a network; whether they are a shipped network's."""
    if start is None:
        return False
    if start.suffix == ".onnx":
        print(take_weights(network, start), "layers taken", flush=True)
        with torch.no_grad():
            settle_norms(network, batches)
        return True
    state = torch.load(start, map_location=next(network.parameters()).device)
    network.load_state_dict({k: v.float() if v.is_floating_point() else v for k, v in state.items()})
    return False


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("which", choices=("pair", "picture"))
    parser.add_argument("photos", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--minutes", type=float, default=15.0, help="from the start of the program")
    parser.add_argument("--batch", type=int, default=32)
    parser.add_argument("--at-once", type=int, default=4, help="batches of pairs that are rendered together")
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--device", default="cuda:0" if torch.cuda.is_available() else "cpu")
    parser.add_argument("--collages", type=int, default=80)
    parser.add_argument("--real", type=Path, help="folder of laid-over pictures of fixed cameras")
    parser.add_argument("--without", nargs="*", default=[], help="cameras to leave out, to be checked on")
    parser.add_argument("--start", type=Path, help="averaged weights of an earlier run, or a shipped network, to go on from")
    parser.add_argument("--fold", type=Path, help="the same for a second network of pairs that learns beside the first")
    parser.add_argument("--held", nargs="*", default=[], help="cameras that the second network must not see")
    parser.add_argument("--small", action="store_true", help="pictures of half the size, to try the code out")
    arguments = parser.parse_args()
    began = time.time()
    torch.manual_seed(arguments.seed)
    torch.backends.cuda.matmul.allow_tf32 = True
    torch.backends.cudnn.allow_tf32 = True
    dev = torch.device(arguments.device)
    arguments.out.mkdir(parents=True, exist_ok=True)
    stack = load_stack(arguments.photos, dev, arguments.collages, arguments.seed)
    real = load_real(arguments.real, dev, tuple(arguments.without), tuple(arguments.held)) if arguments.real else None
    shapes = [(h // 2 // 8 * 8, w // 2) for h, w in SHAPES] if arguments.small else list(SHAPES)
    pair = arguments.which == "pair"

    def settling() -> Iterator[tuple[Tensor, Tensor]]:
        for at in range(SETTLED_OVER):
            h, w = shapes[at % len(shapes)]
            if pair:
                pairs = pair_batch(arguments.batch, h, w, stack, real)
                yield pair_inputs(pairs.reference, pairs.today, pairs.valid)
            else:
                pictures = series_batch(max(2, arguments.batch // 3), 3, h, w, stack)[0]
                logs, colours = picture_inputs(pictures)
                yield logs.view(-1, 3, *logs.shape[1:]), colours.view(-1, 3, *colours.shape[1:])

    starts = [(arguments.which, arguments.start), *([("fold", arguments.fold)] if arguments.fold else [])]
    learners, shipped = [], False
    for name, start in starts:
        network: nn.Module = (PairNetwork() if pair else PictureNetwork()).to(dev)
        shipped = taken_up(network, start, settling())
        learners.append(Learner(network, arguments.rate, arguments.out / f"dirt_{name}_state.pt"))
        print(name, len(stack.aspect), "pictures", sum(p.numel() for p in network.parameters()), "weights", flush=True)
    saved = spoken = time.time()
    rendered = 0
    while (done := (time.time() - began) / 60 / arguments.minutes) < 1:
        for learner in learners:
            learner.at_rate(done)
        h, w = shapes[rendered % len(shapes)]
        rendered += 1
        if pair:
            with torch.no_grad():
                pairs = pair_batch(arguments.batch * arguments.at_once, h, w, stack, real)
            for index in torch.randperm(len(pairs.kind), device=dev).chunk(arguments.at_once):
                learners[0].learn_pairs(pairs.at(index))
                if arguments.fold:
                    learners[1].learn_pairs(pairs.at(index[~pairs.held[index]]))
        else:
            n = (2, 3, 3, 4)[int(torch.randint(4, (1,)))]
            with torch.no_grad():
                series = series_batch(max(2, arguments.batch // n), n, h, w, stack)
            learners[0].learn_series(*series, alone=not shipped)
        if time.time() - spoken > 30:
            spoken = time.time()
            for learner in learners:
                learner.tell((spoken - began) / 60)
        if time.time() - saved > 100:
            saved = time.time()
            for learner in learners:
                learner.save()
    for learner in learners:
        learner.tell(arguments.minutes)
        learner.save()


if __name__ == "__main__":
    main()
