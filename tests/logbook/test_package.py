"""A handover package proves itself: every changed byte is found, and the file is named."""

from __future__ import annotations

import base64
import hashlib
import json
import os
import random
import shutil
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import load_pem_public_key

from audit.errors import LogbookError, SignatureError
from audit.logbook import Logbook, VerifyProblem, is_package, verify_package, zip_package
from audit.logbook.signing import signing_key
from tests.logbook_samples import fill, start

OURS = ("record.json", "record.sig", "public_key.pem", "content.json", "files.json", "files.sig")
LARGE_FLIPS = int(os.environ.get("PHOTO_AUDIT_TEST_FLIPS", "100"))
ALL_BYTES = LARGE_FLIPS >= 10_000


def sealed(tmp_path: Path, cameras: int = 1) -> tuple[Logbook, Path]:
    book = start(str(tmp_path / "logbook"), cameras=cameras)
    visit = fill(book, cameras=cameras)
    book.decide(visit, "C-1", "aim", "tolerate", "Ada Example", "agreed")
    book.sign(visit, "Ada Example")
    folder = tmp_path / "package"
    (folder / "references").mkdir(parents=True)
    (folder / "report.pdf").write_bytes(b"%PDF-1.7 a small report")
    (folder / "repairs.csv").write_bytes(b"camera,remedy\n")
    (folder / "references" / "C-1 day.jpg").write_bytes(book.image(book.photos(visit)[0].sha256))
    book.seal(folder, visit)
    return book, folder


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, Path, bytes]]:
    tmp_path = tmp_path_factory.mktemp("small")
    book, folder = sealed(tmp_path)
    archive = tmp_path / "package.zip"
    zip_package(folder, archive)
    yield folder, archive, book.signed_record(1).public_key


def names(problems: tuple[VerifyProblem, ...]) -> set[str]:
    return {p.name for p in problems}


def test_an_untouched_package_is_unchanged(small: tuple[Path, Path, bytes]) -> None:
    folder, archive, public = small
    for package in (folder, archive):
        assert verify_package(package) == ()
        assert verify_package(package, public) == ()
        assert is_package(package)
    assert {*OURS, "report.pdf", "references/C-1 day.jpg"} <= set(zipfile.ZipFile(archive).namelist())


def test_every_single_byte_of_every_file_counts(small: tuple[Path, Path, bytes], tmp_path: Path) -> None:
    folder = tmp_path / "package"
    shutil.copytree(small[0], folder)
    flips = 0
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        name, data = path.relative_to(folder).as_posix(), path.read_bytes()
        stride = 1 if ALL_BYTES or name != "content.json" else 9
        for place in range(0, len(data), stride):
            path.write_bytes(data[:place] + bytes([data[place] ^ 1]) + data[place + 1 :])
            assert names(verify_package(folder)) == {name}, f"byte {place} of {name}"
            flips += 1
        path.write_bytes(data)
    assert flips > 2000
    assert verify_package(folder) == ()


def test_every_single_byte_of_a_zip_counts(small: tuple[Path, Path, bytes], tmp_path: Path) -> None:
    archive = tmp_path / "package.zip"
    data = small[1].read_bytes()
    stride = 1 if ALL_BYTES else 7
    for place in range(0, len(data), stride):
        archive.write_bytes(data[:place] + bytes([data[place] ^ 0x41]) + data[place + 1 :])
        problems = verify_package(archive)
        assert problems, f"byte {place} of {len(data)}"
        assert all(p.name for p in problems)


def test_random_bytes_of_a_larger_package_count(tmp_path: Path) -> None:
    """10,000 with PHOTO_AUDIT_TEST_FLIPS=10000."""
    _, folder = sealed(tmp_path, cameras=40)
    (folder / "report.pdf").write_bytes(random.Random(1).randbytes(300_000))
    book = Logbook.open(tmp_path / "logbook")
    book.seal(folder, 1)
    files = sorted(p for p in folder.rglob("*") if p.is_file())
    sizes = [p.stat().st_size for p in files]
    chance = random.Random(7)
    for path in chance.choices(files, sizes, k=LARGE_FLIPS):
        data = path.read_bytes()
        place, bit = chance.randrange(len(data)), 1 << chance.randrange(8)
        path.write_bytes(data[:place] + bytes([data[place] ^ bit]) + data[place + 1 :])
        assert names(verify_package(folder)) == {path.relative_to(folder).as_posix()}
        path.write_bytes(data)


def test_missing_and_added_files_are_named(small: tuple[Path, Path, bytes], tmp_path: Path) -> None:
    folder = tmp_path / "package"
    shutil.copytree(small[0], folder)
    (folder / "references" / "C-1 day.jpg").unlink()
    (folder / "extra.txt").write_text("x")
    (folder / "link.txt").symlink_to("/etc/passwd")
    assert names(verify_package(folder)) == {"references/C-1 day.jpg", "extra.txt", "link.txt"}
    for name in OURS:
        copy = tmp_path / f"without-{name}"
        shutil.copytree(small[0], copy)
        (copy / name).unlink()
        assert names(verify_package(copy)) == {name}


def test_a_package_of_somebody_else_does_not_pass_with_the_signers_key(
    small: tuple[Path, Path, bytes], tmp_path: Path
) -> None:
    """Made anew with another key: only a key received on another way tells."""
    _, folder = sealed(tmp_path)
    assert verify_package(folder) == ()
    assert [(p.what, p.name) for p in verify_package(folder, small[2])] == [("key", "public_key.pem")]
    with pytest.raises(SignatureError, match="no Ed25519 key"):
        verify_package(folder, b"not a key")


def test_a_record_from_another_package_is_found(small: tuple[Path, Path, bytes], tmp_path: Path) -> None:
    """Both files are intact and listed, but the list was signed over a record that its signature doesn't fit."""
    book, folder = sealed(tmp_path)
    key = signing_key(book.keys_folder())
    from audit.logbook.package import seal_package

    signed = book.signed_record(1)
    forged = type(signed)(
        1, signed.record.replace(b"Ada Example", b"Eve Example"), "0" * 64, signed.signature, key.public_pem
    )
    seal_package(folder, forged, key)
    assert names(verify_package(folder)) == {"record.json"}


def test_content_that_is_not_the_records_is_named(tmp_path: Path) -> None:
    book, folder = sealed(tmp_path)
    from audit.logbook.package import seal_package

    seal_package(folder, book.signed_record(1), signing_key(book.keys_folder()), {"verdicts": {"C-1": ["other"]}})
    found = {(p.what, p.name) for p in verify_package(folder)}
    assert ("verdict", "C-1") in found and ("photo", "C-1/day.jpg") in found


def test_a_zip_is_the_same_whenever_its_files_are(small: tuple[Path, Path, bytes], tmp_path: Path) -> None:
    zip_package(small[0], tmp_path / "again.zip")
    assert (tmp_path / "again.zip").read_bytes() == small[1].read_bytes()


def test_a_zip_packed_by_another_program_is_told_from_a_changed_file(
    small: tuple[Path, Path, bytes], tmp_path: Path
) -> None:
    other = tmp_path / "other.zip"
    with zipfile.ZipFile(other, "w", zipfile.ZIP_DEFLATED) as archive:
        for path in sorted(p for p in small[0].rglob("*") if p.is_file()):
            archive.write(path, path.relative_to(small[0]))
    problems = verify_package(other)
    assert [p.what for p in problems] == ["archive"]
    assert "the files in it are unchanged" in problems[0].message


def test_a_bomb_in_a_package_is_not_unpacked(small: tuple[Path, Path, bytes], tmp_path: Path) -> None:
    bomb = tmp_path / "bomb.zip"
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as archive:
        for path in sorted(p for p in small[0].rglob("*") if p.is_file()):
            archive.write(path, path.relative_to(small[0]))
        archive.writestr("../../bomb", bytes(60_000_000))
    assert {"../../bomb"} <= names(verify_package(bomb))


def test_what_is_no_package_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(LogbookError, match="no package here"):
        verify_package(tmp_path / "nothing")
    (tmp_path / "text.zip").write_text("no zip")
    assert [p.what for p in verify_package(tmp_path / "text.zip")] == ["archive"]
    (tmp_path / "empty").mkdir()
    assert names(verify_package(tmp_path / "empty")) == {"files.json", "files.sig", "public_key.pem"}
    assert not is_package(tmp_path / "nothing")


def test_a_package_without_rows_holds_no_positions(tmp_path: Path) -> None:
    book = start(str(tmp_path / "logbook"), cameras=1)
    book.sign(fill(book, cameras=1), "Ada Example")
    folder = tmp_path / "package"
    folder.mkdir()
    book.seal(folder, 1, with_content=False)
    assert verify_package(folder) == ()
    assert not any(b"latitude" in p.read_bytes() for p in folder.iterdir())


def test_sealing_needs_the_key_that_signed(tmp_path: Path) -> None:
    book, folder = sealed(tmp_path)
    with pytest.raises(SignatureError, match="another key"):
        book.seal(folder, 1, keys=tmp_path / "other keys")


def test_a_problem_says_what_happened(small: tuple[Path, Path, bytes], tmp_path: Path) -> None:
    folder = tmp_path / "package"
    shutil.copytree(small[0], folder)
    (folder / "report.pdf").write_bytes(b"another report")
    (folder / "repairs.csv").unlink()
    (folder / "extra.txt").write_text("x")
    assert [(p.what, p.message, p.visit) for p in verify_package(folder)] == [
        ("file", "'repairs.csv' is missing.", None),
        ("file", "'report.pdf' was changed after it was signed.", None),
        ("file", "'extra.txt' was added after the package was signed.", None),
    ]
    (folder / "files.sig").write_bytes(b"{}")
    assert verify_package(folder)[0].message == "'files.sig' was changed after it was signed."
    (folder / "files.json").unlink()
    assert [p.message for p in verify_package(folder)] == [
        "'files.json' is missing; the package can't be proven without it."
    ]


def test_a_change_between_the_files_of_a_zip_is_placed(small: tuple[Path, Path, bytes], tmp_path: Path) -> None:
    """A byte that no file holds: the time in the head of a member, and the directory's end."""
    data = small[1].read_bytes()
    with zipfile.ZipFile(small[1]) as archive:
        head = archive.getinfo("files.json").header_offset + 10
        directory = archive.start_dir + 12
    for place, where in ((head, "at the head of 'files.json'"), (directory, "in its directory of files")):
        changed = tmp_path / "changed.zip"
        changed.write_bytes(data[:place] + bytes([data[place] ^ 1]) + data[place + 1 :])
        (problem,) = verify_package(changed)
        assert problem.what == "archive" and problem.name == "changed.zip"
        assert f"was changed {where} (byte {place}); the files in it are unchanged" in problem.message
    longer = tmp_path / "longer.zip"
    longer.write_bytes(data + b"more")
    assert f"(byte {len(data)})" in verify_package(longer)[0].message
    cut = data.find(b"%PDF-1.7 a small report")
    changed.write_bytes(data[:cut] + b"X" + data[cut + 1 :])
    assert [p.message for p in verify_package(changed)] == [
        "'report.pdf' was changed: it can't be read from the ZIP."
    ]


def test_a_disk_that_fails_is_one_sentence_that_names_the_package(
    small: tuple[Path, Path, bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(LogbookError, match=r"nowhere/a\.zip.*"):
        zip_package(small[0], tmp_path / "nowhere" / "a.zip")

    def fail(*_: object, **__: object) -> bytes:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr("audit.logbook.container.open_regular", fail)
    with pytest.raises(LogbookError, match="Input/output error") as caught:
        verify_package(small[0])
    assert str(small[0]) in caught.value.message


def test_a_package_is_sealed_with_the_keys_passphrase_and_not_without(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("PHOTO_AUDIT_PASSPHRASE")
    book = start(str(tmp_path / "logbook"))
    visit = fill(book)
    book.sign(visit, "Ada Example", passphrase="correct horse")
    for passphrase, sentence in ((None, "PHOTO_AUDIT_PASSPHRASE"), ("wrong", "doesn't fit")):
        with pytest.raises(SignatureError, match=sentence):
            book.seal(tmp_path / "package", visit, passphrase=passphrase)
    (tmp_path / "package").mkdir(exist_ok=True)
    book.seal(tmp_path / "package", visit, passphrase="correct horse")
    assert verify_package(tmp_path / "package") == ()


def test_anyone_can_check_a_package_without_this_program(small: tuple[Path, Path, bytes]) -> None:
    """Outside check: SHA-256 by hashlib, and the signature over the list of files by the library cryptography (RFC 8032)."""
    folder, _, public = small
    note = json.loads((folder / "files.sig").read_bytes())
    files = (folder / "files.json").read_bytes()
    assert note["algorithm"] == "Ed25519"
    assert note["files_sha256"] == hashlib.sha256(files).hexdigest()
    key = load_pem_public_key((folder / "public_key.pem").read_bytes())
    assert isinstance(key, Ed25519PublicKey) and (folder / "public_key.pem").read_bytes() == public
    key.verify(base64.b64decode(note["signature"]), files)
    for name, digest in json.loads(files)["files"].items():
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == digest
    with pytest.raises(InvalidSignature):
        key.verify(base64.b64decode(note["signature"]), files + b" ")
