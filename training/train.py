"""Trains the network that orientation and sky share, and writes it as ONNX.

``python -m training.train --packed .train --minutes 8 -o OUT`` on a machine with a GPU, or with
``--minutes 20 --batch 16`` on a CPU; ``torchrun --nproc-per-node 2 -m training.train …`` uses two
GPUs. The schedule follows the clock, so the same command serves fast and slow machines. Seeds are fixed; what
differs between runs is how many steps fit into the minutes.
"""

from __future__ import annotations

import argparse
import copy
import csv
import json
import math
import os
import time
from dataclasses import dataclass
from pathlib import Path

import torch
from torch import Tensor
from torch.nn import functional as F

from training.augment import develop, occlude, text_strips
from training.cameras import SHAPES, Cameras, Shape, random_cameras, truth_fields, world_rays
from training.export import export_onnx
from training.grounds import ground_views
from training.model import FieldNetwork, Fields, load_backbone
from training.panoramas import RAYS, PanoramaStack, draw_index, load_stack, real_skies, render_panoramas
from training.photographs import PhotoStack, load_photos, photo_views
from training.scenes import render_scenes
from training.skies import noise_tiles, random_skies

__all__ = ["Batch", "main", "make_batch", "network_loss"]

SHAPE_SHARE = (0.6, 0.24, 0.16)
SCENE_SHARE, INSERT_SHARE, GROUND_SHARE, PHOTO_SHARE = 0.16, 0.06, 0.1, 0.2
HINT_SHARE, HINT_SD = 0.6, 0.04
"""How often the network is told the angle of view, and how well: plans and EXIF say it within a few per cent."""
REAL_SKIES = 0.35
"""Share of photographed skies among those put behind cut-out ground."""
UNIFORM_SHARE = 0.02
"""Share of cells taken to be wrong whatever the network says, in the likelihood of the up direction."""


@dataclass(frozen=True, slots=True)
class Bank:
    """Everything that views are made from."""

    panoramas: PanoramaStack
    skies: Tensor
    tiles: Tensor
    strips: Tensor
    photos: PhotoStack | None


@dataclass(frozen=True, slots=True)
class Batch:
    """Padded pictures (b, 3, H, W) and what is true of them."""

    pictures: Tensor
    up: Tensor
    latitude: Tensor
    pose_weight: Tensor
    sky: Tensor
    sky_weight: Tensor
    cameras: Cameras
    place: Tensor
    hint: Tensor
    view: Tensor
    view_weight: Tensor
    turned: Tensor
    pose_known: Tensor


def make_batch(
    n: int, shape: Shape, bank: Bank, g: torch.Generator, dice: torch.Generator, held_out: bool = False
) -> Batch:
    """Renders a batch; ``held_out`` shows panoramas alone, as they are, through milder cameras."""
    dev = g.device
    scenes = 0 if held_out else round(n * SCENE_SHARE)
    inserts = 0 if held_out else round(n * INSERT_SHARE)
    photos = 0 if held_out or bank.photos is None else round(n * PHOTO_SHARE)
    grounds = 0 if held_out or bank.photos is None else round(n * GROUND_SHARE)
    views = n - scenes - grounds - photos
    drawn = views + scenes
    cameras = random_cameras(n, shape, g, range(drawn, drawn + grounds), range(views, drawn + grounds))
    x = torch.arange(shape.width, device=dev, dtype=torch.float32)
    y = torch.arange(shape.height, device=dev, dtype=torch.float32)
    d = world_rays(cameras, x, y)
    place = draw_index(bank.panoramas.weight, views, g)
    radiance, sky = render_panoramas(d[:views], place, bank.panoramas, bank.skies, g, 0.0 if held_out else 0.5,
                                     not held_out)  # fmt: skip
    known = bank.panoramas.sky_known[place].float()
    pose_known = torch.ones(n, device=dev)
    if scenes and inserts:
        # twice as fine, then averaged: the edges of ray-cast boxes must not be stairs
        fine_x = torch.arange(2 * shape.width, device=dev) / 2 - 0.25
        fine_y = torch.arange(2 * shape.height, device=dev) / 2 - 0.25

        fine = world_rays(cameras.part(views - inserts, views + scenes), fine_x, fine_y)
        made, made_sky, covered = render_scenes(fine, bank.skies, bank.tiles, g, inserts, 4 * RAYS)
        made[:inserts] *= covered[:inserts, ..., None]
        made = F.avg_pool2d(made.permute(0, 3, 1, 2), 2).permute(0, 2, 3, 1)
        made_sky, covered = F.avg_pool2d(made_sky, 2), F.avg_pool2d(covered[:inserts], 2)
        level = torch.exp(torch.log(radiance[-inserts:].clamp(1e-3, 1e3)).mean((1, 2, 3), keepdim=True)) * 2.5
        radiance[-inserts:] = radiance[-inserts:] * (1 - covered[..., None]) + made[:inserts] * level
        sky[-inserts:] = sky[-inserts:] * (1 - covered)
        radiance, sky = torch.cat([radiance, made[inserts:]]), torch.cat([sky, made_sky[inserts:]])
        known = torch.cat([known, torch.ones(scenes, device=dev)])
    if photos and bank.photos is not None:
        below = ground_views(d[drawn : drawn + grounds], cameras.part(drawn, drawn + grounds), bank.photos, g)
        shown, shown_sky, shown_known = photo_views(photos, shape, bank.photos, g)
        radiance, sky = torch.cat([radiance, below, shown]), torch.cat([sky, torch.zeros_like(below[..., 0]), shown_sky])
        known = torch.cat([known, torch.ones(grounds + photos, device=dev)])
        sky_pixels = torch.cat([torch.ones(drawn + grounds, *sky.shape[1:], device=dev), shown_known])
        pose_known[drawn + grounds :] = 0
    else:
        sky_pixels = torch.ones_like(sky)
    if not held_out:
        radiance, sky = occlude(radiance, sky, g, 0.2)
    latitude_px = torch.asin(d[..., 2].clamp(-1, 1))
    pictures = develop(radiance, sky, latitude_px, bank.strips, g, dice, 0.5 if held_out else 1.0)
    up, latitude, weight = truth_fields(cameras)
    width, height = shape.padded
    pad = (0, width - shape.width, 0, height - shape.height)
    pictures = F.pad(pictures, pad, mode="reflect")
    sky_weight = F.pad(known[:, None, None] * sky_pixels, pad)
    sky = F.pad(sky, pad)
    view = cameras.half_angle()
    plain = (pose_known > 0) & ~cameras.fisheye
    told = plain & (torch.rand(n, generator=g, device=dev) < HINT_SHARE)
    guess = view + torch.randn(n, generator=g, device=dev) * HINT_SD
    hint = torch.stack([guess, torch.ones_like(guess)], -1) * told[:, None]
    return Batch(
        pictures, up.permute(0, 3, 1, 2), latitude, weight * pose_known[:, None, None],
        F.avg_pool2d(sky[:, None], 2)[:, 0], F.avg_pool2d(sky_weight[:, None], 2)[:, 0].floor(), cameras, place,
        hint, view, (plain & ~told).float(), cameras.turned(), pose_known,
    )  # fmt: skip


def network_loss(fields: Fields, batch: Batch) -> tuple[Tensor, dict[str, Tensor]]:
    """Negative log likelihoods of up (von Mises with a uniform part), latitude and angle of view (Laplace), the
    sky and how the picture is turned."""
    weight = batch.pose_weight
    total = weight.sum().clamp_min(1)
    cosine = (fields.up * batch.up).sum(1)
    kappa = torch.exp(fields.log_kappa)
    log_von_mises = kappa * (cosine - 1) - torch.log(torch.special.i0e(kappa)) - math.log(2 * math.pi)
    mixed = torch.logaddexp(
        log_von_mises + math.log(1 - UNIFORM_SHARE),
        torch.full_like(log_von_mises, math.log(UNIFORM_SHARE / (2 * math.pi))),
    )
    up_loss = -(mixed * weight).sum() / total
    off = (fields.latitude - batch.latitude).abs()
    latitude_loss = ((off * torch.exp(-fields.log_scale) + fields.log_scale + math.log(2)) * weight).sum() / total
    sky = batch.sky[:, None]
    edge = F.max_pool2d(sky, 7, 1, 3) - (-F.max_pool2d(-sky, 7, 1, 3))
    sky_weight = batch.sky_weight * (1 + 2 * edge[:, 0])
    each = F.binary_cross_entropy_with_logits(fields.sky, batch.sky, reduction="none")
    sky_loss = (each * sky_weight).sum() / sky_weight.sum().clamp_min(1)
    off = (fields.view - batch.view).abs()
    wide = (off * torch.exp(-fields.log_view_scale) + fields.log_view_scale + math.log(2)) * batch.view_weight
    view_loss = wide.sum() / batch.view_weight.sum().clamp_min(1)
    turned = F.cross_entropy(fields.turned, batch.turned, reduction="none") * batch.pose_known
    turned_loss = turned.sum() / batch.pose_known.sum().clamp_min(1)
    parts = {"up": up_loss, "latitude": latitude_loss, "sky": sky_loss, "view": view_loss, "turned": turned_loss}
    return up_loss + latitude_loss + 4 * sky_loss + 0.3 * view_loss + 0.2 * turned_loss, parts


@torch.no_grad()
def judge(network: FieldNetwork, bank: Bank, device: torch.device, batches: int = 10, size: int = 64) -> dict[str, float]:
    """Errors of the fields and of the sky on places held out."""
    network.eval()
    torch.compiler.set_stance("force_eager")  # other batch sizes: compiling for them would take longer
    g, dice = torch.Generator(device=device).manual_seed(99), torch.Generator().manual_seed(99)
    rows: dict[str, list[Tensor]] = {}
    for number in range(batches):
        batch = make_batch(size, SHAPES[number % 2], bank, g, dice, held_out=True)
        untold = network(batch.pictures, torch.zeros_like(batch.hint))
        plain = ~batch.cameras.fisheye
        rows.setdefault("view_off_percent", []).append(100 * (untold.view - batch.view).abs()[plain])
        rows.setdefault("latitude_deg_untold", []).append(
            torch.rad2deg((untold.latitude - batch.latitude).abs())[batch.pose_weight > 0]
        )
        rows.setdefault("turned_wrong_percent", []).append(100 * (untold.turned.argmax(1) != batch.turned).float())
        fields = network(batch.pictures, torch.stack([batch.view, torch.ones_like(batch.view)], -1) * plain[:, None])
        inside = batch.pose_weight > 0
        angle = torch.rad2deg(torch.acos((fields.up * batch.up).sum(1).clamp(-1, 1)))
        off = torch.rad2deg((fields.latitude - batch.latitude).abs())
        country = torch.tensor([bank.panoramas.kinds[int(i)] == "country" for i in batch.place], device=device)
        for name, these in (("built", ~country), ("country", country)):
            if bool(these.any()):
                rows.setdefault(f"up_deg_{name}", []).append(angle[these][inside[these]])
                rows.setdefault(f"latitude_deg_{name}", []).append(off[these][inside[these]])
        seen = batch.sky_weight > 0
        wrong = ((fields.sky > 0) != (batch.sky > 0.5)) & seen
        rows.setdefault("sky_wrong", []).append((wrong.sum((1, 2)) / seen.sum((1, 2)).clamp_min(1))[seen.any(2).any(1)])
    shares = ("sky_wrong", "turned_wrong_percent")
    result = {k: float(torch.cat(v).float().median()) for k, v in rows.items() if k not in shares}
    result["sky_wrong_percent"] = float(torch.cat(rows["sky_wrong"]).float().mean()) * 100
    result["turned_wrong_percent"] = float(torch.cat(rows["turned_wrong_percent"]).mean())
    torch.compiler.set_stance("default")
    network.train()
    return result


@torch.no_grad()
def embedding_statistics(
    network: FieldNetwork, bank: Bank, device: torch.device, size: int, batches: int = 24
) -> tuple[Tensor, Tensor]:
    """Mean and inverse covariance of the embedding over training views, for the in-distribution score."""
    network.eval()
    g, dice = torch.Generator(device=device).manual_seed(7), torch.Generator().manual_seed(7)
    rows = []
    for number in range(batches):
        batch = make_batch(size, SHAPES[number % len(SHAPES)], bank, g, dice)
        rows.append(network(batch.pictures, batch.hint).embedding)
    embeddings = torch.cat(rows).double()
    mean = embeddings.mean(0)
    away = embeddings - mean
    covariance = away.T @ away / len(embeddings)
    covariance += torch.eye(len(mean), device=device) * covariance.diagonal().mean() * 0.02
    network.train()
    return mean.float(), torch.linalg.inv(covariance).float()


def load_bank(packed: Path, split: str, device: torch.device, g: torch.Generator, seed: int) -> tuple[Bank, Bank]:
    """What training draws from, and the same with the places held out."""
    stack = load_stack(packed, split, device)
    made = torch.cat([random_skies(16, g) for _ in range(12 if device.type == "cuda" else 2)])
    photographed = real_skies(stack, *made.shape[1:3])
    if len(photographed):
        times = max(1, round(REAL_SKIES / (1 - REAL_SKIES) * len(made) / len(photographed)))
        made = torch.cat([made, photographed.repeat(times, 1, 1, 1)])
    tiles, strips = noise_tiles(32, 256, g), text_strips(64, seed).to(device)
    held = Bank(load_stack(packed, "held out", device), made, tiles, strips, None)
    return Bank(stack, made, tiles, strips, load_photos(packed, device)), held


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--packed", type=Path, default=Path(".train"), help="folder that prepare.py wrote")
    parser.add_argument("-o", "--output", type=Path, required=True)
    parser.add_argument("--minutes", type=float, default=8.0, help="length of the schedule")
    parser.add_argument("--wall", type=float, default=1e6, help="seconds after which this process stops and saves; the"
                        " same command goes on from there")  # fmt: skip
    parser.add_argument("--batch", type=int, default=128, help="views a step and GPU")
    parser.add_argument("--rate", type=float, default=2e-3, help="peak learning rate")
    parser.add_argument("--drop", type=float, default=0.1, help="share of residual branches left out, deepest stage")
    parser.add_argument("--decay", type=float, default=0.05, help="weight decay")
    parser.add_argument("--split", choices=("train", "all"), default="train", help="places to learn from")
    parser.add_argument("--backbone", type=Path, help="ImageNet weights; by default backbone.pt in the packed folder")
    parser.add_argument("--resume", type=Path, help="state.pt of an earlier run, to start from")
    parser.add_argument("--seed", type=int, default=20261125)
    given = parser.parse_args()
    start = time.monotonic()
    world, rank = int(os.environ.get("WORLD_SIZE", 1)), int(os.environ.get("RANK", 0))
    device = torch.device("cuda", rank) if torch.cuda.is_available() else torch.device("cpu")
    if world > 1:
        torch.cuda.set_device(device)
        torch.distributed.init_process_group("nccl", device_id=device)
    torch.backends.cudnn.benchmark = False
    torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    given.output.mkdir(parents=True, exist_ok=True)
    unfinished = given.output / "unfinished.pt"
    state = torch.load(unfinished, map_location=device) if unfinished.exists() else None
    step = int(state["step"]) if state else 0
    seconds, before = given.minutes * 60, float(state["seconds"]) if state else 0.0
    torch.manual_seed(given.seed)
    g = torch.Generator(device=device).manual_seed(given.seed)
    bank, held = load_bank(given.packed, given.split, device, g, given.seed)
    g.manual_seed(given.seed + 1000 * rank + 7 * step)
    dice = torch.Generator().manual_seed(given.seed + step)
    torch.manual_seed(given.seed + rank + step)
    network = FieldNetwork(drop=given.drop).to(device)
    if given.resume and state is None:
        network.load_state_dict({k: v.float() for k, v in torch.load(given.resume, map_location=device).items()})
    elif state is None:
        load_backbone(network, torch.load(given.backbone or given.packed / "backbone.pt", map_location=device))
    network.to(memory_format=torch.channels_last)
    average = copy.deepcopy(network)
    backbone = [p for name, p in network.named_parameters() if name.startswith(("stem", "stages"))]
    rest = [p for name, p in network.named_parameters() if not name.startswith(("stem", "stages"))]
    groups = [{"params": backbone, "share": 0.5}, {"params": rest, "share": 1.0}]
    optimiser = torch.optim.AdamW(groups, lr=given.rate, weight_decay=given.decay, betas=(0.9, 0.98),
                                  fused=device.type == "cuda")  # fmt: skip
    if state:
        network.load_state_dict(state["network"])
        average.load_state_dict(state["average"])
        optimiser.load_state_dict(state["optimiser"])
    smooth = [t for t in average.state_dict().values() if t.dtype.is_floating_point]
    fresh = [t for t in network.state_dict().values() if t.dtype.is_floating_point]
    model: torch.nn.Module = network
    if world > 1:
        model = torch.nn.parallel.DistributedDataParallel(network, device_ids=[rank])
    network.train()
    log = (given.output / f"log{rank}.csv").open("a", newline="")
    writer = csv.writer(log)
    loop = began = time.monotonic()
    stop = torch.zeros(2, device=device)
    done_all, wall_all = before / seconds, 0.0
    while True:
        now = time.monotonic()
        done, wall = (before + now - began) / seconds, (now - start) / given.wall
        if world == 1:
            done_all, wall_all = done, wall
        elif step % 10 == 0:
            stop.copy_(torch.tensor([done, wall]))
            torch.distributed.broadcast(stop, 0)
            done_all, wall_all = stop.tolist()
        if done_all >= 1 or wall_all >= 1:
            break
        warm = min(1.0, (step + 1) / 300)
        rate = given.rate * warm * (0.5 * (1 + math.cos(math.pi * min(done_all, 1.0))) * 0.99 + 0.01)
        for group in optimiser.param_groups:
            group["lr"] = rate * group["share"]
        shape = SHAPES[int(torch.multinomial(torch.tensor(SHAPE_SHARE), 1, generator=dice))]
        with torch.no_grad():
            batch = make_batch(given.batch, shape, bank, g, dice)
        pictures = batch.pictures.contiguous(memory_format=torch.channels_last)
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            fields = model(pictures, batch.hint)
        loss, parts = network_loss(fields, batch)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), 3.0)
        optimiser.step()
        step += 1
        with torch.no_grad():
            torch._foreach_lerp_(smooth, fresh, 1 - min(0.999, step / (step + 20)))
        if step % 100 == 0:
            now = time.monotonic()
            shown = {k: round(float(v.detach()), 4) for k, v in parts.items()}
            each, loop = (now - loop) / 100, now
            writer.writerow([step, f"{before + now - began:.1f}", *shown.values(), f"{each * 1e3:.1f}"])
            log.flush()
            if rank == 0:
                print(f"step {step} {before + now - began:.0f} s, {each * 1e3:.0f} ms a step, {shown}", flush=True)
        if step % 2500 == 0 and rank == 0:
            print(json.dumps(judge(average, held, device)), flush=True)
    spent = before + time.monotonic() - began
    if rank == 0:
        torch.save({k: v.half() for k, v in average.state_dict().items()}, given.output / "state.pt")
        torch.save({"step": step, "seconds": spent, "network": network.state_dict(), "average": average.state_dict(),
                    "optimiser": optimiser.state_dict()}, unfinished)  # fmt: skip
    if rank == 0 and done_all >= 1:
        figures = judge(average, held, device, 30 if device.type == "cuda" else 1, 64 if device.type == "cuda" else 8)
        figures |= {"steps": step, "views": step * given.batch * world, "minutes": spent / 60}
        print(json.dumps(figures), flush=True)
        (given.output / "figures.json").write_text(json.dumps(figures, indent=1))
        mean, precision = embedding_statistics(average, bank, device, given.batch, 24 if device.type == "cuda" else 2)
        export_onnx(average, mean, precision, given.output / "fields.onnx")
    if world > 1:
        torch.distributed.barrier()
        torch.distributed.destroy_process_group()


if __name__ == "__main__":
    main()
