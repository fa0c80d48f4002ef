"""Figures of the sky over a folder of pictures with masks.

``python tests/bench/sky_bench.py FOLDER [--truth FILE] [--split NAME] [--unknown-hfov] [--per-place N]``

The folder holds pictures and a CSV ``file,mask`` (``hfov_deg``, ``kind``, ``split`` and ``place`` optional); masks are
pictures of the same size, above 192 where there is sky and below 64 where there is none; what lies between isn't
counted. Pictures whose mask covers at most 0.5 % count as without sky. Time is the processor time of the sky and, in brackets, of the network beside it.
"""

from __future__ import annotations

import argparse
import csv
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from audit.lens import Lens
from audit.measure.network import look
from audit.measure.orientation import measure_orientation
from audit.measure.overlay import burned_in, without_overlay
from audit.measure.sky import measure_sky

WITH_SKY = 0.005
FALSE_SKY = 0.02
LEAST_CLEAR = 0.5
"""Pictures of which less is clear are left out."""


@dataclass(frozen=True, slots=True)
class Row:
    """One picture: truth and answer (NaN where none)."""

    kind: str
    place: str
    true: float
    fraction: float
    sd: float
    wrong: float
    overlap: float
    sky_ms: float
    network_ms: float


def measure(folder: Path, truth: Path, args: argparse.Namespace) -> list[Row]:
    """Measures every picture of the table that has a mask."""
    rows: list[Row] = []
    seen: Counter[str] = Counter()
    with truth.open(encoding="utf-8", newline="") as handle:
        for line in csv.DictReader(handle):
            place = line.get("place") or "-"
            if not line["mask"] or (args.split and line.get("split") != args.split):
                continue
            if args.per_place and seen[place] >= args.per_place:
                continue
            seen[place] += 1
            pixels = np.ascontiguousarray(cv2.imread(str(folder / line["file"]))[..., ::-1])
            drawn = cv2.imread(str(folder / line["mask"]), cv2.IMREAD_GRAYSCALE)
            drawn = cv2.resize(drawn, (pixels.shape[1], pixels.shape[0]), interpolation=cv2.INTER_NEAREST)
            mask, clear = drawn > 192, (drawn > 192) | (drawn < 64)
            if clear.mean() < LEAST_CLEAR:
                continue
            known = line.get("hfov_deg") and not args.unknown_hfov
            lens = Lens(pixels.shape[1], pixels.shape[0], float(line["hfov_deg"])) if known else None
            started = time.thread_time()
            overlay = burned_in(pixels)
            pixels = without_overlay(pixels, overlay)
            view = look(pixels, lens)
            looked = time.thread_time()
            orientation = measure_orientation(pixels, lens, view, overlay)
            posed = time.thread_time()
            sky = measure_sky(pixels, orientation.lens, orientation, view)
            ended = time.thread_time()
            nan = float("nan")
            answered = sky.mask is not None
            found = np.zeros_like(mask) if sky.mask is None else sky.mask
            union = int(((found | mask) & clear).sum())
            beyond = 0.0 if sky.fraction is None else sky.fraction - float(found.mean())
            rows.append(Row(
                line.get("kind") or "-", place, float(mask[clear].mean()),
                nan if sky.fraction is None else float(found[clear].mean()) + beyond, nan if sky.sd is None else sky.sd,
                float((found != mask)[clear].mean()) if answered else nan,
                float((found & mask).sum() / union) if answered and union else nan,
                1000 * (ended - posed), 1000 * (looked - started),
            ))  # fmt: skip
    return rows


def told(name: str, rows: list[Row]) -> str:
    """One line of the table."""
    answered = [r for r in rows if np.isfinite(r.fraction)]
    sky = [r for r in answered if r.true > WITH_SKY]
    none = [r for r in answered if r.true <= WITH_SKY]
    text = f"{name:22} n {len(rows):4} answered {len(answered):4}"
    if sky:
        error = np.array([r.fraction - r.true for r in sky])
        held = np.abs(error) < 1.96 * np.array([r.sd for r in sky])
        text += f" | with sky {len(sky):4}: wrong {100 * np.mean([r.wrong for r in sky]):4.1f} %"
        text += f" IoU {np.nanmean([r.overlap for r in sky]):.2f}"
        text += f" share {100 * np.abs(error).mean():.1f} / {100 * error.mean():+.1f} points"
        text += f" 95 % holds {held.mean():.0%} (median sd {100 * np.median([r.sd for r in sky]):.1f})"
    if none:
        false = np.mean([r.fraction > FALSE_SKY for r in none])
        text += f" | without {len(none):4}: more than 2 % called sky {false:.1%}"
    return text


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--truth", type=Path)
    parser.add_argument("--split")
    parser.add_argument("--unknown-hfov", action="store_true")
    parser.add_argument("--per-place", type=int, default=0)
    args = parser.parse_args()
    cv2.setNumThreads(1)
    rows = measure(args.folder, args.truth or args.folder / "truth.csv", args)
    for kind in sorted({r.kind for r in rows}):
        print(told(kind, [r for r in rows if r.kind == kind]))
    for place in sorted({r.place for r in rows if r.true > WITH_SKY}):
        print(told(place, [r for r in rows if r.place == place]))
    print(told("all", rows))
    print(f"time {np.median([r.sky_ms for r in rows]):.0f} ms (and network {np.median([r.network_ms for r in rows]):.0f})")


if __name__ == "__main__":
    main()
