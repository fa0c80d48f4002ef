"""Small parts of measuring, each from both sides of its limit: segments, screens, what is kept, what the network is told, fog, the lens's effect."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date, timedelta

import cv2
import numpy as np
import pytest

from audit.frames import up_in_camera
from audit.lens import Lens
from audit.measure.burned_in import _may_hold_text
from audit.measure.learned_view import learned_cue
from audit.measure.measurement import Clarity, ImageMeasurement, Orientation, Sky, ViewChange
from audit.measure.nadir import downward
from audit.measure.network import _hint, input_size
from audit.measure.orientation import _held, _stands
from audit.measure.record import _mask, _mask_png, _segments, change_line, measure_line
from audit.measure.screens import several_views
from audit.measure.segments import Arcs, find_segments, grey
from audit.measure.several import combine_orientations
from audit.measure.standing import on_its_side, upside_down
from audit.measure.transfer import BANDS
from audit.measure.trend import trend
from audit.measure.up_direction import Seen, cues_through, solve
from audit.measure.vanishing import fit_directions, tangent_basis
from audit.measure.view import _fades_upwards, _lens_for, _mask_at
from tests.measure.test_directions_by_hand import edges_along
from tests.measure.test_fitted_to import _view
from tests.measure.test_glass_by_hand import WHITE, maps_of

LENS = Lens(1280, 720, 74.0)


# -- segments --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("size", "scale"), [((640, 360), 1.0), ((1680, 945), 0.5), ((945, 1680), 0.5)])
def test_drawn_edges_are_found_in_the_picture_s_own_pixels_the_longest_first(size: tuple[int, int], scale: float) -> None:
    """Both sides of two filled boxes: eight edges whose ends are known."""
    width, height = size
    unit = round(min(width, height) / 9)
    image = np.full((height, width), 60, np.uint8)
    image[unit : 4 * unit, unit : 7 * unit] = 200
    image[5 * unit : 7 * unit, 2 * unit : 3 * unit] = 200
    found, told = find_segments(image)
    assert told == pytest.approx(scale)
    length = np.hypot(found[:, 2] - found[:, 0], found[:, 3] - found[:, 1])
    assert (np.diff(length) <= 1e-9).all() and length[0] == pytest.approx(6 * unit, rel=0.05)
    xs, ys = found[:, ::2], found[:, 1::2]
    edges = {("down", 1), ("down", 7), ("down", 2), ("down", 3)}
    for _, column in edges:
        assert np.abs(xs - (column * unit - 0.5)).max(axis=1).min() < 1.5 / scale
    for row in (1, 4, 5, 7):
        assert np.abs(ys - (row * unit - 0.5)).max(axis=1).min() < 1.5 / scale


def test_too_small_and_empty_pictures_hold_no_segments() -> None:
    for image in (np.zeros((15, 400), np.uint8), np.zeros((400, 15), np.uint8), np.full((100, 100), 90, np.uint8)):
        found, scale = find_segments(image)
        assert found.shape == (0, 4) and scale == 1.0


@pytest.mark.parametrize(("side", "count"), [(13, 0), (24, 4)])
def test_edges_shorter_than_fifteen_pixels_are_texture(side: int, count: int) -> None:
    image = np.full((200, 300), 60, np.uint8)
    image[50 : 50 + side, 100 : 100 + side] = 200
    assert len(find_segments(image)[0]) == count


def test_pictures_of_any_kind_as_grey_bytes() -> None:
    """ITU-R BT.601 for colours; 16 bits by their upper byte; numbers up to one as shares."""
    colour = np.zeros((4, 4, 3), np.uint8)
    colour[..., 1] = 100
    assert (grey(colour) == 59).all() and (grey(np.dstack([colour, colour[..., :1]])) == 59).all()
    assert (grey(np.full((4, 4), 0x8055, np.uint16)) == 0x80).all() and (grey(np.full((4, 4), 0.5)) == 127).all() and (grey(np.full((4, 4), 200.0)) == 200).all()
    assert (grey(np.ones((4, 4), bool)) == 255).all() and (grey(np.full((4, 4, 1), 7, np.uint8)) == 7).all()
    assert (grey(np.array([[np.nan, 1.0], [np.inf, -3.0]])) == [[0, 255], [0, 0]]).all() and grey(np.zeros((0, 0))).shape == (0, 0)


# -- screens and text ------------------------------------------------------------------------------------------------------


def four(step: int, share: float = 1.0) -> np.ndarray:
    rng = np.random.default_rng(2)
    out = np.empty((320, 320, 3), np.uint8)
    for row in (0, 160):
        for column in (0, 160):
            out[row : row + 160, column : column + 160] = cv2.GaussianBlur(rng.normal(110, 60, (160, 160)).astype(np.float32), (0, 0), 12)[..., None].clip(0, 255)
    out[:, 160:] = np.clip(out[:, 160:].astype(int) + np.where(np.arange(320) % 160 < 160 * share, step, 0)[:, None, None], 0, 255)
    out[160:] = np.clip(out[160:].astype(int) + np.where(np.arange(320) % 160 < 160 * share, step, 0)[None, :, None], 0, 255)
    return out


def test_four_pictures_have_seams_both_ways() -> None:
    assert several_views(four(60)) and not several_views(four(0)) and not several_views(four(60)[:63]) and several_views(cv2.resize(four(60), (64, 64)))
    one_way = four(0)
    one_way[:, 160:] = np.clip(one_way[:, 160:].astype(int) + 60, 0, 255)
    assert not several_views(one_way) and not several_views(np.ascontiguousarray(one_way.transpose(1, 0, 2)))


@pytest.mark.parametrize(("step", "dense", "text"), [(45, True, True), (35, True, False), (45, False, False)])
def test_letters_are_hard_steps_close_together(step: int, dense: bool, text: bool) -> None:
    band = np.full((72, 640, 3), 100, np.uint8)
    for column in range(200, 300, 4 if dense else 24):
        band[30:48, column : column + 2] = 100 + step
    assert _may_hold_text(band) == text


# -- what the network is told and says -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("lens", "told"), [(LENS, True), (Lens(1280, 720, 26.0), True), (Lens(1280, 720, 24.0), False), (Lens(1280, 720, 121.0), True), (Lens(1280, 720, 124.0), False),
                                            (Lens(720, 1280, 93.0), False), (Lens(720, 1280, 90.0), True), (Lens(800, 800, 100.0, projection="equidistant"), False), (None, False)])  # fmt: skip
def test_the_network_is_told_the_half_view_across_the_longer_side_within_its_training(lens: Lens | None, told: bool) -> None:
    hint = _hint(lens)
    assert hint.shape == (1, 2) and hint[0, 1] == float(told)
    if lens is not None and told:
        longest = max(lens.hfov_deg, lens.vfov_deg)
        assert hint[0, 0] == pytest.approx(math.log(math.tan(math.radians(longest / 2))), abs=1e-5)
    else:
        assert hint[0, 0] == 0.0


@pytest.mark.parametrize(("size", "given"), [((1920, 1080), (384, 216)), ((640, 480), None), ((1080, 1920), (216, 384)), ((1000, 1000), None), ((6000, 100), None), ((100, 6000), None)])
def test_the_network_looks_at_one_area_in_the_picture_s_shape(size: tuple[int, int], given: tuple[int, int] | None) -> None:
    width, height = input_size(*size)
    assert width % 8 == height % 8 == 0 and 32 <= min(width, height) <= max(width, height) <= 768
    padded = -(-width // 32) * -(-height // 32) * 1024
    assert padded <= 1.05 * 384 * 216 and (given is None or (width, height) == given)
    if 1 / 4 < size[0] / size[1] < 4:
        assert width / height == pytest.approx(size[0] / size[1], rel=0.04) and width * height > 0.75 * 384 * 216
    assert input_size(size[1], size[0])[0] * input_size(size[1], size[0])[1] == pytest.approx(width * height, rel=0.12)


def test_a_turned_picture_is_told_against_what_is_likely_beforehand() -> None:
    """Log odds of 1.5 for upright over upside down, of 3 over lying on a side."""
    assert upside_down((0.2, 0.0, 0.8, 0.0)) == pytest.approx(1 / (1 + math.exp(1.5 - math.log(4.0)))) and upside_down(None) is on_its_side(None) is None
    for chances in ((0.05, 0.9, 0.0, 0.05), (0.05, 0.05, 0.0, 0.9)):
        assert on_its_side(chances) == pytest.approx(1 / (1 + math.exp(3.0 - math.log(18.0))))
    assert on_its_side((0.0, 1.0, 0.0, 0.0)) > 0.999 > 0.001 > upside_down((1.0, 0.0, 0.0, 0.0))  # type: ignore[operator]
    view = _view()
    assert _stands(None) is _stands(view) is None
    assert "upside down" in (_stands(replace(view, turned=(0.1, 0.0, 0.9, 0.0))) or "") and _stands(replace(view, turned=(0.2, 0.0, 0.8, 0.0))) is None
    assert "on its side" in (_stands(replace(view, turned=(0.04, 0.96, 0.0, 0.0))) or "") and _stands(replace(view, turned=(0.06, 0.94, 0.0, 0.0))) is None


def test_an_unfamiliar_picture_counts_for_less() -> None:
    """A cue's worth is its share of familiarity: half as familiar, half the log likelihood."""
    ups = np.array([up_in_camera(0.0, p) for p in (-30.0, -12.0, 5.0)])
    whole, half = (cues_through(LENS, Seen(np.zeros((0, 4)), 1.0, replace(_view(), familiar=f)))[1][0].log_likelihood(ups) for f in (0.8, 0.4))
    assert np.diff(whole) == pytest.approx(2 * np.diff(half), rel=1e-4) and int(np.argmax(whole)) == 1


def test_a_cell_that_looks_straight_up_says_nothing_of_a_direction_and_spoils_none() -> None:
    """Its ray is the up direction itself: no way in the picture is up there, and the sum over the cells stays a number."""
    rows, columns = 3, 3
    view = replace(_view(), up=np.tile(np.array([0.0, -1.0], np.float32), (rows, columns, 1)), up_kappa=np.full((rows, columns), 20.0, np.float32),
                   latitude_rad=np.full((rows, columns), 0.5, np.float32), latitude_sd_rad=np.full((rows, columns), 0.2, np.float32))  # fmt: skip
    cue = learned_cue(view, Lens(301, 301, 90.0), 2.0, 1.0)
    assert cue is not None and len(cue.rays) == 9 and cue.rays[4].tolist() == [0.0, 0.0, 1.0]
    assert (cue.up_temper, cue.latitude_temper) == pytest.approx((2 / 9, 1 / 9))
    up = np.array([0.0, 0.0, 1.0])
    assert np.isfinite(cue.log_likelihood(np.stack([up, up_in_camera(0.0, 60.0)]))).all()
    there = cue.quadratic(up)
    assert np.isfinite(there.gradient).all() and np.isfinite(there.information).all()


@pytest.mark.parametrize("tilt", [(0.0, -10.0), (5.0, -25.0), (-3.0, 12.0)])
def test_the_learned_views_slope_is_that_of_its_likelihood(tilt: tuple[float, float]) -> None:
    """By differences, near the top, where a von Mises and a Student density are as their second orders say."""
    cue = learned_cue(_view(), LENS, 2.0, 1.0)
    assert cue is not None
    up, step = up_in_camera(*tilt), 2e-3
    slope = cue.quadratic(up).gradient
    for direction in tangent_basis(up):
        low, high = cue.log_likelihood(np.stack([(up + s * step * direction) / np.linalg.norm(up + s * step * direction) for s in (-1, 1)]))
        assert slope @ direction == pytest.approx((high - low) / (2 * step), rel=0.15, abs=1.5)


# -- looking down ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("tilt", "count", "told"), [(3.0, 60, True), (12.0, 60, True), (35.0, 60, False), (3.0, 20, False)])
def test_uprights_that_meet_below_a_fisheye_tell_its_tilt(tilt: float, count: int, told: bool) -> None:
    """Exact edges of the plumb line, all round it; 25 uprights and 30 degrees at most."""
    lens = Lens(800, 800, 180.0, projection="equidistant")
    up = np.array([math.sin(math.radians(tilt)), 0.0, -math.cos(math.radians(tilt))])
    rng = np.random.default_rng(3)
    middle = rng.normal(0, 1, (count, 3))
    middle[:, 2] = np.abs(middle[:, 2]) + 0.2
    middle /= np.linalg.norm(middle, axis=1, keepdims=True)
    normal = np.cross(middle, up)
    edges = Arcs(normal / np.linalg.norm(normal, axis=1, keepdims=True), middle, np.full(count, 60.0), np.full(count, 0.01), np.zeros((count, 4)))
    evidence = replace(solve(Seen(np.zeros((0, 4)), 1.0), lens), edges=edges, cues=())
    found = downward(evidence)
    assert (found.fit is not None) == told and not found.preferred
    if told:
        assert found.pitch_deg == pytest.approx(-90.0 + tilt, abs=0.3) and 0.4 <= found.sd_deg < 0.6
        roll_sd = found.sd_deg / math.sin(math.radians(tilt))
        assert (found.roll_sd_deg is None) == (roll_sd > 5.0) and (found.roll_sd_deg or roll_sd) == pytest.approx(roll_sd, rel=0.1)


def test_a_lens_with_another_angle_stays_straight_where_its_terms_would_fold() -> None:
    bent = Lens(1280, 720, 90.0, k1=-0.25)
    assert _held(bent, 80.0) == bent.with_hfov(80.0)
    assert (_held(bent, 140.0).k1, _held(bent, 140.0).k2, _held(bent, 140.0).hfov_deg) == (0.0, 0.0, 140.0)


def test_one_snapshot_more_narrows_the_answer_as_the_share_in_common_lets_it() -> None:
    one = Orientation(0.0, 1.0, -10.0, 1.0, None, LENS)
    for count in (2, 5, 20):
        found = combine_orientations([one] * count)
        assert found.pitch_sd_deg == pytest.approx(math.sqrt(0.7 + 0.3 / count)) and found.roll_sd_deg == found.pitch_sd_deg


def test_uprights_hold_their_fit_against_a_few_strays() -> None:
    up = up_in_camera(2.0, -15.0)
    strays = edges_along(np.array([0.7, 0.5, 0.5]) / np.linalg.norm([0.7, 0.5, 0.5]), 6, 5)
    upright = edges_along(up, 40, 4)
    both = Arcs(*(np.concatenate([getattr(upright, f), getattr(strays, f)]) for f in ("normal", "middle", "length_px", "sd_rad", "segments_px")))
    fit = fit_directions(both, up, level_directions=0)
    assert fit.up == pytest.approx(up, abs=2e-3) and fit.upright[:40].min() > 0.9 and fit.upright[40:].max() < 0.3


# -- against the reference ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("near", "far", "fog"), [(0.82, 0.5, True), (0.78, 0.2, False), (0.95, 0.66, False), (0.95, 0.64, True), (0.5, 0.95, False)])
def test_contrast_that_is_kept_below_and_lost_above_may_be_fog(near: float, far: float, fog: bool) -> None:
    """Four fifths kept in the lower third, three tenths more than in the upper one."""
    rows = np.arange(12)
    kept = np.where(rows < 4, far, np.where(rows < 8, (near + far) / 2, near))[:, None] * np.ones((1, 10))
    reference = 1000 * WHITE[:, None, None] * np.ones((BANDS, 12, 10))
    shared = kept * (reference - WHITE[:, None, None])
    assert _fades_upwards(maps_of(reference, reference, shared)) == fog
    few = np.zeros((12, 10), bool)
    few[:, 0] = True
    assert not _fades_upwards(maps_of(reference, reference, shared, valid=few)), "two figures a row tell nothing"
    few[:, 1] = True
    assert _fades_upwards(maps_of(reference, reference, shared, valid=few)) == fog


def test_an_unknown_lens_is_taken_for_sixty_degrees_and_a_known_one_for_the_picture_s_size() -> None:
    reference = np.zeros((360, 640, 3), np.uint8)
    assert _lens_for(reference, None) == Lens(640, 360, 60.0, 15.0, "assumed") and _lens_for(reference, LENS) == LENS.resized(640, 360)
    mask = np.zeros((4, 8), bool)
    mask[:, 4:] = True
    assert _mask_at(mask, np.zeros((8, 16), np.uint8)).tolist() == [[0] * 8 + [255] * 8] * 8


# -- what is kept and printed ------------------------------------------------------------------------------------------------


def test_the_longest_segments_are_kept_to_a_tenth() -> None:
    lengths = np.random.default_rng(4).permutation(np.arange(1.0, 301.0))
    lines = np.column_stack([np.zeros(300), np.zeros(300), lengths * 0.6 + 0.04, lengths * 0.8]).astype(np.float32)
    kept = _segments(lines)
    assert kept is not None and len(kept) == 250 and kept[0] == [0.0, 0.0, 180.0, 240.0] and kept[-1] == [0.0, 0.0, 30.6, 40.8] and _segments(None) is None


@pytest.mark.parametrize(("size", "kept"), [((480, 270), (480, 270)), ((960, 540), (480, 270)), ((100, 50), (100, 50)), ((270, 960), (135, 480))])
def test_a_mask_is_kept_with_a_long_side_of_480(size: tuple[int, int], kept: tuple[int, int]) -> None:
    mask = np.zeros(size[::-1], bool)
    mask[: size[1] // 3, size[0] // 2 :] = True
    back = _mask(_mask_png(mask))
    assert back is not None and back.shape == kept[::-1] and back.mean() == pytest.approx(mask.mean(), abs=0.01)
    assert back[0, -1] and not back[0, 0] and not back[-1].any() and _mask(None) is _mask_png(None) is None


@pytest.mark.parametrize(("shape", "kept"), [((2000, 1), (480, 1)), ((1, 2000), (1, 480))])
def test_the_mask_of_a_sliver_keeps_its_one_pixel(shape: tuple[int, int], kept: tuple[int, int]) -> None:
    back = _mask(_mask_png(np.ones(shape, bool)))
    assert back is not None and back.shape == kept and back.all()


def test_a_line_is_printed_with_the_digits_that_it_is_kept_with() -> None:
    clarity = Clarity(0.1234567, "clear", None, 0.98765432, False)
    measured = ImageMeasurement(640, 360, Orientation(1.234567, 0.234567, -9.876543, 0.345678, None, Lens(640, 360, 71.23456, 1.23456)), Sky(0.1234567, 0.0123456, None),
                                clarity, 12.3456, 0.0123456, 0.7654321)  # fmt: skip
    line = measure_line("a.jpg", 1920, 1080, measured)
    assert (line["width"], line["height"], line["hfov_deg"], line["hfov_sd_deg"]) == (1920, 1080, 71.235, 1.235)
    assert (line["roll_deg"], line["roll_sd_deg"], line["pitch_deg"], line["pitch_sd_deg"]) == (1.2346, 0.2346, -9.8765, 0.3457)
    assert (line["sky_fraction"], line["sky_sd"], line["dirt_probability"], line["sharpness"]) == (0.12346, 0.01235, 0.12346, 0.9877)
    assert (line["overlay_fraction"], line["upside_down_probability"], line["elapsed_ms"], line["bearing_deg"], line["error"]) == (0.01235, 0.76543, 12.3, None, None)
    change = change_line("a", "b", ViewChange(0.9876543, pan_change_deg=-1.2345678, patches=(((0.1234567, 0.5),),)))
    assert (change["reference"], change["today"], change["same_view_probability"], change["pan_change_deg"]) == ("a", "b", 0.98765, -1.23457)
    assert change["patches"] == (((0.1234567, 0.5),),) and change["error"] is None


# -- when to clean -----------------------------------------------------------------------------------------------------------


def visits(*ratios: float, every: int = 30) -> tuple[list[date], list[float], list[float]]:
    days = [date(2026, 1, 1) + timedelta(days=every * k) for k in range(len(ratios))]
    return days, list(ratios), [0.001] * len(ratios)


def test_a_straight_loss_falls_to_the_limit_on_its_day() -> None:
    """One hundredth in ten days from 1 on: 0.7 after 300 days."""
    found = trend(*visits(1.0, 0.97, 0.94, 0.91))
    assert found.change_per_year == pytest.approx(-0.365, abs=1e-3) and found.clean_by == date(2026, 1, 1) + timedelta(days=300)
    assert found.earliest is not None and found.latest is not None and found.earliest <= found.clean_by <= found.latest
    least = 1.96 / math.sqrt(sum((30 * k - 45) ** 2 for k in range(4)) / 0.001**2)
    assert found.low_per_year == pytest.approx((-0.001 - least) * 365.25, rel=1e-3) and found.high_per_year == pytest.approx((-0.001 + least) * 365.25, rel=1e-3)
    assert trend(*visits(1.0, 0.97, 0.94, 0.91), clean_below=0.8).clean_by == date(2026, 1, 1) + timedelta(days=200)


@pytest.mark.parametrize(("every", "told"), [(22, False), (23, True)])
def test_a_trend_needs_three_visits_and_six_weeks(every: int, told: bool) -> None:
    assert (trend(*visits(1.0, 0.97, 0.94, every=every)).clean_by is not None) == told
    assert trend(*visits(1.0, 0.9, every=200)).note == "no date: 2 visits, at least 3 are needed" and "1 visit," in (trend(*visits(1.0)).note or "")


@pytest.mark.parametrize(("last", "cleaned"), [(0.87, False), (0.89, True)])
def test_a_jump_up_by_more_than_eight_hundredths_is_a_cleaning(last: float, cleaned: bool) -> None:
    found = trend(*visits(0.95, 0.9, 0.85, 0.8, last))
    assert ("since the last cleaning" in (found.note or "")) == cleaned
    days, ratios, _ = visits(0.95, 0.9, 0.85, 0.8, last)
    assert "since the last cleaning" not in (trend(days, ratios, [0.05] * 5).note or ""), "two sds of both visits"
    for unsure in range(5):
        sds = [0.06 if visit == unsure else 0.001 for visit in range(5)]
        told = "since the last cleaning" in (trend(days, ratios, sds).note or "")
        assert told == (cleaned and unsure < 3), "of the two visits about it alone"


def test_a_limit_more_than_three_years_away_has_no_date_and_one_that_is_passed_is_now() -> None:
    slow = trend(*visits(1.0, 0.9779, 0.9558, every=100))
    assert slow.clean_by is None and "three years" in (slow.note or "")
    assert trend(*visits(1.0, 0.9755, 0.951, every=100)).clean_by is not None
    passed = trend(*visits(0.8, 0.75, 0.69))
    assert (passed.clean_by, passed.note) == (date(2026, 3, 2), "the contrast is below the limit now")
    assert trend(*visits(0.8, 0.82, 0.84)).clean_by is None and trend(*visits(0.9, 0.88, 0.89, 0.9)).clean_by is None
    with pytest.raises(ValueError, match="equally many"):
        trend([date(2026, 1, 1)], [1.0, 0.9], [0.1])
