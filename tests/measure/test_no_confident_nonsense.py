"""Pictures that are no camera's plain view: nothing is said surely that isn't so."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import skimage.data

from audit.lens import Lens
from audit.measure.image import measure_image
from audit.measure.screens import several_views
from tests.measure.orientation_scenes import town

LENS = Lens(1280, 720, 80.0)


def stamps() -> np.ndarray:
    picture = np.zeros((720, 1280, 3), np.uint8)
    for row in range(40, 720, 40):
        cv2.putText(picture, "2026-03-04 05:06:07 CAM 3 GATE NORTH 0123456789", (10, row), 0, 1.1, (255, 255, 255), 2)
    return picture


def bars() -> np.ndarray:
    tones = [(192, 192, 192), (192, 192, 0), (0, 192, 192), (0, 192, 0), (192, 0, 192), (192, 0, 0), (0, 0, 192)]
    picture = np.zeros((720, 1280, 3), np.uint8)
    for number, tone in enumerate(tones):
        picture[:540, number * 183:(number + 1) * 183] = tone
    picture[540:, ::2] = 30
    return picture


def grid() -> np.ndarray:
    picture = np.full((720, 1280, 3), 128, np.uint8)
    picture[::40] = picture[:, ::40] = 255
    return picture


@pytest.mark.parametrize("draw", [stamps, bars, grid])
def test_cards_and_stamps_are_not_answered(draw):
    found = measure_image(draw(), LENS).orientation
    assert found.pitch_deg is None and found.note.endswith(".")


def test_a_screen_of_four_cameras_is_named_and_one_camera_is_not():
    parts = [cv2.resize(getattr(skimage.data, name)(), (640, 360), interpolation=cv2.INTER_AREA)
             for name in ("coffee", "astronaut", "chelsea", "rocket")]
    screen = np.vstack([np.hstack(parts[:2]), np.hstack(parts[2:])])
    assert several_views(screen)
    assert "several cameras" in measure_image(screen, LENS).orientation.note
    assert not any(several_views(part) for part in parts)
    assert not several_views(np.zeros((20, 20, 3), np.uint8))


@pytest.mark.parametrize("tone", [0, 128])
def test_a_picture_whose_lower_half_is_missing_is_refused(tone):
    picture = town(LENS, 2.0, -8.0, seed=3)
    picture[360:] = tone
    found = measure_image(picture, LENS)
    assert found.orientation.pitch_deg is None and "missing" in found.orientation.note
    assert found.overlay_fraction > 0.45


def test_a_fisheye_planned_as_a_straight_lens_is_refused():
    found = measure_image(town(LENS, 2.0, -8.0, seed=3), Lens(1280, 720, 170.0)).orientation
    assert found.pitch_deg is None and "equidistant" in found.note


def test_mirrored_combed_and_doubled_pictures_are_off_within_what_they_say():
    plain = town(LENS, 2.0, -8.0, seed=3)
    mirrored = np.ascontiguousarray(plain[:, ::-1])
    combed = np.where((np.arange(720) % 2)[:, None, None] > 0, np.roll(plain, 9, axis=1), plain)
    doubled = cv2.addWeighted(plain, 0.6, np.roll(plain, (25, 60), (0, 1)), 0.4, 0)
    for picture, roll_deg in ((mirrored, -2.0), (combed, 2.0), (doubled, 2.0)):
        found = measure_image(picture, LENS).orientation
        if found.pitch_deg is not None:
            assert abs(found.pitch_deg + 8.0) < max(3.0, 2.5 * found.pitch_sd_deg)
            assert abs(found.roll_deg - roll_deg) < max(1.5, 2.5 * found.roll_sd_deg)


def test_black_columns_at_the_rim_make_no_picture_level():
    picture = town(Lens(640, 480, 60.0), 0.0, -20.0, seed=5)
    blurred = cv2.GaussianBlur(picture, (0, 0), 9)
    blurred[:, :8] = blurred[:, -10:] = 3
    found = measure_image(blurred, Lens(640, 480, 60.0)).orientation
    assert found.pitch_deg is None or abs(found.pitch_deg + 20.0) < 2.5 * found.pitch_sd_deg
