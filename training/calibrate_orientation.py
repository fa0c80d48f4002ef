"""Measures the constants of ``orientation.toml`` that say how far an answer may be off and when to be silent.

``python -m training.calibrate_orientation FOLDER [--no-network] [--fit SPLIT] [--check SPLIT]`` over a
folder of evaluation views (see ``evaluation_views``). The exponents of the stated sd are fitted to the errors by
maximum likelihood of a Student density; every figure printed comes from places left out of the fit. Views of places
that the network was trained on serve for straight edges alone (``--no-network --fit train``).
"""

from __future__ import annotations

import argparse
import csv
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.stats import t as student

from audit.lens import Lens
from audit.measure.constants import constants
from audit.measure.network import look
from audit.measure.orientation import weighed
from audit.measure.overlay import burned_in, without_overlay
from audit.measure.scatter import scatter_facts
from audit.measure.segments import find_segments, grey, of_the_scene
from audit.measure.up_direction import Seen

FloatArray = NDArray[np.float64]

WRONG_DEG = 5.0
FREEDOM = 4.0
NAMES = ("always", "curvature", "spread", "scatter", "uprights")
COUNTRY_WEIGHT = 3.0
"""Views of the countryside count threefold: they are fewer, and their cues less alike."""


@dataclass(frozen=True, slots=True)
class Views:
    """Facts (N, 2, 5), what the unknown bending does (N, 2) and absolute errors (N, 2) in degrees of roll and pitch, place
    and kind of N views."""

    facts: FloatArray
    bent: FloatArray
    error: FloatArray
    place: NDArray[np.str_]
    built: NDArray[np.bool_]


def gather(folder: Path, splits: set[str], with_network: bool) -> Views:
    """Facts and errors of the views of some splits."""
    facts, bent, errors, places, built = [], [], [], [], []
    with (folder / "truth.csv").open(encoding="utf-8", newline="") as handle:
        for line in csv.DictReader(handle):
            if line["split"] not in splits:
                continue
            pixels = cv2.cvtColor(cv2.imread(str(folder / line["file"])), cv2.COLOR_BGR2RGB)
            overlay = burned_in(pixels)
            pixels = without_overlay(pixels, overlay)
            shades = grey(pixels)
            segments, scale = find_segments(shades)
            segments = of_the_scene(segments, overlay)
            lens = Lens(pixels.shape[1], pixels.shape[0], float(line["hfov_deg"]))
            found, _, bending = weighed(Seen(segments, scale, look(pixels, lens) if with_network else None, shades), lens)
            facts.append(scatter_facts(found))
            bent.append((bending.roll_sd_deg, bending.pitch_sd_deg))
            errors.append((abs(found.roll_deg - float(line["roll_deg"])), abs(found.pitch_deg - float(line["pitch_deg"]))))
            places.append(line["place"])
            built.append(line["kind"] != "country")
    return Views(np.array(facts), np.array(bent), np.array(errors), np.array(places), np.array(built))


def fitted(views: Views, k: int, use: NDArray[np.bool_]) -> FloatArray:
    """Exponents (5,) of the sd of roll (k = 0) or pitch (1); the first sets that 95 % of errors lie within 1.96 sd."""
    facts, error, floor = views.facts[use, k], views.error[use, k], np.hypot(floors()[k], views.bent[use, k])
    worth = np.where(views.built[use], 1.0, COUNTRY_WEIGHT)

    def loss(weights: FloatArray) -> float:
        sd = stated(facts, weights, floor)
        each = np.log(sd) - student.logpdf(error / sd, FREEDOM)
        return float(each @ worth / worth.sum() + 0.002 * (weights[2:] ** 2).sum())

    weights = np.asarray(minimize(loss, np.array([0.0, 1.0, 0.0, 0.0, 0.0]), method="BFGS").x, dtype=np.float64)
    sure = stated(facts, weights, floor) <= constants()["answer"]["most_sd_deg"]
    for _ in range(15):
        miss = error[sure] / stated(facts[sure], weights, floor[sure])
        order = np.argsort(miss)
        share = np.cumsum(worth[sure][order]) / worth[sure].sum()
        weights[0] += np.log(miss[order][np.searchsorted(share, 0.95)] / 1.96)
    return weights


def floors() -> tuple[float, float]:
    """Least sd of roll and pitch in degrees."""
    return constants()["answer"]["roll_floor_deg"], constants()["answer"]["pitch_floor_deg"]


def stated(facts: FloatArray, weights: FloatArray, floor: FloatArray) -> FloatArray:
    """Stated sd of views, shape (N,); ``floor`` is what is added to the facts' own."""
    return np.asarray(np.hypot(np.exp(np.clip(facts @ weights, -6.0, 6.0)), floor))


def main() -> None:
    """Fits, and prints figures and the tables to be kept."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--no-network", action="store_true")
    parser.add_argument("--fit", default="held out", help="splits of places to fit to, with commas")
    parser.add_argument("--check", default="held out", help="splits of places to check on, with commas")
    args = parser.parse_args()
    cv2.setNumThreads(1)
    fit = gather(args.folder, set(args.fit.split(",")), not args.no_network)
    check = fit if args.check == args.fit else gather(args.folder, set(args.check.split(",")), not args.no_network)
    sd = np.zeros_like(check.error)
    for name in np.unique(check.place):
        use, here = fit.place != name, check.place == name
        for k in (0, 1):
            sd[here, k] = stated(check.facts[here, k], fitted(fit, k, use), np.hypot(floors()[k], check.bent[here, k]))
    for title, group in (("man-made", check.built), ("countryside", ~check.built)):
        order = np.flatnonzero(group)
        order = order[np.argsort(sd[order, 1])]
        print(title, len(order), "views, left out by place")
        for share in (0.3, 0.4, 0.5, 0.6, 0.7, 0.75, 0.8, 0.85, 0.88, 0.9, 0.92, 0.95, 1.0):
            take = order[: round(share * len(order))]
            if len(take) == 0:
                continue
            roll, pitch = check.error[take].T
            held = (check.error[take] < 1.96 * sd[take]).mean(axis=0)
            print(f"  answered {100 * share:3.0f} %: pitch sd <= {sd[take[-1], 1]:.2f}, p90 {np.quantile(roll, 0.9):.2f}/"
                  f"{np.quantile(pitch, 0.9):.2f}, median {np.median(roll):.2f}/{np.median(pitch):.2f}, off > 5: "
                  f"{100 * (pitch > WRONG_DEG).mean():.1f} %, 95 % holds {100 * held[0]:.1f}/{100 * held[1]:.1f}")
    suffix = "edges" if args.no_network else "all"
    for k, name in enumerate(("roll", "pitch")):
        print(f"[sd_{name}_{suffix}]")
        for key, value in zip(NAMES, fitted(fit, k, np.ones(len(fit.place), dtype=bool)), strict=True):
            print(f"{key} = {value:.3f}")


if __name__ == "__main__":
    main()
