"""Trains the network that orientation and sky share, and writes it as ONNX.

``python -m audit.measure.training.train --packed .train --minutes 8 -o OUT`` on a machine with a GPU, or with
``--minutes 20 --batch 16`` on a CPU; ``torchrun --nproc-per-node 2 -m audit.measure.training.train …`` uses two
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

from audit.measure.training.augment import develop, text_strips
from audit.measure.training.cameras import SHAPES, Cameras, Shape, random_cameras, truth_fields, world_rays
from audit.measure.training.export import export_onnx
from audit.measure.training.model import FieldNetwork, Fields, load_backbone
from audit.measure.training.panoramas import PanoramaStack, load_stack, render_panoramas
from audit.measure.training.photographs import PhotoStack, load_photos, photo_views
from audit.measure.training.scenes import render_scenes
from audit.measure.training.skies import noise_tiles, random_skies

__all__ = ["Batch", "main", "make_batch", "network_loss"]

SHAPE_SHARE = (0.6, 0.24, 0.16)
SCENE_SHARE, PHOTO_SHARE = 0.15, 0.12
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


def make_batch(
    n: int, shape: Shape, bank: Bank, g: torch.Generator, held_out: bool = False
) -> Batch:
    """Renders a batch; ``held_out`` shows panoramas alone, as they are, through milder cameras."""
    dev = g.device
    scenes = 0 if held_out else round(n * SCENE_SHARE)
    photos = 0 if held_out or bank.photos is None else round(n * PHOTO_SHARE)
    views = n - scenes - photos
    cameras = random_cameras(n, shape, g)
    x = torch.arange(shape.width, device=dev, dtype=torch.float32)
    y = torch.arange(shape.height, device=dev, dtype=torch.float32)
    d = world_rays(cameras, x, y)
    place = torch.multinomial(bank.panoramas.weight, views, True, generator=g)
    radiance, sky = render_panoramas(d[:views], place, bank.panoramas, bank.skies, g, 0.0 if held_out else 0.45,
                                     not held_out)  # fmt: skip
    known = bank.panoramas.sky_known[place].float()
    pose_known = torch.ones(n, device=dev)
    if scenes:
        # twice as fine, then averaged: the edges of ray-cast boxes must not be stairs
        fine_x = torch.arange(2 * shape.width, device=dev) / 2 - 0.25
        fine_y = torch.arange(2 * shape.height, device=dev) / 2 - 0.25
        part = Cameras(shape, *(getattr(cameras, name)[views : views + scenes] for name in
                       ("focal_px", "k1", "fisheye", "pitch", "roll", "rotation", "up")))  # fmt: skip
        made, made_sky = render_scenes(world_rays(part, fine_x, fine_y), bank.skies, bank.tiles, g)
        made = F.avg_pool2d(made.clamp(0, 20).permute(0, 3, 1, 2), 2).permute(0, 2, 3, 1)
        radiance = torch.cat([radiance, made])
        sky = torch.cat([sky, F.avg_pool2d(made_sky[:, None], 2)[:, 0]])
        known = torch.cat([known, torch.ones(scenes, device=dev)])
    if photos and bank.photos is not None:
        shown, shown_sky, shown_known = photo_views(photos, shape, bank.photos, g)
        radiance, sky = torch.cat([radiance, shown]), torch.cat([sky, shown_sky])
        known = torch.cat([known, torch.ones(photos, device=dev)])
        sky_pixels = torch.cat([torch.ones(views + scenes, *sky.shape[1:], device=dev), shown_known])
        pose_known[views + scenes :] = 0
    else:
        sky_pixels = torch.ones_like(sky)
    latitude_px = torch.asin(d[..., 2].clamp(-1, 1))
    pictures = develop(radiance, sky, latitude_px, bank.strips, g, 0.5 if held_out else 1.0)
    up, latitude, weight = truth_fields(cameras)
    width, height = shape.padded
    pad = (0, width - shape.width, 0, height - shape.height)
    pictures = F.pad(pictures, pad, mode="reflect")
    sky_weight = F.pad(known[:, None, None] * sky_pixels, pad)
    sky = F.pad(sky, pad)
    return Batch(
        pictures, up.permute(0, 3, 1, 2), latitude, weight * pose_known[:, None, None],
        F.avg_pool2d(sky[:, None], 2)[:, 0], F.avg_pool2d(sky_weight[:, None], 2)[:, 0].floor(), cameras, place,
    )  # fmt: skip


def network_loss(fields: Fields, batch: Batch) -> tuple[Tensor, dict[str, Tensor]]:
    """Negative log likelihoods of up (von Mises with a uniform part) and latitude (Laplace), and the sky's."""
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
    return up_loss + latitude_loss + 4 * sky_loss, {"up": up_loss, "latitude": latitude_loss, "sky": sky_loss}


@torch.no_grad()
def judge(network: FieldNetwork, bank: Bank, device: torch.device, batches: int = 10, size: int = 64) -> dict[str, float]:
    """Errors of the fields and of the sky on places held out."""
    network.eval()
    g = torch.Generator(device=device).manual_seed(99)
    rows: dict[str, list[Tensor]] = {}
    for number in range(batches):
        batch = make_batch(size, SHAPES[number % 2], bank, g, held_out=True)
        fields = network(batch.pictures)
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
    result = {k: float(torch.cat(v).float().median()) for k, v in rows.items() if k != "sky_wrong"}
    result["sky_wrong_percent"] = float(torch.cat(rows["sky_wrong"]).float().mean()) * 100
    network.train()
    return result


@torch.no_grad()
def embedding_statistics(network: FieldNetwork, bank: Bank, device: torch.device, batches: int = 24) -> tuple[Tensor, Tensor]:
    """Mean and inverse covariance of the embedding over training views, for the in-distribution score."""
    network.eval()
    g = torch.Generator(device=device).manual_seed(7)
    size = 64 if device.type == "cuda" else 8
    all_ = torch.cat([network(make_batch(size, SHAPES[i % len(SHAPES)], bank, g).pictures).embedding for i in range(batches)])
    all_ = all_.double()
    mean = all_.mean(0)
    away = all_ - mean
    covariance = away.T @ away / len(all_)
    covariance += torch.eye(len(mean), device=device) * covariance.diagonal().mean() * 0.02
    network.train()
    return mean.float(), torch.linalg.inv(covariance).float()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--packed", type=Path, default=Path(".train"), help="folder that prepare.py wrote")
    parser.add_argument("-o", "--output", type=Path, required=True)
    parser.add_argument("--minutes", type=float, default=8.0)
    parser.add_argument("--batch", type=int, default=128, help="views a step and GPU")
    parser.add_argument("--rate", type=float, default=2e-3, help="peak learning rate")
    parser.add_argument("--backbone", type=Path, help="ImageNet weights; by default backbone.pt in the packed folder")
    parser.add_argument("--resume", type=Path, help="state.pt of an earlier run, to go on from")
    parser.add_argument("--seed", type=int, default=20261125)
    given = parser.parse_args()
    start = time.monotonic()
    world, rank = int(os.environ.get("WORLD_SIZE", 1)), int(os.environ.get("RANK", 0))
    device = torch.device("cuda", rank) if torch.cuda.is_available() else torch.device("cpu")
    if world > 1:
        torch.cuda.set_device(device)
        torch.distributed.init_process_group("nccl", device_id=device)
    torch.manual_seed(given.seed)
    torch.backends.cudnn.benchmark = False
    torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    given.output.mkdir(parents=True, exist_ok=True)
    g = torch.Generator(device=device).manual_seed(given.seed + 1000 * rank)
    shape_draw = torch.Generator().manual_seed(given.seed)
    skies = torch.cat([random_skies(16, g) for _ in range(12 if device.type == "cuda" else 2)])
    photos = load_photos(given.packed, device)
    bank = Bank(load_stack(given.packed, "train", device), skies, noise_tiles(32, 256, g),
                text_strips(64, given.seed).to(device), photos)  # fmt: skip
    held = Bank(load_stack(given.packed, "held out", device), skies, bank.tiles, bank.strips, None)
    network = FieldNetwork().to(device)
    if given.resume:
        network.load_state_dict({k: v.float() for k, v in torch.load(given.resume, map_location=device).items()})
    else:
        load_backbone(network, torch.load(given.backbone or given.packed / "backbone.pt", map_location=device))
    network.to(memory_format=torch.channels_last)
    average = copy.deepcopy(network)
    smooth = [t for t in average.state_dict().values() if t.dtype.is_floating_point]
    fresh = [t for t in network.state_dict().values() if t.dtype.is_floating_point]
    backbone = [p for name, p in network.named_parameters() if name.startswith(("stem", "stages"))]
    rest = [p for name, p in network.named_parameters() if not name.startswith(("stem", "stages"))]
    groups = [{"params": backbone, "share": 0.5}, {"params": rest, "share": 1.0}]
    optimiser = torch.optim.AdamW(groups, lr=given.rate, weight_decay=0.03, betas=(0.9, 0.98))
    model: torch.nn.Module = network
    if world > 1:
        model = torch.nn.parallel.DistributedDataParallel(network, device_ids=[rank])
    network.train()
    log = (given.output / f"log{rank}.csv").open("w", newline="")
    writer = csv.writer(log)
    seconds, step, shown, loop = given.minutes * 60, 0, {"up": 0.0, "latitude": 0.0, "sky": 0.0}, time.monotonic()
    stop = torch.zeros(1, device=device)
    while True:
        done = (time.monotonic() - start) / seconds
        if world > 1 and step % 20 == 0:
            stop.fill_(done)
            torch.distributed.broadcast(stop, 0)
            done_all = float(stop)
        elif world == 1:
            done_all = done
        if done_all >= 1:
            break
        warm = min(1.0, (step + 1) / 300)
        rate = given.rate * warm * (0.5 * (1 + math.cos(math.pi * min(done, 1.0))) * 0.99 + 0.01)
        for group in optimiser.param_groups:
            group["lr"] = rate * group["share"]
        shape = SHAPES[int(torch.multinomial(torch.tensor(SHAPE_SHARE), 1, generator=shape_draw))]
        with torch.no_grad():
            batch = make_batch(given.batch, shape, bank, g)
        pictures = batch.pictures.contiguous(memory_format=torch.channels_last)
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            fields = model(pictures)
        loss, parts = network_loss(fields, batch)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), 3.0)
        optimiser.step()
        step += 1
        with torch.no_grad():
            keep = min(0.999, step / (step + 20))
            torch._foreach_lerp_(smooth, fresh, 1 - keep)
        if step % 100 == 0:
            now = time.monotonic()
            shown = {k: float(v.detach()) for k, v in parts.items()}
            each = (now - loop) / 100
            loop = now
            writer.writerow([step, f"{now - start:.1f}", *(f"{v:.4f}" for v in shown.values()), f"{each * 1e3:.1f}"])
            log.flush()
            if rank == 0:
                print(f"step {step} {now - start:.0f} s, {each * 1e3:.0f} ms a step, {shown}", flush=True)
        if step % 1500 == 0 and rank == 0:
            print(json.dumps(judge(average, held, device)), flush=True)
            torch.save({k: v.half() for k, v in average.state_dict().items()}, given.output / "state.pt")
            loop = time.monotonic()
    if rank == 0:
        torch.save({k: v.half() for k, v in average.state_dict().items()}, given.output / "state.pt")
        figures = judge(average, held, device, 30 if device.type == "cuda" else 2)
        figures |= {"steps": step, "views": step * given.batch * world, "minutes": given.minutes}
        print(json.dumps(figures), flush=True)
        (given.output / "figures.json").write_text(json.dumps(figures, indent=1))
        mean, precision = embedding_statistics(average, bank, device, 24 if device.type == "cuda" else 12)
        export_onnx(average, mean, precision, given.output / "fields.onnx")
    if world > 1:
        torch.distributed.barrier()
        torch.distributed.destroy_process_group()


if __name__ == "__main__":
    main()
