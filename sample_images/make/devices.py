"""Camera bodies and the chains of parts that carry them, as numpy shapes.

:func:`device` gives one camera's shapes and the pose of its type label. A fault of the installation changes the chain:
``flat`` (dome screwed to the wall), ``no wedge``, ``film``, ``slipped`` (band turned), ``no box`` (plug hanging outside).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from shapes import Array, Shapes, frame

__all__ = ["ATTACH", "Label", "device", "lens_position", "masts"]

UP = np.array([0.0, 0.0, 1.0])

# What carries each camera: kind, unit direction from the camera to it, distance in metres.
ATTACH: dict[str, tuple[str, tuple[float, float, float], float]] = {
    "TH-01": ("round mast", (-0.342, -0.940, 0), 0.34), "TH-02": ("wall", (0, 1, 0), 0.15), "TH-03": ("corner", (-0.707, -0.707, 0), 0.495),
    "TH-04": ("recess", (0, 0, 1), 0.06), "TH-05": ("pipe", (0, 0, 1), 0.86), "TH-06": ("arm", (-1, 0, 0), 0.70),
    "TH-07": ("wall", (1, 0, 0), 0.15), "TH-08": ("wall", (-1, 0, 0), 0.15), "TH-09": ("bracket", (0, 1, 0), 0.15),
    "TH-10": ("round mast", (0.766, -0.643, 0), 0.34), "TH-11": ("round mast", (-0.766, 0.643, 0), 0.34), "TH-12": ("corner", (-0.707, -0.707, 0), 0.424),
    "TH-13": ("rail", (0, 1, 0), 0.24), "TH-14": ("beam", (0, 0, 1), 0.42), "TH-15": ("soffit", (0, 0, 1), 0.06),
    "TH-16": ("wood post", (-0.5, 0.866, 0), 0.34), "TH-17": ("wedge", (-1, 0, 0), 0.15), "TH-18": ("round mast", (-0.966, -0.259, 0), 0.34),
    "TH-19": ("square mast", (-0.259, -0.966, 0), 0.34), "TH-20": ("square mast", (0.259, 0.966, 0), 0.34), "TH-21": ("arm", (1, 0, 0), 0.40),
    "TH-22": ("wood post", (0.5, -0.866, 0), 0.34), "TH-23": ("wall", (0, 1, 0), 0.15), "TH-24": ("wall", (-1, 0, 0), 0.15),
}


@dataclass(frozen=True, slots=True)
class Label:
    """Type label: centre, the direction its text runs, its upward direction, outward normal; size in metres."""

    centre: Array
    along: Array
    up: Array
    normal: Array
    width_m: float = 0.076
    height_m: float = 0.038


def _unit(v: Array) -> Array:
    return v / np.linalg.norm(v)


def lens_position(camera: str, east_m: float, north_m: float, height_m: float) -> Array:
    """Where the lens is: at the plan's point, or, for two cameras on one mast, an arm's length before it."""
    p = np.array([east_m, north_m, height_m])
    if camera in ("TH-10", "TH-11", "TH-19", "TH-20"):
        p = p - np.array(ATTACH[camera][1]) * ATTACH[camera][2]
    return p


def masts(s: Shapes) -> None:
    """Masts and posts that carry cameras; they stand whether or not a camera is on them."""
    for x, y, top, r in ((-0.12, -0.32, 3.7, 0.057), (58, 24, 4.7, 0.07), (20 - 0.33, 60 - 0.088, 3.7, 0.057)):
        s.tube("galvanised", (x, y, 0), (x, y, top), r, r * 0.9, 20)
        s.ball("black", (x, y, top), r * 0.95, 0, 90)
        s.tube("concrete", (x, y, 0), (x, y, 0.12), 0.22, 0.20)
        s.box("box grey", (x - 0.06, y - r - 0.05, 0.5), (x + 0.06, y - r + 0.02, 0.9))
    s.beam("galvanised", (44, 74, 0), (44, 74, 4.8), 0.13, 0.13)
    s.box("concrete", (43.75, 73.75, 0), (44.25, 74.25, 0.12))
    for x, y, top in ((104 - 0.17, 34 + 0.2944, 4.3), (16 + 0.17, 86 - 0.2944, 3.5)):
        s.beam("post", (x, y, -0.1), (x, y, top), 0.16, 0.16)
        s.beam("planks", (x - 0.1, y, top + 0.01), (x + 0.1, y, top + 0.01), 0.2, 0.03)


def _tag(s: Shapes, camera: str, label: Label) -> None:
    a, b = label.along * label.width_m / 2, label.up * label.height_m / 2
    v = np.array([label.centre - a - b, label.centre + a - b, label.centre + a + b, label.centre - a + b])
    s.faces(f"label {camera}", v, np.array([[0, 1, 2, 3]]), False, np.array([[[0, 0], [1, 0], [1, 1], [0, 1]]], float))


def _side_label(centre: Array, normal: Array, up: Array) -> Label:
    normal = _unit(normal)
    up = _unit(up - normal * (up @ normal))
    return Label(centre, np.cross(up, normal), up, normal)


def _screws(s: Shapes, centre: Array, normal: Array, half: float) -> None:
    m = frame(normal)
    for a in (-1, 1):
        for b in (-1, 1):
            p = centre + (m[:, 0] * a + m[:, 2] * b) * half
            s.tube("steel", p, p + normal * 0.006, 0.007, sides=8)


def _box(s: Shapes, at: Array, out: Array, size: float = 0.066, depth: float = 0.055, cable: bool = True) -> Array:
    """Junction box on a surface; returns the middle of its front."""
    m = frame(out)
    s.beam("box grey", at, at + out * depth, size * 2, size * 2)
    s.beam("housing", at + out * depth, at + out * (depth + 0.008), size * 2.1, size * 2.1)
    _screws(s, at + out * (depth + 0.008), out, size * 0.85)
    if cable:
        down = -m[:, 2]
        p = at + out * depth * 0.5 + down * size
        s.tube("black", p, p + down * 0.03, 0.014, sides=10)
        q = [p + down * 0.03, p + down * 0.10 + out * 0.012, p + down * 0.13 - out * 0.01, p + down * 0.08 - out * depth * 0.45]
        for a, b in zip(q[:-1], q[1:], strict=False):
            s.tube("rubber", a, b, 0.006, sides=8, caps=False)
    return at + out * (depth + 0.008)


def _bullet(s: Shapes, lens: Array, forward: Array, up: Array, foot: Array, out: Array) -> Label:
    length, r = 0.20, 0.041
    back = lens - forward * length
    s.tube("housing", lens - forward * 0.012, back, r, sides=28)
    s.tube("black", lens - forward * 0.010, lens - forward * 0.014, r * 0.93, sides=28)
    s.tube("lens", lens - forward * 0.006, lens - forward * 0.012, 0.017, sides=20)
    right = np.cross(forward, up)
    for k in range(10):
        a = k * 0.628
        p = lens - forward * 0.009 + (np.cos(a) * right + np.sin(a) * up) * 0.030
        s.tube("bubble", p, p - forward * 0.004, 0.005, sides=8)
    hood = lens + up * (r + 0.006)
    s.beam("housing", hood + forward * 0.03, hood - forward * 0.19, 0.074, 0.005)
    for side in (-1, 1):
        s.beam("housing", hood + right * side * 0.037 - up * 0.012 + forward * 0.015, hood + right * side * 0.037 - up * 0.012 - forward * 0.17, 0.004, 0.026)
    s.tube("housing", back, back - forward * 0.012, r * 0.95, 0.02, 24)
    joint = back + forward * 0.05 - up * (r + 0.012)
    s.ball("housing", joint, 0.022)
    s.tube("housing", foot, foot + out * 0.022, 0.048, 0.040, 24)
    s.tube("housing", foot + out * 0.02, joint, 0.015, sides=14)
    if np.linalg.norm(joint - foot) > 0.04:
        s.ball("housing", foot + out * 0.022, 0.021)
    side = right if right @ out > -0.3 else -right
    return _side_label(lens - forward * 0.105 + side * (r + 0.003), side, up)


def _pendant_cap(s: Shapes, top: Array, r: float) -> None:
    s.tube("housing", top, top - UP * 0.035, 0.030, 0.034, 20)
    s.tube("housing", top - UP * 0.035, top - UP * 0.075, 0.034, r, 28)


def _dome(s: Shapes, base: Array, down: Array, r: float = 0.072) -> Array:
    """Base ring and bubble hanging from ``base`` along ``down``."""
    s.tube("housing", base, base + down * 0.045, r, r, 32)
    s.tube("housing", base + down * 0.045, base + down * 0.055, r, r * 0.88, 32)
    s.ball("bubble", base + down * 0.050, r * 0.80, 0, 90, axis=down, sides=32)
    return base + down * 0.024


def _arm(s: Shapes, wall: Array, top: Array, out: Array, plate: bool = True) -> None:
    """Wall plate, tube and elbow ending above the pendant cap."""
    if plate:
        s.beam("housing", wall, wall + out * 0.012, 0.11, 0.15)
        _screws(s, wall + out * 0.012, out, 0.042)
    elbow = np.array([top[0], top[1], wall[2]])
    s.tube("housing", wall, elbow, 0.026, 0.022, 18)
    s.ball("housing", elbow, 0.024)
    s.tube("housing", elbow, top, 0.022, sides=18)


def device(camera: str, form: str, lens: Array, forward: Array, up: Array, fault: str | None = None) -> tuple[Shapes, Label]:
    """Shapes of one camera with its chain of parts, and its label.

    Parameters
    ----------
    camera, form
        Name in the plan and its form (bullet, dome, turret, fisheye, ptz).
    lens, forward, up : (3,) arrays
        Pose of the optical axis in local metres.
    fault
        None, or one of the installation faults named in the module's docstring.
    """
    s = Shapes()
    kind, direction, distance = ATTACH[camera]
    towards = _unit(np.array(direction))
    out = -towards
    surface = lens + towards * distance
    if kind in ("round mast", "square mast", "wood post"):
        r = 0.07 if kind == "round mast" else 0.075
        face = lens + towards * (distance - r)
        axis = UP
        if fault == "slipped":
            side = np.cross(out, UP)
            axis = UP * np.cos(np.radians(6)) + side * np.sin(np.radians(6))
        side = _unit(np.cross(out, axis))
        if kind == "wood post":
            s.beam("galvanised", face, face + out * 0.008, 0.20, 0.24)
            _screws(s, face + out * 0.008, out, 0.08)
            seat = face + out * 0.008
        else:
            lower = axis * 0.12 + UP * 0.0
            v = [face + side * a + lower * b + out * c for a in (-0.065, 0.065) for b in (-1, 1) for c in (-0.02, 0.022)]
            q = np.array([(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)])
            s.faces("galvanised", np.array(v), q)
            centre = lens + towards * distance
            for b in (-0.085, 0.085):
                c = centre + axis * b
                if kind == "round mast":
                    s.tube("steel", c - axis * 0.010, c + axis * 0.010, r + 0.004, sides=24)
                else:
                    s.beam("steel", c - axis * 0.010, c + axis * 0.010, 0.142, 0.142)
                s.beam("steel", c + side * (r + 0.01) - axis * 0.012, c + side * (r + 0.01) + axis * 0.012, 0.03, 0.025)
            seat = face + out * 0.022
        front = _box(s, seat, out, 0.058, 0.05)
        label = _bullet(s, lens, forward, up, front, out)
    elif kind in ("wall", "rail", "soffit", "wedge", "bracket") and form == "bullet":
        if kind == "rail":
            for dz in (-0.10, 0.10):
                s.beam("galvanised", surface + UP * dz + np.cross(out, UP) * 0.35, surface + UP * dz - np.cross(out, UP) * 0.35, 0.03, 0.045)
            s.beam("galvanised", surface + out * 0.03, surface + out * 0.04, 0.26, 0.28)
            _screws(s, surface + out * 0.04, out, 0.10)
            surface = surface + out * 0.04
        side = np.cross(out, UP)
        aside = surface - UP * 0.06
        if abs(forward @ out) > 0.8 and distance < 0.2:
            aside = surface - UP * 0.10
        if fault == "no box":
            front = aside + out * 0.004
            hole = aside + side * 0.10 + UP * 0.02
            s.tube("black", hole, hole + out * 0.004, 0.014, sides=12)
            path = [hole, hole + out * 0.05 - UP * 0.03, hole + out * 0.05 - UP * 0.15, hole + out * 0.03 - UP * 0.26]
            for a, b in zip(path[:-1], path[1:], strict=False):
                s.tube("rubber", a, b, 0.007, sides=8)
            plug = path[-1]
            s.beam("white", plug, plug - UP * 0.05, 0.022, 0.022)
            tail = [front + out * 0.02 - UP * 0.02, front + out * 0.05 - UP * 0.12, plug - UP * 0.11, plug - UP * 0.055]
            for a, b in zip(tail[:-1], tail[1:], strict=False):
                s.tube("rubber", a, b, 0.006, sides=8)
            s.beam("white", plug - UP * 0.055, plug - UP * 0.10, 0.026, 0.020)
        else:
            front = _box(s, aside, out, 0.066, 0.045)
        label = _bullet(s, lens, forward, up, front, out)
    elif form == "turret":
        front = _box(s, surface, out, 0.068, 0.045 if distance > 0.1 else 0.012, False)
        s.tube("housing", front, front + out * 0.02, 0.060, 0.058, 30)
        ball = lens - forward * 0.036
        s.ball("housing", ball, 0.044)
        s.tube("housing", front + out * 0.015, ball, 0.045, 0.040, 28)
        s.tube("black", ball + forward * 0.020, ball + forward * 0.0385, 0.0385, 0.022, 28)
        s.tube("lens", ball + forward * 0.036, ball + forward * 0.041, 0.014, sides=18)
        if kind == "soffit":
            label = _side_label(front + out * 0.012 + _unit(np.array([-0.5, -0.86, 0])) * 0.062, np.array([-0.5, -0.86, 0]), UP)
        else:
            label = _side_label(surface + out * 0.03 - UP * 0.070, -UP, towards)
            label = Label(label.centre, label.along, label.up, label.normal, 0.076, 0.038)
    elif kind == "bracket":
        if fault == "flat":
            label_at = _dome(s, surface, out)
            label = _side_label(label_at - UP * 0.074, -UP, towards)
        else:
            s.beam("housing", surface + UP * 0.02, surface + UP * 0.02 + out * 0.010, 0.15, 0.17)
            _screws(s, surface + UP * 0.02 + out * 0.01, out, 0.055)
            shelf = surface + UP * 0.085 + out * 0.115
            s.beam("housing", surface + UP * 0.088, surface + UP * 0.088 + out * 0.20, 0.15, 0.010)
            for side in (-0.07, 0.07):
                a = surface + np.cross(out, UP) * side
                s.beam("housing", a + UP * 0.085 + out * 0.15, a - UP * 0.04 + out * 0.01, 0.008, 0.02)
            s.tube("box grey", shelf, shelf - UP * 0.035, 0.074, sides=28)
            label_at = _dome(s, shelf - UP * 0.035, -UP)
            label = _side_label(label_at + out * 0.074, out, UP)
    elif kind == "wedge":
        if fault == "no wedge":
            s.tube("box grey", surface, surface + out * 0.04, 0.078, sides=32)
            seat, axis = surface + out * 0.04, out
        else:
            s.tube("box grey", surface, surface + out * 0.04, 0.078, sides=32)
            axis = forward
            tilt = frame(axis)
            t = np.arange(32) * 2 * np.pi / 32
            flat = frame(out)
            lower = surface + out * 0.04 + 0.078 * (np.cos(t)[:, None] * flat[:, 0] + np.sin(t)[:, None] * flat[:, 2])
            upper = surface + out * 0.085 + 0.072 * (np.cos(t)[:, None] * tilt[:, 0] + np.sin(t)[:, None] * tilt[:, 2])
            i = np.arange(32)
            j = (i + 1) % 32
            s.faces("housing", np.vstack([lower, upper]), np.column_stack([j, i, i + 32, j + 32])[:, [1, 0, 3, 2]], True)
            seat = surface + out * 0.085
        s.tube("housing", seat, seat + axis * 0.034, 0.070, 0.066, 32)
        s.ball("lens", seat + axis * 0.026, 0.026, 0, 90, axis=axis)
        side = np.cross(axis, UP)
        label = _side_label(seat + axis * 0.017 + _unit(side) * 0.071, side, UP)
    elif kind in ("arm", "corner"):
        top = lens + UP * 0.15
        wall = np.array([surface[0], surface[1], top[2] + 0.10])
        if camera == "TH-03":
            s.beam("post", surface * (1, 1, 0) + UP * 2.3 + out * -0.03, surface * (1, 1, 0) + UP * 3.98 + out * -0.03, 0.15, 0.15)
        if kind == "corner":
            for face in (np.array([1.0, 0, 0]), np.array([0, 1.0, 0])):
                other = np.array([face[1], face[0], 0])
                p = wall - other * 0.085
                s.beam("housing", p + face * 0.001, p + face * 0.008, 0.15, 0.20)
                _screws(s, p + face * 0.008, face, 0.05)
            s.beam("housing", wall - out * 0.02, wall + out * 0.05, 0.13, 0.18)
            wall = wall + out * 0.05
        if camera == "TH-12":
            _arm(s, wall, top, out)
            s.beam("housing", wall - UP * 0.09, np.array([top[0], top[1], wall[2]]) - out * 0.05, 0.014, 0.03)
            _pendant_cap(s, top, 0.085)
            s.tube("housing", top - UP * 0.075, top - UP * 0.14, 0.085, 0.09, 32)
            s.ball("housing", top - UP * 0.17, 0.078)
            s.tube("lens", top - UP * 0.17 + forward * 0.05, top - UP * 0.17 + forward * 0.079, 0.035, sides=20)
            lan = [wall + UP * 0.05, wall + UP * 0.02 + out * 0.12, top - UP * 0.05 + np.cross(out, UP) * 0.06]
            for a, b in zip(lan[:-1], lan[1:], strict=False):
                s.tube("steel", a, b, 0.004, sides=8)
            label = _side_label(top - UP * 0.107 + out * 0.089, out, UP)
        else:
            _arm(s, wall, top, out)
            _pendant_cap(s, top, 0.072)
            if form == "fisheye":
                s.tube("housing", top - UP * 0.075, top - UP * 0.125, 0.072, 0.068, 32)
                s.ball("lens", top - UP * 0.115, 0.030, 0, 90, axis=-UP)
                label = _side_label(top - UP * 0.10 + out * 0.074, out, UP)
            else:
                label_at = _dome(s, top - UP * 0.075, -UP)
                label = _side_label(label_at + out * 0.074, out, UP)
                if fault == "film":
                    base = top - UP * 0.125
                    s.ball("film", base, 0.072 * 0.83, 0, 90, axis=-UP, sides=32)
                    tab = base + out * 0.03 - UP * 0.05
                    s.beam("blue", tab, tab + out * 0.045 - UP * 0.03, 0.03, 0.002)
    elif kind == "recess":
        s.tube("housing", surface, surface - UP * 0.012, 0.095, 0.090, 36)
        s.ball("bubble", surface - UP * 0.008, 0.062, 0, 90, axis=-UP, sides=32)
        label = _side_label(surface - UP * 0.014 + np.array([0.0, 0.0, 0.0]), -UP, np.array([1.0, 0, 0]))
        label = Label(label.centre + np.array([0.15, 0, 0.012]), label.along, label.up, label.normal)
    else:
        bottom = lens + UP * 0.125
        top = surface
        if kind == "beam":
            s.beam("galvanised", top - np.array([0.0, 0.10, 0.0]), top + np.array([0.0, 0.10, 0.0]), 0.09, 0.02)
            for side in (-0.085, 0.085):
                s.beam("galvanised", top + np.array([0, side, -0.03]), top + np.array([0, side, 0.05]), 0.05, 0.02)
                s.tube("steel", top + np.array([0, side, -0.05]), top + np.array([0, side, 0.0]), 0.008, sides=8)
        else:
            s.tube("housing", top, top - UP * 0.014, 0.07, sides=28)
        s.tube("housing", top, bottom, 0.022, sides=18)
        _pendant_cap(s, bottom, 0.072)
        if form == "fisheye":
            s.tube("housing", bottom - UP * 0.075, bottom - UP * 0.120, 0.072, 0.068, 32)
            s.ball("lens", bottom - UP * 0.11, 0.030, 0, 90, axis=-UP)
            label = _side_label(bottom - UP * 0.098 + np.array([0.074, 0, 0]), np.array([1.0, 0, 0]), UP)
        else:
            label_at = _dome(s, bottom - UP * 0.075, -UP)
            label = _side_label(label_at + np.array([0, 0.074, 0.0]), np.array([0, 1.0, 0]), UP)
    _tag(s, camera, label)
    return s, label
