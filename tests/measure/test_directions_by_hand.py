"""Up, level and lens from edges where the answer is known by hand: densities that add up, planes, closed forms, limits from both sides."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from audit.frames import roll_pitch_from_up, up_in_camera
from audit.lens import Lens, least_k1
from audit.measure import angle_of_view
from audit.measure.angle_of_view import _log_tangent, _moments, estimate_angle
from audit.measure.bending import _beforehand, _strongest, as_it_may_bend
from audit.measure.bending import _moments as bend_moments
from audit.measure.horizon import HorizonCue, HorizonLimits, open_horizon
from audit.measure.level_lines import BINS, level_lines
from audit.measure.measurement import Orientation
from audit.measure.nadir import _cap, _curvature_deg, may_look_down
from audit.measure.orientation import _askew
from audit.measure.segments import Arcs, arcs
from audit.measure.several import _pooled, combine_orientations
from audit.measure.squareness import square_gain
from audit.measure.up_direction import (
    Seen,
    _covariance_deg2,
    _dispersion,
    _log_prior,
    _own_sd_deg,
    _peaks,
    climb,
    lines_share,
    solve,
)
from audit.measure.vanishing import Fit, Quadratic, _profile, fit_directions, residual_rad, student, tangent_basis, vote

TILTS = st.tuples(st.floats(-30, 30), st.floats(-80, 40))
LENS = Lens(1280, 720, 75.0)


def unit(*direction: float) -> np.ndarray:
    return np.array(direction) / np.linalg.norm(direction)


def edges_along(direction: np.ndarray, count: int, seed: int = 0, sd_rad: float = 0.01, length_px: float = 40.0) -> Arcs:
    """Exact edges of a direction in the camera, in the half before it, each one's middle somewhere about the axis."""
    rng = np.random.default_rng(seed)
    middle = rng.normal(0, 0.35, (count, 3)) + [0.0, 0.0, 1.0]
    middle /= np.linalg.norm(middle, axis=1, keepdims=True)
    normal = np.cross(middle, direction)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    return Arcs(normal, middle, np.full(count, length_px), np.full(count, sd_rad), np.zeros((count, 4)))


def together(*parts: Arcs) -> Arcs:
    return Arcs(*(np.concatenate([getattr(p, name) for p in parts]) for name in ("normal", "middle", "length_px", "sd_rad", "segments_px")))


# -- densities and planes ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("sd", [0.005, 0.02, 0.3])
def test_an_edges_density_is_students_of_four_degrees_of_freedom(sd: float) -> None:
    """Against SciPy's."""
    x = np.linspace(-5 * sd, 5 * sd, 11)
    assert student(x, np.full(11, sd)) == pytest.approx(stats.t(4, scale=sd).pdf(x), rel=1e-12)


@given(TILTS)
def test_a_tangent_basis_is_square_to_its_direction_and_right_handed(tilt: tuple[float, float]) -> None:
    for direction in (up_in_camera(*tilt), unit(0.79, 0.3, 0.1), unit(0.81, 0.1, 0.2), unit(1, 0, 0), unit(0, 0, 1)):
        basis = tangent_basis(direction)
        frame = np.stack([*basis, direction])
        assert np.allclose(frame @ frame.T, np.eye(3), atol=1e-12) and np.linalg.det(frame) == pytest.approx(1.0)


def test_an_edges_residual_is_the_sine_of_its_turn_at_its_own_middle() -> None:
    """An edge turned by an angle at its middle, seen under any angle from the direction that it should run in."""
    direction = unit(0.1, -1.0, 0.2)
    for away_deg in (6.0, 30.0, 90.0, 150.0):
        side = tangent_basis(direction)[0]
        middle = np.cos(np.radians(away_deg)) * direction + np.sin(np.radians(away_deg)) * side
        along = direction - (direction @ middle) * middle
        along /= np.linalg.norm(along)
        across = np.cross(middle, along)
        for turn in (0.0, 0.03, -0.2):
            runs = np.cos(turn) * along + np.sin(turn) * across
            edge = Arcs(np.cross(middle, runs)[None], middle[None], np.ones(1), np.ones(1), np.zeros((1, 4)))
            assert residual_rad(edge, direction[None])[0, 0] == pytest.approx(-np.sin(turn), abs=1e-9)
    near = Arcs(side[None], direction[None], np.ones(1), np.ones(1), np.zeros((1, 4)))
    assert residual_rad(near, direction[None])[0, 0] == 1.0, "at the direction itself it says nothing"


def test_the_vote_is_the_mixtures_log_likelihood() -> None:
    """Written out: a fifth upright with Student scatter, the rest anywhere on the half circle; each by the root of its length."""
    edges = together(edges_along(unit(0, -1, 0), 5, 1), edges_along(unit(1, 0.2, 0.5), 5, 2, 0.02, 160.0))
    ups = np.array([unit(0, -1, 0), unit(0.1, -1, 0), unit(1, 0.2, 0.5)])
    blur = 0.02
    off, away = edges.normal @ ups.T, np.sqrt(np.maximum(1 - (edges.middle @ ups.T) ** 2, 0.09**2))
    near = np.array([[stats.t(4, scale=np.hypot(sd, blur)).pdf(x) for x in row] for sd, row in zip(edges.sd_rad, off / away, strict=True)])
    expected = np.sqrt(edges.length_px / 40.0) @ np.log(0.8 + 0.2 * np.pi * near)
    assert vote(edges, ups, blur) == pytest.approx(expected, rel=1e-4)
    assert vote(edges, ups, blur, most=5) == pytest.approx(np.log(0.8 + 0.2 * np.pi * near)[:5].sum(axis=0), rel=1e-4)
    long = replace(edges, length_px=np.full(10, 4e4))
    assert vote(long, ups, blur) == pytest.approx(np.sqrt(10.0) * np.log(0.8 + 0.2 * np.pi * near).sum(axis=0), rel=1e-4)
    short = replace(edges, length_px=np.full(10, 1.0))
    assert vote(short, ups, blur) == pytest.approx(np.sqrt(0.1) * np.log(0.8 + 0.2 * np.pi * near).sum(axis=0), rel=1e-4)
    assert vote(edges.longest(0), ups, blur).tolist() == [0.0, 0.0, 0.0]


@settings(max_examples=15, deadline=None)
@given(TILTS, st.integers(0, 100))
def test_exact_uprights_and_levels_give_their_directions_from_near_by(tilt: tuple[float, float], seed: int) -> None:
    up = up_in_camera(*tilt)
    first, second = tangent_basis(up)
    edges = together(edges_along(up, 30, seed), edges_along(0.6 * first + 0.8 * second, 20, seed + 1), edges_along(0.8 * first - 0.6 * second, 20, seed + 2))
    fit = fit_directions(edges, up + 0.03 * first - 0.02 * second, steps=15)
    assert np.degrees(np.arccos(np.clip(fit.up @ up, -1, 1))) < 0.25
    assert np.linalg.norm(fit.up) == pytest.approx(1.0) and np.abs(fit.level @ fit.up).max() < 1e-9
    assert np.abs(np.linalg.norm(fit.level, axis=1) - 1).max() < 1e-9 and len(fit.level) == 2
    assert np.abs(fit.gradient).max() < 1e-2 * np.sqrt(fit.information.max())
    seen = fit.upright + fit.levelled
    assert (seen > 0.5).mean() > 0.8 and seen.max() <= 1 + 1e-9, "all but those whose middle lies at the direction itself"
    alone = fit_directions(edges, up, level_directions=0)
    assert alone.level.shape == (0, 3) and alone.levelled.sum() == 0 and alone.level_gain == pytest.approx(0.0, abs=1e-9)
    assert fit.level_gain > 10 > 0.7 - 1e-9 <= fit.scatter == pytest.approx(0.7, abs=0.2)


def test_no_edges_no_fit_and_leaning_uprights_scatter_more() -> None:
    up = unit(0.0, -2.0, 0.0)
    empty = fit_directions(edges_along(up, 1).longest(0), 2 * up)
    assert empty.up.tolist() == [0.0, -1.0, 0.0] and empty.level.shape == (0, 3) and empty.information.tolist() == [[0, 0], [0, 0]]
    assert empty.upright_gain == empty.level_gain == 0.0 and len(empty.upright) == len(empty.levelled) == 0 and empty.standing_out == 0.0
    rng, straight = np.random.default_rng(3), edges_along(up, 200)
    lean = straight.normal + 0.02 * rng.normal(size=(200, 1)) * np.cross(straight.normal, straight.middle)
    leaning = replace(straight, normal=lean / np.linalg.norm(lean, axis=1, keepdims=True))
    found = fit_directions(leaning, up, level_directions=0)
    assert found.scatter == pytest.approx(2.0, rel=0.2) and fit_directions(straight, up).scatter == pytest.approx(0.7)
    assert found.standing_out == pytest.approx(found.upright_gain / found.upright.sum())


def test_the_information_of_uprights_is_that_of_least_squares() -> None:
    """Small misses: each edge weighs 5/4 of a normal one's (Student, 4 degrees of freedom) by its chance of being upright."""
    up = unit(0.0, -1.0, 0.1)
    edges = edges_along(up, 60, 4, 0.01)
    fit = fit_directions(edges, up, steps=20, level_directions=0)
    rows = edges.normal @ tangent_basis(fit.up).T / np.sqrt(1 - (edges.middle @ fit.up) ** 2)[:, None]
    weight = fit.upright * 5 / 4 / (0.7 * 0.01) ** 2
    assert fit.information == pytest.approx((rows * weight[:, None]).T @ rows, rel=1e-3)


def test_what_is_profiled_out_leaves_the_schur_complement() -> None:
    full = np.array([[5.0, 1.0, 2.0], [1.0, 6.0, 0.5], [2.0, 0.5, 4.0]])
    information, slope = _profile(full, np.array([1.0, 2.0, 3.0]))
    assert np.linalg.inv(information) == pytest.approx(np.linalg.inv(full)[:2, :2], rel=1e-5)
    assert np.linalg.solve(information, slope) == pytest.approx(np.linalg.solve(full, [1.0, 2.0, 3.0])[:2], rel=1e-5)


def test_a_quadratics_slope_falls_with_its_curvature() -> None:
    q = Quadratic(unit(0, -1, 0), np.array([1.0, 2.0, 3.0]), np.diag([4.0, 5.0, 6.0]))
    assert q.slope_at(q.at + [0.1, -0.2, 0.5]) == pytest.approx([0.6, 3.0, 0.0])


# -- segments ----------------------------------------------------------------------------------------------------------


def test_level_lines_share_their_edges_weight_and_no_more() -> None:
    """An edge of L px weighs (L / 120)^1.5, at most 1, less its chance of being upright; its weight is spread, not multiplied."""
    up = unit(0.0, -1.0, 0.0)
    for length, worth in ((30.0, 0.125), (120.0, 1.0), (500.0, 1.0)):
        edges = edges_along(unit(1.0, 0.0, 0.0), 6, 5, np.radians(0.2), length)
        below = edges.middle[:, 1] > 0.15
        edges = Arcs(edges.normal[below], edges.middle[below], edges.length_px[below], edges.sd_rad[below], edges.segments_px[below])
        edges = together(edges, edges, edges, edges, edges)
        lines = level_lines(edges, up, np.full(len(edges), 0.2))
        assert lines is not None and len(lines) == BINS
        assert sum(lines) == pytest.approx(0.8 * worth * len(edges), rel=1e-3)
        assert int(np.argmax(lines)) in (44, 45), "square to the axis"
        assert level_lines(edges, up, np.full(len(edges), 0.51)) is None


@pytest.mark.parametrize(("pitch_deg", "told"), [(-77.0, True), (-79.0, False)])
def test_along_the_plumb_line_no_edge_has_an_azimuth(pitch_deg: float, told: bool) -> None:
    up = up_in_camera(0.0, pitch_deg)
    level = tangent_basis(up)[0]
    assert (level_lines(edges_along(level, 20, 6, 0.001), up, np.zeros(20)) is not None) == told


@pytest.mark.parametrize(("count", "told"), [(4, False), (5, True)])
def test_five_edges_tell_a_direction(count: int, told: bool) -> None:
    up = up_in_camera(0.0, -40.0)
    assert (level_lines(edges_along(unit(1.0, 0.0, 0.0), count, 6, 0.001), up, np.zeros(count)) is not None) == told


def test_square_corners_gain_and_a_lone_direction_gains_less() -> None:
    up = unit(0.0, -1.0, 0.0)
    one, other, skew = unit(0.6, 0.0, 0.8), unit(0.8, 0.0, -0.6), unit(1.0, 0.0, 0.1)
    alone, corner, bent = (together(edges_along(one, 20, 7), edges_along(d, 20, 8)) for d in (one, other, skew))
    assert square_gain(corner, up) > square_gain(bent, up) + 10
    weight = np.sqrt(np.clip(alone.length_px / 40.0, 0.1, 10.0))
    near = stats.t(4, scale=0.01).pdf(residual_rad(alone, one[None])[:, 0]) + stats.t(4, scale=0.01).pdf(residual_rad(alone, other[None])[:, 0])
    upright = 0.25 * np.pi * stats.t(4, scale=0.01).pdf(residual_rad(alone, up[None])[:, 0])
    expected = weight @ (np.log(0.5 + upright + 0.125 * np.pi * near) - np.log(0.5 + upright + 0.25))
    assert square_gain(alone, up) == pytest.approx(expected, rel=0.01)
    assert square_gain(alone.longest(0), up) == 0.0
    assert square_gain(together(*[alone] * 8), up) == pytest.approx(250 / 40 * expected, rel=0.02), "of the longest 250"


# -- the answer's own figures --------------------------------------------------------------------------------------------


@given(TILTS)
@settings(max_examples=20, deadline=None)
def test_the_covariance_of_roll_and_pitch_is_that_of_small_tilts(tilt: tuple[float, float]) -> None:
    """By differences: tilts of up along the basis, taken to roll and pitch by the frames themselves."""
    up, step = up_in_camera(*tilt), 1e-6
    slopes = np.array([(np.array(roll_pitch_from_up(up + step * b)) - roll_pitch_from_up(up - step * b)) / (2 * step) for b in tangent_basis(up)]).T
    information = np.array([[4000.0, 900.0], [900.0, 2000.0]])
    assert _covariance_deg2(up, information) == pytest.approx(slopes @ np.linalg.inv(information) @ slopes.T, rel=1e-4, abs=1e-5)


def test_the_plumb_lines_roll_is_told_no_worse_than_a_twentieth() -> None:
    """Near the plumb line the roll's sd grows as 1 / cos(pitch), up to 20 times."""
    sds = [np.sqrt(np.diag(_covariance_deg2(up_in_camera(0.0, pitch), 1e6 * np.eye(2)))) for pitch in (0.0, -85.0, -89.99)]
    assert sds[0] == pytest.approx(np.degrees(1e-3), rel=1e-4)
    assert sds[1] == pytest.approx([sds[0][0] / np.cos(np.radians(85.0)), sds[0][0]], rel=1e-4)
    assert sds[2][0] == pytest.approx(20 * sds[0][0], rel=1e-3)


class Bowl:
    """A cue that is normal about a direction, with a scatter across and one along."""

    def __init__(self, up: np.ndarray, information: np.ndarray) -> None:
        self.up, self.information = up, information

    def log_likelihood(self, ups: np.ndarray) -> np.ndarray:
        off = ups - self.up
        return -0.5 * np.einsum("ij,jk,ik->i", off, self.information, off)

    def quadratic(self, up: np.ndarray) -> Quadratic:
        return Quadratic(up, -self.information @ (up - self.up), self.information)


def test_a_cues_own_scatter_is_that_of_its_worse_direction() -> None:
    up = unit(0.1, -1.0, 0.2)
    basis = tangent_basis(up)
    sharp, vague = np.radians(0.5), np.radians(2.0)
    for first, second in ((sharp, vague), (vague, sharp)):
        cue = Bowl(up, np.outer(basis[0], basis[0]) / first**2 + np.outer(basis[1], basis[1]) / second**2)
        assert _own_sd_deg(cue, up) == pytest.approx(2.0)  # type: ignore[arg-type]
    assert _own_sd_deg(Bowl(up, np.zeros((3, 3))), up) == pytest.approx(np.degrees(100.0))  # type: ignore[arg-type]


def test_a_lone_cue_is_climbed_to_its_top_and_a_cue_and_edges_meet_by_their_weights() -> None:
    top = up_in_camera(2.0, -20.0)
    none = edges_along(top, 1).longest(0)
    fit, score = climb(none, (Bowl(top, 400.0 * np.eye(3)),), up_in_camera(-1.0, -14.0), 1.2, 2)
    assert fit.up == pytest.approx(top, abs=1e-4) and score == pytest.approx(float(_log_prior(np.array(2.0), np.array(-20.0))), abs=1e-3)
    edges = edges_along(up_in_camera(2.0, -22.0), 60, 9, 0.02)
    pulled = [climb(edges, (Bowl(top, weight * np.eye(3)),), top, 1.2, 3)[0].up for weight in (0.001, 1e7)]
    assert roll_pitch_from_up(pulled[0]) == pytest.approx((2.0, -22.0), abs=0.05)
    assert roll_pitch_from_up(pulled[1]) == pytest.approx((2.0, -20.0), abs=0.05)


def test_the_spread_of_hypotheses_is_a_mean_over_the_sphere() -> None:
    roll, pitch = np.array([-10.0, 0.0, 10.0]), np.array([-60.0, 0.0])
    ups = np.array([up_in_camera(r, p) for r in roll for p in pitch])
    equal = np.zeros(6)
    up = up_in_camera(0.0, 0.0)
    angle = np.degrees(np.arccos(ups @ up))
    weight = np.tile(np.cos(np.radians(pitch)), 3)
    weight /= weight.sum()
    assert _dispersion(equal, pitch, 3, ups, up) == pytest.approx((np.sqrt(weight @ angle**2), weight[angle > 5].sum()))
    sure = np.where(np.arange(6) == 3, 50.0, 0.0)
    assert _dispersion(sure, pitch, 3, ups, up) == pytest.approx((0.0, 0.0), abs=1e-6)
    assert 5 / 6 < _dispersion(equal, np.zeros(2), 3, np.array([up_in_camera(r, p) for r in roll for p in (-4.0, 4.9)]), up)[1] * 1.5 < 1.1


def test_peaks_are_higher_than_all_eight_neighbours_the_highest_first() -> None:
    surface = np.zeros((6, 8))
    surface[0, 0], surface[2, 3], surface[3, 4], surface[5, 7], surface[4, 1] = 3.0, 9.0, 8.0, 5.0, 4.0
    assert _peaks(surface, 4) == [2 * 8 + 3, 5 * 8 + 7, 4 * 8 + 1, 0]
    assert _peaks(surface, 2) == [2 * 8 + 3, 5 * 8 + 7]


def test_the_prior_is_flat_where_cameras_look_and_falls_beyond() -> None:
    """From the table: flat from 32 degrees down to 8 up, then normal with 14; Student in roll with 8; beyond 30 and 40 degrees 3 a sd."""
    def prior(roll: float, pitch: float) -> float:
        return float(_log_prior(np.array(roll), np.array(pitch)))

    assert prior(0, -32) == prior(0, 8) == prior(0, -10) == 0.0
    assert prior(0, -46) == prior(0, 22) == pytest.approx(-0.5)
    assert prior(8, 0) == prior(-8, 0) == pytest.approx(-2.5 * np.log(1.25))
    assert prior(33, 0) == pytest.approx(-0.5 - 2.5 * np.log(1 + (33 / 8) ** 2 / 4))
    assert prior(0, 43) == pytest.approx(-0.5 * (35 / 14) ** 2 - 0.5)


def test_edges_and_cues_share_the_answer_by_their_information() -> None:
    edges = edges_along(up_in_camera(0.0, -10.0), 40, 10, 0.02)
    found = solve(Seen(np.zeros((0, 4)), 1.0), LENS)
    fit = fit_directions(edges, up_in_camera(0.0, -10.0))
    basis = tangent_basis(fit.up)
    equal = 1.2 * basis.T @ fit.information @ basis
    both = replace(found, fit=fit, edges=edges, cues=(Bowl(fit.up, equal),))
    assert lines_share(both) == pytest.approx(0.5 * np.eye(2), abs=1e-3)
    assert lines_share(replace(both, cues=())).tolist() == [[1.0, 0.0], [0.0, 1.0]]


# -- the horizon -------------------------------------------------------------------------------------------------------


def test_a_horizons_likelihood_is_a_chance_of_a_bell_over_where_cameras_look() -> None:
    cue = HorizonCue(up_in_camera(0.0, -10.0), np.radians(1.0), 0.7)
    peak = 0.7 * 22.0**2
    off = up_in_camera(0.0, -10.0 + 2.0)
    squared = float(((off - cue.up) ** 2).sum()) / np.radians(1.0) ** 2
    assert cue.log_likelihood(np.stack([cue.up, off, up_in_camera(0.0, 40.0)])) == pytest.approx(np.log([0.3 + peak, 0.3 + peak * np.exp(-0.5 * squared), 0.3]), rel=1e-6)
    step = 1e-6
    at = up_in_camera(0.3, -9.2)
    for basis in tangent_basis(at):
        slope = float(np.diff(cue.log_likelihood(np.stack([at - step * basis, at + step * basis])))[0]) / (2 * step)
        assert cue.quadratic(at).gradient @ basis == pytest.approx(slope, rel=1e-4)
    share = peak / (0.3 + peak)
    assert cue.quadratic(cue.up).information == pytest.approx(np.eye(3) * share / np.radians(1.0) ** 2)


def sea_through(columns: slice | np.ndarray, step: int = 110, rows: int = 108) -> tuple[np.ndarray, np.ndarray, Lens]:
    """A level sea whose horizon lies two fifths down; in other columns there is no sky at all."""
    lens = Lens(960, 540, 60.0)
    sky = np.broadcast_to(np.arange(540)[:, None] < 216, (540, 960))
    logit = np.where(np.arange(rows)[:, None] < rows * 0.4, 6.0, -6.0) * np.ones((1, 192))
    clear = np.zeros(192, bool)
    clear[columns] = True
    logit[:, ~clear] = -6.0
    return np.where(sky, 90 + step, 90).astype(np.uint8), logit, lens


LIMITS = HorizonLimits(sd_rad=np.radians(0.8), chance=0.4, straight_rad=np.radians(0.35), least_share=0.6)


@pytest.mark.parametrize(("columns", "seen"), [(slice(0, 120), True), (slice(0, 108), False), (slice(80, 192), False), (slice(70, 192), True), (slice(0, 192), True)])
def test_a_horizon_needs_three_fifths_of_the_columns(columns: slice, seen: bool) -> None:
    picture, logit, lens = sea_through(columns)
    cue = open_horizon(logit, picture, lens, LIMITS)
    assert (cue is not None) == seen
    if cue is not None:
        pitch = -np.degrees(np.arctan((269.5 - 215.5) / lens.focal_px))
        assert roll_pitch_from_up(cue.up) == pytest.approx((0.0, pitch), abs=0.01) and cue.chance == 0.4


@pytest.mark.parametrize(("step", "seen"), [(4, False), (6, True)])
def test_an_edge_that_is_softer_than_five_shades_is_a_bank_in_fog(step: int, seen: bool) -> None:
    picture, logit, lens = sea_through(slice(0, 192), step)
    assert (open_horizon(logit, picture, lens, LIMITS) is not None) == seen


@pytest.mark.parametrize(("hole", "seen"), [(6, True), (12, False)])
def test_sky_down_to_the_edge_is_whole_for_four_fifths(hole: int, seen: bool) -> None:
    picture, logit, lens = sea_through(slice(0, 192))
    logit[20 : 20 + hole] = -6.0
    assert (open_horizon(logit, picture, lens, LIMITS) is not None) == seen


def test_a_mast_before_the_horizon_and_a_hill_at_its_side_do_not_bend_it() -> None:
    picture, logit, lens = sea_through(slice(0, 192))
    logit[30:, 90:110] = -6.0
    logit[36:, 180:] = -6.0
    picture[180:, 900:] = 90
    cue = open_horizon(logit, picture, lens, LIMITS)
    assert cue is not None
    assert roll_pitch_from_up(cue.up) == pytest.approx((0.0, -np.degrees(np.arctan(54.0 / lens.focal_px))), abs=0.05)


def test_a_map_of_seven_rows_and_an_edge_at_the_rim_show_no_horizon() -> None:
    picture, logit, lens = sea_through(slice(0, 192))
    assert open_horizon(logit[::16], picture, lens, LIMITS) is None
    assert open_horizon(np.where(np.arange(108)[:, None] < 107, 6.0, -6.0) * np.ones((1, 192)), picture, lens, LIMITS) is None
    assert open_horizon(np.where(np.arange(108)[:, None] < 1, 6.0, -6.0) * np.ones((1, 192)), picture, lens, LIMITS) is None


# -- the lens ----------------------------------------------------------------------------------------------------------


def test_moments_over_angles_of_view_are_those_of_the_density() -> None:
    """A normal density whose logarithm is a parabola: its mean and sd, and those of roll and pitch that go straight with it."""
    at = np.linspace(-1.0, 1.0, 9)[::-1]
    mean, sd, shift, scatter = _moments(at, -0.5 * ((at - 0.2) / 0.15) ** 2, np.column_stack([2 + 3 * at, -10 - 8 * at]))
    assert mean == pytest.approx(0.2, abs=0.02) and sd == pytest.approx(0.15, abs=0.02)
    assert shift == pytest.approx([0.0, 0.0], abs=0.02) and scatter == pytest.approx([3 * sd, 8 * sd], rel=0.01)
    _, _, bent, _ = _moments(at, -0.5 * ((at - 0.2) / 0.15) ** 2, np.column_stack([np.abs(at - 0.25), at * 0]))
    assert bent[0] > 0.05 and _log_tangent(90.0) == pytest.approx(0.0) and _log_tangent(60.0) == pytest.approx(np.log(np.tan(np.pi / 6)))


@pytest.mark.parametrize("size", [(1280, 720), (720, 1280)])
def test_a_picture_that_tells_nothing_is_taken_as_a_common_lens_and_said_to_be(size: tuple[int, int]) -> None:
    """Across the longer side 62 degrees within a factor of 1.8, from 8 to 120."""
    found = estimate_angle(Seen(np.zeros((0, 4)), 1.0), *size)
    assert found.lens.source == "assumed" and (found.lens.width_px, found.lens.height_px) == size
    longest = found.lens.hfov_deg if size[0] > size[1] else found.lens.vfov_deg
    assert _log_tangent(longest) == pytest.approx(_log_tangent(62.0), abs=0.12)
    relative = found.lens.hfov_sd_deg / np.degrees(np.sin(np.radians(found.lens.hfov_deg)))
    assert 0.4 < relative < 0.6
    assert found.shift_deg == pytest.approx((0.0, 0.0), abs=1e-6) and found.sd_deg == pytest.approx((0.0, 0.0), abs=1e-6)


@pytest.mark.parametrize("size", [(1280, 720), (720, 1280)])
@pytest.mark.parametrize("angle_deg", [14.0, 24.0, 27.0, 34.0, 45.0, 62.0, 75.0, 95.0])
def test_the_angle_is_found_where_the_evidence_peaks(monkeypatch: pytest.MonkeyPatch, angle_deg: float, size: tuple[int, int]) -> None:
    """Evidence that is normal in log tan(half the angle across the longer side) with 0.08, roll and pitch going straight with it."""
    top, tried = _log_tangent(angle_deg), []

    def solved(seen: Seen, lens: Lens, quick: bool) -> SimpleNamespace:
        at = _log_tangent(max(lens.hfov_deg, lens.vfov_deg))
        tried.append(at)
        return SimpleNamespace(score=-0.5 * ((at - top) / 0.08) ** 2 / 0.35, learned_gain=0.0, edges=None, fit=SimpleNamespace(up=None), roll_deg=2 * at, pitch_deg=-9 * at)

    monkeypatch.setattr(angle_of_view, "solve", solved)
    monkeypatch.setattr(angle_of_view, "square_gain", lambda edges, up: 0.0)
    found = estimate_angle(Seen(np.zeros((0, 4)), 1.0), *size)
    lens = found.lens
    assert _log_tangent(max(lens.hfov_deg, lens.vfov_deg)) == pytest.approx(top, abs=0.06)
    assert lens.source == "estimated" and len(tried) == len(set(tried)) <= 10
    assert sum(abs(at - top) < 0.45 for at in tried) >= 3, "looked at more closely on both sides"
    told = np.radians(lens.hfov_sd_deg) / np.sin(np.radians(lens.hfov_deg))
    assert np.hypot(0.05, 0.13) < told < np.hypot(0.19, 0.13)
    own = np.sqrt(told**2 - 0.13**2)
    assert found.sd_deg == pytest.approx((2 * own, 9 * own), rel=0.02) and found.shift_deg == pytest.approx((0.0, 0.0), abs=0.05)


def test_what_bending_a_lens_may_have_before_anything_is_seen() -> None:
    """A third is straight, the rest half a bell of 0.2 up to what folds the picture or 0.36."""
    lens = Lens(1280, 720, 60.0)
    terms, chance = _beforehand(lens)
    assert chance.sum() == pytest.approx(1.0) and terms[0] == 0.0 and terms[-1] == pytest.approx(-_strongest(lens)) and len(terms) == 41
    assert chance[0] == pytest.approx(0.35 + 0.65 * (1 / np.exp(-0.5 * (terms / 0.2) ** 2).sum()))
    assert chance[20] / chance[1] == pytest.approx(np.exp(-0.5 * (terms[20] ** 2 - terms[1] ** 2) / 0.2**2))
    mean, sd = bend_moments(terms, chance)
    assert mean == pytest.approx(float(chance @ terms)) and sd == pytest.approx(np.sqrt(chance @ terms**2 - mean**2))
    corner = np.hypot(640, 360) / lens.focal_px
    assert _strongest(lens) == pytest.approx(min(0.36, 0.29 / corner**2)) and _strongest(Lens(1280, 720, 20.0)) == 0.36
    assert _strongest(Lens(1280, 720, 100.0)) == pytest.approx(0.29 / (np.hypot(1, 720 / 1280) * np.tan(np.radians(50))) ** 2)


def test_a_told_term_is_taken_and_never_folds_the_picture() -> None:
    told = Orientation(0.0, 1.0, 0.0, 1.0, None, LENS, k1=-0.1, k1_sd=0.02)
    assert as_it_may_bend(LENS, told) == (replace(LENS, k1=-0.1), 0.02)
    folded, sd = as_it_may_bend(LENS, replace(told, k1=-9.0))
    assert folded.k1 == pytest.approx(0.9 * least_k1(LENS)) and sd == 0.02
    half_told = as_it_may_bend(LENS, replace(told, k1_sd=None))
    assert half_told == as_it_may_bend(LENS, None)


# -- looking down, several snapshots -----------------------------------------------------------------------------------


def test_looks_down_are_tried_within_thirty_degrees_about_two_apart() -> None:
    cap = _cap()
    assert cap[0].tolist() == [0.0, 0.0, -1.0] and np.allclose(np.linalg.norm(cap, axis=1), 1.0)
    tilts = np.degrees(np.arccos(-cap[:, 2]))
    assert sorted(set(tilts.round(6))) == pytest.approx(list(np.arange(0.0, 30.1, 2.0)))
    nearest = np.sort(np.degrees(np.arccos(np.clip(cap @ cap.T, -1, 1))), axis=1)[:, 1]
    assert 1.7 < nearest.min() and nearest.max() <= 2.2
    turned = np.arctan2(cap[:, 1], cap[:, 0])[tilts > 20]
    assert np.diff(np.sort(turned)).max() < 0.1, "all round"
    rng = np.random.default_rng(1)
    any_down = rng.normal(0, 0.25, (300, 3)) - [0, 0, 1]
    any_down /= np.linalg.norm(any_down, axis=1, keepdims=True)
    any_down = any_down[-any_down[:, 2] > np.cos(np.radians(29))]
    assert np.degrees(np.arccos((any_down @ cap.T).max(axis=1))).max() < 1.6


def test_only_a_wide_fisheye_may_look_down() -> None:
    assert may_look_down(Lens(800, 800, 150.0, projection="equidistant")) and not may_look_down(Lens(800, 800, 149.0, projection="equidistant"))
    assert not may_look_down(Lens(800, 800, 155.0))
    fit = fit_directions(edges_along(unit(0, 0, -1), 1).longest(0), unit(0, 0, -1))
    assert _curvature_deg(fit) == pytest.approx(np.degrees(100.0))
    assert _curvature_deg(replace_information(fit, np.diag([1 / 0.35 / np.radians(2.0) ** 2, 1 / 0.35 / np.radians(0.5) ** 2]))) == pytest.approx(2.0)


def replace_information(fit: Fit, information: np.ndarray) -> Fit:
    return replace(fit, information=information)


def test_snapshots_are_pooled_with_seven_tenths_of_their_variance_in_common() -> None:
    """Closed form of equal sds: common share plus the own share over their number; spread beyond chance widens the own share."""
    mean, sd = _pooled([1.0, 1.0, 1.0, 1.0], [0.4] * 4, 0.7)
    assert (mean, sd) == pytest.approx((1.0, 0.4 * np.sqrt(0.7 + 0.3 / 4)))
    mean, sd = _pooled([0.0, 3.0], [1.0, 2.0], 0.7)
    own = np.array([0.3, 1.2])
    weight = 1 / own
    spread = float(weight @ (np.array([0.0, 3.0]) - 0.6) ** 2)
    assert mean == pytest.approx(0.6) and spread > 1
    assert sd == pytest.approx(np.sqrt(0.7 * (weight @ [1.0, 4.0]) / weight.sum() + spread / weight.sum()))


def test_the_surest_snapshots_lens_and_cues_stand_for_all() -> None:
    one = Orientation(1.0, 0.3, -10.0, 0.3, None, LENS, ("a",))
    other = Orientation(None, None, -10.2, 0.2, None, Lens(1280, 720, 70.0), ("b",))
    both = combine_orientations([one, other])
    assert both.lens.hfov_deg == 70.0 and both.cues == ("b", "2 snapshots")
    assert (both.roll_deg, both.roll_sd_deg) == pytest.approx((1.0, 0.3)), "of the one that tells it"
    silent = Orientation(None, None, None, None, "Too dark.", LENS)
    assert combine_orientations([silent, one]) is one
    apart = combine_orientations([replace(one, pitch_deg=-40.0, pitch_sd_deg=1.0), replace(one, pitch_deg=10.0, pitch_sd_deg=1.0)])
    assert apart.pitch_deg is None and apart.roll_sd_deg is None and apart.note == "The snapshots of this camera contradict each other."


def test_lines_along_rows_and_columns_are_told_from_those_that_lean() -> None:
    """A line that leaves its row by more than a hundredth of its length leans."""
    lines = np.array([[0.0, 0, 200, 0], [0.0, 0, 200, 1.9], [0.0, 0, 200, 2.1], [5.0, 0, 5, 300], [0.0, 0, 3.1, 300], [0.0, 0, -2.9, 300]])
    assert _askew(lines).tolist() == lines[[2, 4]].tolist()


def test_segments_through_a_lens_keep_their_order_and_length() -> None:
    lens = Lens(800, 600, 60.0)
    found = arcs(np.array([[100.0, 100, 100, 500], [0.0, 300, 799, 300]]), lens, 0.5, 0.5, 0.001)
    assert found.longest(1).length_px.tolist() == [200.0] and found.longest(2) is found and len(found.longest(5)) == 2
    across = np.cross(lens.unproject([0.0, 300.0]), lens.unproject([799.0, 300.0]))
    assert found.normal[1] == pytest.approx(across / np.linalg.norm(across)), "from its first end to its second"
    none = arcs(np.zeros((0, 4)), lens, 0.5, 0.5, 0.001)
    assert none.normal.shape == none.middle.shape == (0, 3) and none.segments_px.shape == (0, 4) and none.sd_rad.shape == none.length_px.shape == (0,)
