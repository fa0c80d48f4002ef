"""The command by which a person says whose a photo is and what it shows."""

from __future__ import annotations

from typing import Annotated, cast

import typer

from audit.cli.options import DONE, Images, LogbookPlace, Visit, typed
from audit.cli.speak import say
from audit.errors import AuditError

__all__ = ["assign"]

_NOBODY = "-"


def assign(
    logbook: LogbookPlace,
    photo: Annotated[str, typer.Argument(help="The photo's name in the visit.")],
    camera: Annotated[str | None, typer.Argument(help="The camera's id in the plan; - for none.")] = None,
    role: Annotated[
        str | None,
        typer.Option("--role", help="What it shows: label, 'wide view', bracket, 'day snapshot', 'night snapshot', turned or 'wrong way up'."),
    ] = None,
    undo: Annotated[bool, typer.Option("--undo", help="Take the latest word on the photo back.")] = False,
    by: Annotated[str, typer.Option("--by", help="Who says so.", callback=typed)] = "",
    visit: Visit = None,
    images: Images = None,
) -> int:
    """Say whose a photo is and what it shows; the cameras that it touches are judged again at once."""
    from audit.logbook import Logbook, SaidRole
    from audit.visit.say import say_photos, take_photo_back

    if not undo and camera is None:
        raise AuditError("assign: name the camera, - for none, or take the latest word back with --undo.")
    book = Logbook.open(logbook, images=images)
    record = book.visit(visit)
    if undo:
        verdicts = take_photo_back(book, record, [photo], by)
    else:
        wanted = None if camera == _NOBODY else camera
        verdicts = say_photos(book, record, [photo], wanted, by, role=cast("SaidRole | None", role))
    placed = book.placement(record, photo)
    where = "not placed yet" if placed is None else f"{placed.decision}, {placed.camera or 'no camera'}, {placed.role}"
    states = "".join(f"; {v.camera} is now: {v.state}" for v in verdicts)
    say(f"{photo}: {where}, kept with visit {record.number}{states}.")
    return DONE
