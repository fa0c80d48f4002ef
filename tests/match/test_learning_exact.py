"""What a visit's own photos teach: settings with which walks were made are found again, and little is learnt from little."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from audit.match.evidence import (
    PhotoArrays,
    Settings,
    SiteArrays,
    direction_log_density,
    direction_log_ratio,
)
from audit.match.factors import STANDOFF_KEPT
from audit.match.learning import Lesson, burst_steps, first_settings, learn, rule_of
from audit.match.learnt_places import repeat_sd_deg, steadiness
from audit.match.sampling import Draws
from audit.match.shown import Shown
from audit.match.walk import Chain

COUNT = 400
BASE = Settings()


class Made:
    """A long walk past a row of cameras, each stay of one to four photos, and the one walk that made it as draws."""

    def __init__(self, seed: int = 4, *, stay_s: float = 15.0, move_s: float = 90.0, standoff_m: float = 4.0,
                 error: float = 1.0, look_sd_deg: float = 22.0, front: float = 0.8, burst: float = 0.05,
                 step: int = 1, stay_share: float = 0.65, skip: float = 0.04, spread: float = 0.5) -> None:
        rng = np.random.default_rng(seed)
        gap_m = 15.0
        self.site = SiteArrays(gap_m * np.arange(COUNT), np.zeros(COUNT), np.zeros(COUNT), rng.uniform(0, 6.28, COUNT),
                               gap_m * COUNT * 60.0, gap_m)
        visits = [c for c in range(COUNT)[::step] if rng.random() > skip]
        camera, begins, times, now = [], [], [], 0.0
        for c in visits:
            now += move_s * np.exp(rng.normal(0, spread)) + 0.7 * gap_m / 1.3
            first = True
            while first or rng.random() < stay_share:
                if not first:
                    now += 1.5 if rng.random() < burst else stay_s * np.exp(rng.normal(0, spread))
                camera.append(c)
                begins.append(first)
                times.append(now)
                first = False
        self.camera = np.array(camera)
        steps = self.camera.size
        planned = self.site.bearing[self.camera]
        facing = rng.random(steps) < front
        look = np.where(facing, planned + np.pi + np.radians(rng.normal(0, look_sd_deg, steps)), rng.uniform(0, 6.28, steps))
        stated = np.full(steps, 5.0)
        noise = error * 5.0 * rng.standard_t(5, (2, steps))
        reach = standoff_m + rng.normal(0, 1.0, steps)
        east = self.site.east_m[self.camera] - reach * np.sin(look) + noise[0]
        north = self.site.north_m[self.camera] - reach * np.cos(look) + noise[1]
        self.photos = PhotoArrays(np.array(times), east, north, stated, look)
        cut = np.zeros(steps, dtype=bool)
        cut[0] = True
        self.chain = Chain(np.arange(steps), cut, np.column_stack([self.camera, np.full(steps, -1)]))
        place = np.zeros((6, steps), dtype=np.int16)
        self.draws = Draws(place, place > 0, np.tile(np.array(begins), (6, 1)))
        self.wanted = np.bincount(self.camera, minlength=COUNT).clip(0, 1).astype(float)

    def learnt(self, **given: float) -> Settings:
        coded = np.full(self.camera.size, -1)
        start = replace(BASE, **given)
        return learn(self.site, self.photos, self.chain, Lesson(start, start, self.draws, self.wanted, coded))


@pytest.fixture(scope="module")
def usual() -> Settings:
    return Made().learnt()


@pytest.mark.parametrize(("name", "value", "field", "low", "high"), [
    ("stay_s", 40.0, "stay_gap_s", 32.0, 44.0), ("stay_s", 8.0, "stay_gap_s", 7.0, 10.5),
    ("move_s", 240.0, "move_gap_s", 190.0, 260.0), ("move_s", 40.0, "move_gap_s", 36.0, 50.0),
    ("standoff_m", 8.0, "standoff_m", 7.0, 8.6), ("standoff_m", 2.0, "standoff_m", 1.6, 2.8),
    ("error", 2.5, "position_scale", 2.0, 3.2), ("error", 0.5, "position_scale", 0.4, 0.75),
    ("look_sd_deg", 12.0, "direction_sd_deg", 9.0, 15.0), ("look_sd_deg", 40.0, "direction_sd_deg", 28.0, 46.0),
    ("front", 0.3, "front_share", 0.19, 0.5), ("burst", 0.4, "burst_share", 0.3, 0.45),
    ("stay_share", 0.4, "stay_share", 0.35, 0.45), ("stay_share", 0.8, "stay_share", 0.76, 0.84),
])
def test_habits_that_made_the_walk_are_found_again(name: str, value: float, field: str, low: float, high: float) -> None:
    found = getattr(Made(**{name: value}).learnt(), field)  # type: ignore[arg-type]
    assert low <= found <= high


@pytest.mark.parametrize(("spread", "factor"), [(0.05, 1.35), (3.0, 4.06)])
def test_gaps_are_never_believed_as_regular_as_a_clock_nor_without_any_pace(spread: float, factor: float) -> None:
    found = Made(spread=spread).learnt()
    assert np.exp([found.stay_gap_spread, found.move_gap_spread]) == pytest.approx(factor, abs=0.01), "a usual gap times or through this"


def test_habits_as_assumed_stay_as_assumed(usual: Settings) -> None:
    assert usual.stay_gap_s == pytest.approx(15.0, rel=0.1)
    assert usual.move_gap_s == pytest.approx(90.0, rel=0.1)
    assert usual.stay_gap_spread == pytest.approx(0.53, abs=0.08)
    assert usual.move_gap_spread == pytest.approx(0.53, abs=0.08)
    assert usual.position_scale == pytest.approx(1.0, abs=0.25)
    assert usual.standoff_m == pytest.approx(4.0, abs=0.5)
    assert usual.stay_share == pytest.approx(0.65, abs=0.03)
    assert usual.front_share in (0.75, 0.85)


def test_a_crew_that_follows_the_plan_is_learnt_as_one_and_the_reverse_too() -> None:
    ahead = Made().learnt()
    assert ahead.order_share > 0.5 > ahead.back_share
    made = Made()
    made.site = replace(made.site, east_m=made.site.east_m[::-1].copy(), bearing=made.site.bearing[::-1].copy())
    mirrored = COUNT - 1 - made.camera
    made.chain = replace(made.chain, candidates=np.column_stack([mirrored, np.full(mirrored.size, -1)]))
    made.wanted = made.wanted[::-1].copy()
    back = made.learnt()
    assert back.back_share > 0.4 > back.order_share
    assert ahead.order_share + ahead.back_share <= 0.9201
    assert ahead.walk_scale_m is not None and 0.5 * 22.5 <= ahead.walk_scale_m <= 4 * 22.5


def test_crews_that_skip_far_have_a_longer_reach() -> None:
    near, far = Made().learnt(), Made(step=4).learnt()
    assert near.walk_scale_m is not None and far.walk_scale_m is not None
    assert far.walk_scale_m > 1.5 * near.walk_scale_m
    assert far.order_share < 0.2


def test_lengths_of_stays_are_counted_and_sum_to_one(usual: Settings) -> None:
    assert sum(usual.lengths) == pytest.approx(1.0)
    short = Made(stay_share=0.2).learnt()
    assert short.lengths[0] > 0.6 > 3 * usual.lengths[0] - 0.6
    assert len(short.lengths) == len(BASE.lengths)


def test_a_few_photos_hardly_move_what_is_assumed() -> None:
    made = Made(stay_s=60.0, move_s=600.0, standoff_m=9.0)
    few = 8
    made.photos = PhotoArrays(*(getattr(made.photos, name)[:few] for name in
                                ("time_s", "east_m", "north_m", "position_m", "bearing")))
    made.chain = Chain(np.arange(few), made.chain.cut[:few], made.chain.candidates[:few])
    made.draws = Draws(made.draws.place[:, :few], made.draws.away[:, :few], made.draws.begins[:, :few])
    made.camera = made.camera[:few]
    found = made.learnt()
    assert found.stay_gap_s < 21.0 and found.move_gap_s < 130.0 and found.standoff_m < 7.0
    assert found.stay_share == pytest.approx(0.65, abs=0.06)


def test_photos_without_position_direction_and_time_teach_nothing() -> None:
    made = Made()
    blank = np.full(made.camera.size, np.nan)
    made.photos = PhotoArrays(blank, blank, blank, blank, blank)
    found = made.learnt(standoff_m=5.0, position_scale=1.3, front_share=0.7)
    assert (found.standoff_m, found.position_scale, found.front_share) == (5.0, 1.3, 0.7)
    assert (found.stay_gap_s, found.move_gap_s) == (pytest.approx(BASE.stay_gap_s), pytest.approx(BASE.move_gap_s))
    assert found.order_share == BASE.order_share and found.walk_scale_m is None


def test_photos_that_belong_to_none_teach_nothing_of_errors() -> None:
    made = Made(standoff_m=9.0, error=3.0)
    made.draws = replace(made.draws, away=np.ones_like(made.draws.away), begins=np.zeros_like(made.draws.begins))
    found = made.learnt()
    assert (found.standoff_m, found.position_scale) == (BASE.standoff_m, BASE.position_scale)
    assert found.direction_sd_deg == BASE.direction_sd_deg


def test_cameras_left_out_on_the_way_are_counted_against_what_was_drawn() -> None:
    few, many = Made(skip=0.0), Made(skip=0.3)
    few.wanted = many.wanted = np.ones(COUNT)
    assert few.learnt().missed_share > many.learnt().missed_share
    assert 0.015 <= many.learnt().missed_share <= few.learnt().missed_share <= 0.1
    many.wanted = np.full(COUNT, 0.2)
    assert many.learnt().missed_share == BASE.missed_share, "no camera lies on the walk for certain"


def test_labels_photographed_first_are_learnt_as_a_habit() -> None:
    made = Made(stay_share=0.75)
    coded = np.where(made.draws.begins[0], made.camera, -1)
    found = learn(made.site, made.photos, made.chain, Lesson(BASE, BASE, made.draws, made.wanted, coded))
    assert found.habit.share > 0.9 and found.habit.first > 0.7
    wrong = np.where(made.draws.begins[0], made.camera + 1, -1)
    assert learn(made.site, made.photos, made.chain, Lesson(BASE, BASE, made.draws, made.wanted, wrong)).habit.share == 0.0


def test_bursts_follow_within_two_and_a_half_seconds_or_a_fifth_of_the_usual_gap() -> None:
    times = np.array([0.0, 2.5, 5.1, 9.0, np.nan, 9.5, 10.0])
    photos = PhotoArrays(times, times, times, times, times)
    cut = np.array([True, False, False, False, False, False, True])
    chain = Chain(np.arange(7), cut, np.zeros((7, 1), dtype=np.int64))
    assert burst_steps(photos, chain, BASE).tolist() == [False, True, True, False, False, False, False]
    assert burst_steps(photos, chain, replace(BASE, stay_gap_s=10.0)).tolist() == [False, True, False, False, False, False, False]
    assert burst_steps(photos, chain, replace(BASE, stay_gap_s=20.0)).tolist() == [False, True, True, True, False, False, False]
    assert burst_steps(photos, chain, replace(BASE, stay_gap_s=19.0)).tolist() == [False, True, True, False, False, False, False]


def test_the_rule_weighs_stays_by_their_share_over_what_steps_say() -> None:
    """A chain that goes on with probability p makes stays of n photos in the share p^(n-1) (1-p); the last holds all longer."""
    settings = Settings(stay_share=0.5, lengths=(0.25, 0.25, 0.5), missed_share=0.07, again_share=0.02)
    rule = rule_of(settings)
    assert rule.lengths == pytest.approx([0.5, 1.0, 2.0])
    assert (rule.missed, rule.again, rule.habit) == (0.07, 0.02, settings.habit)
    fitting = rule_of(Settings(stay_share=0.6, lengths=(0.4, 0.24, 0.36)))
    assert fitting.lengths == pytest.approx([1.0, 1.0, 1.0])


def paced(stay_s: float, move_s: float, count: int = 600, seed: int = 6) -> Settings:
    rng = np.random.default_rng(seed)
    moves = rng.random(count) < 0.35
    gaps = np.where(moves, move_s, stay_s) * np.exp(rng.normal(0, 0.45, count))
    times = np.cumsum(gaps)
    photos = PhotoArrays(times, times, times, times, times)
    cut = np.zeros(count, dtype=bool)
    cut[0] = True
    return first_settings(photos, Chain(np.arange(count), cut, np.zeros((count, 1), dtype=np.int64)))


@pytest.mark.parametrize(("stay_s", "move_s"), [(12.0, 90.0), (25.0, 240.0), (8.0, 60.0)])
def test_the_pace_comes_from_the_gaps_alone(stay_s: float, move_s: float) -> None:
    found = paced(stay_s, move_s)
    assert found.stay_gap_s == pytest.approx(stay_s, rel=0.2)
    assert found.move_gap_s == pytest.approx(move_s, rel=0.25)
    assert found.stay_share == pytest.approx(0.65, abs=0.07)
    assert found.stay_gap_spread == pytest.approx(0.47, abs=0.12)
    assert found.burst_share < 0.1


def test_too_few_gaps_or_gaps_of_one_kind_leave_the_pace_as_assumed() -> None:
    assert paced(30.0, 400.0, count=20) == BASE
    assert paced(30.0, 400.0, count=21) != BASE
    assert paced(40.0, 40.0) == BASE


def test_gaps_across_a_cut_say_nothing_of_the_pace() -> None:
    count = 100
    times = np.arange(count) * 20.0
    times[50:] += 1e6
    photos = PhotoArrays(times, times, times, times, times)
    cut = np.zeros(count, dtype=bool)
    cut[[0, 50]] = True
    chain = Chain(np.arange(count), cut, np.zeros((count, 1), dtype=np.int64))
    whole = first_settings(photos, chain)
    times = np.arange(count - 1) * 20.0
    photos = PhotoArrays(times, times, times, times, times)
    cut = cut[: count - 1].copy()
    cut[50] = False
    assert first_settings(photos, Chain(np.arange(count - 1), cut, chain.candidates[1:])) == whole


def cameras_at(place_m: np.ndarray) -> SiteArrays:
    return SiteArrays(place_m, place_m, place_m, place_m, 1.0, 10.0)


def steady(correlation_s: float, repeat_m: float, seed: int = 8, standoff_m: float = 0.0) -> Settings:
    """Settings learnt from one walk past 300 cameras, whose receiver errs by 6 m and keeps its error for so long, and whose
    photographer stands so far off, most of it alike for the three photos of a camera."""
    rng = np.random.default_rng(seed)
    steps = 900
    camera = np.arange(steps) // 3
    time_s = np.cumsum(np.where(np.arange(steps) % 3 == 0, 70.0, 12.0))
    error = rng.normal(0, 6.0, (2, steps))
    for t in range(1, steps):
        keep = np.exp(-(time_s[t] - time_s[t - 1]) / correlation_s)
        error[:, t] = keep * error[:, t - 1] + np.sqrt(1 - keep**2) * error[:, t]
    alike = np.repeat(rng.normal(0, standoff_m, (2, 300)), 3, axis=1)
    stands = np.sqrt(STANDOFF_KEPT) * alike + np.sqrt(1 - STANDOFF_KEPT) * rng.normal(0, standoff_m, (2, steps))
    east, north = error + stands + rng.normal(0, repeat_m, (2, steps))
    photos = PhotoArrays(time_s, east, north, np.full(steps, 6.0), np.full(steps, np.nan))
    cut = np.zeros(steps, dtype=bool)
    cut[0] = True
    chain = Chain(np.arange(steps), cut, np.column_stack([camera, np.full(steps, -1)]))
    begins = (np.arange(steps) % 3 == 0)[None, :]
    whole = np.ones((1, steps), dtype=bool)
    shown = Shown(cameras_at(np.zeros(300)), photos, chain, BASE, np.zeros((1, steps), dtype=np.int64), whole, begins)
    return steadiness(shown, east[None, :], north[None, :], np.full(steps, 6.0))


def test_how_long_errors_of_position_keep_and_how_much_of_them_is_new_is_found_again() -> None:
    calm, jumpy = steady(330.0, 0.5), steady(60.0, 2.7)
    assert calm.correlation_s >= 220.0 and calm.repeat_m <= 1.2
    assert jumpy.correlation_s <= 100.0 and jumpy.repeat_m >= 1.6
    assert calm.position_scale == BASE.position_scale


def test_how_far_off_the_photographer_stands_is_told_from_how_the_receiver_errs() -> None:
    """What the photos of one camera share beyond the receiver's own error is where they were taken from."""
    near, far = steady(60.0, 0.8, standoff_m=0.5), steady(60.0, 0.8, standoff_m=4.5)
    assert near.standoff_sd_m < far.standoff_sd_m == 3.2


@pytest.mark.parametrize("sd_deg", [6.0, 14.0, 25.0])
def test_how_far_directions_of_one_stay_spread_is_found_again(sd_deg: float) -> None:
    rng = np.random.default_rng(3)
    middle = np.repeat(np.radians(rng.normal(0, 22.0, 300)), 4)
    turn = middle + np.radians(rng.normal(0, sd_deg, middle.size))
    camera = np.repeat(np.arange(300), 4)
    begins = np.arange(camera.size) % 4 == 0
    steps, bare = camera.size, np.full(camera.size, np.nan)
    chain = Chain(np.arange(steps), np.zeros(steps, dtype=bool), np.column_stack([camera, np.full(steps, -1)]))
    real = np.ones((1, steps), dtype=bool)
    shown = Shown(cameras_at(np.zeros(300)), PhotoArrays(bare, bare, bare, bare, bare), chain, BASE,
                  np.zeros((1, steps), dtype=np.int64), real, begins[None, :])
    found = repeat_sd_deg(shown, turn[None, :], BASE)
    assert found == pytest.approx(sd_deg, rel=0.35)


def test_one_stay_s_directions_tell_on_each_other_alike_and_hardly_by_chance() -> None:
    """The ratio is a mutual one, and its mean over what a second photo may show is 1 (Bayes' rule)."""
    cells = np.radians(np.arange(0.0, 360.0, 2.5))
    then, now = np.meshgrid(cells, cells, indexing="ij")
    ratio = np.exp(direction_log_ratio(then, now, BASE))
    assert ratio == pytest.approx(ratio.T)
    share = np.exp(direction_log_density(cells, BASE))
    assert (ratio @ share) / share.sum() == pytest.approx(np.ones(cells.size), abs=0.03)
    assert direction_log_ratio(np.array([np.nan]), np.array([0.3]), BASE) == 0.0
    near, far = direction_log_ratio(np.array([1.0, 1.0]), np.array([1.1, 2.6]), BASE)
    assert near > 0.5 and far < -0.5
