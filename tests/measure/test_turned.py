"""Three pictures while the camera was turned: what stays to the pixel is on the glass, what moves is the scene."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage import data

from audit.measure.clarity import measure_series
from audit.measure.laying import laid_pairs
from audit.measure.transfer import log_luminance
from audit.measure.turned import seen_while_turned


@pytest.fixture(scope="module")
def turned() -> list[np.ndarray]:
    """Three parts of one real photograph (scikit-image's motorcycle in a workshop), as a camera turned by a few degrees sees it."""
    photo = cv2.resize(data.stereo_motorcycle()[0], (740, 500), interpolation=cv2.INTER_AREA)
    return [np.ascontiguousarray(photo[y:y + 360, x:x + 640]) for x, y in ((50, 70), (8, 84), (92, 60))]


def spotted(image: np.ndarray) -> np.ndarray:
    rng = np.random.default_rng(5)
    mask = np.zeros(image.shape[:2], np.float32)
    for _ in range(40):
        cv2.circle(mask, (int(rng.integers(640)), int(rng.integers(360))), int(rng.integers(6, 14)), 1.0, -1)
    mask = cv2.GaussianBlur(mask, (0, 0), 2.0)[..., None] * 0.95
    return (image * (1 - mask) + 90 * mask).astype(np.uint8)


def test_clean_glass_is_clean_while_the_camera_turns(turned):
    found = measure_series(turned)
    assert found.dirt_probability < 0.5 and found.cause == "clear"


def test_spots_stay_while_the_scene_moves(turned):
    dirty = [spotted(p) for p in turned]
    assert measure_series(dirty).dirt_probability > measure_series(turned).dirt_probability
    odds = [seen_while_turned(series, [log_luminance(p) for p in series], laid_pairs(series)) for series in (turned, dirty)]
    assert odds[1].odds.mean() > odds[0].odds.mean() + 1.0


def test_a_camera_that_was_not_turned_says_nothing_by_turning(turned):
    still = [turned[0]] * 3
    assert seen_while_turned(still, [log_luminance(p) for p in still], laid_pairs(still)) is None


def test_one_scene_that_stands_still_while_its_light_changes_is_no_dirt(turned):
    """What stays is the scene then: three exposures of one view, the shade in another place each time."""
    view = turned[0].astype(np.float32)
    rng = np.random.default_rng(2)
    series = []
    for _ in range(3):
        shade = cv2.GaussianBlur((rng.random((12, 20)) > 0.5).astype(np.float32), (0, 0), 0.8)
        light = 0.25 + 0.75 * cv2.resize(shade, (640, 360), interpolation=cv2.INTER_CUBIC).clip(0, 1)[..., None]
        series.append((view * light).clip(0, 255).astype(np.uint8))
    found = measure_series(series)
    assert found.seen_from == "one scene" and found.dirt_probability < 0.5


def test_pictures_say_what_dirt_was_seen_from(turned):
    assert measure_series(turned).seen_from == "turned camera"
    assert measure_series(turned[:1]).seen_from == "one picture"
    assert measure_series([spotted(p) for p in turned]).dirt_probability > 0.5


def test_pictures_too_small_to_compare_shifts_are_judged_one_by_one(turned):
    found = measure_series([np.ascontiguousarray(p[40:80, 200:260]) for p in turned])
    assert found.seen_from in ("one scene", "one picture") and (found.dirt_probability is None or 0 <= found.dirt_probability <= 1)
