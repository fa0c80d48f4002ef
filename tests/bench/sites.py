"""Simulated sites: how often faults are missed, good cameras condemned, and how many a person must look at.

Lenses, poses, targets and faults are drawn at random; measurements get honest normal errors, each with its own sd.
Faults are what the limits say of the true pose, the true angle of view and the sky that the skyline leaves open. Run::

    python tests/bench/sites.py [cameras per point]

prints the curve of *to check* against the measurement's sd.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from audit.judge.evidence import CameraEvidence, Comparison, Snapshot
from audit.judge.findings import judge_camera
from audit.judge.limits import Limits, load_limits
from audit.lens import Lens
from audit.match.placement import Placement
from audit.measure.measurement import Clarity, ImageMeasurement, Orientation, Sky, ViewChange
from audit.plan.model import Camera, MountChain, Target
from audit.plan.optics import Pose, geometry, open_sky_fraction

__all__ = ["KINDS", "Outcome", "Score", "score", "simulate"]

KINDS = ("good", "aim", "level", "bearing", "movement")
_SHARES = (0.6, 0.15, 0.1, 0.05, 0.1)


@dataclass(frozen=True, slots=True)
class Outcome:
    """One camera: what was done to it, whether it is truly out of limits, and what the judge said.

    ``bearing_alone`` marks cameras whose target is lost by bearing alone at commissioning, which no single image
    can tell; they are counted apart.
    """

    kind: str
    faulty: bool
    bearing_alone: bool
    state: str


@dataclass(frozen=True, slots=True)
class Score:
    """Shares over all cameras of a run."""

    cameras: int
    faulty: int
    missed: float
    condemned: float
    to_check: float
    not_verified: float
    bearing_alone: int


def _draw_camera(rng: np.random.Generator, index: int) -> Camera:
    """A planned camera whose target is held: in the picture, and finer than needed."""
    while True:
        half_panorama = rng.random() < 0.1
        if half_panorama:
            lens = Lens(2880, 1620, rng.uniform(150, 185), projection="equidistant")
            pitch = -rng.uniform(15, 45)
            form, mount = "fisheye", MountChain(("wall", "junction box", f"tilt adapter {-pitch:.0f}"))
        else:
            lens = Lens(1920, 1080, rng.uniform(30, 100), k1=rng.choice([0.0, -0.05]))
            pitch = -rng.uniform(5, 30)
            form, mount = str(rng.choice(["bullet", "turret", "dome"])), MountChain(("wall", "junction box"))
        height, bearing = rng.uniform(2.5, 6.0), rng.uniform(0, 360)
        distance, aside = rng.uniform(3, 45), np.radians(rng.uniform(-0.4, 0.4) * lens.hfov_deg)
        direction = np.radians(bearing) + aside
        target = Target("target", distance * np.sin(direction), distance * np.cos(direction), rng.uniform(0, 1.8))
        camera = Camera(f"C{index}", 0, 0, height, bearing, pitch, lens, form=form, surface="wall", setting="outdoor",
                        mount=mount, targets=(target,))  # fmt: skip
        view = geometry(camera).targets[0]
        if view.in_frame and view.px_per_m is not None and view.px_per_m > 12:
            need = view.px_per_m / rng.uniform(1.0, 2.5)
            return replace(camera, targets=(replace(target, required_px_per_m=need),))


def _true_pose(rng: np.random.Generator, camera: Camera, kind: str) -> Pose:
    """How it was really put up."""
    bearing, pitch, roll = rng.normal(0, 1.0), rng.normal(0, 1.0), rng.normal(0, 0.7)
    sign = rng.choice([-1, 1])
    if kind == "aim":
        pitch = sign * rng.uniform(5, 25)
    elif kind == "level":
        roll = sign * rng.uniform(3, 15)
    elif kind == "bearing":
        bearing = sign * rng.uniform(5, 40)
    return Pose(camera.bearing_deg + bearing, camera.pitch_deg + pitch, camera.roll_deg + roll)


def _lost(camera: Camera, pose: Pose, lens: Lens, limits: Limits) -> bool:
    view = geometry(replace(camera, lens=lens), pose).targets[0]
    need = camera.targets[0].required_px_per_m or 0.0
    return not view.in_frame or (view.px_per_m or 0.0) < need * limits.target.density_fraction


def simulate(cameras: int, sd_deg: float, seed: int, limits: Limits | None = None) -> Iterator[Outcome]:
    """Draw cameras, put them up, measure them with sds around ``sd_deg``, and judge them."""
    limits = limits or load_limits()
    rng = np.random.default_rng(seed)
    for index in range(cameras):
        kind = str(rng.choice(KINDS, p=_SHARES))
        camera = _draw_camera(rng, index)
        pose = _true_pose(rng, camera, kind)
        lens = camera.lens.with_hfov(camera.lens.hfov_deg * (1 + rng.normal(0, limits.lens.hfov_sd_fraction)))
        moved = (0.0, 0.0, 0.0)
        if kind == "movement":
            moved = tuple(float(rng.choice([-1, 1]) * rng.uniform(1, 12)) if rng.random() < 0.6 else 0.0 for _ in "abc")
        today = Pose(pose.bearing_deg + moved[0], pose.pitch_deg + moved[1], pose.roll_deg + moved[2])
        off, turn = today.pitch_deg - camera.pitch_deg, today.roll_deg - camera.roll_deg
        planned_sky = open_sky_fraction(camera.lens, camera.pitch_deg, camera.roll_deg)
        sky = open_sky_fraction(lens, today.pitch_deg, today.roll_deg) * (1 - rng.uniform(0, 0.7))
        by_pose = (
            abs(off) > limits.aim.pitch_tolerance_deg
            or abs(turn) > limits.level.roll_tolerance_deg
            or sky > planned_sky + limits.sky.excess_fraction
            or max(abs(moved[0]), abs(moved[1])) > limits.movement.turn_deg
            or abs(moved[2]) > limits.level.roll_tolerance_deg
        )
        held_ahead = Pose(camera.bearing_deg, today.pitch_deg, today.roll_deg)
        lost_ahead = _lost(camera, held_ahead, lens, limits)
        faulty = by_pose or lost_ahead
        bearing_alone = not faulty and _lost(camera, today, lens, limits)
        evidence = _measure(rng, today, camera, sky, moved if kind == "movement" else None, sd_deg)
        yield Outcome(kind, faulty, bearing_alone, judge_camera(camera, evidence, limits).state)


def _measure(
    rng: np.random.Generator, today: Pose, camera: Camera, sky: float, moved: tuple[float, ...] | None, sd_deg: float
) -> CameraEvidence:
    """Honest measurements: the error's sd is the one that is stated, another for each camera."""
    sd = sd_deg * float(np.exp(rng.normal(0, 0.4)))
    roll_sd, sky_sd = 0.6 * sd, float(rng.uniform(0.005, 0.03))
    seen = rng.random() > 0.1
    orientation = Orientation(
        today.roll_deg + rng.normal(0, roll_sd) if seen else None,
        roll_sd if seen else None,
        today.pitch_deg + rng.normal(0, sd) if seen else None,
        sd if seen else None,
        None if seen else "too few lines",
        camera.lens,
    )
    measured = ImageMeasurement(
        camera.lens.width_px,
        camera.lens.height_px,
        orientation,
        Sky(float(np.clip(sky + rng.normal(0, sky_sd), 0, 1)), sky_sd, None),
        Clarity(0.02, "clear", None, 0.97),
        0.0,
    )
    shot = Snapshot("day.jpg", "0", camera.lens.width_px, camera.lens.height_px, None, False, measured)
    comparisons: tuple[Comparison, ...] = ()
    if moved is not None:
        change_sd = float(rng.uniform(0.05, 0.3))
        noisy = [m + rng.normal(0, change_sd) for m in moved]
        comparisons = (
            Comparison("ref.jpg", "day.jpg", False, ViewChange(0.99, noisy[0], change_sd, noisy[1], change_sd, noisy[2],
                                                               change_sd)),
        )  # fmt: skip
    roles = ("snapshot", "label", "wide view", "bracket")
    placements = tuple(Placement(f"{r}.jpg", camera.camera, 0.99, "placed", r, role=r) for r in roles)
    return CameraEvidence(placements=placements, snapshots=(shot,), comparisons=comparisons)


def score(outcomes: list[Outcome]) -> Score:
    """Shares: faults missed among the faulty, good ones condemned among the good."""
    counted = [o for o in outcomes if not o.bearing_alone]
    faulty = [o for o in counted if o.faulty]
    good = [o for o in counted if not o.faulty]
    states = Counter(o.state for o in outcomes)
    return Score(
        len(outcomes),
        len(faulty),
        sum(o.state == "as planned" for o in faulty) / max(1, len(faulty)),
        sum(o.state == "defect" for o in good) / max(1, len(good)),
        states["to check"] / max(1, len(outcomes)),
        states["not verified"] / max(1, len(outcomes)),
        len(outcomes) - len(counted),
    )


def main() -> None:
    """Print the curve."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 4000
    print("sd_deg cameras faulty missed condemned to_check not_verified bearing_alone")
    for sd in (0.1, 0.25, 0.5, 1.0, 1.5, 2.0, 3.0):
        s = score(list(simulate(count, sd, seed=round(1000 * sd))))
        print(f"{sd:6.2f} {s.cameras:7d} {s.faulty:6d} {s.missed:6.2%} {s.condemned:8.2%} {s.to_check:9.1%} "
              f"{s.not_verified:10.1%} {s.bearing_alone:6d}", flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
