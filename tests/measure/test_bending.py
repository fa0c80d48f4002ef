"""A lens whose bending nobody gave: told by square edges where there are many, else left in the scatter."""

from __future__ import annotations

import numpy as np
import pytest

from audit.lens import Lens
from audit.measure.bending import may_bend
from audit.measure.orientation import measure_orientation
from tests.measure.orientation_scenes import town


@pytest.mark.parametrize("k1", [-0.12, -0.2])
def test_a_bent_picture_is_answered_within_its_scatter(k1):
    true = Lens(1280, 720, 75.0, k1=k1)
    found = measure_orientation(town(true, 2.0, -14.0, seed=3), Lens(1280, 720, 75.0))
    assert found.pitch_deg is not None
    assert abs(found.pitch_deg + 14.0) < 1.96 * np.hypot(found.pitch_sd_deg, 0.2)
    assert found.lens.k1 < 0


def test_a_straight_picture_stays_straight():
    lens = Lens(1280, 720, 75.0)
    found = measure_orientation(town(lens, 2.0, -14.0, seed=3), lens)
    assert found.lens.k1 == 0.0 and abs(found.pitch_deg + 14.0) < 0.5


def test_a_given_term_is_believed():
    assert may_bend(Lens(640, 480, 60.0))
    assert not may_bend(Lens(640, 480, 60.0, k1=-0.1))
    assert not may_bend(Lens(640, 480, 170.0, projection="equidistant"))
