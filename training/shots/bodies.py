"""Draws close-ups of brackets with a camera on them, of brackets without one, and of what else hangs on walls, for training.

    python -m training.shots.bodies OUT_FOLDER --places FOLDER… --count 1800 [--first 0]

Carriers, forms of camera and light are those of :mod:`training.shots.scenes`. A bracket without its camera is what is left when the
body is not there yet: a plate, an arm with its joint, an elbow, a ring, a box with its lid or open, with a cable's end or not. A picture is named
``WHAT-CARRIER_PLACE_NUMBER.jpg``; ``WHAT`` is the camera's form, ``empty`` or ``other``.
"""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from training.shots.scenes import (
    CAMERA_SHARES,
    CAMERAS,
    CARRIER_SHARES,
    CARRIERS,
    UP,
    Shapes,
    carrier_of,
    close_up,
    command,
    keep,
    other,
    places_of,
)

__all__ = ["draw", "main"]

Array = NDArray[np.float64]
Pixels = NDArray[np.uint8]

#: Shares of brackets that carry a camera, of those that don't, and of something else or nothing at all.
WHATS, SHARES = ("camera", "empty", "other"), (0.5, 0.33, 0.17)


def _arm(s: Any, rng: np.random.Generator, foot: Array, out: Array) -> Array:
    """A plate and an arm with a bare joint, as a long body leaves it."""
    tip = foot + out * rng.uniform(0.06, 0.3)
    s.tube("body", foot, foot + out * 0.015, rng.uniform(0.045, 0.075), sides=20)
    s.tube("body", foot, tip, rng.uniform(0.012, 0.024), sides=12)
    s.ball("body", tip, rng.uniform(0.025, 0.04))
    if rng.random() < 0.5:
        s.beam("steel", tip - out * 0.03 + UP * 0.03, tip + out * 0.03 + UP * 0.03, 0.05, 0.006)
    return tip


def _elbow(s: Any, rng: np.random.Generator, foot: Array, out: Array) -> Array:
    """A plate, an arm and a tube that hangs down, with its cap or none."""
    radius, elbow = rng.uniform(0.045, 0.11), foot + out * rng.uniform(0.1, 0.3)
    s.tube("body", foot, foot + out * 0.012, radius * 0.7, sides=20)
    s.tube("body", foot, elbow, 0.02, sides=12)
    end = elbow - UP * 0.06
    s.tube("body", elbow, end, 0.02, sides=12)
    if rng.random() < 0.5:
        s.tube("body", end, end - UP * 0.012, radius, sides=28)
    return end


def _ring(s: Any, rng: np.random.Generator, foot: Array, out: Array) -> Array:
    """The flat base of a dome or a ball, its hole dark."""
    radius, depth = rng.uniform(0.045, 0.1), rng.uniform(0.006, 0.03)
    s.tube("body", foot, foot + out * depth, radius * 1.1, radius, 28)
    s.tube("pipe", foot + out * depth, foot + out * (depth + 0.002), radius * rng.uniform(0.15, 0.8), sides=24)
    return foot + out * depth


def _long_arm(s: Any, rng: np.random.Generator, foot: Array, out: Array) -> Array:
    """The arm of a large turning camera, with its flange."""
    tip = foot + out * rng.uniform(0.2, 0.5) + UP * rng.uniform(0, 0.1)
    s.beam("body", foot - UP * 0.1, foot + UP * 0.1, 0.12, 0.02)
    s.tube("body", foot, tip, 0.028, sides=14)
    s.tube("body", tip + UP * 0.03, tip - UP * rng.uniform(0.01, 0.04), 0.05, sides=24)
    return tip


def _knuckle(s: Any, rng: np.random.Generator, foot: Array, out: Array) -> Array:
    """A thin arm with a small head and its screw."""
    tip = foot + out * rng.uniform(0.08, 0.2)
    s.beam("steel", foot - UP * 0.03, foot + UP * 0.03, 0.05, 0.01)
    s.tube("steel", foot, tip, 0.012, sides=10)
    s.tube("steel", tip, tip + UP * 0.03, 0.018, sides=12)
    return tip


def _open_box(s: Any, rng: np.random.Generator, foot: Array, out: Array) -> Array:
    """A box for the connection, its lid on or off."""
    half, depth = rng.uniform(0.05, 0.08), rng.uniform(0.04, 0.06)
    s.beam("box", foot, foot + out * depth, half * 2, half * 2)
    front = foot + out * depth
    s.beam("pipe" if rng.random() < 0.4 else "body", front, front + out * 0.004, half * 1.8, half * 1.8)
    return front


_EMPTY = (_arm, _elbow, _ring, _long_arm, _knuckle, _open_box)


def _cable(s: Any, rng: np.random.Generator, at: Array, out: Array) -> None:
    """A cable's end that hangs from a bracket, with its plug or none."""
    points = [at]
    for _ in range(3):
        points.append(points[-1] - UP * rng.uniform(0.02, 0.09) + out * rng.normal(0, 0.02) + np.array([rng.normal(0, 0.02), 0.0, 0.0]))
    for a, b in zip(points[:-1], points[1:], strict=True):
        s.tube("pipe", a, b, 0.005, sides=8)
    if rng.random() < 0.6:
        s.tube("glass", points[-1], points[-1] - UP * 0.035, 0.009, sides=10)


def draw(number: int, place: Path, what: str, carrier: str) -> Pixels:
    """One close-up, (H, W, 3) RGB, before the phone's own faults."""
    rng = np.random.default_rng([73, number])
    behind, fitting = Shapes(), Shapes()
    foot, out = carrier_of(behind, carrier, rng)
    if what != "other" and rng.random() < 0.35:
        depth = rng.uniform(0.03, 0.07)
        fitting.beam("box", foot, foot + out * depth, 0.13, 0.13)
        foot = foot + out * depth
    if what in CAMERAS:
        at = CAMERAS[what](fitting, rng, foot, out)
    elif what == "empty":
        at = _EMPTY[int(rng.integers(len(_EMPTY)))](fitting, rng, foot, out)
        if rng.random() < 0.55:
            _cable(fitting, rng, at, out)
    else:
        at = other(fitting, rng, foot, out) if rng.random() < 0.75 else foot
    if rng.random() < 0.4:
        fitting.tube("pipe", foot + out * 0.02, foot + out * 0.02 - UP * rng.uniform(0.1, 1.5), 0.008, sides=8)
    return close_up(behind, fitting, at, out, place, rng)


def main() -> None:
    """Draw what is not there yet."""
    given = command(__doc__, 1800).parse_args()
    places = places_of(given.places)
    for number in range(given.first, given.first + given.count):
        rng = np.random.default_rng([72, number])
        what, place = str(rng.choice(WHATS, p=SHARES)), places[int(rng.integers(len(places)))]
        what = str(rng.choice(list(CAMERAS), p=CAMERA_SHARES)) if what == "camera" else what
        carrier = str(rng.choice(CARRIERS, p=CARRIER_SHARES))
        keep(given.output, f"{what}-{carrier}", place, number, partial(draw, number, place, what, carrier))


if __name__ == "__main__":
    main()
