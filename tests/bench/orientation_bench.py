"""Figures of the orientation estimate over a folder of views of known pose.

``python tests/bench/orientation_bench.py FOLDER [--truth FILE] [--unknown-hfov] [--no-network] [--curve]
[--split NAME] [--places A,B] [--turns]``

The folder holds pictures and a CSV ``file,hfov_deg,roll_deg,pitch_deg,kind`` (``split``, ``place``, ``projection`` and
``k1`` optional).
An unanswered view counts as an infinite error in the figures "over all views". AUC is the area under the share of
views within an error, from 0 to 1, 3, 5 and 10 degrees, in per cent. ``--turns`` asks each view also turned by quarter
turns and counts upright views refused as turned, and turned ones answered.
"""

from __future__ import annotations

import argparse
import csv
import time
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from audit.lens import Lens
from audit.measure.measurement import Orientation
from audit.measure.network import look
from audit.measure.orientation import measure_orientation
from audit.measure.overlay import burned_in, without_overlay

STANDS = "turn it in the camera"
BANDS = ((-90, -30), (-30, -15), (-15, 0), (0, 15), (15, 90))


@dataclass(frozen=True, slots=True)
class Row:
    """One view: truth, answer (NaN where none), and time."""

    kind: str
    lens: Lens
    roll_error: float
    pitch_error: float
    roll_sd: float
    pitch_sd: float
    true_pitch: float
    hfov_error: float
    milliseconds: float

    @property
    def answered(self) -> bool:
        return bool(np.isfinite(self.pitch_error))


def area(errors: np.ndarray, top_deg: float) -> float:
    """Area under the cumulative error curve up to ``top_deg``, per cent; NaN errors never count as reached."""
    reached = np.clip(top_deg - np.abs(errors), 0, None)
    return float(100 * np.nan_to_num(reached, nan=0.0).mean() / top_deg)


def found_in(pixels: np.ndarray, lens: Lens | None, with_network: bool = True) -> Orientation:
    """The answer as the product finds it, burnt-in things taken off first."""
    overlay = burned_in(pixels)
    scene = without_overlay(pixels, overlay)
    untold = (lambda: look(scene)) if with_network and lens is not None else None
    return measure_orientation(scene, lens, look(scene, lens) if with_network else None, overlay, untold)


def measure(folder: Path, truth: Path, args: argparse.Namespace) -> list[Row]:
    """Measures every view of the truth table."""
    rows = []
    with truth.open(encoding="utf-8", newline="") as handle:
        for line in csv.DictReader(handle):
            if args.split and line.get("split") != args.split:
                continue
            if args.places and line.get("place") not in args.places.split(","):
                continue
            pixels = cv2.cvtColor(cv2.imread(str(folder / line["file"])), cv2.COLOR_BGR2RGB)
            true_hfov = float(line["hfov_deg"])
            true_lens = Lens(pixels.shape[1], pixels.shape[0], true_hfov, k1=float(line.get("k1") or 0.0),
                             projection=line.get("projection") or "rectilinear")
            lens = None if args.unknown_hfov else true_lens
            started = time.thread_time()
            found = found_in(pixels, lens, not args.no_network)
            spent = 1000 * (time.thread_time() - started)
            nan = float("nan")
            answered = found.roll_deg is not None
            rows.append(Row(
                line["kind"],
                true_lens,
                found.roll_deg - float(line["roll_deg"]) if answered else nan,
                found.pitch_deg - float(line["pitch_deg"]) if answered else nan,
                found.roll_sd_deg if answered else nan,
                found.pitch_sd_deg if answered else nan,
                float(line["pitch_deg"]),
                found.lens.hfov_deg / true_hfov - 1,
                spent,
            ))
    return rows


def _lens_kind(lens: Lens) -> str:
    if lens.projection == "equidistant":
        return "fisheye"
    if lens.k1 != 0:
        return "barrel distortion"
    if lens.height_px > lens.width_px:
        return "upright picture"
    return next(f"hfov to {top}" for top in (60, 80, 180) if lens.hfov_deg <= top)


def report(name: str, rows: list[Row]) -> None:
    """Prints the table of one group of views."""
    roll = np.array([r.roll_error for r in rows])
    pitch = np.array([r.pitch_error for r in rows])
    answered = np.isfinite(pitch)
    infinite = np.where(answered, np.abs(pitch), np.inf)
    infinite_roll = np.where(answered, np.abs(roll), np.inf)
    line = f"{name:<22}{len(rows):>5} views  answered {100 * answered.mean():5.1f} %"
    line += f"  median roll/pitch over all {np.median(infinite_roll):.2f}/{np.median(infinite):.2f}"
    if answered.any():
        a_roll, a_pitch = np.abs(roll[answered]), np.abs(pitch[answered])
        roll_sd = np.array([r.roll_sd for r in rows])[answered]
        pitch_sd = np.array([r.pitch_sd for r in rows])[answered]
        line += f"  p90 {np.quantile(a_roll, 0.9):.2f}/{np.quantile(a_pitch, 0.9):.2f}"
        line += f"  pitch off > 5: {100 * (a_pitch > 5).sum() / len(rows):.1f} % of all"
        line += f", {100 * (a_pitch > 5).mean():.1f} % of answered"
        line += f"  95 % holds {100 * (a_roll < 1.96 * roll_sd).mean():.1f}/{100 * (a_pitch < 1.96 * pitch_sd).mean():.1f}"
    print(line)
    print(" " * 22 + "AUC 1/3/5/10 roll " + "/".join(f"{area(roll, t):.0f}" for t in (1, 3, 5, 10))
          + "  pitch " + "/".join(f"{area(pitch, t):.0f}" for t in (1, 3, 5, 10)))


def curve(rows: list[Row]) -> None:
    """Error against answered: the surest share of the answers by stated sd."""
    answered = sorted((r for r in rows if r.answered), key=lambda r: r.pitch_sd)
    print("answered of all   p90 roll/pitch   pitch off > 5 deg")
    for share in (0.3, 0.5, 0.6, 0.7, 0.8, 0.85, 0.9, 0.95, 1.0):
        take = answered[: round(share * len(rows))]
        if not take or len(take) < share * len(rows) - 1:
            continue
        pitch = np.abs([r.pitch_error for r in take])
        roll = np.abs([r.roll_error for r in take])
        print(f"{100 * share:12.0f} %   {np.quantile(roll, 0.9):6.2f}/{np.quantile(pitch, 0.9):5.2f}   "
              f"{100 * (pitch > 5).mean():8.1f} %")


def turns(folder: Path, truth: Path, args: argparse.Namespace) -> None:
    """Prints, for man-made places and the countryside, what becomes of upright and of turned views."""
    found: dict[tuple[str, int], list[tuple[bool, bool]]] = {}
    with truth.open(encoding="utf-8", newline="") as handle:
        for line in csv.DictReader(handle):
            if args.split and line.get("split") != args.split:
                continue
            pixels = cv2.cvtColor(cv2.imread(str(folder / line["file"])), cv2.COLOR_BGR2RGB)
            level = Lens(pixels.shape[1], pixels.shape[0], float(line["hfov_deg"]))
            upended = Lens(level.height_px, level.width_px, level.vfov_deg)
            for quarters in range(4):
                lens = upended if quarters % 2 else level
                picture = np.ascontiguousarray(np.rot90(pixels, quarters))
                answer = found_in(picture, lens)
                kind = "countryside" if line["kind"] == "country" else "man-made"
                found.setdefault((kind, quarters), []).append((answer.pitch_deg is not None, STANDS in (answer.note or "")))
    for kind in sorted({kind for kind, _ in found}, reverse=True):
        upright, over = np.array(found[kind, 0]), np.array(found[kind, 2])
        quarter = np.array(found[kind, 1] + found[kind, 3])
        print(f"{kind:<14}{len(upright):>5} views  upright: refused as turned {100 * upright[:, 1].mean():.1f} %, answered "
              f"{100 * upright[:, 0].mean():.1f} %; quarter turns answered {100 * quarter[:, 0].mean():.2f} %; upside down "
              f"answered {100 * over[:, 0].mean():.1f} %")


def main() -> None:
    """Runs the bench from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--truth", type=Path)
    parser.add_argument("--split")
    parser.add_argument("--places")
    parser.add_argument("--unknown-hfov", action="store_true")
    parser.add_argument("--no-network", action="store_true")
    parser.add_argument("--curve", action="store_true")
    parser.add_argument("--turns", action="store_true")
    args = parser.parse_args()
    cv2.setNumThreads(1)
    if args.turns:
        turns(args.folder, args.truth or args.folder / "truth.csv", args)
        return
    rows = measure(args.folder, args.truth or args.folder / "truth.csv", args)
    built = [r for r in rows if r.kind != "country"]
    for name, group in (("man-made", built), ("countryside", [r for r in rows if r.kind == "country"])):
        if not group:
            continue
        report(name, group)
        for low, high in BANDS:
            band = [r for r in group if low <= r.true_pitch < high]
            if band:
                report(f"  pitch {low}..{high}", band)
        for kind in sorted({_lens_kind(r.lens) for r in group}):
            report(f"  {kind}", [r for r in group if _lens_kind(r.lens) == kind])
        for kind in sorted({r.kind for r in group} - {"country"}):
            report(f"  {kind}", [r for r in group if r.kind == kind])
    if args.unknown_hfov:
        print(f"hfov: median error {100 * np.median(np.abs([r.hfov_error for r in built or rows])):.1f} %")
    if args.curve:
        curve(built or rows)
    print(f"time: median {np.median([r.milliseconds for r in rows]):.0f} ms a view on one core")


if __name__ == "__main__":
    main()
