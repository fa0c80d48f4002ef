"""What remains of pictures laid over one another: dirt that stays to the pixel, whatever the scene does."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage import data

from audit.measure.remaining import REMAINING_MAPS, remaining_features

SHIFTS = ((50, 70), (8, 84), (92, 60))
Laid = dict[tuple[int, int], tuple[np.ndarray, np.ndarray]]


@pytest.fixture(scope="module")
def scene() -> np.ndarray:
    """Log luminance of a real photograph (scikit-image's motorcycle in a workshop)."""
    grey = cv2.cvtColor(cv2.resize(data.stereo_motorcycle()[0], (740, 500), interpolation=cv2.INTER_AREA), cv2.COLOR_RGB2GRAY)
    return np.log(grey.astype(np.float32) / 255 + 0.02)


def pictures(scene: np.ndarray, glass: np.ndarray, noise: float) -> tuple[list[np.ndarray], Laid]:
    """Parts of the scene through one glass, and each laid over each other one exactly."""
    rng = np.random.default_rng(3)
    logs = [(scene[y:y + 360, x:x + 640] + glass + rng.normal(size=glass.shape) * noise).astype(np.float32) for x, y in SHIFTS]
    laid: Laid = {}
    for own, (x, y) in enumerate(SHIFTS):
        for other, (u, v) in enumerate(SHIFTS):
            if own != other:
                move = np.array([[1, 0, u - x], [0, 1, v - y]], np.float32)
                laid[own, other] = (cv2.warpAffine(logs[other], move, (640, 360)),
                                    cv2.warpAffine(np.ones((360, 640), np.uint8), move, (640, 360)) > 0)
    return logs, laid


def spots() -> np.ndarray:
    rng = np.random.default_rng(5)
    mask = np.zeros((360, 640), np.float32)
    for _ in range(40):
        cv2.circle(mask, (int(rng.integers(640)), int(rng.integers(360))), int(rng.integers(5, 12)), 1.0, -1)
    return cv2.GaussianBlur(mask, (0, 0), 2.0)


def figures(found: np.ndarray | None) -> np.ndarray:
    assert found is not None
    return found.reshape(len(REMAINING_MAPS), 5)


def test_spots_of_a_tenth_agree_at_zero_shift_and_clean_glass_does_not(scene: np.ndarray) -> None:
    clean = figures(remaining_features(*pictures(scene, np.zeros((360, 640), np.float32), 0.02)))
    dirty = figures(remaining_features(*pictures(scene, np.log1p(-0.1 * spots()), 0.02)))
    band = REMAINING_MAPS.index("band 3")
    assert abs(clean[band, 0]) < 0.05
    assert dirty[band, 0] > 0.3 and dirty[band, 1] > clean[band, 1] + 1


def test_the_sign_of_the_dirt_is_of_no_matter(scene: np.ndarray) -> None:
    dark, bright = (figures(remaining_features(*pictures(scene, sign * 0.1 * spots(), 0.02))) for sign in (-1, 1))
    assert np.allclose(dark[:, 0], bright[:, 0], atol=0.1)


def test_one_picture_that_lies_over_no_other_tells_nothing(scene: np.ndarray) -> None:
    logs, laid = pictures(scene, np.zeros((360, 640), np.float32), 0.02)
    assert remaining_features(logs, {(0, 1): laid[0, 1]}) is None
    assert remaining_features(logs, {}) is None
