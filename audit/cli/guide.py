"""The command that writes the photo guide for a phone."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from audit.cli.options import DONE, Images, LogbookPlace
from audit.cli.speak import say, spoken
from audit.errors import AuditError

__all__ = ["guide"]


def guide(
    logbook: LogbookPlace,
    out: Annotated[Path, typer.Option("-o", "--out", help="HTML file to write.")] = Path("photo_guide.html"),
    visit: Annotated[int | None, typer.Option("--visit", help="What is still missing in it; all that is wanted without it.")] = None,
    images: Images = None,
) -> int:
    """Write the photo guide: a list and a camera for a phone without network; its ZIP is read by visit."""
    from audit.logbook import Logbook
    from audit.report.guide import guide as made

    with Logbook.open(logbook, images=images) as book:
        visits = book.visits()
        record = book.visit(visit) if visit is not None else next((v for v in reversed(visits) if v.signed_at is None), None)
        page = made(book, record, spoken() or "en")
    try:
        out.write_text(page, encoding="utf-8")
    except OSError as error:
        raise AuditError(f"{out}: can't be written ({error.strerror}); name another file.") from None
    say(
        f"{out}: copy it to the phone and open it in its browser; it needs no network. What it hands in: "
        f"photo-audit visit {logbook} photos-….zip --kind …, or drop it at the desk under Add photos."
    )
    return DONE
