"""The logbook keeps what it is given, once, on SQLite and on PostgreSQL alike."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from audit.errors import LogbookError
from audit.judge.finding import Verdict
from audit.logbook import Logbook, SeenFile
from audit.match.placement import Placement
from tests.logbook_samples import (
    DAY,
    METHOD,
    PLAN,
    files_of,
    fill,
    make_photo,
    make_placement,
    make_site,
    make_verdict,
    measurements_of,
    start,
)


def test_a_site_comes_back_as_it_was_given(place) -> None:
    start(place.address, place.images).close()
    with Logbook.open(place.address) as book:
        assert book.site() == make_site()


def test_plans_keep_their_history(place) -> None:
    book = start(place.address, place.images)
    visit = fill(book)
    book.sign(visit, "Ada Example")
    book.replace_plan(make_site(2), "plan-2.csv", b"second", by="Ben Example")
    book.replace_plan(make_site(2), "plan-2.csv", b"second", by="Ben Example")
    assert [(p.name, p.by) for p in book.plans()] == [("plan.csv", None), ("plan-2.csv", "Ben Example")]
    assert len(book.site().cameras) == 2
    assert len(book.site(visit).cameras) == 3, "a signed visit keeps the plan that it was signed with"
    assert book.verify() == ()


def test_the_same_day_and_kind_goes_on_and_another_day_opens_the_next(place) -> None:
    book = start(place.address, place.images)
    first = book.open_visit("commissioning", DAY)
    assert book.open_visit("commissioning", DAY) == first
    assert book.open_visit("maintenance", DAY).number == 2
    assert book.open_visit("commissioning", DAY + timedelta(days=1)).number == 3
    assert book.open_visit("commissioning", DAY) == first
    assert book.visit().number == 3
    assert book.visit(1) == first
    assert [v.number for v in book.visits()] == [1, 2, 3]
    with pytest.raises(LogbookError, match="no visit 9"):
        book.visit(9)
    with pytest.raises(LogbookError, match="commissioning or maintenance"):
        book.open_visit("party", DAY)  # type: ignore[arg-type]


def test_a_photo_is_kept_once(place) -> None:
    book = start(place.address, place.images)
    visit = book.open_visit("commissioning", DAY)
    photo = make_photo("a/1.jpg", b"one", datetime(2026, 6, 16, 10, 0, tzinfo=UTC))
    assert book.add_photo(visit, photo, b"one", preview=b"p", mtime_ns=5) == photo
    assert book.add_photo(visit, photo, b"one", preview=b"p", mtime_ns=5) == photo
    assert book.photos(visit) == (photo,)
    assert book.image(photo.sha256) == b"one"
    assert book.preview(photo.sha256) == b"p"
    assert book.seen(visit) == {SeenFile("a/1.jpg", 3, 5)}
    assert files_of(book.images) == [photo.sha256]


def test_equal_bytes_under_two_names_are_one_image(place) -> None:
    book = start(place.address, place.images)
    visit = book.open_visit("commissioning", DAY)
    for name in ("a.jpg", "copy of a.jpg"):
        book.add_photo(visit, make_photo(name, b"one"), b"one")
    assert [p.name for p in book.photos(visit)] == ["a.jpg", "copy of a.jpg"]
    assert len({p.sha256 for p in book.photos(visit)}) == 1
    assert len(files_of(book.images)) == 1


def test_one_name_with_other_bytes_loses_neither(place) -> None:
    """Two phones both count from 0001 (common practice, no source)."""
    book = start(place.address, place.images)
    visit = book.open_visit("commissioning", DAY)
    book.add_photo(visit, make_photo("DCIM/IMG_0001.JPG", b"one"), b"one", mtime_ns=1)
    kept = book.add_photo(visit, make_photo("DCIM/IMG_0001.JPG", b"two!"), b"two!", mtime_ns=2)
    again = book.add_photo(visit, make_photo("DCIM/IMG_0001.JPG", b"two!"), b"two!", mtime_ns=2)
    assert kept == again
    assert kept.name.startswith("DCIM/IMG_0001~") and kept.name.endswith(".JPG")
    assert sorted(book.image(p.sha256) for p in book.photos(visit)) == [b"one", b"two!"]
    assert book.seen(visit) == {SeenFile("DCIM/IMG_0001.JPG", 3, 1), SeenFile("DCIM/IMG_0001.JPG", 4, 2)}


def test_bytes_that_are_not_the_photo_are_refused(place) -> None:
    book = start(place.address, place.images)
    visit = book.open_visit("commissioning", DAY)
    with pytest.raises(LogbookError, match=r"1\.jpg"):
        book.add_photo(visit, make_photo("1.jpg", b"one"), b"other")
    assert book.photos(visit) == ()


def test_a_half_copied_file_is_refused_and_taken_when_it_is_whole(place) -> None:
    book = start(place.address, place.images)
    visit = book.open_visit("commissioning", DAY)
    book.add_refusal(visit, "1.jpg", "damaged", "1.jpg ends early; copy it again.", size_bytes=2, mtime_ns=1)
    book.add_refusal(visit, "1.jpg", "damaged", "1.jpg ends early; copy it again.", size_bytes=3, mtime_ns=2)
    assert [(r.name, r.kind) for r in book.refusals(visit)] == [("1.jpg", "damaged")]
    assert book.seen(visit) == {SeenFile("1.jpg", 3, 2)}
    book.add_photo(visit, make_photo("1.jpg", b"whole"), b"whole", mtime_ns=3)
    assert book.refusals(visit) == ()
    assert book.seen(visit) == {SeenFile("1.jpg", 5, 3)}


def test_hostile_names_are_kept_as_text(place) -> None:
    book = start(place.address, place.images)
    visit = book.open_visit("commissioning", DAY)
    names = ["../../etc/passwd", "a\nb\0c.jpg", "bad\udcff.jpg", "<script>.jpg", "=cmd.jpg", "'; DROP TABLE photos;--"]
    for n, name in enumerate(names):
        data = str(n).encode()
        book.add_photo(visit, make_photo(name, data), data)
        book.add_refusal(visit, name + "x", "damaged", name)
    assert len(book.photos(visit)) == len(names) == len(book.refusals(visit))
    assert "'; DROP TABLE photos;--" in {p.name for p in book.photos(visit)}
    inside = [Path(book.images.location(p.sha256)) for p in book.photos(visit)]
    assert all(path.name == p.sha256 for path, p in zip(inside, book.photos(visit), strict=True))


def test_measurements_stay_by_method_version(place) -> None:
    book = start(place.address, place.images)
    visit = fill(book, cameras=1)
    sha256 = book.photos(visit)[0].sha256
    book.put_measurement(sha256, METHOD, {"roll_deg": 9.0})
    assert book.measurement(sha256, METHOD)["roll_deg"] == 0.5, "the first of a method stays"
    book.put_measurement(sha256, "image/2", {"roll_deg": 0.6, "sd": math.nan})
    assert book.measurement(sha256, "image/2") == {"roll_deg": 0.6, "sd": None}
    assert book.methods(sha256) == (METHOD, "image/2")
    assert len(measurements_of(book, visit, METHOD)) == 2
    assert list(measurements_of(book, visit, "image/2")) == [sha256]
    assert book.measurement(sha256, "image/3") is None
    with pytest.raises(LogbookError, match="not in the logbook"):
        book.put_measurement("0" * 64, METHOD, {})


def test_a_plan_that_was_replaced_elsewhere_is_seen(place) -> None:
    book = start(place.address, place.images)
    assert len(book.site().cameras) == 3
    with Logbook.open(place.address) as other:
        other.replace_plan(make_site(5), "plan-2.csv", b"second")
    assert len(book.site().cameras) == 5
    assert book.planned_camera("C-5").camera == "C-5"
    with pytest.raises(LogbookError, match="no camera 'C-9'"):
        book.planned_camera("C-9")


def test_comparisons_stay_by_pair_and_method(place) -> None:
    book = start(place.address, place.images)
    visit = fill(book, cameras=1)
    day, night = (p.sha256 for p in book.photos(visit))
    book.put_comparison(day, night, "view/1", {"pan_change_deg": 1.5})
    book.put_comparison(day, night, "view/1", {"pan_change_deg": 9.0})
    assert book.comparison(day, night, "view/1") == {"pan_change_deg": 1.5}
    assert book.comparison(night, day, "view/1") is None
    assert {pair: kept[0].record() for pair, kept in book.compared(visit).items()} == {(day, night): {"pan_change_deg": 1.5}}


def test_placements_are_replaced_as_a_whole(place) -> None:
    book = start(place.address, place.images)
    visit = fill(book, cameras=2)
    assert [p.name for p in book.photos(visit, camera="C-2")] == ["C-2/day.jpg", "C-2/night.jpg"]
    unsure = Placement("C-2/day.jpg", None, 0.6, "uncertain", "g", role="snapshot")
    book.put_placements(visit, [unsure, make_placement("C-1/night.jpg", "C-2")])
    assert book.placements(visit) == (make_placement("C-1/night.jpg", "C-2"), unsure)
    assert book.uncertain_placements(visit) == (unsure,)
    assert book.placements(visit, camera="C-2") == (make_placement("C-1/night.jpg", "C-2"),)
    with pytest.raises(LogbookError, match=r"no photo 'ghost\.jpg'"):
        book.put_placements(visit, [make_placement("ghost.jpg", "C-1")])
    assert len(book.placements(visit)) == 2, "a refused set changes nothing"


def test_the_latest_answer_counts_and_all_are_kept(place) -> None:
    book = start(place.address, place.images)
    visit = fill(book, cameras=1)
    book.answer(visit, "C-1/day.jpg", None, "Ben Example")
    assert book.answers(visit) == {"C-1/day.jpg": None}
    assert [(a.camera, a.by) for a in book.answer_history(visit)] == [("C-1", "Ada Example"), (None, "Ben Example")]


def test_verdicts_come_worst_first_with_pages_and_counts(place) -> None:
    book = start(place.address, place.images, cameras=5)
    visit = book.open_visit("commissioning", DAY)
    given = [
        make_verdict("C-1"),
        make_verdict("C-2", "defect", probability_bad=0.97),
        make_verdict("C-3", "to check", probability_bad=0.5),
        make_verdict("C-4", "defect", probability_bad=0.999),
        make_verdict("C-5", "not verified", probability_bad=None),
    ]
    book.put_verdicts(visit, given)
    order = [v.camera for v in book.verdicts(visit)]
    assert order == ["C-4", "C-2", "C-3", "C-5", "C-1"]
    assert [v.camera for v in book.verdicts(visit, limit=2, offset=1)] == ["C-2", "C-3"]
    assert [v.camera for v in book.verdicts(visit, state="defect")] == ["C-4", "C-2"]
    assert book.verdicts(visit, camera="C-2") == (given[1],)
    assert book.verdict_counts(visit) == {"defect": 2, "to check": 1, "not verified": 1, "as planned": 1}
    book.put_verdicts(visit, given[:2])
    assert [v.camera for v in book.verdicts(visit)] == ["C-2", "C-1"]
    assert book.verdict_counts(visit)["to check"] == 0


def test_the_order_of_cameras_is_worst_first_and_by_name_where_they_are_alike(place) -> None:
    book = start(place.address, place.images)
    visit = fill(book)
    book.put_verdicts(visit, [make_verdict("C-3"), make_verdict("C-1"), make_verdict("C-2", "defect", probability_bad=0.99)])
    assert book.verdict_order(visit) == (("C-2", "defect"), ("C-1", "as planned"), ("C-3", "as planned"))
    assert [v.camera for v in book.verdicts(visit)] == ["C-2", "C-1", "C-3"]


def test_a_camera_has_a_history(place) -> None:
    book = start(place.address, place.images)
    fill(book)
    later = fill(book, DAY + timedelta(days=183))
    book.put_verdicts(later, [make_verdict("C-1", "defect")])
    history = book.camera_history("C-1")
    assert [(h.visit.number, h.verdict.state) for h in history] == [(1, "as planned"), (2, "defect")]
    assert book.camera_history("C-9") == ()


def test_decisions_are_added_and_undone_never_changed(place) -> None:
    book = start(place.address, place.images)
    visit = fill(book)
    first = book.decide(visit, "C-1", "aim", "confirm", "Ada Example", "")
    second = book.decide(visit, "C-1", "aim", "tolerate", "Ben Example", "agreed with the owner")
    assert [(d.decision, d.in_force) for d in book.decisions(visit, "C-1")] == [("confirm", False), ("tolerate", True)]
    undone = book.undo(visit, "C-1", "aim", "Ben Example")
    assert undone.undoes == second.id
    assert [d.id for d in book.decisions(visit) if d.in_force] == [first.id]
    book.undo(visit, "C-1", "aim", "Ada Example")
    assert not any(d.in_force for d in book.decisions(visit))
    with pytest.raises(LogbookError, match="nothing is decided"):
        book.undo(visit, "C-1", "aim", "Ada Example")
    assert [d.decision for d in book.decisions(visit)] == ["confirm", "tolerate", "undo", "undo"]


@pytest.mark.parametrize(
    ("camera", "check", "decision", "by", "why", "sentence"),
    [
        ("C-1", "aim", "dismiss", "Ada Example", " ", "needs a reason"),
        ("C-1", "aim", "maybe", "Ada Example", "x", "confirm, dismiss or tolerate"),
        ("C-1", "colour", "confirm", "Ada Example", "x", "is no check"),
        ("C-9", "aim", "confirm", "Ada Example", "x", "no findings for camera 'C-9'"),
        ("C-1", "aim", "confirm", " ", "x", "who decides"),
    ],
)
def test_a_decision_that_says_too_little_is_refused(
    tmp_path: Path, camera: str, check: str, decision: str, by: str, why: str, sentence: str
) -> None:
    book = start(str(tmp_path / "logbook"))
    visit = fill(book)
    with pytest.raises(LogbookError, match=sentence):
        book.decide(visit, camera, check, decision, by, why)
    assert book.decisions(visit) == ()


def test_a_decision_says_when_its_finding_has_changed(place) -> None:
    book = start(place.address, place.images)
    visit = fill(book)
    book.decide(visit, "C-1", "aim", "confirm", "Ada Example", "")
    book.put_verdicts(visit, [make_verdict(f"C-{n}") for n in (1, 2, 3)])
    assert not book.decisions(visit)[0].finding_changed, "the same findings again are the same"
    book.put_verdicts(visit, [make_verdict("C-1", "defect", probability_bad=0.99)])
    decision = book.decisions(visit)[0]
    assert decision.finding_changed and decision.finding_state == "as planned"


def test_the_second_reviewer_of_a_camera_is_told(place) -> None:
    book = start(place.address, place.images)
    visit = fill(book)
    seen = book.decide(visit, "C-1", "aim", "confirm", "Ada Example", "", latest_seen=0)
    with pytest.raises(LogbookError, match="Ada Example decided 'confirm'"):
        book.decide(visit, "C-1", "aim", "tolerate", "Ben Example", "x", latest_seen=0)
    assert len(book.decisions(visit)) == 1
    book.decide(visit, "C-1", "aim", "tolerate", "Ben Example", "x", latest_seen=seen.id)
    assert len(book.decisions(visit)) == 2


def test_a_finding_given_with_whole_numbers_stays_the_same_after_reading(place) -> None:
    book = start(place.address, place.images)
    visit = book.open_visit("commissioning", DAY)
    verdict = make_verdict("C-1")
    whole = Verdict("C-1", "as planned", tuple(f.__class__(**{**_fields(f), "measured": 5}) for f in verdict.findings))
    book.put_verdicts(visit, [whole])
    book.decide(visit, "C-1", "aim", "confirm", "Ada Example", "")
    assert not book.decisions(visit)[0].finding_changed


def test_a_clock_that_jumps_back_changes_no_order(tmp_path: Path) -> None:
    times = iter([datetime(2026, 6, 16, tzinfo=UTC) - timedelta(hours=n) for n in range(1000)])
    book = Logbook.create(str(tmp_path / "logbook"), make_site(), "plan.csv", PLAN, clock=lambda: next(times))
    visit = fill(book)
    book.decide(visit, "C-1", "aim", "confirm", "Ada Example", "")
    book.decide(visit, "C-1", "aim", "dismiss", "Ada Example", "wrong")
    book.replace_plan(make_site(2), "plan-2.csv", b"second")
    assert [d.decision for d in book.decisions(visit) if d.in_force] == ["dismiss"]
    assert book.plans()[-1].name == "plan-2.csv"
    second = book.open_visit("maintenance", date(2020, 1, 1))
    assert (second.number, book.visit().number) == (2, 2)
    book.sign(visit, "Ada Example")
    assert book.verify() == ()


def _fields(record) -> dict:
    return {name: getattr(record, name) for name in record.__dataclass_fields__}


def exchanged(book) -> None:
    """C-1 and C-2 share one finding: their pictures lie on each other's record."""
    visit = fill(book)
    one, two = make_verdict("C-1", "defect"), make_verdict("C-2", "defect")
    both = ("C-1", "C-2")
    pair = [
        replace(v, findings=(replace(v.findings[0], pair=other, shared=both),)) for v, other in ((one, "C-2"), (two, "C-1"))
    ]
    book.put_verdicts(visit, [*pair, make_verdict("C-3")])


def test_a_decision_on_a_shared_finding_counts_for_both_cameras(place) -> None:
    book = start(place.address, place.images)
    exchanged(book)
    book.decide(1, "C-2", "aim", "tolerate", "Ada Example", "the names are changed next week")
    assert {(d.camera, d.decision, d.why) for d in book.decisions(1) if d.in_force} == {
        (name, "tolerate", "the names are changed next week") for name in ("C-1", "C-2")
    }
    with pytest.raises(LogbookError, match="Ada Example decided"):
        book.decide(1, "C-1", "aim", "confirm", "Ben Example", "", latest_seen=0)
    book.undo(1, "C-1", "aim", "Ben Example")
    assert not any(d.in_force for d in book.decisions(1)) and len(book.decisions(1)) == 4
    book.decide(1, "C-3", "aim", "confirm", "Ada Example", "")
    assert {d.camera for d in book.decisions(1) if d.in_force} == {"C-3"}


def test_a_shared_finding_is_decided_for_both_cameras_or_for_none(place, monkeypatch: pytest.MonkeyPatch) -> None:
    book = start(place.address, place.images)
    exchanged(book)
    add = book._add

    def breaks_off(connection, visit, said, finding):
        if said.camera == "C-2":
            raise LogbookError("the disk is full.")
        return add(connection, visit, said, finding)

    monkeypatch.setattr(book, "_add", breaks_off)
    with pytest.raises(LogbookError, match="disk is full"):
        book.decide(1, "C-1", "aim", "confirm", "Ada Example", "")
    assert book.decisions(1) == ()
    monkeypatch.undo()
    book.decide(1, "C-1", "aim", "confirm", "Ada Example", "")
    monkeypatch.setattr(book, "_add", breaks_off)
    with pytest.raises(LogbookError, match="disk is full"):
        book.undo(1, "C-1", "aim", "Ada Example")
    assert {d.camera for d in book.decisions(1) if d.in_force} == {"C-1", "C-2"}


def test_what_a_person_sees_counts_in_the_same_transaction(place) -> None:
    book = start(place.address, place.images)
    visit = fill(book)
    before = book.verdict_counts(visit)
    seen = book.add_finding(
        visit, "C-2", "cleanliness", "defect", "Ada Example", "smears on the dome", photo="C-2/day.jpg", at_px=(12.0, 34.0)
    )
    assert seen.said_state == "defect" and seen.at_px == (12.0, 34.0) and seen.in_force
    assert book.verdict_counts(visit) == before | {"defect": before["defect"] + 1, "as planned": before["as planned"] - 1}
    assert book.verdicts(visit)[0].camera == "C-2", "worst first"
    book.put_verdicts(visit, [make_verdict(f"C-{n}") for n in range(1, 4)])
    assert book.verdicts(visit, "C-2")[0].state == "defect", "judging again keeps it"
    book.undo(visit, "C-2", "cleanliness", "Ada Example")
    assert book.verdict_counts(visit) == before and book.verify() == ()
    book.decide(visit, "C-1", "aim", "dismiss", "Ada Example", "it hangs askew")
    assert book.verdicts(visit, "C-1")[0].state == "to check", "a dismissed pass opens the check"


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        ({"state": "bad"}, "no state"),
        ({"why": " "}, "say what you see"),
        ({"by": ""}, "who"),
        ({"check": "colour"}, "no check"),
        ({"photo": None}, "in which photo"),
        ({"photo": "C-1/day.jpg"}, "no photo of camera 'C-2'"),
        ({"at_px": (640.0, 5.0)}, "outside 'C-2/day.jpg', which has 640 × 480 px"),
        ({"at_px": (float("nan"), 5.0)}, "outside"),
        ({"camera": "C-9", "photo": None, "at_px": None}, "no findings for camera"),
    ],
)
def test_a_finding_that_cannot_be_is_refused(place, more: dict, sentence: str) -> None:
    book = start(place.address, place.images)
    visit = fill(book)
    given = {"camera": "C-2", "check": "cleanliness", "state": "defect", "by": "Ada Example", "why": "smears"}
    given |= {"photo": "C-2/day.jpg", "at_px": (5.0, 5.0)} | more
    with pytest.raises(LogbookError, match=sentence):
        book.add_finding(visit, **given)
    assert book.decisions(visit) == ()


def test_a_promise_is_of_a_day_to_come(place) -> None:
    book = start(place.address, place.images)
    visit = fill(book)
    with pytest.raises(LogbookError, match="has passed"):
        book.promise(visit, "C-1", "night", date(2020, 1, 1), "Ada Example")
    kept = book.promise(visit, "C-1", "night", date(2190, 1, 1), "Ada Example", "when the lamps are in")
    assert kept.due == date(2190, 1, 1) and not kept.settles


def test_a_reference_is_chosen_renewed_and_withdrawn_with_a_reason(place) -> None:
    book = start(place.address, place.images)
    visit = fill(book)
    book.put_verdicts(visit, [make_verdict("C-1", "defect"), make_verdict("C-2"), make_verdict("C-3", "not verified")])
    assert book.no_reference_yet(visit) == {
        "C-1": "aim defect", "C-3": "aim not verified, and nobody confirmed it"
    }  # fmt: skip
    book.renew_reference(visit, "C-3", "day", "C-3/day.jpg", "Ada Example", "measured with a level")
    book.sign(visit, "Ada Example", unprotected=True)
    assert {(r.camera, r.channel, r.why) for r in book.references()} == {
        ("C-2", "day", "as planned"), ("C-2", "night", "as planned"),
        ("C-3", "day", "said by Ada Example: measured with a level"),
    }  # fmt: skip
    later = fill(book, DAY + timedelta(days=90), salt=b"later")
    with pytest.raises(LogbookError, match="no reference by day to withdraw"):
        book.withdraw_reference(later, "C-1", "day", "Ada Example", "old")
    book.withdraw_reference(later, "C-2", "day", "Ada Example", "the lamp post was moved")
    assert [r.channel for r in book.camera_references("C-2", later)] == ["night"]
    book.restore_reference(later, "C-2", "day", "Ada Example", "another post")
    assert len(book.camera_references("C-2", later)) == 2
    book.withdraw_reference(later, "C-2", "day", "Ada Example", "that post after all")
    for wrong in ({"by": " "}, {"why": ""}, {"channel": "dusk"}):
        with pytest.raises(LogbookError):
            book.withdraw_reference(**({"visit": later, "camera": "C-2", "channel": "night", "by": "A", "why": "x"} | wrong))
    book.sign(later, "Ada Example")
    with pytest.raises(LogbookError, match="signed"):
        book.renew_reference(visit, "C-1", "day", "C-1/day.jpg", "Ada Example", "late")
    assert book.camera_references("C-2")[0].visit == 2, "today's picture is the next one's reference"
    assert book.verify() == ()
