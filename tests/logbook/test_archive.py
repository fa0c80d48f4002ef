"""A whole logbook goes out as one checked file and comes back the same, on either database."""

from __future__ import annotations

import hashlib
import json
import os
import random
import zipfile
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest

from audit.errors import LogbookError
from audit.logbook import Logbook, record, signoff, tables
from audit.logbook.record import FIRST_FORMAT
from tests.logbook_samples import DAY, METHOD, fill, make_photo, measurements_of, start


def everything(book: Logbook) -> tuple:
    numbers = [v.number for v in book.visits()]
    return (
        book.site(),
        book.plans(),
        book.visits(),
        [book.photos(n) for n in numbers],
        [book.refusals(n) for n in numbers],
        [book.placements(n) for n in numbers],
        [book.verdicts(n) for n in numbers],
        [book.verdict_counts(n) for n in numbers],
        [book.decisions(n) for n in numbers],
        [book.answer_history(n) for n in numbers],
        [measurements_of(book, n, METHOD) for n in numbers],
        [book.seen(n) for n in numbers],
        book.references(),
        [book.signed_record(n) for n in numbers],
        [book.image(p.sha256) for n in numbers for p in book.photos(n)],
        [book.preview(p.sha256) for n in numbers for p in book.photos(n)],
    )


def filled(address: str, images: str | None = None) -> Logbook:
    book = start(address, images)
    visit = fill(book)
    book.decide(visit, "C-1", "aim", "confirm", "Ada Example", "")
    book.undo(visit, "C-1", "aim", "Ada Example")
    book.sign(visit, "Ada Example")
    later = fill(book, DAY.replace(month=12), salt=b"later")
    data = random.Random(1).randbytes(100_000)
    book.add_photo(later, make_photo("ä ☂/b.jpg", data), data, mtime_ns=1_700_000_000_123_456_789)
    return book


def test_a_folder_moves_to_postgresql_and_back(
    tmp_path: Path, postgres_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PHOTO_AUDIT_KEYS", str(tmp_path / "keys"))
    book = filled(str(tmp_path / "a"))
    book.export(tmp_path / "a.zip")
    moved = Logbook.import_(tmp_path / "a.zip", postgres_url, images=str(tmp_path / "images"))
    assert everything(moved) == everything(book)
    assert moved.verify() == ()
    moved.decide(2, "C-1", "aim", "tolerate", "Ada Example", "numbers go on after those that were read")
    assert [d.id for d in moved.decisions(2)] == [3]
    moved.sign(2, "Ada Example", keys=tmp_path / "a" / "keys")
    moved.export(tmp_path / "b.zip")
    back = Logbook.import_(tmp_path / "b.zip", tmp_path / "c")
    assert everything(back) == everything(moved)
    assert Logbook.open(tmp_path / "c").verify() == ()


def test_an_archive_holds_no_private_key(tmp_path: Path) -> None:
    book = filled(str(tmp_path / "a"))
    book.export(tmp_path / "a.zip")
    with zipfile.ZipFile(tmp_path / "a.zip") as archive:
        assert not any(b"PRIVATE KEY" in archive.read(name) for name in archive.namelist())


def test_an_existing_logbook_is_never_written_over(tmp_path: Path) -> None:
    book = filled(str(tmp_path / "a"))
    book.export(tmp_path / "a.zip")
    before = everything(book)
    with pytest.raises(LogbookError, match="there is a logbook already"):
        Logbook.import_(tmp_path / "a.zip", tmp_path / "a")
    assert everything(book) == before


def test_a_logbook_with_a_lost_image_is_not_archived(tmp_path: Path) -> None:
    book = filled(str(tmp_path / "a"))
    Path(book.images.location(book.photos(1)[0].sha256)).unlink()
    with pytest.raises(LogbookError, match="missing"):
        book.export(tmp_path / "a.zip")
    assert not list(tmp_path.glob("a.zip*"))


def test_a_changed_archive_is_refused_and_leaves_nothing_behind(tmp_path: Path) -> None:
    filled(str(tmp_path / "a")).export(tmp_path / "a.zip")
    whole = (tmp_path / "a.zip").read_bytes()
    chance = random.Random(3)
    refused = 0
    for turn in range(int(os.environ.get("PHOTO_AUDIT_TEST_FLIPS", "40")) // 4):
        place = chance.randrange(len(whole))
        (tmp_path / "b.zip").write_bytes(whole[:place] + bytes([whole[place] ^ 0x5A]) + whole[place + 1 :])
        target = tmp_path / f"b{turn}"
        try:
            book = Logbook.import_(tmp_path / "b.zip", target)
        except LogbookError as error:
            refused += 1
            assert "b.zip" in error.message
            assert not Logbook.exists(target)
        else:
            assert book.verify() == (), "only the wrapping was hit"
    assert refused


def test_an_archive_whose_packed_rows_are_damaged_is_refused(tmp_path: Path) -> None:
    """A block of a type that deflate does not have (RFC 1951, 3.2.3) in the rows and in the list of hashes."""
    filled(str(tmp_path / "a")).export(tmp_path / "a.zip")
    for name in ("tables/photos.jsonl", "hashes.json"):
        data = bytearray((tmp_path / "a.zip").read_bytes())
        with zipfile.ZipFile(tmp_path / "a.zip") as archive:
            at = archive.getinfo(name).header_offset
        packed = at + 30 + int.from_bytes(data[at + 26 : at + 28], "little") + int.from_bytes(data[at + 28 : at + 30], "little")
        data[packed] = 0xFF
        (tmp_path / "b.zip").write_bytes(bytes(data))
        with pytest.raises(LogbookError, match=r"b\.zip: the archive is damaged"):
            Logbook.import_(tmp_path / "b.zip", tmp_path / "b")
        assert not Logbook.exists(tmp_path / "b")


def rewritten(source: Path, target: Path, changes: dict[str, bytes | None], schema: str = tables.SCHEMA) -> None:
    """A copy of an archive with members replaced, added or left out, and hashes that fit."""
    with zipfile.ZipFile(source) as old, zipfile.ZipFile(target, "w") as new:
        members = {name: old.read(name) for name in old.namelist()}
        record = json.loads(members.pop("hashes.json")) | {"schema": schema}
        for name, data in changes.items():
            if data is None:
                members.pop(name)
            else:
                members[name] = data
        record["members"] = {name: hashlib.sha256(data).hexdigest() for name, data in members.items()}
        for name, data in members.items():
            new.writestr(name, data)
        new.writestr("hashes.json", json.dumps(record))


def without(rows: bytes, column: str) -> bytes:
    """The rows of a table without one column."""
    lines = [json.loads(line) for line in rows.splitlines()]
    return b"".join(json.dumps({k: v for k, v in row.items() if k != column}).encode() + b"\n" for row in lines)


def sign_as_before(monkeypatch: pytest.MonkeyPatch) -> None:
    """Records are written in the first format."""
    monkeypatch.setattr(signoff, "FORMAT", FIRST_FORMAT)
    for name in ("signed_state", "visit_content"):
        monkeypatch.setattr(signoff, name, partial(getattr(record, name), record_format=FIRST_FORMAT))


@pytest.mark.parametrize(
    ("schema", "tables_later"),
    [
        ("0003", ["reference_choices", "devices", "key_changes"]),
        ("0002", ["reference_choices", "devices", "key_changes", "series"]),
        ("0001", ["reference_choices", "devices", "key_changes", "series", "plan_cameras"]),
    ],
)
def test_an_archive_of_an_older_program_is_brought_up_to_date(
    tmp_path: Path, schema: str, tables_later: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as before:
        sign_as_before(before)
        book = filled(str(tmp_path / "a"))
    assert book.verify() == ()
    book.export(tmp_path / "a.zip")
    columns = [("images", "preview_sha256"), ("records", "time_stamp"), *([("visits", "limits")] if schema < "0003" else [])]
    columns += [("decisions", name) for name in ("said_state", "photo", "column_px", "row_px", "due")]
    columns += [("answers", "role"), ("verdicts", "judged"), ("reference_images", "why"), ("reference_images", "glass")]
    columns += [("logbook", "package_language")]
    older: dict[str, bytes | None] = {f"tables/{name}.jsonl": None for name in tables_later}
    with zipfile.ZipFile(tmp_path / "a.zip") as archive:
        for table, column in columns:
            name = f"tables/{table}.jsonl"
            older[name] = without(older.get(name) or archive.read(name), column)
    rewritten(tmp_path / "a.zip", tmp_path / "b.zip", older, schema)
    moved = Logbook.import_(tmp_path / "b.zip", tmp_path / "b")
    there, here = everything(moved), everything(book)
    assert there[:12] == here[:12] and there[13:-1] == here[13:-1]
    assert there[12] == tuple(replace(r, why=None) for r in here[12]), "grounds were not told then"
    assert all(moved.preview(p.sha256) is None for p in moved.photos(1)), "no hash tells whether they are the kept ones"
    assert moved.database.schema() == tables.SCHEMA
    assert moved.planned_camera("C-2") == book.planned_camera("C-2"), "the steps fill their tables"
    assert moved.verify() == ()
    moved.sign(2, "Ada Example", keys=tmp_path / "a" / "keys")
    assert moved.verify() == (), "it goes on in today's format"


def test_an_archive_of_a_newer_program_is_refused(tmp_path: Path) -> None:
    filled(str(tmp_path / "a")).export(tmp_path / "a.zip")
    rewritten(tmp_path / "a.zip", tmp_path / "b.zip", {}, "9999")
    with pytest.raises(LogbookError, match=r"newer photo-audit \(schema 9999.*update the program"):
        Logbook.import_(tmp_path / "b.zip", tmp_path / "b")
    assert not Logbook.exists(tmp_path / "b")


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"../../outside": b"x"}, "no logbook writes"),
        ({"/etc/cron.d/x": b"x"}, "no logbook writes"),
        ({"images/" + "0" * 64: b"other bytes"}, "changed or is incomplete"),
        ({"tables/visits.jsonl": b'{"number":1}\n'}, "changed or is incomplete"),
        ({"tables/visits.jsonl": b"not json\n"}, "can't be read"),
        ({"tables/visits.jsonl": b"{}"}, "changed or is incomplete"),
        ({"tables/visits.jsonl": None}, "changed or is incomplete"),
    ],
)
def test_a_forged_archive_is_refused(tmp_path: Path, changes: dict[str, bytes | None], sentence: str) -> None:
    book = start(str(tmp_path / "a"))
    book.export(tmp_path / "a.zip")
    rewritten(tmp_path / "a.zip", tmp_path / "b.zip", changes)
    with pytest.raises(LogbookError, match=sentence):
        Logbook.import_(tmp_path / "b.zip", tmp_path / "b")
    assert not Logbook.exists(tmp_path / "b")
    assert not (tmp_path.parent / "outside").exists()


def test_what_is_no_archive_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "text.zip").write_text("no zip")
    with pytest.raises(LogbookError, match="damaged"):
        Logbook.import_(tmp_path / "text.zip", tmp_path / "b")
    with zipfile.ZipFile(tmp_path / "other.zip", "w"):
        pass
    with pytest.raises(LogbookError, match="no archive of a logbook"):
        Logbook.import_(tmp_path / "other.zip", tmp_path / "b")
    with pytest.raises(LogbookError, match=r"nothing\.zip"):
        Logbook.import_(tmp_path / "nothing.zip", tmp_path / "b")
