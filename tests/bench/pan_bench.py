"""Figures of the check *pan*: panned cameras never vouched for, one click finds them, intervals hold, boards are read.

    python -m tests.bench.pan_bench pans [--cameras 400] [--sd 0.3]   # simulated sites, drawing errors of that sd
    python -m tests.bench.pan_bench boards [--views 300]              # rendered boards, and pictures without one
    python -m tests.bench.pan_bench unclicked [--cameras 200]         # panned 40 to 180 degrees, nobody clicks

Sites are drawn, not fitted: cameras 2.5 to 6 m high, views of 40 to 100 degrees, targets and landmarks 6 to 40 m away; roll
and pitch are measured with the errors of the README's table (0.5 and 0.7 degrees), clicks err by 0.3 % of the width.
It gates nothing.
"""

from __future__ import annotations

import argparse
import math
from dataclasses import replace

import numpy as np

from audit.frames import bearing_difference_deg, camera_from_world
from audit.judge.findings import judge_camera
from audit.judge.limits import load_limits
from audit.lens import Lens
from audit.measure.board import board_numbers, find_boards, view_of
from audit.measure.resection import Sighting, Station, resect
from audit.plan.model import Camera, Target
from tests.judge_samples import LIMITS, evidence, good_pair
from tests.measure.board_views import drawn, scene

PITCH_SD, ROLL_SD, CLICK_SHARE, HFOV_SHARE = 0.7, 0.5, 0.003, 0.02


def _located(rng: np.random.Generator, drawing_sd: float, clicks: int, pan: float) -> tuple[float, float] | None:
    """Error and sd of a bearing; None where too little is in the picture, or a click is refused."""
    lens = Lens(1920, 1080, float(rng.uniform(40, 100)))
    pitch, roll = float(rng.uniform(-30, -5)), float(rng.normal(0, 1))
    true_lens = lens.with_hfov(lens.hfov_deg * (1 + HFOV_SHARE * float(rng.standard_normal())))
    here = np.array([0.0, 0.0, rng.uniform(2.5, 6.0)])
    rotation = camera_from_world(pan, pitch, roll)
    sightings: list[Sighting] = []
    for _ in range(400):
        distance, bearing = rng.uniform(6, 40), math.radians(pan + rng.uniform(-60, 60))
        place = np.array([distance * math.sin(bearing), distance * math.cos(bearing), rng.uniform(0, 2.5)])
        pixel = true_lens.project(rotation @ (place - here))
        if not bool(lens.in_frame(pixel)):
            continue
        hit = np.clip(pixel + rng.normal(0, CLICK_SHARE * 1920, 2), 0, [1919, 1079])
        told = place + rng.normal(0, drawing_sd, 3)
        sightings.append(Sighting(f"mark {len(sightings)}", *map(float, hit), *map(float, told), drawing_sd))
        if len(sightings) == clicks:
            break
    planned = here + rng.normal(0, drawing_sd, 3)
    station = Station(
        replace(lens, hfov_sd_deg=HFOV_SHARE * lens.hfov_deg),
        *map(float, planned),
        drawing_sd,
        pitch_deg=pitch + float(rng.normal(0, PITCH_SD)),
        pitch_sd_deg=PITCH_SD,
        roll_deg=roll + float(rng.normal(0, ROLL_SD)),
        roll_sd_deg=ROLL_SD,
    )
    found = resect(station, tuple(sightings)) if len(sightings) == clicks else None
    if found is None or found.bearing_deg is None or found.bearing_sd_deg is None:
        return None
    return bearing_difference_deg(found.bearing_deg, pan), found.bearing_sd_deg


def pans(cameras: int, drawing_sd: float, seed: int) -> None:
    """Found pans of at least 5 degrees at 1 % false alarms, median error and interval, for one and two clicks."""
    for clicks in (1, 2):
        rng = np.random.default_rng(seed + clicks)
        errors, sds = [], []
        while len(errors) < cameras:
            found = _located(rng, drawing_sd, clicks, 0.0)
            if found is not None:
                errors.append(found[0])
                sds.append(found[1])
        error, sd = np.array(errors), np.array(sds)
        half = cameras // 2
        limit = np.quantile(np.abs(error[:half] / sd[:half]), 0.99)
        turned = np.sign(rng.standard_normal(cameras - half)) * rng.uniform(5, 40, cameras - half)
        hit = float(np.mean(np.abs(error[half:] + turned) / sd[half:] > limit))
        inside = float(np.mean(np.abs(error) <= 1.96 * sd))
        print(
            f"drawing {drawing_sd:g} m, {clicks} click(s), {cameras} cameras: median error {np.median(np.abs(error)):.2f} deg, "
            f"95 % interval holds {inside:.1%}, pans of 5 to 40 deg found at 1 % false alarms {hit:.1%}"
        )


def unclicked(cameras: int, seed: int) -> None:
    """Cameras panned 40 to 180 degrees that nobody points anything out in, as judged."""
    rng = np.random.default_rng(seed)
    said = {"pan": 0, "target": 0, "camera": 0}
    for number in range(cameras):
        camera = Camera(
            f"P-{number}", 0, 0, float(rng.uniform(2.5, 5)), float(rng.uniform(0, 360)), float(rng.uniform(-25, -8)),
            Lens(1920, 1080, 60.0), form="bullet", surface="wall", setting="outdoor",
        )  # fmt: skip
        bearing = math.radians(camera.bearing_deg)
        camera = replace(camera, targets=(Target("gate", 12 * math.sin(bearing), 12 * math.cos(bearing), 1.0, 80.0),))
        verdict = judge_camera(camera, evidence(camera, *good_pair(camera), pointed=()), LIMITS)
        said["camera"] += verdict.state == "as planned"
        for check in ("pan", "target"):
            said[check] += any(f.check == check and f.state == "as planned" for f in verdict.findings)
    print(f"{cameras} cameras, nothing pointed out, called as planned: {said}")


def boards(views: int, seed: int) -> None:
    """Share read, wrong numbers and error of pixels per metre; then pictures without a board."""
    numbers = list(board_numbers("a site", [(f"C{i}", "gate") for i in range(100)]).values())
    rng = np.random.default_rng(seed)
    for side, night in ((22.0, False), (30.0, False), (35.0, True), (50.0, True)):
        read = wrong = 0
        off = []
        for _ in range(views):
            number = int(rng.choice(numbers))
            view = drawn(rng, number, side, night)
            found = find_boards(view.pixels)
            wrong += sum(b.number != number and not b.mirrored for b in found)
            for board in found:
                seen = view_of(board, view.lens) if board.number == number else None
                if seen is not None:
                    read += 1
                    off.append(abs(seen.px_per_m / view.px_per_m - 1))
        light = "night" if night else "day"
        print(
            f"{side:.0f} px by {light}: read {read / views:.1%}, wrong {wrong}, px/m off median {np.median(off):.1%}, "
            f"95th percentile {np.quantile(off, 0.95):.1%}"
        )
    seen = sum(
        any(b.number is not None and not b.mirrored for b in find_boards(scene(rng, bool(k % 2)).clip(0, 255).astype(np.uint8)))
        for k in range(views)
    )
    print(f"{views} pictures without a board: {seen} read as one")


def main() -> None:
    """Print the figures that are asked for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=("pans", "boards", "unclicked"))
    parser.add_argument("--cameras", type=int, default=400)
    parser.add_argument("--views", type=int, default=300)
    parser.add_argument("--sd", type=float, default=load_limits().pan.drawing_sd_m)
    parser.add_argument("--seed", type=int, default=20)
    args = parser.parse_args()
    if args.what == "pans":
        pans(args.cameras, args.sd, args.seed)
    elif args.what == "boards":
        boards(args.views, args.seed)
    else:
        unclicked(args.cameras, args.seed)


if __name__ == "__main__":
    main()
