"""What was handed to users opens, verifies and goes on, whatever the program has become; see ``make_kept.py``."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest

from audit.logbook import Logbook, verify_package
from audit.report.handover import write_handover
from audit.visit import run_visit
from tests.logbook.make_kept import PASSPHRASE, take_photos, told

KEPT = sorted(path.parent for path in Path(__file__).with_name("kept").glob("*/about.json"))


@pytest.fixture(params=KEPT, ids=lambda path: path.name)
def kept(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    monkeypatch.setenv("PHOTO_AUDIT_PASSPHRASE", PASSPHRASE)
    shutil.unpack_archive(request.param / "logbook.zip", tmp_path / "logbook")
    yield request.param


def plain(told_now: object) -> object:
    return json.loads(json.dumps(told_now))


def test_a_kept_logbook_opens_verifies_and_says_the_same(kept: Path, tmp_path: Path) -> None:
    with Logbook.open(str(tmp_path / "logbook")) as book:
        assert book.verify() == ()
        assert plain(told(book)) == json.loads((kept / "about.json").read_text(encoding="utf-8"))["told"]


def test_a_kept_logbook_goes_on(kept: Path, tmp_path: Path) -> None:
    """Another visit is compared with what was signed then, is signed by the same key, and is handed over."""
    with Logbook.open(str(tmp_path / "logbook")) as book:
        visit = run_visit(book, take_photos(tmp_path / "card", 3), "maintenance", date(2027, 6, 16)).visit
        references = {r.camera: r.visit for r in book.references(visit)}
        assert references and set(references.values()) <= {1, 2}
        assert any("movement" in {f.check for f in v.findings} for v in book.verdicts(visit))
        book.sign(visit, "Ben Example")
        assert book.verify() == ()
        for number in (1, 2, 3):
            written = write_handover(book, book.visit(number), tmp_path / f"package {number}")
            assert verify_package(written[-1]) == ()


def test_a_kept_package_verifies(kept: Path) -> None:
    assert verify_package(kept / "package.zip") == ()


def test_a_kept_archive_becomes_a_logbook_again(kept: Path, tmp_path: Path) -> None:
    with Logbook.import_(kept / "archive.zip", str(tmp_path / "again")) as book:
        assert book.verify() == ()
        assert plain(told(book)) == json.loads((kept / "about.json").read_text(encoding="utf-8"))["told"]


def test_a_word_that_has_changed_its_meaning_is_read_as_it_was_meant(tmp_path: Path) -> None:
    """The form of 2026-11-30 says ``turned`` of a picture that stands on its head."""
    shutil.unpack_archive(Path(__file__).with_name("kept") / "2026-11-30" / "logbook.zip", tmp_path / "logbook")
    with Logbook.open(str(tmp_path / "logbook")) as book:
        assert book.told(1)["C-1_later.jpg"].role == "wrong way up"
        assert [a.role for a in book.answer_history(1, ["C-1_later.jpg"])] == ["wrong way up"]
        assert book.placement(1, "C-1_later.jpg").turned and book.verify() == ()


def test_something_is_kept() -> None:
    assert KEPT
