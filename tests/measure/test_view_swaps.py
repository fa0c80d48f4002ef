"""Each image is recognised among all references; a swap of two is found as a pair."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage import data

from audit.measure.swaps import ViewMatch, best_views, shown_elsewhere


@pytest.fixture(scope="module")
def references() -> list[np.ndarray]:
    photos = [data.astronaut(), data.coffee(), data.chelsea(), data.stereo_motorcycle()[0]]
    return [cv2.resize(p, (480, 320), interpolation=cv2.INTER_AREA) for p in photos]


def again(image: np.ndarray, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    moved = np.roll(image, int(rng.integers(-8, 8)), axis=1)
    return np.clip(moved * 0.8 + rng.normal(0, 4, image.shape), 0, 255).astype(np.uint8)


def test_every_image_finds_its_reference(references):
    matches = best_views([again(r, i) for i, r in enumerate(references)], references)
    assert [m.reference for m in matches] == [0, 1, 2, 3]
    assert min(m.probability for m in matches) > 0.9


def test_two_swapped_cameras_show_each_others_reference(references):
    order = [0, 3, 2, 1]
    matches = best_views([again(references[i], i) for i in order], references)
    assert shown_elsewhere(matches, [0, 1, 2, 3]) == ((1, 3), (3, 1))


def test_a_view_that_is_no_reference_matches_none(references):
    matches = best_views([cv2.resize(data.rocket(), (480, 320))], references)
    assert matches[0].reference is None and matches[0].probability == 0.0


def test_no_references_or_an_empty_picture_match_none(references):
    black = np.zeros((320, 480, 3), np.uint8)
    assert best_views([references[0]], [])[0] == ViewMatch(None, 0.0, 0)
    assert best_views([black], references)[0].reference is None


def test_one_wrong_snapshot_shows_anothers_reference_and_the_other_its_own():
    matches = [ViewMatch(1, 1.0, 50), ViewMatch(1, 1.0, 60)]
    assert shown_elsewhere(matches, [0, 1]) == ((0, 1),)
