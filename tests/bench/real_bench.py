"""Figures of the whole measurement over real pictures of fixed cameras, judged by published poses and by eye.

``python -m tests.bench.real_bench FOLDER [--part NAME] [--every N] [--list]``

The folder holds ``real.csv`` (file, camera, truth_roll, truth_pitch, truth_hfov, k1, truth_quality, projection, eye,
sky_percent_by_eye, …) and the pictures. A truth of quality ``good`` or ``fair`` counts, once with its angle of view
given and once unknown; the lens's bending is never given. By eye: the horizon's row in the middle column, as a share
of the height, against the row that the answer draws there; right within 0.08, wrong beyond 0.15; ``above`` the
picture is right up to a row of 0.03, wrong from 0.10. ``--every 5`` takes each fifth picture of one camera.
"""

from __future__ import annotations

import argparse
import csv
import re
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from audit.frames import camera_from_world
from audit.lens import Lens
from audit.measure.image import MEASURE_SIDE_PX, measure_image
from audit.measure.measurement import ImageMeasurement, Orientation

RIGHT_ROW, WRONG_ROW = 0.08, 0.15
RIGHT_ABOVE, WRONG_ABOVE = 0.03, 0.10
FAIR_DEG = 1.5
"""How far a published pose of quality ``fair`` may itself be off; added to the stated sd."""


@dataclass(frozen=True, slots=True)
class Result:
    """One picture measured one way."""

    file: str
    camera: str
    line: dict[str, str]
    given: bool
    found: ImageMeasurement


def horizon_row(found: Orientation) -> float:
    """Row of the horizon in the middle column as a share of the height; outside 0..1 above or below the picture."""
    lens = found.lens
    assert found.roll_deg is not None and found.pitch_deg is not None
    turn = camera_from_world(0.0, found.pitch_deg, found.roll_deg)
    bearings = np.radians(np.linspace(-80, 80, 321))
    rays = np.stack([np.sin(bearings), np.cos(bearings), np.zeros_like(bearings)], axis=-1) @ turn.T
    ahead = rays[:, 2] > 0.02
    if not ahead.any():
        return -1.0 if found.pitch_deg < 0 else 2.0
    x, y = lens.project(rays[ahead]).T
    good = np.isfinite(x)
    if not good.any():
        return -1.0 if found.pitch_deg < 0 else 2.0
    x, y = x[good], y[good]
    at = int(np.argmin(np.abs(x - (lens.width_px - 1) / 2)))
    return float((y[at] + 0.5) / lens.height_px)


def by_eye(eye: str, found: Orientation) -> str | None:
    """``right``, ``doubtful`` or ``wrong``; None where the eye said nothing that can be held against the answer."""
    assert found.pitch_deg is not None
    rows = [float(x) for x in re.findall(r"-?\d+\.\d+", eye)] if eye.startswith("row") else []
    if rows:
        row = horizon_row(found)
        away = max(min(rows) - row, row - max(rows), 0.0)
        return "right" if away <= RIGHT_ROW else "wrong" if away > WRONG_ROW else "doubtful"
    if eye.startswith("above"):
        row = horizon_row(found)
        return "right" if row <= RIGHT_ABOVE else "wrong" if row > WRONG_ABOVE else "doubtful"
    if eye.startswith("straight down"):
        return "right" if found.pitch_deg < -70 else "wrong" if found.pitch_deg > -50 else "doubtful"
    if eye.startswith("about level to -5"):
        away = max(found.pitch_deg - 2.0, -7.0 - found.pitch_deg, 0.0)
        return "right" if away <= 2 else "wrong" if away > 5 else "doubtful"
    return None


def measure(folder: Path, part: str | None, every: int) -> list[Result]:
    """Measures the pictures of the table."""
    seen: dict[str, int] = defaultdict(int)
    results = []
    with (folder / "real.csv").open(encoding="utf-8", newline="") as handle:
        for line in csv.DictReader(handle):
            if part and part not in line["file"]:
                continue
            seen[line["camera"]] += 1
            if (seen[line["camera"]] - 1) % every:
                continue
            pixels = cv2.cvtColor(cv2.imread(str(folder / line["file"])), cv2.COLOR_BGR2RGB)
            scale = min(1.0, MEASURE_SIDE_PX / max(pixels.shape[:2]))
            if scale < 1:
                pixels = cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
            lenses: list[Lens | None] = [None]
            if line["truth_hfov"]:
                lenses.append(Lens(pixels.shape[1], pixels.shape[0], float(line["truth_hfov"]),
                                   projection=line["projection"] or "rectilinear"))  # fmt: skip
            for lens in lenses:
                results.append(Result(line["file"], line["camera"], line, lens is not None, measure_image(pixels, lens)))
    return results


def report_known(name: str, rows: list[Result]) -> None:
    """Prints answered, off and intervals of pictures with a published pose."""
    rows = [r for r in rows if r.line["truth_pitch"] and r.line["truth_quality"] in ("good", "fair")]
    answered = [r for r in rows if r.found.orientation.pitch_deg is not None]
    if not rows:
        return
    off, held = [], []
    for r in answered:
        o, fair = r.found.orientation, FAIR_DEG if r.line["truth_quality"] == "fair" else 0.0
        errors = (o.roll_deg or 0.0) - float(r.line["truth_roll"]), (o.pitch_deg or 0.0) - float(r.line["truth_pitch"])
        off.append(abs(errors[1]))
        held += [abs(e) <= 1.96 * np.hypot(sd or 0.0, fair) for e, sd in zip(errors, (o.roll_sd_deg, o.pitch_sd_deg), strict=True)]
    print(f"truth known, hfov {name}: answered {len(answered)} of {len(rows)}, median pitch "
          f"{np.median(off) if off else float('nan'):.2f}, off > 5: {sum(e > 5 for e in off)}, 95 % holds "
          f"{100 * np.mean(held) if held else float('nan'):.0f} %")


def main() -> None:
    """Runs the bench from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--part", help="only files whose name holds this")
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--list", action="store_true", help="one line a picture")
    args = parser.parse_args()
    cv2.setNumThreads(1)
    results = measure(args.folder, args.part, args.every)
    verdicts: dict[str, list[str]] = defaultdict(list)
    skies, missed, levels = [], [], []
    for r in results:
        o, s = r.found.orientation, r.found.sky
        verdict = by_eye(r.line["eye"], o) if o.pitch_deg is not None and o.roll_deg is not None else None
        if verdict and not r.given:
            verdicts[verdict].append(r.file)
        if o.pitch_deg is not None and max(abs(o.pitch_deg), abs(o.roll_deg or 0.0)) < 0.5:
            levels.append(r.file)
        if not r.given and r.line["sky_percent_by_eye"]:
            skies.append(None if s.fraction is None else 100 * s.fraction - float(r.line["sky_percent_by_eye"]))
            if s.fraction is not None and s.fraction < 0.003 and float(r.line["sky_percent_by_eye"]) >= 2:
                missed.append(r.file)
        if args.list:
            pose = "-" if o.pitch_deg is None else f"{o.roll_deg or 0:.1f}±{o.roll_sd_deg or 0:.1f} {o.pitch_deg:.1f}±{o.pitch_sd_deg:.1f}"
            told = "-" if s.fraction is None else f"{100 * s.fraction:.0f}"
            print(f"{Path(r.file).name:<42.42} {pose:<26} hfov {o.lens.hfov_deg:5.1f}±{o.lens.hfov_sd_deg:4.1f} {o.lens.source:<9} truth "
                  f"{r.line['truth_pitch'] or '-'} eye {r.line['eye'][:14]} {verdict or ''} | sky {told} ({r.line['sky_percent_by_eye']}) "
                  f"| burnt {100 * (r.found.overlay_fraction or 0):.0f} % | over {r.found.upside_down_probability or 0:.2f} | {(o.note or '')[:60]}")
    report_known("given", [r for r in results if r.given])
    report_known("unknown", [r for r in results if not r.given])
    free = [r for r in results if not r.given]
    answered = [r for r in free if r.found.orientation.pitch_deg is not None]
    cameras = len({r.camera for r in answered}), len({r.camera for r in free})
    print(f"all, hfov unknown: answered {len(answered)} of {len(free)} ({cameras[0]} of {cameras[1]} cameras); refused as turned "
          f"{sum('turn it in the camera' in (r.found.orientation.note or '') for r in free)}; within 0.5 deg of level at once {len(levels)}")
    print("by eye: " + ", ".join(f"{k} {len(verdicts[k])} ({len({f.split('/')[1] + f[-12:-4] for f in verdicts[k]})})" for k in ("right", "doubtful", "wrong")))
    told = np.array([x for x in skies if x is not None])
    print(f"sky: {len(told)} of {len(skies)} answered, off by {np.abs(told).mean() if len(told) else float('nan'):.1f} points in the mean; "
          f"said to be none though there is sky: {len(missed)}")


if __name__ == "__main__":
    main()
