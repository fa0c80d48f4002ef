"""A cleaning date from the contrast of past visits, or the reason why there is none."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest
import scipy.stats

from audit.measure.clarity import trend

START = date(2025, 1, 1)


def visits(values: list[float], every: int = 60) -> tuple[list[date], list[float], list[float]]:
    return [START + timedelta(days=every * i) for i in range(len(values))], values, [0.01] * len(values)


def test_a_steady_loss_gives_the_date_at_which_the_line_meets_the_limit():
    """0.05 lost every 60 days from 1.0: 0.7 is met after 360 days."""
    found = trend(*visits([1.0, 0.95, 0.9, 0.85, 0.8]))
    assert abs((found.clean_by - (START + timedelta(days=360))).days) <= 2
    assert found.earliest <= found.clean_by <= found.latest
    assert found.change_per_year == pytest.approx(-0.05 / 60 * 365.25, rel=0.02)


def test_one_bad_visit_does_not_move_the_line():
    good = trend(*visits([1.0, 0.97, 0.94, 0.91, 0.88, 0.85, 0.82]))
    moved = trend(*visits([1.0, 0.97, 0.88, 0.91, 0.88, 0.85, 0.82]))
    assert abs((moved.clean_by - good.clean_by).days) < 90


def test_only_visits_since_the_last_cleaning_count():
    found = trend(*visits([0.95, 0.85, 0.75, 1.0, 0.95, 0.9, 0.85]))
    since = trend(*visits([1.0, 0.95, 0.9, 0.85]))
    assert found.change_per_year == pytest.approx(since.change_per_year)


def test_no_loss_no_date():
    found = trend(*visits([0.98, 1.0, 0.97, 1.01, 0.99]))
    assert found.clean_by is None and "no steady loss" in found.note


@pytest.mark.parametrize(("values", "every", "words"), [([1.0, 0.9], 60, "2 visits"), ([1.0], 60, "1 visit,"),
                                                         ([1.0, 0.9, 0.8], 10, "span 20 days")])
def test_too_few_or_too_close_visits_say_so(values, every, words):
    found = trend(*visits(values, every))
    assert found.clean_by is None and found.change_per_year is None and words in found.note


def test_a_slow_loss_gives_no_date_beyond_three_years():
    found = trend(*visits([1.0, 0.99, 0.98, 0.97, 0.96], 200))
    assert found.clean_by is None and "three years" in found.note


def test_already_below_the_limit():
    found = trend(*visits([0.9, 0.8, 0.7, 0.6]))
    assert found.clean_by == START + timedelta(days=180) and "below the limit" in found.note


def test_the_interval_holds_the_true_date_for_most_noisy_series():
    rng = np.random.default_rng(5)
    held = given = 0
    for _ in range(200):
        dates = [START + timedelta(days=45 * i) for i in range(8)]
        values = [1.0 - 0.25 / 365 * 45 * i + rng.normal(0, 0.015) for i in range(8)]
        found = trend(dates, values, [0.015] * 8)
        if found.clean_by is not None and found.note is None:
            given += 1
            truth = START + timedelta(days=round(0.3 / 0.25 * 365))
            held += found.earliest <= truth and (found.latest is None or truth <= found.latest)
    assert given > 150 and held / given > 0.85


def test_unequal_lengths_are_refused():
    with pytest.raises(ValueError, match="equally many"):
        trend([START], [1.0, 0.9], [0.01])


def test_the_interval_is_never_narrower_than_the_sds_allow_on_either_side():
    """Points on a line scatter nothing: what is left is weighted least squares' sd of a slope, 1.96 / sqrt(sum w (d - c)^2)
    (Bevington and Robinson, Data Reduction and Error Analysis, 6.4; from memory)."""
    days, ratios, _ = visits([1.0, 0.95, 0.9, 0.85, 0.8])
    sds = [0.01, 0.02, 0.01, 0.03, 0.01]
    found = trend(days, ratios, sds)
    d, w = np.arange(5) * 60.0, 1 / np.square(sds)
    half = 1.96 / np.sqrt((w * (d - (w * d).sum() / w.sum()) ** 2).sum()) * 365.25
    assert found.low_per_year == pytest.approx(found.change_per_year - half, rel=1e-6)
    assert found.high_per_year == pytest.approx(found.change_per_year + half, rel=1e-6)
    assert found.earliest < found.clean_by < found.latest


def test_scatter_widens_the_interval_beyond_the_sds_on_both_sides():
    days, ratios, sds = visits([1.0, 0.9, 0.93, 0.82, 0.86, 0.75, 0.79])
    found = trend(days, ratios, [s / 100 for s in sds])
    _, _, low, high = scipy.stats.theilslopes(ratios, [(day - START).days for day in days], 0.95)
    assert found.low_per_year == pytest.approx(low * 365.25) and found.high_per_year == pytest.approx(high * 365.25)
