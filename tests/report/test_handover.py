"""The package that is handed over: pages, tags, bookmarks, defused cells, privacy, proof."""

from __future__ import annotations

import csv
import io
import json
import tempfile
import zipfile
from dataclasses import replace
from io import BytesIO
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from openpyxl import load_workbook
from PIL import Image
from pypdf import PdfReader

from audit.account import pictures
from audit.account.case import cases
from audit.judge.finding import Verdict
from audit.judge.intended import intended_pose
from audit.judge.limits import load_limits
from audit.logbook import Logbook, verify_package
from audit.plan.files import read_plan
from audit.plan.model import Camera
from audit.report.handover import write_handover
from audit.report.sheets import defused
from tests.desk_samples import CAUTION, HOSTILE_NAME, judged_logbook, measured, photograph, write_plan_of


@pytest.fixture(scope="module")
def signed(tmp_path_factory: pytest.TempPathFactory) -> Logbook:
    """A logbook whose first visit is signed; in the second C-4's finding was tolerated."""
    book = judged_logbook(tmp_path_factory.mktemp("site"))
    book.decide(2, "C-4", "cleanliness", "tolerate", "=Ben", "=HYPERLINK(0) agreed")
    return book


@pytest.fixture(scope="module")
def package(signed: Logbook, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("out") / "handover"
    write_handover(signed, signed.visit(1), folder)
    return folder


@pytest.fixture(scope="module")
def report(package: Path) -> PdfReader:
    return PdfReader(package / "report.pdf")


def test_one_page_a_camera_with_its_bookmark(report: PdfReader) -> None:
    titles = [entry.title for entry in _flat(report.outline)]
    for n, state in ((1, "defect"), (4, "to check"), (6, "as planned")):
        assert f"C-{n}: {state}" in titles
    assert titles[0] == "Summary" and "Cautions" in titles and "Signatures" in titles
    starts = [p.extract_text().splitlines()[0] for p in report.pages]
    assert sum(start.startswith("C-") for start in starts) == 6
    assert sum(start.startswith("state check") for start in starts) == 0, "no camera runs over its page"
    assert len(report.pages) == 10, "cover, drawing and defects, a page a camera, method, signatures"


def test_report_is_tagged(report: PdfReader) -> None:
    """ISO 14289-1 (PDF/UA) asks for a structure tree, a marked document, its language, and text for pictures."""
    root = report.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"] and root["/Lang"] == "en-GB"
    kinds, pictures_without_text = set(), 0
    for node in _nodes(root["/StructTreeRoot"]):
        kinds.add(node.get("/S"))
        pictures_without_text += node.get("/S") == "/Figure" and not node.get("/Alt")
    assert {"/H1", "/H2", "/P", "/Figure"} <= kinds
    assert pictures_without_text == 0
    for page in report.pages:
        content = page.get_contents().get_data()
        assert content.count(b"BDC") + content.count(b"BMC") == content.count(b"EMC")


def test_cautions_stand_once_and_numbers_with_their_interval(report: PdfReader) -> None:
    page = next(p.extract_text() for p in report.pages if p.extract_text().startswith("C-1"))
    assert " ".join(page.split()).count(CAUTION) == 1
    assert "Measured -7.0° ± 0.8° (95 %); planned -15.0°; limit ± 5.0°" in page


def test_the_report_says_what_the_visit_was_judged_by(report: PdfReader, signed: Logbook, tmp_path: Path) -> None:
    words = " ".join(page.extract_text() for page in report.pages).replace("\n", " ")
    assert "aim: tilt away from the plan at most 5°" in words and "at least 95 % probability" in words
    own = tmp_path / "own.toml"
    own.write_text("defect_at_least = 0.9\n[aim]\npitch_tolerance_deg = 2.5\n")
    signed.put_limits(2, load_limits(own))
    write_handover(signed, signed.visit(2), tmp_path / "draft")
    words = " ".join(p.extract_text() for p in PdfReader(tmp_path / "draft" / "report.pdf").pages).replace("\n", " ")
    assert "aim: tilt away from the plan at most 2.5°" in words and "at least 90 % probability" in words


def test_an_exchange_is_one_finding(report: PdfReader, package: Path) -> None:
    second = next(p.extract_text() for p in report.pages if p.extract_text().startswith("C-3"))
    assert "told on the page of C-2" in second
    with (package / "repairs.csv").open(encoding="utf-8-sig", newline="") as stream:
        cameras = [row["camera"] for row in csv.DictReader(stream)]
    assert cameras == ["C-1", "C-2", "C-1", "C-4"]


def test_letters_beyond_the_font_are_boxes(report: PdfReader) -> None:
    page = next(p.extract_text() for p in report.pages if p.extract_text().startswith("C-5"))
    assert "Größe Łódź □□□" in page.replace("\n", " ")


@pytest.mark.parametrize("text", ["=1+1", "+1", "-2", "@SUM(A1)", "\t=1", "|calc"])
def test_a_cell_is_no_formula(text: str) -> None:
    """Cells that start so are read as formulas by spreadsheets (OWASP, CSV injection)."""
    assert defused(text)[0] == "'"


def test_hostile_cells_are_text(signed: Logbook, tmp_path: Path) -> None:
    write_handover(signed, signed.visit(2), tmp_path / "draft")
    text = (tmp_path / "draft" / "repairs.csv").read_text(encoding="utf-8-sig")
    for row in csv.reader(io.StringIO(text)):
        assert not any(cell.startswith(("=", "+", "@", "\t")) for cell in row)
    sheet = load_workbook(tmp_path / "draft" / "repairs.xlsx").active
    assert all(cell.data_type != "f" for row in sheet.iter_rows() for cell in row)
    pages = [p.extract_text() for p in PdfReader(tmp_path / "draft" / "report.pdf").pages]
    assert any("tolerate" in p and "=HYPERLINK(0) agreed" in p for p in pages)
    assert all("DRAFT, not signed" in p for p in pages)
    assert any(HOSTILE_NAME[:25] in p for p in pages)


def test_as_built_plan_has_the_measured_pose(package: Path) -> None:
    """RFC 7946 GeoJSON: longitude before latitude."""
    features = json.loads((package / "as_built.geojson").read_text(encoding="utf-8"))["features"]
    first = next(f for f in features if f["properties"].get("camera") == "C-1")
    assert first["geometry"]["coordinates"][:2] == pytest.approx([-18.0, 46.5001], abs=1e-5)
    assert float(first["properties"]["measured_pitch_deg"]) == -7.0


def test_signed_package_verifies_as_folder_and_zip(package: Path) -> None:
    assert verify_package(package) == ()
    assert verify_package(package.with_suffix(".zip")) == ()
    report = package.parent / "changed"
    report.mkdir()
    for path in package.rglob("*"):
        if path.is_file():
            there = report / path.relative_to(package)
            there.parent.mkdir(exist_ok=True)
            data = bytearray(path.read_bytes())
            if path.name == "repairs.csv":
                data[10] ^= 1
            there.write_bytes(bytes(data))
    problems = verify_package(report)
    assert [p.name for p in problems] == ["repairs.csv"]


def test_private_package_has_no_position(signed: Logbook, tmp_path: Path) -> None:
    with Image.open(BytesIO(photograph(0))) as original:
        assert original.getexif().get_ifd(0x8825)
    folder = tmp_path / "private"
    write_handover(signed, signed.visit(1), folder, private=True)
    pictures = list((folder / "references").iterdir())
    assert len(pictures) == 9
    for path in pictures:
        with Image.open(path) as picture:
            assert not picture.getexif() and not picture.info.get("exif")
    assert not (folder / "as_built.geojson").exists()
    plan = (folder / "as_built.csv").read_text(encoding="utf-8-sig")
    assert "46.5" not in plan and "latitude" not in plan.splitlines()[0]
    assert verify_package(folder) == ()


def _flat(outline: list) -> list:
    found = []
    for entry in outline:
        found += _flat(entry) if isinstance(entry, list) else [entry]
    return found


def _nodes(node: object) -> list:
    found = []
    children = node.get("/K", []) if hasattr(node, "get") else []
    for child in children if isinstance(children, list) else [children]:
        child = child.get_object() if hasattr(child, "get_object") else child
        if hasattr(child, "get"):
            found.append(child)
            found += _nodes(child)
    return found


def test_report_reads_without_colour(report: PdfReader) -> None:
    """ISO 14289-1 and WCAG 2.2, 1.4.1 and 1.4.3: nothing by colour alone, text at 4.5:1 or more."""
    marks = {"defect": "▲", "to check": "◆", "as planned": "●", "not verified": "○"}
    text = "\n".join(page.extract_text() for page in report.pages)
    for state, mark in marks.items():
        assert f"{mark} {state}" in text or mark in text and state in text
    for page in report.pages:
        for line in page.get_contents().get_data().decode("latin-1").splitlines():
            words = line.split()
            if len(words) >= 4 and words[-1] in ("rg", "RG"):
                assert len(set(words[-4:-1])) == 1, "a coloured text or line"
            if len(words) >= 2 and words[-1] == "g":
                assert _contrast_on_white(float(words[-2])) >= 4.5


def _contrast_on_white(grey: float) -> float:
    """WCAG 2.2's contrast ratio of a grey on white."""
    linear = grey / 12.92 if grey <= 0.04045 else ((grey + 0.055) / 1.055) ** 2.4
    return 1.05 / (linear + 0.05)


def test_horizons_differ_by_their_line_not_by_colour_alone() -> None:
    """Planned is dashed, measured is solid: told apart in a grey print."""
    camera = read_plan_of_one()
    flat = np.full((360, 640, 3), 128, np.uint8)
    drawn = {
        layer: pictures.evidence_picture(
            flat.copy(), camera, intended_pose(camera).pose, measured(camera, -10.0), pictures.Drawing((layer,))
        )
        for layer in ("planned horizon", "measured horizon")
    }
    share = {layer: float((picture != 128).any(axis=2).any(axis=0).mean()) for layer, picture in drawn.items()}
    assert 0.3 < share["planned horizon"] < 0.8 and share["measured horizon"] > 0.95


def read_plan_of_one() -> Camera:
    with tempfile.TemporaryDirectory() as place:
        return read_plan(write_plan_of(Path(place) / "plan.csv", 1)).cameras[0]


def test_a_camera_with_much_to_tell_keeps_to_its_page(tmp_path: Path) -> None:
    book = judged_logbook(tmp_path)
    first = book.verdicts(2, "C-1")[0]
    many = book.verdicts(1, "C-1")[0].findings[0]
    asking = tuple(replace(many, check=check, why=many.why * 24) for check in ("aim", "level", "target"))
    rest = tuple(replace(first.findings[0], check=check) for check in ("cleanliness", "focus", "sky", "image", "night", "movement"))
    with book.writing(2):
        book.put_verdicts(2, [Verdict("C-1", "defect", (*asking, *rest), first.photos)])
    write_handover(book, book.visit(2), tmp_path / "out")
    pages = [p.extract_text() for p in PdfReader(tmp_path / "out" / "report.pdf").pages]
    at = next(n for n, text in enumerate(pages) if text.startswith("C-1"))
    assert pages[at + 1].startswith("How it was measured")


def test_the_crews_photos_stand_small_on_the_cameras_page(report: PdfReader, package: Path) -> None:
    page = next(p for p in report.pages if p.extract_text().startswith("C-1"))
    assert "Rating label: C-1_label.jpg" in page.extract_text()
    assert not (package / "crew_photos").exists(), "the files themselves come by choice alone"


def test_the_crews_photos_themselves_by_choice_and_stripped_where_asked(signed: Logbook, tmp_path: Path) -> None:
    visit = signed.visit(1)
    write_handover(signed, visit, tmp_path / "whole", originals=True)
    names = sorted(p.name for p in (tmp_path / "whole" / "crew_photos").iterdir())
    assert names == ["C-1_label.jpg", "C-2_label.jpg"]
    original = (tmp_path / "whole" / "crew_photos" / "C-1_label.jpg").read_bytes()
    assert original == signed.image(next(p for p in signed.photos(1) if p.name == "C-1_label.jpg").sha256)
    assert Image.open(BytesIO(original)).getexif().get_ifd(0x8825)
    assert verify_package(tmp_path / "whole") == ()
    write_handover(signed, visit, tmp_path / "bare", originals=True, private=True)
    for path in (tmp_path / "bare" / "crew_photos").iterdir():
        assert not dict(Image.open(path).getexif()) and not Image.open(path).getexif().get_ifd(0x8825)
    assert b"Exif" not in (tmp_path / "bare" / "report.pdf").read_bytes()


def test_a_picture_is_drawn_once_for_the_report_and_its_topics(
    signed: Logbook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn: list[int] = []
    draw = pictures.evidence_picture

    def counted(*given: object) -> object:
        drawn.append(1)
        return draw(*given)  # type: ignore[arg-type]

    monkeypatch.setattr(pictures, "evidence_picture", counted)
    write_handover(signed, signed.visit(1), tmp_path / "package")
    with zipfile.ZipFile(tmp_path / "package" / "findings.bcf") as topics:
        shown = [topics.read(name) for name in topics.namelist() if name.endswith("snapshot.jpg")]
    assert len(shown) > len(set(shown)) > 1, "some camera has two open findings, and cameras differ"
    assert len(drawn) == sum(shot is not None for case in cases(signed, signed.visit(1)) for shot in (case.day, case.night))


def test_two_pages_tell_the_client_all_with_the_site_drawn_on_the_first(tmp_path: Path) -> None:
    book = judged_logbook(tmp_path, visits=1)
    for camera in ("C-1", "C-5"):
        book.add_finding(1, camera, "cleanliness", "as planned", "Ada Example", "wiped and looked at")
    write_handover(book, book.visit(1), tmp_path / "package")
    files = {p.name: p for p in (tmp_path / "package").iterdir()}
    pages = [page.extract_text() for page in PdfReader(files["report.pdf"]).pages[:2]]
    assert "Site drawing" in pages[0] and "Scale 1 : " in pages[0] and "C-1" in pages[0]
    assert "Defects list" in "".join(pages) and "Decisions" in "".join(pages)
    assert "C-1 C-5" in "".join(pages).replace("\n", " "), "what was said alike stands in one row"
    drawings = [path.read_text(encoding="utf-8") for name, path in files.items() if name.startswith("site_drawing_")]
    assert len(drawings) == len({camera.floor for camera in book.site().cameras}) > 1, "one a floor"
    assert all(ElementTree.fromstring(drawing) is not None for drawing in drawings)
    assert sum(drawing.count("data-camera") for drawing in drawings) == len(book.site().cameras)
