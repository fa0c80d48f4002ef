"""Meshes for the demo site, built with numpy alone.

A :class:`Shapes` gathers quads and triangles by material. Coordinates are local metres (east, north, up); texture
coordinates are metres on the face, so that bricks and planks keep their size everywhere.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["Shapes", "frame", "rotation_z"]

Array = NDArray[np.float64]
Point = Sequence[float]


def rotation_z(angle_deg: float) -> Array:
    """3 × 3 rotation about the upward axis, counter-clockwise seen from above."""
    a = np.radians(angle_deg)
    return np.array([[np.cos(a), -np.sin(a), 0.0], [np.sin(a), np.cos(a), 0.0], [0.0, 0.0, 1.0]])


def frame(direction: Point) -> Array:
    """3 × 3 matrix whose columns are right, forward and up for a horizontal or tilted forward direction."""
    forward = np.asarray(direction, float)
    forward = forward / np.linalg.norm(forward)
    right = np.cross(forward, (0.0, 0.0, 1.0))
    if np.linalg.norm(right) < 1e-6:
        right = np.array([1.0, 0.0, 0.0])
    right = right / np.linalg.norm(right)
    return np.column_stack([right, forward, np.cross(right, forward)])


class Shapes:
    """Faces gathered by material name."""

    def __init__(self) -> None:
        self._rotation: Array = np.eye(3)
        self._origin: Array = np.zeros(3)
        self.parts: dict[str, list[tuple[Array, NDArray[np.int64], Array, bool]]] = {}

    def place(self, origin: Point = (0.0, 0.0, 0.0), rotation: Array | None = None) -> None:
        """Everything added from now on is turned and moved by this placement."""
        self._origin = np.asarray(origin, float)
        self._rotation = np.eye(3) if rotation is None else rotation

    def faces(self, material: str, vertices: Array, quads: NDArray[np.int64], smooth: bool = False,
              uv: Array | None = None) -> None:
        """Add quads (or triangles, the last index repeated) with texture coordinates in metres on the face."""
        v = np.asarray(vertices, float)
        q = np.asarray(quads, np.int64)
        corner = v[q]
        normal = np.cross(corner[:, 2] - corner[:, 0], corner[:, 3] - corner[:, 1])
        normal /= np.linalg.norm(normal, axis=1, keepdims=True) + 1e-12
        tangent = np.column_stack([-normal[:, 1], normal[:, 0], np.zeros(len(q))])
        length = np.linalg.norm(tangent, axis=1)
        flat = length < 0.15
        tangent[flat] = (1.0, 0.0, 0.0)
        tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
        across = np.cross(normal, tangent)
        if uv is None:
            uv = np.stack([np.einsum("fij,fj->fi", corner, tangent), np.einsum("fij,fj->fi", corner, across)], -1)
        world = v @ self._rotation.T + self._origin
        self.parts.setdefault(material, []).append((world, q, uv, smooth))

    def box(self, material: str, low: Point, high: Point) -> None:
        """Box between two corners."""
        (a, b, c), (d, e, f) = low, high
        v = np.array([(a, b, c), (d, b, c), (d, e, c), (a, e, c), (a, b, f), (d, b, f), (d, e, f), (a, e, f)], float)
        q = np.array([(0, 3, 2, 1), (4, 5, 6, 7), (0, 1, 5, 4), (1, 2, 6, 5), (2, 3, 7, 6), (3, 0, 4, 7)])
        self.faces(material, v, q)

    def beam(self, material: str, start: Point, end: Point, width: float, height: float) -> None:
        """Rectangular bar from start to end; width is horizontal, height across it."""
        a, b = np.asarray(start, float), np.asarray(end, float)
        m = frame(b - a)
        w, h = m[:, 0] * width / 2, m[:, 2] * height / 2
        v = np.array([p + s * w + t * h for p in (a, b) for s, t in ((-1, -1), (1, -1), (1, 1), (-1, 1))])
        q = np.array([(0, 1, 2, 3), (7, 6, 5, 4), (0, 4, 5, 1), (1, 5, 6, 2), (2, 6, 7, 3), (3, 7, 4, 0)])
        self.faces(material, v, q[:, ::-1])

    def tube(self, material: str, start: Point, end: Point, radius: float, end_radius: float | None = None,
             sides: int = 16, caps: bool = True) -> None:
        """Cylinder or cone."""
        a, b = np.asarray(start, float), np.asarray(end, float)
        r2 = radius if end_radius is None else end_radius
        m = frame(b - a)
        t = np.arange(sides) * 2 * np.pi / sides
        ring = np.cos(t)[:, None] * m[:, 0] + np.sin(t)[:, None] * m[:, 2]
        v = np.vstack([a + radius * ring, b + r2 * ring])
        i = np.arange(sides)
        j = (i + 1) % sides
        u = np.append(t, 2 * np.pi) * max(radius, r2)
        length = float(np.linalg.norm(b - a))
        uv = np.stack([np.column_stack([u[:-1], u[1:], u[1:], u[:-1]]),
                       np.tile([0.0, 0.0, length, length], (sides, 1))], -1)
        self.faces(material, v, np.column_stack([j, i, i + sides, j + sides])[:, [1, 0, 3, 2]], True, uv)
        if caps:
            c = np.vstack([v, a[None], b[None]])
            k = np.full(sides, 2 * sides)
            self.faces(material, c, np.column_stack([i, j, k, k]))
            self.faces(material, c, np.column_stack([j + sides, i + sides, k + 1, k + 1]))

    def ball(self, material: str, centre: Point, radius: float, low_deg: float = -90.0, high_deg: float = 90.0,
             axis: Point = (0.0, 0.0, 1.0), squash: float = 1.0, sides: int = 24) -> None:
        """Sphere, or the zone of it between two latitudes about an axis."""
        m = frame(axis)
        rings = max(3, int((high_deg - low_deg) / 12))
        lat = np.radians(np.linspace(low_deg, high_deg, rings + 1))
        t = np.arange(sides) * 2 * np.pi / sides
        local = np.stack([np.outer(np.cos(lat), np.cos(t)), np.outer(np.sin(lat), np.ones(sides)) * squash,
                          np.outer(np.cos(lat), np.sin(t))], -1) * radius
        v = local.reshape(-1, 3) @ m.T + np.asarray(centre, float)
        r, s = np.meshgrid(np.arange(rings), np.arange(sides), indexing="ij")
        n = (s + 1) % sides
        q = np.stack([r * sides + s, (r + 1) * sides + s, (r + 1) * sides + n, r * sides + n], -1).reshape(-1, 4)
        self.faces(material, v, q, True)

    def polygon(self, material: str, points: Sequence[Point], height: float = 0.0) -> None:
        """Flat convex polygon, counter-clockwise seen from above, at a height."""
        p = np.array([(x[0], x[1], height) for x in points], float)
        c = p.mean(0)
        v = np.vstack([p, c[None]])
        i = np.arange(len(p))
        k = np.full(len(p), len(p))
        self.faces(material, v, np.column_stack([i, (i + 1) % len(p), k, k]))

    def ribbon(self, material: str, line: Array, offsets: Sequence[tuple[float, float]]) -> None:
        """Strip swept along a line; offsets are (to the left, up) pairs of its cross-section, left to right."""
        p = np.asarray(line, float)
        if p.shape[1] == 2:
            p = np.column_stack([p, np.zeros(len(p))])
        d = np.gradient(p, axis=0)
        d[:, 2] = 0
        d /= np.linalg.norm(d, axis=1, keepdims=True)
        left = np.column_stack([-d[:, 1], d[:, 0], np.zeros(len(p))])
        k = len(offsets)
        v = np.concatenate([p + o * left + (0, 0, z) for o, z in offsets])
        along = np.append(0, np.cumsum(np.linalg.norm(np.diff(p, axis=0), axis=1)))
        n = len(p)
        quads, uvs = [], []
        side = 0.0
        for j in range(k - 1):
            i = np.arange(n - 1)
            step = float(np.hypot(offsets[j + 1][0] - offsets[j][0], offsets[j + 1][1] - offsets[j][1]))
            quads.append(np.column_stack([j * n + i, (j + 1) * n + i, (j + 1) * n + i + 1, j * n + i + 1]))
            uvs.append(np.stack([np.column_stack([along[:-1], along[:-1], along[1:], along[1:]]),
                                 np.tile([side, side + step, side + step, side], (n - 1, 1))], -1))
            side += step
        self.faces(material, v, np.vstack(quads), False, np.vstack(uvs))

    def wall(self, material: str, start: Point, end: Point, height: float, thickness: float = 0.3,
             openings: Sequence[tuple[float, float, float, float]] = (), base: float = 0.0) -> None:
        """Upright wall along its centre line with openings (from, to along the wall; from, to in height)."""
        a, b = np.asarray(start[:2], float), np.asarray(end[:2], float)
        length = float(np.linalg.norm(b - a))
        cuts = sorted({0.0, length, *(o[0] for o in openings), *(o[1] for o in openings)})
        d = (b - a) / length
        short = 0.004  # walls meet at corners without sharing a plane

        def piece(u0: float, u1: float, z0: float, z1: float) -> None:
            if u1 - u0 < 1e-3 or z1 - z0 < 1e-3:
                return
            n = np.array([-d[1], d[0]]) * thickness / 2
            u0, u1 = max(u0, short), min(u1, length - short)
            c = [a + d * u0 + n, a + d * u0 - n, a + d * u1 - n, a + d * u1 + n]
            v = np.array([(*p, z) for z in (z0, z1) for p in c])
            q = np.array([(0, 3, 2, 1), (4, 5, 6, 7), (0, 1, 5, 4), (1, 2, 6, 5), (2, 3, 7, 6), (3, 0, 4, 7)])
            self.faces(material, v, q)

        for u0, u1 in zip(cuts[:-1], cuts[1:], strict=False):
            z = base
            for o in sorted((o for o in openings if o[0] < (u0 + u1) / 2 < o[1]), key=lambda o: o[2]):
                piece(u0, u1, z, o[2])
                z = o[3]
            piece(u0, u1, z, height)
