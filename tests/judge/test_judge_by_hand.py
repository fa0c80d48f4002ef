"""Chances of turns, grounds, sightings and skies where the answer is known by hand: densities that integrate, correlations, circles."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import quad

from audit.judge import ground, lines
from audit.judge.chances import (
    PoseBelief,
    TargetChance,
    above,
    open_sky_belief,
    outside,
    state_of,
    target_chances,
    weighed,
)
from audit.judge.evidence import Comparison, Pointed, ShownBearing
from audit.judge.exchange import _chance, _cycles, _doubts, _Gains, _odds, _ring_gain, _rings
from audit.judge.ground import GroundSeen
from audit.judge.intended import intended_pose
from audit.judge.likeness import Likeness, _density, _log_half_view
from audit.judge.panned import Panned, _carried
from audit.judge.pose import POINTED_OUT, _joint, _with_clicks, lost_targets
from audit.judge.sightings import Sightings
from audit.lens import Lens
from audit.measure.ground import CELL, COLUMNS, ROWS, GroundView
from audit.measure.level_lines import BINS
from audit.measure.measurement import Orientation, ViewChange
from audit.measure.resection import Resection
from audit.plan.model import Camera, Landmark, Target
from audit.plan.optics import Pose
from tests.judge_samples import LIMITS, SITE, evidence, good_pair, judged, only

LENS = Lens(1920, 1080, 60.0)
EYE = Camera("E-1", 0, 0, 3, 0.0, 0.0, LENS, form="bullet", surface="wall", targets=(Target("gate", 0, 20, 3.0, 40.0),))


# -- chances ---------------------------------------------------------------------------------------------------------------


def test_drawn_poses_have_the_belief_s_mean_sd_and_covariance() -> None:
    level = Pose(10.0, -5.0, 1.0)
    poses, factors = PoseBelief(level, 2.0, 1.0, 0.5, 0.05).draws()
    assert poses.mean(axis=0) == pytest.approx([10.0, -5.0, 1.0], abs=0.02) and poses.std(axis=0) == pytest.approx([2.0, 1.0, 0.5], rel=0.03)
    assert (1 / factors).std() == pytest.approx(0.05, rel=0.03) and np.median(factors) == pytest.approx(1.0, abs=1e-3)
    together = ((4.0, 1.5, -0.2), (1.5, 1.0, 0.1), (-0.2, 0.1, 0.25))
    drawn, _ = PoseBelief(level, 2.0, 1.0, 0.5, 0.0, together).draws()
    assert np.cov(drawn.T) == pytest.approx(np.array(together), abs=0.12)
    assert PoseBelief(level, 1, 1, 1, 9.0).draws()[1].max() == pytest.approx(5.0), "an angle of view never turns round"


def test_chances_beyond_limits_are_those_of_a_normal_error() -> None:
    """Against SciPy's."""
    assert outside(1.0, 2.0, -3.0, 2.5) == pytest.approx(stats.norm.cdf(-3.0, 1.0, 2.0) + stats.norm.sf(2.5, 1.0, 2.0))
    assert above(1.0, 2.0, 2.5) == pytest.approx(stats.norm.sf(2.5, 1.0, 2.0))
    assert outside(1.0, 0.0, 0.9, 1.1) == 0.0 and above(1.0, 0.0, 0.9) == 1.0 and outside(1.2, 0.0, 0.9, 1.1) == 1.0


def test_a_state_is_that_of_its_probability_and_a_vague_measurement_must_be_surer() -> None:
    high, low, vague = LIMITS.defect_at_least, LIMITS.as_planned_at_most, LIMITS.defect_if_vague
    assert [state_of(p, LIMITS) for p in (high, high - 1e-6, low + 1e-6, low)] == ["defect", "to check", "to check", "as planned"]
    assert weighed(high, low, LIMITS) == "defect" and weighed(low, low, LIMITS) == "as planned"
    at_best = low + 0.1
    assert weighed(vague, at_best, LIMITS) == "defect" and weighed(vague - 1e-6, at_best, LIMITS) == "to check"
    half = (1 + at_best) / 2
    assert [weighed(half + d, at_best, LIMITS) for d in (0.0, -1e-6)] == ["to check", "not verified"]
    assert weighed(half, at_best, LIMITS, even_if_likely=True) == "not verified"


@pytest.mark.parametrize(("off_deg", "sd_deg", "state"), [(0.4, 1.5, "not verified"), (1.5, 1.5, "to check"), (1.5, 0.8, "as planned"), (2.0, 0.8, "to check")])
def test_a_roll_near_nought_that_the_doubt_alone_keeps_open_sends_nobody_up_a_ladder(off_deg: float, sd_deg: float, state: str) -> None:
    """Limit 3 degrees: of 0.4 +/- 1.5, 5.3 % lie beyond it, and 4.6 % would of a perfect 0.0; of 1.5 +/- 1.5 it is 16 %."""
    at_best, as_measured = (outside(x, sd_deg, -3.0, 3.0) for x in (0.0, off_deg))
    assert weighed(as_measured, at_best, LIMITS) == state


def test_a_target_straight_ahead_has_the_density_of_its_distance_and_the_lens_s_doubt() -> None:
    """f / d; its sd is that of the angle of view, whose focal length it goes with."""
    intended = intended_pose(EYE)
    (found,) = target_chances(EYE, intended, PoseBelief(Pose(0.0, 0.0, 0.0), 0.01, 0.01, 0.01, 0.05), LIMITS)
    density = LENS.focal_px / 20.0
    assert found.px_per_m == pytest.approx(density, rel=0.01) and found.px_per_m_sd == pytest.approx(0.05 * density, rel=0.1)
    assert (found.target, found.held_by_plan, found.lost, found.out_of_frame, found.too_coarse) == ("gate", True, 0.0, 0.0, 0.0)
    half = PoseBelief(Pose(30.0, 0.0, 0.0), 2.0, 0.01, 0.01)
    (edge,) = target_chances(EYE, intended, half, LIMITS)
    assert edge.out_of_frame == pytest.approx(0.5, abs=0.02) and edge.lost == edge.out_of_frame and edge.too_coarse == 0.0
    (shown,) = target_chances(EYE, intended, half, LIMITS, seen=("gate",))
    assert shown.out_of_frame == 0.0
    fraction = LIMITS.target.density_fraction
    fine = replace(EYE, targets=(Target("gate", 0, 20, 3.0, density / fraction),))
    (coarse,) = target_chances(fine, intended, PoseBelief(Pose(0.0, 0.0, 0.0), 0.01, 0.01, 0.01, 0.05), LIMITS)
    assert coarse.too_coarse == pytest.approx(0.5, abs=0.03) and coarse.lost == coarse.too_coarse and coarse.out_of_frame == 0.0
    beyond = replace(EYE, targets=(Target("gate", 0, 20, 3.0, 1.02 * density / fraction),))
    assert not target_chances(beyond, intended, half, LIMITS)[0].held_by_plan and target_chances(replace(EYE, targets=()), intended, half, LIMITS) == ()


def test_the_open_sky_of_a_level_camera_is_half_its_picture_and_moves_with_its_tilt() -> None:
    """A degree of tilt moves the horizon by f tan(1 degree)."""
    share, sd = open_sky_belief(EYE, PoseBelief(Pose(0.0, 0.0, 0.0), 1.0, 0.5, 0.01))
    assert share == pytest.approx(0.5, abs=0.005) and sd == pytest.approx(LENS.focal_px * math.tan(math.radians(0.5)) / 1080, rel=0.06)


@pytest.mark.parametrize(("off", "tilts"), [(0.0, False), (0.04, False), (-0.04, False), (0.2, True)])
def test_a_little_too_much_sky_over_a_camera_that_is_tilted_as_planned_is_looked_at(off: float, tilts: bool) -> None:
    """Nobody is sent to tilt it by nothing."""
    camera = SITE.camera("TH-24")
    found = only(judged("TH-24", *good_pair(camera, pitch=intended_pose(camera).pitch_deg + off, sd=0.02, sky=0.1875)), "sky")
    assert (found.remedy is not None) == tilts and ("tilted as planned" in found.why) != tilts
    assert found.state == "to check" or tilts


def test_three_targets_are_named_and_the_rest_counted() -> None:
    camera = replace(EYE, targets=tuple(Target(f"t{k}", k, 20, 3.0, 40.0 if k else None) for k in range(5)))
    held = [TargetChance(f"t{k}", True, 0.0, 0.0, 0.0, 50.0 if k != 1 else None, 1.0) for k in range(5)]
    intended = intended_pose(camera)

    def said(count: int) -> str:
        return lost_targets(camera, intended, Pose(0, 0, 0), held[:count], LIMITS)

    assert said(3) == "In the picture at the planned pixel density: 't0' (50 px/m), 't1' (density not known), 't2' (50 px/m, 40 required)."
    assert said(4).endswith("(50 px/m, 40 required) and 1 more.") and said(5).endswith(" and 2 more.")


def test_a_carried_bearing_carries_both_doubts() -> None:
    comparison = Comparison("signed", "photo", False, ViewChange(0.99, pan_change_deg=-25.0, pan_change_sd_deg=0.4))
    then = ShownBearing(20.0, 0.3, 1)
    found = _carried(evidence(EYE, comparisons=(comparison,), reference_bearing=then), Panned(None, None, 0.0), LIMITS)
    assert found.bearing_deg == pytest.approx(355.0) and found.bearing_sd_deg == pytest.approx(0.5)


ROLL_SD = 0.7 * LIMITS.level.roll_tolerance_deg / 1.96


@pytest.mark.parametrize(
    ("pitch_sd", "roll_sd", "tilt", "level"),
    [(2.99, 0.99 * ROLL_SD, True, True), (3.01, 0.1, False, True), (0.5, 1.01 * ROLL_SD, True, False), (None, 0.1, False, True), (0.5, None, True, False)],
)
def test_a_pose_by_clicks_counts_up_to_three_degrees_of_doubt(pitch_sd: float | None, roll_sd: float | None, tilt: bool, level: bool) -> None:
    """Roll only where it is surer than the tolerance itself asks, by three tenths."""
    silent = Orientation(None, None, None, None, "Too dark.", LENS)
    pose = Resection(10.0, 1.0, -20.0, pitch_sd, 2.0, roll_sd)
    found = _with_clicks(Panned(10.0, 1.0, 0.0, pose=pose), silent, LIMITS)
    assert (found.pitch_deg, found.pitch_sd_deg, found.cues) == ((-20.0, pitch_sd, (POINTED_OUT,)) if tilt else (None, None, ()))
    assert (found.roll_deg, found.roll_sd_deg) == ((2.0, roll_sd) if level else (None, None))
    assert _with_clicks(Panned(None, None, 0.0), silent, LIMITS) is silent


@pytest.mark.parametrize(("pitch_sd", "roll_sd", "tilt", "level"), [(0.69, 0.34, True, True), (0.71, 0.1, False, True), (0.69, 0.36, True, False)])
def test_clicks_replace_what_the_picture_says_where_they_are_surer_by_three_tenths(pitch_sd: float, roll_sd: float, tilt: bool, level: bool) -> None:
    told = Orientation(1.0, 0.5, -18.0, 1.0, None, LENS, ("learned view",))
    found = _with_clicks(Panned(10.0, 1.0, 0.0, pose=Resection(10.0, 1.0, -20.0, pitch_sd, 2.0, roll_sd)), told, LIMITS)
    assert (found.pitch_deg, found.cues) == ((-20.0, ("learned view", POINTED_OUT)) if tilt else (-18.0, ("learned view",)))
    assert (found.roll_deg, found.roll_sd_deg) == ((2.0, roll_sd) if level else (1.0, 0.5))


def test_the_whole_pose_takes_the_bearing_that_was_shown_and_what_hangs_together() -> None:
    own = PoseBelief(Pose(0.0, -18.0, 1.0), math.inf, 0.5, 0.4, 0.01)
    assert _joint(Panned(None, None, 0.0), own, False) == own and _joint(Panned(12.0, 2.0, 0.0), None, False) is None
    assert _joint(Panned(12.0, 2.0, 0.0), own, False) == PoseBelief(Pose(12.0, -18.0, 1.0), 2.0, 0.5, 0.4, 0.01)
    covariance = np.array([[4.0, 0.3, 0.1], [0.3, 0.25, 0.0], [0.1, 0.0, 0.16]])
    whole = Resection(12.0, 2.0, -20.0, 0.5, 2.0, 0.4, covariance=covariance)
    found = _joint(Panned(12.0, 2.0, 0.0, pose=whole), own, False)
    assert found is not None and found.pose == Pose(12.0, -20.0, 2.0) and found.covariance == tuple(map(tuple, covariance.tolist()))
    assert (found.bearing_sd_deg, found.pitch_sd_deg, found.roll_sd_deg, found.hfov_sd_fraction) == pytest.approx((2.0, 0.5, 0.4, 0.01))
    down = PoseBelief(Pose(0.0, -87.0, 0.0), math.inf, 4.0, 0.0, 0.02)
    assert _joint(Panned(12.0, 2.0, 0.0), down, True) == PoseBelief(Pose(12.0, -90.0, 0.0), 2.0, 5.0, 0.0, 0.02)
    assert _joint(Panned(12.0, 2.0, 0.0), None, True).pose == Pose(12.0, -90.0, 0.0)  # type: ignore[union-attr]


# -- sightings -------------------------------------------------------------------------------------------------------------


def click(name: str, bearing_deg: float, away_m: float, off_deg: float, sd_m: float | None = 0.0) -> Pointed:
    """A thing in that direction, clicked so much beside the middle of the picture of a level camera that looks north."""
    east, north = away_m * math.sin(math.radians(bearing_deg)), away_m * math.cos(math.radians(bearing_deg))
    column = LENS.centre_px[0] + LENS.focal_px * math.tan(math.radians(bearing_deg + off_deg))
    return Pointed(name, Landmark(name, east, north, 3.0, sd_m), "photo", (column, LENS.centre_px[1]), (1920, 1080))


def _by_integral(offs: list[float], sds: list[float]) -> float:
    """The likelihood as it is defined: one pan for all clicks, an error for each, or anywhere at all."""
    def pan(x: float) -> float:
        return 0.92 * stats.norm.pdf(x, 0, 3.0) + 0.08 * stats.norm.pdf(x, 0, 30.0)

    def both(x: float) -> float:
        return pan(x) * math.prod(stats.norm.pdf(off, x, sd) for off, sd in zip(offs, sds, strict=True))

    middle = float(np.mean(offs))
    value, _ = quad(both, middle - 15, middle + 15, points=[middle], limit=200)
    return math.log(0.95 * value + 0.05 / 360.0 ** len(offs))


@pytest.mark.parametrize("offs", [[0.0], [4.0], [-25.0], [1.0, 1.5], [10.0, 9.0], [0.0, 12.0], [2.0, 2.2, 1.5]])
def test_clicks_are_as_likely_as_one_pan_and_their_own_errors_make_them(offs: list[float]) -> None:
    seen = [click(f"t{k}", 5.0 * k - 5.0, 30.0, off, None) for k, off in enumerate(offs)]
    sds = [max(math.degrees(math.atan(math.hypot(0.5, 0.5) / 30.0)), 0.5)] * len(offs)
    found = Sightings([EYE], [intended_pose(EYE)], {0: seen}).fits(0)
    assert found[0] == pytest.approx(_by_integral(offs, sds), abs=2e-3)


def test_a_thing_is_off_by_what_it_lies_right_of_where_a_camera_would_see_it() -> None:
    other = replace(EYE, camera="E-2", east_m=10.0)
    steep = replace(EYE, camera="E-3", pitch_deg=-75.0)
    cameras = [EYE, other, steep]
    seen = Sightings(cameras, [intended_pose(c) for c in cameras], {0: [click("post", 10.0, 30.0, 3.0)]})
    assert seen.rows() == (0,) and seen.off_deg(0, 0) == ("post", pytest.approx(3.0, abs=1e-6))
    east, north = 30 * math.sin(math.radians(10)) - 10, 30 * math.cos(math.radians(10))
    assert seen.off_deg(0, 1)[1] == pytest.approx(13.0 - math.degrees(math.atan2(east, north)))
    assert seen.fits(0)[2] == pytest.approx(-math.log(360.0)), "straight down there is no direction"
    assert seen.fits(1).tolist() == [0.0, 0.0, 0.0] and seen.fits(0) is seen.fits(0)
    assert seen.fits(0)[0] > seen.fits(0)[1]


def test_the_picture_with_most_in_it_speaks_and_what_has_no_place_does_not() -> None:
    more = [replace(click(f"t{k}", 5.0 * k, 30.0, 1.0), photo="second") for k in range(2)]
    lost = replace(click("gone", 0.0, 30.0, 40.0), place=None, photo="third")
    unseen = replace(click("unseen", 0.0, 30.0, 40.0), at_px=None, photo="third")
    seen = Sightings([EYE], [intended_pose(EYE)], {0: [click("first", 0.0, 30.0, 9.0), *more, lost, unseen], 1: [lost, unseen]})
    assert seen.rows() == (0,) and seen.off_deg(0, 0) == ("t0", pytest.approx(1.0, abs=1e-6))


# -- lines and grounds -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("room", "step"), [(lines, 2.0), (ground, 2.0)])
def test_before_anything_is_seen_nine_in_ten_stand_within_two_degrees(room: object, step: float) -> None:
    """Normal with 2 degrees in nine of ten, anywhere in one."""
    logs, turns = room._before(), room._TURNS_DEG  # type: ignore[attr-defined]
    chance = np.exp(logs)
    assert chance.sum() == pytest.approx(1.0) and len(turns) == 180 and sorted(turns)[1] - sorted(turns)[0] == step
    even = 0.1 / 180
    assert chance[np.abs(turns) > 20] == pytest.approx(even, rel=1e-6)
    at = {float(t): c for t, c in zip(turns, chance, strict=True)}
    assert (at[2.0] - even) / (at[0.0] - even) == pytest.approx(math.exp(-0.5)) and at[-4.0] == pytest.approx(at[4.0])


@pytest.mark.parametrize("turn", [0.0, 2.0, 3.0, 178.0, 359.0])
def test_edges_turn_with_their_camera(turn: float) -> None:
    seen = np.zeros(BINS)
    seen[10] = 4.0
    found = lines._turned(seen, turn)
    assert found.sum() == pytest.approx(4.0)
    middle = np.angle(np.sum(found * np.exp(2j * np.radians((np.arange(BINS) + 0.5) * 2))), deg=True) / 2
    assert (middle - 21.0 - turn + 90) % 180 - 90 == pytest.approx(0.0, abs=1e-6)


def test_a_circular_correlation_is_its_sum() -> None:
    rng = np.random.default_rng(1)
    common, own = rng.random((2, 3, BINS))
    expected = [[float((own[n] * np.roll(common[n], -turn)).sum()) for turn in range(BINS)] for n in range(3)]
    assert lines._correlated(common, own) == pytest.approx(np.array(expected))


@pytest.mark.parametrize(("spot", "seen"), [((0.0, 10.0), True), ((5.7, 10.0), True), ((5.9, 10.0), False), ((-5.7, 10.0), True), ((0.0, 39.9), True), ((0.0, 40.1), False), ((0.0, -10.0), False)])
def test_a_spot_is_in_view_within_half_the_angle_and_forty_metres(spot: tuple[float, float], seen: bool) -> None:
    for bearing in (0.0, 90.0, 200.0):
        turn = math.radians(bearing)
        east, north = spot[0] * math.cos(turn) + spot[1] * math.sin(turn), spot[1] * math.cos(turn) - spot[0] * math.sin(turn)
        found = lines._in_view(np.array([[[[3 + east, 7 + north]]]]), np.array([[[3.0, 7.0]]]), np.array([[bearing]]), np.array([[30.0]]))
        assert bool(found[0, 0, 0]) == seen


def test_what_two_cameras_share_is_counted_by_spots() -> None:
    """Two that look at each other 20 m apart, and one beside the first that looks the same way: by a plain loop over the spots."""
    row = [lines.LinesSeen("A", 0, 0, 0.0, 60.0, ()), lines.LinesSeen("B", 0, 20, 180.0, 60.0, ()), lines.LinesSeen("C", 1, 0, 5.0, 170.0, ())]
    weights, covered = lines._neighbours(row)

    def spots(s: lines.LinesSeen) -> list[tuple[float, float]]:
        half = min(s.hfov_deg, 150.0) / 2
        ways = [math.radians(s.bearing_deg + half * a) for a in (-0.9, -0.6, -0.3, 0.0, 0.3, 0.6, 0.9)]
        return [(s.east_m + d * math.sin(w), s.north_m + d * math.cos(w)) for d in (3, 6, 10, 15, 22, 30) for w in ways]

    def sees(s: lines.LinesSeen, spot: tuple[float, float]) -> bool:
        east, north = spot[0] - s.east_m, spot[1] - s.north_m
        aside = abs((math.degrees(math.atan2(east, north)) - s.bearing_deg + 180) % 360 - 180)
        return aside <= min(s.hfov_deg, 150.0) / 2 and math.hypot(east, north) <= 40.0

    def shared(a: lines.LinesSeen, b: lines.LinesSeen) -> float:
        return float(np.mean([sees(b, spot) for spot in spots(a)]))

    for i, a in enumerate(row):
        for j, b in enumerate(row):
            both = 0.0 if i == j else max(shared(a, b), shared(b, a))
            assert weights[i, j] == pytest.approx(both if both >= 0.1 else 0.0)
        assert covered[i] == pytest.approx(np.mean([any(sees(b, spot) for b in row if b is not a) for spot in spots(a)]))


@pytest.mark.parametrize(("opposite", "one_way"), [(0.1, True), (0.13, False)])
def test_the_likeliest_turn_beyond_four_degrees_is_told(opposite: float, one_way: bool) -> None:
    likely = np.zeros(2 * BINS)
    at = {float(t): k for k, t in enumerate(lines._TURNS_DEG)}
    likely[at[0.0]], likely[at[4.0]], likely[at[30.0]], likely[at[-150.0]] = 0.2, 0.2, 0.45, opposite
    found = lines._misfit(likely, np.abs(lines._TURNS_DEG) > 4.0, 7, 0.6)
    assert (found.turn_deg, found.one_way, found.others, found.covered) == (30.0, one_way, 7, 0.6) and found.probability == pytest.approx(0.45 + opposite)


def test_level_vectors_turn_clockwise_and_rows_correlate_as_numpys() -> None:
    assert ground._turned(np.array([0.0]), np.array([2.0]), 90.0) == (pytest.approx([2.0]), pytest.approx([0.0]))
    rng = np.random.default_rng(2)
    first, second = rng.normal(size=(2, 4, 50))
    second += 0.7 * first
    inside = rng.random((4, 50)) < 0.8
    found = ground._correlated(np.where(inside, first, 0), np.where(inside, second, 0), inside)
    assert found == pytest.approx([np.corrcoef(a[i], b[i])[0, 1] for a, b, i in zip(first, second, inside, strict=True)])


def test_a_turn_smears_into_its_neighbours_and_loses_nothing() -> None:
    scores = np.full(180, -50.0)
    scores[0] = 3.0
    found = np.exp(ground._smeared(scores))
    assert found.sum() == pytest.approx(math.exp(3.0))
    assert found[1] / found[0] == pytest.approx(math.exp(-0.5)) and found[-3] / found[0] == pytest.approx(math.exp(-4.5)) and found[4] < 1e-10


@pytest.mark.parametrize("good", [0.9, 0.3, 1.0, 0.0])
def test_a_neighbour_that_may_be_panned_says_less(good: float) -> None:
    """As likely as it is good its own word, else the mean of all turns."""
    scores = np.random.default_rng(3).normal(0, 2, 180)
    doubt = min(max(1 - good, 1e-3), 1 - 1e-3)
    assert ground._doubted(scores, good) == pytest.approx(np.log((1 - doubt) * np.exp(scores) + doubt * np.exp(scores).mean()))


def paved(seed: int = 4) -> GroundView:
    """A ground of random stones, a third of a metre each, seen in full up to four heights ahead."""
    stones = np.random.default_rng(seed).normal(size=(ROWS // 4 + 1, COLUMNS // 4 + 1)).astype(np.float32)
    seen = np.zeros((ROWS, COLUMNS), bool)
    seen[: round(4 / CELL)] = True
    return GroundView(np.repeat(np.repeat(stones, 4, axis=0), 4, axis=1)[:ROWS, :COLUMNS] * seen, seen)


def test_two_looks_at_one_ground_agree_at_no_turn_as_two_normal_variables_do() -> None:
    """Minus n / 2 ln(1 - r²) with r at its cap and n patches of 0.45 heights, shared out over the next turns."""
    view = paved()
    one = GroundSeen("A", 0.0, 0.0, 4.0, 0.0, "", 30.0, view)
    found = ground._likeness(one, replace(one, camera="B"))
    assert int(found.argmax()) == int(np.flatnonzero(ground._TURNS_DEG == 0.0)[0])
    patches = float(view.seen[::2, ::2].sum()) * (2 * CELL / 0.45) ** 2
    reach = np.arange(-3, 4)
    shared = np.exp(-0.5 * (reach * 2.0 / 2.0) ** 2)
    expected = -0.5 * patches * math.log1p(-(0.98**2)) + math.log(1 / shared.sum())
    assert found.max() == pytest.approx(expected, rel=0.05) and np.median(found) < 0.2 * expected
    turned = ground._likeness(one, replace(one, camera="B", bearing_deg=50.0))
    assert ground._TURNS_DEG[int(turned.argmax())] == 20.0, "it is to be turned to the right to look where the other does"
    assert not ground._likeness(one, replace(one, camera="B", east_m=100.0)).any()
    higher = replace(one, camera="B", height_m=4.4, view=GroundView(view.contrast, view.seen))
    assert ground._likeness(one, higher).max() < 0.7 * expected, "the same pattern at another scale is another ground"


# -- likeness --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("most", "sky", "sd"), [(0.4, 0.2, 0.05), (0.4, 0.45, 0.05), (0.4, 0.0, 0.02), (0.1, 0.5, 0.1), (0.4, 0.2, 0.001)])
def test_a_share_of_sky_is_as_likely_as_any_up_to_the_plans_with_an_error(most: float, sky: float, sd: float) -> None:
    """By integral: even up to the plan's and three hundredths, hidden in 15 of 100, anything in 2."""
    like = Likeness.__new__(Likeness)
    like._indoor, like._sky = np.array([False, True]), np.array([most, 0.0])
    spread = max(sd, 0.005)

    def even(top: float) -> float:
        return quad(lambda s: stats.norm.pdf(sky, s, spread) / top, 0.0, top, points=[min(max(sky, 0.0), top)], limit=200)[0]

    outdoors = 0.83 * even(most + 0.03) + 0.15 * even(0.03) + 0.02
    found = like._open_sky(np.array([[sky], [np.nan]]), np.array([[sd], [0.1]]), np.array([0, 1]))
    assert found[0] == pytest.approx([math.log(outdoors), math.log(0.98 * even(0.03) + 0.02)], abs=1e-5) and found[1].tolist() == [0.0, 0.0]


def test_an_angle_of_view_an_angle_and_half_views() -> None:
    off, sd = np.array([0.5, np.nan, 2.0]), np.array([1.0, 1.0, 0.5])
    assert _density(off, sd, np.array([True, True, False])) == pytest.approx([stats.norm.logpdf(0.5), 0.0, -math.log(90.0)])
    assert _log_half_view(LENS) == pytest.approx(math.log(math.tan(math.radians(30)))) and _log_half_view(Lens(100, 100, 200.0, projection="equidistant")) == pytest.approx(math.log(math.tan(math.radians(85))))
    like = Likeness.__new__(Likeness)
    like._seen_focal, like._log_focal, like._flat = np.array([[0.1, np.nan], [0.08, np.nan]]), np.array([0.0, 0.3]), np.array([True, False])
    found = like._lenses(np.array([0, 1]), np.array([0, 1]))
    assert found == pytest.approx(np.array([[math.log(0.95 * math.exp(-0.5 * (0.1 / 0.1) ** 2) + 0.05), 0.0], [0.0, 0.0]]))


def test_a_hint_about_cameras_of_another_group_changes_nothing_here() -> None:
    cameras = [replace(SITE.cameras[0], camera=f"C{k}", east_m=20.0 * k) for k in range(4)]
    like = Likeness(cameras, {}, LIMITS)
    rows = np.array([0, 1])
    plain = _Gains(like, cameras, {}).table(rows, rows)
    assert np.array_equal(_Gains(like, cameras, {(0, 2): 5.0, (3, 1): 5.0, (2, 3): 5.0}).table(rows, rows), plain)
    assert _Gains(like, cameras, {(0, 1): 5.0}).table(rows, rows) - plain == pytest.approx(np.array([[0.0, 5.0], [0.0, 0.0]]))


# -- exchanges -------------------------------------------------------------------------------------------------------------


def test_rings_of_a_permutation_and_what_they_gain() -> None:
    """A ring of three is three log odds less likely than a pair, one of four six."""
    assert _rings(range(6), np.array([1, 0, 2, 4, 5, 3])) == [[0, 1], [3, 4, 5]] and _rings(range(3), np.array([0, 1, 2])) == []
    gains = np.arange(16.0).reshape(4, 4)
    assert _ring_gain([0, 1], gains) == gains[0, 1] + gains[1, 0]
    assert _ring_gain([0, 2, 1], gains) == gains[0, 2] + gains[2, 1] + gains[1, 0] - 3.0
    assert _ring_gain([0, 1, 2, 3], gains) == gains[0, 1] + gains[1, 2] + gains[2, 3] + gains[3, 0] - 6.0


def test_odds_of_an_exchange_are_those_of_all_pairs_and_rings_of_three() -> None:
    """By listing them: with each other camera the pair, and every ring of three that takes the one's pictures to the other."""
    gains = np.random.default_rng(5).normal(-2, 1, (5, 5))
    found = _odds(gains)
    for i in range(5):
        for k in range(5):
            if i == k:
                continue
            pair = math.exp(gains[i, k] + gains[k, i])
            rings = sum(math.exp(gains[i, k] + gains[k, m] + gains[m, i] - 3.0) for m in range(5) if m not in (i, k))
            assert found[i, k] == pytest.approx(pair + rings)


def test_a_cycle_s_chance_is_against_none_and_every_other() -> None:
    of_any = np.array([9.0, 12.0, 0.5])
    assert _chance([0, 1], math.log(8.0), of_any) == pytest.approx(8.0 / (1 + 8.0 + 1.0 + 4.0))
    assert _chance([0, 1], math.log(10.0), of_any) == pytest.approx(10.0 / (1 + 10.0 + 0.0 + 2.0))


def test_the_likeliest_exchange_is_found_and_a_ring_that_a_pair_explains_is_taken_apart() -> None:
    gains = np.full((4, 4), -5.0)
    np.fill_diagonal(gains, 0.0)
    gains[0, 1] = gains[1, 0] = 4.0
    assert _cycles(gains) == [([0, 1], 8.0)]
    gains[1, 2] = gains[2, 0] = 4.5
    (ring,) = _cycles(gains)
    assert ring == ([0, 1, 2], 4.0 + 4.5 + 4.5 - 3.0)
    gains[2, 0] = 0.5
    assert _cycles(gains) == [([0, 1], 8.0)], "three that gain six are less than two that gain eight"


@pytest.mark.parametrize(("odds", "chance"), [(0.052, None), (0.053, 0.053 / 1.053)])
def test_a_doubt_is_told_from_one_in_twenty_on_with_its_likeliest_partners(odds: float, chance: float | None) -> None:
    like = Likeness.__new__(Likeness)
    like.cameras = tuple(replace(SITE.cameras[0], camera=f"C{k}") for k in range(5))
    table = np.zeros((5, 5))
    table[0, 1:] = np.array([0.7, 0.13, 0.17, 0.0]) * odds
    found = _doubts(np.arange(5), table, set(), like)
    assert (found.get("C0") is None) == (chance is None) and set(found) <= {"C0"}
    if chance is not None:
        assert found["C0"].probability == pytest.approx(chance) and found["C0"].partners == ("C1", "C3")
        assert _doubts(np.arange(5), table, {1}, like) == {} and _doubts(np.arange(5), 20 * table, {0}, like) == {}
