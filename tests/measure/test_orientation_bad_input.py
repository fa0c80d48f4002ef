"""Pictures that carry no orientation, through the whole chain with the network: silence with a reason, no error."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from orientation_scenes import town

from audit.frames import up_in_camera
from audit.lens import Lens
from audit.measure.network import look
from audit.measure.orientation import measure_orientation

WIDE = Lens(640, 360, 95.0)
SHAPE = (360, 640, 3)


def _stars() -> np.ndarray:
    rng = np.random.default_rng(4)
    image = np.zeros(SHAPE, np.uint8)
    for x, y in zip(rng.integers(5, 635, 150), rng.integers(5, 355, 150), strict=True):
        cv2.circle(image, (int(x), int(y)), 1, (255, 255, 255), -1, cv2.LINE_AA)
    return image


def _drawing() -> np.ndarray:
    rng = np.random.default_rng(1)
    page = np.full(SHAPE, 250, np.uint8)
    for _ in range(120):
        x, y, angle, length = rng.integers(0, 640), rng.integers(0, 360), rng.uniform(0, np.pi), rng.uniform(20, 90)
        end = (int(x + length * np.cos(angle)), int(y + length * np.sin(angle)))
        cv2.line(page, (int(x), int(y)), end, (20, 20, 20), 2, cv2.LINE_AA)
    return page


def _fog() -> np.ndarray:
    rng = np.random.default_rng(2)
    return np.clip(np.linspace(170, 190, 360)[:, None, None] + rng.normal(0, 2, SHAPE), 0, 255).astype(np.uint8)


def _night() -> np.ndarray:
    return np.clip(6 + np.random.default_rng(3).normal(0, 6, SHAPE), 0, 255).astype(np.uint8)


def _photo_of_a_photo() -> np.ndarray:
    inner = cv2.resize(town(WIDE, 0.0, -5.0, seed=3), (320, 180))
    page = np.full(SHAPE, 200, np.uint8)
    turn = cv2.getRotationMatrix2D((160, 90), 35, 1.0)
    turn[:, 2] += (160, 90)
    cv2.warpAffine(inner, turn, (640, 360), page, borderMode=cv2.BORDER_TRANSPARENT)
    return page


PICTURES = {
    "plain wall": lambda: np.full(SHAPE, 180, np.uint8),
    "black": lambda: np.zeros(SHAPE, np.uint8),
    "noise": lambda: np.random.default_rng(0).integers(0, 256, SHAPE).astype(np.uint8),
    "fog": _fog,
    "night": _night,
    "starfield": _stars,
    "drawing": _drawing,
    "photo of a tilted photo": _photo_of_a_photo,
    "one pixel": lambda: np.zeros((1, 1, 3), np.uint8),
    "tall sliver": lambda: np.full((1500, 20, 3), 90, np.uint8),
    "wide strip": lambda: np.full((64, 1500, 3), 90, np.uint8),
}


@pytest.mark.parametrize("name", PICTURES)
@pytest.mark.parametrize("known", [True, False], ids=["lens known", "lens unknown"])
def test_nothing_to_tell_is_not_measured(name, known):
    image = PICTURES[name]()
    lens = Lens(image.shape[1], image.shape[0], 95.0) if known else None
    found = measure_orientation(image, lens, look(image))
    assert found.roll_deg is None and found.pitch_deg is None
    assert found.note and found.note.endswith(".")


def _stairs() -> np.ndarray:
    image = town(WIDE, 1.0, -10.0, seed=3)
    for step in range(12):
        x, y = 40 + 27 * step, 355 - 20 * step
        cv2.line(image, (x, y), (x + 45, y - 18), (30, 30, 30), 2)
        cv2.line(image, (x, y), (x + 27, y - 20), (30, 30, 30), 2)
    return image


def _escalator() -> np.ndarray:
    """Two rails and a rising belt of steps with balusters square to the slope, across a third of a level view."""
    image = town(WIDE, 0.0, -5.0, seed=3)
    for offset in (0, 90):
        cv2.line(image, (60, 350 - offset), (520, 120 - offset), (25, 25, 25), 5, cv2.LINE_AA)
        for k in range(22):
            x, y = 60 + 21 * k, 350 - offset - round(10.5 * k)
            cv2.line(image, (x, y), (x + 12, y + 24), (60, 60, 60), 2, cv2.LINE_AA)
    return image


def _mirrored() -> np.ndarray:
    half = town(WIDE, 0.0, -5.0, seed=3)[:, :320]
    return np.ascontiguousarray(np.concatenate([half, half[:, ::-1]], axis=1))


def _tilted_building() -> np.ndarray:
    image = town(WIDE, 0.0, -5.0, seed=3)
    box = cv2.boxPoints(((320, 178), (54, 142), 14)).astype(np.int32)
    cv2.fillPoly(image, [box], (120, 60, 60))
    return image


@pytest.mark.parametrize(
    ("draw", "roll_deg", "pitch_deg"),
    [(_stairs, 1.0, -10.0), (_escalator, 0.0, -5.0), (_mirrored, 0.0, -5.0), (_tilted_building, 0.0, -5.0)],
    ids=["staircase", "escalator", "mirror symmetric", "tilted building"],
)
def test_misleading_lines_are_outvoted_or_not_answered(draw, roll_deg, pitch_deg):
    image = draw()
    found = measure_orientation(image, WIDE, look(image, WIDE))
    if found.roll_deg is not None:
        off = np.degrees(np.arccos(up_in_camera(found.roll_deg, found.pitch_deg) @ up_in_camera(roll_deg, pitch_deg)))
        assert off < 2.0
    else:
        assert found.note


@pytest.mark.parametrize("seed", [3, 5])
@pytest.mark.parametrize("turns", [1, 2, 3], ids=["quarter", "upside down", "three quarters"])
def test_a_turned_picture_gives_no_sure_wrong_answer(turns, seed):
    image = np.ascontiguousarray(np.rot90(town(WIDE, 2.0, -8.0, seed=seed), turns))
    lens = Lens(image.shape[1], image.shape[0], 95.0 if turns == 2 else 63.1)
    found = measure_orientation(image, lens, look(image, lens))
    assert found.roll_deg is None and found.note and found.note.endswith(".")


def test_a_turned_picture_is_named_as_such():
    image = town(WIDE, 2.0, -8.0, seed=3)
    seen = replace(look(image, WIDE), turned=(0.1, 0.0, 0.9, 0.0))
    found = measure_orientation(image, WIDE, seen)
    assert found.roll_deg is None and "turned" in (found.note or "")


def test_a_town_is_measured_with_the_network_too():
    image = town(WIDE, 3.0, -8.0, seed=3)
    found = measure_orientation(image, WIDE, look(image))
    up = up_in_camera(found.roll_deg, found.pitch_deg)
    assert np.degrees(np.arccos(up @ up_in_camera(3.0, -8.0))) < 0.6
    assert "learned view" in found.cues
