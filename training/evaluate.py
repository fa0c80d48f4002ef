"""Judges the shipped network alone on views of known pose: ``python -m training.evaluate FOLDER``.

FOLDER is what evaluation_views.py wrote. Roll and pitch come from the fields by plain maximum likelihood with the
angle of view known, which the network is told too (``--untold``: it is not); the product's estimate (:mod:`audit.measure.orientation`) adds lines and abstains, this one
only shows what the network brings.
"""

from __future__ import annotations

import argparse
import csv
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from audit.lens import Lens
from audit.measure.network import NetworkView, look

__all__ = ["area_under_curve", "main", "most_likely_pose"]

Array = NDArray[np.float64]


def most_likely_pose(view: NetworkView, lens: Lens) -> tuple[float, float]:
    """Roll and pitch in degrees at the largest likelihood of a view's fields, for an undistorted lens."""
    rows, columns = view.latitude_rad.shape
    x = ((np.arange(columns) + 0.5) / columns * lens.width_px - 0.5 - lens.centre_px[0]) / lens.focal_px
    y = ((np.arange(rows) + 0.5) / rows * lens.height_px - 0.5 - lens.centre_px[1]) / lens.focal_px
    px, py = (a.ravel()[::3] for a in np.meshgrid(x, y))
    up, kappa = view.up.reshape(-1, 2)[::3].astype(float), view.up_kappa.ravel()[::3].astype(float)
    latitude = view.latitude_rad.ravel()[::3].astype(float)
    scale = view.latitude_sd_rad.ravel()[::3].astype(float) / np.sqrt(2)
    norm = np.sqrt(1 + px**2 + py**2)
    log_peak = 0.5 * np.log(np.maximum(kappa, 0.1) / (2 * np.pi))

    def score(roll: Array, pitch: Array) -> Array:
        ux, uy, uz = -np.sin(roll) * np.cos(pitch), -np.cos(roll) * np.cos(pitch), np.sin(pitch)
        ux, uy, uz = ux[:, None], uy[:, None], uz[:, None]
        vx, vy = ux - px * uz, uy - py * uz
        cosine = (vx * up[:, 0] + vy * up[:, 1]) / np.maximum(np.hypot(vx, vy), 1e-9)
        here = np.arcsin(np.clip((px * ux + py * uy + uz) / norm, -1, 1))
        ups = np.logaddexp(kappa * (cosine - 1) + log_peak, np.log(0.02 / (2 * np.pi)))
        lats = np.logaddexp(-np.abs(here - latitude) / scale - np.log(2 * scale), np.log(0.02))
        return np.asarray(ups.sum(1) + lats.sum(1))

    best = np.zeros(2)
    for half, step in ((np.array([45.0, 70.0]), 2.5), (np.array([3.0, 3.0]), 0.5), (np.array([0.6, 0.6]), 0.1)):
        rolls, pitches = np.meshgrid(np.arange(-half[0], half[0] + 1e-6, step) + best[0],
                                     np.arange(-half[1], half[1] + 1e-6, step) + best[1])  # fmt: skip
        values = score(np.radians(rolls.ravel()), np.radians(pitches.ravel()))
        best = np.array([rolls.ravel()[values.argmax()], pitches.ravel()[values.argmax()]])
    return float(best[0]), float(best[1])


def area_under_curve(errors: Array, limit: float) -> float:
    """Area under the cumulative error curve up to ``limit``, as a share (as in GeoCalib's tables)."""
    return float(np.clip(1 - errors / limit, 0, 1).mean())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("views", type=Path)
    parser.add_argument("--limit", type=int, default=10**9)
    parser.add_argument("--untold", action="store_true", help="keep the angle of view from the network")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    rows = []
    with (given.views / "truth.csv").open(newline="") as file:
        for number, row in enumerate(csv.DictReader(file)):
            if number >= given.limit:
                break
            pixels = cv2.imread(str(given.views / row["file"]))[..., ::-1]
            hfov = float(row["hfov_deg"])
            lens = Lens(pixels.shape[1], pixels.shape[0], hfov)
            view = look(np.ascontiguousarray(pixels), None if given.untold else lens)
            # the views are wider than high
            wide = np.nan if view.half_view is None else np.degrees(2 * np.arctan(np.exp(view.half_view)))
            upright = 1.0 if view.turned is None else view.turned[0]
            roll, pitch = most_likely_pose(view, lens)
            wrong = iou = share = false_sky = np.nan
            if row["mask"]:
                mask = cv2.imread(str(given.views / row["mask"]), 0) > 127
                logit = cv2.resize(view.sky_logit, mask.shape[::-1], interpolation=cv2.INTER_LINEAR)
                seen = logit > 0
                wrong = float((seen != mask).mean())
                if mask.mean() > 0.005:
                    share = float((1 / (1 + np.exp(-logit))).mean() - mask.mean())
                    iou = float((seen & mask).sum() / (seen | mask).sum())
                else:
                    false_sky = float(seen.mean())
            rows.append((row["split"], row["kind"], float(row["pitch_deg"]), abs(roll - float(row["roll_deg"])),
                         abs(pitch - float(row["pitch_deg"])), wrong, iou, share, false_sky, hfov, row["place"],
                         abs(wide / hfov - 1), upright, roll - float(row["roll_deg"]),
                         pitch - float(row["pitch_deg"])))  # fmt: skip
    built = [r for r in rows if r[0] == "held out" and r[1] != "country"]
    groups = {
        "held out, built": built,
        "held out, country": [r for r in rows if r[0] == "held out" and r[1] == "country"],
        "trained on": [r for r in rows if r[0] == "train"],
    }
    for low, high in ((-45, -30), (-30, -15), (-15, 0), (0, 25)):
        groups[f"held out, built, pitch {low}..{high}"] = [r for r in built if low <= r[2] < high]
    for low, high in ((40, 60), (60, 80), (80, 105)):
        groups[f"held out, built, hfov {low}..{high}"] = [r for r in built if low <= r[9] < high]
    for place in sorted({r[10] for r in rows if r[0] == "held out"}):
        groups[place] = [r for r in rows if r[10] == place]
    for name, members in groups.items():
        if not members:
            continue
        roll, pitch = np.array([r[3] for r in members]), np.array([r[4] for r in members])
        text = f"{name:34} n {len(members):3}  roll {np.median(roll):5.2f} pitch {np.median(pitch):5.2f}"
        text += f"  90 % {np.quantile(roll, 0.9):5.1f} {np.quantile(pitch, 0.9):5.1f}  > 5 deg {np.mean(pitch > 5):4.0%}"
        text += "  area " + " ".join(f"{100 * area_under_curve(roll, k):.0f}" for k in (1, 5, 10))
        text += " / " + " ".join(f"{100 * area_under_curve(pitch, k):.0f}" for k in (1, 5, 10))
        wrong = np.array([r[5] for r in members])
        iou = np.array([r[6] for r in members])
        share = np.array([r[7] for r in members])
        false_skies = np.array([r[8] for r in members])
        false_skies = false_skies[np.isfinite(false_skies)]
        if (with_sky := np.isfinite(iou)).any():
            text += f"  sky in {int(with_sky.sum())}: wrong {100 * wrong[with_sky].mean():.1f} %, IoU "
            text += f"{iou[with_sky].mean():.2f}, share off {100 * np.abs(share[with_sky]).mean():.1f}, bias "
            text += f"{100 * share[with_sky].mean():+.1f}"
        if len(false_skies):
            text += f"  false sky > 2 % in {np.mean(false_skies > 0.02):.0%} of {len(false_skies)}"
        if given.untold:
            text += f"  hfov off {100 * np.median([r[11] for r in members]):.1f} %"
        text += f"  bias of pitch {np.median([r[14] for r in members]):+.1f}, upright {np.mean([r[12] > 0.5 for r in members]):.0%}"
        print(text, flush=True)


if __name__ == "__main__":
    main()
