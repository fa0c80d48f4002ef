"""Measures the constants of ``orientation.toml`` that say how far an answer can be trusted.

``python -m audit.measure.training.calibrate_orientation FOLDER [--no-network]`` over a folder of evaluation views
(see ``evaluation_views``) of places that the network never saw. Weights of the doubt are fitted by logistic
regression with an L2 penalty; every figure printed comes from places left out of the fit (leave one place out).
"""

from __future__ import annotations

import argparse
import csv
from pathlib import Path

import cv2
import numpy as np
from sklearn.linear_model import LogisticRegression

from audit.lens import Lens
from audit.measure.doubt import facts
from audit.measure.network import look
from audit.measure.segments import find_segments, grey
from audit.measure.up_direction import Seen, solve

WRONG_DEG = 5.0


def gather(folder: Path, with_network: bool) -> list[dict[str, float | str]]:
    """Facts and errors of each held-out view."""
    rows: list[dict[str, float | str]] = []
    with (folder / "truth.csv").open(encoding="utf-8", newline="") as handle:
        for line in csv.DictReader(handle):
            if line["split"] != "held out":
                continue
            pixels = cv2.cvtColor(cv2.imread(str(folder / line["file"])), cv2.COLOR_BGR2RGB)
            shades = grey(pixels)
            segments, scale = find_segments(shades)
            view = look(pixels) if with_network else None
            lens = Lens(pixels.shape[1], pixels.shape[0], float(line["hfov_deg"]))
            found = solve(Seen(segments, scale, view, shades), lens)
            roll_var, pitch_var = np.diag(found.covariance_deg2)
            rows.append({
                "place": line["place"], "kind": line["kind"],
                "roll_error": found.roll_deg - float(line["roll_deg"]),
                "pitch_error": found.pitch_deg - float(line["pitch_deg"]),
                "roll_var": roll_var, "pitch_var": pitch_var, "disagree": found.disagreement,
                **{f"fact_{name}": value for name, value in facts(found).items()},
            })
    return rows


def main() -> None:
    """Fits, and prints figures and the table to be kept."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--no-network", action="store_true")
    parser.add_argument("--penalty", type=float, default=0.3)
    args = parser.parse_args()
    cv2.setNumThreads(1)
    rows = gather(args.folder, not args.no_network)
    names = [key for key in rows[0] if key.startswith("fact_")]
    x = np.array([[row[name] for name in names] for row in rows], dtype=np.float64)
    pitch = np.abs([row["pitch_error"] for row in rows])
    roll = np.abs([row["roll_error"] for row in rows])
    wrong = (pitch > WRONG_DEG) | (roll > WRONG_DEG)
    place = np.array([row["place"] for row in rows])
    built = np.array([row["kind"] != "country" for row in rows])
    middle, spread = x.mean(axis=0), x.std(axis=0) + 1e-9
    z = (x - middle) / spread

    def fitted(use: np.ndarray) -> LogisticRegression:
        return LogisticRegression(C=args.penalty, max_iter=2000).fit(z[use], wrong[use])

    left_out = np.zeros(len(rows))
    for name in np.unique(place):
        left_out[place == name] = fitted(place != name).predict_proba(z[place == name])[:, 1]
    for title, group in (("man-made", built), ("countryside", ~built)):
        order = np.flatnonzero(group)
        order = order[np.argsort(left_out[order])]
        print(title, len(order), "views, left out by place")
        for share in (0.3, 0.5, 0.6, 0.7, 0.8, 0.85, 0.9, 0.95, 1.0):
            take = order[: round(share * len(order))]
            print(f"  answered {100 * share:3.0f} %: doubt <= {left_out[take[-1]]:.3f}, p90 {np.quantile(roll[take], 0.9):.2f}/"
                  f"{np.quantile(pitch[take], 0.9):.2f}, median {np.median(roll[take]):.2f}/{np.median(pitch[take]):.2f}, "
                  f"off > 5: {100 * (pitch[take] > 5).mean():.1f} %")
        for share in (0.5, 0.7, 0.85):
            take = order[: round(share * len(order))]
            z_roll = roll[take] / np.sqrt([rows[i]["roll_var"] for i in take])
            z_pitch = pitch[take] / np.sqrt([rows[i]["pitch_var"] for i in take])
            print(f"  error over curvature sd at {100 * share:.0f} %: 68 % {np.quantile(z_roll, 0.683):.2f}/"
                  f"{np.quantile(z_pitch, 0.683):.2f}, 95 % / 1.96 {np.quantile(z_roll, 0.95) / 1.96:.2f}/"
                  f"{np.quantile(z_pitch, 0.95) / 1.96:.2f}")
    model = fitted(np.ones(len(rows), dtype=bool))
    weight = model.coef_[0] / spread
    print("[doubt]  (used without network only)")
    print(f"always = {model.intercept_[0] - (weight * middle).sum():.3f}")
    for name, value in zip(names, weight, strict=True):
        print(f"{name.removeprefix('fact_')} = {value:.3f}")


if __name__ == "__main__":
    main()
