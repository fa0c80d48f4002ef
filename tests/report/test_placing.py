"""Where a package may lie: nothing of the logbook, of an earlier package or of anybody else gets into it or is lost."""

from __future__ import annotations

import csv
import io
import json
import shutil
import sqlite3
import zipfile
from collections.abc import Callable
from dataclasses import replace
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
import zxingcpp
from PIL import Image
from pypdf import PdfReader

from audit.errors import AuditError, LogbookError
from audit.logbook import Logbook, fingerprint, fingerprint_words, verify_package
from audit.plan.files import read_plan
from audit.report.handover import write_handover
from audit.report.sheets import defuse_csv
from tests.conftest import Ran
from tests.desk_samples import judged_logbook

Audit = Callable[..., Ran]


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A logbook with one signed and one open visit, both of two cameras."""
    folder = tmp_path_factory.mktemp("site")
    judged_logbook(folder, cameras=4).close()
    return folder / "logbook"


@pytest.fixture
def book(whole: Path, tmp_path: Path) -> Logbook:
    shutil.copytree(whole, tmp_path / "logbook")
    return Logbook.open(tmp_path / "logbook")


def files_of(folder: Path) -> set[str]:
    return {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}


@pytest.mark.parametrize("where", [".", "package", "keys", "images/package", "..", "../.."])
def test_no_package_in_or_above_the_logbook(book: Logbook, tmp_path: Path, audit: Audit, where: str) -> None:
    """Else the private key and the database would be packed."""
    before = files_of(tmp_path)
    ran = audit("handover", tmp_path / "logbook", "--visit", 1, "-o", tmp_path / "logbook" / where)
    assert ran.code == 2 and "in or above" in ran.err
    assert files_of(tmp_path) == before
    (tmp_path / "link").symlink_to(tmp_path / "logbook")
    with pytest.raises(AuditError, match="in or above"):
        write_handover(book, book.visit(1), tmp_path / "link" / "package")


def test_no_package_above_a_key_that_lies_elsewhere(book: Logbook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "secret").mkdir()
    shutil.copy(tmp_path / "logbook" / "keys" / "signing_key.pem", tmp_path / "secret" / "ada.pem")
    monkeypatch.setenv("PHOTO_AUDIT_KEY", str(tmp_path / "secret" / "ada.pem"))
    with pytest.raises(AuditError, match="in or above"):
        write_handover(book, book.visit(1), tmp_path / "secret")
    write_handover(book, book.visit(1), tmp_path / "package")
    assert not any(b"PRIVATE" in p.read_bytes() for p in (tmp_path / "package").rglob("*") if p.is_file())


STRANGERS = ("passwords.txt", "references/mine.jpg", "empty/", ".hidden")


def put(out: Path, stranger: str) -> Path:
    (out / stranger).parent.mkdir(parents=True, exist_ok=True)
    (out / stranger).mkdir() if stranger.endswith("/") else (out / stranger).write_text("mine")
    return out / stranger


@pytest.mark.parametrize("stranger", STRANGERS)
def test_a_folder_that_holds_something_of_anybody_else_is_refused(book: Logbook, tmp_path: Path, stranger: str) -> None:
    held = put(tmp_path / "package", stranger)
    with pytest.raises(AuditError, match="no earlier package of this logbook"):
        write_handover(book, book.visit(1), tmp_path / "package")
    assert held.exists() and not (tmp_path / "package.zip").exists()


def test_a_package_to_which_somebody_added_something_is_refused(book: Logbook, tmp_path: Path) -> None:
    """One package, to which each is added and taken away again."""
    out = tmp_path / "package"
    write_handover(book, book.visit(1), out)
    for stranger in STRANGERS:
        held = put(out, stranger)
        with pytest.raises(AuditError, match="no earlier package of this logbook"):
            write_handover(book, book.visit(1), out)
        assert held.exists() and (out / "report.pdf").exists(), stranger
        held.rmdir() if held.is_dir() else held.unlink()
    write_handover(book, book.visit(1), out)


def test_a_zip_of_anybody_else_is_not_written_over(book: Logbook, tmp_path: Path) -> None:
    for make in (lambda p: p.write_bytes(b"mine"), lambda p: zipfile.ZipFile(p, "w").close(), lambda p: p.mkdir()):
        make(tmp_path / "package.zip")
        with pytest.raises(AuditError, match=r"package\.zip"):
            write_handover(book, book.visit(1), tmp_path / "package")
        assert not (tmp_path / "package").exists()
        shutil.rmtree(tmp_path / "package.zip") if (tmp_path / "package.zip").is_dir() else (tmp_path / "package.zip").unlink()


def test_another_logbooks_package_is_not_written_over(book: Logbook, tmp_path: Path) -> None:
    other = judged_logbook(tmp_path / "other", cameras=2)
    write_handover(other, other.visit(1), tmp_path / "package")
    before = files_of(tmp_path / "package")
    with pytest.raises(AuditError, match="no earlier package of this logbook"):
        write_handover(book, book.visit(1), tmp_path / "package")
    assert files_of(tmp_path / "package") == before and verify_package(tmp_path / "package") == ()


def test_a_private_package_in_the_place_of_an_open_one_holds_no_position(book: Logbook, tmp_path: Path) -> None:
    write_handover(book, book.visit(1), tmp_path / "package")
    assert "as_built.geojson" in files_of(tmp_path / "package")
    write_handover(book, book.visit(1), tmp_path / "package", private=True)
    assert not {"as_built.geojson", "content.json"} & files_of(tmp_path / "package")
    with zipfile.ZipFile(tmp_path / "package.zip") as archive:
        held = b"".join(archive.read(name) for name in archive.namelist())
        assert set(archive.namelist()) == files_of(tmp_path / "package")
    assert b"46.5" not in held and b"latitude" not in held
    assert verify_package(tmp_path / "package") == () and verify_package(tmp_path / "package.zip") == ()
    assert not [p for p in tmp_path.iterdir() if p.name.startswith(".")], "nothing is left of the making"


def test_a_handover_that_fails_leaves_the_earlier_package(
    book: Logbook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_handover(book, book.visit(1), tmp_path / "package")
    before = {name: (tmp_path / "package" / name).read_bytes() for name in files_of(tmp_path / "package")}
    monkeypatch.setattr("audit.report.handover.crew_list", lambda *_, **__: (_ for _ in ()).throw(OSError(28, "No space left on device")))
    with pytest.raises(AuditError, match="the disk is full"):
        write_handover(book, book.visit(1), tmp_path / "package")
    assert {name: (tmp_path / "package" / name).read_bytes() for name in files_of(tmp_path / "package")} == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["logbook", "package", "package.zip"]


def test_pictures_of_cameras_with_like_names_all_stay(tmp_path: Path) -> None:
    """``G 1``, ``G.1``, ``G/1`` and ``g_1`` are four cameras and four files."""
    from audit.report.handover import _file_names

    cameras = ["G 1", "G.1", "G/1", "G_1", "g_1", "G-1", "Größe", "Gro\u0308ße", "x" * 300, "x" * 301, "..", "../../etc/passwd", "CON"]
    names = _file_names(cameras)
    assert len({name.casefold() for name in names.values()}) == len(cameras)
    assert names["G-1"] == "G-1" and all(len(n) < 100 and n.isascii() and "/" not in n and "." not in n for n in names.values())


@pytest.mark.parametrize("first", ["=", "+", "-", "@", "|", "\t=", " =", "\uff1d", "%"])
def test_no_csv_of_a_package_starts_a_formula(tmp_path: Path, first: str) -> None:
    """OWASP, CSV injection: also the as-built plan's two tables."""
    evil = f"{first}cmd|' /C calc'!A0"
    (tmp_path / "t.csv").write_text(f'camera,name,x\n"C-1","{evil}",-12.5\n"{evil}",b,+3e2\n', encoding="utf-8")
    defuse_csv(tmp_path / "t.csv")
    rows = list(csv.reader(io.StringIO((tmp_path / "t.csv").read_text(encoding="utf-8-sig"))))
    assert rows[0] == ["camera", "name", "x"] and [row[2] for row in rows[1:]] == ["-12.5", "+3e2"]
    assert rows[1][1][0] == rows[2][0][0] == "'"


def test_the_plan_of_a_private_package_starts_no_formula(tmp_path: Path) -> None:
    book = judged_logbook(tmp_path / "site", cameras=4)
    site = book.site()
    cameras = tuple(replace(c, name="=HYPERLINK(0)", extra=(("note", "@SUM(A1)"), ("=1+1", "x"))) for c in site.cameras)
    book.replace_plan(replace(site, cameras=cameras), "evil.csv", b"evil")
    write_handover(book, book.visit(2), tmp_path / "package", private=True)
    tables = list((tmp_path / "package").glob("*.csv"))
    assert len(tables) >= 4
    for path in tables:
        for row in csv.reader(io.StringIO(path.read_text(encoding="utf-8-sig"))):
            assert not [cell for cell in row if cell.lstrip().startswith(("=", "@", "+H", "|"))], path.name
    assert len(read_plan(tmp_path / "package" / "as_built.csv").cameras) == 4


def test_the_report_gives_the_fingerprint_in_words_and_as_a_code(book: Logbook, tmp_path: Path) -> None:
    """Outside check: zxing-cpp reads the QR code (ISO/IEC 18004) that the report prints."""
    write_handover(book, book.visit(1), tmp_path / "package")
    wanted = fingerprint(book.signed_record(1).public_key)
    report = PdfReader(tmp_path / "package" / "report.pdf")
    text = " ".join(" ".join(page.extract_text() for page in report.pages).split())
    assert fingerprint_words(wanted) in text and "telephone" in text
    codes = [
        found.text
        for page in report.pages
        for image in page.images
        for found in zxingcpp.read_barcodes(np.asarray(Image.open(BytesIO(image.data)).convert("L")))
    ]
    assert codes == [wanted]


def test_forged_previews_reach_neither_desk_nor_signed_report(book: Logbook, tmp_path: Path) -> None:
    white = BytesIO()
    Image.new("RGB", (640, 360), "white").save(white, "JPEG")
    for path in (p for p in (tmp_path / "logbook" / "previews").rglob("*") if p.is_file()):
        path.chmod(0o644)
        path.write_bytes(white.getvalue())
    for photo in book.photos(1):
        assert book.preview(photo.sha256) != white.getvalue()
    write_handover(book, book.visit(1), tmp_path / "package")
    report = PdfReader(tmp_path / "package" / "report.pdf")
    means = [np.asarray(Image.open(BytesIO(i.data)).convert("L")).mean() for p in report.pages for i in p.images]
    assert means and min(means) < 200 and sum(mean > 250 for mean in means) == 0


def test_a_signed_visit_that_was_changed_is_not_handed_over(book: Logbook, tmp_path: Path) -> None:
    with sqlite3.connect(tmp_path / "logbook" / "logbook.sqlite") as connection:
        connection.execute("UPDATE visits SET signed_by = 'Eve Example' WHERE number = 1")
    with pytest.raises(LogbookError, match="not as it was signed"):
        write_handover(book, book.visit(1), tmp_path / "package")
    assert not (tmp_path / "package").exists() and not (tmp_path / "package.zip").exists()


def test_the_list_of_a_package_is_exact(book: Logbook, tmp_path: Path) -> None:
    write_handover(book, book.visit(2), tmp_path / "draft")
    about = json.loads((tmp_path / "draft" / "about.json").read_text())
    assert set(about["files"]) == files_of(tmp_path / "draft")
