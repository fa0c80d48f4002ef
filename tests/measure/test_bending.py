"""A lens whose bending nobody gave: told by square edges where there are many, else left in the scatter."""

from __future__ import annotations

import numpy as np
import pytest

from audit.lens import Lens, least_k1
from audit.measure.bending import as_it_may_bend, may_bend
from audit.measure.orientation import measure_orientation
from tests.measure.orientation_scenes import town

STRAIGHT = Lens(1280, 720, 75.0)


@pytest.fixture(scope="module")
def straight():
    """A town through a straight lens, measured once."""
    return measure_orientation(town(STRAIGHT, 2.0, -14.0, seed=3), STRAIGHT)


@pytest.mark.parametrize("k1", [-0.12, -0.2])
def test_a_bent_picture_is_answered_within_its_scatter(k1):
    true = Lens(1280, 720, 75.0, k1=k1)
    found = measure_orientation(town(true, 2.0, -14.0, seed=3), Lens(1280, 720, 75.0))
    assert found.pitch_deg is not None
    assert abs(found.pitch_deg + 14.0) < 1.96 * np.hypot(found.pitch_sd_deg, 0.2)
    assert found.lens.k1 < 0
    assert found.k1 is not None and abs(found.k1 - k1) < 2.5 * found.k1_sd


def test_a_straight_picture_stays_straight(straight):
    assert straight.lens.k1 == 0.0 and abs(straight.pitch_deg + 14.0) < 0.5


def test_a_given_term_is_believed():
    assert may_bend(Lens(640, 480, 60.0))
    assert not may_bend(Lens(640, 480, 60.0, k1=-0.1))
    assert not may_bend(Lens(640, 480, 170.0, projection="equidistant"))


def test_what_a_picture_tells_of_its_bending_narrows_what_such_lenses_have(straight):
    vague, vague_sd = as_it_may_bend(STRAIGHT, None)
    known, known_sd = as_it_may_bend(STRAIGHT, straight)
    assert vague.k1 < 0 < vague_sd
    assert known_sd < vague_sd and abs(known.k1) < 2 * known_sd
    for believed in (Lens(640, 480, 60.0, k1=-0.1), Lens(640, 480, 170.0, projection="equidistant")):
        assert as_it_may_bend(believed, None) == (believed, 0.0)


@pytest.mark.parametrize("lens", [Lens(1920, 1080, 100.0), Lens(640, 480, 60.0), Lens(1080, 1920, 50.0)])
def test_the_strongest_term_still_fills_the_picture_to_its_corners(lens):
    """Closed form of the cubic's root, against the lens's own folding."""
    corner = np.array([-0.5, -0.5])
    assert np.isfinite(Lens(lens.width_px, lens.height_px, lens.hfov_deg, k1=0.999 * least_k1(lens)).unproject(corner)).all()
    assert not np.isfinite(Lens(lens.width_px, lens.height_px, lens.hfov_deg, k1=1.01 * least_k1(lens)).unproject(corner)).all()
