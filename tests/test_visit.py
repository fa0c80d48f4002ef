"""A visit from files to findings, beyond what the command line's tests show."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from audit import demo
from audit.account import account
from audit.account.case import case_of
from audit.account.selection import judged
from audit.judge.limits import load_limits
from audit.logbook import Logbook
from audit.match.shots import SHOT_METHOD, Shows
from audit.measure import image
from audit.measure.burned_in import WRITTEN_METHOD
from audit.plan.files import read_plan
from audit.report.handover import write_handover
from audit.visit import compare, judge_again, measure_anew, run_visit, series, shots
from audit.visit.again import judge_anew


@pytest.fixture
def photos(tmp_path: Path, picture_bytes: bytes) -> Path:
    """A folder with one day snapshot of C-1."""
    folder = tmp_path / "photos"
    folder.mkdir()
    (folder / "C-1_day.jpg").write_bytes(picture_bytes)
    return folder


@pytest.fixture
def book(tmp_path: Path, plan: Path) -> Logbook:
    """An empty logbook of the two planned cameras."""
    return Logbook.create(str(tmp_path / "book"), read_plan(plan), plan.name, plan.read_bytes())


def by_lens(book: Logbook, sha256: str) -> tuple[str, ...]:
    """Methods that have measured a picture with a lens; reading what is burnt into it, or telling what it shows, is none of them."""
    return tuple(method for method in book.methods(sha256) if method not in (WRITTEN_METHOD, SHOT_METHOD))


def test_limits_of_ones_own_measure_once_and_still_show_what_was_measured(
    tmp_path: Path, book: Logbook, photos: Path
) -> None:
    own = tmp_path / "own.toml"
    own.write_text("[lens]\nhfov_sd_fraction = 0.05\n")
    with book:
        summary = run_visit(book, photos, "commissioning", date(2026, 6, 16), limits=load_limits(own))
        (photo,) = book.photos(summary.visit)
        assert len(by_lens(book, photo.sha256)) == 1
        shown = case_of(book, summary.visit, book.site().camera("C-1"))
        assert shown is not None and shown.day is not None
        judge_again(book, summary.visit)
        again = run_visit(book, photos, "commissioning", date(2026, 6, 16))
        assert len(by_lens(book, photo.sha256)) == 1, "the visit keeps its limits, so nothing is measured anew"
        assert book.limits(again.visit) == load_limits(own)
        strict = tmp_path / "strict.toml"
        strict.write_text("[level]\nroll_tolerance_deg = 0.5\n")
        run_visit(book, photos, "commissioning", date(2026, 6, 16), limits=load_limits(strict))
        assert book.limits(again.visit) == load_limits(strict), "new limits take the place of the old"
        signed = book.sign(again.visit, "R. Example", keys=tmp_path / "keys")
        assert b'"roll_tolerance_deg":0.5' in signed.record
        assert book.verify() == ()


def test_a_bracket_that_looks_bare_is_put_up_with_its_photo_and_again_when_one_camera_is_judged(
    book: Logbook, photos: Path, picture_bytes: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    (photos / "C-1_bracket.jpg").write_bytes(picture_bytes + b"another")
    monkeypatch.setattr(shots, "by_hand", lambda _: True)
    monkeypatch.setattr(shots, "look_at", lambda _: Shows((0.01, 0.95, 0.02, 0.01, 0.01), (0.01, 0.01, 0.01, 0.01, 0.0, 0.96)))
    with book:
        visit = run_visit(book, photos, "commissioning", date(2026, 6, 16)).visit
        for verdicts in (book.verdicts(visit, "C-1"), judge_anew(book, visit, ["C-1"])):
            (found,) = [f for v in verdicts for f in v.findings if f.check == "mounting"]
            assert (found.state, found.photo) == ("to check", "C-1_bracket.jpg") and "no camera" in found.why
        assert not [f for v in book.verdicts(visit, "C-2") for f in v.findings if f.check == "mounting"]


def test_pictures_of_one_camera_are_seen_together_once(
    book: Logbook, photos: Path, picture_bytes: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    (photos / "C-1_day_2.jpg").write_bytes(picture_bytes[:-2] + b"\xff\xfe\x00\x04ab\xff\xd9")
    seen: list[int] = []
    really = series.measure_series
    monkeypatch.setattr(series, "measure_series", lambda pixels: (seen.append(len(pixels)), really(pixels))[1])
    with book:
        summary = run_visit(book, photos, "commissioning", date(2026, 6, 16))
        judge_again(book, summary.visit)
    assert seen == [2]


def test_pictures_from_while_it_was_turned_are_seen_with_the_snapshot_and_judged_for_nothing_else(
    book: Logbook, photos: Path, picture_bytes: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    for k in (1, 2):
        (photos / f"C-1_turned_{k}.jpg").write_bytes(picture_bytes[:-2] + b"\xff\xfe\x00\x04a" + bytes((k,)) + b"\xff\xd9")
    seen: list[int] = []
    really = series.measure_series
    monkeypatch.setattr(series, "measure_series", lambda pixels: (seen.append(len(pixels)), really(pixels))[1])
    with book:
        visit = run_visit(book, photos, "commissioning", date(2026, 6, 16)).visit
        assert {p.photo: p.role for p in book.placements(visit)} == {
            "C-1_day.jpg": "snapshot", "C-1_turned_1.jpg": "turned", "C-1_turned_2.jpg": "turned"}  # fmt: skip
        case = case_of(book, book.visit(1), book.site().camera("C-1"))
        assert case is not None and [s.photo.name for s in case.account.snapshots] == ["C-1_day.jpg"], "nothing is judged by them"
        assert case.account.series is not None
    assert seen == [3]


def test_a_signed_visit_shows_what_it_was_signed_with_under_a_later_method(
    tmp_path: Path, book: Logbook, photos: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with book:
        first = run_visit(book, photos, "commissioning", date(2026, 6, 16)).visit
        book.sign(first, "R. Example", keys=tmp_path / "keys")
        camera = book.site().camera("C-1")
        before = case_of(book, book.visit(1), camera)
        assert before is not None and before.day is not None
        for module in (series, compare, account, image):
            monkeypatch.setattr(module, "METHOD", "later")
        again = run_visit(book, photos, "maintenance", date(2026, 12, 1)).visit
        (photo,) = book.photos(again)
        assert [method.partition("-")[0] for method in by_lens(book, photo.sha256)][-1] == "later"
        after = case_of(book, book.visit(1), camera)
        assert after is not None and after.day is not None
        assert after.day.measured is not None and before.day.measured is not None
        assert after.day.measured.orientation.pitch_deg == before.day.measured.orientation.pitch_deg
        assert book.verify() == ()


def test_a_signed_visit_is_measured_anew_and_nothing_else_of_it_changes(
    tmp_path: Path, book: Logbook, photos: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with book:
        first = run_visit(book, photos, "commissioning", date(2026, 6, 16)).visit
        book.sign(first, "R. Example", keys=tmp_path / "keys")
        verdicts, (photo,) = book.verdicts(1), book.photos(1)
        (old,) = by_lens(book, photo.sha256)
        measure_anew(book, book.visit(1))
        assert by_lens(book, photo.sha256) == (old,), "the same version measures once"
        monkeypatch.setattr(image, "METHOD", "later")
        measure_anew(book, book.visit(1))
        (anew,) = book.remeasured(1)
        assert (anew.photo, anew.old_method) == (
            photo.name,
            old,
        ) and anew.new_method == f"later-{old.partition('-')[2]}"
        assert anew.old["orientation.pitch_deg"] == anew.new["orientation.pitch_deg"]
        assert book.verdicts(1) == verdicts and book.verify() == ()


def test_the_demo_run_again_keeps_its_signed_visit(
    tmp_path: Path, plan: Path, picture_bytes: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = tmp_path / "source"
    for kind in ("commissioning", "maintenance"):
        (source / kind).mkdir(parents=True)
        (source / kind / "C-1_day.jpg").write_bytes(picture_bytes)
    (source / "plan.csv").write_bytes(plan.read_bytes())
    (source / "limits.toml").write_text("", encoding="utf-8")
    for kind in ("commissioning", "maintenance"):
        (source / f"clicks.{kind}.csv").write_text("camera,landmark,column_px,row_px\n", encoding="utf-8")
    (source / "seen.commissioning.csv").write_text("camera,check,state,why\n", encoding="utf-8")
    monkeypatch.setattr(demo, "sample_folder", lambda: source)
    first = demo.run_demo(tmp_path / "demo", 0)
    again = demo.run_demo(tmp_path / "demo", 0)
    assert [s.photos for s in again] == [s.photos for s in first] == [1, 1]
    assert again[0].visit.signed_at is not None and again[0].states == first[0].states


def test_a_camera_whose_row_of_the_plan_waits_is_not_verified_and_the_others_are_judged(
    tmp_path: Path, plan: Path, photos: Path
) -> None:
    lines = plan.read_text(encoding="utf-8").splitlines()
    column = lines[0].split(",").index("height_m")
    cells = lines[2].split(",")
    cells[column] = "tbc"
    plan.write_text("\n".join([*lines[:2], ",".join(cells), *lines[3:]]), encoding="utf-8")
    site = read_plan(plan)
    assert [w.camera for w in site.waiting] == [cells[0]]
    with Logbook.create(str(tmp_path / "waits"), site, plan.name, plan.read_bytes()) as book:
        assert book.site() == site, "the waiting camera is kept with its reasons"
        summary = run_visit(book, photos, "commissioning", date(2026, 6, 16))
        states = {v.camera: v for v in book.verdicts(summary.visit)}
        waiting = states[cells[0]]
        assert waiting.state == "not verified" and "tbc" in waiting.findings[0].why and states["C-1"].findings
        assert [name for name, _ in judged(book, summary.visit)] == ["C-1"]
        assert write_handover(book, summary.visit, tmp_path / "package")
        book.sign(summary.visit, "R. Example", keys=tmp_path / "keys")
        assert book.verify() == ()
