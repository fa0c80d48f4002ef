"""Real pairs of fixed cameras over hours, weather and seasons: what a person is asked to check, and whether rightly.

    python tests/bench/real_pairs_bench.py FOLDER [--csv OUT.csv]

FOLDER holds ``pairs.csv`` (columns ``reference,today,camera,truth``; paths within the folder) and optionally ``real.csv``
with the true angle of view (``file,truth_hfov``). ``truth`` begins with clean, defocus, spots, veil, blocked, moved or other
camera; others aren't counted. Beside it stand structural similarity (scikit-image, Wang et al. 2004, DOI
10.1109/TIP.2003.819861) of the pair as it is, and OpenCV's vtest.avi where opencv-doc is installed: frames of one clean
camera seconds to a minute apart.
"""

from __future__ import annotations

import argparse
import csv
import time
from collections import defaultdict
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.metrics import structural_similarity
from sklearn.metrics import roc_auc_score

from audit.judge.limits import load_limits
from audit.lens import Lens
from audit.measure.image import MEASURE_SIDE_PX
from audit.measure.measurement import ViewChange
from audit.measure.view import compare

SPOILT = ("defocus", "spots", "veil", "blocked")
VTEST = Path("/usr/share/doc/opencv-doc/examples/data/vtest.avi")
LIMITS = load_limits()


def read(path: Path) -> NDArray[np.uint8]:
    pixels = np.ascontiguousarray(cv2.imread(str(path), cv2.IMREAD_COLOR)[..., ::-1])
    scale = min(1.0, MEASURE_SIDE_PX / max(pixels.shape[:2]))
    return np.asarray(cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8)


def likeness(reference: NDArray[np.uint8], today: NDArray[np.uint8]) -> float:
    one, two = (cv2.resize(cv2.cvtColor(p, cv2.COLOR_RGB2GRAY), (320, 240), interpolation=cv2.INTER_AREA) for p in (reference, today))
    return float(structural_similarity(one, two))


def asks(change: ViewChange) -> dict[str, bool]:
    """What of a comparison a person would be asked to look at."""
    likely = (change.dirt_probability or 0.0) >= LIMITS.cleanliness.reference_look and change.dirt_cause != "clear"
    turn = max(abs(change.pan_change_deg or 0.0), abs(change.pitch_change_deg or 0.0))
    zoom = abs((change.zoom_ratio or 1.0) - 1.0)
    return {
        "glass or focus": likely and change.dirt_cause != "blocked",
        "hidden": (change.blocked_fraction or 0.0) >= LIMITS.obstruction.blocked_fraction,
        "moved > 1 deg": turn > LIMITS.movement.turn_deg,
        "zoom": zoom > LIMITS.movement.zoom_fraction,
        "another scene": change.same_view_probability is not None and change.same_view_probability < LIMITS.movement.same_view_probability,
        "not compared": change.same_view_probability is None,
    }


def vtest_pairs(step: int = 120) -> list[tuple[NDArray[np.uint8], NDArray[np.uint8]]]:
    """The first frame of OpenCV's vtest.avi with every later one."""
    video = cv2.VideoCapture(str(VTEST))
    frames = []
    while True:
        more, frame = video.read()
        if not more:
            break
        frames.append(np.ascontiguousarray(frame[..., ::-1]))
    return [(frames[0], frame) for frame in frames[step::step]]


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--csv", type=Path)
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    with (arguments.folder / "pairs.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    lenses: dict[str, float] = {}
    if (arguments.folder / "real.csv").exists():
        with (arguments.folder / "real.csv").open(encoding="utf-8", newline="") as file:
            lenses = {row["file"]: float(row["truth_hfov"]) for row in csv.DictReader(file) if row.get("truth_hfov")}
    found, times = [], []
    for row in rows:
        reference, today = read(arguments.folder / row["reference"]), read(arguments.folder / row["today"])
        hfov = lenses.get(row["reference"])
        began = time.process_time()
        change = compare(reference, today, Lens(reference.shape[1], reference.shape[0], hfov) if hfov else None)
        times.append(1e3 * (time.process_time() - began))
        found.append((row, change, likeness(reference, today)))
    groups: dict[tuple[str, str], list[dict[str, bool]]] = defaultdict(list)
    for row, change, _ in found:
        truth = row["truth"].split(" (")[0].strip('"')
        groups[truth[:14], row["camera"]].append(asks(change))
        groups[truth[:14], "all"].append(asks(change))
    names = list(asks(ViewChange(None)))
    print(f"{'truth':15s} {'camera':28s} {'pairs':>5s}  " + "  ".join(names))
    for (truth, camera), each in sorted(groups.items()):
        print(f"{truth:15s} {camera:28s} {len(each):5d}  " + "  ".join(f"{sum(a[n] for a in each):{len(n)}d}" for n in names))
    counted = [(row["truth"].startswith(SPOILT), change.dirt_probability, like) for row, change, like in found
               if row["truth"].startswith(("clean", *SPOILT)) and change.dirt_probability is not None]
    dirty = np.array([c[0] for c in counted])
    if 0 < dirty.sum() < len(dirty):
        print(f"spoilt against clean: AUROC {roc_auc_score(dirty, [c[1] for c in counted]):.3f}, "
              f"structural similarity {roc_auc_score(dirty, [-c[2] for c in counted]):.3f}")
    print(f"{np.median(times):.0f} ms of CPU a pair (median), 95th percentile {np.percentile(times, 95):.0f}")
    if VTEST.exists():
        clean = [asks(compare(a, b)) for a, b in vtest_pairs()]
        print(f"vtest.avi: {len(clean)} clean pairs, asked for " + ", ".join(f"{n} {sum(c[n] for c in clean)}" for n in names))
    if arguments.csv:
        with arguments.csv.open("w", encoding="utf-8", newline="") as file:
            out = csv.writer(file)
            out.writerow(["reference", "today", "camera", "truth", "same_view", "cause", "probability", "soiled", "hidden", "sharpness", "zoom"])
            for row, c, _ in found:
                out.writerow([row["reference"], row["today"], row["camera"], row["truth"], c.same_view_probability, c.dirt_cause,
                              c.dirt_probability, c.soiled_fraction, c.blocked_fraction, c.sharpness_ratio, c.zoom_ratio])


if __name__ == "__main__":
    main()
