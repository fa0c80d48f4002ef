"""Walks drawn from work orders: crews that mix, split, come back to what they forgot, and hand phones on.

Shares nothing with :mod:`tests.bench.walks` but the type that it hands out. Time runs in events: each crew has a list of orders, walks to
the nearest one left, and works it off shot by shot; who holds which phone changes at noon. Positions err by a slow random walk with
jumps, directions by the holder's habit.
"""

from __future__ import annotations

import heapq
from datetime import UTC, datetime, timedelta

import numpy as np

from audit.lens import Lens
from audit.photos.photo import Metadata, Photo
from audit.plan.model import Camera, Site
from audit.plan.places import from_local
from tests.bench.walks import Walk

__all__ = ["make_walk"]

ORIGIN = (51.2, -31.4)
LENS = Lens(2560, 1440, 85.0)
#: Width of a site by kind, metres for each root of a camera, and share of photos with a position, and its scale, metres.
_WIDE = {"campus": 17.0, "street": 22.0, "warehouse": 12.0, "building": 8.0}
_FIXED = {"campus": 0.9, "street": 0.99, "warehouse": 0.25, "building": 0.05}
_ERROR_M = {"campus": 5.0, "street": 8.0, "warehouse": 18.0, "building": 22.0}
#: What each order asks for, and the share of orders that leave a shot out or want another one.
_SHOTS, _LEFT_OUT, _ONE_MORE = ("label", "wide", "bracket"), 0.18, 0.35
#: Chances: a stray after an order, coming back once more to a camera that is done, a readable label, a wrong one among them.
_STRAY, _BACK, _READABLE, _MISREAD = 0.2, 0.03, 0.12, 0.01


def _plan(kind: str, count: int, rng: np.random.Generator) -> list[Camera]:
    side = _WIDE[kind] * np.sqrt(count)
    floors = max(1, count // 60) if kind == "building" else 1
    if kind == "street":
        bends = np.cumsum(rng.normal((45, 0), (10, 22), (max(3, count // 5), 2)), axis=0)
        at = np.interp(np.linspace(0, len(bends) - 1, count), np.arange(len(bends)), np.arange(len(bends)))
        low = np.floor(at).astype(int).clip(0, len(bends) - 2)
        spots = bends[low] + (at - low)[:, None] * (bends[low + 1] - bends[low]) + rng.normal(0, 4, (count, 2))
    elif kind == "campus":
        houses = rng.uniform(0, side, (max(2, count // 9), 2))
        spots = houses[rng.integers(len(houses), size=count)] + rng.choice((-1, 1), (count, 2)) * rng.uniform(8, 30, (count, 2))
    else:
        spots = rng.uniform(0, side / np.sqrt(floors), (count, 2)).round(-0)
    order = np.lexsort((spots[:, 1] // 25, spots[:, 0] // 60))
    if rng.random() < 0.4:
        rng.shuffle(order)
    return [
        Camera(f"K-{n + 1:03d}", float(spots[i, 0]), float(spots[i, 1]), 4.0, float(rng.uniform(0, 360)), -18.0, LENS,
               floor=str(n * floors // count), serial=f"E{int(rng.integers(10**7, 10**8))}")
        for n, i in enumerate(order)
    ]  # fmt: skip


class _Phone:
    """Errors of one phone: they creep, and now and then jump."""

    def __init__(self, name: str, kind: str, rng: np.random.Generator) -> None:
        self.name, self.kind, self.rng = name, kind, rng
        self.error_m = rng.normal(0, _ERROR_M[kind], 2)
        self.compass_deg = float(rng.normal(0, 12))
        self.clock = timedelta(seconds=float(rng.uniform(-90, 90)))
        self.last = 0.0

    def metadata(self, now: float, spot: np.ndarray, look_deg: float, start: datetime) -> Metadata:
        rng, scale = self.rng, _ERROR_M[self.kind]
        away = min(1.0, max(0.0, now - self.last) / 400)
        self.error_m = self.error_m * (1 - away) + rng.normal(0, scale * np.sqrt(away * (2 - away)) + 0.6, 2)
        if rng.random() < 0.015:
            self.error_m = rng.normal(0, 2.5 * scale, 2)
        self.last = now
        more: dict[str, object] = {}
        if rng.random() < _FIXED[self.kind]:
            latitude, longitude = from_local(*(float(v) for v in spot + self.error_m), ORIGIN)
            more = {"latitude": latitude, "longitude": longitude, "position_error_m": float(round(scale * rng.gamma(5, 0.22) + 2, 1))}
        if rng.random() < 0.88:
            more |= {"bearing_deg": (look_deg + self.compass_deg + rng.laplace(0, 9)) % 360, "bearing_reference": "T"}
        taken = start + timedelta(seconds=round(now)) + self.clock
        return Metadata(taken_at=taken.replace(microsecond=0), device=self.name, **more)  # type: ignore[arg-type]


def make_walk(kind: str, count: int = 300, seed: int = 0, codes: str = "some") -> Walk:
    """One visit; ``codes`` is ``some`` (an eighth of the photos) or ``all`` (a label shot of each camera)."""
    rng = np.random.default_rng([41, seed, count, len(kind)])
    cameras = _plan(kind, count, rng)
    spots = np.array([(c.east_m, c.north_m, 30.0 * int(c.floor or 0)) for c in cameras])
    forgotten = set(rng.choice(count, max(1, int(count * rng.uniform(0.02, 0.06))), replace=False).tolist())
    crews = int(rng.integers(1, 4))
    owner = np.argsort(np.argsort(spots @ rng.normal(0, 1, 3))) * crews // count
    left = [[i for i in range(count) if owner[i] == crew and i not in forgotten] for crew in range(crews)]
    phones = [_Phone(f"P{k} 77{k}", kind, rng) for k in range(crews)]
    noon = rng.uniform(0.3, 0.7) * count / crews * 130
    start = datetime(2026, 3, 3, 7, 30, tzinfo=UTC).replace(tzinfo=None)
    rows: list[tuple[datetime, Metadata, int | None, int, str]] = []
    queue = [(float(rng.uniform(0, 200)), crew, crew, left[crew][0]) for crew in range(crews) if left[crew]]
    heapq.heapify(queue)
    while queue:
        now, crew, holder, at = heapq.heappop(queue)
        wanted = [s for s in _SHOTS if rng.random() > _LEFT_OUT or s == "label" and codes == "all"] or ["wide"]
        wanted += ["again"] * int(rng.random() < _ONE_MORE)
        for shot in wanted:
            now += float(rng.gamma(2.2, 7.0)) + (12.0 if shot == "bracket" else 0.0)
            turn = np.radians(cameras[at].bearing_deg + rng.normal(0, 32))
            reach = {"label": 0.8, "bracket": 2.0}.get(shot, rng.uniform(4, 11))
            spot = spots[at, :2] + reach * np.array([np.sin(turn), np.cos(turn)])
            meta = phones[holder].metadata(now, spot, float(np.degrees(turn) + 180), start)
            if rng.random() < _READABLE if codes == "some" else shot == "label":
                read = int(rng.integers(count)) if rng.random() < _MISREAD else at
                meta = _with(meta, f"S/N {cameras[read].serial}")
            rows.append((_at(meta), meta, at, at, {"label": "label", "bracket": "bracket"}.get(shot, "wide view")))
        if rng.random() < _STRAY:
            now += float(rng.exponential(25))
            meta = phones[holder].metadata(now, spots[at, :2] + rng.normal(0, 8, 2), float(rng.uniform(0, 360)), start)
            rows.append((_at(meta), meta, None, at, "something else"))
        if at in left[crew]:
            left[crew].remove(at)
        if left[crew]:
            way = np.linalg.norm(spots[left[crew]] - spots[at], axis=1)
            to = left[crew][int(np.argmin(way + rng.exponential(6, way.size)))]
            done = [i for i in range(count) if owner[i] == crew and i not in left[crew] and i not in forgotten]
            if rng.random() < _BACK and done:
                to = int(rng.choice(done))
            moved = now + 25 + float(np.linalg.norm(spots[to] - spots[at])) / float(rng.uniform(0.7, 1.3)) + float(rng.gamma(1.5, 30))
            holder = (holder + 1) % crews if now < noon <= moved else holder
            heapq.heappush(queue, (moved, crew, holder, to))
    rows.sort(key=lambda row: row[0])
    names = [f"{n:05d}.jpg" for n in range(len(rows))]
    photos = tuple(Photo(name, f"{n:064x}", 0, "JPEG", 4000, 3000, row[1]) for n, (name, row) in enumerate(zip(names, rows, strict=True)))
    truth = {name: None if row[2] is None else cameras[row[2]].camera for name, row in zip(names, rows, strict=True)}
    beside: dict[str, str | None] = {name: cameras[row[3]].camera for name, row in zip(names, rows, strict=True)}
    return Walk(Site(tuple(cameras), kind, *ORIGIN), photos, truth, beside, frozenset(cameras[i].camera for i in forgotten),
                {name: row[4] for name, row in zip(names, rows, strict=True)})


def _at(meta: Metadata) -> datetime:
    assert meta.taken_at is not None
    return meta.taken_at


def _with(meta: Metadata, text: str) -> Metadata:
    from dataclasses import replace

    return replace(meta, text=text)
