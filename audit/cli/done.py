"""Commands by which the crew answers back: what was put right, with a picture, and what sign-off waits for."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from audit.cli import sentences
from audit.cli.options import DONE, SOME_REFUSED, Images, LogbookPlace, Visit, typed
from audit.cli.review import state_now
from audit.cli.speak import say
from audit.errors import AuditError

if TYPE_CHECKING:
    from audit.logbook import Logbook

__all__ = ["done", "wait"]


def done(
    logbook: LogbookPlace,
    camera: Annotated[str | None, typer.Argument(help="The camera's id in the plan.")] = None,
    check: Annotated[str | None, typer.Argument(help="The finding's check, e.g. aim.")] = None,
    file: Annotated[Path | None, typer.Argument(help="A picture from after the work.")] = None,
    by: Annotated[str | None, typer.Option("--by", help="Who did it.", callback=typed)] = None,
    why: Annotated[str, typer.Option("--why", help="What was done.")] = "",
    vouch: Annotated[bool, typer.Option("--vouch", help="It is this camera's picture, though nothing in it shows that.")] = False,
    hand_in: Annotated[Path | None, typer.Option("--list", help="The file that the job list on the phone made.")] = None,
    visit: Visit = None,
    images: Images = None,
) -> int:
    """Record that work is done, with a picture that is measured at once: it closes the finding or keeps it."""
    from audit.logbook import Logbook

    book = Logbook.open(logbook, images=images)
    record = book.visit(visit)
    if hand_in is not None:
        return _take_list(book, hand_in, by)
    if camera is None or check is None or file is None or by is None:
        raise AuditError("done: give CAMERA, CHECK, FILE and --by NAME, or the crew's file with --list FILE.")
    from audit.visit.done import Answer, hand_in_done

    brought = hand_in_done(book, record, Answer(camera, (check,), file, file.name, by, why, vouch))
    states = ", ".join(f"{name} {state}" for name, state in brought.states)
    say(sentences.kept_sentence(camera, f"{states} by {brought.photo},", record.number, state_now(book, record, camera)))
    say(f"  {brought.entries[0].why}")
    return DONE


def _take_list(book: Logbook, file: Path, by: str | None) -> int:
    from audit.visit.hand_in import take_hand_in

    outcomes = take_hand_in(book, file, by=by)
    for outcome in outcomes:
        say(outcome.sentence)
    taken = sum(outcome.taken for outcome in outcomes)
    say(sentences.answers_sentence(file, taken, len(outcomes)))
    return DONE if taken == len(outcomes) else SOME_REFUSED


def wait(
    logbook: LogbookPlace,
    camera: Annotated[str, typer.Argument(help="The camera's id in the plan.")],
    check: Annotated[str, typer.Argument(help="The finding's check, e.g. aim.")],
    by: Annotated[str, typer.Option("--by", help="Who asks for it.", callback=typed)],
    why: Annotated[str, typer.Option("--why", help="The reason, kept with it.")] = "",
    visit: Visit = None,
    images: Images = None,
) -> int:
    """Let sign-off wait until a finding is settled; 'undo' takes that back."""
    from audit.logbook import Logbook

    book = Logbook.open(logbook, images=images)
    record = book.visit(visit)
    book.wait_for(record, camera, check, by, why)
    say(sentences.waits_sentence(camera, check, record.number))
    return DONE
