"""Commands about the signed record: sign, prove, hand over, carry elsewhere."""

from __future__ import annotations

import os
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from audit.cli import sentences
from audit.cli.options import DONE, Images, Json, LogbookPlace, Visit, known_language, typed
from audit.cli.speak import emit, progress_bar, say, spoken, tell
from audit.errors import AuditError
from audit.wording import language_of

if TYPE_CHECKING:
    from audit.logbook import Logbook

__all__ = [
    "change_key",
    "export_logbook",
    "handover",
    "import_logbook",
    "settings",
    "sign",
    "stamp",
    "verify",
    "witness",
]

_PASSPHRASE = "PHOTO_AUDIT_PASSPHRASE"

Unprotected = Annotated[
    bool, typer.Option("--unprotected", help="Keep a key that is made now without a passphrase; the record says so.")
]


def sign(
    logbook: LogbookPlace,
    by: Annotated[str, typer.Option("--by", help="Who signs.", callback=typed)],
    visit: Visit = None,
    images: Images = None,
    unprotected: Unprotected = False,
    witness: Annotated[Path | None, typer.Option("--witness", help="Also write a witness file, to be kept elsewhere.")] = None,
) -> int:
    """Sign a visit off; its snapshots become the references. The key's passphrase is asked once, or taken from
    PHOTO_AUDIT_PASSPHRASE; PHOTO_AUDIT_KEY names a key file outside the logbook."""
    from audit.logbook import Logbook, fingerprint, fingerprint_words, witness_text

    book = Logbook.open(logbook, images=images)
    record = book.visit(visit)
    signed = book.sign(record, by, _passphrase(book, unprotected), unprotected=unprotected)
    words = fingerprint_words(fingerprint(signed.public_key))
    say(sentences.signed_sentence(record.number, by, signed.record_sha256, words, logbook))
    if witness is not None:
        _write(witness, witness_text(book.chain()))
        say(sentences.kept_elsewhere_sentence(witness))
    return DONE


def verify(
    where: Annotated[str, typer.Argument(metavar="LOGBOOK|PACKAGE", help="Logbook, or a handed-over package.")],
    key: Annotated[Path | None, typer.Option("--key", help="The signer's public key (PEM), as it came from the signer.")] = None,
    fingerprint: Annotated[str | None, typer.Option("--fingerprint", help="The signer's fingerprint, as it came from the signer.")] = None,
    witness: Annotated[Path | None, typer.Option("--witness", help="Witness file, or a record.json that was handed over.")] = None,
    authority: Annotated[Path | None, typer.Option("--authority", help="Certificates (PEM) of a time stamp authority.")] = None,
    images: Images = None,
    as_json: Json = False,
) -> int:
    """Prove that nothing changed since it was signed, and say whether it is known who signed."""
    from audit.logbook import Anchors, check

    with progress_bar() as report:
        checked = check(
            where,
            Anchors(key, fingerprint, witness, authority),
            images=images,
            progress=lambda done, total: report("verify", done, total),
        )
    for problem in checked.problems:
        if as_json:
            emit(asdict(problem))
        else:
            tell(problem.sentence())
    if as_json:
        emit(checked.summary())
    for sentence in checked.sentences(where):
        say(sentence)
    return checked.exit_code


def witness(
    logbook: LogbookPlace,
    out: Annotated[Path, typer.Option("-o", "--out", help="File to write.")],
    images: Images = None,
) -> int:
    """Write what is signed as hashes, to be kept where nobody who holds the logbook can change it."""
    from audit.logbook import Logbook, witness_text

    chain = Logbook.open(logbook, images=images).chain()
    if not chain.records:
        raise AuditError(f"{logbook}: no visit is signed yet; sign one first.")
    _write(out, witness_text(chain))
    say(sentences.witness_sentence(out, len(chain.records), logbook))
    return DONE


def stamp(
    logbook: LogbookPlace,
    request: Annotated[Path | None, typer.Option("--request", help="Write the request for an authority here (.tsq).")] = None,
    answer: Annotated[Path | None, typer.Option("--answer", help="The authority's answer (.tsr), to be kept with the record.")] = None,
    visit: Visit = None,
    images: Images = None,
) -> int:
    """Ask for, or keep, a time stamp (RFC 3161) of a signed visit; the program itself sends nothing."""
    from audit.logbook import Logbook

    if (request is None) == (answer is None):
        raise AuditError("say --request FILE to write what an authority is asked, or --answer FILE to keep what it sent.")
    book = Logbook.open(logbook, images=images)
    number = book.visit(visit).number
    if request is not None:
        _write(request, book.stamp_request(number))
        say(sentences.stamp_request_sentence(request))
    elif answer is not None:
        kept = book.put_stamp(number, _read(answer))
        say(sentences.stamped_sentence(number, kept.at, kept.authority))
    return DONE


def change_key(
    logbook: LogbookPlace,
    by: Annotated[str, typer.Option("--by", help="Who changes it.", callback=typed)],
    images: Images = None,
) -> int:
    """Make a new signing key, to which the old one passes on, so that whoever knows the old one knows the new one."""
    from audit.logbook import Logbook, fingerprint_words

    book = Logbook.open(logbook, images=images)
    old = _passphrase(book, unprotected=False)
    new = _asked("Passphrase for the new key", twice=True) if sys.stdin.isatty() else None
    say(sentences.new_key_sentence(fingerprint_words(book.change_key(by, old, new))))
    return DONE


def handover(
    logbook: LogbookPlace,
    out: Annotated[Path, typer.Option("-o", "--out", help="Folder for the package.")],
    visit: Visit = None,
    images: Images = None,
    private: Annotated[bool, typer.Option("--private", help="Take GPS out and blur faces.")] = False,
    originals: Annotated[bool, typer.Option("--originals", help="Put the crew's photos themselves in too.")] = False,
) -> int:
    """Write the package that is handed over: report, repairs, references, record."""
    from audit.logbook import Logbook
    from audit.report.handover import write_handover

    book = Logbook.open(logbook, images=images)
    with progress_bar() as report:
        record = book.visit(visit)
        written = write_handover(
            book,
            record,
            out,
            private=private,
            originals=originals,
            language=spoken() or language_of(book.package_language()),
            passphrase=None if record.signed_at is None else _passphrase(book, unprotected=False),
            progress=lambda done, total: report("write", done, total),
        )
    say(sentences.package_sentence(out, len(written)))
    return DONE


def settings(
    logbook: LogbookPlace,
    package_language: Annotated[
        str | None, typer.Option("--package-language", help="en, de or fr: the language of this logbook's packages.", callback=known_language)
    ] = None,
    images: Images = None,
    as_json: Json = False,
) -> int:
    """Show or change what a logbook keeps for all its visits."""
    from audit.logbook import Logbook

    book = Logbook.open(logbook, images=images)
    if package_language is not None:
        book.set_package_language(package_language)
    kept = book.package_language()
    if as_json:
        emit(sentences.settings_line(kept))
    else:
        tell(sentences.package_language_sentence(kept))
    return DONE


def export_logbook(
    logbook: LogbookPlace,
    archive: Annotated[Path, typer.Argument(help="The archive to write.")],
    images: Images = None,
) -> int:
    """Write the whole logbook, without its private key, as one checked archive."""
    from audit.logbook import Logbook

    with progress_bar() as report:
        Logbook.open(logbook, images=images).export(archive, progress=lambda done, total: report("export", done, total))
    say(sentences.archive_sentence(archive))
    return DONE


def import_logbook(
    archive: Annotated[Path, typer.Argument(help="An exported archive.")],
    logbook: Annotated[str, typer.Argument(help="Folder or database address, still empty.")],
    images: Images = None,
) -> int:
    """Make a logbook from an archive, on another machine or database if wanted."""
    from audit.logbook import Logbook

    Logbook.import_(archive, logbook, images=images).close()
    say(sentences.imported_sentence(logbook))
    return DONE


def _passphrase(book: Logbook, unprotected: bool) -> str | None:
    """The key's passphrase: from the environment, or asked once; None where none is needed, or nobody can be asked."""
    from audit.logbook import key_state

    given = os.environ.get(_PASSPHRASE)
    state = key_state(book.key_place())
    if given or state == "open" or (state == "missing" and unprotected) or not sys.stdin.isatty():
        return given or None
    return _asked("Passphrase for the signing key", twice=state == "missing")


def _asked(words: str, twice: bool) -> str:
    return str(typer.prompt(words, hide_input=True, confirmation_prompt=twice, err=True))


def _write(path: Path, data: bytes) -> None:
    try:
        path.write_bytes(data)
    except OSError as error:
        raise AuditError(f"{path}: can't be written ({error.strerror}); name another file.") from None


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise AuditError(f"{path}: can't be read ({error.strerror}); check the path.") from None
