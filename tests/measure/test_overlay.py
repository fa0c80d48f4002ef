"""What is burnt into a picture is found, and what belongs to the scene is left alone."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import skimage.data

from audit.measure.overlay import burned_in, steady, text_over_series, without_overlay
from audit.measure.segments import find_segments, of_the_scene


@pytest.fixture(scope="module")
def street():
    """A photograph without anything burnt in (scikit-image's ``coffee``, CC0; its data README)."""
    return cv2.resize(skimage.data.coffee(), (640, 426), interpolation=cv2.INTER_AREA)


def test_black_columns_at_the_rim_are_found_whole_and_give_no_edges(street):
    framed = street.copy()
    framed[:, :7] = framed[:, -9:] = 4
    found = burned_in(framed)
    assert found.mask[:, :7].all() and found.mask[:, -9:].all()
    assert found.mask[:, 30:-30].mean() < 0.02
    edges = of_the_scene(find_segments(framed)[0], found)
    upright = np.abs(edges[:, 0] - edges[:, 2]) < 0.5
    assert not (upright & ((edges[:, 0] < 14) | (edges[:, 0] > 624))).any()


def test_a_dark_corner_is_no_rim(street):
    dark = street.copy()
    dark[:200, :60] = 3
    assert burned_in(dark).rim == (0, 0, 0, 0)


def test_a_burnt_out_sky_is_no_missing_part(street):
    bright = street.copy()
    bright[:120] = 255
    assert burned_in(bright).rim == (0, 0, 0, 0)


def test_letter_boxes_with_a_clock_are_found(street):
    boxed = street.copy()
    boxed[:40] = boxed[-30:] = 0
    cv2.putText(boxed, "2026-03-04 05:06:07 CAM 3", (20, 28), cv2.FONT_HERSHEY_SIMPLEX, 0.7, (255, 255, 255), 2)
    found = burned_in(boxed)
    assert found.rim[1] in range(40, 46) and found.rim[3] in range(30, 36)


def test_drawn_boxes_and_their_labels_are_found(street):
    drawn = street.copy()
    cv2.rectangle(drawn, (200, 150), (300, 260), (255, 0, 0), 2)
    cv2.rectangle(drawn, (200, 130), (290, 150), (0, 150, 0), -1)
    found = burned_in(drawn)
    assert found.mask[150, 220:280].mean() > 0.9 and found.mask[180:240, 200].mean() > 0.9
    assert found.mask[140, 210:280].mean() > 0.9


def test_what_a_plain_photograph_shows_is_left_alone():
    for name in ("astronaut", "chelsea", "coffee", "rocket"):
        assert burned_in(getattr(skimage.data, name)()).fraction < 0.03


def test_filling_leaves_the_scene_as_it_is(street):
    framed = street.copy()
    framed[:, :7] = 0
    found = burned_in(framed)
    filled = without_overlay(framed, found)
    assert (filled[~found.mask] == framed[~found.mask]).all()
    assert filled[:, :7].mean() > 20
    assert without_overlay(street, burned_in(street)).shape == street.shape


def test_several_pictures_tell_what_stays(street):
    pictures = []
    for gain in (0.5, 0.8, 1.1):
        picture = np.clip(street * gain, 0, 255).astype(np.uint8)
        picture[10:30, 10:200] = 200
        pictures.append(picture)
    mask = steady(pictures)
    assert mask is not None and mask[12:28, 12:198].all()
    assert mask[60:].mean() < 0.15
    assert steady(pictures[:2]) is None and steady([street] * 3) is None


def test_short_text_that_stays_while_the_camera_turns_is_found_with_a_clock_that_runs(street):
    greys, blanks = [], []
    for number, x in enumerate((0, 25, 60)):
        grey = np.ascontiguousarray(cv2.cvtColor(street, cv2.COLOR_RGB2GRAY)[20:380, x:x + 560])
        blanks.append(grey.copy())
        cv2.putText(grey, f"2026-04-30 12:0{number}:{17 * number:02d}", (10, 24), cv2.FONT_HERSHEY_SIMPLEX, 0.6, 255, 2, cv2.LINE_AA)
        cv2.putText(grey, "YARD", (480, 350), cv2.FONT_HERSHEY_SIMPLEX, 0.55, 255, 1, cv2.LINE_AA)
        greys.append(grey)
    found = text_over_series(greys)
    assert text_over_series(blanks).mean() < 0.01 and found.mean() < 0.08
    assert found[12:24, 12:230].mean() > 0.8 and found[340:350, 482:520].mean() > 0.9


@pytest.mark.parametrize("shape", [(8, 8, 3), (40, 3000, 3), (3000, 40, 3), (33, 33, 3)])
def test_odd_shapes_do_no_harm(shape):
    assert burned_in(np.zeros(shape, np.uint8)).mask.shape == shape[:2]
