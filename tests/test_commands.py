"""The commands' lines as the contract writes them, on small pictures and a small plan."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.conftest import Ran
from tests.logbook_samples import fill, start

Audit = Callable[..., Ran]
ROOT = Path(__file__).resolve().parent.parent

MEASURE = (
    "file width height hfov_deg hfov_source roll_deg roll_sd_deg pitch_deg pitch_sd_deg orientation_note sky_fraction "
    "sky_sd sky_note dirt_probability dirt_cause dirt_note sharpness elapsed_ms error"
).split()
COMPARE = (
    "reference today same_view_probability pan_change_deg pan_change_sd_deg pitch_change_deg pitch_change_sd_deg "
    "roll_change_deg roll_change_sd_deg contrast_ratio sharpness_ratio soiled_fraction blocked_fraction "
    "dirt_probability dirt_cause note error"
).split()
MATCH = "photo camera probability decision group alternatives role evidence error".split()
GEOMETRY = (
    "camera vfov_deg horizon_row_px open_sky_fraction nearest_ground_m farthest_ground_m targets"
).split()


@pytest.fixture
def picture(tmp_path: Path, picture_bytes: bytes) -> Path:
    path = tmp_path / "C-1 day.jpg"
    path.write_bytes(picture_bytes)
    return path


@pytest.fixture
def book(audit: Audit, plan: Path, tmp_path: Path, picture_bytes: bytes) -> Path:
    photos = tmp_path / "photos"
    photos.mkdir()
    (photos / "C-1_day.jpg").write_bytes(picture_bytes)
    assert audit("start", tmp_path / "book", "--plan", plan).code == 0
    ran = audit("visit", tmp_path / "book", photos, "--kind", "commissioning", "--on", "2026-06-16", "--json")
    assert ran.code == 0 and [line["camera"] for line in ran.lines if line["photos"]] == ["C-1"]
    return tmp_path / "book"


def test_measure_prints_the_contracts_line_and_a_sentence(audit: Audit, picture: Path) -> None:
    ran = audit("measure", picture, "--hfov", "56", "--json")
    (line,) = ran.lines
    assert ran.code == 0 and set(MEASURE) <= set(line)
    assert (line["width"], line["height"], line["hfov_deg"], line["hfov_source"]) == (640, 360, 56, "given")
    assert line["error"] is None and (line["roll_deg"] is None) == (line["orientation_note"] is not None)
    said = audit("measure", picture, "--hfov", "56")
    assert said.code == 0 and "C-1 day.jpg" in said.out


def test_measure_takes_a_list_and_writes_masks(audit: Audit, picture: Path, tmp_path: Path) -> None:
    (tmp_path / "broken.jpg").write_bytes(b"\xff\xd8\xff nothing")
    listed = tmp_path / "list.csv"
    listed.write_text("file,hfov_deg,projection\nC-1 day.jpg,60,rectilinear\nbroken.jpg,60,\n")
    ran = audit("measure", "--list", listed, "--masks", tmp_path / "masks", "--workers", "2", "--json")
    first, second = ran.lines
    assert ran.code == 3 and first["hfov_deg"] == 60 and "broken.jpg" in second["error"]
    mask = cv2.imread(str(tmp_path / "masks" / "C-1 day.png"), cv2.IMREAD_UNCHANGED)
    if first["sky_fraction"] is not None:
        assert mask.shape == (360, 640) and set(np.unique(mask)) <= {0, 255}


def test_compare_prints_the_contracts_line_and_a_sentence(audit: Audit, picture: Path, tmp_path: Path) -> None:
    ran = audit("compare", picture, picture, "--hfov", "56", "--json")
    (line,) = ran.lines
    assert ran.code == 0 and set(COMPARE) <= set(line)
    assert line["same_view_probability"] > 0.9 and abs(line["pan_change_deg"]) < 0.1
    listed = tmp_path / "pairs.csv"
    listed.write_text("reference,today,hfov_deg\nC-1 day.jpg,C-1 day.jpg,56\nC-1 day.jpg,gone.jpg,56\n")
    ran = audit("compare", "--list", listed, "--json")
    assert ran.code == 3 and "gone.jpg" in ran.lines[1]["error"] and ran.lines[0]["error"] is None
    assert "C-1 day.jpg" in audit("compare", picture, picture).out


def test_match_prints_the_contracts_line_from_a_folder_and_a_table(
    audit: Audit, plan: Path, picture: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "crew"
    folder.mkdir()
    picture.rename(folder / "C-2_day.jpg")
    ran = audit("match", plan, folder, "--json")
    (line,) = ran.lines
    assert ran.code == 0 and set(line) == set(MATCH) and line["decision"] in ("placed", "unmatched", "uncertain")
    table = tmp_path / "photos.csv"
    table.write_text("photo,taken_at,latitude,longitude,position_error_m,serial\na.jpg,,46.5,-18.0,4,SN0001\n")
    answers = tmp_path / "answers.csv"
    answers.write_text("photo,camera\na.jpg,C-2\n")
    assert audit("match", plan, table, "--json").lines[0]["camera"] == "C-1"
    answered = audit("match", plan, table, "--answers", answers, "--json").lines[0]
    assert (answered["camera"], answered["probability"]) == ("C-2", 1.0)
    assert "a.jpg" in audit("match", plan, table).out


def test_plan_commands_print_problems_geometry_and_parts(audit: Audit, plan: Path) -> None:
    lines = audit("plan", "geometry", plan, "--json").lines
    assert [line["camera"] for line in lines] == ["C-1", "C-2"] and set(GEOMETRY) <= set(lines[0])
    assert set("target in_frame column_px row_px distance_m px_per_m required_px_per_m met".split()) <= set(
        lines[0]["targets"][0]
    )
    assert "C-1" in audit("plan", "geometry", plan).out
    checked = audit("plan", "check", plan)
    assert checked.code == 1 and "125 required" in checked.out and "2 cameras" in checked.out
    fixed = audit("plan", "check", plan, "--fix", plan.with_name("fixed.csv"))
    assert fixed.code == 1 and plan.with_name("fixed.csv").is_file()
    assert audit("plan", "check", plan, "--fix", plan.with_name("fixed.csv")).code == 2, "never written over"
    assert audit("plan", "template", "-o", plan.with_name("new.xlsx")).code == 0
    assert audit("plan", "check", plan.with_name("new.xlsx"), "--json").lines[-1]["severity"] == "error"
    parts = audit("plan", "parts", plan)
    assert parts.code == 0 and "junction box" in parts.out
    assert any("junction box" in line["part"] for line in audit("plan", "parts", plan, "--json").lines)


def test_decisions_signing_handing_over_and_moving(audit: Audit, book: Path, tmp_path: Path) -> None:
    for word in ("confirm", "tolerate"):
        assert audit("decide", book, "C-1", "photos", word, "--by", "Ada Example", "--why", "seen").code == 0
    assert audit("undo", book, "C-1", "photos", "--by", "Ada Example").code == 0
    assert audit("trip", book).code == 0
    *stops, last = audit("trip", book, "--json").lines
    assert all("cameras" in line for line in stops) and "not_verified" in last
    shown = audit("show", book, "--json").lines
    assert {"camera", "visit", "state", "findings", "photos"} <= set(shown[0])
    assert shown[0]["camera"] in audit("show", book).out
    assert audit("sign", book, "--by", "Ada Example").code == 0
    assert audit("verify", book).code == 0
    assert audit("handover", book, "-o", tmp_path / "package").code == 0
    assert audit("verify", tmp_path / "package").code == 0
    (tmp_path / "package" / "record.json").write_bytes(b"{}")
    changed = audit("verify", tmp_path / "package", "--json")
    assert changed.code == 2 and changed.lines[0]["name"] == "record.json"
    assert audit("export", book, tmp_path / "book.zip").code == 0
    assert audit("import", tmp_path / "book.zip", tmp_path / "movement").code == 0
    assert audit("verify", tmp_path / "movement").code == 0
    assert audit("show", tmp_path / "movement", "--json").lines == shown
    assert audit("show", book, "--progress", "--json").lines[0]["judged"] == 2
    assert audit("methods", book, "--measure").code == 0
    assert "well" in audit("health", book).out and audit("health", book, "--counters").out.endswith("# EOF\n")


def test_json_in_front_and_the_version(audit: Audit, plan: Path) -> None:
    assert json.loads(audit("--json", "plan", "geometry", plan).out.splitlines()[0])["camera"] == "C-1"
    assert audit("--version").out.strip()
    assert audit("nonsense").code == 2


def test_a_fault_of_the_program_is_one_sentence(picture: Path) -> None:
    """It exits with 2, for 1 says that there are defects; only ``--verbose`` shows where it happened."""
    code = (
        "from audit.cli import main, pictures\n"
        "def broken(*_): raise KeyError('the\x1b[31m key\\nof another line')\n"
        "pictures.measure_files = broken\nmain()"
    )
    for verbose in ((), ("--verbose",)):
        line = [sys.executable, "-c", code, *verbose, "measure", str(picture)]
        done = subprocess.run(line, capture_output=True, text=True, check=False, cwd=ROOT)
        said = done.stderr.splitlines()
        assert done.returncode == 2 and done.stdout == "" and "\x1b" not in said[-1]
        assert "KeyError" in said[-1] and "--verbose" in said[-1]
        assert ("Traceback" in done.stderr) == bool(verbose) and (len(said) == 1 or verbose)


def test_a_persons_own_finding_enters_state_and_list(audit: Audit, tmp_path: Path) -> None:
    """A dirty dome seen by eye: said on the command line, it is in ``show`` and in the trip."""
    place = str(tmp_path / "book")
    book = start(place)
    fill(book)
    book.close()
    said = ("--by", "Ada Example", "--why", "fourteen smears on the dome")
    done = audit("finding", place, "C-2", "cleanliness", "defect", *said, "--photo", "C-2/day.jpg", "--at", "320,200")
    assert done.code == 0 and "C-2 is now: defect" in done.err
    first = json.loads(audit("show", place, "--json").out.splitlines()[0])
    assert first["camera"] == "C-2" and first["state"] == "defect"
    assert "ourteen smears" in audit("trip", place, "--json").out
    assert "C-2 is now: as planned" in audit("undo", place, "C-2", "cleanliness", "--by", "Ada Example").err
    for wrong, word in (
        (("defect", *said, "--at", "9000,1", "--photo", "C-2/day.jpg"), "outside"),
        (("bad", *said), "no state"),
        (("defect", *said, "--at", "left"), "not a place"),
    ):
        done = audit("finding", place, "C-2", "cleanliness", *wrong)
        assert done.code == 2 and word in done.err


def test_findings_of_many_cameras_come_from_one_list(audit: Audit, tmp_path: Path) -> None:
    """What can be kept is kept; each other line is named with its reason."""
    place, many = str(tmp_path / "book"), tmp_path / "seen.csv"
    book = start(place)
    fill(book)
    book.close()
    many.write_text(
        "camera;check;state;why\nC-2;cleanliness;defect;smears on the dome\nC-9;cleanliness;as planned;wiped\n"
        "C-1;cleanliness;as planned;\nC-1;focus;to check;soft in the corner\n"
    )
    done = audit("finding", place, "--list", many, "--by", "Ada Example")
    assert done.code == 3 and "C-2 is now: defect" in done.err and "C-1 is now: to check" in done.err
    assert "C-9, cleanliness" in done.err and "C-1, cleanliness: say what you see" in done.err
    kept = json.loads(audit("show", place, "--json").out.splitlines()[0])
    assert [f["check"] for f in kept["findings"] if f["state"] == "defect"] == ["cleanliness"]
    assert audit("finding", place, "C-2", "--list", many, "--by", "Ada Example").code == 2
    assert audit("finding", place, "C-2", "--by", "Ada Example", "--why", "x").code == 2


@pytest.mark.parametrize(
    "words",
    [("decide", "C-1", "aim", "confirm", "--why", "seen"), ("sign",), ("undo", "C-1", "aim"), ("open", "--no-browser")],
)
def test_a_typed_name_never_looks_like_one_that_signed_in(audit: Audit, book: Path, words: tuple[str, ...]) -> None:
    name = "Ada Example <https://id.example.org 24400320>"
    ran = audit(words[0], book, *words[1:], "--by", name)
    assert ran.code == 2 and "< >" in ran.err and len(ran.err.splitlines()) == 1


def test_a_logbook_keeps_the_language_of_its_packages(audit: Audit, book: Path, plan: Path, tmp_path: Path) -> None:
    assert audit("settings", book, "--json").lines == [{"package_language": None}]
    assert "German" in audit("settings", book, "--package-language", "de").out
    assert audit("settings", book, "--json").lines == [{"package_language": "de"}]
    assert audit("handover", book, "-o", tmp_path / "kept").code == 0
    assert audit("handover", book, "-o", tmp_path / "asked", "--language", "fr").code == 0
    pages = {name: (tmp_path / name / "crew_list.html").read_text(encoding="utf-8") for name in ("kept", "asked")}
    assert 'lang="de"' in pages["kept"] and 'lang="fr"' in pages["asked"]
    refused = audit("settings", book, "--package-language", "xx")
    assert refused.code == 2 and "choose one of en, de, fr" in refused.err
    assert audit("start", tmp_path / "other", "--plan", plan, "--package-language", "fr").code == 0
    assert audit("settings", tmp_path / "other", "--json").lines == [{"package_language": "fr"}]
