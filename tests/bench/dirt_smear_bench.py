"""Smears against the reference: found at the cut, by kind and thickness, on photographs and on real pairs.

    python tests/bench/dirt_smear_bench.py [--photos PHOTOS] [--real FOLDER] [--count N]

``--photos``: photographs of the part ``check``, both pictures in nearly one light. ``--real``: clean pairs of real fixed cameras
(``pairs.csv`` as for ``real_pairs_bench.py``), smears drawn on the later picture. The smears (``check_smears``) are drawn for
this alone. Each pair is judged without a smear too: what is called dirty then is a false alarm.
"""

from __future__ import annotations

import argparse
import csv
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from sklearn.metrics import roc_auc_score

from audit.judge.limits import load_limits
from audit.measure.view import compare
from tests.bench.real_pairs_bench import read
from training.dirt.check_smears import SMEARS, STRENGTHS, smear
from training.dirt.photographs import photographs
from training.dirt.scene import cut_view

Pixels = NDArray[np.uint8]
CUT = load_limits().cleanliness.reference_look


def light_of(pixels: Pixels) -> NDArray[np.float32]:
    return np.asarray((pixels.astype(np.float32) / 255) ** 2.2, np.float32)


def taken(light: NDArray[np.float32], rng: np.random.Generator, noise: float) -> Pixels:
    """A picture of linear light: noise, tone, JPEG."""
    grain = rng.normal(size=light.shape) * noise * np.sqrt(light.clip(0, 1) + 0.02)
    values = ((light + grain).clip(0, 1) ** (1 / 2.2) * 255).round().astype(np.uint8)
    done, data = cv2.imencode(".jpg", values[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 90])
    assert done
    return np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1])


def photographed(folder: Path) -> Iterator[tuple[str, Pixels, NDArray[np.float32], float]]:
    """Place, reference, today's light and its noise: one view of each photograph, exposed a little otherwise."""
    for index, (name, pixels) in enumerate(photographs(folder, "check")):
        rng = np.random.default_rng((41, index))
        scene = cut_view(pixels, 640, rng).seen()
        yield name, taken(scene, rng, 0.006), scene * np.float32(np.exp(rng.normal() * 0.12)), 0.006


def really(folder: Path, step: int) -> Iterator[tuple[str, Pixels, NDArray[np.float32], float]]:
    with (folder / "pairs.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["truth"].startswith("clean")]
    for row in rows[::step]:
        yield row["camera"], read(folder / row["reference"]), light_of(read(folder / row["today"])), 0.0


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--photos", type=Path)
    parser.add_argument("--real", type=Path)
    parser.add_argument("--step", type=int, default=1, help="every n-th real pair")
    parser.add_argument("--only", nargs="*", default=[], help="cameras to count alone, by the start of their name")
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    sets = {"nearly one light": photographed(arguments.photos) if arguments.photos else (),
            "real pairs": really(arguments.real, arguments.step) if arguments.real else ()}
    cases = [(kind, strength) for strength in STRENGTHS for kind in SMEARS]
    for title, pairs in sets.items():
        rows: list[tuple[str, str, float]] = []
        for index, (camera, reference, light, noise) in enumerate(pairs):
            if arguments.only and not camera.startswith(tuple(arguments.only)):
                continue
            rng = np.random.default_rng((43, index))
            clean = compare(reference, taken(light, rng, noise)).dirt_probability
            if clean is None:
                continue
            rows.append(("clean", "", clean))
            for kind, strength in (cases[(2 * index + shift) % len(cases)] for shift in (0, 7)):
                found = compare(reference, taken(smear(light, kind, strength, rng)[0], rng, noise)).dirt_probability
                rows.append((kind, strength, 0.0 if found is None else found))
        if rows:
            tell(title, rows)


def tell(title: str, rows: list[tuple[str, str, float]]) -> None:
    kinds, strengths = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
    p = np.array([r[2] for r in rows])
    dirty = kinds != "clean"
    strict = np.quantile(p[~dirty], 0.99)
    print(f"{title}: {(~dirty).sum()} clean, {dirty.sum()} smeared; AUROC {roc_auc_score(dirty, p):.3f}, found at 1 % false "
          f"{(p[dirty] > strict).mean():.2f}, at the cut {(p[dirty] >= CUT).mean():.2f}; clean called dirty {(p[~dirty] >= CUT).mean():.3f}")
    for names, values in ((SMEARS, kinds), (tuple(STRENGTHS), strengths)):
        print("  " + ", ".join(f"{name} {(p[values == name] >= CUT).mean():.2f} ({(values == name).sum()})" for name in names))


if __name__ == "__main__":
    main()
