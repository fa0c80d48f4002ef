"""Edges' directions laid over one another: found by night and in fog, refused between different views."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage import data

from audit.measure.layout import foreign_share, lay_over, structure

SIZE = (384, 256)


def grey(image: np.ndarray) -> np.ndarray:
    return cv2.cvtColor(cv2.resize(image, SIZE, interpolation=cv2.INTER_AREA), cv2.COLOR_RGB2GRAY)


@pytest.fixture(scope="module")
def street() -> np.ndarray:
    """A real photograph (scikit-image's motorcycle in a workshop)."""
    return grey(data.stereo_motorcycle()[0])


def night(image: np.ndarray) -> np.ndarray:
    """Grey, dark at the rim, noisy, bright and dark exchanged in part: what infrared does to a view."""
    y, x = np.mgrid[-1:1:image.shape[0] * 1j, -1:1:image.shape[1] * 1j]
    light = (image / 255.0) ** 2.2
    light = np.where(light > 0.3, 0.5 - light * 0.4, light) * np.exp(-(x**2 + y**2))
    return np.clip(light ** (1 / 2.2) * 255 + np.random.default_rng(3).normal(0, 4, image.shape), 0, 255).astype(np.uint8)


def test_a_night_picture_lies_over_the_day(street):
    found = lay_over(street, night(street))
    assert found is not None and found.log_odds > 20
    assert np.abs(found.today_px - found.reference_px).mean() < 0.7


@pytest.mark.parametrize("shift", [(14, -9), (-30, 12)])
def test_a_shift_is_found_by_the_whole_field(street, shift):
    moved = cv2.warpAffine(street, np.array([[1.0, 0.0, shift[0]], [0.0, 1.0, shift[1]]]), SIZE, borderMode=cv2.BORDER_REFLECT)
    found = lay_over(street, night(moved))
    assert found is not None and found.log_odds > 12
    assert np.median(found.today_px - found.reference_px, axis=0) == pytest.approx(shift, abs=1.0)


@pytest.mark.parametrize("zoom", [0.9, 1.12])
def test_a_zoom_is_found(street, zoom):
    closer = cv2.warpAffine(street, cv2.getRotationMatrix2D((191.5, 127.5), 0, zoom), SIZE, borderMode=cv2.BORDER_REFLECT)
    found = lay_over(street, closer)
    assert found is not None and found.log_odds > 12
    spread = np.ptp(found.today_px, axis=0) / np.ptp(found.reference_px, axis=0)
    assert spread == pytest.approx([zoom, zoom], rel=0.03)


@pytest.mark.parametrize("other", ["coffee", "astronaut", "chelsea", "rocket"])
def test_other_views_agree_by_chance_alone(street, other):
    found = lay_over(street, grey(getattr(data, other)()))
    assert found is None or found.log_odds < 9


def test_nothing_to_see_lies_over_nothing(street):
    assert lay_over(street, np.full_like(street, 128)) is None
    assert lay_over(street, street[:, :200]) is None


def test_fog_takes_structure_and_darkness_of_the_exposure_less(street):
    colour = np.repeat(street[..., None], 3, axis=2)
    fog = (colour * 0.06 + 170).astype(np.uint8)
    assert structure(fog) < 0.5 * structure(colour) < structure(colour // 2)


def test_something_before_an_unchanged_view_is_foreign_and_another_season_is_not(street):
    view = np.repeat(street[..., None], 3, axis=2)
    other = np.repeat(grey(data.coffee())[..., None], 3, axis=2)
    seen = np.ones(street.shape, bool)
    hidden = view.copy()
    hidden[90:, :150] = np.random.default_rng(0).permutation(other[90:, :150].reshape(-1, 3)).reshape(-1, 150, 3)
    assert foreign_share(view, view, seen) == 0.0
    assert foreign_share(view, other, seen) == 0.0, "where all has changed nothing is said"
    assert foreign_share(view, hidden, seen) > 0.12
