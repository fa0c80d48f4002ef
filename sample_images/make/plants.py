"""Trees, hedges, bean rows, cabbages and grass as numpy meshes; every plant is fixed by its seed."""

from __future__ import annotations

import numpy as np
from shapes import Array, Shapes

__all__ = ["bean_row", "bush", "cabbage_row", "conifer", "creeper", "leaves", "reeds", "tree", "tuft"]


def leaves(into: Shapes, material: str, centres: Array, length: float, width: float, seed: int,
           droop: float = 0.5, close: bool = False) -> None:
    """One small rhombus a centre, turned at random; seen from close by, a pointed leaf folded along its rib."""
    rng = np.random.default_rng(seed)
    n = len(centres)
    heading = rng.uniform(0, 2 * np.pi, n)
    tip = rng.normal(-droop, 0.5, n)
    roll = rng.normal(0, 0.7, n)
    size = rng.uniform(0.65, 1.25, n)[:, None]
    along = np.column_stack([np.cos(heading) * np.cos(tip), np.sin(heading) * np.cos(tip), np.sin(tip)])
    side = np.column_stack([-np.sin(heading), np.cos(heading), np.zeros(n)])
    up = np.cross(along, side)
    side = side * np.cos(roll)[:, None] + up * np.sin(roll)[:, None]
    a, s = along * length * size, side * width * size / 2
    if close:
        lift = np.cross(along, side) * width * 0.18 * size
        outline = [centres, centres + a * 0.18 + s * 0.85 + lift, centres + a * 0.5 + s + lift, centres + a * 0.8 + s * 0.45 + lift, centres + a,
                   centres + a * 0.8 - s * 0.45 + lift, centres + a * 0.5 - s + lift, centres + a * 0.18 - s * 0.85 + lift, centres + a * 0.5]
        v = np.stack(outline, 1).reshape(-1, 3)
        i = np.arange(n)[:, None] * 9
        into.faces(material, v, np.vstack([i + np.array([q]) for q in ((0, 1, 2, 8), (8, 2, 3, 4), (8, 4, 5, 6), (0, 8, 6, 7))]), True)
        return
    v = np.stack([centres, centres + a * 0.5 + s, centres + a, centres + a * 0.5 - s], 1).reshape(-1, 3)
    into.faces(material, v, np.arange(4 * n).reshape(n, 4))


def _in_ball(rng: np.random.Generator, n: int) -> Array:
    d = rng.normal(size=(n, 3))
    d /= np.linalg.norm(d, axis=1, keepdims=True)
    return d * rng.uniform(0.35, 1.0, (n, 1)) ** 0.5


def tree(into: Shapes, height: float, seed: int, leaf: str = "leaf", count: int = 6000, bare: bool = False) -> None:
    """Broad-leaved tree with its foot at the origin."""
    rng = np.random.default_rng(seed)
    trunk = height * 0.30
    points = [np.zeros(3)]
    for _ in range(4):
        points.append(points[-1] + (rng.normal(0, 0.10), rng.normal(0, 0.10), trunk / 4))
    r = height * 0.022
    for k in range(4):
        into.tube("bark", points[k], points[k + 1], r * (1 - 0.1 * k), r * (0.9 - 0.1 * k), 10, False)
    centres = []
    for k in range(16):
        a = k * 2.4 + rng.uniform(-0.4, 0.4)
        z = height * rng.uniform(0.45, 0.92)
        reach = height * 0.27 * (1.15 - abs(z / height - 0.6))
        end = np.array([np.cos(a) * reach, np.sin(a) * reach, z])
        mid = points[-1] * 0.4 + end * 0.6 + (0, 0, height * 0.05)
        into.tube("bark", points[-1 - (k % 2)], mid, r * 0.45, r * 0.28, 7, False)
        into.tube("bark", mid, end, r * 0.28, r * 0.08, 6, False)
        for _ in range(4):
            twig = end + rng.normal(0, 0.10 * height, 3)
            into.tube("bark", mid * 0.35 + end * 0.65, twig, r * 0.12, r * 0.03, 5, False)
        centres.append(end)
    if bare:
        return
    per = count // len(centres)
    cloud = np.vstack([c + _in_ball(rng, per) * height * np.array([0.17, 0.17, 0.13]) for c in centres])
    leaves(into, leaf, cloud, 0.030 * height + 0.06, 0.018 * height + 0.04, seed + 1)


def conifer(into: Shapes, height: float, seed: int, count: int = 5200) -> None:
    """Spruce-like tree with its foot at the origin."""
    rng = np.random.default_rng(seed)
    into.tube("bark", (0, 0, 0), (0, 0, height * 0.97), height * 0.016, 0.02, 9, False)
    z = height * (0.10 + 0.9 * rng.uniform(0, 1, count) ** 1.35)
    reach = (height - z) * 0.26 + 0.12
    part = rng.uniform(0.15, 1.0, count)
    whorl = np.round(z * 1.8) * 0.7 + rng.integers(0, 7, count) * 0.9
    a = whorl + rng.normal(0, 0.16, count)
    c = np.column_stack([np.cos(a) * reach * part, np.sin(a) * reach * part, z - reach * part * 0.35])
    leaves(into, "needle", c, 0.045 * height * 0.8, 0.10 + 0.010 * height, seed + 1, 0.35)


def bush(into: Shapes, radius: float, height: float, seed: int, leaf: str = "leaf dark", count: int = 2600) -> None:
    """Low dense shrub or a piece of hedge."""
    rng = np.random.default_rng(seed)
    cloud = _in_ball(rng, count) * (radius, radius, height / 2) + (0, 0, height / 2)
    for _ in range(9):
        a = rng.uniform(0, 6.28)
        into.tube("bark", (0, 0, 0), (np.cos(a) * radius * 0.6, np.sin(a) * radius * 0.6, height * 0.7), 0.025, 0.008, 5, False)
    leaves(into, leaf, cloud, 0.13, 0.08, seed + 1)


def bean_row(into: Shapes, length: float, seed: int, plants: bool) -> None:
    """Ridge of crossed canes along the first axis, 2.1 m tall, with or without its beans."""
    rng = np.random.default_rng(seed)
    stations = np.arange(0.15, length, 0.42)
    for x in stations:
        for side in (-1, 1):
            foot = (x + rng.normal(0, 0.03), side * 0.36, 0.0)
            into.tube("post", foot, (x + rng.normal(0, 0.02), -side * 0.06, 2.12 + rng.normal(0, 0.04)), 0.011, 0.008, 6, False)
    into.tube("post", (0.0, 0, 1.98), (length, 0, 2.0), 0.012, 0.012, 6)
    if plants:
        n = int(length * 520)
        z = rng.uniform(0.05, 2.05, n) ** 0.9
        c = np.column_stack([rng.uniform(0, length, n), np.sign(rng.normal(size=n)) * (0.36 - 0.17 * z) + rng.normal(0, 0.07, n), z])
        leaves(into, "bean", c, 0.13, 0.10, seed + 1, 0.7)
        f = c[rng.integers(0, n, int(length * 9))] + rng.normal(0, 0.03, (int(length * 9), 3))
        leaves(into, "flower", f, 0.05, 0.04, seed + 2)


def cabbage_row(into: Shapes, length: float, seed: int) -> None:
    """Row of heads 0.5 m apart along the first axis."""
    rng = np.random.default_rng(seed)
    for x in np.arange(0.25, length, 0.5):
        r = rng.uniform(0.13, 0.20)
        c = np.array([x + rng.normal(0, 0.03), rng.normal(0, 0.03), r * 0.7])
        into.ball("cabbage", c, r * 0.7, sides=12)
        cloud = c + _in_ball(rng, 26) * (r, r, r * 0.5)
        leaves(into, "cabbage", cloud, 0.20, 0.17, int(rng.integers(1 << 30)), -0.2)


def creeper(into: Shapes, points: Array, seed: int) -> None:
    """Climbing leaves thickly about given points."""
    rng = np.random.default_rng(seed)
    c = np.repeat(points, 44, 0) + rng.normal(0, 0.055, (44 * len(points), 3))
    leaves(into, "leaf dark", c, 0.062, 0.050, seed + 1, 0.6, True)


def tuft(into: Shapes, size: float, blades: int, height: float, seed: int, material: str) -> None:
    """Square patch of grass blades about the origin."""
    rng = np.random.default_rng(seed)
    n = blades
    p = np.column_stack([rng.uniform(-size / 2, size / 2, (n, 2)), np.full(n, -0.01)])
    clump = rng.uniform(-size / 2, size / 2, (max(3, n // 25), 2))
    p[: n // 2, :2] = clump[rng.integers(0, len(clump), n // 2)] + rng.normal(0, 0.05, (n // 2, 2))
    h = height * rng.uniform(0.4, 1.3, n)
    lean = rng.normal(0, 0.35, (n, 2)) * h[:, None]
    a = rng.uniform(0, np.pi, n)
    w = np.column_stack([np.cos(a), np.sin(a), np.zeros(n)]) * 0.006
    top = p + np.column_stack([lean, h])
    mid = p + np.column_stack([lean * 0.35, h * 0.55])
    v = np.stack([p - w, p + w, mid + w * 0.8, mid - w * 0.8, top + w * 0.1, top - w * 0.1], 1).reshape(-1, 3)
    i = np.arange(n)[:, None] * 6
    into.faces(material, v, np.vstack([i + np.array([[0, 1, 2, 3]]), i + np.array([[3, 2, 4, 5]])]))


def reeds(into: Shapes, count: int, seed: int) -> None:
    """Ring of reeds about a pond of 11 m radius at the origin, thinner on the side of the visitor."""
    rng = np.random.default_rng(seed)
    a = rng.uniform(0, 2 * np.pi, count)
    a = a[(np.cos(a + 1.2) > -0.35) | (rng.uniform(size=count) < 0.25)]
    r = 10.6 + rng.normal(0, 0.5, len(a))
    p = np.column_stack([np.cos(a) * r, np.sin(a) * r, np.full(len(a), -0.25)])
    h = rng.uniform(0.9, 1.9, len(a))
    lean = rng.normal(0, 0.12, (len(a), 2)) * h[:, None]
    w = np.column_stack([-np.sin(a), np.cos(a), np.zeros(len(a))]) * 0.013
    top = p + np.column_stack([lean, h])
    v = np.stack([p - w, p + w, top + w * 0.2, top - w * 0.2], 1).reshape(-1, 3)
    into.faces("reed", v, np.arange(4 * len(a)).reshape(-1, 4))
