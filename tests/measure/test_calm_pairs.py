"""Where hardly anything has changed between two pictures, a soft smear is seen; a softer lamp or a stranger is not taken for one."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage import data

from audit.measure.losses import CALM_NAMES, JOIN_NAMES, calm_features, is_calm
from audit.measure.view import compare


@pytest.fixture(scope="module")
def view() -> np.ndarray:
    """A real photograph (scikit-image's motorcycle in a workshop)."""
    return np.ascontiguousarray(cv2.resize(data.stereo_motorcycle()[0], (640, 426), interpolation=cv2.INTER_AREA))


def smeared(picture: np.ndarray, count: int) -> np.ndarray:
    rng = np.random.default_rng(7)
    height, width = picture.shape[:2]
    film = np.zeros((height, width), np.float32)
    for _ in range(count):
        at = (int(rng.uniform(0.1, 0.9) * width), int(rng.uniform(0.1, 0.9) * height))
        cv2.ellipse(film, at, (width // 14, height // 18), float(rng.uniform(0, 180)), 0, 360, 1.0, -1)
    film = cv2.GaussianBlur(film, (0, 0), width / 120)[..., None] * 0.8
    veil = cv2.GaussianBlur(picture, (0, 0), width / 40) * 0.7 + 50
    return (picture * (1 - film) + veil * film).clip(0, 255).astype(np.uint8)


def test_soft_smears_over_an_unchanged_scene_are_seen(view: np.ndarray) -> None:
    change = compare(view, smeared(view, 14))
    assert change.dirt_probability is not None and change.dirt_probability >= 0.5 and change.dirt_cause != "clear"
    assert change.soiled_fraction is not None and change.soiled_fraction > 0.02


def test_the_same_scene_noisier_or_brighter_is_clean(view: np.ndarray) -> None:
    rng = np.random.default_rng(1)
    noisy = (view + rng.normal(size=view.shape) * 3).clip(0, 255).astype(np.uint8)
    brighter = (view.astype(np.float32) * 1.15).clip(0, 255).astype(np.uint8)
    for today in (view, noisy, brighter):
        probability = compare(view, today).dirt_probability
        assert probability is not None and probability < 0.3


def test_calm_is_a_matter_of_the_three_middle_bands() -> None:
    facts = np.zeros(len(JOIN_NAMES))
    for band in (1, 2, 3):
        facts[JOIN_NAMES.index(f"coherence {band}")] = 0.99
    assert is_calm(facts)
    facts[JOIN_NAMES.index("coherence 2")] = 0.97
    assert not is_calm(facts)
    facts[JOIN_NAMES.index("one light log odds")] = 99.0
    assert calm_features(facts)[CALM_NAMES.index("one light log odds")] == 8.0
