"""Roll and pitch from one picture: right within the stated error, or not measured with a reason."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from orientation_scenes import room, town

from audit.frames import up_in_camera
from audit.lens import Lens
from audit.measure.measurement import Orientation
from audit.measure.orientation import measure_orientation
from audit.measure.several import combine_orientations

FISHEYE = Lens(560, 560, 180.0, projection="equidistant")
WIDE = Lens(640, 360, 95.0)


def _off_by(orientation: Orientation, roll_deg: float, pitch_deg: float) -> float:
    """Angle between the measured and the true up direction, degrees."""
    assert orientation.roll_deg is not None and orientation.pitch_deg is not None, orientation.note
    cosine = up_in_camera(orientation.roll_deg, orientation.pitch_deg) @ up_in_camera(roll_deg, pitch_deg)
    return float(np.degrees(np.arccos(np.clip(cosine, -1, 1))))


def _right_or_silent(orientation: Orientation, roll_deg: float, pitch_deg: float) -> bool:
    if orientation.roll_deg is None:
        return bool(orientation.note)
    return _off_by(orientation, roll_deg, pitch_deg) < 5.0


@pytest.mark.parametrize(
    ("lens", "roll_deg", "pitch_deg"),
    [
        (Lens(640, 360, 70.0), 3.0, -15.0),
        (WIDE, -5.0, 10.0),
        (WIDE, 0.0, 0.0),
        (Lens(640, 360, 100.0, k1=-0.15, k2=0.02), 2.0, -12.0),
        (FISHEYE, 4.0, -20.0),
        (Lens(360, 640, 45.0), 2.0, -10.0),
        (Lens(640, 360, 70.0, principal_px=(222.0, 231.0)), 3.0, -10.0),
    ],
    ids=["plain", "up", "level", "barrel", "fisheye", "portrait", "crop"],
)
def test_town_is_measured_within_stated_error(lens, roll_deg, pitch_deg):
    found = measure_orientation(town(lens, roll_deg, pitch_deg, seed=3), lens)
    assert _off_by(found, roll_deg, pitch_deg) < 0.5
    assert abs(found.roll_deg - roll_deg) < 4 * found.roll_sd_deg
    assert abs(found.pitch_deg - pitch_deg) < 4 * found.pitch_sd_deg
    assert found.segments_px is not None and found.segments_px.shape[1] == 4
    assert any("upright" in cue for cue in found.cues)


def test_lens_of_another_size_is_taken_for_the_same_picture():
    image = town(WIDE, 2.0, -8.0, seed=3)
    small = measure_orientation(image, WIDE)
    large = measure_orientation(image, WIDE.resized(1280, 720))
    assert large.pitch_deg == pytest.approx(small.pitch_deg, abs=1e-6)
    assert (large.lens.width_px, large.lens.height_px) == (640, 360)


def test_doubt_about_the_lens_widens_the_pitch():
    image = town(WIDE, 1.0, -20.0, seed=5)
    sure = measure_orientation(image, WIDE)
    doubtful = measure_orientation(image, Lens(640, 360, 95.0, hfov_sd_deg=3.0))
    # The vertical vanishing point keeps its pixel, so tan(pitch) goes with the focal length: 98 for 95 deg.
    ratio = np.tan(np.radians(95.0 / 2)) / np.tan(np.radians(98.0 / 2))
    alone = 20.0 - np.degrees(np.arctan(np.tan(np.radians(20.0)) * ratio))
    assert np.sqrt(doubtful.pitch_sd_deg**2 - sure.pitch_sd_deg**2) > 0.9 * alone
    wrong = measure_orientation(image, Lens(640, 360, 92.0, hfov_sd_deg=3.0))
    assert abs(wrong.pitch_deg + 20.0) < 2.5 * wrong.pitch_sd_deg


def test_angle_of_view_is_estimated_or_widely_assumed_when_unknown():
    lens = Lens(640, 360, 85.0)
    found = measure_orientation(town(lens, 2.0, -18.0, seed=3), None)
    assert found.lens.source in ("estimated", "assumed")
    assert found.lens.hfov_sd_deg > 0
    assert abs(found.lens.hfov_deg - 85.0) < 3 * found.lens.hfov_sd_deg
    assert _right_or_silent(found, 2.0, -18.0)


@pytest.mark.parametrize(
    "image",
    [
        np.full((300, 400, 3), 180, np.uint8),
        np.zeros((300, 400, 3), np.uint8),
        np.zeros((1, 1, 3), np.uint8),
        np.zeros((1, 500, 3), np.uint8),
        np.zeros((2000, 20, 3), np.uint8),
        np.zeros((300, 400), np.uint8),
        np.full((300, 400, 3), 60000, np.uint16),
    ],
    ids=["wall", "black", "one pixel", "one row", "sliver", "grey", "16 bit"],
)
@pytest.mark.parametrize("known", [True, False])
def test_empty_pictures_are_not_measured(image, known):
    lens = Lens(image.shape[1], image.shape[0], 70.0) if known else None
    found = measure_orientation(image, lens)
    assert found.roll_deg is None and found.pitch_deg is None
    assert found.roll_sd_deg is None and found.pitch_sd_deg is None
    assert found.note and found.note.endswith(".")


def test_fog_and_night_and_stars_are_not_measured():
    rng = np.random.default_rng(4)
    fog = np.clip(np.linspace(170, 190, 360)[:, None, None] + rng.normal(0, 2, (360, 640, 3)), 0, 255)
    night = np.clip(6 + rng.normal(0, 6, (360, 640, 3)), 0, 255)
    stars = np.zeros((360, 640, 3))
    for x, y in zip(rng.integers(5, 635, 150), rng.integers(5, 355, 150), strict=True):
        cv2.circle(stars, (int(x), int(y)), 1, (255, 255, 255), -1, cv2.LINE_AA)
    for image in (fog, night, stars):
        assert measure_orientation(image.astype(np.uint8), WIDE).roll_deg is None


def test_grey_and_16_bit_pictures_give_the_colour_picture_s_answer():
    image = town(WIDE, 2.0, -8.0, seed=3)
    grey = cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)
    deep = image.astype(np.uint16) * 257
    for other in (grey, deep):
        assert _off_by(measure_orientation(other, WIDE), 2.0, -8.0) < 0.5


def test_scribbled_drawing_is_not_measured():
    rng = np.random.default_rng(1)
    page = np.full((360, 640, 3), 250, np.uint8)
    for _ in range(120):
        x, y = rng.integers(0, 640), rng.integers(0, 360)
        angle, length = rng.uniform(0, np.pi), rng.uniform(20, 90)
        end = (int(x + length * np.cos(angle)), int(y + length * np.sin(angle)))
        cv2.line(page, (int(x), int(y)), end, (20, 20, 20), 2, cv2.LINE_AA)
    assert measure_orientation(page, WIDE).roll_deg is None


def test_floor_alone_is_not_measured():
    lens = Lens(640, 360, 45.0)
    found = measure_orientation(town(lens, 3.0, -60.0, seed=2, buildings=0), lens)
    assert _right_or_silent(found, 3.0, -60.0)


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_room_with_three_square_directions_is_right_or_silent(seed):
    found = measure_orientation(room(WIDE, 3.0, -18.0, seed=seed), WIDE)
    assert _right_or_silent(found, 3.0, -18.0)


def test_stairs_are_right_or_silent():
    image = town(WIDE, 1.0, -10.0, seed=3)
    for step in range(12):
        cv2.line(image, (40 + 27 * step, 355 - 20 * step), (85 + 27 * step, 337 - 20 * step), (30, 30, 30), 2)
        cv2.line(image, (40 + 27 * step, 355 - 20 * step), (67 + 27 * step, 335 - 20 * step), (30, 30, 30), 2)
    assert _right_or_silent(measure_orientation(image, WIDE), 1.0, -10.0)


def test_mirror_symmetric_scene_is_right_or_silent():
    half = town(WIDE, 0.0, -5.0, seed=3)[:, :320]
    image = np.concatenate([half, half[:, ::-1]], axis=1)
    assert _right_or_silent(measure_orientation(image, WIDE), 0.0, -5.0)


def test_photo_of_a_tilted_photo_does_not_pass_for_a_sure_answer():
    inner = cv2.resize(town(WIDE, 0.0, -5.0, seed=3), (320, 180))
    page = np.full((360, 640, 3), 200, np.uint8)
    turn = cv2.getRotationMatrix2D((160, 90), 35, 1.0)
    turn[:, 2] += (160, 90)
    cv2.warpAffine(inner, turn, (640, 360), page, borderMode=cv2.BORDER_TRANSPARENT)
    found = measure_orientation(page, WIDE)
    assert found.roll_deg is None or found.pitch_sd_deg > 0


def test_tilted_building_among_upright_ones_is_outvoted():
    image = town(WIDE, 0.0, -5.0, seed=3)
    lean = cv2.getRotationMatrix2D((320, 180), 14, 1.0)
    box = np.full((360, 640, 3), 255, np.uint8)
    cv2.rectangle(box, (293, 107), (347, 249), (120, 60, 60), -1)
    moved = cv2.warpAffine(box, lean, (640, 360), borderValue=(255, 255, 255))
    image[moved[..., 1] < 128] = moved[moved[..., 1] < 128]
    assert _off_by(measure_orientation(image, WIDE), 0.0, -5.0) < 1.0


def _answer(roll: float, pitch: float, sd: float) -> Orientation:
    return Orientation(roll, sd, pitch, sd, None, WIDE)


def test_snapshots_combine_with_less_gain_than_independent_ones():
    one = combine_orientations([_answer(1.0, -10.0, 0.4)])
    four = combine_orientations([_answer(1.0 + d, -10.0 + d, 0.4) for d in (-0.1, 0.0, 0.1, 0.0)])
    assert four.pitch_deg == pytest.approx(-10.0, abs=1e-6)
    assert 0.5 * one.pitch_sd_deg < four.pitch_sd_deg < one.pitch_sd_deg


def test_contradicting_snapshots_widen_and_unmeasured_ones_are_left_out():
    silent = Orientation(None, None, None, None, "Too dark.", WIDE)
    apart = combine_orientations([_answer(1.0, -10.0, 0.3), _answer(1.0, -6.0, 0.3), silent])
    assert apart.pitch_sd_deg is None or apart.pitch_sd_deg > 1.0
    assert combine_orientations([silent, silent]).note == "Too dark."
    with pytest.raises(ValueError, match="no orientation"):
        combine_orientations([])
