"""Pictures on their head or on a side are told apart from upright ones."""

from __future__ import annotations

import numpy as np
import pytest

from audit.lens import Lens
from audit.measure.image import measure_image
from audit.measure.standing import on_its_side, upside_down


def test_the_usual_way_up_has_the_benefit_of_the_doubt():
    assert upside_down((0.4, 0.05, 0.5, 0.05)) < 0.5 and on_its_side((0.2, 0.7, 0.05, 0.05)) < 0.5
    assert upside_down((0.001, 0.0, 0.999, 0.0)) > 0.95 and on_its_side((0.001, 0.998, 0.0, 0.001)) > 0.9
    assert upside_down(None) is None and on_its_side(None) is None


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_a_photograph_that_was_turned_is_said_to_be(turns):
    # scikit-learn's china.jpg, a real photograph that no training step saw
    temple = pytest.importorskip("sklearn.datasets").load_sample_image("china.jpg")
    picture = np.ascontiguousarray(np.rot90(temple, turns))
    found = measure_image(picture, Lens(picture.shape[1], picture.shape[0], 60.0 if turns == 2 else 42.0))
    assert found.orientation.pitch_deg is None and "turned" in found.orientation.note
    assert turns != 2 or found.upside_down_probability > 0.5
    upright = measure_image(temple, Lens(temple.shape[1], temple.shape[0], 60.0))
    assert "turned" not in (upright.orientation.note or "") and upright.upside_down_probability < 0.05
