"""What a vague measurement may say, and where in a picture a thing is said to be."""

from __future__ import annotations

import pytest

from audit.judge.chances import weighed
from audit.judge.glass import _where
from tests.judge_samples import LIMITS


@pytest.mark.parametrize(
    ("probability", "at_best", "says"),
    [(0.02, 0.01, "as planned"), (0.5, 0.01, "to check"), (0.96, 0.01, "defect"), (0.96, 0.2, "to check"), (0.995, 0.2, "defect"),
     (0.61, 0.2, "to check"), (0.59, 0.2, "not verified")],
)  # fmt: skip
def test_a_vague_measurement_is_to_check_where_half_the_chance_of_being_good_is_gone(
    probability: float, at_best: float, says: str
) -> None:
    """By hand: a perfect result leaves 1 - 0.2 = 0.8 that the camera is good, half of that is 0.4, so from 0.6 on it is to check."""
    assert weighed(probability, at_best, LIMITS) == says
    if at_best > LIMITS.as_planned_at_most and says == "to check":
        assert weighed(probability, at_best, LIMITS, even_if_likely=True) == "not verified"


@pytest.mark.parametrize(
    ("at", "words"),
    [((0.5, 0.5), "in the middle"), ((0.2, 0.5), "on the left"), ((0.8, 0.5), "on the right"), ((0.5, 0.2), "above"),
     ((0.5, 0.8), "below"), ((0.9, 0.9), "below on the right")],
)  # fmt: skip
def test_a_place_in_the_picture_is_told_by_its_third(at: tuple[float, float], words: str) -> None:
    assert _where(at) == words
