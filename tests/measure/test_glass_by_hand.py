"""Contrast, noise, sharpness and dirt where the answer is known by hand: powers of a pair, shares with their doubt, limits from both sides."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.special import expit, logit

from audit.measure import clarity
from audit.measure.clarity import (
    cause_of,
    clarity_from,
    emptiness,
    is_night,
    near_thing,
    sharpness_of,
    together,
    too_plain,
    what_stays,
)
from audit.measure.dirt_model import KINDS, Verdict
from audit.measure.lasting import MAPS, Lasting
from audit.measure.losses import (
    CALM_NAMES,
    JOIN_NAMES,
    calm_features,
    contrast_ratio,
    hidden_share,
    is_calm,
    spoiled_share,
    with_focus,
)
from audit.measure.measurement import Sky
from audit.measure.outlines import outlines
from audit.measure.sharpness import edge_width_px, sharpness_ratio
from audit.measure.transfer import (
    BANDS,
    BandMaps,
    at_measure_size,
    band_maps,
    bands_of,
    cells_of,
    grid_size,
    linear_light,
    log_luminance,
)
from tests.measure.test_small_measures import half, verdict

#: White noise of log luminance has 1e-4 in the finest band, and a quarter in each octave below: half the pixels each way average it.
WHITE = 1e-4 / 4.0 ** np.arange(BANDS)


def maps_of(reference: np.ndarray, today: np.ndarray, shared: np.ndarray, noise: np.ndarray | float = 2e-3, valid: np.ndarray | None = None) -> BandMaps:
    shape = reference.shape[1:]
    return BandMaps(*(np.asarray(p, np.float32) for p in (reference, today, shared)), np.full(BANDS, noise, np.float32) if np.isscalar(noise) else np.asarray(noise, np.float32),
                    np.zeros(shape, np.float32), np.ones(shape, bool) if valid is None else valid)  # fmt: skip


@pytest.mark.parametrize("noise", [np.full(BANDS, 2e-3), np.array([1e-3, 1.5e-5, 4e-6, 1e-6, 2e-7])])
def test_transfer_is_shared_over_the_references_power_less_noise_and_silent_below_six_decibels(noise: np.ndarray) -> None:
    floor = np.minimum(noise, WHITE)[:, None]
    over = np.array([3.9, 4.1, 101.0, 101.0, 101.0, 101.0])
    kept = np.array([0.5, 0.5, 0.25, 3.0, -0.5, 0.5])
    reference = (over * floor)[:, None]
    valid = np.array([[True] * 5 + [False]])
    found = maps_of(reference, reference, kept * ((over - 1) * floor)[:, None], noise, valid).transfer()
    for row in found[:, 0]:
        assert row == pytest.approx([np.nan, 0.5, 0.25, 2.0, 0.0, np.nan], rel=1e-4, nan_ok=True)


def test_coherence_is_a_correlation() -> None:
    a, b = np.array([2.0, 2.0, 2.0, 0.0]), np.array([0.5, 0.5, 0.5, 0.5])
    shared = np.sqrt(a * b) * np.array([1.0, -1.0, 0.3, 0.7])
    found = maps_of(*(np.broadcast_to(v, (BANDS, 1, 4)) for v in (a, b, shared))).coherence()
    assert found[2, 0] == pytest.approx([1.0, -1.0, 0.3, 0.0], abs=1e-6)


def test_the_floor_of_the_pyramid_falls_to_a_quarter_an_octave_as_white_noise_does() -> None:
    """Burt and Adelson 1983: the pyramid's low-pass averages white noise, from the second band on about a quarter an octave."""
    noise = np.random.default_rng(1).normal(0, 0.02, (512, 512)).astype(np.float32)
    power = np.array([float((band**2).mean()) for band in bands_of(noise)])
    assert power[0] == pytest.approx(0.02**2, rel=0.3)
    assert power[2:] / power[1:-1] == pytest.approx(0.25, rel=0.25)


def test_bands_add_up_to_the_picture_and_each_takes_its_own_octave() -> None:
    """Burt and Adelson 1983: the pyramid loses nothing."""
    image = np.random.default_rng(2).normal(size=(96, 128)).astype(np.float32)
    bands = bands_of(image)
    level = image
    for _ in range(BANDS):
        level = cv2.pyrDown(level)
    for band in bands[::-1]:
        level = band + cv2.pyrUp(level, dstsize=band.shape[::-1])
    assert np.allclose(level, image, atol=1e-5)
    for number in range(BANDS):
        wave = np.sin(2 * np.pi * np.arange(512) / (3.5 * 2**number)).astype(np.float32) * np.ones((512, 1), np.float32)
        assert int(np.argmax([(band**2).mean() for band in bands_of(wave)])) == number


def test_light_is_linear_and_its_logarithm_forgets_the_exposure() -> None:
    assert linear_light(np.array([[0, 128, 255]], np.uint8))[0] == pytest.approx([0.0, (128 / 255) ** 2.2, 1.0], abs=1e-6)
    one_tone = np.full((40, 60, 3), 128, np.uint8)
    assert log_luminance(one_tone) == pytest.approx(np.log(1.02 * (128 / 255) ** 2.2), abs=1e-5)
    assert log_luminance(np.zeros((40, 60, 3), np.uint8)) == pytest.approx(np.log(0.02 * 0.004), abs=1e-4)
    for channel, weight in enumerate((0.299, 0.587, 0.114)):  # ITU-R BT.601
        pure = np.zeros((40, 60, 3), np.uint8)
        pure[..., channel] = 255
        assert log_luminance(pure) == pytest.approx(np.log(1.02 * weight), abs=1e-5)
    halves = np.full((40, 80), 255, np.uint8)
    halves[:, :64] = 0
    assert log_luminance(halves)[0, [0, 79]] == pytest.approx(np.log([0.02, 1.02]), abs=1e-5), "a fifth is bright"
    halves[:, :76] = 0
    assert log_luminance(halves)[0, 79] == pytest.approx(np.log(1 + 0.02 * 0.004), abs=1e-4), "a twentieth is a lamp"


@pytest.mark.parametrize(("size", "small"), [((720, 1280), (360, 640)), ((360, 640), (360, 640)), ((90, 100), (90, 100)), ((1280, 960), (640, 480)), ((1, 6400), (1, 640))])
def test_pictures_are_measured_at_640_and_never_enlarged(size: tuple[int, int], small: tuple[int, int]) -> None:
    assert at_measure_size(np.zeros((*size, 3), np.uint8)).shape[:2] == small


def test_cells_are_sixteen_pixels_and_a_grid_has_three_at_least() -> None:
    assert grid_size((360, 640)) == (22, 40) and grid_size((32, 48)) == (3, 3) and grid_size((72, 100)) == (4, 6)
    assert cells_of(np.arange(8, dtype=np.float32).reshape(2, 4), 1, 2)[0] == pytest.approx([2.5, 4.5])


def test_half_the_contrast_is_a_transfer_of_a_half_and_more_light_is_a_gain() -> None:
    texture = np.random.default_rng(3).normal(0, 0.5, (160, 320)).astype(np.float32)
    valid = np.ones((160, 320), bool)
    found = band_maps(texture, 0.5 * texture + np.float32(0.3), valid)
    assert found.transfer()[:3] == pytest.approx(0.5, abs=0.01) and found.coherence() == pytest.approx(1.0, abs=1e-3)
    assert found.today_power == pytest.approx(0.25 * found.reference_power, rel=1e-3) and found.shared_power == pytest.approx(0.5 * found.reference_power, rel=1e-3)
    brighter = band_maps(texture, texture + np.float32(0.7), valid)
    assert brighter.log_gain == pytest.approx(0.7, abs=1e-4)
    assert found.noise_power[:2] == pytest.approx(2e-3, rel=1e-5), "no picture's texture passes for more noise than a bad chip has"
    assert band_maps(0 * texture, texture, valid).noise_power == pytest.approx(2e-5, rel=1e-5), "nor any for less than a good one"
    faint = np.random.default_rng(4).normal(0, 0.02, (160, 320)).astype(np.float32)
    for pair in ((texture, faint), (faint, texture)):
        assert 2e-4 < band_maps(*pair, valid).noise_power[0] < 4e-4, "the quieter picture tells the noise"


@pytest.mark.parametrize(("hidden", "whole"), [(3, True), (4, False)])
def test_a_cell_counts_where_four_fifths_of_it_are_in_both(hidden: int, whole: bool) -> None:
    valid = np.ones((160, 320), bool)
    valid[:, 16 : 16 + hidden] = False
    found = band_maps(np.zeros((160, 320), np.float32), np.zeros((160, 320), np.float32), valid).valid
    assert found.shape == (10, 20) and found[:, 1].all() == whole and found[:, 2:].all() and found[:, 0].all()


def kept_contrast(factor: np.ndarray, over_noise: float = 1000.0, valid: np.ndarray | None = None) -> tuple[float | None, float | None]:
    reference = (over_noise * WHITE)[:, None, None] * np.ones((1, *factor.shape))
    today = factor**2 * (reference - WHITE[:, None, None]) + WHITE[:, None, None]
    return contrast_ratio(maps_of(reference, today, reference, valid=valid))


@pytest.mark.parametrize("factor", [0.2, 0.6, 0.93])
def test_an_even_film_takes_what_it_takes_and_is_told_to_a_per_cent(factor: float) -> None:
    assert kept_contrast(np.full((10, 20), factor)) == pytest.approx((factor, 0.01), rel=1e-3)


def test_uneven_contrast_is_told_by_the_clearest_quarter_with_a_doubt_that_grows() -> None:
    halves = np.where(np.arange(20) < 10, 0.4, 0.8) * np.ones((10, 1))
    assert kept_contrast(halves) == pytest.approx((0.8, 0.8 * 0.55 * np.log(2.0) / 2), rel=1e-3)
    gone = np.where(np.arange(20) < 10, 0.0, 0.8) * np.ones((10, 1))
    assert kept_contrast(gone) == pytest.approx((0.8, 0.8 * 0.55 * np.log(0.8 / 0.01) / 2), rel=1e-2), "below a per cent nothing is left"
    assert kept_contrast(np.full((10, 20), 1.3)) == pytest.approx((1.0, 0.01)), "more contrast than before is no clearer glass"


def test_contrast_is_silent_where_hardly_any_cell_stands_out_of_noise() -> None:
    even = np.full((10, 20), 0.6)
    assert kept_contrast(even, 7.5) == (None, None) and kept_contrast(even, 8.5)[0] == pytest.approx(0.6, rel=1e-3)
    few = np.zeros((10, 20), bool)
    few[0, :9] = True
    assert kept_contrast(even, valid=few) == (None, None), "less than a twentieth"
    few[1:3] = True
    assert kept_contrast(even, valid=few)[0] == pytest.approx(0.6, rel=1e-3)
    assert kept_contrast(np.full((3, 4), 0.6)) == (None, None), "36 figures"
    assert kept_contrast(np.full((2, 7), 0.6))[0] == pytest.approx(0.6, rel=1e-3), "42 figures"


def test_a_share_carries_the_doubt_of_its_cells_of_the_verdict_and_of_its_size() -> None:
    """By hand: a quarter of itself, an even spread within unsure cells (a twelfth of their variance), and whether it is so at all."""
    whole = np.ones((12, 20), bool)
    assert spoiled_share(verdict(1.0, half()), whole) == pytest.approx((0.5, 0.125))
    assert spoiled_share(verdict(0.5, half()), whole) == pytest.approx((0.5, np.hypot(0.125, 0.25)))
    assert spoiled_share(verdict(0.36, half()), whole) == pytest.approx((0.0, 0.6 * 0.5))
    assert spoiled_share(verdict(0.9, 0.49), whole) == pytest.approx((0.0, np.sqrt(0.49 * 0.51 / 12)), rel=1e-4)
    assert spoiled_share(verdict(0.36, 0.49), whole) == pytest.approx((0.0, 0.6 * np.sqrt(0.49 * 0.51 / 12)), rel=1e-4)
    assert spoiled_share(verdict(1.0, 0.51), whole) == pytest.approx((1.0, np.sqrt(0.51 * 0.49 / 12 + 0.0625)), rel=1e-4)
    for count, told in ((19, False), (20, True)):
        assert (spoiled_share(verdict(1.0, half()), np.arange(240).reshape(12, 20) < count)[0] is not None) == told


def test_what_hides_counts_where_it_is_the_likeliest_of_the_cell_and_of_the_picture() -> None:
    whole = np.ones((12, 20), bool)
    assert hidden_share(verdict(1.0, half(), "blocked"), whole) == pytest.approx((0.5, 0.125))
    assert hidden_share(verdict(0.7, half(), "blocked"), whole) == pytest.approx((0.5, np.hypot(0.125, np.sqrt(0.21) * 0.5)))
    mixed = verdict(0.9, half(), "haze")
    mixed.cells[KINDS.index("blocked")] = 0.6 * mixed.cells[KINDS.index("haze")]
    assert hidden_share(mixed, whole)[0] == 0.0
    mixed.kinds[KINDS.index("blocked")] = 0.04
    unsure = np.sqrt((0.6 * 0.4 * 0.5) / 12)
    assert hidden_share(mixed, whole) == pytest.approx((0.0, 0.2 * unsure), rel=1e-4), "and then by its own chance"


@pytest.mark.parametrize(("ratio", "soft"), [(0.6, 0.5), (1.0, 1 / (1 + (1 / 0.6) ** 18)), (0.5, 1 / (1 + (0.5 / 0.6) ** 18)), (0.0, 1.0)])
def test_edges_wide_against_the_references_are_lost_focus(ratio: float, soft: float) -> None:
    before = verdict(0.3, half(0.4))
    after = with_focus(before, ratio)
    assert after.kinds[KINDS.index("defocus")] == pytest.approx(soft, abs=1e-6) and after.kinds.sum() == pytest.approx(1.0)
    assert after.kinds[0] == pytest.approx(0.7 * (1 - soft), abs=1e-6) and after.cells.sum(axis=0) == pytest.approx(1.0)
    assert after.cells[KINDS.index("defocus")] == pytest.approx(soft, abs=1e-6)
    assert with_focus(before, None) is before


def test_a_pair_is_calm_where_three_bands_all_cohere() -> None:
    facts = np.full(len(JOIN_NAMES), 0.5)
    bands = [JOIN_NAMES.index(f"coherence {band}") for band in (1, 2, 3)]
    facts[bands] = 0.981
    assert is_calm(facts)
    for band in bands:
        worse = facts.copy()
        worse[band] = 0.979
        assert not is_calm(worse)
    facts[[JOIN_NAMES.index("one light log odds"), JOIN_NAMES.index("any light log odds"), JOIN_NAMES.index("light")]] = 9.0, -7.0, 2.0
    assert calm_features(facts) == pytest.approx([8.0, 0.5, 0.5, -6.0, 0.5, 1.0]) and len(CALM_NAMES) == 6


@pytest.mark.parametrize(("low", "high", "word"), [(0, 15, "black"), (0, 18, None), (244, 255, "white"), (242, 255, None), (100, 107, "of one tone"), (100, 110, None)])
def test_an_empty_picture_is_told_by_its_shades_without_the_outer_hundredths(low: int, high: int, word: str | None) -> None:
    picture = np.random.default_rng(5).integers(low, high + 1, (400, 640, 3)).astype(np.uint8)
    picture[:2, :40] = 255 - picture[:2, :40]
    assert emptiness(picture) == word
    assert emptiness(picture[:31]) == "too small" and emptiness(picture[:, :31]) == "too small" and emptiness(picture[:32, -32:]) != "too small"


@pytest.mark.parametrize(("tint", "coloured", "night"), [(9, 0.0, True), (11, 0.0, False), (40, 0.03, True), (40, 0.08, False)])
def test_grey_is_night_where_nearly_all_of_it_is_grey(tint: int, coloured: float, night: bool) -> None:
    picture = np.full((45, 80, 3), 120, np.uint8)
    rows = slice(0, round(45 * coloured)) if coloured else slice(None)
    picture[rows, :, 1] += np.uint8(tint)
    assert is_night(picture) == night


@pytest.mark.parametrize(("columns", "plain"), [(1, True), (4, False)])
def test_a_picture_with_an_edge_in_hardly_any_place_is_plain(columns: int, plain: bool) -> None:
    log = np.zeros((240, 640), np.float32)
    log[:, : 16 * columns : 16] = 1.0
    log = cv2.GaussianBlur(log, (0, 0), 2.0)
    assert too_plain(log) == plain
    assert too_plain(np.float32(0.02) * log)


def test_sharpness_is_that_of_what_is_no_sky() -> None:
    sharp, soft = np.zeros((2, 256, 256), np.float32)
    for left in range(0, 256, 64):
        sharp[:, left : left + 32] = soft[:, left : left + 32] = 1.0
    soft = cv2.GaussianBlur(soft, (0, 0), 4.0)
    told = sharpness_of(soft)
    assert sharpness_of(sharp) == 1.0 and told is not None and told < 0.35 and sharpness_of(0 * sharp) is None
    upper = np.arange(256)[:, None] < 128
    both = np.where(upper, sharp, soft).astype(np.float32)
    mask = np.broadcast_to(upper, (256, 256))
    assert sharpness_of(both, Sky(0.5, 0.1, None, mask)) == pytest.approx(told, abs=0.05)
    assert sharpness_of(both, Sky(0.5, 0.1, None, ~mask)) == 1.0
    for rows, told_at_all in ((6, False), (9, True)):
        nearly_all = np.broadcast_to(np.arange(256)[:, None] >= rows, (256, 256))
        assert (sharpness_of(sharp, Sky(0.97, 0.1, None, nearly_all)) is not None) == told_at_all


def blocked(cells: np.ndarray, value: float = 0.9) -> Verdict:
    out = np.zeros((len(KINDS), *cells.shape), np.float32)
    out[KINDS.index("blocked")] = cells * value
    out[0] = 1 - out[KINDS.index("blocked")]
    return Verdict(np.eye(len(KINDS), dtype=np.float32)[0], out)


def test_a_near_thing_comes_in_from_a_side_and_is_told_with_its_share_and_its_middle() -> None:
    cells = np.zeros((12, 20), bool)
    cells[9:12, 0:4] = True
    share, at = near_thing(blocked(cells))
    assert share == pytest.approx(12 / 240) and at == pytest.approx((2.0 / 20, 10.5 / 12))
    assert near_thing(blocked(cells, 0.29))[0] == 0.0 and near_thing(blocked(cells, 0.31))[0] == share
    inner = np.zeros((12, 20), bool)
    inner[4:8, 4:12] = True
    assert near_thing(blocked(inner)) == (0.0, None), "what touches no side hangs on a wall"
    assert near_thing(blocked(inner | cells))[0] == share
    narrow = np.zeros((12, 20), bool)
    narrow[2:9, 0] = narrow[2:9, 19] = narrow[0, 5:12] = narrow[11, 5:7] = True
    narrow[4, 0:6] = True
    share_of_all, middle = near_thing(blocked(narrow))
    assert share_of_all == pytest.approx(12 / 240)
    assert middle == pytest.approx(((7 * 0.5 + sum(c + 0.5 for c in range(1, 6))) / 12 / 20, (sum(r + 0.5 for r in range(2, 9)) + 5 * 4.5) / 12 / 12))
    for wide, told in ((2, 0.0), (3, 3 / 240)):
        rim = np.zeros((12, 20), bool)
        rim[0, 6 : 6 + wide] = True
        assert near_thing(blocked(rim))[0] == pytest.approx(told), "a twentieth of the 60 outer cells"
    corner = np.zeros((12, 20), bool)
    corner[0, 0:4], corner[1:4, 4:8] = True, True
    assert near_thing(blocked(corner))[0] == pytest.approx(4 / 240), "cells that touch by a corner are two things"
    for covered, told in ((4, share), (6, 0.0)):
        mask = np.zeros((120, 200), bool)
        mask[90:120, :40] = np.arange(40) % 10 < covered
        assert near_thing(blocked(cells), Sky(0.1, 0.1, None, mask))[0] == pytest.approx(told), "open sky by dusk is as dark"


def test_a_cause_is_named_where_one_stands_out() -> None:
    kinds = np.array([0.2, 0.8 * 0.36, 0.8 * 0.34, 0.8 * 0.3, 0, 0, 0], np.float32)
    cells = np.zeros((len(KINDS), 3, 3), np.float32)
    assert cause_of(Verdict(kinds, cells)) == "haze"
    kinds[1:4] = 0.8 * 0.34, 0.8 * 0.33, 0.8 * 0.33
    assert cause_of(Verdict(kinds, cells)) == "unknown"
    kinds[1:] = 0.0, 0.0, 0.0, 0.0, 0.0, 0.8
    assert cause_of(Verdict(kinds, cells)) == "blocked"


@pytest.mark.parametrize(("dirty", "cause"), [(0.49, "clear"), (0.51, "haze")])
def test_glass_is_dirty_from_even_odds_on(dirty: float, cause: str) -> None:
    found = clarity_from(verdict(dirty, half()), 0.7, True, "several scenes")
    assert (found.cause, found.sharpness, found.night, found.seen_from) == (cause, 0.7, True, "several scenes")
    assert found.dirt_probability == pytest.approx(dirty) and bool(found.patches) == (cause != "clear") == (found.note is not None)


@pytest.mark.parametrize("count", [1, 4, 9])
@pytest.mark.parametrize("dirty", [0.2, 0.8])
def test_equal_verdicts_steepen_with_the_root_of_their_number(count: int, dirty: float) -> None:
    """By hand: the mean of the log odds times 0.9 and the root of the number, plus what the spoiled cells add, less a half."""
    clean = together([verdict(dirty, 0.0)] * count)
    assert clean.dirty == pytest.approx(expit(0.9 * np.sqrt(count) * logit(dirty) + 1e-3 - 0.5), abs=1e-5)
    twentieth = np.arange(240).reshape(12, 20) < 12
    spoiled = together([verdict(dirty, np.where(twentieth, 0.8, 0.1))] * count)
    assert logit(spoiled.dirty) - logit(clean.dirty) == pytest.approx(0.8 - 1e-3, abs=0.02)
    assert spoiled.cells[0] == pytest.approx(np.where(twentieth, 0.2, 0.9), abs=1e-4)
    sure = together([verdict(1.0, 1.0)] * count)
    assert sure.dirty == pytest.approx(expit(min(20.0, 0.9 * np.sqrt(count) * logit(1 - 1e-4) + 0.5)), abs=1e-6)


def test_places_spoiled_in_all_pictures_are_their_geometric_mean() -> None:
    both = together([verdict(0.5, 0.9), verdict(0.5, 0.4, "spots")])
    assert both.cells[0] == pytest.approx(1 - 0.6, abs=1e-4)
    assert both.kinds[[KINDS.index("haze"), KINDS.index("spots")]] == pytest.approx(both.dirty / 2, rel=1e-4)


@pytest.mark.parametrize(("network", "place"), [(0.3, -2.0), (0.3, 2.0), (0.95, 1.0), (0.02, -4.0), (0.5, 0.3), (0.5, 0.1)])
def test_the_surer_of_the_network_and_of_what_stays_decides(monkeypatch: pytest.MonkeyPatch, network: float, place: float) -> None:
    """Both log odds less a fifth; cells are spoiled where something stays, if that speaks for dirt."""
    monkeypatch.setattr(clarity, "lasting", lambda common: place)
    seen = verdict(network, half(0.5))
    places = np.where(np.arange(12) < 6, 0.6, 0.0)[:, None] * np.ones((1, 20))
    found = what_stays(seen, Lasting(np.zeros((len(MAPS), 7), np.float32), places.astype(np.float32)))
    assert logit(found.dirty) == pytest.approx(max(logit(network), place) - 0.2, abs=1e-3)
    assert found.kinds.sum() == pytest.approx(1.0) and found.kinds[KINDS.index("haze")] == pytest.approx(found.dirty)
    stays = 1 - places if place > 0.2 else 1.0
    assert found.cells[0] == pytest.approx((1 - half(0.5)) * stays * np.ones((12, 20)), abs=1e-6)
    spoiled = half(0.5)[None] * np.ones((12, 1)) > 0
    assert found.cells.sum(axis=0)[spoiled] == pytest.approx(1.0, abs=1e-5)


def test_outlines_lie_about_spoiled_cells_the_largest_first() -> None:
    cells = np.zeros((18, 32), np.float32)
    cells[2:6, 4:12], cells[10:16, 16:28] = 1.0, 1.0
    found = outlines(cells)
    boxes = [(min(x for x, _ in p), min(y for _, y in p), max(x for x, _ in p), max(y for _, y in p)) for p in found]
    assert boxes == [pytest.approx((16 / 32, 10 / 18, 28 / 32, 16 / 18), abs=0.012), pytest.approx((4 / 32, 2 / 18, 12 / 32, 6 / 18), abs=0.012)]
    assert outlines(0.45 * cells) == () and len(outlines(0.45 * cells, 0.4)) == 2
    whole = outlines(np.ones((18, 32), np.float32))
    assert np.ptp(np.array(whole[0]), axis=0) == pytest.approx(1.0, abs=0.01) and len(whole) == 1
    many = np.zeros((60, 60), np.float32)
    many[2:60:8, 2:60:8] = many[3:60:8, 2:60:8] = many[2:60:8, 3:60:8] = many[3:60:8, 3:60:8] = many[4:60:8, 2:60:8] = many[4:60:8, 3:60:8] = 1.0
    assert len(outlines(np.pad(many[:20, :20], ((0, 2), (0, 2))))) == 9, "six cells of 484"
    assert outlines(np.pad(many[:5, :5], ((0, 60), (0, 60)))) == (), "six cells of 4,225: less than 0.2 %"
    assert len(outlines(many[:40, :40])) == 12, "no more than twelve are drawn"


@pytest.mark.parametrize("sigma", [1.0, 1.5, 2.5, 4.0])
@pytest.mark.parametrize("high", [120, 220])
def test_a_blurred_steps_width_is_that_of_its_blur_whatever_its_height(sigma: float, high: int) -> None:
    """Closed form (Zhuo and Sim 2011): a step blurred by s has the gradient's peak ratio sqrt((s² + b²) / (s² + a²)) when reblurred."""
    picture = np.full((160, 240), 30.0, np.float32)
    for left in range(20, 240, 40):
        picture[:, left : left + 20] = high
    blurred = cv2.GaussianBlur(picture, (0, 0), sigma)
    found = edge_width_px(np.repeat(np.round(blurred).astype(np.uint8)[..., None], 3, axis=2))
    assert found == pytest.approx(np.hypot(sigma, 0.6), rel=0.15)


def test_too_few_edges_and_burnt_in_ones_tell_no_width() -> None:
    picture = np.full((120, 160, 3), 40, np.uint8)
    assert edge_width_px(picture) is None
    picture[:, 80:] = 200
    assert edge_width_px(picture) is not None
    drawn = np.zeros((120, 160), bool)
    drawn[:, 78:82] = True
    assert edge_width_px(picture, drawn) is None
    assert edge_width_px(picture[:36]) is None and edge_width_px(picture[:40]) is not None, "of two columns and all but eight rows: 56 and 64 places"
    assert sharpness_ratio(None, 1.0) is None and sharpness_ratio(1.0, None) is None
    assert sharpness_ratio(0.77, 0.77) == 1.0 and sharpness_ratio(0.0, 0.77) == pytest.approx(np.sqrt(0.5))
    assert sharpness_ratio(2.0, 4.0) == pytest.approx(np.hypot(2.0, 0.77) / np.hypot(4.0, 0.77))
