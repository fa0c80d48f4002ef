"""Pictures that no crew should hand in: each gets an answer, or "not measured" with the reason."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage import data

from audit.lens import Lens
from audit.measure.clarity import measure_clarity, measure_series
from audit.measure.view import compare

LENS = Lens(640, 360, 70.0)


@pytest.fixture(scope="module")
def street() -> np.ndarray:
    """A real photograph (scikit-image's motorcycle in a workshop), 640 x 360."""
    photo = data.stereo_motorcycle()[0]
    return np.ascontiguousarray(cv2.resize(photo, (740, 500), interpolation=cv2.INTER_AREA)[70:430, 50:690])


def night_of(image: np.ndarray) -> np.ndarray:
    y, x = np.mgrid[-1:1:360j, -1:1:640j]
    light = (image / 255.0) ** 2.2 @ np.array([0.5, 0.3, 0.2]) * np.exp(-(x**2 + y**2)) * 0.3
    grain = np.random.default_rng(3).normal(0, 3, light.shape)
    return np.repeat(np.clip(light ** (1 / 2.2) * 255 + grain, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


@pytest.mark.parametrize("size", [(1, 1), (7, 5), (40, 24)])
def test_a_picture_of_a_few_pixels_is_not_measured(street, size):
    tiny = cv2.resize(street, size, interpolation=cv2.INTER_AREA)
    for change in (compare(street, tiny, LENS), compare(tiny, street)):
        assert change.same_view_probability is None and "too small" in change.note
    alone = measure_clarity(tiny)
    assert alone.dirt_probability is None and "too small" in alone.note


def test_a_strip_is_answered(street):
    strip = np.ascontiguousarray(street[160:200])
    assert compare(street, strip, LENS).note or compare(street, strip, LENS).dirt_probability is not None
    assert 0 <= (measure_clarity(strip).dirt_probability or 0) <= 1


def test_a_picture_turned_on_its_side_is_another_scene_or_a_quarter_turn(street):
    upright = np.ascontiguousarray(np.rot90(street))
    change = compare(street, upright, LENS)
    turned = change.roll_change_deg is not None and abs(abs(change.roll_change_deg) - 90) < 3
    assert turned or change.pan_change_deg is None


def test_a_mirrored_picture_is_not_the_same_view(street):
    change = compare(street, np.ascontiguousarray(street[:, ::-1]), LENS)
    assert change.pan_change_deg is None or change.same_view_probability < 0.9


def test_a_day_picture_against_an_infrared_reference_answers_or_says_why(street):
    change = compare(night_of(street), street, LENS)
    assert change.dirt_probability is not None or change.note
    assert change.dirt_probability is None or change.dirt_probability < 0.9


def test_a_file_cut_off_half_way_is_seen_as_blocked_or_said_not_to_match(street):
    cut = street.copy()
    cut[190:] = 128
    change = compare(street, cut, LENS)
    assert (change.blocked_fraction or 0) > 0.2 or change.dirt_probability > 0.5 or change.note


def test_a_colour_cast_alone_is_not_dirt(street):
    cast = np.clip(street * np.array([1.15, 1.0, 0.8]), 0, 255).astype(np.uint8)
    change = compare(street, cast, LENS)
    assert change.same_view_probability > 0.99
    assert change.dirt_probability < 0.5
    assert change.contrast_ratio == pytest.approx(1.0, abs=0.12)


def test_an_interlaced_picture_alone_is_graded(street):
    woven = street.copy()
    woven[1::2] = np.roll(street, 4, axis=1)[1::2]
    found = measure_clarity(woven)
    assert found.dirt_probability is not None and found.dirt_probability < 0.5


def test_a_burnt_in_clock_does_not_make_one_picture_dirty(street):
    stamped = street.copy()
    cv2.putText(stamped, "2026-05-02 11:58:03", (16, 28), cv2.FONT_HERSHEY_SIMPLEX, 0.7, (0, 0, 0), 4, cv2.LINE_AA)
    cv2.putText(stamped, "2026-05-02 11:58:03", (16, 28), cv2.FONT_HERSHEY_SIMPLEX, 0.7, (255, 255, 255), 2, cv2.LINE_AA)
    assert measure_clarity(stamped).dirt_probability < max(0.5, measure_clarity(street).dirt_probability + 0.2)


def test_a_series_of_one_scene_twice_is_not_taken_for_dirt_that_stays(street):
    assert measure_series([street, street.copy()]).dirt_probability < 0.5


def test_a_series_of_day_and_night_answers(street):
    found = measure_series([street, night_of(street)])
    assert 0 <= found.dirt_probability <= 1 and not found.night


def test_a_series_with_upright_and_wide_pictures_answers(street):
    found = measure_series([street, np.ascontiguousarray(np.rot90(street))])
    assert 0 <= found.dirt_probability <= 1
