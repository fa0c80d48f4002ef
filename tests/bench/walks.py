"""Invented walks of crews past invented sites, with errors as phones make them, for measuring the matching.

Errors of position persist for minutes (5 m under open sky, 25 m between buildings, none indoors), compass errors have
heavy tails and depend on the place, clocks are wrong, some photos belong to no camera. Every site draws its own
parameters, from ranges wider than what the matching assumes.
"""

# ruff: noqa: B023  (the inner function is called within its own iteration alone)
from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np

from audit.lens import Lens
from audit.photos.photo import Metadata, Photo
from audit.plan.model import Camera, Site
from audit.plan.places import from_local

__all__ = ["KINDS", "Walk", "make_walk"]

KINDS = ("campus", "street", "warehouse", "building")
ORIGIN = (46.5, -18.0)


@dataclass(frozen=True, slots=True)
class Walk:
    """A simulated visit: plan, photos, and each photo's camera (None = stray) and the camera beside it; and
    what each photo shows (``label``, ``bracket``, ``wide view`` or ``something else``)."""

    site: Site
    photos: tuple[Photo, ...]
    truth: dict[str, str | None]
    beside: dict[str, str | None] = field(default_factory=dict)
    missed: frozenset[str] = frozenset()
    shots: dict[str, str] = field(default_factory=dict)


def _cameras(kind: str, count: int, rng: np.random.Generator) -> list[Camera]:
    places: list[tuple[float, float, float, str]] = []
    if kind == "campus":
        side = math.sqrt(count) * rng.uniform(13, 20)
        blocks = rng.uniform(0, side, (max(count // 12, 2), 2))
        while len(places) < count:
            block = blocks[rng.integers(len(blocks))]
            east, north = block + rng.normal(0, 28, 2)
            for bearing in _pole(rng, 0.2):
                places.append((east, north, bearing, "0"))
    elif kind == "street":
        streets = max(int(math.sqrt(count / 6)), 1)
        spacing = rng.uniform(18, 30)
        per = math.ceil(count / 1.5 / streets)
        for street in range(streets):
            for post in range(per):
                along, side = post * spacing + rng.normal(0, 3), (post % 2) * rng.uniform(6, 12)
                east, north = (along, street * 70 + side)
                for bearing in _pole(rng, 0.35, (90.0, 270.0)):
                    places.append((east, north, bearing, "0"))
    elif kind == "warehouse":
        columns = max(int(math.sqrt(count * 1.5)), 1)
        aisle, bay = rng.uniform(6, 10), rng.uniform(10, 16)
        for i in range(count):
            row, column = divmod(i, columns)
            column = column if row % 2 == 0 else columns - 1 - column
            places.append((column * bay, row * aisle, float(rng.choice([0, 90, 180, 270])), "0"))
    else:
        floors = max(count // 40, 1)
        per = math.ceil(count / floors)
        for i in range(count):
            floor, k = divmod(i, per)
            corridor, along = divmod(k, 10)
            places.append((along * 9 + rng.normal(0, 1), corridor * 14 + rng.normal(0, 1),
                           float(rng.choice([0, 90, 180, 270])), str(floor)))
    places = places[:count]
    if kind in ("campus",):
        rng.shuffle(places)
        order = _tour(np.array([(p[0], p[1]) for p in places]), rng, 2.0)
        places = [places[i] for i in order]
    lens = Lens(1920, 1080, 70.0)
    return [Camera(f"C{i + 1:05d}", float(e), float(n), 3.5, float(b) % 360, float(rng.uniform(-25, -8)), lens,
                   floor=f, serial=f"SN{i + 1:06d}{int(rng.integers(10, 99))}")
            for i, (e, n, b, f) in enumerate(places)]


def _pole(rng: np.random.Generator, share: float, bearings: tuple[float, ...] = ()) -> list[float]:
    first = float(rng.choice(bearings) + rng.normal(0, 12)) if bearings else float(rng.uniform(0, 360))
    if rng.random() > share:
        return [first]
    heads = int(rng.integers(2, 5))
    return [first + 360 / heads * k + float(rng.normal(0, 10)) for k in range(heads)]


def _tour(points: np.ndarray, rng: np.random.Generator, noise: float) -> list[int]:
    """A walk from near camera to near camera, not the shortest."""
    from scipy.spatial import cKDTree

    count = len(points)
    tree = cKDTree(points)
    left = np.ones(count, dtype=bool)
    at = int(np.argmin(points.sum(axis=1)))
    order = []
    for _ in range(count):
        order.append(at)
        left[at] = False
        k = 16
        while True:
            distance, index = tree.query(points[at], k=min(k, count))
            good = left[np.atleast_1d(index)]
            if good.any() or k >= count:
                break
            k *= 4
        if not good.any():
            break
        d, i = np.atleast_1d(distance)[good], np.atleast_1d(index)[good]
        at = int(i[np.argmin(d * np.exp(rng.normal(0, 0.15 * noise, d.size)) + rng.exponential(noise, d.size))])
    return order


def make_walk(
    kind: str,
    count: int = 300,
    seed: int = 0,
    codes: str = "some",
    crews: int = 1,
    one_stream: bool = False,
    misfit: bool = False,
) -> Walk:
    """Invents one visit.

    Parameters
    ----------
    kind : str
        ``campus``, ``street``, ``warehouse`` or ``building``.
    codes : str
        ``some``: 12 % of photos carry a readable id; ``all``: one photo of every camera does.
    crews : int
        Crews, each with its own part of the site.
    one_stream : bool
        Both crews use one phone model, and nothing tells their files apart.
    misfit : bool
        Noise of another form than the matching assumes: errors of position that walk and jump, compass errors of
        90 degrees by holding, photographers anywhere round the camera, gaps without any pattern.
    """
    rng = np.random.default_rng([seed, KINDS.index(kind), count, crews, int(misfit)])
    cameras = _cameras(kind, count, rng)
    site = Site(tuple(cameras), kind, *ORIGIN)
    points = np.array([(c.east_m, c.north_m) for c in cameras])
    by_plan = rng.random() < 0.3
    missed = set(rng.permutation(count)[: int(round(count * rng.uniform(0.01, 0.05)))].tolist())
    tours: list[list[int]] = []
    keys = np.array([(float(c.floor) if c.floor else 0.0) for c in cameras])
    if crews == 1:
        groups = [np.arange(count)]
    else:
        split = np.argsort(points[:, 0] + 1e4 * keys, kind="stable")
        groups = np.array_split(split, crews)
    for group in groups:
        walk_points = np.column_stack([points[group], keys[group] * 60])
        order = list(range(len(group))) if by_plan and crews == 1 else _tour(walk_points, rng, rng.uniform(0.5, 3))
        tours.append([int(group[i]) for i in order if int(group[i]) not in missed])

    sigma = {"campus": rng.uniform(4, 7), "street": rng.uniform(5, 12), "warehouse": rng.uniform(15, 30),
             "building": rng.uniform(15, 30)}[kind]
    has_gps = {"campus": 0.97, "street": 0.95, "warehouse": 0.15, "building": 0.1}[kind]
    tau = rng.uniform(60, 300)
    stated_factor = rng.uniform(0.7, 1.4)
    compass_sd = rng.uniform(10, 20)
    stance_sd = rng.uniform(10, 30)
    stay_gap, set_up = rng.uniform(6, 20), rng.uniform(20, 70)
    mean_photos = rng.uniform(2.4, 3.4)
    label_first = rng.random() < 0.5
    canyon = rng.random(max(count // 10, 1)) < (0.3 if kind in ("campus", "street") else 0.0)
    cells = np.minimum((np.arange(count) * len(canyon)) // count, len(canyon) - 1)
    place_error = rng.standard_t(3, count) * compass_sd * 0.7
    photos: list[Photo] = []
    truth: dict[str, str | None] = {}
    beside: dict[str, str | None] = {}
    shots: dict[str, str] = {}
    start = datetime(2026, 6, 16, 9, 0, tzinfo=UTC)
    number = 0
    raw: list[tuple[float, int, Metadata, int | None, int, str | None]] = []
    for crew, tour in enumerate(tours):
        clock = rng.normal(0, 600) if not one_stream else 0.0
        now = rng.uniform(0, 120)
        error = rng.normal(0, 1, 2)
        error_at = now
        last = tour[0]

        def shoot(camera: int | None, near: int, where: np.ndarray, look: float, code: bool,
                  hash_: str | None) -> None:
            nonlocal error, error_at
            keep = math.exp(-(now - error_at) / tau)
            if misfit:
                keep = 1.0 if rng.random() > 1 - keep else 0.0
            error = keep * error + math.sqrt(1 - keep**2) * rng.normal(0, 1, 2)
            error_at = now
            scale = max(sigma, 25.0 * rng.uniform(0.6, 1.0)) if canyon[cells[near]] else sigma
            meta: dict[str, object] = {}
            if rng.random() < has_gps:
                fix = where + error * scale + rng.normal(0, 1.0, 2)
                lat, lon = from_local(float(fix[0]), float(fix[1]), ORIGIN)
                meta |= {"latitude": round(lat, 7), "longitude": round(lon, 7),
                         "position_error_m": round(float(scale * stated_factor * rng.lognormal(0, 0.25)), 1)}
            if rng.random() < 0.93:
                wrong = place_error[near] + rng.normal(0, compass_sd * 0.6)
                if misfit and rng.random() < 0.15:
                    wrong += rng.choice([90.0, -90.0, 180.0])
                meta |= {"bearing_deg": float((look + wrong + 4.66) % 360), "bearing_reference": "M"}
            if code and camera is not None:
                text = cameras[camera].serial if rng.random() < 0.7 else cameras[camera].camera
                meta["text"] = f"label {text}"
            when = (start + timedelta(seconds=round(now + clock))).replace(tzinfo=None)
            device = "phone A" if one_stream else f"phone {crew}"
            raw.append((now, crew, Metadata(taken_at=when, device=device, **meta),  # type: ignore[arg-type]
                        camera, near, hash_))

        for camera in tour:
            way = float(np.hypot(*(points[camera] - points[last])))
            way += 20.0 * (cameras[camera].floor != cameras[last].floor)
            if rng.random() < 0.15:
                now += way / 2 + rng.uniform(5, 60)
                spot = points[last] + (points[camera] - points[last]) * rng.uniform(0, 1) + rng.normal(0, 4, 2)
                near = last if np.hypot(*(spot - points[last])) < np.hypot(*(spot - points[camera])) else camera
                shoot(None, near, spot, rng.uniform(0, 360), False, None)
                while rng.random() < 0.15:
                    now += rng.exponential(20) + 2
                    shoot(None, near, spot + rng.normal(0, 2, 2), rng.uniform(0, 360), False, None)
            now += way / rng.uniform(0.9, 1.5) + set_up * rng.lognormal(0, 0.5)
            if misfit and rng.random() < 0.1:
                now += rng.exponential(600)
            last = camera
            c = cameras[camera]
            total = max(1, int(rng.poisson(mean_photos - 1)) + 1)
            label_at = (0 if label_first else total - 1) if rng.random() < 0.8 else int(rng.integers(total))
            anywhere = misfit and rng.random() < 0.4
            side = c.bearing_deg + (rng.uniform(-180, 180) if anywhere else rng.normal(0, stance_sd))
            for k in range(total):
                if k:
                    now += stay_gap * rng.lognormal(0, 1.0 if misfit else 0.7)
                reach = rng.uniform(1.0, 8.0)
                angle = math.radians(side + rng.normal(0, 10))
                where = points[camera] + reach * np.array([math.sin(angle), math.cos(angle)])
                look = math.degrees(angle) + 180.0
                code = (k == label_at) if codes == "all" else rng.random() < 0.133
                shoot(camera, camera, where, look, code, None)
                if rng.random() < 0.05:
                    now += rng.uniform(0.5, 2.0)
                    shoot(camera, camera, where, look, False, None)
            if rng.random() < 0.12:
                now += stay_gap * rng.lognormal(0, 0.7)
                shoot(None, camera, points[camera] + rng.normal(0, 5, 2), rng.uniform(0, 360), False, None)
    for _, _, meta, camera, near, hash_ in sorted(raw, key=lambda r: r[0]):
        number += 1
        name = f"p{number:06d}.jpg"
        photos.append(Photo(name, f"{number:064x}", 0, "JPEG", 4032, 3024, meta, picture_hash=hash_))
        truth[name] = cameras[camera].camera if camera is not None else None
        beside[name] = cameras[near].camera
        own = "label" if meta.text else ("wide view", "bracket")[number % 2]
        shots[name] = own if camera is not None else "something else"
    return Walk(site, tuple(photos), truth, beside, frozenset(cameras[i].camera for i in missed), shots)
