"""Whatever lies where a record belongs: checking it ends, in a sentence, in little memory and without a file left behind."""

from __future__ import annotations

import json
import os
import random
import shutil
import sqlite3
import subprocess
import sys
import zipfile
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from audit.errors import AuditError, LogbookError
from audit.logbook import Anchors, Logbook, check, seal_package, tables, verify_package, zip_package
from audit.logbook.signing import SigningKey, signing_key
from tests.conftest import Ran
from tests.logbook_samples import fill, start

Audit = Callable[..., Ran]
MUTATIONS = int(os.environ.get("PHOTO_AUDIT_TEST_FLIPS", "100"))
MIB = 1 << 20


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A folder with a signed logbook, its package as folder and ZIP, and its archive."""
    folder = tmp_path_factory.mktemp("whole")
    book = start(str(folder / "logbook"), cameras=1)
    book.sign(fill(book, cameras=1), "Ada Example")
    (folder / "package").mkdir()
    (folder / "package" / "report.pdf").write_bytes(b"%PDF-1.7 a small report")
    book.seal(folder / "package", 1)
    zip_package(folder / "package", folder / "package.zip")
    book.export(folder / "archive.zip")
    book.close()
    with closing(sqlite3.connect(folder / "logbook" / "logbook.sqlite")) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    yield folder


def key_of(whole: Path) -> SigningKey:
    return signing_key(whole / "logbook" / "keys")


def sealed_with(whole: Path, folder: Path, content: bytes) -> Path:
    """A package whose content is made up, and everything else whole, signed by somebody who holds a key."""
    import hashlib

    from audit.logbook.package import _signature_file
    from audit.logbook.record import canonical

    shutil.copytree(whole / "package", folder)
    (folder / "content.json").write_bytes(content)
    listed = json.loads((folder / "files.json").read_bytes())
    listed["files"]["content.json"] = hashlib.sha256(content).hexdigest()
    files = canonical(listed)
    key = key_of(whole)
    (folder / "files.json").write_bytes(files)
    (folder / "files.sig").write_bytes(_signature_file(files, key.public_pem, key.sign(files)))
    return folder


MADE_UP = [
    b"", b"null", b"[]", b"5", b'"text"', b"{", b"{}", b"\xff\xfe", b'{"photos":5}', b'{"photos":[]}', b'{"photos":{"a":5}}',
    b'{"photos":{"a":{"b":[]}}}', b'{"verdicts":{"C-1":null}}', b'{"other":{}}', b'{"photos":{}} ', b'{"photos":{"\\q":[]}}',
    b'{"photos":{"a":[1e999]}}', b'{"photos":{"a":[NaN]}}', b'{"photos":{"a":[' + b"9" * 6000 + b"]}}",
    b'{"photos":{"\\ud800":[]}}', b"[" * 200_000, b'{"photos":' * 50_000, b'{"photos":{"a":[],"a":[]}}', b'{"\x00":{}}',
]  # fmt: skip


@pytest.mark.parametrize("content", MADE_UP, ids=range(len(MADE_UP)))
def test_made_up_content_is_named_and_no_traceback(whole: Path, tmp_path: Path, audit: Audit, content: bytes) -> None:
    folder = sealed_with(whole, tmp_path / "package", content)
    ran = audit("verify", folder)
    assert ran.code == 2
    assert "not the one in the signed record" in ran.out or "is not what a logbook writes" in ran.out
    zip_package(folder, tmp_path / "package.zip")
    assert {(p.what, p.name) for p in verify_package(tmp_path / "package.zip")} == {
        (p.what, p.name) for p in verify_package(folder)
    }


@pytest.mark.parametrize("section", ["photos", "verdicts"])
def test_a_signed_record_without_a_list_for_a_section_is_named_as_the_record_s_fault(whole: Path, tmp_path: Path, section: str) -> None:
    """By a key's holder: the record is named, the section too, and nothing of the content is blamed."""
    signed = Logbook.open(whole / "logbook").signed_record(1)
    record = json.loads(signed.record)
    record[section] = 5
    forged = json.dumps(record, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
    (tmp_path / "package").mkdir()
    seal_package(tmp_path / "package", type(signed)(1, forged, "0" * 64, key_of(whole).sign(forged), signed.public_key), key_of(whole), {"photos": {}})
    said = {(p.what, p.name, p.message) for p in verify_package(tmp_path / "package")}
    assert said == {("record", "record.json", f"'record.json' names no {section}.")}


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
        lambda inner: st.lists(inner) | st.dictionaries(st.sampled_from(["photos", "verdicts", "a", "", "é"]) | st.text(), inner),
        max_leaves=20,
    )
)
def test_any_json_as_content_or_record_is_a_problem(whole: Path, tmp_path: Path, value: Any) -> None:
    content = json.dumps(value, separators=(",", ":")).encode()
    folder = tmp_path / "package"
    shutil.rmtree(folder, ignore_errors=True)
    assert verify_package(sealed_with(whole, folder, content))
    signed = Logbook.open(whole / "logbook").signed_record(1)
    forged = type(signed)(1, content, "0" * 64, key_of(whole).sign(content), signed.public_key)
    shutil.rmtree(folder)
    folder.mkdir()
    seal_package(folder, forged, key_of(whole), {"photos": {}})
    checked = check(str(folder), Anchors())
    assert checked.exit_code in (1, 2)
    assert list(checked.sentences(str(folder)))


@pytest.mark.parametrize("name", ["report.pdf", "content.json", "record.json", "files.json", "public_key.pem", "new"])
def test_a_pipe_in_a_package_holds_nothing_up(whole: Path, tmp_path: Path, name: str) -> None:
    folder = tmp_path / "package"
    shutil.copytree(whole / "package", folder)
    (folder / name).unlink(missing_ok=True)
    os.mkfifo(folder / name)
    problems = verify_package(folder)
    assert [p.name for p in problems][-1:] == [name] or name in {p.name for p in problems}


def test_links_and_folders_where_files_belong_are_problems(whole: Path, tmp_path: Path) -> None:
    folder = tmp_path / "package"
    shutil.copytree(whole / "package", folder)
    (folder / "report.pdf").unlink()
    (folder / "report.pdf").symlink_to("/dev/zero")
    (folder / "record.sig").unlink()
    (folder / "record.sig").mkdir()
    (folder / "loop").symlink_to(folder)
    assert {p.name for p in verify_package(folder)} == {"report.pdf", "record.sig", "loop"}


@pytest.mark.parametrize("place", ["images", "previews"])
def test_a_pipe_in_a_store_holds_nothing_up(whole: Path, tmp_path: Path, place: str) -> None:
    shutil.copytree(whole / "logbook", tmp_path / "logbook")
    image = next(p for p in (tmp_path / "logbook" / place).rglob("*") if p.is_file())
    image.unlink()
    os.mkfifo(image)
    with Logbook.open(tmp_path / "logbook") as book:
        assert {p.what for p in book.verify()} == {place.removesuffix("s")}
        if place == "images":
            with pytest.raises(LogbookError, match="changed"):
                book.image(image.name)
        else:
            assert book.preview(image.name) is None


@pytest.mark.parametrize("name", ["signing_key.pem", "known", "witness", "key"])
def test_a_pipe_where_a_key_or_witness_belongs_is_one_sentence(
    whole: Path, tmp_path: Path, audit: Audit, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    shutil.copytree(whole / "logbook", tmp_path / "logbook")
    pipe = tmp_path / "logbook" / "keys" / name if name == "signing_key.pem" else tmp_path / name
    pipe.unlink(missing_ok=True)
    os.mkfifo(pipe)
    if name == "known":
        monkeypatch.setenv("PHOTO_AUDIT_KNOWN_SIGNERS", str(pipe))
        ran = audit("verify", tmp_path / "logbook")
    elif name == "signing_key.pem":
        ran = audit("handover", tmp_path / "logbook", "-o", tmp_path / "out")
    else:
        ran = audit("verify", tmp_path / "logbook", f"--{name}", pipe)
    assert ran.code == 2 and str(pipe) in ran.err


STRANGE = [
    "2026-13-45", "", "yesterday", "2026-06-16", "9999-12-31T23:59:59", "x" * 5000, "\x00", -1, 0, 2**62, -(2**63), 1.5,
    float("inf"), b"\xff\x00", b"", None, "{}", "[", "null", '{"a":' * 5000, "\ud7ff\u202e", "1e999", "NaN",
]  # fmt: skip


def test_no_value_in_any_cell_ends_in_a_traceback(whole: Path, tmp_path: Path) -> None:
    """SQLite keeps any kind of value in any column: a date that is none, text where bytes belong, numbers beyond sense."""
    chance = random.Random(5)
    cells = [(t.name, c.name) for t in tables.metadata.sorted_tables for c in t.columns]
    pristine = (whole / "logbook" / "logbook.sqlite").read_bytes()
    for turn in range(max(MUTATIONS, len(cells))):
        folder = tmp_path / f"logbook{turn}"
        folder.mkdir()
        for place in ("images", "previews"):
            (folder / place).symlink_to(whole / "logbook" / place)
        table, column = cells[turn % len(cells)] if turn < len(cells) else chance.choice(cells)
        value = chance.choice(STRANGE)
        (folder / "logbook.sqlite").write_bytes(pristine)
        with closing(sqlite3.connect(folder / "logbook.sqlite")) as connection, connection:
            try:
                connection.execute(f'UPDATE "{table}" SET "{column}" = ? WHERE rowid = (SELECT min(rowid) FROM "{table}")', (value,))
            except sqlite3.IntegrityError:
                continue
        try:
            checked = check(str(folder), Anchors())
            assert all(p.sentence() for p in checked.problems)
        except AuditError as error:
            assert error.message, (table, column, value)
        except Exception as error:
            raise AssertionError(f"{table}.{column} = {value!r}") from error
        shutil.rmtree(folder)


@pytest.mark.parametrize("what", ["package.zip", "archive.zip", "witness", "record.json"])
def test_mutated_files_end_in_a_sentence(whole: Path, tmp_path: Path, what: str) -> None:
    """10,000 of each with PHOTO_AUDIT_TEST_FLIPS=10000."""
    chance = random.Random(11)
    source = whole / "package" / "record.json" if what in ("witness", "record.json") else whole / what
    data = source.read_bytes()
    for turn in range(MUTATIONS):
        changed = mutated(data, chance)
        path = tmp_path / ("package" if what == "record.json" else what)
        try:
            if what == "archive.zip":
                path.write_bytes(changed)
                Logbook.import_(path, tmp_path / "in").close()
                shutil.rmtree(tmp_path / "in")
            elif what == "record.json":
                shutil.rmtree(path, ignore_errors=True)
                shutil.copytree(whole / "package", path)
                (path / what).write_bytes(changed)
                check(str(path), Anchors())
            else:
                path.write_bytes(changed)
                check(str(path if what == "package.zip" else whole / "logbook"), Anchors(witness=None if what == "package.zip" else path))
        except AuditError as error:
            assert error.message
            assert what != "archive.zip" or not (tmp_path / "in").exists(), "a refused import leaves nothing behind"
        except Exception as error:
            (tmp_path / "bad").write_bytes(changed)
            raise AssertionError(f"{what}, turn {turn}") from error


def mutated(data: bytes, chance: random.Random) -> bytes:
    """Some bytes changed, cut out, doubled or made up."""
    changed = bytearray(data)
    for _ in range(chance.choice((1, 1, 2, 5, 30))):
        if not changed:
            break
        at = chance.randrange(len(changed))
        size = chance.choice((1, 1, 2, 4, 64, 1000))
        how = chance.randrange(5)
        if how == 0:
            changed[at : at + size] = chance.randbytes(size)
        elif how == 1:
            del changed[at : at + size]
        elif how == 2:
            changed[at:at] = changed[at : at + size]
        elif how == 3:
            changed[at : at + size] = chance.choice((b"\xff", b"\x00", b"[", b'"', b"9")) * size
        else:
            changed[at] ^= 1 << chance.randrange(8)
    return bytes(changed)


#: Loads what a command needs, then forks one for each line of standard input: file for what it says, and its arguments.
FORKING = """
import os, sys
from audit.cli.commands import main
import audit.logbook, audit.logbook.checking
for line in sys.stdin:
    said, *arguments = line.rstrip("\\n").split("\\0")
    child = os.fork()
    if child == 0:
        file = os.open(said, os.O_WRONLY | os.O_CREAT)
        os.dup2(file, 1), os.dup2(file, 2)
        sys.argv = ["photo-audit", *arguments]
        main()
    _, status, used = os.wait4(child, 0)
    print(os.waitstatus_to_exitcode(status), used.ru_utime + used.ru_stime, used.ru_maxrss / 1024, flush=True)
"""


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[..., tuple[int, str, float, float]]]:
    """Exit code, what was said, seconds of processor and MiB of memory of a command in a process of its own: forked from one
    that holds what the command would load, and nothing else."""
    said = tmp_path_factory.mktemp("said") / "said.txt"
    process = subprocess.Popen(
        [sys.executable, "-c", FORKING], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    )  # fmt: skip
    assert process.stdin is not None and process.stdout is not None
    ask, answer = process.stdin, process.stdout

    def run(*arguments: object) -> tuple[int, str, float, float]:
        said.unlink(missing_ok=True)
        ask.write("\0".join(map(str, (said, *arguments))) + "\n")
        ask.flush()
        code, seconds, mib = answer.readline().split()
        return int(code), said.read_text(), float(seconds), float(mib)

    with process:
        yield run
        ask.close()


def bomb(path: Path, name: str, unpacked: int, source: Path | None = None, fill_with: bytes = b"\0") -> None:
    """A small ZIP with one member that is very large unpacked."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        if source is not None:
            with zipfile.ZipFile(source) as whole:
                for member in whole.namelist():
                    if member != name:
                        archive.writestr(member, whole.read(member))
        with archive.open(name, "w", force_zip64=True) as stream:
            block = fill_with * (MIB // len(fill_with))
            for _ in range(unpacked // MIB):
                stream.write(block)


BOMBS = [
    ("verify", "report.pdf", b"\0"), ("verify", "content.json", b'{"photos":{"a":[]}}'), ("verify", "record.json", b"["),
    ("verify", "files.json", b'{"files":{"":""},'), ("import", "hashes.json", b"["), ("import", "tables/photos.jsonl", b"["),
    ("import", "tables/plans.jsonl", b'{"a":"'), ("import", "images/" + "0" * 64, b"\0"),
]  # fmt: skip


@pytest.mark.parametrize(("command", "name", "content"), BOMBS, ids=[f"{b[0]}-{b[1].partition('/')[2][:8] or b[1]}" for b in BOMBS])
def test_a_bomb_takes_little_memory_time_and_disk(
    whole: Path, tmp_path: Path, measured: Callable[..., tuple[int, str, float, float]], command: str, name: str, content: bytes
) -> None:
    """At most 300 MiB, 5 seconds, and twice the file's size on disk."""
    path = tmp_path / "bomb.zip"
    bomb(path, name, 400 * MIB, whole / ("package.zip" if command == "verify" else "archive.zip"), content)
    code, said, seconds, mib = measured(command, path, *([] if command == "verify" else [tmp_path / "in"]))
    assert code == 2 and "Traceback" not in said
    assert mib <= 300 and seconds <= 5, (mib, seconds)
    left = sum(p.stat().st_size for p in tmp_path.rglob("*") if p.is_file() and p != path)
    assert left == 0 and not (tmp_path / "in").exists()


def test_a_directory_of_a_million_names_takes_little_memory(
    tmp_path: Path, measured: Callable[..., tuple[int, str, float, float]]
) -> None:
    path = tmp_path / "names.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("files.json", b"{}")
        at = archive.fp.tell()
    data = path.read_bytes()
    start_of_directory = data.index(b"PK\x01\x02")
    entry = data[start_of_directory : data.index(b"PK\x05\x06")]
    many = 400_000
    end = data[data.index(b"PK\x05\x06") :]
    forged = data[:start_of_directory] + entry * many
    end = end[:8] + b"\xff\xff\xff\xff" + (len(entry) * many).to_bytes(4, "little") + end[16:]
    path.write_bytes(forged + end)
    code, said, seconds, mib = measured("verify", path)
    assert code == 2 and mib <= 300 and seconds <= 5, (said[-300:], mib, seconds, at)


def test_an_import_that_is_refused_leaves_what_was_there(whole: Path, tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "mine.txt").write_text("mine")
    with zipfile.ZipFile(whole / "archive.zip") as old, zipfile.ZipFile(tmp_path / "a.zip", "w") as new:
        for name in old.namelist():
            data = old.read(name)
            new.writestr(name, data[:-3] if name == "tables/records.jsonl" else data)
    with pytest.raises(LogbookError):
        Logbook.import_(tmp_path / "a.zip", tmp_path / "in")
    assert [p.name for p in (tmp_path / "in").rglob("*")] == ["mine.txt"]
    Logbook.import_(whole / "archive.zip", tmp_path / "in").close()


def test_numbers_beyond_64_bits_in_an_archive_are_one_sentence(whole: Path, tmp_path: Path) -> None:
    from tests.logbook.test_archive import rewritten

    with zipfile.ZipFile(whole / "archive.zip") as archive:
        row = json.loads(archive.read("tables/photos.jsonl").splitlines()[0])
    for value in (2**63, -(2**63) - 1, 10**400):
        line = json.dumps(row | {"size_bytes": value}, separators=(",", ":")).encode() + b"\n"
        rewritten(whole / "archive.zip", tmp_path / "b.zip", {"tables/photos.jsonl": line})
        with pytest.raises(LogbookError, match=r"b\.zip"):
            Logbook.import_(tmp_path / "b.zip", tmp_path / "in")
        assert not (tmp_path / "in").exists()
