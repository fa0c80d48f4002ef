"""Dates and times as people and devices write them: all readings, and no others."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.photos.dates import readings, without_times
from tests.bench.burnt_in_bench import FORMS

WEDNESDAY = datetime(2026, 3, 4, 15, 30, 5)  # noqa: DTZ001


def found(text: str) -> dict[str, str]:
    return {r.order: str(r.moment) for r in readings(text)}


@pytest.mark.parametrize("form", FORMS)
def test_each_common_form_holds_what_was_written(form: str) -> None:
    assert found(f"TH-07 {WEDNESDAY.strftime(form)}")[FORMS[form]] == "2026-03-04 15:30:05"
    assert without_times(f"TH-07  {WEDNESDAY.strftime(form)}") == "TH-07"


@given(st.datetimes(datetime(2001, 1, 1), datetime(2099, 12, 31)), st.sampled_from(sorted(FORMS)))  # noqa: DTZ001
def test_any_moment_is_among_its_readings(moment: datetime, form: str) -> None:
    moment = moment.replace(microsecond=0)
    assert (moment, FORMS[form]) in {(r.moment, r.order) for r in readings(moment.strftime(form))}


def test_iso_8601_has_one_reading() -> None:
    """ISO 8601-1:2019, 5.4.2.1: calendar date and time of day in extended format."""
    assert found("1985-04-12T23:20:30Z") == {"year first": "1985-04-12 23:20:30"}


def test_a_day_that_can_be_a_month_stays_open_and_others_do_not() -> None:
    assert found("04/03/2026 15:30:05") == {"day first": "2026-03-04 15:30:05", "month first": "2026-04-03 15:30:05"}
    assert found("24/03/2026 15:30:05") == {"day first": "2026-03-24 15:30:05"}
    assert found("03/24/2026 15:30:05") == {"month first": "2026-03-24 15:30:05"}
    assert set(found("04-03-26 15:30:05")) == {"day first", "month first", "year first"}


def test_a_weekday_settles_the_order() -> None:
    assert found("Wed 04/03/2026 15:30:05") == {"day first": "2026-03-04 15:30:05"}
    assert found("04/03/2026 Fri 15:30:05") == {"month first": "2026-04-03 15:30:05"}
    assert found("2026-03-04 Thu 15:30:05") == {}


@pytest.mark.parametrize(
    "text",
    ["2026-03-0415:30:05", "2O26-O3-O4 15:3O:O5", "2026年03月04日 星期三 15:30:05", "2026/03/04 Wed15:30:05", "15:30:05 2026-03-04",
     "TH-072026-03-04 15:30:05", "2026.03.04 15.30.05", "2026-03-04115:30:05", "2026-03-04 15:30:05.123", "Mar 04 2026 03:30:05 PM", "04 Mar2026 15:30:05"],
)  # fmt: skip
def test_what_a_reader_leaves_of_the_signs_serves(text: str) -> None:
    assert "2026-03-04 15:30:05" in found(text).values()


@pytest.mark.parametrize(
    "text", ["", "TH-07", "12:30", "2026-03-04", "13/25/2026 12:00", "00-00-0000 00:00:00", "=1+1", "<b>1</b>", "192.168.1.20 10:11", "10:99:00 2026-01-01"]
)
def test_what_is_no_date_with_a_time_has_no_reading(text: str) -> None:
    assert readings(text) == ()


def test_half_days() -> None:
    assert found("03/24/2026 12:00:01 AM") == {"month first": "2026-03-24 00:00:01"}
    assert found("03/24/2026 12:00:01 PM") == {"month first": "2026-03-24 12:00:01"}
    assert found("03/24/2026 13:00:01 PM") == {}


@given(st.text(max_size=80))
def test_any_text_is_taken_as_text(text: str) -> None:
    for reading in readings(text):
        assert abs(reading.moment - WEDNESDAY) < timedelta(days=366 * 130)
    without_times(text)
