"""Bad input at the command line: one clear sentence that names the file, exit codes as in the contract, the rest goes on."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.conftest import PLAN_HEADER, Ran

Audit = Callable[..., Ran]


@pytest.fixture
def book(tmp_path: Path, plan: Path, audit: Audit) -> Path:
    place = tmp_path / "logbook"
    assert audit("start", place, "--plan", plan).code == 0
    return place


@pytest.fixture
def photos(tmp_path: Path, picture_bytes: bytes) -> Path:
    folder = tmp_path / "photos"
    folder.mkdir()
    (folder / "C-1_day.jpg").write_bytes(picture_bytes)
    return folder


def _visit(audit: Audit, book: Path, photos: Path) -> Ran:
    return audit("visit", book, photos, "--kind", "commissioning", "--on", "2026-06-16", "--json")


def test_an_empty_folder_is_said_to_be_empty(audit: Audit, book: Path, tmp_path: Path) -> None:
    empty = tmp_path / "empty"
    empty.mkdir()
    ran = _visit(audit, book, empty)
    assert ran.code == 2 and "empty" in ran.err and "no files" in ran.err and len(ran.err.splitlines()) == 1


def test_a_missing_folder_is_named(audit: Audit, book: Path, tmp_path: Path) -> None:
    ran = _visit(audit, book, tmp_path / "nowhere")
    assert ran.code == 2 and "nowhere" in ran.err


def test_text_files_are_refused_by_name_and_the_photo_goes_on(audit: Audit, book: Path, photos: Path) -> None:
    for name in ("notes.txt", "list.csv"):
        (photos / name).write_text("no picture at all\n")
    ran = _visit(audit, book, photos)
    assert ran.code == 3
    assert "notes.txt" in ran.err and "list.csv" in ran.err
    first = next(line for line in ran.lines if line["camera"] == "C-1")
    assert first["photos"] == ["C-1_day.jpg"]


def test_a_truncated_photo_and_a_huge_header_are_refused(
    audit: Audit, book: Path, photos: Path, picture_bytes: bytes
) -> None:
    (photos / "cut.jpg").write_bytes(picture_bytes[: len(picture_bytes) // 3])
    at = picture_bytes.index(b"\xff\xc0") + 5
    side = (60000).to_bytes(2, "big")
    (photos / "bomb.jpg").write_bytes(picture_bytes[:at] + side + side + picture_bytes[at + 4 :])
    ran = _visit(audit, book, photos)
    assert ran.code == 3 and "cut.jpg" in ran.err and "bomb.jpg" in ran.err


def test_a_wrong_extension_is_read_by_content(audit: Audit, book: Path, photos: Path, picture_bytes: bytes) -> None:
    (photos / "C-2_day.png").write_bytes(picture_bytes)
    ran = _visit(audit, book, photos)
    assert ran.code == 0
    assert next(line for line in ran.lines if line["camera"] == "C-2")["photos"] == ["C-2_day.png"]


def test_names_with_newlines_and_broken_bytes_are_kept_apart(
    audit: Audit, book: Path, photos: Path, picture_bytes: bytes
) -> None:
    (photos / "two\nlines.jpg").write_bytes(picture_bytes)
    with open(os.path.join(os.fsencode(photos), b"caf\xe9.jpg"), "wb") as file:
        file.write(picture_bytes + b"\0")
    ran = _visit(audit, book, photos)
    assert ran.code == 0 and "3 photos" in ran.err


def test_a_loop_of_links_ends(audit: Audit, book: Path, photos: Path) -> None:
    (photos / "again").symlink_to(photos)
    assert _visit(audit, book, photos).code == 0


def test_running_again_takes_nothing_twice(audit: Audit, book: Path, photos: Path) -> None:
    first = _visit(audit, book, photos)
    second = _visit(audit, book, photos)
    assert first.out == second.out and "visit 1" in second.err


def test_a_second_visit_at_the_same_time_is_told_to_wait(audit: Audit, book: Path, photos: Path) -> None:
    from audit.logbook import Logbook

    other = Logbook.open(str(book))
    from datetime import date

    visit = other.open_visit("commissioning", date(2026, 6, 16))
    with other.writing(visit):
        ran = _visit(audit, book, photos)
    assert ran.code == 2 and len(ran.err.splitlines()) == 1


@pytest.mark.skipif(os.geteuid() != 0, reason="mounting a small file system needs root")
def test_a_full_disk_is_said_and_the_visit_goes_on_later(
    audit: Audit, plan: Path, photos: Path, tmp_path: Path, picture_bytes: bytes
) -> None:
    small = tmp_path / "small"
    small.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1200k", "tmpfs", small], capture_output=True).returncode:
        pytest.skip("this machine does not let a test mount a file system")
    try:
        assert audit("start", small / "book", "--plan", plan).code == 0
        for k in range(40):
            (photos / f"p{k}.jpg").write_bytes(picture_bytes + bytes([k]))
        ran = _visit(audit, small / "book", photos)
        assert ran.code == 2 and len(ran.err.splitlines()) == 1
        assert "space" in ran.err or "full" in ran.err
    finally:
        subprocess.run(["umount", "-l", small], check=False)


def test_a_plan_with_a_duplicate_camera_names_the_row(audit: Audit, tmp_path: Path) -> None:
    row = "C-1,Gate,46.5,-18.0,3.0,20,-15,56,640,360,bullet,pole,outdoor,mast,S1,none,recognise,1.7,4.7,1.6\n"
    path = tmp_path / "twice.csv"
    path.write_text(PLAN_HEADER + "\n" + row + row.replace(",20,", ",200,", 1))
    ran = audit("start", tmp_path / "b", "--plan", path)
    assert ran.code == 2 and "twice.csv" in ran.err and "A3" in ran.err and "C-1" in ran.err


def test_a_plan_in_semicolons_and_decimal_commas_is_read(audit: Audit, tmp_path: Path) -> None:
    header = PLAN_HEADER.replace(",", ";")
    row = "C-1;Gate;46,5;-18,0;3,0;20;-15;56;640;360;bullet;pole;outdoor;mast;S1;none;recognise;1,7;4,7;1,6\n"
    path = tmp_path / "plan.csv"
    path.write_text(header + "\n" + row)
    ran = audit("plan", "geometry", path, "--json")
    assert ran.code == 0 and ran.lines[0]["camera"] == "C-1"


def test_measure_says_what_is_wrong_with_each_file_in_order(audit: Audit, photos: Path, tmp_path: Path) -> None:
    text = tmp_path / "a.txt"
    text.write_text("hello")
    ran = audit("measure", "--json", text, photos / "C-1_day.jpg", tmp_path / "gone.jpg")
    assert ran.code == 3
    assert [line["error"] is None for line in ran.lines] == [False, True, False]
    assert "gone.jpg" in ran.lines[2]["error"]


def test_a_logbook_that_is_none_is_named(audit: Audit, tmp_path: Path) -> None:
    ran = audit("show", tmp_path)
    assert ran.code == 2 and str(tmp_path) in ran.err and len(ran.err.splitlines()) == 1


@pytest.mark.parametrize(
    "arguments", [("measure",), ("visit", "x", "y"), ("nonsense",), ("measure", "--hfov", "200", "a.jpg")]
)
def test_wrong_usage_ends_with_two(audit: Audit, arguments: tuple[str, ...]) -> None:
    assert audit(*arguments).code == 2
