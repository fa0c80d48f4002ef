"""Commands of a reviewer: decisions, and the trip that follows from the findings."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast

import typer

from audit.cli import sentences
from audit.cli.options import DONE, SOME_REFUSED, Images, Json, LogbookPlace, Visit, typed
from audit.cli.speak import emit, say, tell
from audit.errors import AuditError

if TYPE_CHECKING:
    from audit.logbook import Logbook, VisitRecord

__all__ = ["decide", "finding", "state_now", "trip", "undo"]


def decide(
    logbook: LogbookPlace,
    camera: Annotated[str, typer.Argument(help="The camera's id in the plan.")],
    check: Annotated[str, typer.Argument(help="The finding's check, e.g. aim.")],
    decision: Annotated[str, typer.Argument(help="confirm, dismiss or tolerate.")],
    by: Annotated[str, typer.Option("--by", help="Who decides.", callback=typed)],
    why: Annotated[str, typer.Option("--why", help="The reason, kept with it.")],
    visit: Visit = None,
    images: Images = None,
) -> int:
    """Record a reviewer's decision on a finding; nothing is ever overwritten."""
    from audit.judge.finding import Check
    from audit.logbook import Logbook
    from audit.logbook.records import DecisionWord

    book = Logbook.open(logbook, images=images)
    record = book.visit(visit)
    book.decide(record, camera, cast(Check, check), cast(DecisionWord, decision), by, why)
    say(sentences.kept_sentence(f"{camera}, {check}", f"{decision} by {by} is", record.number, state_now(book, record, camera)))
    return DONE


def finding(
    logbook: LogbookPlace,
    camera: Annotated[str | None, typer.Argument(help="The camera's id in the plan.")] = None,
    check: Annotated[str | None, typer.Argument(help="The check, e.g. cleanliness.")] = None,
    state: Annotated[str | None, typer.Argument(help="defect, 'to check', 'not verified' or 'as planned'.")] = None,
    by: Annotated[str, typer.Option("--by", help="Who sees it.", callback=typed)] = "",
    why: Annotated[str, typer.Option("--why", help="What is seen.")] = "",
    at: Annotated[str | None, typer.Option("--at", help="Where in the picture: COLUMN,ROW in pixels.")] = None,
    photo: Annotated[str | None, typer.Option("--photo", help="In which photo; the camera's day picture without it.")] = None,
    list_file: Annotated[Path | None, typer.Option("--list", help="CSV of many: camera, check, state, why.")] = None,
    visit: Visit = None,
    images: Images = None,
) -> int:
    """Record a reviewer's own finding; it stands in place of the program's until it is taken back."""
    from audit.logbook import Logbook

    if list_file is not None:
        if camera or check or state or why or at or photo:
            raise AuditError("--list holds cameras, checks and states itself; give nothing of them beside it.")
        return _findings(Logbook.open(logbook, images=images), visit, list_file, by)
    if camera is None or check is None or state is None:
        raise AuditError("finding needs CAMERA CHECK STATE with --why TEXT, or --list FILE.csv.")
    book = Logbook.open(logbook, images=images)
    record = book.visit(visit)
    place = None if at is None else _place(at)
    shown = photo if photo is not None or place is None else _own_picture(book, record, camera)
    book.add_finding(record, camera, check, state, by, why, photo=shown, at_px=place)
    say(sentences.kept_sentence(f"{camera}, {check}", f"{state} by {by} is", record.number, state_now(book, record, camera)))
    return DONE


def _findings(book: Logbook, visit: int | None, path: Path, by: str) -> int:
    from audit.visit.seen import read_seen, record_seen

    record = book.visit(visit)
    kept, refused = record_seen(book, record, read_seen(path), by)
    for one, error in refused:
        say(sentences.not_kept_sentence(one.camera, one.check, error))
    for one in kept:
        now = state_now(book, record, one.camera)
        say(sentences.kept_sentence(f"{one.camera}, {one.check}", f"{one.state} by {by} is", record.number, now))
    return SOME_REFUSED if refused else DONE


def _place(text: str) -> tuple[float, float]:
    parts = text.replace(";", ",").split(",")
    try:
        column, row = (float(part) for part in parts)
    except ValueError:
        raise AuditError(f"--at {text}: not a place; write column and row in pixels, as 640,360.") from None
    return column, row


def _own_picture(book: Logbook, visit: VisitRecord, camera: str) -> str | None:
    """The camera's own picture that the verdict shows first."""
    found = (f.photo for v in book.verdicts(visit, camera) for f in v.findings if f.check == "image")
    return next(found, None)


def state_now(book: Logbook, visit: VisitRecord, camera: str) -> str:
    """A camera's state as it counts now, as a half sentence."""
    return next((f"{camera} is now: {v.state}" for v in book.verdicts(visit, camera)), f"{camera} is not judged")


def undo(
    logbook: LogbookPlace,
    camera: Annotated[str, typer.Argument(help="The camera's id in the plan.")],
    check: Annotated[str, typer.Argument(help="The finding's check, e.g. aim.")],
    by: Annotated[str, typer.Option("--by", help="Who takes it back.", callback=typed)],
    why: Annotated[str, typer.Option("--why", help="The reason, kept with it.")] = "",
    visit: Visit = None,
    images: Images = None,
) -> int:
    """Take the decision in force back; the entry itself stays."""
    from audit.logbook import Logbook
    from audit.visit.done import take_back

    book = Logbook.open(logbook, images=images)
    record = book.visit(visit)
    take_back(book, record, camera, check, by, why)
    say(sentences.taken_back_sentence(camera, check, by, state_now(book, record, camera)))
    return DONE


def trip(
    logbook: LogbookPlace,
    visit: Visit = None,
    images: Images = None,
    as_json: Json = False,
) -> int:
    """Plan one trip for the crew: stops in walking order, what to do, which parts to bring."""
    from audit.account.unproven import unproven, unproven_sentences
    from audit.account.worklist import trip_of
    from audit.logbook import Logbook

    book = Logbook.open(logbook, images=images)
    record = book.visit(visit)
    planned, unseen = trip_of(book, record), unproven(book, record)
    if as_json:
        for stop in planned.stops:
            emit(asdict(stop))
        emit({"not_verified": [sentences.unproven_line(item) for item in unseen]})
    else:
        for line in (*sentences.trip_sentences(planned), *unproven_sentences(unseen)):
            tell(line)
    return DONE
