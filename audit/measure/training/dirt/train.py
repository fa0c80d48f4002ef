"""Trains the networks of :mod:`audit.measure.cell_net` on rendered examples and writes their weights.

    python -m audit.measure.training.dirt.train PHOTOS OUT --count 12000 --workers 16 --steps 4000

Needs JAX (any device). Photographs are split by name; only the part ``train`` is used, ``tune`` sets the temperature.
Two networks come out: ``dirt_pair.npz`` (today against the reference) and ``dirt_single.npz`` (one image).
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import jax
import jax.numpy as jnp
import numpy as np
from numpy.typing import NDArray

ROWS, COLUMNS = 30, 40
WIDTH = 24
DILATIONS = (1, 2, 4)
CLASSES = 7
SOILED_FROM, CLEAN_BELOW = 0.35, 0.03
Params = dict[str, Any]


def start(layers: int, seed: int) -> Params:
    """Random weights."""
    rng = np.random.default_rng(seed)

    def dense(shape: tuple[int, ...], fan_in: int) -> NDArray[np.float32]:
        return rng.normal(0, np.sqrt(2 / fan_in), shape).astype(np.float32)

    w: Params = {"in_w": dense((layers, WIDTH), layers), "in_b": np.zeros(WIDTH, np.float32),
                 "global_w": dense((2 * WIDTH, WIDTH), 2 * WIDTH) * 0.3, "global_b": np.zeros(WIDTH, np.float32),
                 "cell_w": dense((WIDTH, CLASSES + 1), WIDTH) * 0.3, "cell_b": np.zeros(CLASSES + 1, np.float32)}
    features = 2 * WIDTH + 2 * CLASSES
    w |= {"image0_w": dense((features, 48), features) * 0.5, "image0_b": np.zeros(48, np.float32),
          "image1_w": dense((48, CLASSES), 48) * 0.3, "image1_b": np.zeros(CLASSES, np.float32)}
    for step in range(len(DILATIONS)):
        w[f"conv{step}_w"] = dense((3, 3, WIDTH, WIDTH), 9 * WIDTH) * 0.5
        w[f"conv{step}_b"] = np.zeros(WIDTH, np.float32)
    return {key: jnp.asarray(value) for key, value in w.items()}


def forward(w: Params, x: jax.Array, valid: jax.Array) -> tuple[jax.Array, jax.Array]:
    """Logits of cells (B, R, C, 8) and images (B, 7); the same as :func:`audit.measure.cell_net._forward`."""
    mask = valid[..., None].astype(jnp.float32)
    count = jnp.maximum(mask.sum(axis=(1, 2)), 1.0)

    def pooled(h: jax.Array) -> jax.Array:
        return jnp.concatenate([(h * mask).sum(axis=(1, 2)) / count,
                                jnp.where(mask > 0, h, -1e3).max(axis=(1, 2))], axis=1)

    h = jax.nn.relu(x @ w["in_w"] + w["in_b"]) * mask
    for step, dilation in enumerate(DILATIONS):
        grown = jax.lax.conv_general_dilated(h, w[f"conv{step}_w"], (1, 1), "SAME", rhs_dilation=(dilation, dilation),
                                             dimension_numbers=("NHWC", "HWIO", "NHWC"))
        h = (h + jax.nn.relu(grown + w[f"conv{step}_b"])) * mask
        if step == 0:
            h = (h + jax.nn.relu(pooled(h) @ w["global_w"] + w["global_b"])[:, None, None]) * mask
    cells = h @ w["cell_w"] + w["cell_b"]
    kinds = cells[..., :-1]
    share = (jax.nn.softmax(kinds) * mask).sum(axis=(1, 2)) / count
    strongest = jnp.where(mask > 0, kinds, -1e3).max(axis=(1, 2))
    features = jnp.concatenate([pooled(h), share, strongest * 0.1], axis=1)
    return cells, jax.nn.relu(features @ w["image0_w"] + w["image0_b"]) @ w["image1_w"] + w["image1_b"]


def loss(w: Params, batch: dict[str, jax.Array], key: jax.Array) -> jax.Array:
    """Cell and image cross entropy, with some layers blanked at random."""
    x = batch["x"]
    keep = jax.random.bernoulli(key, 0.94, (x.shape[0], 1, 1, x.shape[3]))
    cells, image = forward(w, x * keep, batch["valid"])
    log_p = jax.nn.log_softmax(cells[..., :-1])
    kind = batch["kind"][:, None, None]
    dirty = (batch["soiled"] > SOILED_FROM) & (kind > 0)
    clean = batch["soiled"] < CLEAN_BELOW
    counts = (dirty | clean) & batch["valid"]
    label = jnp.where(dirty, kind, 0)
    each = -jnp.take_along_axis(log_p, label[..., None], axis=3)[..., 0]
    weight = counts * jnp.where(dirty, 2.0, 1.0)
    by_cell = (each * weight).sum() / jnp.maximum(weight.sum(), 1)
    hidden = cells[..., -1]
    blocked = batch["blocked"]
    bce = jnp.maximum(hidden, 0) - hidden * blocked + jnp.log1p(jnp.exp(-jnp.abs(hidden)))
    by_hidden = (bce * batch["valid"]).sum() / jnp.maximum(batch["valid"].sum(), 1)
    by_image = -jnp.take_along_axis(jax.nn.log_softmax(image), batch["kind"][:, None], axis=1).mean()
    decay = sum((value**2).sum() for name, value in w.items() if name.endswith("_w"))
    return by_image + 0.7 * by_cell + 0.3 * by_hidden + 2e-5 * decay


@jax.jit
def update(w: Params, m: Params, v: Params, step: jax.Array, rate: jax.Array, batch: dict[str, jax.Array],
           key: jax.Array) -> tuple[Params, Params, Params, jax.Array]:
    """One step of Adam."""
    value, slope = jax.value_and_grad(loss)(w, batch, key)
    norm = jnp.sqrt(sum((g**2).sum() for g in slope.values()))
    slope = {k: g * jnp.minimum(1.0, 5.0 / (norm + 1e-6)) for k, g in slope.items()}
    m = {k: 0.9 * m[k] + 0.1 * g for k, g in slope.items()}
    v = {k: 0.999 * v[k] + 0.001 * g * g for k, g in slope.items()}
    fix1, fix2 = 1 - 0.9**step, 1 - 0.999**step
    w = {k: w[k] - rate * (m[k] / fix1) / (jnp.sqrt(v[k] / fix2) + 1e-8) for k in w}
    return w, m, v, value


def padded(arrays: Sequence[NDArray[Any]]) -> NDArray[Any]:
    """Stacks grids of differing size into (N, [L,] ROWS, COLUMNS)."""
    out = []
    for a in arrays:
        rows, columns = a.shape[-2:]
        pad = [(0, 0)] * (a.ndim - 2) + [(0, ROWS - rows), (0, COLUMNS - columns)]
        out.append(np.pad(a, pad))
    return np.stack(out)


class Data:
    """Examples as padded arrays on the host; layers standardised with the training set's mean and scale."""

    def __init__(self, layers: Sequence[NDArray[Any]], valid: Sequence[NDArray[np.bool_]], kind: Sequence[int],
                 soiled: Sequence[NDArray[Any]], blocked: Sequence[NDArray[Any]]) -> None:
        self.sizes = np.array([a.shape[-2:] for a in layers])
        self.x = padded(layers).transpose(0, 2, 3, 1)
        self.valid, self.kind = padded(valid), np.asarray(kind, np.int32)
        self.soiled, self.blocked = padded(soiled), padded(blocked)

    def statistics(self) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Mean and scale of each layer over valid cells of a sample."""
        chosen = slice(0, min(len(self.x), 1500))
        values = np.nan_to_num(self.x[chosen][self.valid[chosen]].astype(np.float32))
        return values.mean(axis=0), values.std(axis=0) + 1e-3

    def batch(self, index: NDArray[np.int64], mean: NDArray[np.float32], scale: NDArray[np.float32],
              flip: bool) -> dict[str, jax.Array]:
        """One batch, mirrored left to right where ``flip``."""
        rows, columns = self.sizes[index].max(axis=0)
        across = slice(columns - 1, None, -1) if flip else slice(0, columns)
        turn = (slice(None), slice(0, rows), across)
        valid = self.valid[index][turn]
        x = np.nan_to_num(self.x[index][turn].astype(np.float32))
        x = np.clip((x - mean) / scale, -5, 5) * valid[..., None]
        return {"x": jnp.asarray(x), "valid": jnp.asarray(valid), "kind": jnp.asarray(self.kind[index]),
                "soiled": jnp.asarray(self.soiled[index][turn], jnp.float32),
                "blocked": jnp.asarray(self.blocked[index][turn], jnp.float32)}


def fit(data: Data, steps: int, seed: int, batch: int = 32, rate: float = 2e-3) -> Params:
    """Trains one network with a cosine rate; a moving average of the weights is returned."""
    mean, scale = data.statistics()
    w = start(data.x.shape[-1], seed)
    m, v = ({k: jnp.zeros_like(a) for k, a in w.items()} for _ in range(2))
    average = w
    rng = np.random.default_rng(seed)
    alike = [np.flatnonzero((data.sizes == size).all(axis=1)) for size in np.unique(data.sizes, axis=0)]
    share = np.array([len(group) for group in alike]) / len(data.x)
    key = jax.random.key(seed)
    began = time.time()
    for step in range(1, steps + 1):
        index = rng.choice(alike[int(rng.choice(len(alike), p=share))], batch)
        key, now = jax.random.split(key)
        lr = rate * min(1.0, step / 200) * 0.5 * (1 + np.cos(np.pi * step / steps))
        w, m, v, value = update(w, m, v, jnp.float32(step), jnp.float32(lr),
                                data.batch(index, mean, scale, bool(rng.random() < 0.5)), now)
        average = {k: 0.995 * average[k] + 0.005 * w[k] for k in w} if step > 200 else w
        if step % 100 == 0:
            print(f"step {step} loss {float(value):.3f} {time.time() - began:.0f} s", flush=True)
    return average


def logits(w: Params, data: Data, mean: NDArray[np.float32], scale: NDArray[np.float32]) -> NDArray[np.float32]:
    """Image logits (N, 7) of all examples."""
    run = jax.jit(forward)
    out = []
    for begin in range(0, len(data.x), 64):
        part = data.batch(np.arange(begin, min(begin + 64, len(data.x))), mean, scale, False)
        out.append(np.asarray(run(w, part["x"], part["valid"])[1]))
    return np.concatenate(out)


def temperature_of(values: NDArray[np.float32], kind: NDArray[np.int32]) -> float:
    """Temperature that makes the image's clear/dirty probability likeliest."""
    best, chosen = np.inf, 1.0
    for temperature in np.exp(np.linspace(np.log(0.5), np.log(4.0), 60)):
        scaled = values / temperature
        shifted = np.exp(scaled - scaled.max(axis=1, keepdims=True))
        clear = (shifted / shifted.sum(axis=1, keepdims=True))[:, 0].clip(1e-6, 1 - 1e-6)
        cost = -float(np.where(kind == 0, np.log(clear), np.log(1 - clear)).mean())
        if cost < best:
            best, chosen = cost, float(temperature)
    return chosen


def save(path: Path, names: Sequence[str], mean: NDArray[np.float32], scale: NDArray[np.float32],
         members: Sequence[Params], temperature: float) -> None:
    """Writes weights as plain arrays, half precision."""
    arrays: dict[str, Any] = {"names": np.array(names), "mean": mean.astype(np.float32),
                              "scale": scale.astype(np.float32), "members": np.array(len(members)),
                              "temperature": np.array(temperature, np.float32)}
    for index, member in enumerate(members):
        for key, value in member.items():
            value = np.asarray(value)
            if key.startswith("conv"):
                value = value.reshape(-1, value.shape[-1])
            arrays[f"{index}/{key}"] = value.astype(np.float16)
    np.savez_compressed(path, **arrays)


def main() -> None:
    from audit.measure.single import SINGLE_NAMES
    from audit.measure.soiling import PAIR_NAMES
    from audit.measure.training.dirt.examples import render_examples

    parser = argparse.ArgumentParser()
    parser.add_argument("photos", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--count", type=int, default=12000)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--steps", type=int, default=5000)
    parser.add_argument("--members", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    began = time.time()
    train = render_examples(arguments.photos, "train", arguments.seed, arguments.count, arguments.workers)
    tune = render_examples(arguments.photos, "tune", arguments.seed + 1000, max(200, arguments.count // 12),
                           arguments.workers, dirty_share=0.5)
    print(f"rendered {len(train)} + {len(tune)} in {time.time() - began:.0f} s", flush=True)
    for name, names, pick in (("dirt_pair", PAIR_NAMES, "layers"), ("dirt_single", SINGLE_NAMES, "single")):
        sets = [Data([getattr(e, pick) for e in part],
                     [e.valid if pick == "layers" else np.ones_like(e.valid) for e in part],
                     [e.kind for e in part], [e.soiled for e in part], [e.blocked for e in part])
                for part in (train, tune)]
        mean, scale = sets[0].statistics()
        members = [fit(sets[0], arguments.steps, arguments.seed + k, 64) for k in range(arguments.members)]
        values = np.mean([logits(w, sets[1], mean, scale) for w in members], axis=0)
        temperature = temperature_of(values, sets[1].kind)
        print(name, "temperature", round(temperature, 2), flush=True)
        save(arguments.out / f"{name}.npz", names, mean, scale, members, temperature)
    print(f"done in {time.time() - began:.0f} s", flush=True)


if __name__ == "__main__":
    main()
