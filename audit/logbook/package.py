"""A handover package that proves itself: with the public key alone, every changed byte is found and named.

``record.json`` is the signed visit's record, ``record.sig`` its signature, ``public_key.pem`` the key, ``keys.json`` the
changes of key before it, ``record.tsr`` its time stamp where there is one. ``files.json`` lists every file with its
SHA-256, and ``files.sig`` signs that list. ``content.json`` holds the rows that the record's hashes stand for.
"""

from __future__ import annotations

import base64
import binascii
import json
import os
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from audit.errors import LogbookError, SignatureError
from audit.logbook.codec import dump_plain, sha256_hex
from audit.logbook.container import (
    Container,
    Damaged,
    FolderContainer,
    ZipContainer,
    first_difference,
    open_zip,
    pack,
)
from audit.logbook.database import SQLITE_NAME, file_sentence
from audit.logbook.files import sha256_of
from audit.logbook.flat import SCALAR, STRING
from audit.logbook.keychange import KeyChange, read_change
from audit.logbook.record import SECTIONS, canonical, logbook_of, parse_record
from audit.logbook.records import Chain, ChainLink, SignedRecord, VerifyProblem
from audit.logbook.signing import SigningKey, fingerprint, signature_fits
from audit.logbook.stamps import stamp_problem

__all__ = ["OWN_FILES", "is_package", "package_chain", "package_record", "seal_package", "verify_package", "zip_package"]

RECORD, RECORD_SIGNATURE, PUBLIC_KEY = "record.json", "record.sig", "public_key.pem"
CONTENT, FILES, FILES_SIGNATURE = "content.json", "files.json", "files.sig"
KEY_CHANGES, TIME_STAMP = "keys.json", "record.tsr"
#: What sealing adds to a folder.
OWN_FILES = (RECORD, RECORD_SIGNATURE, PUBLIC_KEY, CONTENT, FILES, FILES_SIGNATURE, KEY_CHANGES, TIME_STAMP)
_LISTS = (RECORD, FILES, KEY_CHANGES)
#: Larger than the lists of a site of 30,000 cameras; hashes hardly shrink when they are packed.
_LARGEST_LIST, _LARGEST_SMALL = 64 << 20, 1 << 20
_LIST_GROWS_TIMES = 4
#: A list has a handful of brackets; made-up ones of brackets alone take thirty times their size in memory.
_MOST_BRACKETS = 200_000
#: One row of ``content.json`` as it is written: its name, and scalars between brackets.
_ROW = re.compile(rb"(" + STRING + rb"):(\[(?:" + SCALAR + rb"(?:," + SCALAR + rb")*+)?+\])([,}])")
_SECTION = re.compile(rb'[{,]"([a-z]{1,40})":\{(\}?)')
_LONGEST_ROW = 64 << 20
_MOST_PROBLEMS = 10_000


def seal_package(
    folder: Path,
    signed: SignedRecord,
    key: SigningKey,
    content: Mapping[str, Any] | None = None,
    changes: Sequence[KeyChange] = (),
) -> None:
    """Adds the record to a folder of handover files and signs the list of all files in it."""
    try:
        _put(folder / RECORD, signed.record)
        _put(folder / RECORD_SIGNATURE, base64.b64encode(signed.signature) + b"\n")
        _put(folder / PUBLIC_KEY, signed.public_key)
        if signed.time_stamp is not None:
            _put(folder / TIME_STAMP, signed.time_stamp)
        if changes:
            _put(folder / KEY_CHANGES, _changes_text(changes))
        if content is not None:
            _put(folder / CONTENT, dump_plain(content).encode())
        container = FolderContainer(folder)
        names = [name for name in container.names() if name not in (FILES, FILES_SIGNATURE)]
        files = canonical(
            {
                "format": "photo-audit package 1",
                "record_sha256": signed.record_sha256,
                "files": {name: sha256_of(container.blocks(name))[0] for name in names},
            }
        )
        _put(folder / FILES, files)
        _put(folder / FILES_SIGNATURE, _signature_file(files, key.public_pem, key.sign(files)))
    except Damaged as damaged:
        raise LogbookError(f"{folder / damaged.name}: {damaged.why}; take it away and write the package again.") from damaged
    except OSError as error:
        raise LogbookError(file_sentence(str(folder), error)) from error


def zip_package(folder: Path, archive: Path) -> None:
    """Packs a sealed folder into a ZIP that is the same, byte by byte, whenever its files are the same."""
    try:
        with _replacing(archive) as new, new.open("wb") as file:
            pack(FolderContainer(folder), file)
    except OSError as error:
        raise LogbookError(file_sentence(str(archive), error)) from error


def is_package(path: str | os.PathLike[str]) -> bool:
    """Whether a path is a handed-over folder or a ZIP, not a logbook: files of a package in it don't make it one."""
    place = Path(path)
    if (place / SQLITE_NAME).exists():
        return False
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
    with _opened(Path(package)) as container:
        if isinstance(container, VerifyProblem):
            return (container,)
        problems: list[VerifyProblem] = []
        try:
            problems.extend(_verify(container, public_key))
            if not problems and isinstance(container, ZipContainer):
                problems.extend(_repacked(container, Path(package)))
        except Damaged as damaged:
            problems.append(_problem("file", damaged.name, damaged.why))
        return tuple(problems)


def package_chain(package: str | os.PathLike[str]) -> Chain:
    """What a package says of its signature, for the question who signed; meant for one that was found whole."""
    with _opened(Path(package)) as container:
        if isinstance(container, VerifyProblem):
            return Chain(None, ())
        try:
            data, public = _small(container, RECORD, _LARGEST_LIST), _small(container, PUBLIC_KEY)
            changes = tuple(change for change in _changes(container) if change is not None)
        except Damaged:
            return Chain(None, ())
    record = parse_record(data) or {}
    visit, previous = record.get("visit"), record.get("previous")
    if not isinstance(visit, Mapping) or not isinstance(number := visit.get("number"), int):
        return Chain(None, ())
    link = ChainLink(number, sha256_hex(data), str(visit.get("signed_by")), fingerprint(public))
    before = None
    if isinstance(previous, Mapping) and isinstance(previous.get("visit"), int):
        before = (previous["visit"], str(previous.get("record_sha256")))
    return Chain(logbook_of(record), (link,), changes, whole=False, before=before)


def package_record(package: str | os.PathLike[str]) -> tuple[bytes, bytes | None]:
    """A package's record and its time stamp; empty and None where they are not there."""
    with _opened(Path(package)) as container:
        if isinstance(container, VerifyProblem):
            return b"", None
        try:
            names = container.names()
            record = _small(container, RECORD, _LARGEST_LIST) if RECORD in names else b""
            return record, _small(container, TIME_STAMP) if TIME_STAMP in names else None
        except Damaged:
            return b"", None


@contextmanager
def _opened(path: Path) -> Iterator[Container | VerifyProblem]:
    """A package as a folder or a ZIP; a problem where the ZIP is none."""
    try:
        if path.is_dir():
            yield FolderContainer(path)
            return
        if not path.is_file():
            raise LogbookError(f"{path}: there is no package here; give the folder or the ZIP that was handed over.")
        try:
            archive = open_zip(path)
        except Damaged as damaged:
            yield _problem("archive", path.name, damaged.why)
            return
        with archive:
            yield ZipContainer(archive, path.stat().st_size)
    except OSError as error:
        raise LogbookError(file_sentence(str(path), error)) from error


def _verify(container: Container, trusted: bytes | None) -> Iterator[VerifyProblem]:
    names = container.names()
    missing = [name for name in (FILES, FILES_SIGNATURE, PUBLIC_KEY) if name not in names]
    if missing:
        yield from (_problem("file", name, "is missing; the package can't be proven without it") for name in missing)
        return
    twice = sorted({name for name, after in zip(names, names[1:], strict=False) if name == after})
    if twice:
        yield from (_problem("file", name, "is in the package twice") for name in twice)
        return
    if trusted is not None and fingerprint(trusted) is None:
        raise SignatureError("the public key given is no Ed25519 key in PEM; ask the signer for it again.")
    files = _small(container, FILES, _LARGEST_LIST)
    signature_file, public = _small(container, FILES_SIGNATURE), _small(container, PUBLIC_KEY)
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
    yield from _verify_files(container, names, listed)


def _verify_files(container: Container, names: list[str], listed: Mapping[str, str]) -> Iterator[VerifyProblem]:
    intact, there = set(), set(names)
    for name in sorted(listed):
        if name not in there:
            yield _problem("file", name, "is missing")
            continue
        try:
            found, _ = sha256_of(container.blocks(name))
        except Damaged as damaged:
            yield _problem("file", name, damaged.why)
            if damaged.grown:
                return
            continue
        if found != listed[name]:
            yield _problem("file", name, "was changed after it was signed")
        else:
            intact.add(name)
    for name in names:
        if name not in listed and name not in (FILES, FILES_SIGNATURE):
            yield _problem("file", name, "was added after the package was signed")
    if {RECORD, RECORD_SIGNATURE, PUBLIC_KEY} <= intact:
        yield from _verify_record(container, intact)


def _verify_record(container: Container, intact: set[str]) -> Iterator[VerifyProblem]:
    data = _small(container, RECORD, _LARGEST_LIST)
    record = parse_record(data) if _few_brackets(data) else None
    try:
        signature = base64.b64decode(_small(container, RECORD_SIGNATURE), validate=False)
    except binascii.Error:
        signature = b""
    if record is None or not signature_fits(_small(container, PUBLIC_KEY), data, signature):
        yield _problem("record", RECORD, "does not fit its signature")
        return
    if KEY_CHANGES in intact and None in _changes(container):
        yield _problem("key", KEY_CHANGES, "is not what a logbook writes")
    if TIME_STAMP in intact and (wrong := stamp_problem(_small(container, TIME_STAMP), data)):
        yield _problem("time stamp", TIME_STAMP, wrong)
    if CONTENT in intact:
        yield from _verify_content(container, record)


def _verify_content(container: Container, record: Mapping[str, Any]) -> Iterator[VerifyProblem]:
    """Row by row, as they are written: whatever is written otherwise is none of the record's."""
    signed: dict[str, Mapping[str, Any]] = {}
    for section in SECTIONS:
        hashes = record.get(section, {})
        if not isinstance(hashes, Mapping):
            yield _problem("record", RECORD, f"names no {section}")
            return
        signed[section] = hashes
    found: dict[str, set[str]] = {section: set() for section in SECTIONS}
    wrong = 0
    for section, name, row in _rows(container):
        if section in signed and signed[section].get(name) == sha256_hex(row):
            found[section].add(name)
        elif section not in signed or wrong == _MOST_PROBLEMS:
            yield _problem("file", CONTENT, "is not what a logbook writes")
            return
        else:
            wrong += 1
            if name not in signed[section]:
                yield _problem(SECTIONS[section], name, "is not the one in the signed record")
    for section, word in SECTIONS.items():
        for name in sorted(set(signed[section]) - found[section]):
            yield _problem(word, name, "is not the one in the signed record")


def _rows(container: Container) -> Iterator[tuple[str, str, bytes]]:
    """Section, name and bytes of each row of the content; where it is written otherwise, one row of no section."""
    text = _Text(container.blocks(CONTENT))
    if text.rest() == b"{}":
        return
    while section := text.take(_SECTION):
        inside = section[2] == b""
        while inside:
            row = text.take(_ROW)
            if row is None:
                break
            try:
                name = json.loads(row[1])
            except ValueError:
                break
            yield section[1].decode(), name, row[2]
            inside = row[3] == b","
        if inside:
            break
    if text.rest() != b"}":
        yield "", "", b""


class _Text:
    """Text that comes in pieces and is taken piece by piece, never held whole."""

    def __init__(self, blocks: Iterator[bytes]) -> None:
        self._blocks = blocks
        self._held = bytearray()
        self._at = 0
        self._more = True

    def take(self, pattern: re.Pattern[bytes]) -> re.Match[bytes] | None:
        """The next piece, where the text goes on so."""
        wanted = 1
        while True:
            found = pattern.match(self._held, self._at)
            if found is not None:
                self._at = found.end()
                return found
            if not self._more or len(self._held) - self._at > _LONGEST_ROW:
                return None
            self._read(wanted)
            wanted *= 2  # so that a long row is not searched again for every block of it

    def rest(self) -> bytes:
        """What is left, as far as a few bytes tell."""
        self._read(1)
        return bytes(self._held[self._at : self._at + 3])

    def _read(self, blocks: int) -> None:
        self._held = self._held[self._at :]
        self._at = 0
        for _ in range(blocks):
            block = next(self._blocks, None)
            if block is None:
                self._more = False
                return
            self._held += block


def _repacked(container: ZipContainer, path: Path) -> Iterator[VerifyProblem]:
    """Compares the ZIP with the one that its files make: what no file holds (headers, comments) counts too."""
    difference = first_difference(container, path)
    if difference is None:
        return
    place, head = difference
    where = f"at the head of '{head}'" if head is not None else "in its directory of files"
    yield _problem(
        "archive",
        path.name,
        f"was changed {where} (byte {place}); the files in it are unchanged, so it may have been packed again",
    )


def _small(container: Container, name: str, at_most: int = _LARGEST_SMALL) -> bytes:
    """A file that is read whole."""
    if name in _LISTS and isinstance(container, ZipContainer):
        at_most = min(at_most, _LIST_GROWS_TIMES * container.packed_size(name) + _LARGEST_SMALL)
    data = bytearray()
    for block in container.blocks(name):
        data += block
        if len(data) > at_most:
            raise Damaged(name, "is larger than any that a logbook writes")
    return bytes(data)


def _few_brackets(data: bytes) -> bool:
    return data.count(b"[") + data.count(b"{") <= _MOST_BRACKETS


def _changes_text(changes: Iterable[KeyChange]) -> bytes:
    rows = [{"statement": _text64(c.statement), "signature": _text64(c.signature)} for c in changes]
    return canonical({"format": "photo-audit key changes 1", "changes": rows})


def _text64(data: bytes) -> str:
    return base64.b64encode(data).decode()


def _changes(container: Container) -> Iterator[KeyChange | None]:
    """Changes of key that a package brings along; None for each that is none."""
    if KEY_CHANGES not in container.names():
        return
    told = parse_record(_small(container, KEY_CHANGES))
    rows = told.get("changes") if told is not None else None
    for row in rows if isinstance(rows, list) else [{}]:
        try:
            yield read_change(base64.b64decode(row["statement"]), base64.b64decode(row["signature"]))
        except (TypeError, KeyError, ValueError):
            yield None


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
    record = parse_record(files) if _few_brackets(files) else None
    listed = record.get("files") if record is not None else None
    if not isinstance(listed, dict) or not all(isinstance(value, str) for value in listed.values()):
        return None
    return listed


def _problem(what: str, name: str, message: str) -> VerifyProblem:
    return VerifyProblem(what, name, f"'{name}' {message}.")


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
