"""Commands that make and show visits."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from audit.cli import sentences
from audit.cli.options import (
    DEFECT,
    DONE,
    SOME_REFUSED,
    Images,
    Json,
    LimitsFile,
    LogbookPlace,
    Visit,
    Workers,
    day_of,
    known_language,
)
from audit.cli.speak import emit, progress_bar, say, tell

if TYPE_CHECKING:
    from audit.logbook import Logbook

__all__ = ["methods", "show", "start", "visit"]


def start(
    logbook: Annotated[str, typer.Argument(help="Folder, or database address.")],
    plan: Annotated[Path, typer.Option("--plan", help="The plan file.")],
    package_language: Annotated[
        str | None, typer.Option("--package-language", help="en, de or fr: the language of this logbook's packages.", callback=known_language)
    ] = None,
    images: Images = None,
) -> int:
    """Open a logbook for a site."""
    from audit.logbook import Logbook
    from audit.plan.files import read_plan

    site = read_plan(plan)
    book = Logbook.create(logbook, site, plan.name, plan.read_bytes(), images=images)
    if package_language is not None:
        book.set_package_language(package_language)
    for camera in site.waiting:
        say(sentences.waiting_sentence(camera))
    say(sentences.opened_sentence(logbook, len(site.cameras)))
    return DONE


def visit(
    logbook: LogbookPlace,
    photos: Annotated[Path, typer.Argument(help="Folder of photos, searched whole; or the guide's ZIP.")],
    kind: Annotated[str, typer.Option("--kind", help="commissioning or maintenance.")],
    on: Annotated[str | None, typer.Option("--on", help="Day of the visit, YYYY-MM-DD; today without it.")] = None,
    workers: Workers = 0,
    cluster: Annotated[str | None, typer.Option("--cluster", help="Address of a Dask scheduler.")] = None,
    images: Images = None,
    limits: LimitsFile = None,
    at_least: Annotated[float, typer.Option("--at-least", min=0.5, max=1.0, help="Place photos from here.")] = 0.97,
    strict: Annotated[bool, typer.Option("--strict", help="Exit 1 where there is a defect.")] = False,
    as_json: Json = False,
) -> int:
    """The main job: photos to findings. Safe to stop and to run again."""
    from audit import compute

    day = day_of(on)
    with compute.executor(workers, cluster, module="audit.visit") as work, progress_bar() as report:
        # the workers load beside this process
        from audit.judge.limits import load_limits
        from audit.logbook import Logbook
        from audit.visit import Progress, run_visit

        book = Logbook.open(logbook, images=images)

        def show_progress(p: Progress) -> None:
            report(p.step, p.done, p.total, p.name)

        summary = run_visit(
            book,
            photos,
            kind,
            day,
            executor=work,
            limits=None if limits is None else load_limits(limits),
            at_least=at_least,
            progress=show_progress,
        )
    for name, sentence in summary.refused:
        say(sentences.refused_sentence(name, sentence))
    tell_verdicts(book, summary.visit.number, as_json)
    say(sentences.visit_sentence(summary))
    from audit.account.doubts import visit_doubts

    for sentence in visit_doubts(book, book.visit(summary.visit.number)):
        say(sentence)
    if summary.refused:
        return SOME_REFUSED
    return DEFECT if strict and summary.states["defect"] else DONE


def show(
    logbook: LogbookPlace,
    visit: Visit = None,
    images: Images = None,
    strict: Annotated[bool, typer.Option("--strict", help="Exit 1 where there is a defect.")] = False,
    progress: Annotated[
        bool, typer.Option("--progress", help="Say instead how far the visit is, also while it runs.")
    ] = False,
    as_json: Json = False,
) -> int:
    """List the cameras, worst first."""
    from audit.logbook import Logbook

    book = Logbook.open(logbook, images=images)
    if progress:
        far = book.progress(book.visit(visit))
        if as_json:
            emit(sentences.progress_line(far))
        else:
            tell(sentences.progress_sentence(far))
        return DONE
    worst = tell_verdicts(book, visit, as_json)
    return DEFECT if strict and worst else DONE


def methods(
    logbook: LogbookPlace,
    visit: Visit = None,
    measure: Annotated[
        bool, typer.Option("--measure", help="First measure the visit's pictures by this program's version.")
    ] = False,
    workers: Workers = 0,
    images: Images = None,
    as_json: Json = False,
) -> int:
    """Show what a new version of the measuring measures differently; what was measured before stays."""
    from audit.logbook import Logbook
    from audit.visit import measure_anew

    book = Logbook.open(logbook, images=images)
    record = book.visit(visit)
    if measure:
        with progress_bar() as report:
            measure_anew(book, record, workers=workers, progress=lambda p: report(p.step, p.done, p.total, p.name))
    found = book.remeasured(record)
    for photo in found:
        if as_json:
            emit(sentences.change_of_method_line(photo))
        else:
            tell(sentences.change_of_method_sentence(photo))
    say(sentences.methods_sentence(record.number, found))
    return DONE


def tell_verdicts(book: Logbook, number: int | None, as_json: bool) -> bool:
    """Print the cameras of a visit, worst first; whether one of them has a defect."""
    from audit.account.unproven import unproven, unproven_sentences

    record = book.visit(number)
    worst = False
    for verdict in book.verdicts(record):
        worst = worst or verdict.state == "defect"
        if as_json:
            emit(sentences.verdict_line(verdict, record.number))
        else:
            tell(sentences.verdict_sentence(verdict))
    for line in unproven_sentences(unproven(book, record)):
        say(line)
    return worst
