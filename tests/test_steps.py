"""A practitioner's job from the plan to the next maintenance, step by step by command: what should come out, does.

The site is the demo's yard with some of its cameras (``sample_images/``: rendered, every pose and fault known in
``truth.json``); what hands do at the desk is walked in ``tests/browser/test_steps_at_the_desk.py``.
"""

from __future__ import annotations

import csv
import io
import shutil
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path

import cv2
import numpy as np
import pytest
from pypdf import PdfReader

from audit.account.changes import changes
from audit.account.checks import check_table
from audit.account.unproven import unproven
from audit.account.worklist import open_work, trip_of
from audit.judge.finding import Finding
from audit.judge.limits import load_limits
from audit.lens import Lens
from audit.logbook import Logbook
from audit.plan.files import read_plan
from audit.report.crew_list import crew_list
from audit.visit import Progress, judge_again, run_visit
from tests.conftest import PLAN_HEADER, Ran
from tests.match.test_reading import label
from tests.yard_samples import SAMPLES, plan_of, snapshot

Audit = Callable[..., Ran]
UNSEEN, ONE, OTHER, DIRTY, ROLLED, CLEAN, HIGH, SOFT = (
    "TH-01", "TH-07", "TH-08", "TH-09", "TH-11", "TH-12", "TH-18", "TH-24"
)  # fmt: skip
CAMERAS = (UNSEEN, ONE, OTHER, DIRTY, ROLLED, CLEAN, HIGH, SOFT)
#: The crew's photos at the two cameras that answer under each other's name.
CREW = ("115312", "115431", "115603", "113912", "114031", "114203")
FIRST, SECOND = date(2026, 6, 16), date(2026, 12, 16)
TURN_DEG = 3.0


def _smeared(source: Path, target: Path, smears: int) -> None:
    """Soft grey patches on the glass, as of fingers, drawn over a camera's picture."""
    picture = cv2.imread(str(source)).astype(np.float32)
    rng = np.random.default_rng(7)
    height, width = picture.shape[:2]
    film = np.zeros((height, width), np.float32)
    for _ in range(smears):
        at = (int(rng.uniform(0.1, 0.9) * width), int(rng.uniform(0.1, 0.9) * height))
        cv2.ellipse(film, at, (width // 14, height // 18), float(rng.uniform(0, 180)), 0, 360, 1.0, -1)
    film = cv2.GaussianBlur(film, (0, 0), width / 120)[..., None] * 0.8
    veil = cv2.GaussianBlur(picture, (0, 0), width / 40) * 0.7 + 50
    cv2.imwrite(str(target), (picture * (1 - film) + veil * film).clip(0, 255).astype(np.uint8))


def _filmed(source: Path, target: Path) -> None:
    """A film over the whole dome: half of the picture's contrast, and a veil."""
    picture = cv2.imread(str(source)).astype(np.float32)
    veil = cv2.GaussianBlur(picture, (0, 0), picture.shape[1] / 30) * 0.6 + 70
    cv2.imwrite(str(target), (0.5 * picture + 0.5 * veil).clip(0, 255).astype(np.uint8))


def _panned(source: Path, target: Path, lens: Lens, pan_deg: float) -> None:
    """The picture of the same camera turned to the right about its own upright axis: a homography, no parallax."""
    picture = cv2.imread(str(source))
    height, width = picture.shape[:2]
    focal = width / 2 / np.tan(np.radians(lens.hfov_deg / 2))
    inner = np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1]])
    turn, _ = cv2.Rodrigues(np.array([0.0, -np.radians(pan_deg), 0.0]))
    seen = cv2.warpPerspective(picture, inner @ turn @ np.linalg.inv(inner), (width, height), flags=cv2.INTER_CUBIC)
    cv2.imwrite(str(target), seen)


def _lay_out(folder: Path, lens: Lens) -> None:
    """Photos of both visits."""
    first, second = folder / "first", folder / "second"
    first.mkdir()
    second.mkdir()
    for camera in CAMERAS[1:]:
        shutil.copy(snapshot(camera, "commissioning"), first)
    for time in CREW:
        shutil.copy(SAMPLES / "commissioning" / "photos" / f"IMG_20260616_{time}.jpg", first)
    (first / "Thumbs.db").write_bytes(b"\xd0\xcf\x11\xe0" * 300)
    (first / "notes.txt").write_text("gate key at the office", encoding="utf-8")
    for camera in (UNSEEN, ROLLED, HIGH, SOFT):
        shutil.copy(snapshot(camera), second)
    _panned(snapshot(CLEAN, "commissioning"), second / f"{CLEAN}_later.jpg", lens, TURN_DEG)
    _filmed(snapshot(DIRTY, "commissioning"), second / f"{DIRTY}_film.jpg")


@pytest.fixture(scope="module")
def walked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Both visits judged, the first signed."""
    folder = tmp_path_factory.mktemp("steps")
    plan = plan_of(folder, CAMERAS)
    site = read_plan(plan)
    _lay_out(folder, site.camera(CLEAN).lens)
    with Logbook.create(str(folder / "book"), site, plan.name, plan.read_bytes()) as book:
        first = run_visit(book, folder / "first", "commissioning", FIRST, limits=load_limits(SAMPLES / "limits.toml")).visit
        for camera in (CLEAN, DIRTY):
            book.add_finding(first, camera, "cleanliness", "as planned", "R. Example", "wiped and looked at")
        book.sign(first, "R. Example")
        run_visit(book, folder / "second", "maintenance", SECOND, limits=load_limits(SAMPLES / "limits.toml"))
    yield folder


@pytest.fixture
def book(walked: Path) -> Iterator[Logbook]:
    """The walked logbook, to look at."""
    with Logbook.open(str(walked / "book")) as opened:
        yield opened


def _finding(book: Logbook, visit: int, camera: str, check: str) -> Finding | None:
    return next((f for f in book.verdicts(visit, camera)[0].findings if f.check == check), None)


def _state(book: Logbook, visit: int, camera: str, check: str) -> str | None:
    found = _finding(book, visit, camera, check)
    return None if found is None else found.state


def test_01_a_spreadsheet_in_ones_own_language_is_read_or_every_wrong_cell_is_named(tmp_path: Path, audit: Audit) -> None:
    plan = tmp_path / "plan.csv"
    plan.write_text(
        "Kameraliste Hof;;;;;;;;\n"
        "Kamera;Name;Breite;Länge;Höhe;Blickrichtung;Neigung;Bildwinkel;Auflösung\n"
        "K1;Tor;46,5;-18,0;3,0;20;-15;56,5;1920x1080\n"
        "K2;Hof;46,5005;-18,0;3,5;200;-12;56;1920x1080\n",
        encoding="utf-8",
    )
    good = audit("plan", "check", plan, "--json")
    assert good.code in (0, 1) and len(read_plan(plan).cameras) == 2 and read_plan(plan).cameras[0].height_m == 3.0
    plan.write_text(plan.read_text(encoding="utf-8").replace("3,0;20;-15", "hoch;20;steil"), encoding="utf-8")
    bad = audit("plan", "check", plan)
    assert bad.code in (1, 2) and "hoch" in bad.out and "steil" in bad.out, "both wrong cells at once"
    assert audit("plan", "template", "-o", tmp_path / "new.xlsx").code == 0 and (tmp_path / "new.xlsx").stat().st_size > 2000


def test_02_bearings_lenses_and_places_as_people_write_them(tmp_path: Path, audit: Audit) -> None:
    plan = tmp_path / "plan.csv"
    plan.write_text(
        "camera,name,latitude,longitude,height,bearing,pitch,focal length,sensor width,image_width_px,image_height_px\n"
        "C-1,Gate,\"47°32'45.7\"\"N\",\"8°10'00\"\"E\",11 ft,NE,-15,2.8mm,5.4mm,1920,1080\n",
        encoding="utf-8",
    )
    audit("plan", "check", plan, "--fix", tmp_path / "read.csv")
    (camera,) = read_plan(tmp_path / "read.csv" if (tmp_path / "read.csv").exists() else plan).cameras
    assert camera.bearing_deg == 45.0 and camera.height_m == pytest.approx(11 * 0.3048, abs=0.01)
    assert camera.lens.hfov_deg == pytest.approx(2 * np.degrees(np.arctan(5.4 / 2 / 2.8)), abs=0.1)


def test_03_what_plan_check_calls_an_error_is_a_finding_of_the_visit(
    tmp_path: Path, audit: Audit, picture_bytes: bytes
) -> None:
    plan = tmp_path / "plan.csv"
    row = "C-1,Gate,46.5,-18.0,3.0,20,-15,56,640,360,bullet,wall,outdoor,wall > junction box,SN0001,none,inspect,1.88,5.17,1.6"
    plan.write_text(f"{PLAN_HEADER}\n{row}\n", encoding="utf-8")
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "C-1_day.jpg").write_bytes(picture_bytes)
    assert audit("plan", "check", plan).code == 1
    audit("start", tmp_path / "book", "--plan", plan)
    ran = audit("visit", tmp_path / "book", tmp_path / "photos", "--kind", "commissioning", "--on", "2026-06-16")
    assert "C-1: defect" in ran.out and "As mounted it can't serve: the plan itself." in ran.out


def test_04_junk_is_passed_over_with_its_reason_and_progress_tells_every_file(
    tmp_path: Path, plan: Path, picture_bytes: bytes
) -> None:
    photos = tmp_path / "photos"
    photos.mkdir()
    small = cv2.resize(cv2.imdecode(np.frombuffer(picture_bytes, np.uint8), cv2.IMREAD_COLOR), (320, 180))
    picture_bytes = bytes(cv2.imencode(".jpg", small)[1].tobytes())
    for n in range(64):
        (photos / f"P{n:03d}.jpg").write_bytes(picture_bytes[:-2] + f"\xff\xfe\x00\x08{n:06d}\xff\xd9".encode("latin-1"))
    (photos / "Thumbs.db").write_bytes(b"\xd0\xcf\x11\xe0" * 300)
    (photos / "notes.txt").write_text("gate key at the office", encoding="utf-8")
    told: list[Progress] = []
    with Logbook.create(str(tmp_path / "book"), read_plan(plan), plan.name, plan.read_bytes()) as book:
        summary = run_visit(book, photos, "commissioning", FIRST, progress=told.append)
    assert summary.photos == 64 and all("photo" in why or "picture" in why for _, why in summary.refused)
    assert "notes.txt" in {name for name, _ in summary.refused}
    assert len({p.name for p in told if p.step == "read" and p.name}) >= 65, "every file is told as it is done"


def test_05_the_wrong_day_is_said(tmp_path: Path, plan: Path, audit: Audit) -> None:
    photos = tmp_path / "photos"
    photos.mkdir()
    shutil.copy(SAMPLES / "commissioning" / "photos" / f"IMG_20260616_{CREW[0]}.jpg", photos)
    audit("start", tmp_path / "book", "--plan", plan)
    ran = audit("visit", tmp_path / "book", photos, "--kind", "commissioning", "--on", "2023-06-16")
    assert "were taken on other days (2026-06-16) than the visit's 2023-06-16" in ran.err + ran.out


def test_10_a_printed_serial_without_a_code_is_read(tmp_path: Path, audit: Audit) -> None:
    plan, photos = tmp_path / "plan.csv", tmp_path / "photos"
    rows = [f"C-{k},gate {k},46.5,8.{k},3,0,-15,60,1920,1080,bullet,wall,outdoor,,SN-7710{k},none,,,," for k in range(8, 10)]
    plan.write_text("\n".join((PLAN_HEADER, *rows)) + "\n", encoding="utf-8")
    photos.mkdir()
    cv2.imwrite(str(photos / "a.jpg"), np.ascontiguousarray(label("SN-77109")[..., ::-1]))
    (line,) = audit("match", plan, photos, "--json").lines
    assert (line["camera"], line["role"]) == ("C-9", "label")


def test_11_a_camera_8_degrees_too_high_is_a_defect_with_its_turn(book: Logbook) -> None:
    found = _finding(book, 1, HIGH, "aim")
    assert found is not None and found.state == "defect" and found.measured is not None and found.planned is not None
    assert found.measured - found.planned == pytest.approx(8.0, abs=1.5)
    assert found.remedy is not None and "Tilt down" in found.remedy.action


def test_12_a_camera_rolled_by_6_degrees_is_measured(book: Logbook) -> None:
    found = _finding(book, 1, ROLLED, "level")
    assert found is not None and found.state == "defect" and found.measured == pytest.approx(6.0, abs=0.5)


def test_13_a_camera_out_of_focus_is_found_with_its_remedy(book: Logbook) -> None:
    found = _finding(book, 1, SOFT, "focus")
    assert found is not None and found.state in ("defect", "to check")
    assert found.remedy is not None and "ocus" in found.remedy.action


def test_14_one_picture_never_proves_a_smeared_dome_clean(tmp_path: Path, audit: Audit) -> None:
    plan, photos = plan_of(tmp_path, (DIRTY,)), tmp_path / "photos"
    photos.mkdir()
    _smeared(snapshot(DIRTY, "commissioning"), photos / f"{DIRTY}_day.jpg", 14)
    audit("start", tmp_path / "book", "--plan", plan)
    (line,) = audit("visit", tmp_path / "book", photos, "--kind", "commissioning", "--on", "2026-06-16", "--json").lines
    (glass,) = [f for f in line["findings"] if f["check"] == "cleanliness"]
    assert glass["state"] in ("not verified", "to check", "defect") and line["state"] != "as planned"


def test_15_two_exchanged_cameras_are_one_finding_and_no_repair_of_each(book: Logbook) -> None:
    for camera in (ONE, OTHER):
        asking = [f for f in book.verdicts(1, camera)[0].findings if f.state in ("defect", "to check")]
        assert [f.check for f in asking] == ["identity"] and asking[0].shared == (ONE, OTHER)
    rows = [row for row in open_work(book, book.visit(1)) if ONE in row["camera"] or OTHER in row["camera"]]
    assert len(rows) == 1 and "Tilt" not in rows[0]["remedy"] and "Pan" not in rows[0]["remedy"]


def test_16_a_camera_without_a_picture_is_in_sight_everywhere(book: Logbook, walked: Path, audit: Audit) -> None:
    assert _state(book, 1, UNSEEN, "image") == "not verified"
    assert UNSEEN in {item.camera for item in unproven(book, book.visit(1)) if item.reason == "no picture"}
    assert f"No picture: {sum(i.reason == 'no picture' for i in unproven(book, book.visit(1)))} checks ({UNSEEN})" in (
        audit("trip", walked / "book", "--visit", 1).out
    )
    audit("handover", walked / "book", "--visit", 1, "-o", walked / "package")
    assert UNSEEN in PdfReader(walked / "package" / "report.pdf").pages[0].extract_text()
    assert UNSEEN in crew_list(book, book.visit(1))


def test_17_dirt_seen_by_eye_enters_state_trip_and_record(walked: Path, tmp_path: Path, audit: Audit) -> None:
    shutil.copytree(walked / "book", tmp_path / "book")
    said = ("--by", "R. Example", "--why", "web in the corner", "--at", "700,200", "--visit", 2)
    assert audit("finding", tmp_path / "book", HIGH, "cleanliness", "defect", *said).code == 0
    with Logbook.open(str(tmp_path / "book")) as book:
        assert book.verdicts(2, HIGH)[0].state == "defect"
        assert any(HIGH in stop.cameras for stop in trip_of(book, book.visit(2)).stops)
        assert "Web in the corner" in crew_list(book, book.visit(2))


def test_18_a_pass_that_is_dismissed_opens_the_check(walked: Path, tmp_path: Path, audit: Audit) -> None:
    shutil.copytree(walked / "book", tmp_path / "book")
    said = ("--by", "R. Example", "--why", "it leans, I see it", "--visit", 2)
    assert audit("decide", tmp_path / "book", ROLLED, "level", "dismiss", *said).code == 0
    with Logbook.open(str(tmp_path / "book")) as book:
        assert _state(book, 2, ROLLED, "level") == "to check" and book.verdicts(2, ROLLED)[0].state == "to check"
        assert audit("undo", tmp_path / "book", ROLLED, "level", "--by", "R. Example", "--visit", 2).code == 0
        assert _state(book, 2, ROLLED, "level") == "as planned", "20: a decision is taken back"


def test_22_the_first_two_pages_tell_the_client_what_there_is(book: Logbook, walked: Path, audit: Audit) -> None:
    if not (walked / "package").exists():
        audit("handover", walked / "book", "--visit", 1, "-o", walked / "package")
    report = PdfReader(walked / "package" / "report.pdf")
    front = " ".join(" ".join(page.extract_text() for page in report.pages[:2]).split())
    for words in ("8 planned cameras", "Not verified:", "Defects list", HIGH, ROLLED, ONE, SOFT, "Bring:"):
        assert words in front, words
    page = next(p for p in report.pages if p.extract_text().startswith(ONE))
    assert "Rating label: IMG_20260616_115312.jpg" in " ".join(page.extract_text().split())
    assert "Site drawing" in front


def test_23_the_crews_list_says_what_which_way_how_much_and_takes_the_answer(walked: Path, tmp_path: Path, audit: Audit) -> None:
    folder = tmp_path / "book"
    plan, photos = plan_of(tmp_path, (ROLLED,)), tmp_path / "photos"
    photos.mkdir()
    shutil.copy(snapshot(ROLLED, "commissioning"), photos)
    audit("start", folder, "--plan", plan)
    audit("visit", folder, photos, "--kind", "commissioning", "--on", "2026-06-16")
    with Logbook.open(str(folder)) as book:
        listed = crew_list(book, book.visit(1))
    assert "Rotate 5.9° ± 0.4° counter-clockwise" in listed and "Bring" in listed and 'data-camera="TH-11"' in listed
    after = Path(shutil.copy(snapshot(ROLLED), tmp_path / "after.jpg"))
    ran = audit("done", folder, ROLLED, "level", after, "--by", "Cy Crew", "--why", "strap straightened")
    assert ran.code == 0 and "level as planned by after.jpg" in ran.err and "Before: +5.9°" in ran.err


def test_24_a_turn_against_the_reference_is_found_to_a_tenth_of_a_degree(book: Logbook) -> None:
    found = _finding(book, 2, CLEAN, "movement")
    assert found is not None and found.state in ("defect", "to check") and found.measured is not None
    assert found.measured == pytest.approx(TURN_DEG, abs=0.1)


def test_25_a_dirty_dome_against_its_reference_is_to_check(book: Logbook) -> None:
    assert _state(book, 2, DIRTY, "cleanliness") in ("to check", "defect")


def test_26_a_straightened_camera_is_not_ordered_back(book: Logbook) -> None:
    assert ROLLED not in {r.camera for r in book.references(2)}, "its rolled picture became no reference"
    assert ROLLED in book.no_reference_yet(1)
    assert _state(book, 2, ROLLED, "level") == "as planned"
    assert _state(book, 2, ROLLED, "movement") not in ("defect", "to check")


def test_27_what_was_repaired_is_gone_from_the_list(book: Logbook) -> None:
    assert (ROLLED, "level") in {(row["camera"], row["check"]) for row in open_work(book, book.visit(1))}
    assert (ROLLED, "level") not in {(row["camera"], row["check"]) for row in open_work(book, book.visit(2))}
    assert (HIGH, "aim") not in {(row["camera"], row["check"]) for row in open_work(book, book.visit(2))}


def test_28_a_newly_mounted_camera_is_new_and_not_as_planned_for_lack_of_a_picture(book: Logbook) -> None:
    assert book.verdicts(1, UNSEEN)[0].state == "not verified"
    (change,) = [c for c in changes(book, book.visit(1), book.visit(2)) if c.camera == UNSEEN]
    assert change.new and _state(book, 2, UNSEEN, "image") == "as planned"
    lacking = [v.camera for v in book.verdicts(2) if _state(book, 2, v.camera, "image") == "not verified"]
    assert set(lacking) == {ONE, OTHER}
    assert all(f.state != "as planned" for name in lacking for f in book.verdicts(2, name)[0].findings)


def test_29_verify_and_private_handover_speak_plainly(walked: Path, audit: Audit) -> None:
    proven = audit("verify", walked / "book")
    assert proven.code in (0, 1) and "changed" in proven.out + proven.err
    assert audit("handover", walked / "book", "--visit", 1, "-o", walked / "private", "--private").code == 0
    assert audit("verify", walked / "private").code in (0, 1)
    assert not (walked / "private" / "as_built.geojson").exists()


def test_30_one_table_of_all_cameras_and_checks(book: Logbook) -> None:
    header, rows = check_table(book, book.visit(2))
    assert {row[0] for row in rows} == set(CAMERAS) and {"aim", "level", "cleanliness"} <= set(header)
    out = io.StringIO()
    csv.writer(out).writerows([header, *rows])
    assert len(out.getvalue().splitlines()) == len(CAMERAS) + 1


def test_judging_the_open_visit_again_changes_no_answer(walked: Path, tmp_path: Path) -> None:
    shutil.copytree(walked / "book", tmp_path / "book")
    with Logbook.open(str(tmp_path / "book")) as book:
        before = book.verdicts(2)
        judge_again(book, book.visit(2))
        assert book.verdicts(2) == before

