"""A handover package that proves itself: with the public key alone, every changed byte is found and named.

``record.json`` is the signed visit's record, ``record.sig`` its signature, ``public_key.pem`` the key. ``files.json``
lists every file with its SHA-256, and ``files.sig`` signs that list. ``content.json`` holds the rows that the record's
hashes stand for.
"""

from __future__ import annotations

import base64
import binascii
import json
import os
import tempfile
import zipfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Protocol

from audit.errors import LogbookError, SignatureError
from audit.logbook.codec import dump_plain, sha256_hex
from audit.logbook.database import file_sentence
from audit.logbook.record import SECTIONS, canonical, parse_record
from audit.logbook.records import SignedRecord, VerifyProblem
from audit.logbook.signing import SigningKey, fingerprint, signature_fits

__all__ = ["is_package", "seal_package", "verify_package", "zip_package"]

RECORD, RECORD_SIGNATURE, PUBLIC_KEY = "record.json", "record.sig", "public_key.pem"
CONTENT, FILES, FILES_SIGNATURE = "content.json", "files.json", "files.sig"
_FIXED_TIME = (1980, 1, 1, 0, 0, 0)
_BLOCK = 1 << 20


class _Reader(Protocol):
    def names(self) -> list[str]: ...

    def read(self, name: str) -> bytes: ...


def seal_package(folder: Path, signed: SignedRecord, key: SigningKey, content: Mapping[str, Any] | None = None) -> None:
    """Adds the record to a folder of handover files and signs the list of all files in it."""
    try:
        _put(folder / RECORD, signed.record)
        _put(folder / RECORD_SIGNATURE, base64.b64encode(signed.signature) + b"\n")
        _put(folder / PUBLIC_KEY, signed.public_key)
        if content is not None:
            _put(folder / CONTENT, dump_plain(content).encode())
        reader = _Folder(folder)
        names = [name for name in reader.names() if name not in (FILES, FILES_SIGNATURE)]
        files = canonical(
            {
                "format": "photo-audit package 1",
                "record_sha256": signed.record_sha256,
                "files": {name: sha256_hex(reader.read(name)) for name in names},
            }
        )
        _put(folder / FILES, files)
        _put(folder / FILES_SIGNATURE, _signature_file(files, key.public_pem, key.sign(files)))
    except OSError as error:
        raise LogbookError(file_sentence(str(folder), error)) from error


def zip_package(folder: Path, archive: Path) -> None:
    """Packs a sealed folder into a ZIP that is the same, byte by byte, whenever its files are the same."""
    try:
        _pack(_Folder(folder), archive)
    except OSError as error:
        raise LogbookError(file_sentence(str(archive), error)) from error


def is_package(path: str | os.PathLike[str]) -> bool:
    """Whether a path is a handed-over folder or a ZIP, not a logbook."""
    place = Path(path)
    return (place / FILES).is_file() or (place / RECORD).is_file() or place.is_file()


def verify_package(package: str | os.PathLike[str], public_key: bytes | None = None) -> tuple[VerifyProblem, ...]:
    """Everything in a package (folder or ZIP) that is not as it was signed; empty where nothing changed.

    Parameters
    ----------
    public_key : bytes or None
        The signer's public key (PEM) as it was received on another way. None believes the key in the package: then a
        package that was made anew with another key is not found out, only one that was changed.

    Raises
    ------
    LogbookError
        If there is no package.
    """
    path = Path(package)
    try:
        if path.is_dir():
            return tuple(_verify(_Folder(path), public_key))
        if path.is_file():
            return tuple(_verify_zip(path, public_key))
    except OSError as error:
        raise LogbookError(file_sentence(str(path), error)) from error
    raise LogbookError(f"{path}: there is no package here; give the folder or the ZIP that was handed over.")


def _verify(reader: _Reader, trusted: bytes | None) -> Iterator[VerifyProblem]:
    names = reader.names()
    missing = [name for name in (FILES, FILES_SIGNATURE, PUBLIC_KEY) if name not in names]
    if missing:
        yield from (_problem("file", name, "is missing; the package can't be proven without it") for name in missing)
        return
    files, signature_file, public = reader.read(FILES), reader.read(FILES_SIGNATURE), reader.read(PUBLIC_KEY)
    if trusted is not None and fingerprint(trusted) is None:
        raise SignatureError("the public key given is no Ed25519 key in PEM; ask the signer for it again.")
    listed = _listed(files)
    # The list's own hash tells a changed key from a changed line about the key.
    whole_list = listed is not None and _signed_hash(signature_file) == sha256_hex(files)
    if whole_list and listed is not None and listed.get(PUBLIC_KEY) != sha256_hex(public):
        yield _problem("file", PUBLIC_KEY, "was changed; nothing can be proven with it")
        return
    if trusted is not None and fingerprint(trusted) != fingerprint(public):
        yield _problem("key", PUBLIC_KEY, "is not the signer's key; the package was made by somebody else")
        return
    culprit = _list_signature_problem(files, signature_file, public)
    if culprit is not None:
        yield _problem("file", culprit, "was changed after it was signed")
    if culprit == FILES or listed is None:
        return
    yield from _verify_files(reader, names, listed)


def _verify_files(reader: _Reader, names: list[str], listed: Mapping[str, str]) -> Iterator[VerifyProblem]:
    intact = set()
    for name in sorted(listed):
        if name not in names:
            yield _problem("file", name, "is missing")
        elif sha256_hex(reader.read(name)) != listed[name]:
            yield _problem("file", name, "was changed after it was signed")
        else:
            intact.add(name)
    for name in names:
        if name not in listed and name not in (FILES, FILES_SIGNATURE):
            yield _problem("file", name, "was added after the package was signed")
    if {RECORD, RECORD_SIGNATURE, PUBLIC_KEY} <= intact:
        yield from _verify_record(reader, CONTENT in intact)


def _verify_record(reader: _Reader, with_content: bool) -> Iterator[VerifyProblem]:
    data = reader.read(RECORD)
    record = parse_record(data)
    try:
        signature = base64.b64decode(reader.read(RECORD_SIGNATURE), validate=False)
    except binascii.Error:
        signature = b""
    if record is None or not signature_fits(reader.read(PUBLIC_KEY), data, signature):
        yield _problem("record", RECORD, "does not fit its signature")
        return
    if not with_content:
        return
    content = json.loads(reader.read(CONTENT))
    for section, word in SECTIONS.items():
        rows, hashes = content.get(section, {}), record.get(section, {})
        for name in sorted({*rows, *hashes}):
            if name not in rows or name not in hashes or sha256_hex(dump_plain(rows[name])) != hashes[name]:
                yield _problem(word, name, "is not the one in the signed record")


def _list_signature_problem(files: bytes, signature_file: bytes, public: bytes) -> str | None:
    """Which of the list and its signature was changed, or None."""
    note = parse_record(signature_file)
    if note is None:
        return FILES_SIGNATURE
    try:
        signature = base64.b64decode(note["signature"], validate=True)
    except (ValueError, KeyError, TypeError):
        return FILES_SIGNATURE
    if signature_fits(public, files, signature):
        return None if _signature_file(files, public, signature) == signature_file else FILES_SIGNATURE
    return FILES_SIGNATURE if _signed_hash(signature_file) == sha256_hex(files) else FILES


def _signed_hash(signature_file: bytes) -> object:
    note = parse_record(signature_file)
    return None if note is None else note.get("files_sha256")


def _signature_file(files: bytes, public: bytes, signature: bytes) -> bytes:
    return canonical(
        {
            "algorithm": "Ed25519",
            "files_sha256": sha256_hex(files),
            "fingerprint": fingerprint(public),
            "signature": base64.b64encode(signature).decode(),
        }
    )


def _listed(files: bytes) -> dict[str, str] | None:
    record = parse_record(files)
    listed = record.get("files") if record is not None else None
    if not isinstance(listed, dict) or not all(isinstance(value, str) for value in listed.values()):
        return None
    return listed


def _problem(what: str, name: str, message: str) -> VerifyProblem:
    return VerifyProblem(what, name, f"'{name}' {message}.")


class _Folder:
    """A package as a folder."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def names(self) -> list[str]:
        paths = (path for path in self._folder.rglob("*") if path.is_symlink() or not path.is_dir())
        return sorted(path.relative_to(self._folder).as_posix() for path in paths)

    def read(self, name: str) -> bytes:
        path = self._folder / name
        return b"" if path.is_symlink() else path.read_bytes()


class _Zip:
    """A package as a ZIP; nothing is unpacked, so no name in it can lead outside."""

    def __init__(self, archive: zipfile.ZipFile, limit: int) -> None:
        self._archive = archive
        self._limit = limit

    def names(self) -> list[str]:
        return sorted(info.filename for info in self._archive.infolist() if not info.is_dir())

    def read(self, name: str) -> bytes:
        try:
            with self._archive.open(name) as stream:
                data = stream.read(self._limit + 1)
        except Exception as error:  # zipfile raises many kinds for a damaged archive
            raise _Damaged(name) from error
        if len(data) > self._limit:
            raise _Damaged(name)
        return data


class _Damaged(Exception):
    """A file in a ZIP that can't be read."""

    def __init__(self, name: str) -> None:
        super().__init__(name)
        self.name = name


def _verify_zip(path: Path, trusted: bytes | None) -> Iterator[VerifyProblem]:
    # Packed by deflate a member can't hold more than about 1032 times its packed size; ours are stored as they are.
    limit = 100 * path.stat().st_size + _BLOCK
    try:
        archive = zipfile.ZipFile(path)
    except Exception:  # zipfile raises many kinds for a damaged archive
        yield _problem("archive", path.name, "is damaged or no ZIP; its directory of files can't be read")
        return
    with archive:
        reader = _Zip(archive, limit)
        problems = []
        try:
            problems = list(_verify(reader, trusted))
            if not problems:
                problems = list(_repacked(reader, path))
        except _Damaged as damaged:
            problems.append(_problem("file", damaged.name, "was changed: it can't be read from the ZIP"))
        yield from problems


def _repacked(reader: _Reader, path: Path) -> Iterator[VerifyProblem]:
    """Compares the ZIP with the one that its files make: what no file holds (headers, comments) counts too."""
    with tempfile.TemporaryDirectory() as folder:
        again = Path(folder) / "again.zip"
        _pack(reader, again)
        place = _first_difference(again, path)
        if place is None:
            return
        with zipfile.ZipFile(again) as archive:
            before = [info.filename for info in archive.infolist() if info.header_offset <= place < archive.start_dir]
        where = f"at the head of '{before[-1]}'" if before else "in its directory of files"
    yield _problem(
        "archive",
        path.name,
        f"was changed {where} (byte {place}); the files in it are unchanged, so it may have been packed again",
    )


def _first_difference(a: Path, b: Path) -> int | None:
    with a.open("rb") as left, b.open("rb") as right:
        place = 0
        while True:
            x, y = left.read(_BLOCK), right.read(_BLOCK)
            if x != y:
                same = (i for i in range(min(len(x), len(y))) if x[i] != y[i])
                return place + next(same, min(len(x), len(y)))
            if not x:
                return None
            place += len(x)


def _pack(reader: _Reader, archive: Path) -> None:
    with _replacing(archive) as new, zipfile.ZipFile(new, "w", zipfile.ZIP_STORED) as packed:
        for name in reader.names():
            info = zipfile.ZipInfo(name, _FIXED_TIME)
            info.create_system = 3
            info.external_attr = 0o644 << 16
            packed.writestr(info, reader.read(name))


@contextmanager
def _replacing(path: Path) -> Iterator[Path]:
    """A file that takes its name only when it is whole."""
    new = path.with_name(path.name + ".new")
    try:
        yield new
        os.replace(new, path)
    finally:
        new.unlink(missing_ok=True)


def _put(path: Path, data: bytes) -> None:
    with _replacing(path) as new:
        new.write_bytes(data)
