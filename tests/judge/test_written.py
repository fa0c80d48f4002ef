"""Name and clock that are burnt into a camera's own pictures: one check each, whatever the evidence comes from."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from audit.judge.evidence import CameraEvidence
from audit.judge.finding import Finding
from audit.judge.findings import judge_camera
from audit.judge.written import SiteTime, Written, site_time, written_findings
from audit.photos.dates import readings
from audit.photos.device import DeviceFacts
from tests.judge_samples import LIMITS, SITE, good_pair

CAMERA = replace(SITE.camera("TH-18"), name="south gate")
ZURICH = ZoneInfo("Europe/Zurich")
DAY = date(2026, 3, 4)
SITE_TIME = SiteTime(ZURICH, DAY)
ASKED = datetime(2026, 3, 4, 14, 30, 5, tzinfo=UTC)  # 15:30:05 in Zurich


def shows(text: str, **more: object) -> Written:
    return Written("day.jpg", "TH-18", "TH-18", True, readings(text), **{"asked_at": ASKED} | more)  # type: ignore[arg-type]


def clock(text: str, site: SiteTime = SITE_TIME, **more: object) -> Finding:
    (found,) = [f for f in written_findings(CAMERA, [shows(text, **more)], site, LIMITS) if f.check == "clock"]
    return found


@pytest.mark.parametrize(
    ("text", "state", "words"),
    [("2026-03-04 15:30:06", "as planned", "right within 1 s"), ("2026-03-04 15:30:15", "defect", "10 s ahead"),
     ("2026-03-04 14:30:05", "defect", "time zone or summer time"), ("2026-03-04 14:30:04", "defect", "summer time"),
     ("2026-03-04 20:15:05", "defect", "time zone"), ("2026-03-04 15:12:05", "defect", "drifts"),
     ("1970-01-01 00:10:05", "defect", "never set"), ("2000-01-01 00:10:05", "defect", "never set"),
     ("2026-02-27 15:30:05", "defect", "5 days behind"), ("24/03/2026 15:30:05", "defect", "20 days ahead"),
     ("2026-03-04 15:30", "as planned", "right within"), ("2026-03-04 15:28", "defect", "behind")],
)  # fmt: skip
def test_the_clock_against_the_collecting_one(text: str, state: str, words: str) -> None:
    found = clock(text)
    assert found.state == state and words in found.why
    assert (found.remedy is None) == (state == "as planned")
    assert found.probability_bad is not None and (found.probability_bad > 0.9) == (state == "defect")


def test_the_clock_against_the_files_own() -> None:
    """Without a zone the file's time is the same wall clock; with one, the site's zone is where they meet."""
    naive = datetime(2026, 3, 4, 15, 30, 5)  # noqa: DTZ001
    assert clock("2026-03-04 15:30:05", asked_at=None, own_time=naive).state == "as planned"
    aware = naive.replace(tzinfo=ZURICH).astimezone(UTC)
    assert clock("2026-03-04 15:30:05", asked_at=None, own_time=aware).state == "as planned"
    assert "time zone" in clock("2026-03-04 14:30:05", asked_at=None, own_time=aware).why
    alone = clock("2026-03-04 15:30:05", asked_at=None)
    assert alone.state == "not verified" and "no other clock" in alone.why


def site_of(*texts: str, **more: object) -> SiteTime:
    return site_time({f"C{k}": (shows(text, **more),) for k, text in enumerate(texts)}, ZURICH, DAY)


def test_the_order_of_a_date_is_learnt_over_the_site_and_never_guessed_for_one() -> None:
    assert site_of("04/03/2026 15:30:05", asked_at=None).order is None
    assert site_of("14/03/2026 15:30:05", asked_at=None).order is None, "one camera is no site"
    assert site_of("14/03/2026 15:30:05", "15/03/2026 15:30:05", asked_at=None).order == "day first"
    assert site_of("04/03/2026 15:30:05", "04/03/2026 15:30:07").order == "day first", "another clock shows it"
    assert site_of("14/03/2026 15:30:05", "03/15/2026 15:30:05", asked_at=None).order is None
    assert site_of("2026-03-04 15:30:05", "2026-03-04 15:30:05").order is None, "a whole year first teaches nothing of the others"
    open_ = clock("04/03/2026 15:30:05")
    assert open_.state == "not verified" and "order of day and month" in open_.why
    learnt = site_of("14/03/2026 15:30:05", "04/03/2026 15:30:05", "05/03/2026 15:30:05")
    assert clock("04/03/2026 15:30:05", learnt).state == "as planned"


def test_a_camera_that_writes_the_month_first_among_others_is_told() -> None:
    learnt = site_of(*["04/03/2026 15:30:05"] * 5)
    for text, asked in (("03/04/2026 15:30:05", ASKED), ("03/24/2026 15:30:05", ASKED + timedelta(days=20))):
        odd = clock(text, learnt, asked_at=asked)
        assert odd.state == "to check" and "month first" in odd.why and odd.remedy is not None and "day first" in odd.remedy.action
    assert clock("Mar 04 2026 15:30:05", learnt).state == "as planned", "a month that is a word can't be mistaken"


def names(**more: object) -> Finding | None:
    found = written_findings(CAMERA, [Written("day.jpg", **more)], SITE_TIME, LIMITS)  # type: ignore[arg-type]
    return next((f for f in found if f.check == "name"), None)


def test_the_name() -> None:
    own = names(text="TH-18", names="TH-18", with_clock=True)
    assert own is not None and own.state == "as planned"
    others = names(text="TH-07", names="TH-07", with_clock=True)
    assert others is not None and others.state == "defect" and "name of TH-07" in others.why
    sign = names(text="TH-07", names="TH-07")
    assert sign is not None and sign.state == "to check", "it may be a sign in the scene"
    strange = names(text="Camera 01", with_clock=True)
    assert strange is not None and strange.state == "to check" and "'TH-18 south gate'" in strange.why
    assert names(text="HOTEL") is None and names() is None
    assert "no name" in written_findings(CAMERA, [replace(shows("2026-03-04 15:30:05"), text="", names=None)], SITE_TIME, LIMITS)[0].why


def test_a_camera_without_text_has_no_such_checks_and_two_sources_make_one() -> None:
    held = CameraEvidence(snapshots=good_pair(CAMERA), site_time=SITE_TIME)
    assert {f.check for f in judge_camera(CAMERA, held, LIMITS).findings}.isdisjoint({"name", "clock"})
    facts = DeviceFacts("onvif://192.0.2.18", ASKED, name="TH-18 south gate", clock_offset_s=0.2, clock_sd_s=0.3)
    both = judge_camera(CAMERA, replace(held, device=facts, written=(shows("2026-03-04 14:30:05"),)), LIMITS)
    (one,) = [f for f in both.findings if f.check == "clock"]
    assert one.state == "defect" and "time zone" in one.why and "device's clock is right" in one.why
    (name,) = [f for f in both.findings if f.check == "name"]
    assert name.state == "as planned" and "picture shows" in name.why and "device's name" in name.why
