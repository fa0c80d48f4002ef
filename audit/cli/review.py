"""Commands of a reviewer: decisions, and the trip that follows from the findings."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, cast

import typer

from audit.cli import sentences
from audit.cli.options import DONE, Images, Json, LogbookPlace, Visit
from audit.cli.speak import emit, say, tell

__all__ = ["decide", "trip", "undo"]


def decide(
    logbook: LogbookPlace,
    camera: Annotated[str, typer.Argument(help="The camera's id in the plan.")],
    check: Annotated[str, typer.Argument(help="The finding's check, e.g. aim.")],
    decision: Annotated[str, typer.Argument(help="confirm, dismiss or tolerate.")],
    by: Annotated[str, typer.Option("--by", help="Who decides.")],
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
    say(f"{camera}, {check}: {decision} by {by} is kept with visit {record.number}.")
    return DONE


def undo(
    logbook: LogbookPlace,
    camera: Annotated[str, typer.Argument(help="The camera's id in the plan.")],
    check: Annotated[str, typer.Argument(help="The finding's check, e.g. aim.")],
    by: Annotated[str, typer.Option("--by", help="Who takes it back.")],
    why: Annotated[str, typer.Option("--why", help="The reason, kept with it.")] = "",
    visit: Visit = None,
    images: Images = None,
) -> int:
    """Take the decision in force back; the entry itself stays."""
    from audit.logbook import Logbook

    book = Logbook.open(logbook, images=images)
    record = book.visit(visit)
    book.undo(record, camera, check, by, why)
    say(f"{camera}, {check}: the decision is taken back by {by}.")
    return DONE


def trip(
    logbook: LogbookPlace,
    visit: Visit = None,
    images: Images = None,
    as_json: Json = False,
) -> int:
    """Plan one trip for the crew: stops in walking order, what to do, which parts to bring."""
    from audit.account.worklist import trip_of
    from audit.logbook import Logbook

    book = Logbook.open(logbook, images=images)
    planned = trip_of(book, book.visit(visit))
    if as_json:
        for stop in planned.stops:
            emit(asdict(stop))
    else:
        for line in sentences.trip_sentences(planned):
            tell(line)
    return DONE
