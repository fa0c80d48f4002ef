"""Pan by views of panoramas, which are no part of the project: hints by the whole site, one click, and nobody's click.

    python -m tests.bench.hint_bench views PACKED -o FILE [--views 10] [--splits bench,"held out"] [--bent]
    python -m tests.bench.hint_bench hints FILE [--sites 20] [--splits bench,"held out"] [--compass]
    python -m tests.bench.hint_bench clicks FILE [--sd 0.3]
    python -m tests.bench.hint_bench unclicked FILE [--cameras 200]
    python -m tests.bench.hint_bench boards PACKED [--views 10] [--splits ...]    # none hangs in any of them
    python -m tests.bench.hint_bench ground yards [--sites 20]    # ray-cast yards with parallax, one camera in five panned
    python -m tests.bench.hint_bench ground sample_images         # the demo's pictures, true poses of its truth.json

``views`` renders cameras round each panorama of ``PACKED`` (``python -m training.prepare``) with a known pose, measures
each picture as a visit does, and keeps the truth with the measurement, a JSON line a view. The others read that file.
Countryside is left out: nobody hangs cameras there. The split is by place; constants were set on ``train`` and ``held
out`` places, whose figures flatter; ``bench`` places were looked at for figures alone.

A site is the views of one panorama from about one place, so its cameras see the same without any shift of perspective. ``--compass`` adds a crew's compass at every camera, drawn from the matching's own model of crews
(:class:`audit.match.evidence.Settings`), so it flatters. It gates nothing.
"""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from audit.frames import bearing_difference_deg, camera_from_world, up_in_camera
from audit.judge.evidence import Snapshot
from audit.judge.findings import judge_camera
from audit.judge.ground import GroundSeen, ground_misfits
from audit.judge.hints import ground_worth_a_look, worth_a_look
from audit.judge.limits import load_limits
from audit.judge.lines import LinesSeen, Misfit, misfits
from audit.lens import Lens, least_k1
from audit.match.evidence import Settings
from audit.measure.bending import as_it_may_bend
from audit.measure.board import board_numbers, find_boards
from audit.measure.constants import constants
from audit.measure.ground import GroundView, ground_view
from audit.measure.image import measure_image
from audit.measure.level_lines import level_lines
from audit.measure.measurement import ImageMeasurement
from audit.measure.record import measurement_from_record, measurement_to_record
from audit.measure.resection import Sighting, Station, resect
from audit.measure.segments import arcs, find_segments, grey
from audit.measure.vanishing import fit_directions
from audit.plan.files import read_plan
from audit.plan.model import Camera, Target
from tests.judge_samples import evidence, snapshot
from tests.measure.ground_scenes import outside, photograph, yard
from training.evaluation_views import develop_view, level_rotation, panorama_stops, render_view

SIZE = 1280, 720
CLICK_SHARE, HFOV_SHARE = 0.003, 0.02
#: Sites drawn a view: four left the share of intervals that hold uncertain by two points.
CLICK_DRAWS = 16
GOOD_SD_DEG, PANNED_SHARE, LEAST_PAN_DEG, SPREAD_M = 1.0, 0.2, 5.0, 2.0


@dataclass(frozen=True)
class View:
    """A view with its true pose, and what was measured in it."""

    place: str
    split: str
    bearing_deg: float
    pitch_deg: float
    roll_deg: float
    hfov_deg: float
    measured: ImageMeasurement
    k1: float = 0.0


def views(packed: Path, output: Path, count: int, splits: tuple[str, ...], bent: bool) -> None:
    """Render and measure ``count`` views a place; the measuring is not told how a lens bends."""
    cv2.setNumThreads(1)
    places = json.loads((packed / "places.json").read_text())
    wanted = [p for p in places if p["kind"] != "country" and p["axis"] and p["split"] in splits]
    with output.open("w", encoding="utf-8") as file:
        for number, place in enumerate(wanted):
            rng = np.random.default_rng([20, number])
            stops = panorama_stops(packed, place)
            level = level_rotation(tuple(place["axis"]))
            for index in range(count):
                pose = {
                    "bearing_deg": float((360 / count * index + rng.uniform(-25, 25)) % 360),
                    "pitch_deg": float(rng.uniform(-30, 0)),
                    "roll_deg": float(rng.normal(0, 1.5)),
                    "hfov_deg": float(rng.uniform(50, 100)),
                }
                lens = Lens(*SIZE, pose["hfov_deg"])
                pose["k1"] = _radial_term(rng, lens) if bent else 0.0
                turn = pose["bearing_deg"], pose["pitch_deg"], pose["roll_deg"]
                shown = develop_view(render_view(stops, replace(lens, k1=pose["k1"]), *turn, level), rng)
                measured = measure_image((np.clip(shown, 0, 1) * 255).astype(np.uint8), lens)
                line = {"place": place["name"], "split": place["split"], **pose, "record": measurement_to_record(measured)}
                file.write(json.dumps(line) + "\n")
                file.flush()


def _radial_term(rng: np.random.Generator, lens: Lens) -> float:
    """As eleven published calibrations of fixed cameras have it, a third of the lenses straight; none loses its corners."""
    return max(-float(rng.uniform(0.07, 0.35)), 0.95 * least_k1(lens)) if rng.random() < 0.65 else 0.0


def boards(packed: Path, count: int, splits: tuple[str, ...]) -> None:
    """Boards that are read in views in which none hangs, and squares taken for a torn one of a site's hundred."""
    cv2.setNumThreads(1)
    numbers = tuple(board_numbers("a site", [(f"C{i}", "gate") for i in range(100)]).values())
    looked = wrong = torn = 0
    for number, place in enumerate(p for p in json.loads((packed / "places.json").read_text()) if p["split"] in splits):
        rng = np.random.default_rng([21, number])
        stops = panorama_stops(packed, place)
        for _ in range(count):
            turn = float(rng.uniform(0, 360)), float(rng.uniform(-35, 5)), float(rng.normal(0, 3))
            shown = develop_view(render_view(stops, Lens(*SIZE, float(rng.uniform(40, 110))), *turn, np.eye(3)), rng)
            found = find_boards((np.clip(shown, 0, 1) * 255).astype(np.uint8), numbers)
            looked += 1
            wrong += any(b.number is not None for b in found)
            torn += any(b.number is None for b in found)
    print(f"{looked} views of panoramas without a board: {wrong} read as one, {torn} taken for a torn one")


def read(path: Path, splits: tuple[str, ...]) -> list[View]:
    """The kept views of some splits."""
    lines: Iterator[dict[str, Any]] = (json.loads(text) for text in path.read_text(encoding="utf-8").splitlines())
    return [
        View(**{k: v for k, v in line.items() if k != "record"}, measured=measurement_from_record(line["record"]))
        for line in lines
        if line["split"] in splits
    ]


def _crew(rng: np.random.Generator, bearing_deg: float) -> float:
    """The bearing of a crew's phone in front of a camera of that true bearing."""
    habit = Settings()
    if rng.random() > habit.front_share:
        return float(rng.uniform(0, 360))
    sd = habit.direction_wide_deg if rng.random() < habit.direction_wide_share else habit.direction_sd_deg
    return float(bearing_deg + 180 + rng.normal(0, sd)) % 360


def hints(seen: list[View], sites: int, seed: int, compass: bool) -> None:
    """Pans of at least 5 degrees found by the level lines of the site, and good cameras put up for nothing."""
    rng = np.random.default_rng(seed)
    pans: list[tuple[float, Misfit | None]] = []
    for place in dict.fromkeys(v.place for v in seen):
        for _ in range(sites):
            pans += _site(rng, [v for v in seen if v.place == place], compass)
    off, told = np.array([p[0] for p in pans]), [p[1] for p in pans]
    bad = off >= LEAST_PAN_DEG
    up = np.array([m is not None and worth_a_look(m) for m in told])
    heard = np.array([m is not None and worth_a_look(replace(m, probability=1.0)) for m in told])
    chance = np.array([0.0 if m is None else m.probability for m in told]) * heard
    print(f"{len(pans)} cameras, {bad.sum()} panned at least {LEAST_PAN_DEG:g} deg; enough others see the same at {heard.mean():.0%}")
    for name, some in (("all", np.ones(len(off), bool)), ("where enough others see the same", heard)):
        limit = float(np.quantile(chance[some & ~bad], 0.99))
        print(
            f"  {name}: found at 1 % false alarms {np.mean(chance[some & bad] > limit):.1%}; as judged found "
            f"{np.mean(up[some & bad]):.1%}, good ones put up {np.mean(up[some & ~bad]):.2%}"
        )
    for low, high in ((5, 10), (10, 20), (20, 86), (86, 94), (94, 172), (172, 180)):
        some = heard & bad & (off >= low) & (off < high)
        print(f"  of those, panned {low} to {high} deg: found {np.mean(up[some]):.0%} of {some.sum()}")


def _site(rng: np.random.Generator, cameras: list[View], compass: bool) -> list[tuple[float, Misfit | None]]:
    """How far each camera of a site is off its plan, and what the lines say of it."""
    panned = rng.random(len(cameras)) < PANNED_SHARE
    far = rng.choice([-1, 1], len(cameras)) * rng.uniform(LEAST_PAN_DEG, 180, len(cameras))
    turns = np.where(panned, far, rng.normal(0, GOOD_SD_DEG, len(cameras)))
    lines = [
        LinesSeen(
            str(i), *map(float, rng.uniform(-SPREAD_M, SPREAD_M, 2)), float(v.bearing_deg - turns[i]) % 360, v.hfov_deg,
            v.measured.orientation.level_lines, crew_deg=_crew(rng, v.bearing_deg) if compass else None,
        )
        for i, v in enumerate(cameras)
        if v.measured.orientation.level_lines
    ]  # fmt: skip
    told = misfits(lines)
    return [(abs(float(turn)), told.get(str(i))) for i, turn in enumerate(turns)]


def clicks(seen: list[View], drawing_sd: float, seed: int) -> None:
    """One click a camera, with roll and pitch as measured in the picture; then two."""
    for count in (1, 2):
        rng = np.random.default_rng(seed + count)
        found = [
            (*one, view.place)
            for view in seen
            for _ in range(CLICK_DRAWS)
            if (one := _located(rng, view, drawing_sd, count)) is not None
        ]
        error, sd = np.array([f[0] for f in found]), np.array([f[1] for f in found])
        low, high = _by_place(np.abs(error) <= 1.96 * sd, [f[2] for f in found], rng)
        order = rng.permutation(len(error))
        first, second = order[: len(order) // 2], order[len(order) // 2 :]
        limit = np.quantile(np.abs(error[first] / sd[first]), 0.99)
        turned = error[second] + rng.choice([-1, 1], len(second)) * rng.uniform(5, 40, len(second))
        print(
            f"drawing {drawing_sd:g} m, {count} click(s), roll and pitch as measured, {len(error)} cameras of "
            f"{len(seen)} views: median error {np.median(np.abs(error)):.2f} deg, 95 % interval holds "
            f"{np.mean(np.abs(error) <= 1.96 * sd):.1%} ({low:.1%} to {high:.1%} by places drawn anew), pans of 5 to 40 deg found at 1 % false alarms "
            f"{np.mean(np.abs(turned) / sd[second] > limit):.1%}"
        )


def _by_place(held: np.ndarray, places: list[str], rng: np.random.Generator) -> tuple[float, float]:
    """Between what shares a figure lies with 95 %, by drawing whole places anew (bootstrap)."""
    counts = np.array([[held[[p == name for p in places]].sum(), places.count(name)] for name in dict.fromkeys(places)])
    drawn = counts[rng.integers(0, len(counts), (2000, len(counts)))].sum(axis=1)
    low, high = np.quantile(drawn[:, 0] / drawn[:, 1], (0.025, 0.975))
    return float(low), float(high)


def _located(rng: np.random.Generator, view: View, drawing_sd: float, count: int) -> tuple[float, float] | None:
    """Error and sd of the bearing by clicks in one view; None where its tilt was not measured or a click is refused."""
    told = view.measured.orientation
    if told.pitch_deg is None or told.roll_deg is None:
        return None
    straight = Lens(*SIZE, view.hfov_deg)
    true = replace(straight, k1=view.k1)
    planned = replace(
        straight.with_hfov(view.hfov_deg * (1 + HFOV_SHARE * float(rng.standard_normal()))), hfov_sd_deg=HFOV_SHARE * view.hfov_deg
    )
    here = np.array([0.0, 0.0, rng.uniform(2.5, 6.0)])
    rotation = camera_from_world(view.bearing_deg, view.pitch_deg, view.roll_deg)
    sightings: list[Sighting] = []
    for _ in range(400):
        distance, bearing = rng.uniform(6, 40), math.radians(view.bearing_deg + rng.uniform(-55, 55))
        place = np.array([distance * math.sin(bearing), distance * math.cos(bearing), rng.uniform(0, 2.5)])
        pixel = true.project(rotation @ (place - here))
        if len(sightings) < count and bool(true.in_frame(pixel)):
            hit = np.clip(pixel + rng.normal(0, CLICK_SHARE * SIZE[0], 2), 0, [SIZE[0] - 1, SIZE[1] - 1])
            at = place + rng.normal(0, drawing_sd, 3)
            sightings.append(Sighting(f"mark {len(sightings)}", *map(float, hit), *map(float, at), drawing_sd))
    lens, k1_sd = as_it_may_bend(planned, told)
    station = Station(
        lens, *map(float, here + rng.normal(0, drawing_sd, 3)), drawing_sd,
        pitch_deg=told.pitch_deg, pitch_sd_deg=told.pitch_sd_deg, roll_deg=told.roll_deg, roll_sd_deg=told.roll_sd_deg,
        k1_sd=k1_sd,
    )  # fmt: skip
    answer = resect(station, tuple(sightings)) if len(sightings) == count else None
    if answer is None or answer.bearing_deg is None or answer.bearing_sd_deg is None:
        return None
    return bearing_difference_deg(answer.bearing_deg, view.bearing_deg), answer.bearing_sd_deg


def unclicked(seen: list[View], cameras: int, seed: int) -> None:
    """Cameras panned 40 to 180 degrees off their plan that nobody points anything out in, as judged by their pictures."""
    rng, limits = np.random.default_rng(seed), load_limits()
    said = {"pan": 0, "target": 0, "camera": 0}
    for number in range(cameras):
        view = seen[int(rng.integers(len(seen)))]
        bearing = (view.bearing_deg + float(rng.choice([-1, 1]) * rng.uniform(40, 180))) % 360
        camera = Camera(
            f"P-{number}", 0, 0, float(rng.uniform(2.5, 5)), bearing, view.pitch_deg, Lens(*SIZE, view.hfov_deg),
            form="bullet", surface="wall", setting="outdoor",
        )  # fmt: skip
        ahead = math.radians(bearing)
        camera = replace(camera, targets=(Target("gate", 12 * math.sin(ahead), 12 * math.cos(ahead), 1.0, 60.0),))
        day = Snapshot("day.jpg", "0", *SIZE, None, False, view.measured)
        night = snapshot(camera, view.pitch_deg, night=True)
        verdict = judge_camera(camera, evidence(camera, day, night, pointed=()), limits)
        said["camera"] += verdict.state == "as planned"
        for check in ("pan", "target"):
            said[check] += any(f.check == check and f.state == "as planned" for f in verdict.findings)
    print(f"{cameras} cameras panned 40 to 180 deg, nothing pointed out, called as planned: {said}")


#: Cameras of a yard, and what is drawn of tilt as measured and of drawings.
YARD_CAMERAS, TILT_SD_DEG, ROLL_SD_DEG, DRAWING_SD_M, TRIALS = 8, 0.6, 0.4, 0.3, 3


@dataclass(frozen=True)
class Flat:
    """A camera's ground laid flat and its level edges, with its true place (east, north, height) and bearing."""

    place: tuple[float, float, float]
    bearing_deg: float
    view: GroundView
    hfov_deg: float
    lines: Sequence[float] | None


def ground(given: Path, sites: int, seed: int) -> None:
    """Pans of at least 5 degrees found by the ground that neighbours see, and good cameras put up for nothing."""
    rng = np.random.default_rng(seed)
    drawn = [_yard(np.random.default_rng([22, seed, k])) for k in range(sites)] if given.name == "yards" else _demo(given)
    off, told, edges, near = [], [], [], 0
    for cameras in drawn:
        for _ in range(TRIALS if given.name == "yards" else 8 * TRIALS):
            panned = rng.random(len(cameras)) < PANNED_SHARE
            far = rng.choice([-1, 1], len(cameras)) * rng.uniform(LEAST_PAN_DEG, 180, len(cameras))
            turns = np.where(panned, far, rng.normal(0, GOOD_SD_DEG, len(cameras)))
            seen = [
                GroundSeen(
                    str(i), *map(float, np.add(c.place[:2], rng.normal(0, DRAWING_SD_M, 2))), c.place[2], 0.0, "",
                    float(c.bearing_deg - turns[i]) % 360, c.view,
                )
                for i, c in enumerate(cameras)
            ]  # fmt: skip
            misfit = ground_misfits(seen)
            near += len(misfit)
            by_lines = misfits([
                LinesSeen(s.camera, s.east_m, s.north_m, s.bearing_deg, c.hfov_deg, c.lines)
                for s, c in zip(seen, cameras, strict=True)
                if c.lines
            ])  # fmt: skip
            off += [abs(float(turn)) for turn in turns]
            edges += [(e := by_lines.get(str(i))) is not None and worth_a_look(e) for i in range(len(cameras))]
            told += [(m := misfit.get(str(i))) is not None and ground_worth_a_look(m) for i in range(len(cameras))]
    bad = np.array(off) >= LEAST_PAN_DEG
    print(f"{len(bad)} cameras of {len(drawn)} sites, {near} with a neighbour on the same ground, {bad.sum()} panned")
    for name, up in (("ground", np.array(told)), ("level edges", np.array(edges)), ("either", np.array(told) | np.array(edges))):
        good = up[~bad]
        print(f"  {name}: found {np.mean(up[bad]):.1%}, good ones put up {np.mean(good):.2%} ({good.sum()} of {len(good)})")


def _yard(rng: np.random.Generator) -> list[Flat]:
    """Cameras round a yard, each laid flat with its tilt as it would be measured."""
    scene, middle, found = yard(rng), rng.uniform(-5, 5, 2), []
    for _ in range(YARD_CAMERAS):
        place = np.array([*(middle + rng.uniform(-12, 12, 2)), rng.uniform(2.8, 6)])
        if not outside(scene, place):
            continue
        bearing = math.degrees(math.atan2(*(middle - place[:2]))) + float(rng.uniform(-60, 60))
        pose = bearing % 360, float(rng.uniform(-30, -8)), float(rng.normal(0, 0.8))
        lens = Lens(640, 360, float(rng.uniform(60, 100)))
        tilt = pose[2] + float(rng.normal(0, ROLL_SD_DEG)), pose[1] + float(rng.normal(0, TILT_SD_DEG))
        picture = photograph(scene, lens, place, pose, rng)
        view = ground_view(picture, lens, *tilt)
        if view is not None:
            at = float(place[0]), float(place[1]), float(place[2])
            found.append(Flat(at, pose[0], view, lens.hfov_deg, _level_lines(picture, lens, *tilt)))
    return found


def _level_lines(picture: np.ndarray, lens: Lens, roll_deg: float, pitch_deg: float) -> Sequence[float] | None:
    """The level edges of a picture whose tilt is given, for the learned view knows no drawn yards."""
    table, up = constants()["edges"], up_in_camera(roll_deg, pitch_deg)
    segments, scale = find_segments(grey(picture))
    edges = arcs(segments, lens, scale, table["endpoint_px"], np.radians(table["floor_deg"]))
    return level_lines(edges, up, fit_directions(edges, up, steps=1).upright)


def _demo(folder: Path) -> list[list[Flat]]:
    """The cameras of the demo by visit, measured as a visit does; a pair that is swapped stands where it really hangs."""
    visits = json.loads((folder / "truth.json").read_text())["visits"]
    plan, found = read_plan(folder / "plan.csv"), []
    for name, visit in visits.items():
        cameras = {}
        for photo in visit["photos"]:
            own = photo.get("shows_view_of") or photo["camera"]
            if photo["role"] == "snapshot" and photo.get("part") == "day" and own not in cameras:
                pixels = cv2.cvtColor(cv2.imread(str(folder / name / photo["photo"])), cv2.COLOR_BGR2RGB)
                camera = plan.camera(own)
                told = measure_image(np.asarray(pixels, np.uint8), camera.lens).orientation
                if told.roll_deg is None or told.pitch_deg is None or camera.floor:
                    continue
                view = ground_view(np.asarray(pixels, np.uint8), told.lens, told.roll_deg, told.pitch_deg)
                if view is not None:
                    place = camera.east_m, camera.north_m, camera.height_m
                    bearing = visit["cameras"][own]["bearing_deg"]
                    cameras[own] = Flat(place, bearing, view, camera.lens.hfov_deg, told.level_lines)
        found.append(list(cameras.values()))
    return found


def main() -> None:
    """Render and measure, or print the figures that are asked for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=("views", "hints", "clicks", "unclicked", "boards", "ground"))
    parser.add_argument("given", type=Path)
    parser.add_argument("-o", "--output", type=Path)
    parser.add_argument("--views", type=int, default=10)
    parser.add_argument("--sites", type=int, default=20)
    parser.add_argument("--cameras", type=int, default=200)
    parser.add_argument("--sd", type=float, default=load_limits().pan.drawing_sd_m)
    parser.add_argument("--splits", default="bench,held out")
    parser.add_argument("--seed", type=int, default=20)
    parser.add_argument("--compass", action="store_true")
    parser.add_argument("--bent", action="store_true")
    args = parser.parse_args()
    splits = tuple(args.splits.split(","))
    if args.what == "views":
        if args.output is None:
            parser.error("views needs -o FILE")
        views(args.given, args.output, args.views, splits, args.bent)
        return
    if args.what == "boards":
        boards(args.given, args.views, splits)
        return
    if args.what == "ground":
        ground(args.given, args.sites, args.seed)
        return
    seen = read(args.given, splits)
    if args.what == "hints":
        hints(seen, args.sites, args.seed, args.compass)
    elif args.what == "clicks":
        clicks(seen, args.sd, args.seed)
    else:
        unclicked(seen, args.cameras, args.seed)


if __name__ == "__main__":
    main()
