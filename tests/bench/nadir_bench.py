"""Fisheyes that look straight down, or level, in views of places of known vertical: what is answered, and how far off.

    python -m tests.bench.nadir_bench --packed .train

Views are rendered from the packed panoramas of ``training.prepare``: of each built place four that look
down, tilted by up to 25 degrees and turned anyhow, and two that look near level. One line for places that the network
was trained on and one for held-out places.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.lens import Lens
from audit.measure.network import look
from audit.measure.orientation import measure_orientation
from training.evaluation_views import develop_view, level_rotation, panorama_stops, render_view

SIDE_PX = 1200


@dataclass(frozen=True, slots=True)
class View:
    """A rendered picture (H, W, 3) and its truth."""

    pixels: NDArray[np.uint8]
    lens: Lens
    pitch_deg: float
    down: bool
    split: str
    place: str


def views(packed: Path, seed: int) -> Iterator[View]:
    """Views of all built places whose vertical is known."""
    rng = np.random.default_rng(seed)
    middle = np.arange(SIDE_PX) - (SIDE_PX - 1) / 2
    radius = np.hypot(middle[None, :], middle[:, None])
    for place in json.loads((packed / "places.json").read_text()):
        if place["axis"] is None or place["kind"] == "country":
            continue
        stops = panorama_stops(packed, place)
        for number in range(6):
            down = number < 4
            pitch = rng.uniform(-90, -65) if down else rng.uniform(-40, 5)
            roll = rng.uniform(-180, 180) if down else rng.normal(0, 6)
            lens = Lens(SIDE_PX, SIDE_PX, rng.uniform(168, 190), projection="equidistant")
            level = level_rotation(tuple(place["axis"]))
            seen = render_view(stops, lens, rng.uniform(0, 360), pitch, roll, level)
            circle = radius < lens.focal_px * lens.half_angle_limit_rad
            shown = develop_view(seen, rng, circle)
            shown[~circle] = 0
            coded = cv2.imencode(".jpg", (np.clip(shown, 0, 1) * 255).astype(np.uint8)[..., ::-1],
                                 [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(60, 95))])[1]  # fmt: skip
            pixels = np.ascontiguousarray(cv2.imdecode(coded, cv2.IMREAD_COLOR)[..., ::-1])
            yield View(pixels, lens, pitch, down, place["split"], place["name"])


def main() -> None:
    """Print the table, and each answer that is more than 5 degrees off."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--packed", type=Path, default=Path(".train"))
    parser.add_argument("--seed", type=int, default=5)
    given = parser.parse_args()
    cv2.setNumThreads(1)
    results: dict[tuple[bool, str], list[tuple[float, float] | None]] = {}
    for view in views(given.packed, given.seed):
        found = measure_orientation(view.pixels, view.lens, look(view.pixels, view.lens))
        answer = None
        if found.pitch_deg is not None and found.pitch_sd_deg is not None:
            answer = abs(found.pitch_deg - view.pitch_deg), found.pitch_sd_deg
            if answer[0] > 5:
                print(f"  wrong: {view.place} {view.pitch_deg:.1f}, measured {found.pitch_deg:.1f}")
        results.setdefault((view.down, view.split), []).append(answer)
    for (down, split), all_ in sorted(results.items()):
        answered = np.array([a for a in all_ if a is not None])
        off, sd = answered[:, 0], answered[:, 1]
        print(f"{'down' if down else 'level':6} {split:9} n {len(all_):3} answered {len(answered) / len(all_):4.0%} "
              f"median {np.median(off):.2f} 90th {np.percentile(off, 90):.2f} off > 5: {np.mean(off > 5):.1%} "
              f"95 % interval holds {np.mean(off < 1.96 * sd):.0%}")  # fmt: skip


if __name__ == "__main__":
    main()
