"""The sky's rules one by one, each from both sides of its limit: horizon, votes, holes, edges, doubts; and what is burnt in."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.special import ndtr

from audit.lens import Lens
from audit.measure import sky as rules
from audit.measure.measurement import Orientation
from audit.measure.overlay import (
    Overlay,
    _drawn_lines,
    _plates,
    _strips,
    _strokes,
    _text_sizes,
    burned_in,
    burnt_in_text,
    steady,
    text_over_series,
    without_overlay,
)
from audit.measure.sky import _Found, _Small, measure_sky
from tests.measure.test_sky import Answer, answer, pose

LENS = Lens(384, 216, 80.0)
SHAPE = (216, 384)


def small(shade: np.ndarray | float = 0.5, chroma: float = 20.0, inside: np.ndarray | None = None) -> _Small:
    shades = np.broadcast_to(np.asarray(shade, np.float32), SHAPE).copy()
    picture = np.repeat((shades * 255).round().astype(np.uint8)[..., None], 3, axis=2)
    return _Small(picture, shades, chroma, np.ones(SHAPE, bool) if inside is None else inside)


def found(fraction: float, sd: float, faint: float = 0.0, kept: np.ndarray | None = None) -> _Found:
    empty = np.zeros((2, 2), np.float32)
    return _Found(empty, empty, upper(fraction) if kept is None else kept, fraction, sd, faint)


def upper(share: float) -> np.ndarray:
    """The upper part of the picture."""
    return np.broadcast_to((np.arange(216) < round(216 * share))[:, None], SHAPE).copy()


# -- where the horizon lies ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("pitch_deg", [-20.0, 0.0, 15.0])
@pytest.mark.parametrize("sd_deg", [0.3, 4.0])
def test_a_known_pose_takes_out_what_lies_below_the_horizon_as_surely_as_it_is_known(pitch_deg: float, sd_deg: float) -> None:
    """Normal error: dip of a degree, and one sd more, of roll's and pitch's together and three tenths of a degree."""
    weight = rules._above_horizon(small(), LENS, pose(pitch_deg, sd_deg, LENS), answer(slice(0, 50)))
    rows = np.arange(5, 211)
    elevation = pitch_deg - np.degrees(np.arctan((rows - 107.5) / LENS.focal_px))
    sd = np.hypot(sd_deg, sd_deg) + 0.3
    middle = weight[rows, 191:193].mean(axis=1)
    slack = 0.02 + 0.25 / sd / LENS.focal_px * 57.3 * 4
    assert np.abs(middle - ndtr((elevation + 1.0 + sd) / sd)).max() < slack
    leaning = rules._above_horizon(small(), LENS, replace(pose(0.0, 0.3, LENS), roll_deg=10.0), answer(slice(0, 50)))
    assert leaning[117, 20] > 0.99 > 0.01 > leaning[117, 364], "a camera turned clockwise sees the horizon's left end low"


@pytest.mark.parametrize(("sd_deg", "told_deg"), [(8.0, 12.0), (1.0, 1.5 * np.degrees(0.07))])
@pytest.mark.parametrize("latitude_deg", [-30.0, -8.0, -3.0, 5.0])
def test_the_learned_latitude_is_trusted_by_its_scatter_and_a_half(sd_deg: float, told_deg: float, latitude_deg: float) -> None:
    for lens, orientation in ((None, None), (LENS, None), (replace(LENS, source="assumed"), pose(0.0, 0.3, LENS)), (LENS, Orientation(None, None, 0.0, 0.1, None, LENS))):
        weight = rules._above_horizon(small(), lens, orientation, answer(slice(0, 50), latitude_deg, sd_deg))
        assert weight.shape == SHAPE and weight == pytest.approx(ndtr((latitude_deg + 1.0 + told_deg) / told_deg), abs=1e-4)


def test_a_pose_is_known_with_a_lens_roll_and_pitch() -> None:
    whole = pose(0.0, 0.3, LENS)
    assert rules._posed(LENS, whole) and not rules._posed(None, whole) and not rules._posed(LENS, None)
    assert not rules._posed(LENS, replace(whole, roll_deg=None)) and not rules._posed(LENS, replace(whole, pitch_deg=None))


# -- what the picture shows ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("step", [0.002, -0.006])
def test_slope_is_the_change_of_shade_a_pixel(step: float) -> None:
    ramp = 0.5 + step * np.arange(100, dtype=np.float32)
    for shade in (np.tile(ramp, (80, 1)), np.tile(ramp, (80, 1)).T.copy()):
        assert rules._slope(shade)[10:-10, 10:-10] == pytest.approx(abs(step), rel=1e-3)


@pytest.mark.parametrize(("columns", "plain"), [(0, True), (60, False)])
def test_a_picture_with_no_edge_in_five_hundred_pixels_is_plain(columns: int, plain: bool) -> None:
    shade = np.full(SHAPE, 0.5, np.float32)
    shade[100:103, 20 : 20 + columns] = 0.9
    assert rules._plain(small(shade)) == plain
    inside = np.ones(SHAPE, bool)
    inside[90:115] = False
    assert rules._plain(small(shade, inside=inside)), "what lies outside the circle does not count"


@pytest.mark.parametrize(("dark", "chroma", "night"), [(0.59, 20.0, None), (0.62, 20.0, "too dark"), (0.29, 4.0, None), (0.31, 4.0, "infrared"), (0.31, 6.0, None)])
def test_night_is_dark_over_most_of_a_coloured_or_a_third_of_a_grey_picture(dark: float, chroma: float, night: str | None) -> None:
    shade = np.where(np.arange(384) < dark * 384, 47.0, 49.0)[None] / 255
    said = rules._night(small(shade, chroma))
    assert (said is None) == (night is None) and (night or "") in (said or "")
    assert rules._night(small(shade, chroma, np.zeros(SHAPE, bool))) is None


@pytest.mark.parametrize(("level", "belief", "chroma", "room"), [(25, 0.09, 20.0, True), (23, 0.09, 20.0, False), (25, 0.11, 20.0, False), (25, 0.06, 4.0, False), (25, 0.04, 4.0, True)])
def test_a_dim_room_has_some_light_and_nowhere_a_belief_in_sky(level: int, belief: float, chroma: float, room: bool) -> None:
    shade = np.where(np.arange(384) < 320, 0.0, level / 255)[None]
    network = answer(slice(0, 0))
    network.sky_logit[3, 7] = np.log(belief / (1 - belief))
    assert rules._dim_room(small(shade, chroma), network) == room


# -- the mask --------------------------------------------------------------------------------------------------------------


def test_the_filter_follows_the_pictures_edges_and_averages_where_it_is_flat() -> None:
    """He and Sun: where the answer is a line of the shade its gain and offset come back; over a flat picture the mean does."""
    guide = np.random.default_rng(1).random((120, 160)).astype(np.float32)
    gain, offset = rules._guide_coefficients(guide, np.float32(3) * guide - np.float32(1))
    kept = 1 / 12 / (1 / 12 + 1e-3)
    assert gain[30:-30, 30:-30] == pytest.approx(3 * kept, rel=0.01)
    assert (gain * guide + offset)[30:-30, 30:-30] == pytest.approx((3 * guide - 1)[30:-30, 30:-30], abs=0.08)
    source = np.random.default_rng(2).random((120, 160)).astype(np.float32)
    gain, offset = rules._guide_coefficients(np.full((120, 160), 0.5, np.float32), source)
    assert np.abs(gain).max() < 1e-3 and offset == pytest.approx(cv2.blur(cv2.blur(source, (17, 17)), (17, 17)), abs=1e-3)


def kept(mask: np.ndarray, above: np.ndarray | float = 1.0, raw: float = 0.9) -> tuple[np.ndarray, np.ndarray]:
    return rules._kept(mask, np.broadcast_to(np.float32(above), SHAPE).astype(np.float32), np.full(SHAPE, raw, np.float32))


def test_specks_go_and_small_holes_are_filled() -> None:
    """A speck has less than one pixel in 2,000 (41 of 82,944), a hole less than one in 500 (165)."""
    mask = upper(0.5)
    mask[150:155, 100:108] = True
    assert not kept(mask)[0][150:155].any(), "40 px"
    mask[150:157, 100:106] = True
    assert kept(mask)[0][150:155, 100:106].all(), "52 px"
    for side, filled in ((12, True), (13, False)):
        holed = upper(0.5)
        holed[50 : 50 + side, 200 : 200 + side] = False
        assert kept(holed)[0][50 : 50 + side, 200 : 200 + side].any() == filled
        at_the_side = upper(0.5)
        at_the_side[50 : 50 + side, :side] = False
        assert not kept(at_the_side)[0][50 : 50 + side, :side].any(), "what comes in from the side is no hole"


@pytest.mark.parametrize(("top", "height", "width", "filled"), [(4, 14, 200, True), (0, 14, 200, True), (28, 14, 200, False), (4, 22, 200, False), (4, 20, 19, False), (24, 14, 200, True)])
def test_text_in_the_upper_band_over_the_sky_is_sky(top: int, height: int, width: int, filled: bool) -> None:
    """Within the upper 18 % (38 rows), at most a tenth of the height (21 rows), wider than high, sky under it."""
    mask = upper(0.5)
    mask[top : top + height, 0:width] = False
    assert kept(mask)[0][top : top + height, 2 : width - 2].any() == filled
    tower = mask.copy()
    tower[top + height :, : width // 5] = False
    assert not kept(tower)[0][top + height - 1, : width - 2].any(), "what stands on something is a crane"


@pytest.mark.parametrize(("above", "stays"), [(0.61, True), (0.59, False)])
def test_what_lies_for_the_most_part_below_the_horizon_is_a_reflection(above: float, stays: bool) -> None:
    assert kept(upper(0.5), above)[0].any() == stays


@pytest.mark.parametrize(("raw", "faint"), [(0.34, False), (0.32, True)])
def test_a_sky_that_the_network_hardly_believes_is_kept_and_marked(raw: float, faint: bool) -> None:
    sky, doubted = kept(upper(0.5), raw=raw)
    assert np.array_equal(sky, upper(0.5)) and doubted.any() == faint


@pytest.mark.parametrize(("belief", "seeded", "voted"), [(0.31, 0.21, True), (0.29, 0.29, False), (0.45, 0.19, False)])
def test_a_smooth_region_that_hangs_from_the_top_is_sky_as_a_whole_or_not(belief: float, seeded: float, voted: bool) -> None:
    """A fifth of it seen as sky, and a mean belief of three tenths."""
    shade = np.where(upper(0.5), 0.8, np.random.default_rng(3).random(SHAPE) * 0.5).astype(np.float32)
    columns = np.arange(384) < round(384 * seeded)
    rest = (belief - 0.9 * columns.mean()) / (1 - columns.mean())
    beliefs = np.where(upper(0.5), np.where(columns, 0.9, rest)[None], 0.4).astype(np.float32)
    out = rules._voted(small(shade), beliefs, np.ones(SHAPE, np.float32))
    inner = (slice(5, 100), slice(200, 380))
    assert (out[inner] > beliefs[inner] + 0.1).all() == voted
    assert np.array_equal(out[115:], beliefs[115:])
    below = rules._voted(small(shade), beliefs, np.full(SHAPE, 0.89, np.float32))
    assert np.array_equal(below, beliefs), "above the horizon alone"


def test_at_full_size_the_edge_is_the_pictures_own() -> None:
    """The small mask's edge lies two pixels off; near it the shade decides, elsewhere the mask."""
    image = np.zeros((432, 768, 3), np.uint8)
    image[:205], image[205:] = 200, 60
    image[20:30, 20:30] = 10
    coarse = upper(102 / 216)
    gain, offset = np.full(SHAPE, 10.0, np.float32), np.full(SHAPE, -5.0, np.float32)
    full = rules._full_size(image, _Found(gain, offset, coarse, 0.47, 0.01, 0.0))
    assert np.array_equal(full, np.broadcast_to((np.arange(432) < 205)[:, None], (432, 768)))


# -- what is told ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("fraction", "sd", "told"), [(0.5, 0.119, True), (0.5, 0.121, False), (0.22, 0.115, False), (0.24, 0.115, True), (0.01, 0.030, True), (0.01, 0.031, False),
                                                      (0.021, 0.0249, True), (0.021, 0.0251, False), (0.08, 0.0399, True), (0.08, 0.0402, False)])  # fmt: skip
def test_a_share_is_told_where_its_range_is_narrow_or_holds_some_sky(fraction: float, sd: float, told: bool) -> None:
    """By the limits: an sd of 0.12 at most; 1.96 sd within the share or 6 %; two sd within it or 5 % where more than 2 % is sky."""
    assert (rules._vague(found(fraction, sd)) is None) == told


@pytest.mark.parametrize(("faint", "told"), [(0.019, True), (0.021, False)])
def test_a_sky_that_is_hardly_believed_is_not_told(faint: float, told: bool) -> None:
    assert (rules._vague(found(0.4, 0.01, faint)) is None) == told


@pytest.mark.parametrize(("top", "low", "hangs"), [(0.26, 0.0, True), (0.24, 0.0, False), (1.0, 0.19, True), (1.0, 0.22, False)])
def test_a_sky_hangs_from_a_quarter_of_the_upper_edge_and_hardly_reaches_down(top: float, low: float, hangs: bool) -> None:
    sky = np.zeros(SHAPE, bool)
    sky[:108, : round(384 * top)] = True
    sky[108:, : round(384 * top * low / (1 - low))] = True
    assert rules._hangs_from_the_top(sky) == hangs
    assert rules._hangs_from_the_top(upper(0.91)) and not rules._hangs_from_the_top(upper(0.89)) and not rules._hangs_from_the_top(np.zeros(SHAPE, bool))


def turned(chance: float) -> Answer:
    return replace(answer(slice(0, 50)), turned=(chance, 1 - chance, 0.0, 0.0))


def test_sky_at_the_side_of_a_turned_picture_or_below_is_not_told() -> None:
    aside = np.broadcast_to(np.arange(384)[None] < 100, SHAPE).copy()
    assert rules._turned(found(0.26, 0.01, kept=aside), turned(0.29)) == rules._TURNED
    assert rules._turned(found(0.26, 0.01, kept=aside), turned(0.31)) is None and rules._turned(found(0.26, 0.01, kept=aside), answer(slice(0, 9))) is None
    assert rules._turned(found(0.019, 0.01, kept=aside), turned(0.1)) is None and rules._turned(found(0.4, 0.01), turned(0.1)) is None
    for bottom, top, told in ((0.52, 0.48, False), (0.48, 0.2, True), (0.6, 0.55, True)):
        below = np.zeros(SHAPE, bool)
        below[-30:, : round(384 * bottom)], below[0, : round(384 * top)] = True, True
        assert (rules._turned(found(0.1, 0.01, kept=below), turned(0.9)) is None) == told


def test_where_nothing_tells_up_sky_is_not_told_from_water() -> None:
    aside = np.broadcast_to(np.arange(384)[None] < 50, SHAPE).copy()
    lost, known = answer(slice(0, 50), 10.0, 15.5), answer(slice(0, 50), 10.0, 14.5)
    assert rules._lost(found(0.13, 0.01, kept=aside), None, None, lost) is not None
    assert rules._lost(found(0.13, 0.01, kept=aside), None, None, known) is None
    assert rules._lost(found(0.13, 0.01, kept=aside), LENS, pose(0.0, 0.3, LENS), lost) is None
    assert rules._lost(found(0.4, 0.01), None, None, lost) is None and rules._lost(found(0.019, 0.01, kept=aside), None, None, lost) is None


@pytest.mark.parametrize(("step", "told"), [(5, False), (7, True)])
@pytest.mark.parametrize("channel", [0, 1, 2])
def test_an_edge_shows_where_colours_beside_it_differ_by_six_levels(step: int, told: bool, channel: int) -> None:
    picture = np.full((*SHAPE, 3), 150, np.uint8)
    picture[86:, :, channel] += np.uint8(step)
    view = _Small(picture, picture[..., 0] / np.float32(255), 20.0, np.ones(SHAPE, bool))
    assert (rules._edgeless(found(86 / 216, 0.01), view) is None) == told
    assert rules._edgeless(found(0.019, 0.01), view) is None
    for along in (85, 86):
        picture[along] = 255
        lined = _Small(picture.copy(), picture[..., 0] / np.float32(255), 20.0, np.ones(SHAPE, bool))
        assert (rules._edgeless(found(86 / 216, 0.01), lined) is None) == told, "what lies on the edge itself is on neither side"


@pytest.mark.parametrize(("step", "told"), [(5, False), (7, True)])
@pytest.mark.parametrize("along", [149, 150])
def test_what_lies_on_an_upright_edge_is_on_neither_side(step: int, told: bool, along: int) -> None:
    aside = np.broadcast_to(np.arange(384)[None] < 150, SHAPE).copy()
    picture = np.full((*SHAPE, 3), 150, np.uint8)
    picture[:, 150:] += np.uint8(step)
    picture[:, along] = 255
    view = _Small(picture, picture[..., 0] / np.float32(255), 20.0, np.ones(SHAPE, bool))
    assert (rules._edgeless(found(0.39, 0.01, kept=aside), view) is None) == told


@pytest.mark.parametrize(("alike", "told"), [(0.32, True), (0.38, False)])
def test_a_third_of_the_edge_may_not_show(alike: float, told: bool) -> None:
    picture = np.full((*SHAPE, 3), 150, np.uint8)
    picture[86:, round(384 * alike) :] = 120
    view = _Small(picture, picture[..., 0] / np.float32(255), 20.0, np.ones(SHAPE, bool))
    assert (rules._edgeless(found(86 / 216, 0.01), view) is None) == told


def test_the_colour_beside_is_the_mean_of_the_masks_pixels_in_the_window() -> None:
    picture = np.random.default_rng(4).integers(0, 256, (*SHAPE, 3), np.uint8)
    inside = np.ones(SHAPE, bool)
    inside[:, 60:] = False
    view, where = _Small(picture, picture[..., 0] / np.float32(255), 20.0, inside), np.random.default_rng(5).random(SHAPE) < 0.1
    colour, share = rules._mean_beside(view, where)
    for row, column in ((50, 30), (100, 40), (7, 62), (120, 100)):
        window = (slice(row - 6, row + 7), slice(column - 6, column + 7))
        chosen = where[window] & inside[window]
        assert share[row, column] == pytest.approx(chosen.mean(), abs=1e-5)
        assert colour[row, column] == pytest.approx(picture[window][chosen].mean(axis=0) if chosen.any() else [0, 0, 0], abs=0.05)


@pytest.mark.parametrize("sky_rows", [43, 86, 130])
def test_a_sky_with_a_sharp_edge_is_told_by_its_rows(sky_rows: int) -> None:
    """Camera pitched so that the horizon lies where the picture's edge does."""
    rng, lens = np.random.default_rng(6), Lens(768, 432, 80.0)
    picture = np.where(np.arange(432)[:, None, None] < 2 * sky_rows, 200 + rng.normal(0, 2, (432, 768, 3)), 90 + rng.normal(0, 25, (432, 768, 3))).clip(0, 255).astype(np.uint8)
    picture[..., 2] = np.minimum(picture[..., 2].astype(int) + 20, 255)
    pitch = float(np.degrees(np.arctan((2 * sky_rows - 215.5) / lens.focal_px)))
    network = answer(slice(0, sky_rows // 2))
    told = measure_sky(picture, lens, pose(pitch, 0.3, lens), network)
    assert told.fraction == pytest.approx(sky_rows / 216, abs=0.006) and told.mask is not None and told.mask.shape == (432, 768)
    assert told.sd is not None and 0.004 < told.sd < 0.03
    assert np.nanmedian(told.edge_row_px) == pytest.approx(2 * sky_rows - 1, abs=2)
    grey = measure_sky(picture[..., 0], lens, pose(pitch, 0.3, lens), network)
    assert grey.fraction == pytest.approx(told.fraction, abs=0.005)


def test_a_fisheyes_share_is_of_its_circle() -> None:
    lens = Lens(400, 400, 180.0, projection="equidistant")
    y, x = np.mgrid[:400, :400]
    circle = (x - 199.5) ** 2 + (y - 199.5) ** 2 <= 200**2
    rng = np.random.default_rng(7)
    picture = np.where((y < 200)[..., None], [180, 200, 230] + rng.normal(0, 2, (400, 400, 3)), 90 + rng.normal(0, 25, (400, 400, 3))).clip(0, 255)
    picture[~circle] = 0
    told = measure_sky(picture.astype(np.uint8), lens, pose(0.0, 0.3, lens), answer(slice(0, 54)))
    assert told.fraction == pytest.approx(0.5, abs=0.02) and told.mask is not None and not told.mask[:20, :20].any()
    reduced = rules._reduced(picture.astype(np.uint8), lens)
    assert reduced.inside.mean() == pytest.approx(np.pi / 4, abs=0.01) and reduced.inside.shape == (384, 384)
    assert rules._reduced(np.zeros((20, 1000, 3), np.uint8), None).shade.shape == (8, 384)


def test_chroma_is_that_of_the_more_colourful_tenth() -> None:
    picture = np.full((216, 384, 3), 120, np.uint8)
    for columns, chroma in ((30, 0.0), (50, 40.0)):
        coloured = picture.copy()
        coloured[:, :columns, 1] += np.uint8(40)
        assert rules._reduced(coloured, None).chroma == pytest.approx(chroma)


@pytest.mark.parametrize(("size", "words"), [((15, 100), "too small"), ((100, 15), "15 x 100 px"), ((16, 100), "")])
def test_pictures_below_sixteen_pixels_and_no_network_tell_nothing(size: tuple[int, int], words: str) -> None:
    picture = np.random.default_rng(1).integers(60, 250, (*size, 3), np.uint8)
    assert words in (measure_sky(picture, None, None, answer(slice(0, 0))).note or "")
    assert "learned view" in (measure_sky(picture, None, None, None).note or "") or words


# -- what is burnt in ------------------------------------------------------------------------------------------------------


def scene(height: int = 200, width: int = 320) -> np.ndarray:
    return np.random.default_rng(8).integers(60, 190, (height, width), np.uint8)


@pytest.mark.parametrize(("top", "bottom"), [(0, 0), (20, 0), (0, 15), (12, 30)])
def test_black_strips_are_as_high_as_they_are(top: int, bottom: int) -> None:
    shade = scene()
    shade[:top], shade[200 - bottom :] = 5, 5
    assert _strips(shade) == tuple(depth + 2 if depth else 0 for depth in (top, bottom))
    assert _strips(shade[::-1]) == _strips(shade)[::-1]


@pytest.mark.parametrize(("level", "rows", "missing"), [(128, 9, 9), (128, 7, 0), (200, 20, 20), (201, 20, 0), (34, 1, 0)])
def test_rows_of_one_grey_at_an_end_are_missing_and_a_white_sky_is_not(level: int, rows: int, missing: int) -> None:
    """At least 4 % of the height, at most shade 200."""
    shade = scene()
    shade[200 - rows :] = level
    assert _strips(shade) == (0, missing)
    shade[200 - rows, 5] += np.uint8(2)
    assert _strips(shade)[1] == (missing - 1 if missing else 0)


def test_letters_in_a_strip_and_a_soft_dark_ceiling() -> None:
    shade = scene()
    shade[:24] = 5
    shade[6:18, 20:140] = 250
    assert _strips(shade) == (26, 0), "text over less than two fifths of the row"
    shade[6:18, 20:160] = 250
    assert _strips(shade)[0] < 10
    ceiling = scene()
    for row in range(40):
        ceiling[row, : 320 - 4 * row] = 20
    assert _strips(ceiling) == (0, 0), "ends softly"


def test_text_is_sought_in_a_sixth_at_either_edge_with_strokes_of_a_fiftieth() -> None:
    assert _text_sizes(720) == (115, 15) and _text_sizes(360) == (58, 7) and _text_sizes(40) == (8, 3)
    part = np.full((30, 60), 60, np.uint8)
    part[10:20, 10:13], part[10:20, 20:30], part[10:20, 40:43] = 200, 200, 120
    strokes = _strokes(part, 5)
    assert strokes[12:18, 10:13].all() and not strokes[:, 15:].any(), "narrow and bright alone"
    part[:] = 130
    part[10:20, 10:13], part[10:20, 40:43] = 199, 202
    assert not _strokes(part, 5)[:, :20].any() and _strokes(part, 5)[12:18, 40:43].all(), "seventy shades over what is about it"


@pytest.mark.parametrize("flip", [False, True])
@pytest.mark.parametrize("colour", [255, 0])
def test_a_clock_is_found_at_either_edge_in_either_shade_and_nowhere_else(flip: bool, colour: int) -> None:
    grey = np.full((360, 640), 128 if colour else 200, np.uint8)
    cv2.putText(grey, "2026-05-02 11:58:03", (16, 30), cv2.FONT_HERSHEY_SIMPLEX, 0.7, colour, 2)
    mask = burnt_in_text(np.ascontiguousarray(grey[::-1]) if flip else grey)
    if flip:
        mask = mask[::-1]
    assert mask[15:31, 17:231].all() and not mask[40:].any() and not mask[:, 245:].any()
    middle = np.roll(grey, 150, axis=0)
    assert not burnt_in_text(middle).any()
    tall = np.full((360, 640), 128, np.uint8)
    cv2.putText(tall, "XIIIX", (16, 52), cv2.FONT_HERSHEY_SIMPLEX, 2.0, 255, 3)
    assert not burnt_in_text(tall).any(), "higher than nine hundredths of the picture"


def test_small_text_is_sought_at_the_pictures_own_size() -> None:
    """Letters seven pixels high in a picture of 640 px: at half the size they would be three."""
    picture = np.tile(np.linspace(90, 150, 640).astype(np.uint8)[None, :, None], (360, 1, 3))
    cv2.putText(picture, "CAM 07 YARD NORTH", (12, 18), cv2.FONT_HERSHEY_PLAIN, 0.8, (255, 255, 255), 1)
    assert burned_in(picture).mask[10:18, 14:130].mean() > 0.9 and not burned_in(picture).mask[40:].any()


def test_strokes_that_all_pictures_show_are_burnt_in() -> None:
    greys = []
    for number in range(3):
        grey = np.random.default_rng(number).integers(90, 130, (360, 640), np.uint8)
        grey[340:350, 500:503] = grey[340:350, 510:513] = 250
        grey[340:350, 100 + 90 * number : 103 + 90 * number] = 250
        greys.append(grey)
    mask = text_over_series(greys)
    assert mask[340:350, 500:513].all() and not mask[340:350, 100:300].any() and not mask[:330].any()


@pytest.mark.parametrize(("width", "height", "plate"), [(30, 12, True), (7, 20, False), (40, 5, False), (9, 7, True), (150, 70, False)])
@pytest.mark.parametrize("colour", [(255, 255, 255), (0, 0, 0), (200, 20, 20), (20, 160, 30), (10, 20, 180)])
def test_plates_of_one_tone_are_found_by_size(width: int, height: int, plate: bool, colour: tuple[int, int, int]) -> None:
    """From 0.08 % to 12 % of the picture, six rows and eight columns at least."""
    picture = np.repeat(scene()[..., None], 3, axis=2)
    picture[80 : 80 + height, 100 : 100 + width] = colour
    mask = _plates(picture)
    assert bool(mask[80 : 80 + height, 100 : 100 + width].all()) == plate
    if plate:
        assert mask.any(axis=0).nonzero()[0][[0, -1]] == pytest.approx([97, 100 + width + 2], abs=1) and not mask[: 76].any()
    else:
        assert not mask.any()


def test_a_blob_and_a_plate_with_a_soft_side_are_no_plates() -> None:
    picture = np.repeat(scene()[..., None], 3, axis=2)
    cv2.circle(picture, (120, 90), 20, (255, 255, 255), -1)
    assert not _plates(picture).any()
    picture = np.repeat(scene()[..., None], 3, axis=2)
    picture[80:100, 100:140] = 255
    picture[80:100, 140:160] = np.linspace(250, 210, 20)[None, :, None]
    assert not _plates(picture).any()


def test_boxes_are_drawn_with_both_ways_of_line() -> None:
    picture = np.repeat(scene()[..., None], 3, axis=2) // 2 + 60
    box = picture.copy()
    cv2.rectangle(box, (100, 60), (180, 120), (255, 0, 0), 2)
    mask = _drawn_lines(box)
    assert mask[60, 100:180].all() and mask[60:120, 180].all() and not mask[70:110, 110:170].any() and not mask[:50].any()
    level = picture.copy()
    cv2.line(level, (40, 60), (280, 60), (255, 0, 0), 2)
    assert not _drawn_lines(level).any() and not _drawn_lines(np.ascontiguousarray(level.transpose(1, 0, 2))).any()
    thick = picture.copy()
    cv2.rectangle(thick, (100, 60), (180, 120), (255, 0, 0), 9)
    assert not _drawn_lines(thick).any()


@pytest.mark.parametrize(("chroma", "drawn"), [(90, False), (91, True)])
def test_drawn_lines_are_strongly_coloured(chroma: int, drawn: bool) -> None:
    picture = np.full((200, 320, 3), 100, np.uint8)
    cv2.rectangle(picture, (100, 60), (180, 120), (100, 100 + chroma, 100), 2)
    assert bool(_drawn_lines(picture).any()) == drawn


@pytest.mark.parametrize(("length", "drawn"), [(12, False), (20, True)])
def test_drawn_lines_are_fourteen_pixels_long(length: int, drawn: bool) -> None:
    picture = np.full((200, 320, 3), 100, np.uint8)
    cv2.rectangle(picture, (100, 60), (100 + length, 60 + length), (255, 0, 0), 1)
    assert bool(_drawn_lines(picture).any()) == drawn


@pytest.mark.parametrize(("change", "still"), [(6, True), (7, False)])
@pytest.mark.parametrize(("light", "telling"), [(12, True), (11, False)])
def test_what_stays_within_six_shades_while_the_light_changes_by_twelve(change: int, still: bool, light: int, telling: bool) -> None:
    pictures = [np.full((60, 80, 3), 100 + step * light // 2, np.uint8) for step in range(3)]
    for step, picture in enumerate(pictures):
        picture[10:30, 20:50] = 150 + (change if step == 1 else 0)
    mask = steady(pictures)
    assert (mask is not None) == telling
    if mask is not None:
        assert mask[11:29, 21:49].all() == still and not mask[35:].any()
    assert steady([*pictures[:2], pictures[2][:50]]) is None


def test_filling_takes_the_colours_about_a_burnt_in_place() -> None:
    picture = np.full((200, 300, 3), (90, 120, 60), np.uint8)
    mask = np.zeros((200, 300), bool)
    mask[50:60, 100:140] = True
    spoilt = picture.copy()
    spoilt[mask] = 255
    assert np.abs(without_overlay(spoilt, Overlay(mask)).astype(int) - picture).max() <= 3
    assert without_overlay(spoilt, Overlay(np.zeros_like(mask))) is spoilt
    assert Overlay(mask).fraction == pytest.approx(400 / 60000) and Overlay(np.zeros((0, 0), bool)).fraction == 0.0


def test_rims_are_told_in_the_pictures_own_pixels() -> None:
    big = np.repeat(cv2.resize(scene(25, 40), (2560, 1600), interpolation=cv2.INTER_CUBIC).clip(60, 190)[..., None], 3, axis=2)
    big[:160], big[:, -80:] = 2, 2
    found_rim = burned_in(big)
    assert found_rim.mask.shape == (1600, 2560) and found_rim.rim[0] == 0 and found_rim.rim[3] == 0
    assert 160 <= found_rim.rim[1] <= 176 and 80 <= found_rim.rim[2] <= 96
    assert found_rim.mask[:160].all() and found_rim.mask[:, -80:].all() and not found_rim.mask[200:, :-120].any()
    assert burned_in(big[:31]).mask.shape == (31, 2560) and not burned_in(big[:31]).mask.any()
