"""A rendered example: reference and today of one camera, with what was done to it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from training.dirt.glass import KINDS, spoil
from training.dirt.scene import (
    Harmless,
    View,
    cut_view,
    expose,
    harmless_change,
    pick_camera,
    pick_harmless,
)

__all__ = ["Pair", "render_pair"]


@dataclass(frozen=True)
class Pair:
    """Both pictures (8-bit RGB), the kind of dirt (``clear`` where none) and its masks in today's frame."""

    reference: NDArray[np.uint8]
    today: NDArray[np.uint8]
    kind: str
    soiled: NDArray[np.float32]
    blocked: NDArray[np.float32]
    change: Harmless
    hfov_deg: float


def render_pair(photo: NDArray[np.uint8], other: NDArray[np.uint8], rng: np.random.Generator, *,
                dirty: bool, width: int | None = None) -> Pair:
    """Renders one pair; dirt and harmless changes are drawn independently of each other.

    ``other`` is a photograph whose pieces serve as things that came into the picture.
    """
    if width is None:
        width = int(rng.choice([400, 640, 640, 640, 960]))
    view: View = cut_view(photo, width, rng)
    camera = pick_camera(rng)
    change = pick_harmless(rng)
    kind = str(rng.choice(KINDS)) if dirty else "clear"
    if kind == "infrared reflection":
        change = replace(change, night="infrared")
    elif kind == "cobweb" and rng.random() < 0.4:
        change = replace(change, night="infrared")
    night_reference = bool(change.night) and rng.random() < 0.5
    before = view.seen()
    if night_reference:
        still = Harmless(night=change.night, jpeg_quality=camera.jpeg_quality)
        reference = expose(harmless_change(before, still, before, rng), camera, rng, still)
    else:
        reference = expose(before, camera, rng, Harmless(jpeg_quality=camera.jpeg_quality,
                                                         clock=change.clock and rng.random() < 0.8))
    others = (cv2.resize(other, (width, round(width * 0.75))).astype(np.float32) / 255) ** 2.2
    scene = harmless_change(view.seen(change.turn_deg), change, others, rng)
    h, w = scene.shape[:2]
    soiled, blocked = np.zeros((h, w), np.float32), np.zeros((h, w), np.float32)
    if dirty:
        for _ in range(8):
            spoiled, soiled, blocked = spoil(scene, kind, rng, bool(change.night))
            if soiled.mean() > 0.025:
                break
        scene = spoiled
    today = expose(scene, camera, rng, change)
    if today.shape[:2] != (h, w):
        size = (today.shape[1], today.shape[0])
        soiled, blocked = cv2.resize(soiled, size), cv2.resize(blocked, size)
    return Pair(reference, today, kind, soiled, blocked, change, view.hfov_deg)
