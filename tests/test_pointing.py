"""From a click to the verdict: recorded, judged again at once, carried to the next visit, refused where it can't be true."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import pytest

from audit.cli import pointing
from audit.errors import AuditError
from audit.judge.finding import Finding, Verdict
from audit.logbook import Logbook
from audit.visit.point import judge_camera_again, point_out, take_point_back
from tests import desk_samples

#: On C-1's planned axis (bearing 40, pitch -15), 30 m out; and 25 degrees to the right of it.
MARKS = "landmark,east_m,north_m,up_m,position_sd_m\nmast,19.284,22.981,-5.04,0.05\nshed,27.189,12.679,-5.04,0.05\n"
MIDDLE = (desk_samples.WIDTH_PX - 1) / 2, (desk_samples.HEIGHT_PX - 1) / 2


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    (tmp_path / "plan.landmarks.csv").write_text(MARKS, encoding="utf-8")
    return desk_samples.judged_logbook(tmp_path, visits=1)


def pan(verdict: Verdict | None) -> Finding:
    assert verdict is not None
    return next(f for f in verdict.findings if f.check == "pan")


def test_a_click_is_judged_in_the_same_moment_and_can_be_taken_back(book: Logbook) -> None:
    visit = book.visit(1)
    assert pan(judge_camera_again(book, visit, "C-5")).state == "not verified"
    verdict = point_out(book, visit, "C-1", "mast", (MIDDLE[0], _row(-7.0)), "Ada Example")
    found = pan(verdict)
    assert found.state == "as planned" and abs(found.measured - 40.0) < 1.0
    assert book.verdicts(visit, "C-1")[0] == verdict
    assert pan(take_point_back(book, visit, "C-1", "mast", "Ada Example")).state == "not verified"
    assert len(book.points(visit, "C-1")) == 2


def _row(pitch_deg: float) -> float:
    """The row of what lies 15 degrees below the horizon, by a camera pitched so."""
    focal = desk_samples.WIDTH_PX / 2 / math.tan(math.radians(28))
    return MIDDLE[1] + focal * math.tan(math.radians(pitch_deg + 15.0))


def test_a_panned_camera_is_found_by_a_click(book: Logbook) -> None:
    visit = book.visit(1)
    found = pan(point_out(book, visit, "C-1", "shed", (MIDDLE[0], _row(-7.0)), "Ada Example"))
    assert found.state == "defect" and found.remedy is not None and "Pan left 25" in found.remedy.action
    assert found.remedy.turn_deg == pytest.approx(-25, abs=1)


def test_what_was_shown_is_carried_through_the_signed_picture(book: Logbook) -> None:
    first = book.visit(1)
    shown = point_out(book, first, "C-5", "C-6", _towards(book, "C-5", "C-6"), "Ada Example")
    assert shown is not None and pan(shown).measured is not None
    # without a fault, so that its picture becomes the reference
    book.put_verdict(first, Verdict("C-5", "as planned", (replace(pan(shown), state="as planned"),)))
    book.sign(first, "Ada Example", unprotected=True)
    with pytest.raises(AuditError, match="signed"):
        point_out(book, first, "C-5", "C-6", _towards(book, "C-5", "C-6"), "Ada Example")
    second = desk_samples._visit(book, 1, desk_samples.photograph)
    carried = pan(judge_camera_again(book, second, "C-5"))
    assert carried.measured == pytest.approx(((pan(shown).measured or 0.0) + 0.2) % 360.0, abs=1e-6)
    assert "shown in visit 1" in carried.why


def _towards(book: Logbook, camera: str, other: str) -> tuple[float, float]:
    """A pixel at the height of another camera by the measured tilt, in the middle column."""
    one, two = book.site().camera(camera), book.site().camera(other)
    level = math.hypot(two.east_m - one.east_m, two.north_m - one.north_m)
    below = math.degrees(math.atan2(one.up_m - two.up_m, level))
    focal = desk_samples.WIDTH_PX / 2 / math.tan(math.radians(28))
    return MIDDLE[0], MIDDLE[1] + focal * math.tan(math.radians(below - 15.0))


@pytest.mark.parametrize(
    "camera, landmark, at, words",
    [
        ("C-9", "mast", (1.0, 1.0), "the plan has no camera 'C-9'"),
        ("C-1", "mats", (1.0, 1.0), "Did you mean 'mast'"),
        ("C-1", "mast", (9000.0, 1.0), "lies outside the picture of 640 × 360 px"),
        ("C-1", "mast", (320.0, 1.0), "at the sky or a roof"),
    ],
)
def test_what_can_t_be_true_is_refused_and_nothing_is_recorded(
    book: Logbook, camera: str, landmark: str, at: tuple[float, float], words: str
) -> None:
    with pytest.raises(AuditError, match=words):
        point_out(book, book.visit(1), camera, landmark, at, "Ada Example")
    assert book.points(book.visit(1)) == ()


def test_a_list_records_what_it_can_and_says_the_rest(
    book: Logbook, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    clicks = tmp_path / "clicks.csv"
    clicks.write_text(
        f"camera,landmark,column_px,row_px\nC-1,mast,{MIDDLE[0]},{_row(-7.0)}\nC-1,post,5,5\nC-4,mast,,\n", encoding="utf-8"
    )
    place = str(tmp_path / "logbook")
    assert pointing.point(place, by="Ada Example", list_file=clicks, as_json=True) == 3
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [line["camera"] for line in lines] == ["C-1", "C-1", "C-4"]
    assert "no 'post' to point out" in lines[0]["error"]
    assert next(f for f in lines[1]["findings"] if f["check"] == "pan")["state"] == "as planned"
    assert [p.at_px is None for p in book.points(book.visit(1))] == [False, True]
    with pytest.raises(AuditError, match="--at COLUMN,ROW or --absent"):
        pointing.point(place, "C-1", "mast", by="Ada Example")
    with pytest.raises(AuditError, match="write COLUMN,ROW"):
        pointing.point(place, "C-1", "mast", by="Ada Example", at="middle")
    with pytest.raises(AuditError, match="say who"):
        pointing.point(place, "C-1", "mast", at=f"{MIDDLE[0]},{_row(-7.0)}")


def test_boards_are_printed_one_a_target(book: Logbook, tmp_path: Path) -> None:
    place = str(tmp_path / "logbook")
    assert pointing.board(place, tmp_path / "boards.pdf") == 0
    data = (tmp_path / "boards.pdf").read_bytes()
    assert data.startswith(b"%PDF") and data.count(b"/Type /Page\n") == 6
    assert pointing.board(place, tmp_path / "one.pdf", paper="A2", carry=True) == 0
    with pytest.raises(AuditError, match="printed on A4, A3, A2"):
        pointing.board(place, tmp_path / "no.pdf", paper="letter")
