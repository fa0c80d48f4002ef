"""Boards and clicks where the answer is known by hand: projected corners, plane geometry, rotations, sds that add in squares."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chi2

from audit.frames import camera_from_world, pose_from_rotation, up_in_camera
from audit.lens import Lens, least_k1
from audit.measure import resection as fit
from audit.measure.board import (
    MARKER_SIDE_M,
    Board,
    _distance,
    _modules,
    _Square,
    _usable,
    _where_a_board_may_be,
    find_boards,
    marker_picture,
    paper_of,
    proven_px_per_m,
    view_of,
)
from audit.measure.resection import Sighting, Station, resect, turn_about_plumb

LENS = Lens(1920, 1080, 80.0, hfov_sd_deg=0.8)
HERE = (3.0, -5.0, 4.0)
STATION = Station(LENS, *HERE, pitch_deg=-12.0, pitch_sd_deg=0.5, roll_deg=1.0, roll_sd_deg=0.5)
NUMBER = next(n for n in range(20, 300) if n in _usable())


def board(corners: np.ndarray, number: int | None = NUMBER) -> Board:
    return Board(number, tuple((float(x), float(y)) for x, y in corners))


def sheet(side_m: float, middle: np.ndarray, turn_deg: tuple[float, float, float]) -> np.ndarray:
    """Corners of a marker in the camera, clockwise from its upper left one."""
    half = side_m / 2
    flat = np.array([[-half, -half, 0], [half, -half, 0], [half, half, 0], [-half, half, 0]])
    return flat @ cv2.Rodrigues(np.radians(turn_deg))[0].T + middle


# -- boards ----------------------------------------------------------------------------------------------------------------


def test_a_board_s_side_and_middle() -> None:
    """The middle is where the diagonals cross, also of a trapezium; of corners on one line their mean."""
    square = board(np.array([[10.0, 20], [50, 20], [50, 60], [10, 60]]))
    assert square.side_px == 40.0 and square.middle_px == (30.0, 40.0)
    trapezium = board(np.array([[0.0, 0], [40, 0], [30, 20], [10, 20]]))
    assert trapezium.middle_px == pytest.approx((20.0, 40 / 3)) and trapezium.side_px == pytest.approx((40 + 20 + 2 * math.hypot(10, 20)) / 4)
    line = board(np.array([[0.0, 1], [10, 2], [20, 3], [50, 6]]))
    assert line.middle_px == (20.0, 3.0)


@pytest.mark.parametrize("lens", [LENS, Lens(1600, 1600, 180.0, hfov_sd_deg=0.9, projection="equidistant")])
@pytest.mark.parametrize(("ray", "away", "turn"), [((0.0, 0.0, 1.0), 4.0, (0.0, 0.0, 0.0)), ((0.4, -0.2, 1.0), 6.0, (20.0, -30.0, 5.0)), ((-0.5, 0.45, 1.0), 3.0, (-25.0, 15.0, 170.0))])
@pytest.mark.parametrize("paper", ["A4", "A2"])
def test_a_board_tells_its_distance_and_the_density_at_it(lens: Lens, ray: tuple[float, float, float], away: float, turn: tuple[float, float, float], paper: str) -> None:
    """Closed form: pixels a metre across the radius are the radius in pixels over the distance off the axis."""
    number = next(n for n in sorted(_usable()) if paper_of(n) == paper)
    middle = np.array(ray) / np.linalg.norm(ray) * away
    corners = lens.project(sheet(MARKER_SIDE_M[paper], middle, turn))  # type: ignore[index]
    found = view_of(board(corners, number), lens)
    assert found is not None
    assert found.distance_m == pytest.approx(away, rel=0.005)
    assert (found.column_px, found.row_px) == pytest.approx(lens.project(middle), abs=0.6)
    across = math.hypot(middle[0], middle[1])
    density = math.dist(lens.project(middle), lens.centre_px) / across if across > 1e-9 else lens.focal_px / away
    assert found.px_per_m == pytest.approx(density, rel=0.005)
    side = board(corners, number).side_px
    share = math.hypot(0.2 * math.sqrt(2) / side, 0.005)
    assert found.px_per_m_sd == pytest.approx(found.px_per_m * share) and found.distance_sd_m == pytest.approx(found.distance_m * math.hypot(share, lens.hfov_sd_deg / lens.hfov_deg))
    for useless in (replace(board(corners, number), number=None), replace(board(corners, number), mirrored=True), board(corners, 999), board(corners + 9e4, number)):
        assert view_of(useless, Lens(1600, 1600, 180.0, projection="equidistant")) is None


def test_what_lies_behind_has_no_distance() -> None:
    corners = sheet(0.2, np.array([0.0, 0.0, 3.0]), (10.0, 0.0, 0.0))
    rays = corners / np.linalg.norm(corners, axis=1, keepdims=True)
    assert _distance(rays, np.array([0.0, 0.0, 1.0]), 0.2) == pytest.approx(3.0, rel=0.01)
    assert _distance(rays, np.array([0.0, 0.0, -1.0]), 0.2) is None
    up = camera_from_world(0.0, 88.0) @ np.array([0.0, 0.0, 1.0])
    turned = sheet(0.2, np.array([0.0, 3.0, 0.05]), (90.0, 0.0, 0.0))
    rays = turned / np.linalg.norm(turned, axis=1, keepdims=True)
    assert _distance(rays, np.array([0.0, 1.0, 0.0]), 0.2) == pytest.approx(3.0, rel=0.01) and up.shape == (3,)


@pytest.mark.parametrize(("number", "paper"), [(0, "A4"), (332, "A4"), (333, "A3"), (665, "A3"), (666, "A2"), (998, "A2"), (999, None), (-1, None)])
def test_numbers_tell_the_paper(number: int, paper: str | None) -> None:
    assert paper_of(number) == paper


def test_proofs_by_size() -> None:
    assert proven_px_per_m("A3") == pytest.approx(22 / 0.25) and proven_px_per_m("A3", night=True) == pytest.approx(35 / 0.25)


def test_a_marker_s_modules_in_all_four_turns_are_those_of_its_picture() -> None:
    """Drawn by OpenCV: five modules within a black rim; each turn counter-clockwise."""
    picture = marker_picture(NUMBER, 10)
    assert picture.shape == (70, 70) and not picture[:10].any() and not picture[:, -10:].any()
    inner = (picture[10:60, 10:60].reshape(5, 10, 5, 10).mean(axis=(1, 3)) > 127).astype(int)
    assert _modules([NUMBER]).reshape(4, 5, 5).tolist() == [np.rot90(inner, k).tolist() for k in range(4)]


def test_no_mirror_image_of_a_usable_number_comes_near_to_any_and_none_is_nearly_plain() -> None:
    """By plain comparison of some: at least three modules apart in every turn; 7 to 18 of 25 are white."""
    every = _modules(range(999)).astype(int)
    plain = every[::4]
    for number in (*range(0, 999, 37), NUMBER):
        mirror = plain[number].reshape(5, 5)[:, ::-1].ravel()
        nearest = int(np.abs(every - mirror).sum(axis=1).min())
        assert (number in _usable()) == (nearest >= 3 and 7 <= int(plain[number].sum()) <= 18)


def test_a_square_in_the_mirror() -> None:
    square = _Square(np.array([[1.0, 2], [5, 2], [5, 6], [1, 6]], np.float32), np.zeros((7, 7), bool), 50.0, 0.9)
    assert square.flipped(100).corners.tolist() == [[98, 2], [94, 2], [94, 6], [98, 6]] and square.flipped(100).rim == 0.9


@pytest.mark.parametrize("turn", [0, 1, 2, 3])
def test_a_drawn_board_is_found_with_its_corners_from_its_own_upper_left(turn: int) -> None:
    rng = np.random.default_rng(1)
    picture = np.clip(150 + rng.normal(0, 3, (400, 600)), 0, 255)
    white = np.pad(marker_picture(NUMBER, 12), 12, constant_values=255)
    corners = np.array([[210.0, 120], [300, 132], [292, 226], [206, 214]], np.float32)
    last = white.shape[0] - 12 - 0.5
    square = np.array([[11.5, 11.5], [last, 11.5], [last, last], [11.5, last]], np.float32)
    there = np.roll(corners, -turn, axis=0)
    warp = cv2.getPerspectiveTransform(square, there)
    laid = cv2.warpPerspective(white, warp, (600, 400), flags=cv2.INTER_AREA)
    where = cv2.warpPerspective(np.full_like(white, 255), warp, (600, 400)) > 127
    picture[where] = 40 + 0.7 * laid[where]
    picture = cv2.GaussianBlur(picture, (0, 0), 0.8).astype(np.uint8)
    (found,) = find_boards(np.repeat(picture[..., None], 3, axis=2))
    assert found.number == NUMBER and not found.mirrored
    assert np.array(found.corners_px) == pytest.approx(there, abs=0.5)
    (mirrored,) = find_boards(np.ascontiguousarray(picture[:, ::-1]))
    assert mirrored.mirrored and np.array(mirrored.corners_px)[:, 0] == pytest.approx(599 - there[:, 0], abs=1.5)


def test_two_boards_that_hang_close_together_are_both_found() -> None:
    """Their middles one and a half sides apart, the larger first."""
    picture = np.full((300, 420), 150, np.uint8)
    other = next(n for n in range(NUMBER + 1, 300) if n in _usable())
    for number, left, module in ((NUMBER, 40, 14), (other, 180, 13)):
        sheet_of = np.pad(marker_picture(number, module), module, constant_values=255)
        picture[60 : 60 + sheet_of.shape[0], left : left + sheet_of.shape[1]] = sheet_of
    found = find_boards(cv2.GaussianBlur(picture, (0, 0), 0.7))
    assert [b.number for b in found] == [NUMBER, other] and [b.side_px for b in found] == pytest.approx([98.0, 91.0], abs=1.5)


@pytest.mark.parametrize(("shades", "kept"), [(18, False), (24, True)])
def test_places_too_plain_for_a_board_are_smoothed(shades: int, kept: bool) -> None:
    grey = np.full((200, 320), 100, np.uint8)
    grey[80:120, 100:140] += np.uint8(shades)
    found = _where_a_board_may_be(grey)
    assert found.shape == grey.shape
    assert np.array_equal(found[84:116, 96:104], grey[84:116, 96:104]) == kept


# -- clicks: geometry ------------------------------------------------------------------------------------------------------


@given(st.floats(-3, 3), st.floats(-1.4, 1.4), st.floats(-3, 3), st.floats(-1.4, 1.4))
@settings(max_examples=40, deadline=None)
def test_two_directions_are_as_far_apart_as_their_angle(a: float, b: float, c: float, d: float) -> None:
    one, other = (np.array([math.cos(y) * math.cos(x), math.cos(y) * math.sin(x), math.sin(y)]) for x, y in ((a, b), (c, d)))
    apart = fit._apart(one[None, None], other[None, None])[0, 0]
    assert math.hypot(*apart) == pytest.approx(math.atan2(np.linalg.norm(np.cross(one, other)), one @ other), abs=1e-7)
    back = fit._apart(one[None, None], (2 * (one @ other) * one - other)[None, None])[0, 0]
    assert back == pytest.approx(-apart, abs=1e-7), "the other side is the other way"


@given(st.tuples(st.floats(-80, 80), st.floats(-60, 60)), st.tuples(st.floats(-80, 80), st.floats(-60, 60)))
@settings(max_examples=30, deadline=None)
def test_the_shortest_turn_takes_one_direction_to_another(before: tuple[float, float], after: tuple[float, float]) -> None:
    one, other = up_in_camera(*before), up_in_camera(*after)
    turn = fit._shortest(one, other)
    assert turn @ one == pytest.approx(other, abs=1e-9) and turn @ turn.T == pytest.approx(np.eye(3), abs=1e-9)
    assert (np.trace(turn) - 1) / 2 == pytest.approx(one @ other, abs=1e-9)


def test_opposite_directions_have_no_shortest_turn() -> None:
    with pytest.raises(ValueError, match="opposite"):
        fit._shortest(np.array([0.0, 0, 1]), np.array([0.0, 0, -1]))


@pytest.mark.parametrize(("pitch", "roll"), [(-12.0, 3.0), (20.0, -8.0), (0.0, 0.0)])
def test_up_moves_with_pitch_and_with_roll(pitch: float, roll: float) -> None:
    """By differences of the frames' own formula; with roll less the cosine of the pitch."""
    first, about_pitch, about_roll = fit._tilt_axes(pitch, roll)
    up = up_in_camera(roll, pitch)
    step = 1e-5
    by_pitch = (up_in_camera(roll, pitch + step) - up_in_camera(roll, pitch - step)) / math.radians(2 * step)
    by_roll = (up_in_camera(roll + step, pitch) - up_in_camera(roll - step, pitch)) / math.radians(2 * step)
    assert np.array_equal(first, camera_from_world(0.0, pitch, roll)) and np.cross(about_pitch, up) == pytest.approx(by_pitch, abs=1e-6)
    assert np.cross(about_roll, up) * math.cos(math.radians(pitch)) == pytest.approx(by_roll, abs=1e-6)


@pytest.mark.parametrize("bearing", [0.0, 40.0, -100.0])
@pytest.mark.parametrize("tilt", [(0.0, 0.0), (5.0, 0.0), (0.0, 4.0), (-3.0, 2.0)])
def test_a_state_turns_about_the_vertical_and_tilts_off_what_was_measured(bearing: float, tilt: tuple[float, float]) -> None:
    """A tilt along pitch alone is that pitch; rotations stay rotations."""
    state = np.zeros(8)
    state[:3] = np.radians([bearing, *tilt])
    rotation = fit._rotation(STATION, state)
    assert rotation @ rotation.T == pytest.approx(np.eye(3), abs=1e-12) and np.linalg.det(rotation) == pytest.approx(1.0)
    found = pose_from_rotation(rotation)
    assert abs((found[0] - bearing + 180) % 360 - 180) < 1.5 * abs(tilt[1]) + 0.2
    if tilt[1] == 0.0:
        assert found[1] == pytest.approx(-12.0 + tilt[0], abs=1e-6) and found[2] == pytest.approx(1.0, abs=0.05)
    else:
        assert found[2] == pytest.approx(1.0 + tilt[1] / math.cos(math.radians(found[1])), abs=0.15)
    several = fit._rotations(STATION, np.stack([state, 0 * state]))
    assert several[0] == pytest.approx(rotation) and several[1] == pytest.approx(camera_from_world(0.0, -12.0, 1.0))


def test_the_first_tilt_is_as_measured_plumb_or_level() -> None:
    assert fit._first_tilt(STATION) == (-12.0, 1.0) and fit._first_tilt(fit._untilted(STATION)) == (0.0, 0.0)
    for pitch, roll, plumb in ((-60.0, None, True), (-59.9, None, False), (-70.0, 2.0, False)):
        station = replace(STATION, pitch_deg=pitch, roll_deg=roll)
        assert fit._plumb(station) == plumb and fit._first_tilt(station) == ((-90.0, 0.0) if plumb else (pitch, roll or 0.0))
    assert not fit._plumb(fit._untilted(STATION))


# -- clicks: what is known -------------------------------------------------------------------------------------------------


def test_what_was_known_beforehand() -> None:
    """Tilt along pitch and across it (roll by the cosine of the pitch), the lens, its bending and the place."""
    known = dict(fit._known_sds(replace(STATION, k1_sd=0.05)))
    assert known == pytest.approx({1: math.radians(0.5), 2: math.radians(0.5) * math.cos(math.radians(12)), 3: 0.01, 7: 0.05, 4: 0.3, 5: 0.3, 6: 0.3})
    free = dict(fit._known_sds(fit._untilted(STATION)))
    assert 1 not in free and free[2] == pytest.approx(math.radians(5.0)) and free[7] == 1e-6
    plumb = dict(fit._known_sds(Station(LENS, *HERE, pitch_deg=-87.0, pitch_sd_deg=4.0)))
    assert plumb[1] == plumb[2] == pytest.approx(math.radians(5.0))
    sharp = dict(fit._known_sds(replace(STATION, lens=replace(LENS, hfov_sd_deg=0.0), position_sd_m=0.0)))
    assert sharp[3] == 1e-7 and sharp[4] == 1e-6
    click = Sighting("door", 900.0, 500.0, 10.0, 10.0, 1.0)
    assert fit._freedom(STATION, (click,)) == 2 + 7 - 8 and fit._freedom(STATION, (replace(click, up_m=None), click)) == 3 + 7 - 8
    assert fit._freedom(fit._untilted(STATION), (click,)) == 0


def test_a_click_s_sd_and_the_pixels_of_an_angle() -> None:
    click = Sighting("door", LENS.centre_px[0], LENS.centre_px[1], 10.0, 10.0, 1.0)
    assert fit._click_sd_px(LENS, click) == pytest.approx(7.68) and fit._click_sd_px(LENS, replace(click, pixel_sd_px=0.5)) == 0.5
    assert fit._px_per_rad(LENS, click) == pytest.approx(LENS.focal_px, rel=1e-3)
    aside = replace(click, column_px=LENS.centre_px[0] + LENS.focal_px)
    assert fit._px_per_rad(LENS, aside) == pytest.approx(LENS.focal_px * math.sqrt(2), rel=2e-3), "across the radius, the coarser way: f / cos"
    assert fit._elevation_deg(np.array([0.0, 0.0, 1.0]), up_in_camera(0.0, -30.0)) == pytest.approx(-30.0)


@pytest.mark.parametrize("log_focal", [0.0, 0.1, -0.2])
def test_the_angle_of_view_by_the_focal_length_s_factor(log_focal: float) -> None:
    expected = 2 * math.degrees(math.atan(math.tan(math.radians(40)) / math.exp(log_focal)))
    assert fit._hfov(LENS, log_focal) == pytest.approx(expected)
    states = np.zeros((1, 8))
    states[0, 3] = log_focal
    edge = Sighting("edge", 1919.5, LENS.centre_px[1], 0.0, 1.0, 0.0)
    ray = fit._rays(LENS, (edge,), states)[0, 0]
    assert 2 * math.degrees(math.atan2(ray[0], ray[2])) == pytest.approx(expected, rel=1e-6)


def test_a_bent_lens_keeps_its_angle_and_never_folds() -> None:
    assert fit._bent(LENS, 0.0) is LENS and fit._bent(LENS, -0.05) == replace(LENS, k1=-0.05)
    assert fit._bent(LENS, -5.0).k1 == pytest.approx(0.95 * least_k1(LENS))
    states = np.zeros((2, 8))
    states[1, 7] = -0.05
    click = Sighting("door", 1500.0, 300.0, 0.0, 1.0, 0.0)
    rays = fit._rays(LENS, (click,), states)
    assert rays[0, 0] == pytest.approx(LENS.unproject([1500.0, 300.0])) and rays[1, 0] == pytest.approx(replace(LENS, k1=-0.05).unproject([1500.0, 300.0]))


def test_offsets_reach_from_the_lens_to_the_places() -> None:
    """A place without a height lies along the click's own elevation."""
    states = np.zeros((2, 8))
    states[1, 4:7] = 0.5, -0.25, 0.125
    at = Sighting("door", LENS.centre_px[0], LENS.centre_px[1], HERE[0] + 3, HERE[1] + 4, HERE[2] - 1)
    level = replace(STATION, roll_deg=0.0)
    found = fit._offsets(level, (at, replace(at, up_m=None)), states)
    assert found[0, 0] == pytest.approx([3, 4, -1]) and found[1, 0] == pytest.approx([2.5, 4.25, -1.125])
    assert found[0, 1] == pytest.approx([3, 4, 5 * math.tan(math.radians(-12.0))])


def seen(name: str, offset: tuple[float, float, float], pose: tuple[float, float, float] = (20.0, -12.0, 1.0)) -> Sighting:
    column, row = LENS.project(camera_from_world(*pose) @ np.array(offset))
    return Sighting(name, float(column), float(row), *(h + o for h, o in zip(HERE, offset, strict=True)))


@pytest.mark.parametrize(("off_px", "down_px"), [(0.0, 0.0), (6.0, 0.0), (0.0, -4.0), (5.0, 12.0)])
def test_residuals_are_in_pixels_and_sds(off_px: float, down_px: float) -> None:
    """Far places told exactly: a click's distance from where its place is seen, over its own sd."""
    exact = seen("mast", (20.0, 250.0, -30.0))
    exact = replace(exact, position_sd_m=0.0, pixel_sd_px=2.0)
    hit = replace(exact, column_px=exact.column_px + off_px, row_px=exact.row_px + down_px)
    state = np.zeros(8)
    state[0] = math.radians(20.0)
    (found,) = fit._residuals(STATION, (hit,), state)
    assert (found.across_px, found.down_px) == pytest.approx((off_px, down_px), abs=1e-6)
    assert found.sds == pytest.approx(math.hypot(off_px, down_px) / 2.0, rel=0.12, abs=1e-6)


def test_the_probability_is_that_of_chi_square_and_sds_are_those_of_small_errors() -> None:
    """Against SciPy; one exact click leaves one equation more than unknowns."""
    fitted = fit._fitted(STATION, (seen("door", (10.0, 14.0, -3.0)),))
    assert fitted.probability == pytest.approx(1.0, abs=1e-6)
    wrong = replace(seen("door", (10.0, 14.0, -3.0)), row_px=seen("door", (10.0, 14.0, -3.0)).row_px + 60)
    residual = fit._whitened(STATION, (wrong,), fit._fitted(STATION, (wrong,)).state[None])[0]
    assert fit._fitted(STATION, (wrong,)).probability == pytest.approx(chi2.sf(float(residual @ residual), 1), rel=1e-6)
    step, slopes = 1e-5, fit._linearised(STATION, (wrong,), np.zeros(8))[1]
    for index in (0, 1, 2, 3, 7):
        state = step * np.eye(8)[index][None]
        by_hand = (fit._whitened(STATION, (wrong,), state)[0] - fit._whitened(STATION, (wrong,), -state)[0]) / (2 * step)
        assert slopes[:, index] == pytest.approx(by_hand, rel=1e-3, abs=1e-3)


@pytest.mark.parametrize(("level_m", "sds", "used"), [(0.49, (0.0, 0.0), False), (0.51, (0.0, 0.0), True), (0.7, (0.3, 0.4), False), (0.8, (0.3, 0.4), True), (1.9, (5.0, 5.0), False), (2.1, (5.0, 5.0), True)])
def test_what_stands_at_the_cameras_own_place_tells_no_direction(level_m: float, sds: tuple[float, float], used: bool) -> None:
    """Half a metre, or one and a half sds of both places, two metres at most."""
    at = replace(seen("door", (10.0, 14.0, -3.0)), east_m=HERE[0] + level_m * 0.6, north_m=HERE[1] + level_m * 0.8, position_sd_m=sds[0])
    reason = fit._unusable(replace(STATION, position_sd_m=sds[1]), at)
    assert (reason is None) == used and (used or f"{level_m:.1f} m" in (reason or ""))


@pytest.mark.parametrize(("pitch_sd", "off_deg", "refused"), [(0.1, 2.9, False), (0.1, 3.1, True), (2.0, 7.7, False), (2.0, 9.6, True), (0.1, -3.2, True)])
def test_a_click_off_by_three_degrees_and_four_sds_is_no_slip(pitch_sd: float, off_deg: float, refused: bool) -> None:
    """On the middle column, of a far place told exactly, with a sharp lens, only the tilt's own sd counts."""
    station = Station(replace(LENS, hfov_sd_deg=0.0), *HERE, 0.0, pitch_deg=-12.0, pitch_sd_deg=pitch_sd, roll_deg=0.0, roll_sd_deg=0.0)
    planned = math.radians(-12.0 - off_deg)
    at = Sighting("mast", LENS.centre_px[0], LENS.centre_px[1], HERE[0], HERE[1] + 500.0, HERE[2] + 500.0 * math.tan(planned), 0.0, 0.01)
    reason = fit._too_high_or_low(station, at)
    assert (reason is not None) == refused
    if reason is not None:
        assert f"{abs(off_deg):.0f}° {'above' if off_deg > 0 else 'below'}" in reason
    assert fit._too_high_or_low(replace(station, pitch_sd_deg=None), at) is None and fit._too_high_or_low(station, replace(at, up_m=None)) is None


@pytest.mark.parametrize(("away_m", "refused"), [(10.0, False), (100.0, True)])
def test_a_near_place_may_be_seen_farther_off_by_its_own_error(away_m: float, refused: bool) -> None:
    """0.42 m of both places are 2.4 degrees at 10 m, a quarter of one at 100 m: eight degrees off are too many for the one alone."""
    station = Station(replace(LENS, hfov_sd_deg=0.0), *HERE, 0.3, pitch_deg=-12.0, pitch_sd_deg=0.1, roll_deg=0.0, roll_sd_deg=0.0)
    up_m = HERE[2] + away_m * math.tan(math.radians(-20.0))
    at = Sighting("mast", LENS.centre_px[0], LENS.centre_px[1], HERE[0], HERE[1] + away_m, up_m, 0.3, 0.01)
    assert (fit._too_high_or_low(station, at) is not None) == refused


def test_plumb_turns() -> None:
    for bearing in (0.0, 77.0, 300.0):
        for pitch, roll in ((-90.0, 0.0), (-80.0, 0.0), (-75.0, 0.0)):
            assert turn_about_plumb(camera_from_world(bearing, pitch, roll)) == pytest.approx(bearing % 360, abs=1e-6)
    found = resect(Station(Lens(1600, 1600, 180.0, projection="equidistant"), *HERE, 0.1, pitch_deg=-80.0, pitch_sd_deg=1.0, roll_deg=0.0, roll_sd_deg=1.0), ())
    assert found.bearing_deg is None
