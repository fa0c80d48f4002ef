"""Walks by way of the labels: all labels of a part of the site in one go, first or last, then wide views, then brackets.

Shares nothing with the other makers of walks but the type that they hand out. A camera is so visited two or three times, each time for one
picture or two; a stray comes before every third camera.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from math import cos, pi, sin, tau

import numpy as np

from audit.lens import Lens
from audit.photos.photo import Metadata, Photo
from audit.plan.model import Camera, Site
from audit.plan.places import from_local
from tests.bench.walks import Walk

__all__ = ["make_walk"]

ORIGIN = (60.1, -20.5)
LENS = Lens(3840, 2160, 60.0)
_SCALE_M = {"campus": 6.0, "street": 6.0, "warehouse": 24.0, "building": 28.0}
_FIXES = {"campus": 1.0, "street": 0.97, "warehouse": 0.1, "building": 0.12}


def _plan(kind: str, count: int, rng: np.random.Generator) -> list[Camera]:
    """Cameras along fences and corridors: rings about yards, or spokes of a hall."""
    made = []
    per = 12 if kind in ("campus", "building") else 20
    for n in range(count):
        part, k = divmod(n, per)
        if kind == "campus":
            angle, radius = tau * k / per, 35.0 + 9.0 * (part % 3)
            east, north, look = 150.0 * (part % 5) + radius * cos(angle), 140.0 * (part // 5) + radius * sin(angle), 90 - angle * 180 / pi
        elif kind == "street":
            east, north, look = 26.0 * k + 4 * (n % 2), 90.0 * part, (0.0, 180.0)[n % 2]
        elif kind == "warehouse":
            east, north, look = 11.0 * (k % 10), 16.0 * part + 7.0 * (k // 10), 90.0 * ((n * 7) % 4)
        else:
            east, north, look = 6.5 * (k % 6), 11.0 * (k // 6) + 26.0 * ((part % 5) % 3), 180.0 * (k % 2) + 90.0 * (part % 2)
        floor = part // 5 if kind == "building" else 0
        jitter = rng.uniform(-1.5, 1.5, 2)
        name = f"Z{part + 1}.{k + 1:02d}"
        made.append(Camera(name, east + jitter[0], north + jitter[1], 5.0, look % 360, -12.0, LENS, floor=str(floor), serial=f"{n:03d}-{int(rng.integers(10**5, 10**6))}"))
    return made


def make_walk(kind: str, count: int = 300, seed: int = 0, codes: str = "some") -> Walk:
    """One visit by one crew with one phone, part by part of the site."""
    rng = np.random.default_rng([47, seed, count, len(kind)])
    cameras = _plan(kind, count, rng)
    missed = frozenset(c.camera for c in cameras if rng.random() < 0.025)
    size = int(rng.integers(6, 25))
    labels_last, one_go = bool(rng.random() < 0.5), bool(rng.random() < 0.3)
    rounds: list[tuple[int, str]] = []
    every = [n for n in range(count) if cameras[n].camera not in missed]
    for first in range(0, count, size):
        part = [n for n in every if first <= n < first + size]
        tours = [[(n, "label") for n in part], [(n, "wide") for n in part], [(n, "bracket") for n in reversed(part)]]
        if one_go:
            tours = [[(n, shot) for n in part for shot in ("wide", "bracket")]]
        elif labels_last:
            tours = [*tours[1:], tours[0]]
        rounds += [stop for tour in tours for stop in tour]
    if one_go:
        rounds += [(n, "label") for n in (every if rng.random() < 0.5 else every[::-1])]
    error, scale = rng.normal(0, _SCALE_M[kind], 2), _SCALE_M[kind]
    now, number, photos = 0.0, 0, []
    truth: dict[str, str | None] = {}
    beside: dict[str, str | None] = {}
    shots: dict[str, str] = {}
    last = np.array([cameras[0].east_m, cameras[0].north_m])

    def take(n: int, shot: str, spot: np.ndarray, look_deg: float) -> None:
        nonlocal error, number
        error = 0.93 * error + 0.37 * rng.normal(0, scale, 2)
        more: dict[str, object] = {}
        if rng.random() < _FIXES[kind]:
            latitude, longitude = from_local(float(spot[0] + error[0]), float(spot[1] + error[1]), ORIGIN)
            more = {"latitude": latitude, "longitude": longitude}
            if rng.random() < 0.7:
                more["position_error_m"] = float(round(scale * rng.uniform(0.5, 2.0), 2))
        if rng.random() < 0.8:
            more |= {"bearing_deg": (look_deg + rng.standard_t(4) * 11 + 6) % 360, "bearing_reference": "M"}
        readable = rng.random() < 0.35 if codes == "some" else True
        if shot == "label" and readable:
            read = n if rng.random() > 0.01 else int(rng.integers(count))
            more["text"] = str(cameras[read].serial)
        name = f"S{number:06d}.jpg"
        taken = datetime(2026, 8, 9, 6, tzinfo=UTC) + timedelta(seconds=round(now))
        photos.append(Photo(name, f"{number:064x}", 0, "JPEG", 4624, 3468, Metadata(taken_at=taken, device="one", **more)))  # type: ignore[arg-type]
        truth[name], beside[name] = (None if shot == "stray" else cameras[n].camera), cameras[n].camera
        shots[name] = {"wide": "wide view", "stray": "something else"}.get(shot, shot)
        number += 1

    for stop, (n, shot) in enumerate(rounds):
        here = np.array([cameras[n].east_m, cameras[n].north_m])
        now += float(np.hypot(*(here - last))) / 1.4 + float(rng.triangular(5, 15, 70))
        if stop % 3 == 2:
            take(n, "stray", here + (last - here) * float(rng.uniform(0.1, 0.6)) + rng.normal(0, 3, 2), float(rng.uniform(0, 360)))
            now += float(rng.uniform(4, 40))
        last = here
        for _ in range(1 + int(rng.random() < 0.25)):
            turn = np.radians(cameras[n].bearing_deg + rng.triangular(-75, 0, 75))
            reach = 1.0 if shot == "label" else float(rng.triangular(2, 4, 9))
            take(n, shot, here + reach * np.array([np.sin(turn), np.cos(turn)]), float(np.degrees(turn)) + 180)
            now += float(rng.uniform(2, 14))
    return Walk(Site(tuple(cameras), kind, *ORIGIN), tuple(photos), truth, beside, missed, shots)
