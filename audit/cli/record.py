"""Commands about the signed record: sign, prove, hand over, carry elsewhere."""

from __future__ import annotations

import os
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from audit.cli.options import COULD_NOT, DONE, Images, Json, LogbookPlace, Visit, made_folder
from audit.cli.speak import emit, progress_bar, say

__all__ = ["export_logbook", "handover", "import_logbook", "sign", "verify"]


def sign(
    logbook: LogbookPlace,
    by: Annotated[str, typer.Option("--by", help="Who signs.")],
    visit: Visit = None,
    images: Images = None,
) -> int:
    """Sign a visit off; its snapshots become the references. PHOTO_AUDIT_PASSPHRASE protects the key."""
    from audit.logbook import Logbook

    book = Logbook.open(logbook, images=images)
    record = book.visit(visit)
    signed = book.sign(record, by, passphrase=os.environ.get("PHOTO_AUDIT_PASSPHRASE"))
    say(f"visit {record.number} is signed by {by}: record {signed.record_sha256[:16]}…")
    return DONE


def verify(
    where: Annotated[str, typer.Argument(metavar="LOGBOOK|PACKAGE", help="Logbook, or a handed-over package.")],
    images: Images = None,
    as_json: Json = False,
) -> int:
    """Prove that nothing changed since it was signed."""
    from audit.logbook import Logbook, is_package, verify_package

    if is_package(Path(where)):
        problems = verify_package(Path(where))
    else:
        with progress_bar() as report:
            book = Logbook.open(where, images=images)
            problems = book.verify(progress=lambda done, total: report("verify", done, total))
    for problem in problems:
        if as_json:
            emit(asdict(problem))
        else:
            typer.echo(problem.sentence())
    if problems:
        say(f"{where}: {len(problems)} thing{'s' if len(problems) != 1 else ''} changed since it was signed.")
        return COULD_NOT
    say(f"{where}: nothing changed since it was signed.")
    return DONE


def handover(
    logbook: LogbookPlace,
    out: Annotated[Path, typer.Option("-o", "--out", help="Folder for the package.")],
    visit: Visit = None,
    images: Images = None,
    private: Annotated[bool, typer.Option("--private", help="Take GPS out and blur faces.")] = False,
) -> int:
    """Write the package that is handed over: report, repairs, references, record."""
    from audit.logbook import Logbook
    from audit.report.handover import write_handover

    book = Logbook.open(logbook, images=images)
    with progress_bar() as report:
        written = write_handover(
            book,
            book.visit(visit),
            made_folder(out),
            private=private,
            progress=lambda done, total: report("write", done, total),
        )
    say(f"{out}: {len(written)} files are written; check them with: photo-audit verify {out}")
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
    say(f"{archive}: holds the whole logbook; bring it back with: photo-audit import {archive} LOGBOOK")
    return DONE


def import_logbook(
    archive: Annotated[Path, typer.Argument(help="An exported archive.")],
    logbook: Annotated[str, typer.Argument(help="Folder or database address, still empty.")],
    images: Images = None,
) -> int:
    """Make a logbook from an archive, on another machine or database if wanted."""
    from audit.logbook import Logbook

    Logbook.import_(archive, logbook, images=images).close()
    say(f"{logbook}: the logbook is here; check it with: photo-audit verify {logbook}")
    return DONE
