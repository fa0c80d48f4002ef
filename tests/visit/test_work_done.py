"""The crew answers back with a picture from after the work; the demo's camera TH-11 was put up rolled and straightened."""

from __future__ import annotations

import json
import shutil
import zipfile
from collections.abc import Callable
from io import BytesIO
from pathlib import Path

import pytest

from audit.account.account import accounts_of
from audit.account.case import case_of
from audit.errors import AuditError, PhotoRefused
from audit.logbook import Logbook
from audit.visit import judge_again
from audit.visit.done import Answer, hand_in_done, take_back
from audit.visit.hand_in import take_hand_in
from tests.yard_samples import BEFORE, OTHER, ROLLED, SAMPLES, bare, judged_yard, snapshot


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A logbook with one commissioning visit of three cameras, one of them rolled by 6 degrees."""
    return judged_yard(tmp_path_factory.mktemp("judged"))


@pytest.fixture
def book(tmp_path: Path, judged: Path) -> Logbook:
    """A copy of that logbook."""
    shutil.copytree(judged, tmp_path / "book")
    return Logbook.open(str(tmp_path / "book"))


def _level(book: Logbook) -> tuple[str, str]:
    (verdict,) = book.verdicts(1, ROLLED)
    finding = next(f for f in verdict.findings if f.check == "level")
    return finding.state, finding.why


def _answer(file: Path, name: str = "after.jpg", **more: object) -> Answer:
    return Answer(ROLLED, ("level",), file, name, "Cy Crew", "strap straightened", **more)  # type: ignore[arg-type]


def test_a_picture_from_after_the_work_closes_the_finding_and_is_undone(book: Logbook, tmp_path: Path) -> None:
    visit = book.visit(1)
    assert _level(book)[0] == "defect"
    brought = hand_in_done(book, visit, _answer(snapshot(ROLLED)))
    assert brought.states == (("level", "as planned"),)
    (entry,) = [d for d in book.decisions(visit, ROLLED) if d.decision == "done"]
    assert (entry.by, entry.photo, entry.said_state) == ("Cy Crew", "after.jpg", "as planned")
    assert "strap straightened. Before: +5.9°" in entry.why and BEFORE in entry.why and "After: +0.1°" in entry.why
    state, why = _level(book)
    assert state == "as planned" and "Done by Cy Crew" in why
    judge_again(book, visit)
    assert _level(book) == (state, why), "the old picture stays set aside when the visit is judged again"
    account = accounts_of(book, visit, [book.planned_camera(ROLLED, visit)])[ROLLED]
    assert account.day is not None and account.day.photo.name == "after.jpg"
    before = account.before_work(account.day)
    assert before is not None and before.photo.name == BEFORE
    take_back(book, visit, ROLLED, "level", "Cy Crew")
    assert _level(book)[0] == "defect"
    judge_again(book, visit)
    assert _level(book)[0] == "defect"
    case = case_of(book, visit, book.planned_camera(ROLLED, visit))
    assert case is not None and case.day is not None and case.day.photo.name == BEFORE
    again = hand_in_done(book, visit, _answer(snapshot(ROLLED)))
    assert again.states == (("level", "as planned"),), "a picture that was taken back may be handed in again"
    book.renew_reference(visit, ROLLED, "day", "after.jpg", "R. Example", "straightened")
    book.sign(visit, "R. Example", keys=tmp_path / "keys")
    assert book.verify() == ()
    assert {r.photo for r in book.references() if r.camera == ROLLED} == {"after.jpg"}


def test_the_reference_is_the_picture_from_after_the_work(book: Logbook, tmp_path: Path) -> None:
    visit = book.visit(1)
    hand_in_done(book, visit, _answer(snapshot(ROLLED)))
    assert book.latest_snapshot(visit, ROLLED, "day") == "after.jpg"
    take_back(book, visit, ROLLED, "level", "Cy Crew")
    assert book.latest_snapshot(visit, ROLLED, "day") == BEFORE


def test_the_wrong_cameras_picture_is_said_and_not_taken_as_proof(book: Logbook, tmp_path: Path) -> None:
    visit = book.visit(1)
    with pytest.raises(PhotoRefused, match=rf"its name or serial says {OTHER}, not {ROLLED}"):
        hand_in_done(book, visit, _answer(snapshot(OTHER)))
    unnamed = bare(snapshot(OTHER), tmp_path / "bare.jpg")
    with pytest.raises(PhotoRefused, match=rf"shows the view of {OTHER}, not that of {ROLLED}"):
        hand_in_done(book, visit, _answer(unnamed))
    strange = bare(snapshot("TH-01"), tmp_path / "strange.jpg")
    with pytest.raises(PhotoRefused, match="nothing in it is like the earlier picture"):
        hand_in_done(book, visit, _answer(strange, "snapshot.jpg"))
    assert _level(book)[0] == "defect" and not [d for d in book.decisions(visit) if d.decision == "done"]
    assert {r.kind for r in book.refusals(visit)} == {"not proof"}
    assert len(book.photos(visit)) == 3
    with pytest.raises(PhotoRefused, match="in this visit already"):
        hand_in_done(book, visit, _answer(snapshot(ROLLED, "commissioning")))
    hand_in_done(book, visit, _answer(strange, "snapshot.jpg", vouched=True))
    assert "snapshot.jpg" in {p.name for p in book.photos(visit)}, "a person's word is taken, and kept with their name"


def test_the_crews_own_photo_of_the_work_leaves_the_last_word_to_a_person(book: Logbook) -> None:
    visit = book.visit(1)
    photo = next((SAMPLES / "maintenance" / "photos").glob("*.jpg"))
    brought = hand_in_done(book, visit, _answer(photo, "strap.jpg"))
    assert brought.states == (("level", "to check"),)
    state, why = _level(book)
    assert state == "to check" and "No measurement shows it: look at strap.jpg" in why
    book.decide(visit, ROLLED, "level", "dismiss", "R. Example", "seen straight in the photo")
    assert _level(book)[0] == "as planned"


def test_a_signed_visit_and_what_is_not_open_are_refused_with_the_way(book: Logbook, tmp_path: Path) -> None:
    visit = book.visit(1)
    with pytest.raises(AuditError, match="no open finding on 'sky'"):
        hand_in_done(book, visit, Answer(ROLLED, ("sky",), snapshot(ROLLED), "a.jpg", "Cy"))
    with pytest.raises(AuditError, match="no check; the checks are"):
        hand_in_done(book, visit, Answer(ROLLED, ("lvel",), snapshot(ROLLED), "a.jpg", "Cy"))
    with pytest.raises(AuditError, match="no camera 'TH-99'"):
        hand_in_done(book, visit, Answer("TH-99", ("level",), snapshot(ROLLED), "a.jpg", "Cy"))
    text = tmp_path / "note.txt"
    text.write_text("done", encoding="utf-8")
    with pytest.raises(AuditError, match=r"note\.txt"):
        hand_in_done(book, visit, _answer(text, "note.txt"))
    book.sign(visit, "R. Example", keys=tmp_path / "keys")
    with pytest.raises(AuditError, match=r"is signed.*next visit"):
        hand_in_done(book, book.visit(1), _answer(snapshot(ROLLED)))
    with pytest.raises(AuditError, match=r"was signed by R\. Example.*can't be changed; open a visit of another day"):
        book.answer(book.visit(1), BEFORE, OTHER, "R. Example")
    assert book.verify() == ()


def test_sign_off_waits_where_somebody_asked_for_it(book: Logbook, tmp_path: Path) -> None:
    visit = book.visit(1)
    book.wait_for(visit, ROLLED, "level", "R. Example", "the crew is on the mast")
    assert book.waits(visit) == ((ROLLED, "level"),) and _level(book)[0] == "defect"
    with pytest.raises(AuditError, match="waits for TH-11 level"):
        book.sign(visit, "R. Example", keys=tmp_path / "keys")
    hand_in_done(book, visit, _answer(snapshot(ROLLED)))
    assert book.waits(visit) == ()
    take_back(book, visit, ROLLED, "level", "Cy Crew")
    assert book.waits(visit) == ((ROLLED, "level"),)
    book.undo(visit, ROLLED, "level", "R. Example")
    book.sign(visit, "R. Example", keys=tmp_path / "keys")


def _crew_file(path: Path, book: Logbook, said: dict[str, object], pictures: dict[str, bytes]) -> Path:
    said = {"format": "photo-audit answers 1", "logbook": book.identity(), "visit": 1, "by": "Cy Crew", "answers": [], **said}
    out = BytesIO()
    with zipfile.ZipFile(out, "w") as packed:
        packed.writestr("answers.json", json.dumps(said))
        for name, data in pictures.items():
            packed.writestr(name, data)
    path.write_bytes(out.getvalue())
    return path


def test_the_file_of_the_phone_list_is_taken_in_answer_by_answer(
    book: Logbook, tmp_path: Path, audit: Callable[..., object]
) -> None:
    answers: list[dict[str, object]] = [
        {"camera": ROLLED, "checks": ["level"], "photo": "photos/1", "name": "IMG_1.jpg", "words": "strap"},
        {"camera": OTHER, "checks": ["cleanliness"], "photo": "photos/2", "name": "../../IMG_2.jpg", "words": ""},
        {"camera": "TH-09", "checks": ["cleanliness"], "photo": None},
        {"camera": "TH-09", "checks": ["cleanliness"], "photo": "photos/9"},
    ]
    pictures = {"photos/1": snapshot(ROLLED).read_bytes(), "photos/2": snapshot("TH-01").read_bytes()}
    file = _crew_file(tmp_path / "crew.zip", book, {"answers": answers}, pictures)
    outcomes = take_hand_in(book, file)
    assert [o.taken for o in outcomes] == [True, False, False, False]
    assert "level as planned" in outcomes[0].sentence and outcomes[1].sentence.startswith("IMG_2.jpg: not taken as proof")
    assert "without a picture" in outcomes[2].sentence and "not in the crew's file" in outcomes[3].sentence
    ran = audit("done", book.address, "--list", file)
    assert ran.code == 3 and "0 of 4 answers taken in" in ran.err  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"logbook": "0" * 36}, "another site"),
        ({"format": "photo-audit answers 9"}, "another version"),
        ({"answers": "none"}, "no file that a job list made"),
    ],
)
def test_a_file_that_is_not_for_this_visit_is_refused_whole(
    book: Logbook, tmp_path: Path, more: dict[str, object], said: str
) -> None:
    with pytest.raises(AuditError, match=said):
        take_hand_in(book, _crew_file(tmp_path / "crew.zip", book, more, {}))


@pytest.mark.parametrize("data", [b"", b"PK\x03\x04 cut", b"\x00" * 4000])
def test_a_damaged_file_is_refused_with_its_name(book: Logbook, tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "crew.zip"
    path.write_bytes(data)
    with pytest.raises(AuditError, match=r"crew\.zip"):
        take_hand_in(book, path)
