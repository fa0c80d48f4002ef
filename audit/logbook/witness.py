"""A witness: the hashes of what was signed, kept where the logbook's holder can't reach it.

A chain that was rewritten, cut at its end or taken away with its visit no longer holds the records that a witness saw.
A witness is a small JSON file of its own, or the ``record.json`` of a package that was handed over.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from audit.errors import LogbookError, SignatureError
from audit.logbook.codec import sha256_hex
from audit.logbook.database import file_sentence
from audit.logbook.files import read_regular
from audit.logbook.record import canonical, logbook_of, parse_record
from audit.logbook.records import Chain, VerifyProblem

__all__ = ["Witness", "read_witness", "witness_problems", "witness_text"]

FORMAT = "photo-audit witness 1"
_LARGEST = 64 << 20


@dataclass(frozen=True, slots=True)
class Witness:
    """What was seen signed.

    Attributes
    ----------
    logbook : str
    records : dict
        SHA-256 of the record by visit.
    """

    logbook: str
    records: Mapping[int, str]


def witness_text(chain: Chain) -> bytes:
    """What a witness keeps of a chain: visits, hashes of their records, fingerprints; no name, no finding."""
    return canonical(
        {
            "format": FORMAT,
            "logbook": chain.logbook,
            "records": [
                {"visit": r.visit, "record_sha256": r.record_sha256, "fingerprint": r.fingerprint} for r in chain.records
            ],
        }
    )


def read_witness(path: Path) -> Witness:
    """A witness from its file, or from a record that was handed over.

    Raises
    ------
    LogbookError
        If the file can't be read.
    SignatureError
        If it is no witness.
    """
    try:
        data = read_regular(path, _LARGEST)
    except OSError as error:
        raise LogbookError(file_sentence(str(path), error)) from error
    told = parse_record(data)
    if told is not None:
        logbook = logbook_of(told)
        records = _of_witness(told) if told.get("format") == FORMAT else _of_record(told, data)
        if logbook is not None and records:
            return Witness(logbook, records)
    raise SignatureError(
        f"{path}: this is no witness file; make one with 'photo-audit witness LOGBOOK -o FILE' right after signing, or give "
        f"the record.json of a package."
    )


def witness_problems(witness: Witness, chain: Chain) -> Iterator[VerifyProblem]:
    """What the witness saw signed and is gone or another now.

    A package holds one visit: only that one, and the one before it, can be compared.
    """
    if chain.logbook != witness.logbook:
        yield VerifyProblem("witness", "logbook", "The witness file belongs to another logbook.")
        return
    now = {record.visit: record.record_sha256 for record in chain.records}
    if chain.before is not None:
        now.setdefault(*chain.before)
    for visit, seen in sorted(witness.records.items()):
        if visit not in now and chain.whole:
            sentence = f"Visit {visit}, which the witness saw signed, is gone."
            yield VerifyProblem("witness", f"visit {visit}", sentence, visit)
        elif visit in now and now[visit] != seen:
            sentence = f"The record of visit {visit} is not the one that the witness saw."
            yield VerifyProblem("witness", f"visit {visit}", sentence, visit)


def _of_witness(told: Mapping[str, Any]) -> dict[int, str]:
    rows = told.get("records")
    if not isinstance(rows, list):
        return {}
    found = {}
    for row in rows:
        visit, sha256 = (row.get("visit"), row.get("record_sha256")) if isinstance(row, Mapping) else (None, None)
        if not isinstance(visit, int) or not isinstance(sha256, str):
            return {}
        found[visit] = sha256
    return found


def _of_record(told: Mapping[str, Any], data: bytes) -> dict[int, str]:
    visit = told.get("visit")
    number = visit.get("number") if isinstance(visit, Mapping) else None
    return {number: sha256_hex(data)} if isinstance(number, int) else {}
