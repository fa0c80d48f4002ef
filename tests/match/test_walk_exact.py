"""The walk's factors against plain sums made one pair of photos at a time, with scipy.stats for every density.

A step's factor is what Bayes' rule says: how a crew goes on, how long that takes, and how much likelier two positions
are together than each by itself, for errors that follow a multivariate Student's t and persist (scipy.stats).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from audit.match import steps
from audit.match.evidence import NU, PhotoArrays, Settings, SiteArrays, direction_log_density, position_log_density
from audit.match.factors import emissions, move_chance, position_residuals
from audit.match.steps import Factors, build_tables
from audit.match.walk import Chain, forward_backward

SETTINGS = Settings(burst_share=0.1, order_share=0.2, back_share=0.05)
SITE = SiteArrays(
    np.array([0.0, 12.0, 12.0, 70.0]), np.array([0.0, 5.0, 5.0, 20.0]), np.array([0.0, 0.0, 25.0, 0.0]),
    np.array([0.5, 2.0, np.nan, 4.0]), 9000.0, 14.0)
NAN = np.nan
PHOTOS = PhotoArrays(
    np.array([0.0, 14.0, 15.5, 130.0, 150.0, NAN, 400.0]),
    np.array([1.0, 3.0, 10.0, 14.0, NAN, 60.0, 66.0]), np.array([4.0, 2.0, 9.0, 1.0, NAN, 20.0, 18.0]),
    np.array([4.0, 1.0, NAN, 8.0, NAN, 5.0, 5.0]), np.array([3.4, 3.8, NAN, 5.2, 5.0, 1.0, 1.2]))
STEPS = PHOTOS.size
CUT = np.array([True, False, False, False, True, False, False])
CANDIDATES = np.array([[0, 1, 2, 3, -1], [3, 2, 1, -1, -1], [0, 1, 2, 3, -1], [1, 0, 3, -1, -1], [0, 1, 2, 3, -1],
                       [3, 2, 1, 0, -1], [2, 3, 0, 1, -1]])
CHAIN = Chain(np.arange(STEPS), CUT, CANDIDATES)
LABELS = np.random.default_rng(5).normal(0, 1, CANDIDATES.shape)
OTHERWISE = np.linspace(-1.0, 0.0, STEPS)


def gap_density(gap_s: float, median_s: float, spread: float) -> float:
    return 0.97 * float(stats.norm(math.log(median_s), spread).pdf(math.log(max(gap_s, 0.5)))) + 0.03 / 8


def stay_density(gap_s: float, s: Settings) -> float:
    return (1 - s.burst_share) * gap_density(gap_s, s.stay_gap_s, s.stay_gap_spread) + s.burst_share * gap_density(
        gap_s, s.burst_gap_s, 0.6)


def stand(photo: int, camera: int, s: Settings) -> tuple[float, float]:
    """Where the photographer is expected to stand from the camera: back along the look, or before the planned view."""
    look, planned = PHOTOS.bearing[photo], SITE.bearing[camera]
    if not math.isnan(look):
        return -s.standoff_m * math.sin(look), -s.standoff_m * math.cos(look)
    if math.isnan(planned):
        return 0.0, 0.0
    reach = 0.8 * s.front_share * s.standoff_m
    return reach * math.sin(planned), reach * math.cos(planned)


def residual(photo: int, camera: int, s: Settings) -> np.ndarray:
    offset = stand(photo, camera, s)
    return np.array([PHOTOS.east_m[photo] - SITE.east_m[camera] - offset[0],
                     PHOTOS.north_m[photo] - SITE.north_m[camera] - offset[1]])


def scale(photo: int, s: Settings) -> float:
    stated = PHOTOS.position_m[photo]
    return s.position_scale * (s.position_absent_m if math.isnan(stated) else max(stated, s.position_floor_m))


def variance(photo: int, s: Settings) -> float:
    return scale(photo, s) ** 2 * (1 + s.repeat_share**2) + s.repeat_m**2 + s.standoff_sd_m**2


def together(one: int, a: int, two: int, b: int, covariance: float, s: Settings,
             strays: tuple[bool, bool] = (False, False)) -> float:
    """How much likelier the positions of two photos are together than each by itself; strays lie 8 m farther off."""
    x, y = residual(one, a, s), residual(two, b, s)
    v, w = variance(one, s) + 64.0 * strays[0], variance(two, s) + 64.0 * strays[1]
    both = np.kron(np.array([[v, covariance], [covariance, w]]), np.eye(2))
    joint = stats.multivariate_t(np.zeros(4), both, df=NU).pdf(np.concatenate([x, y]))
    alone = stats.multivariate_t(np.zeros(2), v * np.eye(2), df=NU).pdf(x)
    return float(joint / alone / stats.multivariate_t(np.zeros(2), w * np.eye(2), df=NU).pdf(y))


def facing(turn: float, s: Settings) -> float:
    """Density per radian of looking so far from straight at the camera's front."""
    if math.isnan(turn):
        return 1 / (2 * math.pi)
    wrapped = math.remainder(turn, 2 * math.pi)

    def bell(sd_deg: float) -> float:
        sd = math.radians(sd_deg)
        return float(stats.truncnorm(-math.pi / sd, math.pi / sd, scale=sd).pdf(wrapped))

    wide = s.direction_wide_share
    front = (1 - wide) * bell(s.direction_sd_deg) + wide * bell(s.direction_wide_deg)
    return s.front_share * front + (1 - s.front_share) / (2 * math.pi)


def gap(step: int) -> float:
    """Seconds since the photo before, NaN where unknown or cut."""
    return NAN if CUT[step] else PHOTOS.time_s[step] - PHOTOS.time_s[step - 1]


def moving(step: int, a: int, b: int, from_real: bool, s: Settings) -> float:
    distance = float(np.linalg.norm(SITE.walk_coordinates[a] - SITE.walk_coordinates[b]))
    seconds = gap(step)
    chance = float(move_chance(SITE, np.array(distance), np.array(b - a), s))
    factor = chance * (1 - (s.stay_share if from_real else s.resume_share))
    if math.isnan(seconds):
        return factor / 8
    factor *= gap_density(max(seconds - 0.7 * distance / 1.3, 1.0), s.move_gap_s, s.move_gap_spread)
    factor *= math.exp(-0.5 * min(max(distance / 2.5 - seconds - 5.0, 0.0), 40.0))
    return factor * linked(step, a, b, s, (not from_real, False))


def linked(step: int, a: int, b: int, s: Settings, strays: tuple[bool, bool]) -> float:
    if math.isnan(gap(step)) or np.isnan(PHOTOS.east_m[[step - 1, step]]).any():
        return 1.0
    shared = math.exp(-gap(step) / s.correlation_s) * scale(step - 1, s) * scale(step, s)
    factor = together(step - 1, a, step, b, shared, s, strays)
    if not any(strays):
        return factor
    stray, camera = (step - 1, a) if strays[0] else (step, b)
    spread = (variance(stray, s) + 64.0) * np.eye(2)
    beside = stats.multivariate_t(np.zeros(2), spread, df=NU).pdf(residual(stray, camera, s))
    share = s.beside_share * beside / (s.beside_share * beside + (1 - s.beside_share) / SITE.area_m2)
    return float(share * factor + 1 - share)


def staying(step: int, a: int, s: Settings) -> float:
    seconds = gap(step)
    factor = s.stay_share * (1 / 8 if math.isnan(seconds) else stay_density(seconds, s))
    if not math.isnan(seconds) and not np.isnan(PHOTOS.east_m[[step - 1, step]]).any():
        shared = math.exp(-seconds / s.correlation_s) * scale(step - 1, s) * scale(step, s) + 0.7 * s.standoff_sd_m**2
        factor *= together(step - 1, a, step, a, shared, s)
    looks = PHOTOS.bearing[[step - 1, step]] - math.pi
    if np.isnan(looks).any():
        return factor
    if np.isnan(SITE.bearing[a]):
        return factor * again(*looks, replace(s, front_share=0.0))
    return factor * again(*(looks - SITE.bearing[a]), s)


def again(then: float, now: float, s: Settings) -> float:
    """How much likelier a turn is after another one of its stay than by itself, summed over where the stay's middle lies.

    The middles spread as single turns do, less what each photo's own spread adds; turns are rounded to 2.5 degrees.
    """
    repeat = math.radians(s.compass_repeat_sd_deg)
    middles = np.linspace(-math.pi, math.pi, 2880, endpoint=False)

    def bell(at: np.ndarray, sd: float) -> np.ndarray:
        return np.asarray(stats.truncnorm(-math.pi / sd, math.pi / sd, scale=sd).pdf(at))

    def spread(sd_deg: float) -> np.ndarray:
        return bell(middles, math.sqrt(max(math.radians(sd_deg) ** 2 - repeat**2, math.radians(4.0) ** 2)))

    wide = s.direction_wide_share
    share = s.front_share * ((1 - wide) * spread(s.direction_sd_deg) + wide * spread(s.direction_wide_deg))
    share = share + (1 - s.front_share) / (2 * math.pi)
    cell = math.pi / 72
    about = [bell((cell * round(x / cell) - middles + math.pi) % (2 * math.pi) - math.pi, repeat) for x in (then, now)]
    both, one, two = (float((share * a).mean()) for a in (about[0] * about[1], *about))
    return s.compass_repeat_share * both / (one * two) / (2 * math.pi) + 1 - s.compass_repeat_share


@pytest.fixture(scope="module")
def factors() -> tuple[np.ndarray, np.ndarray]:
    return emissions(SITE, PHOTOS, CHAIN, SETTINGS, LABELS, OTHERWISE)


def test_a_photo_by_itself_weighs_what_bayes_rule_says(factors: tuple[np.ndarray, np.ndarray]) -> None:
    real, away = factors
    s = SETTINGS
    for t in range(STEPS):
        placed = not math.isnan(PHOTOS.east_m[t])
        elsewhere = 1 / SITE.area_m2 if placed else 1.0
        level = 1.0 if math.isnan(PHOTOS.bearing[t]) else 1 / (2 * math.pi)
        for k, camera in enumerate(CANDIDATES[t]):
            if camera < 0:
                assert real[t, k] == -np.inf
                continue
            near = beside = 1.0
            if placed:
                v = variance(t, s)
                x = residual(t, camera, s)
                near = stats.multivariate_t(np.zeros(2), v * np.eye(2), df=NU).pdf(x)
                beside = stats.multivariate_t(np.zeros(2), (v + 64.0) * np.eye(2), df=NU).pdf(x)
            look = 1.0
            if not math.isnan(PHOTOS.bearing[t]):
                look = facing(PHOTOS.bearing[t] - SITE.bearing[camera] - math.pi, s)
            mine = (1 - s.stray_share) * near * look * math.exp(LABELS[t, k])
            assert math.exp(real[t, k]) == pytest.approx(mine, rel=1e-9)
            stray = s.stray_share * (s.beside_share * beside + (1 - s.beside_share) * elsewhere) * level
            stray *= math.exp(OTHERWISE[t])
            assert math.exp(away[t, k]) == pytest.approx(stray, rel=1e-9)
        lost = s.stray_share * (1 - s.beside_share) * elsewhere * level * math.exp(OTHERWISE[t])
        assert math.exp(away[t, -1]) == pytest.approx(lost, rel=1e-9)


def test_every_step_weighs_what_going_on_and_staying_weigh(factors: tuple[np.ndarray, np.ndarray]) -> None:
    tables = build_tables(SITE, PHOTOS, CHAIN, SETTINGS, Factors(*factors))
    real, away = factors
    top = np.maximum(real.max(axis=1), away.max(axis=1))[:, None]
    np.testing.assert_allclose(tables.real, np.exp(real - top), rtol=1e-5)
    np.testing.assert_allclose(tables.away, np.exp(away - top), rtol=1e-5)
    assert tables.restart == 1 / 4 and tables.cut.tolist() == CUT.tolist()
    for t in range(STEPS):
        before = CANDIDATES[max(t - 1, 0)]
        for k, camera in enumerate(CANDIDATES[t]):
            if camera < 0:
                assert not tables.move[t, :, k].any() and not tables.move_away[t, :, k].any()
                assert tables.stay[t, k] == tables.stay_away[t, k] == 0
                continue
            same = np.flatnonzero(before == camera)
            assert tables.previous[t, k] == (same[0] if same.size else before.size)
            for i, origin in enumerate(before):
                if CUT[t]:
                    assert tables.move[t, i, k] == tables.move_away[t, i, k] == np.float32(1 / 4)
                elif i == before.size - 1:
                    assert tables.move[t, i, k] == tables.move_away[t, i, k] == pytest.approx(0.5 / 8 / 4)
                elif origin < 0 or origin == camera:
                    assert tables.move[t, i, k] == tables.move_away[t, i, k] == 0
                else:
                    for table, from_real in ((tables.move, True), (tables.move_away, False)):
                        expected = moving(t, int(origin), int(camera), from_real, SETTINGS)
                        assert table[t, i, k] == pytest.approx(expected, rel=2e-4), (t, origin, camera)
            if CUT[t] or not same.size:
                assert tables.stay[t, k] == tables.stay_away[t, k] == 0
                continue
            assert tables.stay[t, k] == pytest.approx(staying(t, int(camera), SETTINGS), rel=2e-4)
            seconds = gap(t)
            loose = 0.5 * ((1 / 8 if math.isnan(seconds) else stay_density(seconds, SETTINGS)) + 1 / 8)
            back, gone = (linked(t, int(camera), int(camera), SETTINGS, which) for which in ((True, False), (False, True)))
            assert tables.stay_away[t, k] == pytest.approx(SETTINGS.resume_share * loose * back, rel=2e-4)
            assert tables.drift[t, k] == pytest.approx(loose * gone, rel=2e-4)


def test_places_of_the_same_camera_point_at_each_other(factors: tuple[np.ndarray, np.ndarray]) -> None:
    tables = build_tables(SITE, PHOTOS, CHAIN, SETTINGS, Factors(*factors))
    width = CANDIDATES.shape[1]
    for t in range(1, STEPS):
        for k in range(width):
            back = tables.previous[t, k]
            if back < width:
                assert CANDIDATES[t - 1, back] == CANDIDATES[t, k]
                assert k == width - 1 or tables.following[t, back] == k
        assert tables.previous[t, -1] == width - 1, "none goes on as none"


def test_a_piece_of_the_chain_has_the_tables_that_the_whole_has(factors: tuple[np.ndarray, np.ndarray]) -> None:
    whole = build_tables(SITE, PHOTOS, CHAIN, SETTINGS, Factors(*factors))
    for a, b in ((0, 3), (2, 6), (4, STEPS)):
        piece = build_tables(SITE, PHOTOS, CHAIN, SETTINGS, Factors(*factors), slice(a, b))
        for name in ("move", "move_away", "stay", "stay_away", "drift", "previous", "real", "away", "cut"):
            np.testing.assert_allclose(getattr(piece, name), getattr(whole, name)[a:b], rtol=1e-6, err_msg=name)


def test_moves_go_to_cameras_that_still_want_a_visit(factors: tuple[np.ndarray, np.ndarray]) -> None:
    """The crew chooses among the unvisited alone: what is left of the chances grows to what all had before."""
    free = np.ones(CANDIDATES.shape)
    plain = build_tables(SITE, PHOTOS, CHAIN, SETTINGS, Factors(*factors))
    same = build_tables(SITE, PHOTOS, CHAIN, SETTINGS, Factors(*factors, free))
    np.testing.assert_allclose(same.move, plain.move, rtol=1e-6)
    t, taken = 2, 1
    free[t, taken] = 0.0
    fewer = build_tables(SITE, PHOTOS, CHAIN, SETTINGS, Factors(*factors, free))
    before = CANDIDATES[t - 1]
    for i, origin in enumerate(before[:-1]):
        chance = {
            k: float(move_chance(SITE, np.linalg.norm(SITE.walk_coordinates[origin] - SITE.walk_coordinates[c]),
                                 np.array(c - origin), SETTINGS))
            for k, c in enumerate(CANDIDATES[t][:-1]) if c != origin
        }
        listed, left = sum(chance.values()), sum(v for k, v in chance.items() if k != taken)
        grown = 1 / min(max((left + 0.02) / (listed + 0.02), 0.1), 1.0)
        moved = plain.move[t, i, :-1] > 0
        np.testing.assert_allclose(fewer.move[t, i, :-1][moved] / plain.move[t, i, :-1][moved], grown, rtol=1e-5)
    np.testing.assert_allclose(fewer.move[3], plain.move[3], rtol=1e-6)
    np.testing.assert_allclose(fewer.stay, plain.stay, rtol=1e-6)


def test_a_near_camera_and_the_next_of_the_plan_are_likelier_moves() -> None:
    s = replace(SETTINGS, walk_scale_m=20.0)

    def chance(distance: float, ahead: int) -> float:
        return float(move_chance(SITE, np.array(distance), np.array(ahead), s))

    neighbours = 3 * 2 * math.pi * 20.0**2 / (math.pi * SITE.spacing_m**2)
    near = (0.97 - 0.25) / neighbours
    assert chance(0.0, 5) == pytest.approx(near + 0.03 / 4, rel=1e-5)
    assert chance(20.0, -7) == pytest.approx(near / math.e + 0.03 / 4, rel=1e-5)
    assert chance(20.0, 1) - chance(20.0, 9) == pytest.approx(s.order_share, rel=1e-5)
    assert chance(20.0, -1) - chance(20.0, 9) == pytest.approx(s.back_share, rel=1e-5)
    assert chance(20.0, 2) - chance(20.0, 9) == pytest.approx(s.order_share * s.missed_share, rel=1e-4)
    assert chance(20.0, 0) == chance(20.0, 9)
    assert float(move_chance(SITE, np.array(21.0), np.array(9), SETTINGS)) == pytest.approx(
        0.72 * math.exp(-1) / (3 * 2 * 21.0**2 / 14.0**2) + 0.03 / 4, rel=1e-5), "one and a half spacings by default"


def test_a_factor_that_holds_for_a_share_leaves_the_rest_as_it_was_and_nothing_is_impossible() -> None:
    """1 - s + s e^l: half of e is 1.859; all of nothing is one in a million, not minus infinity."""
    told = steps._partly(np.array([1.0, 0.0, -200.0, -200.0], np.float32), np.array([0.5, 0.5, 0.5, 1.0], np.float32))
    assert np.exp(told) == pytest.approx([(1 + math.e) / 2, 1.0, 0.5, 1e-6], rel=0.05)


def test_residuals_are_seen_from_where_the_photographer_stands() -> None:
    east, north, spread = position_residuals(SITE, PHOTOS, CHAIN, replace(SETTINGS, position_scale=2.0))
    s = SETTINGS
    for t, k in ((0, 0), (2, 1), (2, 2), (6, 1)):
        expected = residual(t, int(CANDIDATES[t, k]), s)
        assert (east[t, k], north[t, k]) == pytest.approx(tuple(expected), abs=1e-12)
    assert np.isnan(east[4]).all()
    assert spread.tolist() == [8.0, 6.0, 20.0, 16.0, 20.0, 10.0, 10.0]


@pytest.mark.parametrize("nu", [4.0, 6.0])
def test_position_errors_follow_students_t(nu: float) -> None:
    for x, y, v in ((0.0, 0.0, 9.0), (3.0, -4.0, 16.0), (80.0, 10.0, 25.0)):
        expected = stats.multivariate_t(np.zeros(2), v * np.eye(2), df=nu).logpdf([x, y])
        assert float(position_log_density(np.array(x**2 + y**2), np.array(v), nu)) == pytest.approx(expected)


def test_directions_are_a_density_over_the_circle_that_peaks_at_the_front() -> None:
    turns = np.linspace(-math.pi, math.pi, 20001)
    density = np.exp(direction_log_density(turns, SETTINGS))
    assert np.trapezoid(density, turns) == pytest.approx(1.0, abs=1e-6)
    assert density[10000] == density.max() == pytest.approx(facing(0.0, SETTINGS))
    assert np.exp(direction_log_density(turns + 4 * math.pi, SETTINGS)) == pytest.approx(density)
    assert float(np.exp(direction_log_density(np.array(NAN), SETTINGS))) == pytest.approx(1 / (2 * math.pi))
    some = np.array([0.3, -1.1, 2.9])
    np.testing.assert_allclose(np.exp(direction_log_density(some, SETTINGS)), [facing(float(x), SETTINGS) for x in some])


def test_long_chains_are_summed_in_pieces_as_in_one() -> None:
    """A chain of four hundred steps against the plain recursion in double precision."""
    rng = np.random.default_rng(2)
    steps, width = 400, 5
    candidates = np.tile(np.array([0, 1, 2, 3, -1]), (steps, 1))
    photos = PhotoArrays(np.cumsum(rng.exponential(30, steps)), rng.uniform(0, 70, steps), rng.uniform(0, 20, steps),
                         np.full(steps, 6.0), rng.uniform(0, 6.28, steps))
    cut = np.zeros(steps, dtype=bool)
    cut[[0, 150]] = True
    chain = Chain(np.arange(steps), cut, candidates)
    real, away = emissions(SITE, photos, chain, SETTINGS, np.zeros((steps, width)), np.zeros(steps))
    tables = build_tables(SITE, photos, chain, SETTINGS, Factors(real, away))
    weight = rng.uniform(0.1, 1.0, (steps, width)).astype(np.float32)
    transition = np.zeros((steps, 2 * width, 2 * width))
    emission = np.concatenate([tables.real, tables.away], axis=1).astype(np.float64)
    for t in range(1, steps):
        for k in range(width):
            back = tables.previous[t, k]
            for i in range(width):
                here = i == back
                going = float(tables.move[t, i, k]) * weight[t, k]
                transition[t, i, k] = going + (float(tables.stay[t, k]) if here else 0.0)
                gone = float(tables.move_away[t, i, k]) * weight[t, k]
                transition[t, width + i, k] = gone + (float(tables.stay_away[t, k]) if here else 0.0)
                lost = tables.restart if cut[t] else (float(tables.drift[t, k]) if here else 0.0) + 0.05 * (k == width - 1)
                transition[t, [i, width + i], width + k] = lost
    forward = np.zeros((steps, 2 * width))
    first = np.concatenate([weight[0], np.ones(width)]) / 4
    first[width - 1] = 0.0
    forward[0] = first * emission[0]
    for t in range(1, steps):
        forward[t] = forward[t - 1] @ transition[t] * emission[t]
        forward[t] /= forward[t].sum()
    backward = np.ones((steps, 2 * width))
    for t in range(steps - 2, -1, -1):
        backward[t] = transition[t + 1] @ (emission[t + 1] * backward[t + 1])
        backward[t] /= backward[t].max()
    posterior = forward * backward
    posterior /= posterior.sum(axis=1, keepdims=True)
    found = forward_backward(tables, weight)
    both = np.concatenate([found.real, found.away], axis=1)
    np.testing.assert_allclose(both[:64], posterior[:64], atol=2e-5)
    np.testing.assert_allclose(both, posterior, atol=4e-3)
    assert np.abs(both - posterior).mean() < 4e-5
    for t in (1, 77, 150, 151, 399):
        for k in range(width - 1):
            back = tables.previous[t, k]
            kept = forward[t - 1, back] * tables.stay[t, k] + forward[t - 1, width + back] * tables.stay_away[t, k]
            all_ = forward[t - 1] @ transition[t][:, k]
            expected = posterior[t, k] * (1 - kept / all_)
            assert found.new_stay[t, k] == pytest.approx(expected, abs=3e-4)
