"""What a person says of photos counts in the same moment: verdict, missing photos, counts, references, trip, list and record."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from audit import compute
from audit.account.case import case_of, marks_in
from audit.account.unproven import unproven
from audit.account.worklist import missing_work, trip_of
from audit.cli import sentences
from audit.cli.assign import assign
from audit.cli.visit import tell_verdicts
from audit.errors import AuditError
from audit.judge.finding import Finding
from audit.logbook import Logbook
from audit.report.crew_list import crew_list
from audit.report.handover import write_handover
from audit.visit import again
from audit.visit.again import judge_anew
from audit.visit.run import Run
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
    say_photos(book, visit, ["C-6_day.jpg"], "C-6", ADA, role="wrong way up")
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


def test_the_command_says_the_same(book: Logbook, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place = str(tmp_path / "logbook")
    assert assign(place, "IMG_0001.jpg", "C-4", role="label", by=ADA) == 0
    assert "placed, C-4, label" in capsys.readouterr().err
    assert "rating label" not in finding(book, "C-4", "photos").why
    assert assign(place, "IMG_0001.jpg", "-", by=BEN) == 0
    assert assign(place, "IMG_0001.jpg", undo=True, by=BEN) == 0
    assert book.answers(1) == {"IMG_0001.jpg": "C-4"}
    with pytest.raises(AuditError, match="name the camera"):
        assign(place, "IMG_0001.jpg", by=ADA)
    with pytest.raises(AuditError, match="is nothing that a photo can be"):
        assign(place, "IMG_0001.jpg", "C-4", role="selfie", by=ADA)


def test_what_a_person_finds_stands_in_trip_list_report_and_record(book: Logbook, tmp_path: Path) -> None:
    visit = book.visit(1)
    book.add_finding(visit, "C-5", "cleanliness", "defect", ADA, "14 smears on the dome", "C-5_day.jpg", (320.0, 180.0))
    words = "14 smears on the dome"
    assert any(words in task.action for stop in trip_of(book, visit).stops for task in stop.tasks if task.camera == "C-5")
    assert words in crew_list(book, visit, with_pictures=False)
    assert words in sentences.verdict_sentence(book.verdicts(visit, "C-5")[0])
    case = case_of(book, visit, book.site().camera("C-5"))
    assert case is not None and case.day is not None
    (mark,) = marks_in(case, case.day.photo)
    assert mark == pytest.approx((0.5, 0.5), abs=0.01)
    book.sign(visit, ADA, keys=tmp_path / "keys", unprotected=True)
    package = tmp_path / "package"
    write_handover(book, visit, package)
    assert words in (package / "repairs.csv").read_text(encoding="utf-8")
    pages = " ".join(" ".join(page.extract_text().split()) for pdf in package.glob("*.pdf") for page in PdfReader(pdf).pages)
    assert words in pages


def test_show_lists_every_finding_that_asks_for_something(book: Logbook, capsys: pytest.CaptureFixture[str]) -> None:
    tell_verdicts(book, 1, as_json=False)
    shown = capsys.readouterr().out
    for verdict in book.verdicts(1):
        for found in verdict.findings:
            if found.state in ("defect", "to check"):
                assert f"  {found.check} [{found.state}] {found.why}" in shown, (verdict.camera, found.check)


def test_two_people_who_settle_one_exchange_differently_are_told(tmp_path: Path) -> None:
    """Whoever did not see the first word is refused, at each of the cameras; the pair is never settled half."""
    book = desk_samples.judged_logbook(tmp_path, visits=1)
    both = ("C-2", "C-3")
    assert all(finding(book, camera, "aim").shared == both for camera in both)
    with Logbook.open(str(tmp_path / "logbook")) as other:
        book.decide(1, "C-2", "aim", "confirm", ADA, "swapped, seen on site", latest_seen=0)
        for camera in both:
            with pytest.raises(AuditError, match=rf"{ADA} decided 'confirm' on 'aim' of camera '{camera}'"):
                other.decide(1, camera, "aim", "dismiss", BEN, "each is where it belongs", latest_seen=0)
        standing = {(d.camera, d.decision, d.by) for d in other.standing(1)}
        assert standing == {(camera, "confirm", ADA) for camera in both}
        latest = max(d.id for d in other.decisions(1, "C-3"))
        other.decide(1, "C-3", "aim", "dismiss", BEN, "looked again together", latest_seen=latest)
        assert {(d.camera, d.decision, d.by) for d in book.standing(1)} == {(camera, "dismiss", BEN) for camera in both}


def test_a_place_outside_the_picture_and_a_day_that_has_passed_are_one_sentence(book: Logbook) -> None:
    for at in ((640.0, 10.0), (10.0, 360.0), (-1.0, 10.0), (float("nan"), 10.0)):
        with pytest.raises(AuditError, match=r"outside 'C-5_day\.jpg', which has 640 × 360 px"):
            book.add_finding(1, "C-5", "cleanliness", "defect", ADA, "dirt", "C-5_day.jpg", at)
    with pytest.raises(AuditError, match="no photo of camera 'C-5'"):
        book.add_finding(1, "C-5", "cleanliness", "defect", ADA, "dirt", "C-4_day.jpg", (1.0, 1.0))
    with pytest.raises(AuditError, match="has passed"):
        book.promise(1, "C-5", "night", book.clock().date() - timedelta(days=1), ADA)
    assert book.decisions(1) == ()


def test_a_word_spoken_while_the_visit_is_being_judged_is_not_judged_over(
    book: Logbook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another session speaks after the evidence was read and before the verdicts are kept."""
    visit, judge, rounds = book.visit(1), again.judge, []

    def interrupted(run: Any, evidence: Any, weighed: Any) -> Any:
        rounds.append(run)
        if len(rounds) == 1:
            with Logbook.open(str(tmp_path / "logbook")) as other:
                other.answer(visit, "IMG_0001.jpg", "C-4", BEN, role="label")
        return judge(run, evidence, weighed)

    monkeypatch.setattr(again, "judge", interrupted)
    with compute.executor(0) as executor:
        again.judge_placed(Run(book, visit, book.site(visit), book.limits(visit), executor))
    assert len(rounds) == 2 and "rating label" not in finding(book, "C-4", "photos").why
