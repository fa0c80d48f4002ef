"""The picture's own colours of sky: carried on where the network wavers, left alone where it saw none."""

from __future__ import annotations

import numpy as np

from audit.measure.sky_colour import with_colour

INSIDE = np.ones((60, 80), bool)


def _two_tone(top: tuple[int, int, int], bottom: tuple[int, int, int]) -> np.ndarray:
    picture = np.zeros((60, 80, 3), np.uint8)
    picture[:30], picture[30:] = top, bottom
    return picture


def test_a_wavering_corner_of_the_sky_takes_the_sky_s_colour() -> None:
    picture = _two_tone((190, 205, 225), (60, 70, 40))
    belief = np.full((60, 80), 0.02, np.float32)
    belief[:30] = 0.97
    belief[:30, :12] = 0.3
    after = with_colour(picture, belief, INSIDE)
    assert (after[:30, :12] > 0.7).all()
    assert (after[30:] < 0.02).all()


def test_the_ratio_is_bayes_rule_of_the_counts() -> None:
    """Two colours, sky share 1/2 of one and none of the other: odds of an even pixel turn by the count ratio."""
    picture = _two_tone((190, 205, 225), (60, 70, 40))
    belief = np.full((60, 80), 0.0, np.float32)
    belief[:30, :40], belief[:30, 40:] = 0.8, 0.4
    after = with_colour(picture, belief, INSIDE)
    # Counts: light colour 0.6 sky of 2,400 pixels, dark none; share of sky 0.3; ratio (0.6 / 0.4) / (0.3 / 0.7).
    expected = 1 / (1 + (1 / 0.4 - 1) / ((0.6 / 0.4) / (0.3 / 0.7)))
    assert abs(float(after[10, 60]) - expected) < 0.02


def test_without_any_sky_nothing_is_learned() -> None:
    picture = _two_tone((240, 240, 240), (60, 70, 40))
    belief = np.full((60, 80), 0.05, np.float32)
    belief[:30] = 0.35
    assert (with_colour(picture, belief, INSIDE) == belief).all()


def test_pixels_outside_the_image_circle_do_not_count() -> None:
    picture = _two_tone((0, 0, 0), (0, 0, 0))
    picture[:, 40:] = (190, 205, 225)
    belief = np.full((60, 80), 0.9, np.float32)
    inside = INSIDE.copy()
    inside[:, :40] = False
    belief[:, 40:60], belief[:, 60:] = 0.9, 0.5
    after = with_colour(picture, belief, inside)
    assert abs(float(after[5, 70]) - 0.5) < 0.02
