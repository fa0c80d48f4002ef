"""The demo site in Blender: ground, buildings, railway, plots, plants and what changes between the visits.

World axes are local metres east, north and up from the main gate. Everything is fixed; the groups ``june``,
``december``, ``commissioning`` and ``maintenance`` are switched by :meth:`World.show`.
"""

from __future__ import annotations

from collections.abc import Sequence

import bpy
import numpy as np
import plants
from materials import material
from shapes import Array, Point, Shapes, rotation_z

__all__ = ["World", "build", "ground_height"]

TRACKS: dict[str, tuple[tuple[float, float], ...]] = {
    "main": ((-60, 26.3), (-20, 26.3), (20, 26.3), (48, 26.3), (56, 26.3), (63, 25.2), (70, 21.0), (77, 14.6), (85, 10.4), (95, 9.1), (112, 9.0)),
    "branch": ((64, 24.9), (60.5, 25.8), (56, 27.2), (51, 30.0), (46.5, 33.6), (42.7, 37.0), (37, 41.4), (30, 44.9), (21, 46.4), (0, 46.6), (-60, 46.6)),
    "shed west": ((101, 9.1), (95, 10.2), (89.5, 13.6), (85.6, 19.0), (84.1, 26), (84, 36), (84, 55), (84, 74)),
    "shed east": ((96, 9.6), (92.9, 13.4), (92.1, 19), (92, 26), (92, 36), (92, 55), (92, 74)),
    "turntable": ((92, 9.4), (99, 9.6), (106, 11.6), (112, 16.2), (117, 23.5), (121.5, 31), (125.2, 38.2)),
}


def _line(points: Sequence[tuple[float, float]], step: float = 0.65) -> Array:
    """Catmull-Rom curve through points, sampled at an even step; (N, 2)."""
    p = np.array(points, float)
    p = np.vstack([2 * p[0] - p[1], p, 2 * p[-1] - p[-2]])
    out = []
    for a, b, c, d in zip(p, p[1:], p[2:], p[3:], strict=False):
        t = np.linspace(0, 1, 60, endpoint=False)[:, None]
        out.append(0.5 * (2 * b + (c - a) * t + (2 * a - 5 * b + 4 * c - d) * t**2 + (3 * b - a - 3 * c + d) * t**3))
    line = np.vstack([*out, p[-2][None]])
    s = np.append(0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1)))
    u = np.arange(0, s[-1], step)
    return np.column_stack([np.interp(u, s, line[:, k]) for k in (0, 1)])


def ground_height(east: Array, north: Array) -> Array:
    """Height of the ground in metres: level yard, sloping bank in the north, pond, ridge in the north-east."""
    e, n = np.asarray(east, float), np.asarray(north, float)
    rise = np.clip((n - 99.0) / 6.0, 0, 1)
    rise = rise * rise * (3 - 2 * rise)
    inside = np.clip((e - 22) / 8, 0, 1) * np.clip((150 - e) / 30, 0, 1) * np.clip((190 - n) / 60, 0, 1)
    bank = rise * inside * np.clip(0.9 + 0.085 * (e - 30), 0.3, 7.5)
    pond = -0.75 * np.clip((11.6 - np.hypot(e, n - 112)) / 2.2, 0, 1)
    along = ((n - 165) - (e - 198)) / np.sqrt(2)
    across = ((e - 198) + (n - 165)) / np.sqrt(2)
    ridge = 27 * np.exp(-0.5 * (np.where(across < 0, across / 42, across / 140)) ** 2 - 0.5 * (along / 170) ** 2)
    ridge = ridge * np.clip((np.hypot(e - 90, n - 55) - 62) / 50, 0, 1)
    outside = np.clip((np.maximum(np.abs(e - 55) - 120, np.abs(n - 50) - 80)) / 60, 0, 1)
    rough = 0.7 * np.sin(e / 37.0 + 1.3) * np.sin(n / 29.0) * outside * np.clip(1.5 - np.hypot(e - 55, n - 50) / 900, 0, 1)
    return bank + pond + ridge + rough


class World:
    """Objects of the scene by group, with instancing of plants."""

    def __init__(self) -> None:
        self.groups: dict[str, list[bpy.types.Object]] = {}

    def mesh(self, name: str, shapes: Shapes) -> bpy.types.Mesh:
        """One mesh of all faces, a material slot for each material."""
        vertices, counts, index, uvs, slots, smooth = [], [], [], [], [], []
        start = 0
        mesh = bpy.data.meshes.new(name)
        for slot, (kind, parts) in enumerate(shapes.parts.items()):
            mesh.materials.append(material(kind))
            for v, q, uv, soft in parts:
                triangle = q[:, 2] == q[:, 3]
                keep = np.ones(q.shape, bool)
                keep[triangle, 3] = False
                index.append((q + start)[keep])
                uvs.append(uv[keep])
                counts.append(np.where(triangle, 3, 4))
                slots.append(np.full(len(q), slot))
                smooth.append(np.full(len(q), soft))
                vertices.append(v)
                start += len(v)
        v, idx, cnt = np.vstack(vertices), np.concatenate(index), np.concatenate(counts)
        mesh.vertices.add(len(v))
        mesh.vertices.foreach_set("co", v.astype(np.float32).ravel())
        mesh.loops.add(len(idx))
        mesh.loops.foreach_set("vertex_index", idx.astype(np.int32))
        mesh.polygons.add(len(cnt))
        mesh.polygons.foreach_set("loop_start", np.append(0, np.cumsum(cnt))[:-1].astype(np.int32))
        mesh.polygons.foreach_set("material_index", np.concatenate(slots).astype(np.int32))
        mesh.polygons.foreach_set("use_smooth", np.concatenate(smooth))
        layer = mesh.uv_layers.new(name="UVMap")
        layer.data.foreach_set("uv", np.vstack(uvs).astype(np.float32).ravel())
        mesh.update(calc_edges=True)
        return mesh

    def add(self, group: str, mesh: bpy.types.Mesh, at: Point = (0, 0, 0), turn_deg: float = 0.0,
            scale: float | Point = 1.0) -> bpy.types.Object:
        """Place a mesh in a group."""
        thing = bpy.data.objects.new(mesh.name, mesh)
        thing.location = at
        thing.rotation_euler = (0, 0, np.radians(turn_deg))
        thing.scale = (scale,) * 3 if isinstance(scale, float | int) else tuple(scale)
        bpy.context.scene.collection.objects.link(thing)
        self.groups.setdefault(group, []).append(thing)
        return thing

    def shapes(self, group: str, name: str, shapes: Shapes) -> None:
        """Turn gathered shapes into one object of a group."""
        if shapes.parts:
            self.add(group, self.mesh(name, shapes))

    def show(self, wanted: set[str]) -> None:
        """Render just these groups and the fixed ones."""
        for group, things in self.groups.items():
            hidden = not (group == "fixed" or group in wanted)
            for thing in things:
                if thing.hide_render != hidden:
                    thing.hide_render = hidden


def _window(s: Shapes, start: Point, end: Point, u0: float, u1: float, z0: float, z1: float, paint: str = "white",
            sill: str = "stone", panes: tuple[int, int] = (2, 3), thickness: float = 0.3) -> None:
    """Sash window with bars, glass, sill and lintel, in the plane of a wall."""
    a, b = np.asarray(start[:2], float), np.asarray(end[:2], float)
    d = (b - a) / np.linalg.norm(b - a)

    def at(u: float, z: float, out: float = 0.0) -> tuple[float, float, float]:
        p = a + d * u + np.array([d[1], -d[0]]) * out
        return (p[0], p[1], z)

    for z in (z0 + 0.03, z1 - 0.03):
        s.beam(paint, at(u0, z), at(u1, z), 0.10, 0.06)
    for u in (u0 + 0.03, u1 - 0.03):
        s.beam(paint, at(u, z0), at(u, z1), 0.06, 0.10)
    for k in range(1, panes[0]):
        u = u0 + (u1 - u0) * k / panes[0]
        s.beam(paint, at(u, z0), at(u, z1), 0.035, 0.05)
    for k in range(1, panes[1]):
        z = z0 + (z1 - z0) * k / panes[1]
        s.beam(paint, at(u0, z), at(u1, z), 0.05, 0.035)
    c = [at(u0, z0), at(u1, z0), at(u1, z1), at(u0, z1)]
    s.faces("glass", np.array(c), np.array([[0, 1, 2, 3]]))
    s.beam(sill, at(u0 - 0.12, z0 - 0.06), at(u1 + 0.12, z0 - 0.06), thickness + 0.14, 0.12)
    s.beam(sill, at(u0 - 0.15, z1 + 0.10), at(u1 + 0.15, z1 + 0.10), thickness + 0.03, 0.20)


def _door(s: Shapes, start: Point, end: Point, u0: float, u1: float, top: float, leaf: str, frame_paint: str = "white",
          base: float = 0.0) -> None:
    """Ledged door with frame, hinges and knob."""
    a, b = np.asarray(start[:2], float), np.asarray(end[:2], float)
    d = (b - a) / np.linalg.norm(b - a)
    o = np.array([d[1], -d[0]])

    def at(u: float, z: float, out: float = 0.0) -> tuple[float, float, float]:
        p = a + d * u + o * out
        return (p[0], p[1], z)

    s.beam(frame_paint, at(u0 + 0.04, base), at(u0 + 0.04, top), 0.08, 0.16)
    s.beam(frame_paint, at(u1 - 0.04, base), at(u1 - 0.04, top), 0.08, 0.16)
    s.beam(frame_paint, at(u0, top - 0.04), at(u1, top - 0.04), 0.16, 0.08)
    s.wall(leaf, at(u0 + 0.08, 0, 0.02), at(u1 - 0.08, 0, 0.02), top - 0.08, 0.05, base=base + 0.02)
    for z in (base + 0.35, top - 0.45):
        s.beam("black", at(u0 + 0.10, z, 0.055), at(u0 + 0.10 + 0.6 * (u1 - u0), z, 0.055), 0.012, 0.05)
    s.ball("steel", at(u1 - 0.22, base + 1.05, 0.09), 0.035)
    s.beam("stone", at(u0 - 0.1, base + 0.03, 0.25), at(u1 + 0.1, base + 0.03, 0.25), 0.5, 0.07)


def _gable(s: Shapes, x0: float, x1: float, y0: float, y1: float, eaves: float, ridge: float, roof: str, wall: str,
           along: str = "x", over: float = 0.4, thickness: float = 0.14, ends: bool = True, gutter: bool = True) -> None:
    """Pitched roof with gables, barge boards, ridge and gutters; the ridge runs along the named axis."""
    if along == "y":
        mid = (x0 + x1) / 2
        slope = (ridge - eaves) / (mid - x0)
        edges = [((x0 - over, y0 - over, eaves - slope * over), (x0 - over, y1 + over, eaves - slope * over)),
                 ((x1 + over, y1 + over, eaves - slope * over), (x1 + over, y0 - over, eaves - slope * over))]
        top = [((mid, y0 - over, ridge), (mid, y1 + over, ridge)), ((mid, y1 + over, ridge), (mid, y0 - over, ridge))]
        gables = [((x0, y, eaves), (x1, y, eaves), (mid, y, ridge)) for y in (y0, y1)]
    else:
        mid = (y0 + y1) / 2
        slope = (ridge - eaves) / (mid - y0)
        edges = [((x1 + over, y0 - over, eaves - slope * over), (x0 - over, y0 - over, eaves - slope * over)),
                 ((x0 - over, y1 + over, eaves - slope * over), (x1 + over, y1 + over, eaves - slope * over))]
        top = [((x1 + over, mid, ridge), (x0 - over, mid, ridge)), ((x0 - over, mid, ridge), (x1 + over, mid, ridge))]
        gables = [((x, y0, eaves), (x, y1, eaves), (x, mid, ridge)) for x in (x0, x1)]
    for (a, b), (c, d) in zip(edges, top, strict=False):
        lower = np.array([a, b, d, c])
        v = np.vstack([lower + (0, 0, thickness), lower])
        s.faces(roof, v[:4], np.array([[0, 3, 2, 1]]))
        s.faces("planks", v[4:], np.array([[0, 1, 2, 3]]))
        s.beam("white", np.array(a) + (0, 0, thickness / 2), np.array(b) + (0, 0, thickness / 2), 0.03, thickness + 0.05)
        for p, q in ((a, c), (b, d)):
            s.beam("white", np.array(p) + (0, 0, thickness / 2), np.array(q) + (0, 0, thickness / 2), 0.04, thickness + 0.10)
        if gutter:
            s.tube("black", np.array(a) + (0, 0, -0.02), np.array(b) + (0, 0, -0.02), 0.055, sides=10)
    s.beam("tiles", np.array(top[0][0]) + (0, 0, thickness), np.array(top[0][1]) + (0, 0, thickness), 0.22, 0.10)
    if ends:
        for g in gables:
            s.faces(wall, np.array(g), np.array([[0, 1, 2, 2]]))


def _pipe(s: Shapes, x: float, y: float, top: float) -> None:
    s.tube("black", (x, y, 0.1), (x, y, top), 0.045, sides=12)
    for z in np.arange(0.6, top, 1.4):
        s.tube("black", (x, y, z), (x, y, z + 0.05), 0.06, sides=12)


def _ground(world: World) -> None:
    e = np.unique(np.concatenate([np.arange(-60, 160, 1.25), np.linspace(-3600, -60, 60), np.linspace(160, 520, 60), np.linspace(520, 3600, 30)]))
    n = np.unique(np.concatenate([np.arange(-40, 135, 1.25), np.linspace(-3600, -40, 60), np.linspace(135, 480, 60), np.linspace(480, 3600, 30)]))
    ee, nn = np.meshgrid(e, n)
    v = np.column_stack([ee.ravel(), nn.ravel(), ground_height(ee, nn).ravel()])
    k = len(e)
    i = (np.arange(len(n) - 1)[:, None] * k + np.arange(k - 1)[None]).ravel()
    q = np.column_stack([i, i + 1, i + 1 + k, i + k])
    for group, kind in (("june", "grass"), ("december", "grass winter")):
        s = Shapes()
        s.faces(kind, v, q, True)
        world.shapes(group, f"ground {group}", s)


def _roads(s: Shapes) -> None:
    lane = _line(((-400, -30), (-120, -12), (-50, -7.8), (0, -6.0), (25, -4.0), (50, -0.3), (75, 0.9), (120, 1.0), (190, -2), (500, -40)), 2.0)
    s.ribbon("asphalt", lane, ((2.3, 0.02), (-2.3, 0.02)))
    for o in (2.35, -2.35):
        s.ribbon("concrete", lane[np.abs(lane[:, 0] - 40) < 110], ((o + 0.07, 0.0), (o + 0.07, 0.11), (o - 0.07, 0.11), (o - 0.07, 0.0)))
    dash = lane[np.abs(lane[:, 0] - 40) < 130]
    for k in range(0, len(dash) - 1, 3):
        s.ribbon("white", dash[k:k + 2], ((0.06, 0.026), (-0.06, 0.026)))
    quarry = _line(((-60, 39), (-20, 39), (15, 38.3), (35, 37.2), (42.7, 37), (50, 37.2), (58, 37.6), (68, 38.5), (76, 41)), 1.5)
    s.ribbon("asphalt", quarry, ((2.2, 0.018), (-2.2, 0.018)))
    for o in (2.2, -2.2):
        s.ribbon("white", quarry[(quarry[:, 0] > 36) & (quarry[:, 0] < 49.5)], ((o + 0.05 - 0.2 * np.sign(o), 0.024), (o - 0.05 - 0.2 * np.sign(o), 0.024)))
    for x, d in ((38.6, 1.0), (46.8, -1.0)):
        s.box("white", (x - 0.15, 37.1 if d > 0 else 34.95, 0.019), (x + 0.15, 39.1 if d > 0 else 36.95, 0.026))
    s.polygon("asphalt", ((0.7, -6), (3.6, -6), (3.9, 3), (4.0, 12), (0.6, 12), (0.5, 3)), 0.022)
    s.polygon("gravel", ((-24, 0), (0.6, 0.5), (0.9, 21.9), (-24, 21.9)), 0.012)
    s.polygon("setts", ((3.9, 7.7), (9.55, 7.7), (9.55, 18.0), (3.9, 18.0)), 0.016)
    s.polygon("setts", ((15.4, 3.0), (40, 6.0), (35, 14.0), (27.6, 14.1), (27.6, 10.4), (15.4, 10.4)), 0.014)
    s.polygon("setts", ((4.0, 0.2), (9.6, 0.2), (15.4, 3.0), (15.4, 7.9), (3.9, 7.7)), 0.013)
    s.polygon("flags", ((27.8, 12.3), (38.5, 12.3), (38.5, 14.1), (27.8, 14.1)), 0.03)
    for x0, x1, y0, y1 in ((66, 80, 38.4, 52.2), (80, 96, 24, 40.0), (96, 113, 22, 50), (64, 80, 40, 48)):
        s.box("gravel", (x0, y0, -0.3), (x1, y1, 0.015 + 0.0007 * (x0 % 7)))
    s.box("gravel", (98, 12, -0.3), (124, 24, 0.011))
    for x in np.arange(-22.5, -2, 2.6):
        s.box("white", (x - 0.05, 1.0, 0.013), (x + 0.05, 5.8, 0.021))
        s.box("white", (x - 0.05, 14.5, 0.013), (x + 0.05, 19.3, 0.021))
    for x in np.arange(-22, -1, 2.6):
        s.beam("sleeper", (x, 20.6, 0.1), (x + 1.9, 20.6, 0.1), 0.18, 0.2)
    s.polygon("soil", ((26.6, 61.5), (30.5, 61.5), (30.5, 63.8), (26.6, 63.8)), 0.01)
    for line in (((4, 58.5), (20, 61.8), (30, 62.6), (42, 62.8), (52, 63), (60, 64)), ((44.2, 63), (46, 70), (49, 80), (50.6, 97))):
        s.ribbon("gravel", _line(line, 1.0), ((0.75, 0.014 + 0.0001 * line[0][0]), (-0.75, 0.014 + 0.0001 * line[0][0])))


def _track(s: Shapes) -> None:
    for name, points in TRACKS.items():
        line = _line(points, 0.65)
        stop = {"turntable": 1, "shed west": 0, "shed east": 0}.get(name, 0)
        body = line[: len(line) - stop]
        s.ribbon("ballast", body, ((1.45, 0.0), (1.05, 0.13), (-1.05, 0.13), (-1.45, 0.0)))
        tangent = np.gradient(line, axis=0)
        tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
        for p, t in zip(body, tangent, strict=False):
            left = np.array([-t[1], t[0]])
            a, b = p + left * 0.72, p - left * 0.72
            s.beam("sleeper", (*a, 0.12), (*b, 0.12), 0.21, 0.11)
            for o in (0.38, -0.38):
                c = p + left * o
                s.beam("rust", (*(c - left * 0.09), 0.183), (*(c + left * 0.09), 0.183), 0.12, 0.015)
        for o in (0.38, -0.38):
            s.ribbon("rust", line, ((o + 0.045, 0.185), (o + 0.012, 0.20), (o + 0.012, 0.27), (o - 0.012, 0.27), (o - 0.012, 0.20), (o - 0.045, 0.185)))
            s.ribbon("rail", line, ((o + 0.026, 0.262), (o + 0.026, 0.292), (o - 0.026, 0.292), (o - 0.026, 0.262)))
    for k in range(-6, 7):
        c = np.array([42.7, 37.0]) + np.array([0.77, -0.64]) * k * 0.42
        s.beam("planks", (c[0] - 0.32 * 0.64, c[1] - 0.32 * 0.77, 0.26), (c[0] + 0.32 * 0.64, c[1] + 0.32 * 0.77, 0.26), 0.40, 0.05)
    s.beam("sleeper", (112.4, 8.1, 0.9), (112.4, 9.9, 0.9), 0.25, 0.3)
    for o in (-0.38, 0.38):
        s.beam("rust", (110.8, 9 + o, 0.3), (112.4, 9 + o, 0.95), 0.08, 0.1)
        s.beam("rust", (112.4, 9 + o, 0.2), (112.4, 9 + o, 1.1), 0.1, 0.08)


def _sign(s: Shapes, x: float, y: float, turn: float, kind: str) -> None:
    s.place((x, y, 0), rotation_z(turn))
    s.tube("galvanised", (0, 0, 0), (0, 0, 2.5), 0.035)
    if kind == "cross":
        for a in (-0.45, 0.45):
            s.beam("white", (-0.55, -0.05, 2.3 - a), (0.55, -0.05, 2.3 + a), 0.02, 0.17)
            s.beam("red", (-0.50, -0.065, 2.3 - a * 0.91), (0.50, -0.065, 2.3 + a * 0.91), 0.01, 0.07)
        s.box("black", (-0.35, -0.10, 1.45), (0.35, -0.04, 1.75))
        for o in (-0.2, 0.2):
            s.tube("red", (o, -0.10, 1.6), (o, -0.16, 1.6), 0.085)
    else:
        s.box("white", (-0.45, -0.055, 1.7), (0.45, -0.04, 2.3))
        s.box("green", (-0.40, -0.060, 1.75), (0.40, -0.056, 2.25))
        for z, w in ((2.15, 0.3), (2.02, 0.34), (1.89, 0.22)):
            s.box("white", (-w, -0.064, z - 0.025), (w, -0.061, z + 0.025))
    s.place()


def _fence(s: Shapes, points: Sequence[tuple[float, float]], kind: str = "wire", height: float = 1.5,
           gaps: Sequence[tuple[float, float, float]] = ()) -> None:
    """Posts with wires, rails or pales along a line; a gap is (east, north, radius)."""
    line = _line(points, 2.0 if kind != "pale" else 1.8)

    def open_at(p: Array) -> bool:
        return any(np.hypot(p[0] - e, p[1] - n) < r for e, n, r in gaps)

    for a, b in zip(line[:-1], line[1:], strict=False):
        if open_at((a + b) / 2):
            continue
        s.beam("post" if kind != "wire" else "concrete", (*a, -0.1), (*a, height + 0.08), 0.10, 0.10)
        if kind == "wire":
            for z in np.arange(0.12, height, 0.17):
                s.tube("galvanised", (*a, z), (*b, z), 0.005, sides=5, caps=False)
            for k in np.arange(0.0, 1.0, 0.08):
                p = a + (b - a) * k
                s.tube("galvanised", (*p, 0.1), (*p, height), 0.003, sides=4, caps=False)
        elif kind == "rail":
            for z in (0.45, 0.85, height - 0.05):
                s.beam("post", (*a, z), (*b, z), 0.035, 0.10)
        else:
            for z in (0.35, height - 0.3):
                s.beam("post", (*a, z), (*b, z), 0.05, 0.08)
            for k in np.arange(0.06, 1.0, 0.085):
                p = a + (b - a) * k
                s.beam("white" if kind == "pale" else "post", (*p, 0.06), (*p, height), 0.085, 0.02)


def _lamp_post(s: Shapes, x: float, y: float, height: float = 3.6, base: float = 0.0) -> None:
    s.tube("green", (x, y, base), (x, y, base + 0.7), 0.08, 0.07)
    s.tube("green", (x, y, base + 0.7), (x, y, base + height), 0.045, 0.04)
    s.beam("green", (x - 0.35, y, base + height - 0.35), (x + 0.35, y, base + height - 0.35), 0.03, 0.04)
    s.tube("glass", (x, y, base + height), (x, y, base + height + 0.34), 0.10, 0.15, 6)
    s.ball("street lamp", (x, y, base + height + 0.15), 0.04)
    s.tube("green", (x, y, base + height + 0.34), (x, y, base + height + 0.52), 0.19, 0.02, 6)


def _bench(s: Shapes, x: float, y: float, turn: float, base: float = 0.0) -> None:
    s.place((x, y, base), rotation_z(turn))
    for o in (-0.7, 0.7):
        s.beam("black", (o, -0.22, 0), (o, -0.22, 0.44), 0.05, 0.05)
        s.beam("black", (o, 0.22, 0), (o, 0.30, 0.9), 0.05, 0.05)
        s.beam("black", (o, -0.24, 0.42), (o, 0.24, 0.42), 0.05, 0.05)
    for y2 in np.linspace(-0.22, 0.2, 5):
        s.beam("planks", (-0.85, y2, 0.46), (0.85, y2, 0.46), 0.075, 0.03)
    for z in (0.6, 0.72, 0.84):
        s.beam("planks", (-0.85, 0.25 + 0.1 * (z - 0.5), z), (0.85, 0.25 + 0.1 * (z - 0.5), z), 0.03, 0.085)
    s.place()


def _barrel(s: Shapes, x: float, y: float, kind: str = "planks upright", r: float = 0.30, h: float = 0.9) -> None:
    s.tube(kind, (x, y, 0), (x, y, h / 2), r * 0.85, r)
    s.tube(kind, (x, y, h / 2), (x, y, h), r, r * 0.85)
    for z in (0.12, 0.35, 0.62, 0.82):
        s.tube("rust", (x, y, z * h - 0.02), (x, y, z * h + 0.02), r * 1.01)


def _halt(s: Shapes) -> None:
    """Halt building, porch, platform and its furniture."""
    south = ((0.5, 1.3, 0.9, 2.1), (3.6, 4.7, 0.0, 2.25), (5.6, 6.6, 0.9, 2.1), (7.4, 8.4, 0.9, 2.1))
    north = ((0.8, 1.9, 0.9, 2.1), (2.4, 3.1, 0.9, 2.1), (6.2, 7.3, 0.3, 2.45), (7.8, 8.7, 0.9, 2.1))
    s.wall("stone", (27.85, 14.3), (37.15, 14.3), 3.6, 0.3, tuple((a + 0.15, b + 0.15, c, d) for a, b, c, d in south))
    s.wall("stone", (37.15, 16.85), (27.85, 16.85), 3.6, 0.3, tuple((a + 0.15, b + 0.15, c, d) for a, b, c, d in north))
    s.wall("stone", (37, 14.3), (37, 16.85), 3.6, 0.3)
    s.wall("stone", (28, 16.85), (28, 14.3), 3.6, 0.3)
    for o in south:
        (_door if o[2] == 0 else _window)(s, (28, 14.3), (37, 14.3), o[0], o[1], *((o[3], "boards green") if o[2] == 0 else (o[2], o[3])))
    for o in north:
        if o[2] == 0.3:
            _door(s, (37, 16.85), (28, 16.85), o[0], o[1], o[3], "boards green", "white", 0.3)
        else:
            _window(s, (37, 16.85), (28, 16.85), o[0], o[1], o[2], o[3])
    s.box("planks", (28, 14.2, 3.5), (37, 17, 3.6))
    s.box("black", (28.2, 14.5, 0.0), (36.8, 16.7, 0.05))
    _gable(s, 27.85, 37.15, 14.15, 17.0, 3.6, 5.0, "slate", "stone")
    s.box("brick", (35.2, 15.2, 4.2), (35.9, 15.9, 6.0))
    for o in (35.4, 35.7):
        s.tube("tiles", (o, 15.55, 6.0), (o, 15.55, 6.35), 0.11, 0.09)
    s.wall("stone", (32.3, 17), (32.3, 20.25), 3.9, 0.3)
    s.wall("stone", (33.7, 20.25), (33.7, 17), 3.9, 0.3)
    s.wall("stone", (33.85, 20.1), (32.15, 20.1), 3.9, 0.3, ((0.35, 1.35, 0.3, 2.4),))
    _gable(s, 32.15, 33.85, 17.0, 20.25, 3.9, 4.8, "slate", "stone", "y", 0.25)
    _pipe(s, 28.1, 14.05, 3.4)
    _pipe(s, 36.9, 14.05, 3.4)
    s.box("blue", (33.4, 14.05, 1.15), (34.2, 14.14, 1.95))
    s.box("white", (33.45, 14.03, 1.2), (34.15, 14.06, 1.9))
    for k in range(5):
        s.box("black", (33.5, 14.025, 1.3 + 0.11 * k), (33.95 + 0.03 * (k % 3), 14.03, 1.33 + 0.11 * k))
    s.box("flags", (3, 18.35, 0), (50, 24.55, 0.28))
    s.box("flags", (28, 17.0, 0), (37, 18.4, 0.279))
    s.box("concrete", (3, 24.5, 0), (50, 25.05, 0.30))
    s.box("white", (3, 24.62, 0.29), (50, 24.74, 0.306))
    v = np.array([(50, 18.4, 0.28), (54, 18.4, 0.0), (54, 24.9, 0.0), (50, 24.9, 0.28)])
    s.faces("flags", v, np.array([[0, 1, 2, 3]]))
    for x in (8, 20, 28.5, 38.5, 47.5):
        _lamp_post(s, x, 22.6, 3.3, 0.28)
    for x in (14.5, 24.0, 39.5, 44.0):
        _bench(s, x, 19.1, 180, 0.28)
    for x, y in ((11, 19.2), (26.6, 18.9), (41.5, 19.0), (46.0, 19.0)):
        s.box("planks", (x - 0.55, y - 0.25, 0.28), (x + 0.55, y + 0.25, 0.68))
        s.box("soil", (x - 0.5, y - 0.2, 0.6), (x + 0.5, y + 0.2, 0.70))
    for x, y in ((42.8, 19.8), (42.9, 20.35), (20.5, 19.3)):
        s.box("planks", (x - 0.35, y - 0.22, 0.28), (x + 0.35, y + 0.22, 0.73))
        s.box("black", (x - 0.36, y - 0.23, 0.40), (x + 0.36, y + 0.23, 0.44))
    for x in (19.5, 44.8):
        for o in (-0.9, 0.9):
            s.beam("white", (x + o, 23.2, 0.28), (x + o, 23.2, 2.6), 0.10, 0.10)
        s.box("green", (x - 1.25, 23.16, 1.75), (x + 1.25, 23.24, 2.45))
        s.box("white", (x - 1.15, 23.14, 1.83), (x + 1.15, 23.155, 2.37))
    _fence(s, ((3, 18.4), (17.0, 18.4)), "pale", 1.3)
    _fence(s, ((38.5, 17.4), (50, 17.4)), "pale", 1.2)
    for x in np.arange(38.5, 50, 3.6):
        s.beam("post", (x, 17.4, 0), (x, 17.4, 1.5), 0.12, 0.12)


def _gatehouse(s: Shapes) -> None:
    """Gatehouse, ticket office, store at the car park, lamp store at the lane, gates and boundary."""
    s.wall("brick", (4.2, 4.30), (8.65, 4.30), 3.0, 0.3, ((0.5, 1.4, 0.95, 2.1), (2.6, 3.5, 0.0, 2.15)))
    s.wall("brick", (8.5, 4.15), (8.5, 6.65), 3.0, 0.3, ((0.8, 1.8, 0.95, 2.1),))
    s.wall("brick", (8.65, 6.5), (4.2, 6.5), 3.0, 0.3)
    s.wall("brick", (4.35, 6.65), (4.35, 4.15), 3.0, 0.3, ((0.8, 1.8, 0.95, 2.1),))
    _window(s, (4.2, 4.30), (8.65, 4.30), 0.5, 1.4, 0.95, 2.1)
    _door(s, (4.2, 4.30), (8.65, 4.30), 2.6, 3.5, 2.15, "boards red")
    _window(s, (8.5, 4.15), (8.5, 6.65), 0.8, 1.8, 0.95, 2.1)
    _window(s, (4.35, 6.65), (4.35, 4.15), 0.8, 1.8, 0.95, 2.1)
    s.box("planks", (4.2, 4.15, 2.95), (8.65, 6.65, 3.05))
    s.box("white", (4.05, 4.0, 3.05), (8.8, 6.8, 3.22))
    v = np.array([(4.05, 4.0, 3.22), (8.8, 4.0, 3.22), (8.8, 6.8, 3.22), (4.05, 6.8, 3.22), (5.4, 5.4, 4.4), (7.45, 5.4, 4.4)])
    s.faces("tiles", v, np.array([[0, 1, 5, 4], [2, 3, 4, 5], [1, 2, 5, 5], [3, 0, 4, 4]]))
    s.wall("brick yellow", (9.6, 8.0), (15.4, 8.0), 3.2, 0.24, ((3.4, 4.9, 0.9, 2.2),))
    s.wall("brick yellow", (15.28, 8.0), (15.28, 11.6), 3.2, 0.24, ((0.5, 1.5, 0.0, 2.2), (2.0, 3.1, 0.9, 2.2)))
    s.wall("brick yellow", (15.4, 11.6), (9.6, 11.6), 3.2, 0.24, ((2.2, 3.8, 0.9, 2.2),))
    s.wall("brick yellow", (9.72, 11.6), (9.72, 8.0), 3.2, 0.24)
    _window(s, (9.6, 8.0), (15.4, 8.0), 3.4, 4.9, 0.9, 2.2)
    _window(s, (15.28, 8.0), (15.28, 11.6), 2.0, 3.1, 0.9, 2.2)
    _door(s, (15.28, 8.0), (15.28, 11.6), 0.5, 1.5, 2.2, "boards green")
    _window(s, (15.4, 11.6), (9.6, 11.6), 2.2, 3.8, 0.9, 2.2)
    _gable(s, 9.6, 15.4, 7.88, 11.72, 3.2, 4.5, "slate", "brick yellow", "x", 0.3)
    s.box("plaster", (9.84, 8.12, 0), (9.86, 11.48, 2.78))
    s.box("ceiling", (9.84, 8.12, 2.76), (15.16, 11.48, 2.80))
    s.box("floor tiles", (9.84, 8.12, 0), (15.16, 11.48, 0.03))
    for y in (8.14, 11.46):
        s.beam("white", (9.9, y, 0.12), (15.1, y, 0.12), 0.03, 0.16)
    s.box("planks upright", (13.0, 8.12, 0), (13.15, 10.5, 1.05))
    s.box("floor", (12.85, 8.12, 1.05), (13.6, 10.6, 1.10))
    s.box("planks", (13.0, 10.5, 0), (13.6, 10.6, 1.05))
    s.box("black", (13.15, 8.85, 1.10), (13.55, 9.25, 1.22))
    s.box("box grey", (13.2, 8.9, 1.22), (13.5, 9.2, 1.36))
    s.beam("black", (13.42, 8.87, 1.45), (13.42, 9.23, 1.45), 0.03, 0.22)
    for k in range(4):
        s.box("white", (13.05 + 0.1 * k, 9.7 + 0.16 * k, 1.1), (13.18 + 0.1 * k, 9.9 + 0.16 * k, 1.12 + 0.02 * k))
    for k, paint in enumerate(("red", "blue", "yellow", "green", "cream", "white", "red", "green")):
        s.box(paint, (15.12, 10.2 + 0.13 * k, 1.2), (15.15, 10.31 + 0.13 * k, 1.5))
        s.box(paint, (15.12, 10.2 + 0.13 * ((k * 3) % 8), 1.6), (15.15, 10.31 + 0.13 * ((k * 3) % 8), 1.9))
    s.box("floor", (15.0, 10.1, 1.14), (15.16, 11.4, 1.18))
    s.box("floor", (15.0, 10.1, 1.54), (15.16, 11.4, 1.58))
    s.tube("steel", (14.3, 9.1, 0.03), (14.3, 9.1, 0.5), 0.03)
    s.box("black", (14.05, 8.85, 0.5), (14.55, 9.35, 0.58))
    s.box("black", (14.5, 8.9, 0.58), (14.56, 9.3, 1.05))
    for y in (9.0, 10.6):
        s.box("room lamp", (11.2, y - 0.12, 2.73), (12.6, y + 0.12, 2.758))
    s.box("white", (12.3, 11.44, 1.2), (13.6, 11.47, 2.0))
    s.box("blue", (12.36, 11.43, 1.26), (13.54, 11.445, 1.94))
    s.wall("brick", (1.0, 22.30), (8.0, 22.30), 4.2, 0.3, ((1.0, 2.2, 0.0, 2.3), (5.6, 6.6, 1.3, 2.3)))
    s.wall("brick", (8.0, 22.2), (8.0, 24.3), 4.2, 0.3)
    s.wall("brick", (8.0, 24.2), (1.0, 24.2), 4.2, 0.3)
    s.wall("brick", (1.0, 24.3), (1.0, 22.2), 4.2, 0.3)
    _door(s, (1.0, 22.30), (8.0, 22.30), 1.0, 2.2, 2.3, "boards green")
    _window(s, (1.0, 22.30), (8.0, 22.30), 5.6, 6.6, 1.3, 2.3)
    _gable(s, 0.85, 8.15, 22.15, 24.35, 4.2, 5.2, "tiles", "brick", "x", 0.22)
    s.wall("brick", (35, 8.1), (39.75, 8.1), 3.3, 0.3, ((1.2, 2.2, 1.0, 2.1),))
    s.wall("brick", (39.70, 8.0), (39.70, 12.0), 3.3, 0.3)
    s.wall("brick", (39.75, 11.9), (35, 11.9), 3.3, 0.3, ((1.5, 2.6, 0.0, 2.2),))
    s.wall("brick", (35.1, 12), (35.1, 8), 3.3, 0.3, ((1.4, 2.6, 1.0, 2.1),))
    _window(s, (35, 8.1), (39.75, 8.1), 1.2, 2.2, 1.0, 2.1)
    _window(s, (35.1, 12), (35.1, 8), 1.4, 2.6, 1.0, 2.1)
    _door(s, (39.75, 11.9), (35, 11.9), 1.5, 2.6, 2.2, "boards red")
    _gable(s, 34.95, 39.85, 7.95, 12.05, 3.3, 4.6, "tiles", "brick", "x", 0.2)
    for x in (0.35, 3.75):
        s.box("brick", (x - 0.22, -1.45, 0), (x + 0.22, -1.0, 1.9))
        s.box("stone", (x - 0.28, -1.5, 1.9), (x + 0.28, -0.95, 2.05))
    s.place((0.57, -1.2, 0), rotation_z(80))
    for z in (0.25, 0.6, 0.95, 1.25):
        s.beam("white", (0, 0, z), (1.55, 0, z), 0.04, 0.09)
    s.beam("white", (0.05, 0, 0.2), (1.5, 0, 1.25), 0.04, 0.08)
    s.beam("white", (1.53, 0, 0.15), (1.53, 0, 1.35), 0.08, 0.06)
    s.place()
    s.beam("post", (5.05, -1.2, 0), (5.05, -1.2, 1.6), 0.14, 0.14)
    s.place((5.0, -1.2, 0), rotation_z(-70))
    for k in np.arange(0.05, 1.0, 0.13):
        s.beam("white", (k, 0, 0.15), (k, 0, 1.25), 0.08, 0.025)
    for z in (0.35, 1.0):
        s.beam("white", (0, 0, z), (1.0, 0, z), 0.03, 0.08)
    s.place()
    _fence(s, ((5.05, -1.2), (9, -1.0), (13, -0.4)), "pale", 1.2)
    _fence(s, ((13, -0.4), (20, 0.6), (30, 1.4), (38, 3.6), (42, 4.9), (47, 5.7), (54, 6.1), (64, 6.2), (90, 6.0), (120, 6.4), (137, 8), (138, 14), (138, 50), (137.5, 76), (120, 78), (99, 78)), "wire", 1.6)
    _fence(s, ((0.1, -1.2), (-12, -1.8), (-25, -2.2), (-25.5, 10), (-25, 23)), "rail", 1.2)
    for x in (16.5, 18.5, 20.5, 22.5, 25.5):
        s.tube("black", (x, 9.6, 0), (x, 9.6, 0.85), 0.07, 0.055)
        s.ball("black", (x, 9.6, 0.87), 0.075)
    _bench(s, 24.2, 9.8, 0)
    _bench(s, 32.2, 13.6, 0, 0.03)
    for x, y in ((27.2, 4.2), (31.3, 3.0), (35.0, 5.2), (9.4, 2.0)):
        s.tube("concrete", (x, y, 0), (x, y, 0.5), 0.35, 0.5)
        s.tube("soil", (x, y, 0.46), (x, y, 0.51), 0.42)
    _lamp_post(s, 22.5, 5.4)
    _lamp_post(s, 10.0, 3.4)
    _sign(s, 34.2, 2.6, 150, "board")
    _sign(s, 2.4, 14.5, 190, "board")
    for x in (33.2, 33.9, 34.6):
        s.tube("steel", (x - 0.3, 7.6, 0), (x - 0.3, 7.6, 0.75), 0.02)
        s.tube("steel", (x + 0.3, 7.6, 0), (x + 0.3, 7.6, 0.75), 0.02)
        s.tube("steel", (x - 0.3, 7.6, 0.75), (x + 0.3, 7.6, 0.75), 0.02)


def _hall(s: Shapes) -> None:
    """Museum hall with beams, exhibits and lit show cases."""
    x0, x1, y0, y1 = 17.2, 27.5, 10.5, 18.2
    long = ((0.9, 2.3, 1.2, 3.4), (3.4, 4.8, 1.2, 3.4), (6.2, 7.6, 1.2, 3.4), (8.4, 9.6, 1.2, 3.4))
    s.wall("planks", (x0, y0), (x1, y0), 4.8, 0.2, long)
    s.wall("planks", (x1, y1), (x0, y1), 4.8, 0.2, long)
    s.wall("planks", (x1, y0), (x1, y1), 4.8, 0.2, ((4.6, 6.2, 0.0, 2.4),))
    s.wall("planks", (x0, y1), (x0, y0), 4.8, 0.2)
    for o in long:
        _window(s, (x0, y0), (x1, y0), *o, panes=(3, 4), sill="white", thickness=0.2)
        _window(s, (x1, y1), (x0, y1), *o, panes=(3, 4), sill="white", thickness=0.2)
    _door(s, (x1, y0), (x1, y1), 4.6, 6.2, 2.4, "boards green")
    _gable(s, x0, x1, y0, y1, 4.8, 6.6, "slate", "planks", "x", 0.35)
    s.box("floor", (x0, y0, 0.0), (x1, y1, 0.035))
    s.box("planks", (x0, y0, 4.86), (x1, y1, 4.95))
    for x in np.arange(18.6, 27.4, 2.15):
        s.beam("post", (x, y0, 4.72), (x, y1, 4.72), 0.16, 0.24)
    for y in (y0 + 0.12, y1 - 0.12):
        s.beam("planks upright", (x0 + 0.1, y, 0.55), (x1 - 0.1, y, 0.55), 0.03, 1.0)
        s.beam("post", (x0 + 0.1, y, 1.08), (x1 - 0.1, y, 1.08), 0.07, 0.06)
    for x in (20.0, 22.6, 25.2, 26.9):
        s.box("planks upright", (x - 0.6, 11.5, 0.03), (x + 0.6, 12.2, 0.85))
        s.box("bare paper", (x - 0.58, 11.52, 0.85), (x + 0.58, 12.18, 0.87))
        for a in (-0.6, 0.6):
            for b in (11.5, 12.2):
                s.beam("black", (x + a, b, 0.85), (x + a, b, 1.55), 0.03, 0.03)
        s.box("black", (x - 0.62, 11.48, 1.55), (x + 0.62, 12.22, 1.60))
        s.box("case lamp", (x - 0.5, 11.8, 1.538), (x + 0.5, 11.9, 1.548))
        s.faces("glass", np.array([(x - 0.6, 12.2, 0.87), (x + 0.6, 12.2, 0.87), (x + 0.6, 12.2, 1.55), (x - 0.6, 12.2, 1.55)]), np.array([[0, 1, 2, 3]]))
        for k in range(5):
            a = x - 0.42 + 0.2 * k
            if k % 2:
                s.tube("steel", (a, 11.85, 0.87), (a, 11.85, 1.02 + 0.05 * k), 0.05, 0.02)
            else:
                s.box("red" if k == 2 else "silver", (a - 0.07, 11.75, 0.87), (a + 0.07, 11.9, 1.0 + 0.04 * k))
    for x in (19.6, 22.0, 26.0):
        s.box("planks", (x - 0.5, 17.2, 0.03), (x + 0.5, 17.9, 0.45))
        s.box("black", (x - 0.35, 17.35, 0.45), (x + 0.35, 17.75, 0.95))
        s.tube("silver", (x - 0.2, 17.3, 0.75), (x - 0.2, 17.2, 0.75), 0.17)
        s.tube("silver", (x + 0.2, 17.3, 0.75), (x + 0.2, 17.2, 0.75), 0.17)
    s.box("red", (20.4, 14.0, 0.55), (22.8, 14.9, 1.35))
    s.box("cream", (20.45, 13.99, 1.0), (22.75, 14.91, 1.3))
    for a in (20.75, 21.25, 21.95, 22.45):
        for b in (13.96, 14.94):
            s.tube("black", (a, b - 0.03, 0.35), (a, b + 0.03, 0.35), 0.22)
    for y in (14.1, 14.8):
        s.beam("rail", (19.9, y, 0.08), (23.4, y, 0.08), 0.05, 0.08)
    for x in (20.0, 23.4):
        for y in (13.5, 15.4):
            s.tube("steel", (x, y, 0.03), (x, y, 0.95), 0.02)
            s.tube("steel", (x, y, 0.03), (x, y, 0.06), 0.15)
    for y in (13.5, 15.4):
        s.tube("red", (20.0, y, 0.85), (23.4, y, 0.85), 0.018)
    for x in (19.5, 22.7, 25.6):
        for y in (12.9, 16.2):
            s.box("room lamp", (x - 0.6, y - 0.08, 4.45), (x + 0.6, y + 0.08, 4.48))
            s.box("black", (x - 0.62, y - 0.10, 4.48), (x + 0.62, y + 0.10, 4.53))
            s.beam("black", (x, y, 4.5), (x, y, 4.86), 0.02, 0.02)
    s.box("white", (27.36, 11.6, 1.3), (27.4, 13.6, 2.5))
    s.box("green", (27.35, 11.7, 1.4), (27.37, 13.5, 2.4))
    s.box("floor", (26.2, 13.6, 0.03), (27.2, 14.0, 0.95))


def _cabin(s: Shapes) -> None:
    """Signal cabin, mast of the crossing, signals and crossing signs."""
    s.box("brick", (60.0, 28.3, 0), (63.7, 30.7, 3.0))
    s.box("boards cream", (59.95, 28.25, 3.0), (63.75, 30.75, 3.9))
    for x in np.linspace(59.98, 63.7, 6):
        for y in (28.3, 30.7):
            s.beam("white", (x, y, 3.9), (x, y, 5.3), 0.08, 0.08)
    for y in np.linspace(28.3, 30.7, 4):
        for x in (60.0, 63.7):
            s.beam("white", (x, y, 3.9), (x, y, 5.3), 0.08, 0.08)
    for z in (3.93, 4.6, 5.25):
        s.beam("white", (60, 28.3, z), (63.7, 28.3, z), 0.06, 0.06)
        s.beam("white", (60, 30.7, z), (63.7, 30.7, z), 0.06, 0.06)
        s.beam("white", (63.7, 28.3, z), (63.7, 30.7, z), 0.06, 0.06)
        s.beam("white", (60, 28.3, z), (60, 30.7, z), 0.06, 0.06)
    s.box("black", (60.2, 28.5, 3.9), (63.5, 30.5, 4.0))
    s.wall("glass", (60.0, 28.3), (63.7, 28.3), 5.25, 0.01, base=3.95)
    s.box("boards cream", (59.96, 28.26, 5.3), (63.74, 30.74, 6.0))
    s.box("white", (59.9, 28.2, 5.92), (63.8, 30.8, 6.02))
    _gable(s, 59.95, 63.75, 28.25, 30.75, 6.0, 7.0, "slate", "boards cream", "x", 0.12)
    for k in range(12):
        s.box("planks", (58.9, 28.6 + 0.16 * k, 0.25 * k), (59.9, 28.76 + 0.16 * k, 0.25 * k + 0.05))
    for x, y in ((-18, 27.9), (55.0, 33.4), (70.5, 22.9), (100, 11.2)):
        s.tube("galvanised", (x, y, 0), (x, y, 4.6), 0.08, 0.06)
        s.box("black", (x - 0.18, y - 0.12, 3.6), (x + 0.18, y + 0.12, 4.5))
        s.box("red", (x - 0.9, y - 0.03, 4.15), (x - 0.15, y + 0.03, 4.4))
        s.box("white", (x - 0.45, y - 0.035, 4.15), (x - 0.3, y + 0.035, 4.4))
        for z in np.arange(0.5, 3.5, 0.3):
            s.beam("galvanised", (x - 0.16, y + 0.1, z), (x + 0.16, y + 0.1, z), 0.02, 0.02)
    _sign(s, 45.5, 34.3, 60, "cross")
    _sign(s, 39.6, 39.8, 240, "cross")
    for x, y, t in ((46.9, 34.3, 0), (38.4, 39.9, 180)):
        s.place((x, y, 0), rotation_z(t))
        s.box("box grey", (-0.25, -0.3, 0), (0.25, 0.3, 1.1))
        for k in range(6):
            s.beam("white" if k % 2 else "red", (0, 0, 1.0 + 0.62 * k), (0, 0, 1.62 + 0.62 * k), 0.09, 0.09)
        s.place()
    for x, y in ((57.0, 30.5), (55.4, 31.6)):
        s.box("box grey", (x - 0.35, y - 0.2, 0.1), (x + 0.35, y + 0.2, 1.3))


def _coach(s: Shapes, x: float, y: float, turn: float, length: float = 9.0, paint: str = "boards red") -> None:
    s.place((x, y, 0.29), rotation_z(turn))
    half = length / 2
    s.box("black", (-half, -0.75, 0.42), (half, 0.75, 0.66))
    for side in (-0.92, 0.92):
        s.wall(paint, (-half, side), (half, side), 2.55, 0.05, tuple((k, k + 0.75, 1.5, 2.25) for k in np.arange(0.5, length - 0.8, 1.12)), 0.66)
        s.wall("glass", (-half, side), (half, side), 2.3, 0.01, base=1.45)
        s.beam("cream", (-half, side * 1.03, 1.40), (half, side * 1.03, 1.40), 0.02, 0.06)
        s.beam("cream", (-half, side * 1.03, 2.35), (half, side * 1.03, 2.35), 0.02, 0.06)
        for k in np.arange(-half, half + 0.1, 1.12):
            s.beam(paint, (k, side * 1.02, 0.66), (k, side * 1.02, 2.5), 0.05, 0.03)
    for end in (-half, half):
        s.wall(paint, (end, -0.92), (end, 0.92), 2.55, 0.06, ((0.55, 1.3, 1.4, 2.25),), 0.66)
        s.beam("black", (end, 0, 0.55), (end + np.sign(end) * 0.4, 0, 0.55), 0.12, 0.12)
    a = np.linspace(-0.98, 0.98, 9)
    for u, v in zip(a[:-1], a[1:], strict=False):
        z = [2.55 + 0.30 * (1 - (q / 1.0) ** 2) for q in (u, v)]
        p = np.array([(-half - 0.15, u, z[0]), (half + 0.15, u, z[0]), (half + 0.15, v, z[1]), (-half - 0.15, v, z[1])])
        s.faces("box grey", p, np.array([[0, 1, 2, 3]]))
    for c in (-half + 1.6, half - 1.6):
        s.box("black", (c - 0.9, -0.5, 0.2), (c + 0.9, 0.5, 0.4))
        for w in (c - 0.55, c + 0.55):
            for o in (-0.42, 0.42):
                s.tube("steel", (w, o - 0.04, 0.25), (w, o + 0.04, 0.25), 0.25)
    s.place()


def _wagon(s: Shapes, x: float, y: float, turn: float, load: str | None = None) -> None:
    s.place((x, y, 0.29), rotation_z(turn))
    s.box("black", (-1.5, -0.6, 0.35), (1.5, 0.6, 0.5))
    for side in (-0.7, 0.7):
        s.wall("planks", (-1.55, side), (1.55, side), 1.05, 0.06, base=0.5)
        for k in (-1.4, -0.5, 0.5, 1.4):
            s.beam("black", (k, side * 1.06, 0.5), (k, side * 1.06, 1.05), 0.06, 0.03)
    for end in (-1.55, 1.55):
        s.wall("planks", (end, -0.7), (end, 0.7), 1.05, 0.06, base=0.5)
    if load:
        s.box(load, (-1.5, -0.66, 0.5), (1.5, 0.66, 0.98))
    for w in (-0.8, 0.8):
        for o in (-0.42, 0.42):
            s.tube("steel", (w, o - 0.04, 0.22), (w, o + 0.04, 0.22), 0.22)
    s.place()


def _engine(s: Shapes, x: float, y: float, turn: float) -> None:
    s.place((x, y, 0.29), rotation_z(turn))
    s.box("black", (-2.3, -0.75, 0.45), (2.4, 0.75, 0.65))
    s.box("red", (2.35, -0.8, 0.30), (2.5, 0.8, 0.68))
    s.tube("green", (-0.8, 0, 1.25), (2.1, 0, 1.25), 0.50)
    for k in (-0.6, 0.1, 0.8, 1.5):
        s.tube("rail", (k, 0, 1.25), (k + 0.05, 0, 1.25), 0.51)
    s.tube("black", (2.05, 0, 1.25), (2.4, 0, 1.25), 0.53)
    s.tube("black", (2.2, 0, 1.7), (2.2, 0, 2.6), 0.14, 0.17)
    s.ball("rail", (0.9, 0, 1.75), 0.22, 0, 90)
    s.ball("rail", (0.0, 0, 1.78), 0.18, 0, 90)
    for side in (-0.62, 0.62):
        s.box("green", (-0.9, side - 0.16, 0.65), (1.6, side + 0.16, 1.35))
    for side in (-0.8, 0.8):
        s.wall("green", (-2.3, side), (-0.8, side), 2.4, 0.05, ((0.35, 1.1, 1.5, 2.1),), 0.65)
    s.wall("green", (-0.8, -0.8), (-0.8, 0.8), 2.4, 0.05, ((0.2, 0.55, 1.8, 2.15), (1.05, 1.4, 1.8, 2.15)), 0.65)
    s.box("black", (-2.45, -0.95, 2.4), (-0.6, 0.95, 2.47))
    for w in (-1.3, -0.1, 1.1):
        for o in (-0.45, 0.45):
            s.tube("red", (w, o - 0.05, 0.33), (w, o + 0.05, 0.33), 0.33)
    for o in (-0.54, 0.54):
        s.beam("rail", (-1.3, o, 0.28), (1.1, o, 0.28), 0.03, 0.07)
        s.tube("black", (1.5, o * 1.15, 0.45), (2.2, o * 1.15, 0.45), 0.17)
    s.place()


def _sheds(s: Shapes) -> None:
    """Carriage shed, workshop, coal stage, water tower, lamp hut and turntable."""
    x0, x1, y0, y1 = 80.0, 96.0, 40.2, 75.0
    s.wall("sheet green", (x0, y0 + 0.1), (x1, y0 + 0.1), 5.5, 0.12, ((2.2, 5.8, 0.0, 4.2), (10.2, 13.8, 0.0, 4.2)))
    s.wall("sheet green", (x1, y1), (x0, y1), 5.5, 0.12, ((6.4, 9.6, 1.5, 4.0),))
    s.wall("sheet green", (x1, y0), (x1, y1), 5.5, 0.12, tuple((k, k + 3.0, 2.6, 3.9) for k in np.arange(2.5, 32, 6)))
    s.wall("sheet green", (x0, y1), (x0, y0), 5.5, 0.12, tuple((k, k + 3.0, 2.6, 3.9) for k in np.arange(2.5, 32, 6)))
    for k in np.arange(2.5, 32, 6):
        _window(s, (x1, y0), (x1, y1), k, k + 3, 2.6, 3.9, "white", "galvanised", (4, 2), 0.12)
        _window(s, (x0, y1), (x0, y0), k, k + 3, 2.6, 3.9, "white", "galvanised", (4, 2), 0.12)
    _window(s, (x1, y1), (x0, y1), 6.4, 9.6, 1.5, 4.0, "white", "galvanised", (4, 3), 0.12)
    _gable(s, x0, x1, y0, y1, 5.5, 7.6, "sheet", "sheet green", "y", 0.15)
    s.box("concrete", (x0, y0, 0.0), (x1, y1, 0.10))
    for a, b in ((82.6, 83.62), (84.38, 85.4), (90.6, 91.62), (92.38, 93.4)):
        s.box("concrete", (a, y0, 0.05), (b, y1, 0.285))
    for cx, opened in ((84.0, (75, 105)), (92.0, (0, 180))):
        for hinge, turn in ((cx - 1.8, opened[0]), (cx + 1.8, opened[1])):
            s.place((hinge, y0 - 0.03, 0.0), rotation_z(-turn if hinge < cx else turn))
            s.wall("boards green", (0, 0), (1.78, 0), 4.15, 0.06, base=0.3)
            for z in (0.7, 2.2, 3.8):
                s.beam("boards cream", (0.02, -0.045, z), (1.76, -0.045, z), 0.03, 0.16)
            s.beam("boards cream", (0.1, -0.045, 0.75), (1.7, -0.045, 2.15), 0.03, 0.14)
            s.place()
    for cx in (84.0, 92.0):
        s.beam("galvanised", (cx - 2.0, y0 - 0.06, 4.32), (cx + 2.0, y0 - 0.06, 4.32), 0.1, 0.2)
    for y in np.arange(y0 + 2.8, y1, 5.0):
        for x in (x0 + 0.25, x1 - 0.25):
            s.beam("steel", (x, y, 0.1), (x, y, 5.4), 0.20, 0.10)
            s.beam("steel", (x - 0.09, y, 0.1), (x - 0.09, y, 5.4), 0.02, 0.2)
            s.beam("steel", (x + 0.09, y, 0.1), (x + 0.09, y, 5.4), 0.02, 0.2)
        s.beam("steel", (x0 + 0.2, y, 4.75), (x1 - 0.2, y, 4.75), 0.12, 0.26)
        for a, b in ((x0 + 0.2, 88.0), (x1 - 0.2, 88.0)):
            s.beam("steel", (a, y, 5.4), (b, y, 7.45), 0.12, 0.2)
            s.beam("steel", ((a + b) / 2, y, 4.8), ((a + b) / 2, y, 6.4), 0.08, 0.08)
            s.beam("steel", ((a + b) / 2, y, 6.35), (b, y, 4.85), 0.07, 0.07)
        s.beam("steel", (88, y, 4.8), (88, y, 7.4), 0.08, 0.08)
    for y in np.arange(y0 + 4.0, y1 - 2, 5.0):
        for x in (82.4, 85.4, 90.6, 93.6):
            z = 5.5 + (7.6 - 5.5) * (1 - abs(x - 88) / 8) - 0.16
            v = np.array([(x - 0.55, y - 1.1, z - 0.27 * np.sign(88 - x) * 0.55), (x + 0.55, y - 1.1, z + 0.27 * np.sign(88 - x) * 0.55),
                          (x + 0.55, y + 1.1, z + 0.27 * np.sign(88 - x) * 0.55), (x - 0.55, y + 1.1, z - 0.27 * np.sign(88 - x) * 0.55)])
            s.faces("rooflight", v, np.array([[3, 2, 1, 0]]))
    _coach(s, 84, 53.0, 90, 9.0)
    _coach(s, 84, 63.0, 90, 9.0, "boards green")
    _coach(s, 92, 61.5, 90, 9.0, "boards cream")
    _wagon(s, 92, 54.6, 90, "planks")
    for k, (x, y) in enumerate(((86.2, 55.0), (89.9, 58.5), (86.3, 66.0), (90.0, 50.8))):
        s.box("planks", (x - 0.35, y - 0.9, 0.1), (x + 0.35, y + 0.9, 0.95))
        s.box("red" if k % 2 else "blue", (x - 0.3, y - 0.4, 0.95), (x + 0.3, y + 0.4, 1.3))
        s.box("planks", (x - 0.3, y - 0.85, 0.4), (x + 0.3, y + 0.85, 0.45))
    for y in np.arange(52.0, 74, 3.5):
        s.box("yellow", (86.75, y - 1.0, 0.101), (86.85, y + 1.0, 0.106))
        s.box("yellow", (89.15, y - 1.0, 0.101), (89.25, y + 1.0, 0.106))
    _barrel(s, 89.6, 66.5, "blue")
    _barrel(s, 89.7, 67.3, "red")
    s.wall("planks upright", (68, 52.35), (78, 52.35), 3.4, 0.2, ((2.9, 4.0, 0.0, 2.2), (5.2, 6.6, 1.0, 2.2)))
    s.wall("planks upright", (78, 52.35), (78, 60), 3.4, 0.2, ((2.0, 5.0, 0.0, 2.8),))
    s.wall("planks upright", (78, 60), (68, 60), 3.4, 0.2)
    s.wall("planks upright", (68, 60), (68, 52.35), 3.4, 0.2, ((2.5, 4.0, 1.0, 2.2),))
    _door(s, (68, 52.35), (78, 52.35), 2.9, 4.0, 2.2, "sheet green", "galvanised")
    _window(s, (68, 52.35), (78, 52.35), 5.2, 6.6, 1.0, 2.2, "white", "white", (4, 2), 0.2)
    _window(s, (68, 60), (68, 52.35), 2.5, 4.0, 1.0, 2.2, "white", "white", (3, 2), 0.2)
    _door(s, (78, 52.35), (78, 60), 2.0, 5.0, 2.8, "boards green")
    _gable(s, 68, 78, 52.2, 60, 3.4, 5.4, "sheet rust", "planks upright", "x", 0.55, gutter=False)
    s.box("white", (67.5, 51.66, 2.86), (78.5, 52.25, 2.90))
    s.box("planks", (67.5, 51.62, 2.86), (78.5, 51.66, 3.10))
    for k in range(5):
        s.beam("planks", (69.0, 51.9 - 0.07 * k, 0.08 + 0.11 * k), (70.3, 51.9 - 0.07 * k, 0.08 + 0.11 * k), 0.2, 0.09)
    _barrel(s, 68.4, 51.9, "rust", 0.3, 0.95)
    s.box("block", (114.5, 12.0, 0), (118.5, 17.0, 1.5))
    s.box("planks", (114.3, 11.8, 1.5), (118.7, 17.2, 1.6))
    s.box("coal", (114.7, 12.1, 1.6), (118.4, 16.9, 2.0))
    for x in (114.5, 118.5):
        for y in (12.0, 14.5, 17.0):
            s.beam("post", (x, y, 1.5), (x, y, 4.0), 0.16, 0.16)
    s.wall("planks", (118.5, 12), (118.5, 17), 2.7, 0.08, base=1.6)
    s.wall("planks", (114.5, 12), (118.5, 12), 2.4, 0.08, base=1.6)
    _gable(s, 114.4, 118.6, 11.9, 17.1, 4.0, 4.9, "sheet rust", "planks upright", "y", 0.4)
    rng = np.random.default_rng(11)
    for _ in range(60):
        p = (rng.uniform(113.2, 115.2), rng.uniform(12, 17.5))
        s.ball("coal", (*p, 0.05), rng.uniform(0.05, 0.16), sides=7)
    for k in range(9):
        s.box("planks", (114.6, 17.2 + 0.24 * k, 1.4 - 0.16 * k), (115.6, 17.44 + 0.24 * k, 1.45 - 0.16 * k))
    cx, cy = 110.0, 12.4
    for a in (-1, 1):
        for b in (-1, 1):
            s.beam("steel", (cx + a * 1.25, cy + b * 1.25, 0), (cx + a * 1.1, cy + b * 1.1, 3.6), 0.16, 0.16)
        s.beam("steel", (cx + a * 1.25, cy - 1.25, 0.3), (cx + a * 1.1, cy + 1.1, 3.5), 0.07, 0.07)
        s.beam("steel", (cx + a * 1.25, cy + 1.25, 0.3), (cx + a * 1.1, cy - 1.1, 3.5), 0.07, 0.07)
        s.beam("steel", (cx - 1.25, cy + a * 1.25, 0.3), (cx + 1.1, cy + a * 1.1, 3.5), 0.07, 0.07)
    s.box("planks", (cx - 1.5, cy - 1.5, 3.6), (cx + 1.5, cy + 1.5, 3.75))
    s.tube("planks upright", (cx, cy, 3.75), (cx, cy, 5.9), 1.45, 1.4, 32)
    for z in (3.95, 4.5, 5.1, 5.7):
        s.tube("rust", (cx, cy, z), (cx, cy, z + 0.06), 1.47, 1.46, 32)
    s.tube("slate", (cx, cy, 5.9), (cx, cy, 6.6), 1.6, 0.05, 32)
    s.tube("black", (cx + 1.3, cy + 0.2, 3.8), (cx + 2.0, cy + 0.9, 3.5), 0.09)
    s.tube("black", (cx + 2.0, cy + 0.9, 3.5), (cx + 2.0, cy + 0.9, 2.4), 0.09)
    for z in np.arange(0.3, 5.8, 0.3):
        s.beam("steel", (cx - 0.22, cy + 1.55, z), (cx + 0.22, cy + 1.55, z), 0.025, 0.025)
    for o in (-0.22, 0.22):
        s.beam("steel", (cx + o, cy + 1.55, 0), (cx + o, cy + 1.55, 5.9), 0.04, 0.04)
    s.wall("brick", (113, 42.5), (115.85, 42.5), 3.0, 0.2, ((0.9, 1.8, 0.0, 2.1),))
    s.wall("brick", (115.75, 42.4), (115.75, 45.6), 3.0, 0.2)
    s.wall("brick", (115.85, 45.5), (113, 45.5), 3.0, 0.2)
    s.wall("brick", (113, 45.5), (113, 42.5), 3.0, 0.2, ((1.0, 2.0, 1.0, 2.0),))
    _door(s, (113, 42.5), (115.85, 42.5), 0.9, 1.8, 2.1, "boards red")
    _window(s, (113, 45.5), (113, 42.5), 1.0, 2.0, 1.0, 2.0, thickness=0.2)
    _gable(s, 112.9, 115.85, 42.4, 45.6, 3.0, 4.1, "tiles", "brick", "y", 0.06, gutter=False)
    t = np.arange(0, 361, 6)
    ring = np.column_stack([128 + 6.4 * np.cos(np.radians(t)), 44 + 6.4 * np.sin(np.radians(t))])
    s.ribbon("brick", ring, ((0.25, 0.0), (0.25, 0.30), (-0.25, 0.30), (-0.25, 0.0)))
    s.tube("concrete", (128, 44, 0.0), (128, 44, 0.04), 6.2, 6.2, 48)
    inner = np.column_stack([128 + 5.6 * np.cos(np.radians(t)), 44 + 5.6 * np.sin(np.radians(t))])
    s.ribbon("rail", inner, ((0.03, 0.04), (0.03, 0.12), (-0.03, 0.12), (-0.03, 0.04)))
    s.place((128, 44, 0), rotation_z(64))
    s.box("steel", (-6.0, -0.62, 0.13), (6.0, 0.62, 0.2))
    for o in (-0.55, 0.55):
        s.beam("steel", (-6.0, o, 0.16), (6.0, o, 0.16), 0.12, 0.26)
    for o in (-0.38, 0.38):
        s.beam("rail", (-6.0, o, 0.25), (6.0, o, 0.25), 0.05, 0.09)
    for k in np.arange(-5.8, 5.9, 0.5):
        s.beam("planks", (k, -0.9, 0.20), (k, 0.9, 0.20), 0.24, 0.05)
    for e in (-5.7, 5.7):
        s.beam("yellow", (e, 0.7, 0.25), (e + np.sign(e) * 1.8, 1.3, 1.1), 0.09, 0.09)
        for o in (-0.85, 0.85):
            s.tube("yellow", (e, o, 0.2), (e, o, 1.2), 0.025)
    for o in (-0.85, 0.85):
        for z in (0.7, 1.2):
            s.tube("yellow", (-5.7, o, z), (5.7, o, z), 0.02)
    s.place()
    _engine(s, 92, 33.0, -90)
    _wagon(s, 84, 20.5, 93, "ballast")
    _wagon(s, 84.2, 24.4, 91)
    _wagon(s, 106.6, 9.0, 0, "coal")
    _wagon(s, 103.0, 9.0, 0, "coal")
    for k in range(8):
        s.beam("sleeper", (97.5, 27.0 + 0.27 * k, 0.13), (99.8, 27.0 + 0.27 * k, 0.13), 0.22, 0.16)
        s.beam("sleeper", (97.6, 27.1 + 0.27 * k, 0.30), (99.7, 27.1 + 0.27 * k, 0.30), 0.22, 0.16) if k < 7 else None
    for k in range(5):
        s.beam("rail", (119.5, 26 + 0.2 * k, 0.08), (125.5, 28 + 0.2 * k, 0.08), 0.06, 0.08)
    s.box("brick", (66.0, 8.6, 0), (68.6, 10.6, 2.2))
    _door(s, (66.0, 10.62), (68.6, 10.62), 0.4, 1.2, 1.95, "boards green")
    _door(s, (68.6, 10.62), (66.0, 10.62), 0.4, 1.2, 1.95, "boards green")
    s.box("stone", (67.9, 10.6, 1.0), (68.4, 10.66, 1.7))
    s.box("bubble", (67.95, 10.64, 1.05), (68.35, 10.67, 1.65))
    _gable(s, 66.0, 68.6, 8.6, 10.6, 2.2, 3.0, "slate", "brick", "x", 0.2, gutter=False)
    for k in range(5):
        s.beam("sleeper", (71.0, 10.4 + 0.27 * k, 0.1), (73.0, 10.0 + 0.27 * k, 0.1), 0.22, 0.16)
        s.beam("sleeper", (71.0, 10.5 + 0.25 * k, 0.27), (73.0, 10.1 + 0.25 * k, 0.27), 0.22, 0.16)
    for x, y in ((63.2, 19.6), (69.4, 15.2)):
        s.box("box grey", (x - 0.3, y - 0.2, 0.1), (x + 0.3, y + 0.2, 1.25))
        s.box("concrete", (x - 0.4, y - 0.3, 0), (x + 0.4, y + 0.3, 0.12))
    s.polygon("flags", ((115.85, 42.0), (118.6, 42.0), (118.6, 46.0), (115.85, 46.0)), 0.02)
    s.ribbon("gravel", _line(((117, 44.6), (119, 47.5), (121, 52), (122, 60)), 1.0), ((0.8, 0.014), (-0.8, 0.014)))
    for x, y in ((79.0, 36.2), (79.0, 35.4), (101.2, 31.0)):
        _barrel(s, x, y, "rust")
    for k in range(3):
        s.box("box grey", (70.0 + 2.2 * k, 43.5, 0), (71.8 + 2.2 * k, 45.0, 0.5 + 0.3 * k))
    s.box("planks", (73.5, 46.6, 0), (75.0, 47.8, 0.14))
    s.box("brick", (73.6, 46.7, 0.14), (74.9, 47.7, 0.75))
    for x, y in ((66.5, 47.5), (104.5, 46.0), (100.5, 20.0)):
        s.tube("post", (x, y, 0), (x, y, 7.0), 0.13, 0.09)
        s.beam("post", (x - 0.7, y, 6.5), (x + 0.7, y, 6.5), 0.1, 0.1)
        s.box("black", (x - 0.2, y - 0.6, 5.0), (x + 0.2, y - 0.1, 5.15))
        s.ball("street lamp", (x, y - 0.35, 4.97), 0.05)
    for a, b in (((66.5, 47.5, 6.6), (104.5, 46.0, 6.6)), ((104.5, 46.0, 6.6), (100.5, 20.0, 6.6))):
        p = np.linspace(0, 1, 13)[:, None]
        line = np.array(a) * (1 - p) + np.array(b) * p
        line[:, 2] -= 1.0 * (1 - (2 * p[:, 0] - 1) ** 2)
        for u, v in zip(line[:-1], line[1:], strict=False):
            s.tube("rubber", u, v, 0.012, sides=5, caps=False)


def _plots(world: World, s: Shapes) -> None:
    """Allotment beds, bean rows, huts, gate and fence, tool store, compost bays and pond."""
    rng = np.random.default_rng(5)
    rows, bare, cabbages = Shapes(), Shapes(), []
    plants.bean_row(rows, 6.0, 21, True)
    plants.bean_row(bare, 6.0, 21, False)
    bean, cane = world.mesh("bean row", rows), world.mesh("bean canes", bare)
    for k in range(2):
        c = Shapes()
        plants.cabbage_row(c, 6.0, 40 + k)
        cabbages.append(world.mesh("cabbage row", c))
    leek = Shapes()
    plants.tuft(leek, 1.0, 260, 0.35, 77, "blade")
    leeks = world.mesh("leeks", leek)
    for row, y in enumerate((47.6, 52.4, 57.2, 66.0, 78.4, 83.2, 88.0, 92.8)):
        for col, x in enumerate((26.0, 33.6, 41.2, 51.6, 59.2)):
            if row == 3 and col == 4 or x > 58 and y < 50:
                continue
            if abs(x + 3 - 44) < 4.5 and abs(y + 1.7 - 74) < 6:
                continue
            if row >= 4 and col == 3 and y > 90:
                continue
            s.box("soil", (x, y, -0.2), (x + 6.4, y + 3.5, 0.07 + 0.004 * col))
            for a, b in (((x, y), (x + 6.4, y)), ((x, y + 3.5), (x + 6.4, y + 3.5)), ((x, y), (x, y + 3.5)), ((x + 6.4, y), (x + 6.4, y + 3.5))):
                s.beam("planks", (*a, 0.06), (*b, 0.06), 0.05, 0.16)
            kind = (row * 2 + col * 3) % 5
            for k, yy in enumerate((y + 0.7, y + 1.75, y + 2.8)):
                if kind in (0, 3) and k == 1:
                    world.add("june", bean, (x + 0.2, yy, 0.06))
                    world.add("december", cane, (x + 0.2, yy, 0.06))
                elif kind == 1 or (kind == 3 and k != 1):
                    world.add("fixed", cabbages[(k + row) % 2], (x + 0.2, yy, 0.07), 0.0)
                elif kind in (2, 0):
                    for step in range(6):
                        world.add("june" if kind == 2 else "fixed", leeks, (x + 0.7 + step, yy, 0.07), 90 * ((step + k) % 4), (1, 0.35, 0.9 + 0.2 * (k % 2)))
            if rng.uniform() < 0.5:
                a, b = x + rng.uniform(0.2, 6.0), y + 3.9
                s.tube("blue" if rng.uniform() < 0.5 else "green", (a, b, 0), (a, b, 0.85), 0.28, 0.30)
            s.beam("post", (x - 0.25, y - 0.25, 0), (x - 0.25, y - 0.25, 0.8), 0.05, 0.05)
            s.box("white", (x - 0.40, y - 0.29, 0.62), (x - 0.10, y - 0.275, 0.82))
    for x, y, paint in ((30.0, 71.2, "boards green"), (63.0, 61.0, "boards cream"), (24.0, 97.6, "boards red"), (60.5, 97.6, "boards green")):
        s.box(paint, (x, y, 0.1), (x + 2.4, y + 1.8, 1.95))
        _gable(s, x, x + 2.4, y, y + 1.8, 1.95, 2.6, "sheet rust", paint, "x", 0.15, 0.06, gutter=False)
        _door(s, (x, y - 0.03), (x + 2.4, y - 0.03), 0.3, 1.05, 1.8, "planks upright", "white")
        _window(s, (x, y - 0.03), (x + 2.4, y - 0.03), 1.35, 2.1, 0.95, 1.6, "white", "white", (2, 1), 0.06)
        s.tube("green", (x + 2.75, y + 0.4, 0), (x + 2.75, y + 0.4, 0.9), 0.3)
    s.box("block", (52.0, 69.2, 0), (55.4, 71.4, 0.35))
    for x in np.linspace(52.0, 55.4, 6):
        for y in (69.2, 71.4):
            s.beam("white", (x, y, 0.35), (x, y, 1.5), 0.045, 0.045)
        s.beam("white", (x, 69.2, 1.5), (x, 70.3, 2.25), 0.045, 0.045)
        s.beam("white", (x, 71.4, 1.5), (x, 70.3, 2.25), 0.045, 0.045)
    s.wall("glass", (52.0, 69.2), (55.4, 69.2), 1.5, 0.01, base=0.35)
    s.wall("glass", (52.0, 71.4), (55.4, 71.4), 1.5, 0.01, base=0.35)
    for y, z in ((69.2, 1.5), (71.4, 1.5), (70.3, 2.25)):
        s.beam("white", (52.0, y, z), (55.4, y, z), 0.05, 0.05)
    _fence(s, ((29, 48), (29, 56), (29, 61.2)), "rail", 1.25)
    _fence(s, ((29, 64.0), (29, 70), (28, 76), (23.5, 80), (23.5, 99)), "rail", 1.25)
    _fence(s, ((23, 47.0), (40, 46.9), (64, 46.6)), "wire", 1.2)
    for y in (61.2, 64.0):
        s.beam("post", (29, y, 0), (29, y, 1.75), 0.18, 0.18)
    s.place((29, 61.25, 0), rotation_z(60))
    for z in (0.25, 0.55, 0.85, 1.15):
        s.beam("white", (0, 0, z), (2.6, 0, z), 0.04, 0.09)
    s.beam("white", (0.05, 0, 0.2), (2.5, 0, 1.15), 0.04, 0.08)
    s.beam("white", (2.55, 0, 0.15), (2.55, 0, 1.3), 0.08, 0.06)
    s.beam("white", (0.05, 0, 0.15), (0.05, 0, 1.3), 0.08, 0.06)
    s.place()
    _sign(s, 30.2, 64.8, 255 - 180, "board")
    s.wall("planks upright", (60.5, 73), (60.5, 67), 2.8, 0.2, ((2.4, 3.5, 0.0, 2.1), (4.3, 5.2, 1.0, 1.8)))
    s.box("planks upright", (60.6, 67.0, 0), (64.0, 67.15, 2.8))
    s.box("planks upright", (60.6, 72.85, 0), (64.0, 73.0, 2.8))
    s.box("planks upright", (63.9, 67.0, 0), (64.0, 73.0, 2.8))
    _door(s, (60.5, 73), (60.5, 67), 2.4, 3.5, 2.1, "boards green")
    _window(s, (60.5, 73), (60.5, 67), 4.3, 5.2, 1.0, 1.8, thickness=0.2)
    _gable(s, 60.4, 64.1, 66.9, 73.1, 3.3, 4.3, "sheet rust", "planks upright", "y", 0.1, gutter=False)
    s.box("planks upright", (60.4, 66.95, 2.75), (64.1, 73.05, 3.35))
    s.box("flags", (56.6, 67.6, -0.1), (60.3, 72.6, 0.03))
    s.box("planks", (56.2, 67.7, 0), (57.2, 68.9, 0.5))
    s.tube("galvanised", (58.0, 72.2, 0.03), (58.0, 72.2, 0.38), 0.18, 0.22)
    s.place((57.6, 71.2, 0.03), rotation_z(200))
    s.box("green", (-0.35, -0.28, 0.32), (0.45, 0.28, 0.6))
    for o in (-0.24, 0.24):
        s.beam("planks", (0.5, o * 0.4, 0.25), (-1.0, o, 0.5), 0.04, 0.05)
        s.beam("steel", (-0.4, o, 0), (-0.3, o, 0.4), 0.03, 0.03)
    s.tube("rubber", (0.62, -0.04, 0.18), (0.62, 0.04, 0.18), 0.18)
    s.place()
    for k in range(4):
        s.beam("post", (60.36, 72.2 - 0.14 * k, 0.05), (60.42, 72.25 - 0.14 * k, 1.5), 0.03, 0.03)
    for k in range(4):
        x = 6.6 + 1.9 * k
        for z in np.arange(0.08, 1.15, 0.17):
            s.beam("planks", (x, 94.2, z), (x, 96.0, z), 0.03, 0.14)
            if k < 3:
                s.beam("planks", (x, 96.0, z), (x + 1.9, 96.0, z), 0.03, 0.14)
        for y in (94.2, 96.0):
            s.beam("post", (x, y, 0), (x, y, 1.3), 0.09, 0.09)
        if k < 3:
            s.ball("compost", (x + 0.95, 95.2, 0.0), 0.9, 0, 90, squash=0.7 + 0.1 * k)
    s.tube("water", (0, 112, -0.30), (0, 112, -0.28), 11.2, 11.2, 64)
    for x in (-0.75, 0.75):
        for y in (103.0, 104.6, 106.2):
            s.tube("post", (x, y, -0.7), (x, y, 0.35), 0.07)
    for y in np.arange(101.2, 106.4, 0.16):
        s.beam("planks", (-0.85, y, 0.12), (0.85, y, 0.12), 0.14, 0.035)
    _fence(s, ((-14, 101.5), (-6, 100.2), (-1.4, 100.6)), "rail", 1.1)
    _fence(s, ((1.4, 100.6), (6, 100.2), (14, 101.5)), "rail", 1.1)
    s.beam("post", (9.5, 101.2, 0), (9.5, 101.2, 1.6), 0.08, 0.08)
    s.tube("red", (9.5, 101.1, 1.1), (9.5, 101.05, 1.1), 0.38)
    s.tube("white", (9.5, 101.08, 1.1), (9.5, 101.04, 1.1), 0.22)
    _bench(s, -6.5, 99.4, 180)
    _bench(s, 11.0, 99.0, 180)


def _car(s: Shapes, x: float, y: float, turn: float, paint: str) -> None:
    s.place((x, y, 0), rotation_z(turn))
    profile = ((-2.05, 0.35), (-2.1, 0.75), (-1.95, 0.95), (-1.35, 1.42), (0.25, 1.45), (0.95, 0.98), (1.85, 0.85), (2.05, 0.65), (2.05, 0.32))
    n = len(profile)
    v = np.array([(px, side, pz) for side in (-0.82, 0.82) for px, pz in profile])
    v[:, 1] *= np.where(v[:, 2] > 1.0, 0.84, 1.0)
    i = np.arange(n - 1)
    s.faces(paint, v, np.column_stack([i, i + 1, i + 1 + n, i + n])[:, ::-1])
    centre = np.vstack([v, [(0, -0.82, 0.6)], [(0, 0.82, 0.6)]])
    s.faces(paint, centre, np.column_stack([i + 1, i, np.full(n - 1, 2 * n), np.full(n - 1, 2 * n)])[:, ::-1])
    s.faces(paint, centre, np.column_stack([i + n, i + 1 + n, np.full(n - 1, 2 * n + 1), np.full(n - 1, 2 * n + 1)])[:, ::-1])
    for side in (-1, 1):
        for a, b in ((-1.55, -0.55), (-0.47, 0.35)):
            q = np.array([(a, side * 0.80, 0.98), (b, side * 0.80, 0.98), (min(b, 0.25), side * 0.715, 1.36), (max(a, -1.25), side * 0.715, 1.36)])
            s.faces("bubble", q, np.array([[0, 1, 2, 3]] if side < 0 else [[3, 2, 1, 0]]))
    s.faces("bubble", np.array([(0.30, -0.66, 1.40), (0.30, 0.66, 1.40), (0.95, 0.74, 1.0), (0.95, -0.74, 1.0)]) + (0.012, 0, 0.012), np.array([[0, 3, 2, 1]]))
    s.faces("bubble", np.array([(-1.38, -0.66, 1.38), (-1.38, 0.66, 1.38), (-1.9, 0.74, 1.0), (-1.9, -0.74, 1.0)]) + (-0.012, 0, 0.012), np.array([[0, 1, 2, 3]]))
    for w in (-1.3, 1.3):
        for o in (-0.80, 0.80):
            s.tube("rubber", (w, o - 0.09, 0.31), (w, o + 0.09, 0.31), 0.31)
            s.tube("silver", (w, o - 0.10, 0.31), (w, o + 0.10, 0.31), 0.19)
    s.box("white", (2.04, -0.25, 0.45), (2.07, 0.25, 0.57))
    s.box("yellow", (-2.12, -0.25, 0.55), (-2.09, 0.25, 0.67))
    for o in (-0.62, 0.62):
        s.box("white", (1.98, o - 0.14, 0.62), (2.05, o + 0.14, 0.74))
        s.box("red", (-2.10, o - 0.14, 0.70), (-2.05, o + 0.14, 0.82))
    s.place()


def _cars(world: World) -> None:
    for group, cars in (("commissioning", ((-8.3, 3.4, 90, "red"), (-13.5, 3.3, -90, "white"), (-18.6, 3.5, 90, "blue"), (-10.9, 16.8, 90, "silver"), (-5.7, 16.7, -90, "green"), (44.5, -0.9, 5, "silver"))),
                        ("maintenance", ((-10.9, 3.4, -90, "silver"), (-18.6, 3.4, 90, "black"), (-8.3, 16.8, 90, "white"), (72.0, 46.0, 160, "blue")))):
        s = Shapes()
        for x, y, t, paint in cars:
            _car(s, x, y, t, paint)
        if group == "maintenance":
            s.box("planks", (30.2, 8.6, 0.02), (31.4, 9.6, 0.9))
        else:
            s.box("planks", (66.2, 44.0, 0.02), (67.2, 45.2, 0.6))
        world.shapes(group, f"{group} things", s)


def _vegetation(world: World) -> None:
    rng = np.random.default_rng(3)
    green, bare, dark = [], [], []
    for k in range(3):
        a, b = Shapes(), Shapes()
        plants.tree(a, 9.0, 100 + k)
        plants.tree(b, 9.0, 100 + k, bare=True)
        green.append(world.mesh("tree", a))
        bare.append(world.mesh("bare tree", b))
    for k in range(2):
        c = Shapes()
        plants.conifer(c, 11.0, 200 + k)
        dark.append(world.mesh("conifer", c))
    hedge = []
    for k in range(3):
        c = Shapes()
        plants.bush(c, 1.3, 2.0, 300 + k)
        hedge.append(world.mesh("bush", c))

    def put(x: float, y: float, scale: float, evergreen: bool) -> None:
        z = float(ground_height(np.array(x), np.array(y))) - 0.1
        turn = float(rng.uniform(0, 360))
        k = int(rng.integers(3))
        if evergreen:
            world.add("fixed", dark[k % 2], (x, y, z), turn, scale)
        else:
            world.add("june", green[k], (x, y, z), turn, scale)
            world.add("december", bare[k], (x, y, z), turn, scale)

    near = ((-30, 8, 1.1, 0), (-31, 18, 0.9, 0), (-29, -12, 1.0, 0), (-16, -14, 0.85, 0), (16, -13, 0.9, 0), (30, -12, 1.0, 1), (52, -9, 0.8, 0), (70, -8, 1.0, 0),
            (90, -7, 0.9, 0), (110, -8, 1.1, 1), (128, -6, 0.9, 0), (148, 10, 1.0, 0), (149, 28, 1.2, 1), (147, 58, 1.0, 0), (150, 72, 1.1, 0), (142, 86, 1.0, 1),
            (103, 84, 0.9, 0), (112, 86, 1.1, 0), (124, 90, 1.0, 1), (-26, 33, 0.9, 0), (-34, 52, 1.0, 0), (-28, 70, 1.0, 1), (-24, 92, 1.1, 0), (-22, 112, 1.0, 0),
            (-17, 127, 1.1, 0), (-4, 136, 1.0, 1), (12, 132, 0.9, 0), (6, 64, 0.8, 0), (8, 78, 0.75, 0), (72, 72, 0.7, 0), (70, 86, 0.8, 0), (74, 96, 0.9, 0), (16, 33.0, 0.6, 0))
    for x, y, scale, kind in near:
        put(x, y, scale, bool(kind))
    for _ in range(170):
        along, across = rng.normal(0, 120), rng.uniform(-55, 90)
        x, y = 198 + (across - along) / np.sqrt(2), 165 + (across + along) / np.sqrt(2)
        if np.hypot(x - 90, y - 55) > 82:
            put(x, y, rng.uniform(0.75, 1.3), rng.uniform() < 0.55)
    for _ in range(230):
        a, r = rng.uniform(0, 360), rng.uniform(330, 900)
        if 20 < a < 75:
            continue
        x, y = 55 + r * np.sin(np.radians(a)), 50 + r * np.cos(np.radians(a))
        put(x, y, rng.uniform(0.35, 0.6), rng.uniform() < 0.5)
    for a0, r in ((185, 300), (262, 340), (318, 380), (100, 420), (140, 360)):
        for k in range(46):
            a = a0 + k * 0.75
            x, y = 55 + r * np.sin(np.radians(a)), 50 + r * np.cos(np.radians(a))
            z = float(ground_height(np.array(x), np.array(y)))
            world.add("fixed", hedge[k % 3], (x, y, z - 0.2), k * 40.0, (2.2, 2.2, float(rng.uniform(0.8, 1.3))))
    lane = _line(((-120, -16.5), (-50, -12.5), (0, -10.6), (25, -8.8), (50, -5.4), (75, -4.2), (120, -4.0)), 1.7)
    for k, (x, y) in enumerate(lane):
        if abs(x - 4) > 3.0:
            world.add("fixed", hedge[k % 3], (x, y, -0.15), k * 67.0, (0.85, 0.85, float(rng.uniform(0.62, 0.8))))
    for k, (x, y) in enumerate(_line(((-27, -2), (-27.5, 12), (-27, 24)), 1.8)):
        world.add("fixed", hedge[k % 3], (x, y, -0.15), k * 67.0, (0.8, 0.8, 0.7))
    for x, y, sc in ((11.5, 5.9, 0.35), (16.6, 9.0, 0.3), (27.2, 4.2, 0.32), (31.3, 3.0, 0.32), (35.0, 5.2, 0.32), (9.4, 2.0, 0.30), (40.8, 14.0, 0.5), (52, 13.5, 0.7), (55.5, 17.0, 0.6), (36.5, 34.0, 0.7),
                     (33.4, 35, 0.8), (26, 34.5, 0.9), (78.5, 30, 0.6), (77.6, 33.2, 0.5), (135.5, 24, 0.9), (134.8, 66, 1.0), (132, 70, 0.9), (121, 58, 0.8), (104, 55.5, 0.9), (107.5, 57.2, 0.8), (64.9, 52.5, 0.5), (21, 83, 0.6), (2, 93, 0.6), (-9, 96.5, 0.7)):
        base = 0.45 if sc < 0.36 and sc != 0.35 and sc != 0.3 else -0.1
        world.add("fixed", hedge[int(x) % 3], (x, y, base), x * 31.0, sc)
    for group, kind, height in (("june", "blade", 0.20), ("december", "blade winter", 0.13)):
        patches = []
        for k in range(4):
            c = Shapes()
            plants.tuft(c, 2.0, 900, height, 400 + k, kind)
            patches.append(world.mesh("grass", c))
        grass = np.random.default_rng(8)
        for x0, x1, y0, y1, n in ((-6, 0.5, -1.0, 0.3, 8), (9.7, 15.2, -0.4, 3.0, 14), (15, 38, 0.4, 4.0, 40), (39.9, 60, 5.0, 12.5, 110), (41, 58, 0.8, 5.0, 20), (36, 57, 28.0, 34.5, 90), (30, 41, 38.5, 44, 40), (56.5, 76, 8, 23.5, 110),
                                  (100, 116, 22.5, 33, 60), (117, 137, 24, 37, 90), (117, 137, 51, 64, 70), (134.5, 137.5, 36, 52, 18), (20.5, 28.5, 56, 70, 80), (31, 40, 60, 62.2, 14), (36, 58, 71.5, 78, 90), (44, 58, 97, 104, 60), (26, 44, 97, 104, 60),
                                  (50.4, 56.5, 66.0, 73, 30), (4, 16, 88, 100, 90), (-12, 4, 92, 101, 90), (40, 50.5, 62, 66, 20), (32, 40.5, 72, 77, 30)):
            for _ in range(n):
                x, y = float(grass.uniform(x0, x1)), float(grass.uniform(y0, y1))
                if _on_made_ground(x, y):
                    continue
                z = float(ground_height(np.array(x), np.array(y)))
                world.add(group, patches[int(grass.integers(4))], (x, y, z), float(grass.uniform(0, 360)), float(grass.uniform(0.7, 1.1)))
    reed = Shapes()
    plants.reeds(reed, 1900, 9)
    world.add("fixed", world.mesh("reeds", reed), (0, 112, 0))


def _on_made_ground(x: float, y: float) -> bool:
    for points in TRACKS.values():
        line = _line(points, 1.3)
        if np.min(np.hypot(line[:, 0] - x, line[:, 1] - y)) < 2.3:
            return True
    return (15.4 < x < 40 and 5.5 < y < 14 or 59.9 - 1.2 < x < 64 and 27.5 < y < 31.5 or 79 < x < 97 and y > 23 and y < 76
            or 96 < x < 113 and 22 < y < 50 or np.hypot(x - 128, y - 44) < 7.6 or 36 < x < 50 and 34.3 < y < 39.7
            or abs(x - 48) < 2 and y > 66 and y < 98 or 50 < x < 56.5 and 68 < y < 72.5 or 34.9 < x < 41 and 7.9 < y < 12.2)


def _obstruction(world: World) -> None:
    """Bean frame and creeper close before the camera on the plots' square mast, looking south (second visit)."""
    s = Shapes()
    b = np.radians(195.0)
    forward, right = np.array([np.sin(b), np.cos(b)]), np.array([np.cos(b), -np.sin(b)])

    def at(ahead: float, aside: float, up: float) -> Array:
        p = np.array([44.0, 74.0]) + forward * ahead + right * aside
        return np.array([p[0], p[1], up])

    points = []
    rng = np.random.default_rng(17)
    for k in range(9):
        aside = -0.86 + 0.12 * k
        lean = rng.normal(0, 0.04)
        top = 4.02 - 0.045 * k + rng.normal(0, 0.05)
        s.tube("post", at(1.15, aside, 0.0), at(1.10, aside + lean, top), 0.014, 0.010, 7)
        for z in np.arange(2.4, top, 0.045):
            points.append(at(1.12 + rng.normal(0, 0.05), aside + lean * z / 4 + rng.normal(0, 0.05), z))
    for z in (2.6, 3.05, 3.5):
        s.tube("post", at(1.16, -0.95, z), at(1.16, 0.16, z - 0.05), 0.013, 0.013, 7)
    plants.creeper(s, np.array(points), 23)
    world.shapes("frame TH-20", "bean frame and creeper", s)


def build() -> World:
    """Build the whole site in the open scene."""
    world = World()
    _ground(world)
    s = Shapes()
    _roads(s)
    _track(s)
    _halt(s)
    _gatehouse(s)
    _hall(s)
    _cabin(s)
    _sheds(s)
    _plots(world, s)
    world.shapes("fixed", "site", s)
    _cars(world)
    _vegetation(world)
    _obstruction(world)
    return world
