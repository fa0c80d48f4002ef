"""Today's image against the reference: pose, loss of contrast, and clear answers to bad input."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage import data

from audit.frames import camera_from_world
from audit.lens import Lens
from audit.measure.sharpness import edge_width_px
from audit.measure.view import compare

LENS = Lens(640, 360, 70.0)


@pytest.fixture(scope="module")
def street() -> np.ndarray:
    """A real photograph (scikit-image's motorcycle in a workshop), 640 x 360."""
    photo = data.stereo_motorcycle()[0]
    return np.ascontiguousarray(cv2.resize(photo, (740, 500), interpolation=cv2.INTER_AREA)[70:430, 50:690])


def turned(image: np.ndarray, pan: float, pitch: float, roll: float, lens: Lens = LENS,
           before: tuple[float, float] = (0.0, 0.0)) -> np.ndarray:
    """The view after a turn, exact for a distant scene: today = K R K^-1."""
    cx, cy = lens.centre_px
    k = np.array([[lens.focal_px, 0, cx], [0, lens.focal_px, cy], [0, 0, 1]])
    r = camera_from_world(pan, before[0] + pitch, before[1] + roll) @ camera_from_world(0.0, *before).T
    return cv2.warpPerspective(image, k @ r @ np.linalg.inv(k), (lens.width_px, lens.height_px),
                               flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)


def veiled(image: np.ndarray, share: float, veil: float = 0.35) -> np.ndarray:
    light = (image / 255.0) ** 2.2
    return (np.clip((1 - share) * light + share * veil, 0, 1) ** (1 / 2.2) * 255).astype(np.uint8)


def test_the_same_picture_did_not_move_and_lost_nothing(street):
    change = compare(street, street, LENS)
    assert change.same_view_probability > 0.99
    for value in (change.pan_change_deg, change.pitch_change_deg, change.roll_change_deg):
        assert abs(value) < 0.02
    assert change.contrast_ratio == pytest.approx(1.0, abs=0.03)
    assert change.sharpness_ratio == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize("turn", [(0.5, 0.0, 0.0), (-3.0, 1.5, 0.0), (0.0, -4.0, 2.0), (9.0, 2.0, -3.0)])
def test_a_turn_is_found_to_a_tenth_of_a_degree_with_its_sign(street, turn):
    change = compare(street, turned(street, *turn), LENS)
    found = (change.pan_change_deg, change.pitch_change_deg, change.roll_change_deg)
    assert np.abs(np.subtract(found, turn)).max() < 0.1
    assert max(change.pan_change_sd_deg, change.pitch_change_sd_deg, change.roll_change_sd_deg) < 0.2


def test_a_steep_camera_turned_about_the_upright_counts_as_pan_when_its_pitch_is_known(street):
    today = turned(street, 4.0, 0.0, 0.0, before=(-30.0, 0.0))
    known = compare(street, today, LENS, reference_pitch_deg=-30.0)
    assert known.pan_change_deg == pytest.approx(4.0, abs=0.1)
    assert known.roll_change_deg == pytest.approx(0.0, abs=0.15)
    level = compare(street, today, LENS)
    assert level.roll_change_deg == pytest.approx(4.0 * np.sin(np.radians(30)), abs=0.25)


def test_an_unknown_lens_makes_the_turn_less_sure(street):
    today = turned(street, 5.0, 0.0, 0.0)
    assert compare(street, today).pan_change_sd_deg > 5 * compare(street, today, LENS).pan_change_sd_deg


def test_a_fisheye_turn_is_found(street):
    lens = Lens(640, 360, 150.0, projection="equidistant")
    y, x = np.mgrid[0:360, 0:640].astype(np.float64)
    rays = lens.unproject(np.stack([x, y], axis=-1)) @ camera_from_world(6.0, 0.0, 0.0) @ camera_from_world(0, 0, 0).T
    source = lens.project(rays @ np.eye(3)).astype(np.float32)
    forward = compare(street, cv2.remap(street, source[..., 0], source[..., 1], cv2.INTER_CUBIC,
                                        borderMode=cv2.BORDER_REFLECT), lens)
    assert abs(forward.pan_change_deg) == pytest.approx(6.0, abs=0.2) or forward.roll_change_deg is not None
    assert forward.same_view_probability > 0.9


@pytest.mark.parametrize("share", [0.3, 0.6])
def test_a_veil_lowers_the_contrast_ratio_and_the_more_the_thicker(street, share):
    clean = compare(street, street, LENS).contrast_ratio
    ratio = compare(street, veiled(street, share), LENS).contrast_ratio
    assert ratio < clean - 0.6 * share


@pytest.mark.parametrize("gain", [0.45, 1.5])
def test_a_change_of_exposure_is_taken_out_of_the_contrast_ratio(street, gain):
    light = np.clip((street / 255.0) ** 2.2 * gain, 0, 1) ** (1 / 2.2)
    change = compare(street, (light * 255).astype(np.uint8), LENS)
    assert change.contrast_ratio == pytest.approx(1.0, abs=0.12)


@pytest.mark.parametrize("blur_px", [1.0, 2.0, 4.0])
def test_blur_widens_the_sharpest_edges_by_what_it_adds_in_squares(street, blur_px):
    own = edge_width_px(street)
    change = compare(street, cv2.GaussianBlur(street, (0, 0), blur_px), LENS)
    assert change.sharpness_ratio == pytest.approx(np.hypot(own, 0.77) / np.sqrt(own**2 + blur_px**2 + 0.77**2), rel=0.2)


def test_neither_dark_nor_fog_nor_noise_changes_the_width_of_edges(street):
    grain = np.random.default_rng(1).normal(0, 4, street.shape)
    for other in (street // 3, veiled(street, 0.6), np.clip(street + grain, 0, 255).astype(np.uint8)):
        assert compare(street, other, LENS).sharpness_ratio == pytest.approx(1.0, abs=0.2)


def test_lost_focus_is_named(street):
    change = compare(street, cv2.GaussianBlur(street, (0, 0), 2.5), LENS)
    assert change.dirt_cause == "defocus" and change.dirt_probability > 0.9 and change.soiled_fraction > 0.8


def test_a_zoom_is_measured(street):
    closer = cv2.resize(street[18:342, 32:608], (640, 360), interpolation=cv2.INTER_CUBIC)
    change = compare(street, closer, LENS)
    assert change.zoom_ratio == pytest.approx(640 / 576, abs=0.01)
    assert compare(street, street, LENS).zoom_ratio == pytest.approx(1.0, abs=0.003)


def test_reference_and_today_of_different_size_compare(street):
    big = cv2.resize(street, (1280, 720), interpolation=cv2.INTER_CUBIC)
    change = compare(big, turned(street, 2.0, 0.0, 0.0), LENS)
    assert change.pan_change_deg == pytest.approx(2.0, abs=0.1)
    assert change.contrast_ratio == pytest.approx(1.0, abs=0.12)


def test_today_cut_to_another_aspect_still_compares(street):
    change = compare(street, street[:, 80:560].copy(), LENS)
    assert change.same_view_probability > 0.9
    assert change.pan_change_deg == pytest.approx(0.0, abs=0.6)


def test_grey_today_against_a_colour_reference_compares(street):
    grey = np.repeat(cv2.cvtColor(street, cv2.COLOR_RGB2GRAY)[..., None], 3, axis=2)
    change = compare(street, grey, LENS)
    assert change.same_view_probability > 0.99
    assert change.contrast_ratio == pytest.approx(1.0, abs=0.1)


def test_another_lens_today_does_not_pass_for_a_turn(street):
    narrow = cv2.resize(street[54:306, 96:544], (640, 360), interpolation=cv2.INTER_CUBIC)
    change = compare(street, narrow, LENS)
    assert change.same_view_probability > 0.9
    assert abs(change.pan_change_deg) < 0.3 and abs(change.pitch_change_deg) < 0.3


def test_the_wrong_camera_is_another_scene(street):
    other = cv2.resize(data.coffee(), (640, 360))
    change = compare(street, other, LENS)
    assert change.same_view_probability < 0.1
    assert change.pan_change_deg is None and change.contrast_ratio is None
    assert "another scene" in change.note


@pytest.mark.parametrize(("value", "word"), [(0, "black"), (255, "white"), (120, "one tone")])
def test_an_empty_picture_is_not_measured(street, value, word):
    empty = np.full_like(street, value)
    for pair, name in (((street, empty), "today"), ((empty, street), "reference")):
        change = compare(*pair, LENS)
        assert change.same_view_probability is None and change.dirt_probability is None
        assert word in change.note and name in change.note


def test_burnt_in_clock_text_does_not_hold_the_camera_still_nor_count_as_dirt(street):
    def stamped(image: np.ndarray, text: str) -> np.ndarray:
        out = image.copy()
        cv2.putText(out, text, (16, 28), cv2.FONT_HERSHEY_SIMPLEX, 0.7, (0, 0, 0), 4, cv2.LINE_AA)
        cv2.putText(out, text, (16, 28), cv2.FONT_HERSHEY_SIMPLEX, 0.7, (255, 255, 255), 2, cv2.LINE_AA)
        return out

    moved = compare(stamped(street, "2026-05-02 11:58:03"), stamped(turned(street, 3.0, 1.0, 0.0), "2026-09-30 17:41:26"),
                    LENS)
    assert moved.pan_change_deg == pytest.approx(3.0, abs=0.1)
    still = compare(stamped(street, "2026-05-02 11:58:03"), stamped(street, "2026-09-30 17:41:26"), LENS)
    plain = compare(street, street, LENS)
    assert still.dirt_probability < plain.dirt_probability + 0.15


def test_an_interlaced_picture_compares(street):
    later = turned(street, 0.4, 0.0, 0.0)
    woven = street.copy()
    woven[1::2] = later[1::2]
    change = compare(street, woven, LENS)
    assert change.same_view_probability > 0.9
    assert abs(change.pan_change_deg) < 0.5


def test_infrared_night_against_a_day_reference_answers_or_says_why(street):
    y, x = np.mgrid[-1:1:360j, -1:1:640j]
    light = (street / 255.0) ** 2.2 @ np.array([0.5, 0.3, 0.2]) * np.exp(-(x**2 + y**2)) * 0.3
    rng = np.random.default_rng(3)
    night = np.clip(light ** (1 / 2.2) * 255 + rng.normal(0, 5, light.shape), 0, 255).astype(np.uint8)
    change = compare(street, np.repeat(night[..., None], 3, axis=2), LENS)
    assert "night" in change.note
    assert change.dirt_probability is not None


def test_outlines_lie_in_the_picture(street):
    today = street.copy()
    today[:, 400:] = cv2.GaussianBlur(today[:, 400:], (0, 0), 12) // 3 + 20
    change = compare(street, today, LENS)
    for patch in change.patches:
        assert len(patch) >= 3
        assert all(0 <= x <= 1 and 0 <= y <= 1 for x, y in patch)
    assert change.dirt_cause is not None


def test_the_same_place_from_another_position_is_not_the_same_view():
    """Two views of scikit-image's stereo pair with its depth exaggerated: near and far shift apart."""
    left, _, disparity = data.stereo_motorcycle()
    depth = np.nan_to_num(disparity, nan=0.0, posinf=0.0, neginf=0.0).astype(np.float32)
    y, x = np.mgrid[0:left.shape[0], 0:left.shape[1]].astype(np.float32)
    aside = cv2.remap(left, x + 2.5 * (depth - np.median(depth)), y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    change = compare(left, aside, Lens(left.shape[1], left.shape[0], 60.0))
    assert change.same_view_probability < 0.9


def test_loss_that_grows_up_the_picture_is_noted_as_what_fog_does_when_called_haze(street):
    through = np.linspace(0.15, 1.0, 360)[:, None, None] ** 0.7
    light = (street / 255.0) ** 2.2
    foggy = (np.clip(light * through + 0.5 * (1 - through), 0, 1) ** (1 / 2.2) * 255).astype(np.uint8)
    change = compare(street, foggy, LENS)
    assert change.dirt_cause != "haze" or "fog" in change.note
    assert change.contrast_ratio < 0.95
