"""What a person says of photos counts in the same moment: verdict, missing photos, counts, references, trip, list and record."""

from __future__ import annotations

from pathlib import Path

import pytest

from audit.account.case import case_of
from audit.account.unproven import unproven
from audit.account.worklist import missing_work, trip_of
from audit.errors import AuditError
from audit.judge.finding import Finding
from audit.logbook import Logbook
from audit.report.crew_list import crew_list
from audit.visit.again import judge_anew
from audit.visit.say import say_photos, take_photo_back
from tests import desk_samples

ADA, BEN = "Ada Example", "Ben Example"


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    book = desk_samples.judged_logbook(tmp_path, visits=1)
    judge_anew(book, book.visit(1), [c.camera for c in book.site().cameras])
    return book


def finding(book: Logbook, camera: str, check: str) -> Finding:
    return next(f for f in book.verdicts(1, camera)[0].findings if f.check == check)


def test_a_close_up_said_to_be_the_label_ends_the_demand_for_it(book: Logbook) -> None:
    visit = book.visit(1)
    assert "rating label" in finding(book, "C-4", "photos").why
    assert "label" in dict(missing_work(book, visit))["C-4"] and "C-4: label" in crew_list(book, visit, with_pictures=False)
    say_photos(book, visit, ["IMG_0001.jpg"], "C-4", ADA, role="label")
    assert "rating label" not in finding(book, "C-4", "photos").why
    assert "label" not in dict(missing_work(book, visit))["C-4"]
    assert "C-4: label" not in crew_list(book, visit, with_pictures=False)
    take_photo_back(book, visit, ["IMG_0001.jpg"], ADA)
    assert "rating label" in finding(book, "C-4", "photos").why
    assert [p.photo for p in book.uncertain_placements(visit)] == ["=cmd.jpg", "IMG_0001.jpg"]


def test_a_moved_snapshot_is_measured_there_and_leaves_the_other_unproven(book: Logbook) -> None:
    visit = book.visit(1)
    assert finding(book, "C-6", "image").state == "as planned"
    before = book.verdict_counts(visit)
    say_photos(book, visit, ["C-6_day.jpg"], "C-5", ADA)
    assert finding(book, "C-6", "image").state == "not verified"
    assert ("C-6", "image") in {(item.camera, item.check) for item in unproven(book, visit)}
    account = case_of(book, visit, book.site().camera("C-5"))
    assert account is not None and {s.photo.name for s in account.account.snapshots} >= {"C-6_day.jpg"}
    take_photo_back(book, visit, ["C-6_day.jpg"], ADA)
    assert finding(book, "C-6", "image").state == "as planned" and book.verdict_counts(visit) == before


def test_day_said_to_be_night_is_the_nights_picture_and_reference(book: Logbook) -> None:
    visit = book.visit(1)
    say_photos(book, visit, ["C-6_day.jpg"], "C-6", ADA, role="night snapshot")
    case = case_of(book, visit, book.site().camera("C-6"))
    assert case is not None and case.day is None and case.night is not None
    assert book.latest_snapshot(visit, "C-6", "night") == "C-6_day.jpg"
    say_photos(book, visit, ["C-6_day.jpg"], "C-6", BEN, role="day snapshot")
    assert book.latest_snapshot(visit, "C-6", "day") == "C-6_day.jpg"


def test_a_turned_picture_is_a_defect_and_measures_no_tilt(book: Logbook) -> None:
    visit = book.visit(1)
    say_photos(book, visit, ["C-6_day.jpg"], "C-6", ADA, role="turned")
    level, aim = finding(book, "C-6", "level"), finding(book, "C-6", "aim")
    assert (level.state, aim.state, aim.measured) == ("defect", "not verified", None)
    assert level.remedy is not None and any("C-6" in stop.cameras for stop in trip_of(book, visit).stops)


def test_what_was_said_is_signed_and_stays_where_it_is(book: Logbook, tmp_path: Path) -> None:
    visit = book.visit(1)
    say_photos(book, visit, ["IMG_0001.jpg"], "C-4", ADA, role="label")
    signed = book.sign(visit, ADA, keys=tmp_path / "keys", unprotected=True)
    assert b'"answers":{"1":' in signed.record.replace(b" ", b"") and book.verify() == ()
    for refused in (
        lambda: say_photos(book, visit, ["IMG_0001.jpg"], "C-1", ADA),
        lambda: take_photo_back(book, visit, ["IMG_0001.jpg"], ADA),
    ):
        with pytest.raises(AuditError, match="Add the photo to the next visit"):
            refused()
    assert book.answers(visit) == {"IMG_0001.jpg": "C-4"} and book.verify() == ()


def test_no_such_camera_or_photo_is_one_sentence(book: Logbook) -> None:
    visit = book.visit(1)
    with pytest.raises(AuditError, match="no camera 'C-44'. Did you mean 'C-4'"):
        say_photos(book, visit, ["IMG_0001.jpg"], "C-44", ADA)
    with pytest.raises(AuditError, match=r"no photo 'ghost\.jpg'"):
        say_photos(book, visit, ["ghost.jpg"], "C-4", ADA)
    assert book.answers(visit) == {}
