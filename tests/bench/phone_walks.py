"""Walks whose phones let the crew down: fixes that are old or fall on a grid, compasses that stick, clocks that turn back an hour.

Shares nothing with the other makers of walks but the type that they hand out. The phone is a state that changes by chance (awake, asleep,
without compass); positions are what the state last knew.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np

from audit.lens import Lens
from audit.photos.photo import Metadata, Photo
from audit.plan.model import Camera, Site
from audit.plan.places import from_local
from tests.bench.walks import Walk

__all__ = ["make_walk"]

ORIGIN = (38.7, -28.1)
LENS = Lens(1920, 1080, 100.0)
#: Chance a photo that a phone falls asleep, wakes, loses its compass, gets it back; by kind the chance of a fix at all.
_SLEEPS, _WAKES, _STICKS, _FREES = 0.05, 0.3, 0.03, 0.08
_SEEN = {"campus": 0.99, "street": 0.9, "warehouse": 0.4, "building": 0.2}
_GRID_M = 40.0


def _row(kind: str, count: int) -> int:
    """Cameras side by side in a row of the plan."""
    return max(4, int(np.sqrt(count * (3.0 if kind in ("building", "warehouse") else 1.2))))


def _plan(kind: str, count: int, rng: np.random.Generator) -> list[Camera]:
    made: list[Camera] = []
    row = _row(kind, count)
    step = {"campus": 24.0, "street": 32.0, "warehouse": 15.0, "building": 7.0}[kind] * float(rng.uniform(0.8, 1.25))
    for n in range(count):
        across, along = divmod(n, row)
        floor = across // 3 if kind == "building" else 0
        east, north = along * step, (across % 3 if kind == "building" else across) * step * (2.5 if kind == "street" else 1.0)
        look = (90.0 if across % 2 else 270.0) if kind == "street" else float(rng.choice((45, 135, 225, 315)))
        shift = rng.normal(0, 0.15 * step, 2)
        made.append(Camera(f"{'ABCDEFGH'[floor % 8]}{n + 101}", east + shift[0], north + shift[1], 3.0, look, -25.0, LENS, floor=str(floor), serial=f"Q{n:04d}{int(rng.integers(1000, 9999))}"))
    return made


def make_walk(kind: str, count: int = 300, seed: int = 0, codes: str = "some") -> Walk:
    """One visit by one crew along the plan's rows, now forwards, now backwards."""
    rng = np.random.default_rng([43, seed, count, len(kind)])
    cameras = _plan(kind, count, rng)
    per = _row(kind, count)
    rows = [list(range(first, min(first + per, count))) for first in range(0, count, per)]
    tour: list[int] = []
    for k, members in enumerate(rows):
        tour += members[:: -1 if (k % 2) ^ int(rng.random() < 0.2) else 1]
    for _ in range(count // 15):
        a = int(rng.integers(len(tour) - 2))
        tour[a], tour[a + 1] = tour[a + 1], tour[a]
    missed = frozenset(cameras[n].camera for n in range(count) if rng.random() < 0.03)
    clock, back_at = timedelta(0), rng.uniform(0.2, 1.6)
    magnetic = bool(rng.random() < 0.5)
    asleep = stuck = False
    old, stuck_deg = np.zeros(2), 0.0
    start, now, number = datetime(2026, 10, 25, 8, 0, tzinfo=UTC).replace(tzinfo=None), 0.0, 0
    photos: list[Photo] = []
    truth: dict[str, str | None] = {}
    beside: dict[str, str | None] = {}
    shown: dict[str, str] = {}
    last = tour[0]
    for place, n in enumerate(tour):
        camera = cameras[n]
        here = np.array([camera.east_m, camera.north_m])
        if camera.camera in missed:
            continue
        now += float(np.hypot(*(here - (cameras[last].east_m, cameras[last].north_m)))) / 1.1 + float(rng.weibull(1.4) * 60)
        last = n
        own = int(rng.choice((1, 2, 3, 4, 6), p=(0.15, 0.3, 0.3, 0.15, 0.1)))
        shots: list[int | None] = [n] * own
        while rng.random() < 0.12:
            shots.insert(int(rng.integers(len(shots) + 1)), None)
        for k, belongs in enumerate(shots):
            now += float(rng.exponential(11)) + 1.5
            asleep = rng.random() > _WAKES if asleep else rng.random() < _SLEEPS
            if stuck != (rng.random() > _FREES if stuck else rng.random() < _STICKS):
                stuck, stuck_deg = not stuck, float(rng.uniform(0, 360))
            angle = np.radians(camera.bearing_deg + rng.uniform(-60, 60)) if belongs is not None else rng.uniform(0, 6.28)
            stand = here + rng.uniform(1.5, 7) * np.array([np.sin(angle), np.cos(angle)])
            if not asleep or k == 0 and place == 0:
                old = stand + rng.normal(0, 3.5 if kind in ("campus", "street") else 9.0, 2)
            fix, stated = old, float(rng.choice((4.7, 5.0, 6.4, 9.6, 12.0)))
            if rng.random() < 0.06:
                fix, stated = np.round(stand / _GRID_M) * _GRID_M, 35.0
            more: dict[str, object] = {}
            if rng.random() < _SEEN[kind]:
                latitude, longitude = from_local(float(fix[0]), float(fix[1]), ORIGIN)
                more = {"latitude": latitude, "longitude": longitude, "position_error_m": stated}
            look = stuck_deg if stuck else float(np.degrees(angle) + 180 + rng.normal(0, 14) + (9.0 if magnetic else 0.0))
            more |= {"bearing_deg": look % 360, "bearing_reference": "M" if magnetic else "T"}
            number_here = sum(one is not None for one in shots[:k])
            if belongs is not None and (rng.random() < 0.12 if codes == "some" else number_here == own // 2):
                named = cameras[int(rng.integers(count))] if rng.random() < 0.01 else camera
                more["text"] = named.camera if rng.random() < 0.5 else f"Ser. {named.serial}"
            if place > back_at * count:
                clock = timedelta(hours=-1)
            name = f"pic{number:04d}.jpeg"
            taken = start + timedelta(seconds=int(now)) + clock
            photos.append(Photo(name, f"{number:064x}", 0, "JPEG", 3264, 2448, Metadata(taken_at=taken, device="handset", **more)))  # type: ignore[arg-type]
            truth[name], beside[name] = (None if belongs is None else camera.camera), camera.camera
            shown[name] = "something else" if belongs is None else "label" if "text" in more else ("wide view", "bracket")[k % 2]
            number += 1
    return Walk(Site(tuple(cameras), kind, *ORIGIN), tuple(photos), truth, beside, missed, shown)
