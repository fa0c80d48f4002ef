"""One answer about a logbook or a package: what changed, and who signed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from audit.errors import LogbookError, SignatureError
from audit.logbook.codec import sha256_hex
from audit.logbook.database import file_sentence, is_url
from audit.logbook.files import read_regular
from audit.logbook.logbook import Logbook
from audit.logbook.package import is_package, package_chain, package_record, verify_package
from audit.logbook.records import Chain, VerifyProblem
from audit.logbook.stamps import read_authorities, read_stamp
from audit.logbook.store import Counting, uncounted
from audit.logbook.trust import SignerAnswer, named_signer, who_signed
from audit.logbook.witness import read_witness

__all__ = ["Anchors", "Checked", "check"]

_LARGEST_AUTHORITY = 1 << 20


@dataclass(frozen=True, slots=True)
class Anchors:
    """What the person who checks has from outside the record.

    Attributes
    ----------
    key : Path or None
        The signer's public key, PEM.
    fingerprint : str or None
        The signer's fingerprint as text.
    witness : Path or None
        A witness file, or a record that was handed over.
    authority : Path or None
        Certificates of time stamp authorities, PEM.
    """

    key: Path | None = None
    fingerprint: str | None = None
    witness: Path | None = None
    authority: Path | None = None


@dataclass(frozen=True, slots=True)
class Checked:
    """The answer.

    Attributes
    ----------
    problems : tuple of VerifyProblem
        What changed, and what doesn't fit what is known from outside.
    signer : SignerAnswer or None
        None where something changed: then who signed says nothing.
    chain : Chain
    stamps : tuple of str
        One sentence a time stamp.
    """

    problems: tuple[VerifyProblem, ...]
    signer: SignerAnswer | None
    chain: Chain
    stamps: tuple[str, ...] = ()

    @property
    def exit_code(self) -> int:
        """0 whole and known who signed; 1 whole, but not known who signed; 2 something changed."""
        if self.problems:
            return 2
        return 0 if self.signer is not None and self.signer.state == "known" else 1

    def sentences(self, where: str) -> Iterator[str]:
        """What a person is told after the problems."""
        if self.problems and self.signer is not None:
            yield f"{where}: {self.signer.sentence}"
        elif self.problems:
            count = len(self.problems)
            yield f"{where}: {count} thing{'s' if count != 1 else ''} changed since it was signed."
        elif self.signer is not None:
            start = "nothing changed since it was signed. " if self.signer.state == "known" else ""
            yield f"{where}: {start}{self.signer.sentence}"
            yield from self.stamps

    def summary(self) -> dict[str, Any]:
        """The answer for a script."""
        last = self.chain.records[-1] if self.chain.records else None
        return {
            "what": "answer",
            "exit": self.exit_code,
            "problems": len(self.problems),
            "signer": None if self.signer is None else self.signer.state,
            "visit": None if last is None else last.visit,
            "signed_by": None if last is None else last.signed_by,
            "fingerprint": None if last is None else last.fingerprint,
            "record_sha256": None if last is None else last.record_sha256,
            "time_stamps": list(self.stamps),
            "message": None if self.signer is None else self.signer.sentence,
        }


def check(where: str, anchors: Anchors, images: str | None = None, progress: Counting = uncounted) -> Checked:
    """Check a logbook (folder or database address) or a package (folder or ZIP).

    Raises
    ------
    LogbookError, SignatureError
        If there is neither, or what was given to compare with can't be used.
    """
    named = named_signer(anchors.key, anchors.fingerprint)
    witness = None if anchors.witness is None else read_witness(anchors.witness)
    authorities = () if anchors.authority is None else read_authorities(_file(anchors.authority))
    if not is_url(where) and is_package(Path(where)):
        problems, chain, records = _package(Path(where))
    else:
        with Logbook.open(where, images=images) as book:
            problems = book.verify(progress)
            chain = Chain(None, ()) if problems else book.chain()
            records = [] if problems else book.stamped_records()
    if problems:
        return Checked(problems, None, chain)
    signer = who_signed(chain, named, witness)
    told, wrong = [], []
    for visit, record, stamp in records:
        try:
            found = read_stamp(stamp, record, authorities)
        except SignatureError as error:
            wrong.append(VerifyProblem("time stamp", f"visit {visit}", f"Visit {visit}: {error.message}", visit))
            continue
        known = "an authority that you named" if found.known else "an authority that is not known here (name it with --authority)"
        told.append(f"Visit {visit} has a time stamp of {found.at:%Y-%m-%d %H:%M:%S} UTC by '{found.authority}', {known}.")
    return Checked((*signer.problems, *wrong), signer, chain, tuple(told))


def _package(path: Path) -> tuple[tuple[VerifyProblem, ...], Chain, list[tuple[int, bytes, bytes]]]:
    problems = verify_package(path)
    if problems:
        return problems, Chain(None, ()), []
    chain = package_chain(path)
    record, stamp = package_record(path)
    if not chain.records or sha256_hex(record) != chain.records[-1].record_sha256:
        lost = VerifyProblem("record", "record.json", "'record.json' is not the record of a visit.")
        return (lost,), chain, []
    return (), chain, [] if stamp is None else [(chain.records[-1].visit, record, stamp)]


def _file(path: Path) -> bytes:
    try:
        return read_regular(path, _LARGEST_AUTHORITY)
    except OSError as error:
        raise LogbookError(file_sentence(str(path), error)) from error
