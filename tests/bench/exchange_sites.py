"""Simulated sites with exchanged cameras: how many exchanges are named, and what is ordered where they are not.

Cameras, lenses, poses, faults and measurements are drawn at random; then the pictures of some cameras are filed under
each other's name, in pairs and in rings of three, one camera in forty. Half of the rings are crossed cables or file names,
where device and picture go on telling who they are; half are devices hung at each other's place, where they tell the name
they lie under (common practice, no source). Run::

    python -m tests.bench.exchange_sites [sites]

prints shares, by the pictures alone and with what else a site may have: exchanges named as they are; exchanged cameras for
which a repair of their own is ordered instead; cameras falsely named; repairs that are due and wait for somebody to look
whose picture it is. Apart: exchanges that a picture can tell at all, which are those where something measured under a name
lies beyond the limits of its plan.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from audit.frames import camera_from_world
from audit.judge.evidence import CameraEvidence, Pointed, Snapshot
from audit.judge.exchange import weigh
from audit.judge.findings import judge_camera
from audit.judge.limits import Limits, load_limits
from audit.judge.written import Written
from audit.lens import Lens
from audit.measure.measurement import Clarity, ImageMeasurement, Orientation, Sky
from audit.plan.model import Camera, Landmark, Site
from audit.plan.optics import open_sky_fraction

__all__ = ["MORE", "Counted", "simulate_site"]

_SIZES = ((1920, 1080), (2560, 1440), (2688, 1520), (3840, 2160))
_HFOVS_DEG = (104.0, 84.0, 53.0, 31.0)
_ORDERS = ("defect", "to check")


@dataclass(frozen=True, slots=True)
class Counted:
    """What became of one site: exchanges, those that show, cameras, and repairs that their own faults ask for."""

    exchanged: int
    named: int
    telling: int
    telling_named: int
    exchanged_cameras: int
    repairs_instead: int
    falsely_named: int
    cameras: int
    repairs_due: int
    repairs_waiting: int


#: What a site may have besides its cameras' pictures: names burnt into them, devices that were asked, places pointed out.
MORE = ("names", "devices", "bearings")


@dataclass(frozen=True, slots=True)
class _Put:
    """How a camera was really put up, and what its pictures show by day."""

    camera: Camera
    pitch_deg: float
    roll_deg: float
    sky: float
    bearing_deg: float


def _draw(rng: np.random.Generator, index: int) -> Camera:
    indoor = bool(rng.random() < 0.3)
    hfov = float(rng.choice(_HFOVS_DEG, p=(0.35, 0.3, 0.25, 0.1)))
    width, height = _SIZES[int(rng.choice(4, p=(0.35, 0.15, 0.35, 0.15)))]
    pitch = -float(rng.uniform(2, 40))
    return Camera(f"C{index:03d}", float(rng.uniform(0, 200)), float(rng.uniform(0, 120)), float(rng.uniform(2.5, 6)),
                  float(rng.uniform(0, 360)), pitch, Lens(width, height, hfov), form="bullet", surface="wall",
                  setting="indoor" if indoor else "outdoor",
                  night="none" if indoor and rng.random() < 0.5 else "infrared")  # fmt: skip


def _put_up(rng: np.random.Generator, camera: Camera) -> _Put:
    """One in ten tilted wrong, one in twenty rolled; the rest within what crews hold."""
    pitch, roll, sign = rng.normal(0, 1.3), rng.normal(0, 0.8), rng.choice([-1, 1])
    fault = rng.random()
    if fault < 0.10:
        pitch = sign * rng.uniform(5, 25)
    elif fault < 0.15:
        roll = sign * rng.uniform(3, 15)
    most = open_sky_fraction(camera.lens, camera.pitch_deg + pitch, roll) if camera.setting == "outdoor" else 0.0
    return _Put(camera, camera.pitch_deg + pitch, roll, most * float(1 - rng.beta(1.5, 2.0)), camera.bearing_deg)


def _panned(rng: np.random.Generator, put: _Put) -> _Put:
    """One in sixteen panned wrong, the rest within what crews hold."""
    turned = rng.normal(0, 2.0) if rng.random() >= 0.06 else rng.choice([-1, 1]) * rng.uniform(8, 60)
    return replace(put, bearing_deg=put.bearing_deg + float(turned))


def _measured(rng: np.random.Generator, filed: Camera, put: _Put) -> CameraEvidence:
    """What is measured in a camera's pictures with the lens of the name that they lie under."""
    own = put.camera.lens
    seen, sky_seen = rng.random() < 0.85, rng.random() < 0.95
    sd, sky_sd = float(np.exp(rng.normal(np.log(1.0), 0.6))), float(rng.uniform(0.005, 0.03))
    power, error, roll_error = rng.uniform(-1, 1), rng.normal(0, sd), rng.normal(0, 0.6 * sd)

    def with_lens(hfov_deg: float) -> Orientation:
        """A wrong angle of view bends the pitch one way or the other, by what carries the measurement."""
        if not seen:
            return Orientation(None, None, None, None, "too few lines", own.with_hfov(hfov_deg))
        ratio = np.tan(np.radians(own.hfov_deg / 2)) / np.tan(np.radians(hfov_deg / 2))
        pitch = float(np.degrees(np.arctan(np.tan(np.radians(put.pitch_deg)) * ratio**power))) + error
        return Orientation(put.roll_deg + roll_error, 0.6 * sd, pitch, sd, None, own.with_hfov(hfov_deg))

    orientation = with_lens(filed.lens.hfov_deg)
    by_lens = [with_lens(hfov_deg) for hfov_deg in _HFOVS_DEG]
    if rng.random() < 0.7:
        told, told_sd = own.hfov_deg * float(np.exp(rng.normal(0, 0.15))), 0.15 * own.hfov_deg
        by_lens.append(Orientation(None, None, None, None, None, Lens(own.width_px, own.height_px, min(told, 150.0),
                                                                      told_sd, "estimated")))  # fmt: skip
    sky = Sky(float(np.clip(put.sky + rng.normal(0, sky_sd), 0, 1)), sky_sd, None) if sky_seen else Sky(None, None, "fog")
    clear = Clarity(0.02, "clear", None, 0.97)
    measured = ImageMeasurement(own.width_px, own.height_px, orientation, sky, clear, 0.0)
    shots = [Snapshot("day.jpg", "0", own.width_px, own.height_px, None, False, measured)]
    if put.camera.night != "none" and rng.random() < 0.6:
        grey = replace(clear, night=True)
        dark = replace(measured, orientation=Orientation(None, None, None, None, "dark", filed.lens), clarity=grey)
        shots.append(Snapshot("night.jpg", "1", own.width_px, own.height_px, None, True, dark))
    return CameraEvidence(snapshots=tuple(shots), by_lens=tuple(by_lens))


def _told(rng: np.random.Generator, filed: Camera, source: Camera, crossed: bool, cameras: list[Camera]) -> str | None:
    """The camera that a burnt-in name or a device's serial names; None where it can't be had."""
    if rng.random() < 0.05:
        return None
    if rng.random() < 0.01:
        return cameras[int(rng.integers(len(cameras)))].camera
    return source.camera if crossed else filed.camera


def _pointed(rng: np.random.Generator, put: _Put) -> tuple[Pointed, ...]:
    """One or two things of the plan pointed out in a picture, drawn up to half a metre wrong."""
    camera, found = put.camera, []
    rotation = camera_from_world(put.bearing_deg, put.pitch_deg, put.roll_deg)
    for number in range(int(rng.integers(1, 3))):
        aside = np.radians(rng.uniform(-0.4, 0.4) * camera.lens.hfov_deg)
        away = float(rng.uniform(6, 40))
        bearing = np.radians(put.bearing_deg) + aside
        east, north = away * np.sin(bearing), away * np.cos(bearing)
        up = float(rng.uniform(0, 2))
        pixel = camera.lens.project(rotation @ np.array([east, north, up - camera.height_m]))
        if not bool(camera.lens.in_frame(pixel)):
            continue
        off = rng.normal(0, 0.4, 2)
        place = Landmark(f"post {number}", camera.east_m + east + off[0], camera.north_m + north + off[1], up)
        size = camera.lens.width_px, camera.lens.height_px
        found.append(Pointed(place.landmark, place, "day.jpg", (float(pixel[0]), float(pixel[1])), size, "R. Weber"))
    return tuple(found)


def _with_more(rng: np.random.Generator, evidence: dict[str, CameraEvidence], put: list[_Put], source: dict[int, int],
               crossed: set[int], more: Sequence[str]) -> dict[str, CameraEvidence]:  # fmt: skip
    """The same with what names, devices and persons tell."""
    cameras = [p.camera for p in put]
    found = {}
    for k, camera in enumerate(cameras):
        name, serial = (_told(rng, camera, cameras[source[k]], k in crossed, cameras) for _ in range(2))
        seen = _pointed(rng, put[source[k]]) if rng.random() < 0.5 else ()
        found[camera.camera] = replace(
            evidence[camera.camera],
            written=(Written("day.jpg", name, name, True),) if name is not None and "names" in more else (),
            device_owner=serial if "devices" in more else None,
            pointed=seen if "bearings" in more else (),
        )
    return found


def _rings(rng: np.random.Generator, cameras: list[Camera]) -> list[tuple[int, ...]]:
    """Pairs and rings of three, one camera in forty and at least one pair: half with cameras nearby, half anywhere."""
    free, rings = set(range(len(cameras))), []
    wanted = max(2, round(len(cameras) / 40))
    while wanted >= 2:
        size = 3 if wanted >= 3 and rng.random() < 0.4 else 2
        first = int(rng.choice(sorted(free)))
        near = sorted(free - {first}, key=lambda k: np.hypot(cameras[k].east_m - cameras[first].east_m,
                                                            cameras[k].north_m - cameras[first].north_m))  # fmt: skip
        pool = near[:6] if rng.random() < 0.5 else near
        ring = (first, *(int(k) for k in rng.choice(pool, size - 1, replace=False)))
        free -= set(ring)
        rings.append(ring)
        wanted -= size
    return rings


def simulate_site(seed: int, limits: Limits, more: Sequence[str] = ()) -> Counted:
    """Draw a site of 40 to 120 cameras, exchange some, measure, and look what is named with ``more`` of MORE."""
    rng = np.random.default_rng(seed)
    cameras = [_draw(rng, k) for k in range(int(rng.integers(40, 121)))]
    put = [_put_up(rng, camera) for camera in cameras]
    rings = _rings(rng, cameras)
    source = {k: k for k in range(len(cameras))}
    for ring in rings:
        source |= dict(zip(ring, (*ring[1:], ring[0]), strict=True))
    site = Site(tuple(cameras))
    evidence = {c.camera: _measured(rng, c, put[source[k]]) for k, c in enumerate(cameras)}
    # drawn apart, so that what the pictures show stays the same whatever else there is
    other = np.random.default_rng((seed, 1))
    crossed = {k for ring in rings if other.random() < 0.5 for k in ring}
    evidence = _with_more(other, evidence, [_panned(other, p) for p in put], source, crossed, more)
    weighed = weigh(site, evidence, limits)
    found = weighed.exchanges
    told = {frozenset(zip(e.cameras, (*e.cameras[1:], e.cameras[0]), strict=True)) for e in found}
    named_cameras = {name for exchange in found for name in exchange.cameras}
    names = [[cameras[k].camera for k in ring] for ring in rings]
    hits = [frozenset(zip(n, (*n[1:], n[0]), strict=True)) in told for n in names]
    ordered = {c.camera for c in cameras if _asked(c, evidence[c.camera], limits)}
    waiting = {name for name in ordered & set(weighed.doubts)
               if not _asked(site.camera(name), replace(evidence[name], doubt=weighed.doubts[name]), limits)}  # fmt: skip
    tells = [any(name in ordered for name in ring) for ring in names]
    exchanged = {name for ring in names for name in ring}
    return Counted(
        len(rings), sum(hits), sum(tells), sum(h for h, t in zip(hits, tells, strict=True) if t), len(exchanged),
        len((ordered & exchanged) - named_cameras - waiting), len(named_cameras - exchanged), len(cameras),
        len(ordered - exchanged), len(waiting - exchanged),
    )  # fmt: skip


def _asked(camera: Camera, evidence: CameraEvidence, limits: Limits) -> bool:
    """Whether a repair of the camera's own place would be ordered."""
    findings = judge_camera(camera, evidence, limits).findings
    return any(f.state == "defect" and f.check in ("aim", "level", "sky", "target") for f in findings)


def main() -> None:
    """Print the shares."""
    sites = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    limits = load_limits()
    for more in ((), *((one,) for one in MORE), MORE):
        total = np.sum([[getattr(c, f) for f in Counted.__slots__] for c in
                        (simulate_site(seed, limits, more) for seed in range(500, 500 + sites))], axis=0)  # fmt: skip
        n = dict(zip(Counted.__slots__, (int(v) for v in total), strict=True))
        print(f"{' and '.join(('pictures', *more))}: named {n['named'] / n['exchanged']:.1%} of {n['exchanged']}, of those that show "
              f"{n['telling_named'] / n['telling']:.1%}; repairs instead {n['repairs_instead'] / n['exchanged_cameras']:.1%} of "
              f"{n['exchanged_cameras']} exchanged cameras; falsely named {n['falsely_named'] / n['cameras']:.2%} of {n['cameras']}; "
              f"{n['repairs_waiting'] / n['repairs_due']:.1%} of {n['repairs_due']} due repairs wait")  # fmt: skip


if __name__ == "__main__":
    main()
