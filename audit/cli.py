"""The command line ``photo-audit``: thin commands over the rooms.

``--json`` prints one JSON object per line on standard output, in input order; progress and messages go to standard
error. Exit codes: 0 done; 1 done, and something needs putting right (``--strict``); 2 could not do it; 3 done, but some
files were refused.
"""

from __future__ import annotations

import io
import json
import logging
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Annotated, Any, cast

import typer

from audit import __version__
from audit.children import SAFE_PATH
from audit.errors import AuditError
from audit.logs import JsonLines

__all__ = ["app", "main"]

app = typer.Typer(
    name="photo-audit",
    help="A plan and the crew's photos in; measured findings, worst first, and a signed record out.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
plan_app = typer.Typer(help="Look at a plan before anyone climbs.", no_args_is_help=True, rich_markup_mode=None)
app.add_typer(plan_app, name="plan")

DONE, DEFECT, COULD_NOT, SOME_REFUSED = 0, 1, 2, 3

#: Root of the parser's usage errors; typer carries its own copy of click, so it is reached through typer.
_Refused: Any = typer.BadParameter.__mro__[2]

Json = Annotated[bool, typer.Option("--json", help="One JSON object per line on standard output.")]
Visit = Annotated[int | None, typer.Option("--visit", help="Number of the visit; the latest without it.")]
Images = Annotated[str | None, typer.Option("--images", help="Image store address, with a database.")]
LimitsFile = Annotated[Path | None, typer.Option("--limits", help="TOML file laid over the default limits; the visit keeps it.")]


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(__version__)
        raise typer.Exit()


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", help="Print the version and end.", callback=_version, is_eager=True)
    ] = False,
    verbose: Annotated[bool, typer.Option("--verbose", help="Say on standard error what is being done.")] = False,
    log_json: Annotated[
        bool, typer.Option("--log-json", help="The same as JSON, one object a line, for a service.")
    ] = False,
) -> None:
    log = logging.StreamHandler(sys.stderr)
    log.setFormatter(JsonLines() if log_json else logging.Formatter("%(message)s"))
    logging.basicConfig(level=logging.INFO if verbose or log_json else logging.ERROR, handlers=[log])


def main() -> None:
    """Entry point: every error that a user can act on becomes one sentence and an exit code."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(encoding="utf-8", errors="backslashreplace")
    os.environ[SAFE_PATH] = "1"
    arguments = sys.argv[1:]
    if arguments and arguments[0] == "--json":
        arguments = [*arguments[1:], "--json"]
    try:
        code = app(args=arguments, standalone_mode=False)
    except typer.Abort:
        _say("Stopped; run the same command again to go on.")
        code = COULD_NOT
    except _Refused as error:
        text = error.format_message()
        _say(text if not arguments else f"{text} 'photo-audit {arguments[0]} --help' lists what it takes.")
        code = COULD_NOT
    except AuditError as error:
        _say(error.message)
        code = error.exit_code
    except KeyboardInterrupt:
        _say("Stopped; run the same command again to go on.")
        code = COULD_NOT
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = DONE
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        _say(
            f"{where}{error.strerror or error}; check the path, the space left and the permissions, then run it again."
        )
        code = COULD_NOT
    except MemoryError:
        _say("Memory ran out; use fewer --workers or smaller pictures.")
        code = COULD_NOT
    except Exception as error:  # the last catch: whatever it is, it is no defect of the site
        logging.getLogger(__name__).info("the program failed", exc_info=True)
        _say(_fault(error))
        code = COULD_NOT
    sys.exit(code if isinstance(code, int) else DONE)


def _say(text: str) -> None:
    typer.echo(text, err=True)


def _fault(error: Exception) -> str:
    """One sentence for a fault of the program itself."""
    said = " ".join("".join(c if c.isprintable() else " " for c in str(error)).split())[:200]
    return (
        f"The program failed ({type(error).__name__}{f': {said}' if said else ''}); what was kept is kept: report it with "
        "what the same command says as 'photo-audit --verbose …'."
    )


def _emit(line: dict[str, Any]) -> None:
    typer.echo(json.dumps(line, ensure_ascii=False, default=_plain, allow_nan=False))


def _plain(value: object) -> object:
    if isinstance(value, datetime | date):
        return value.isoformat()
    if hasattr(value, "item"):
        return value.item()
    if isinstance(value, tuple | set | frozenset):
        return list(value)
    raise TypeError(f"no JSON form for {type(value).__name__}")


@contextmanager
def _progress() -> Iterator[Any]:
    """A bar on a terminal, silence elsewhere; yields a function of (step, done, total, name)."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    console = Console(stderr=True)
    columns = (TextColumn("{task.description:<8}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, disable=not sys.stderr.isatty()) as bars:
        tasks: dict[str, Any] = {}

        def report(step: str, done: int, total: int, name: str = "") -> None:
            if step not in tasks:
                tasks[step] = bars.add_task(step, total=total)
            bars.update(tasks[step], completed=done, total=total)

        yield report


def _folder(path: Path) -> Path:
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise AuditError(f"{path}: can't be made a folder ({error.strerror}); name another one.") from None
    return path


@app.command()
def measure(
    images: Annotated[list[str] | None, typer.Argument(metavar="IMAGE...", help="Picture files.")] = None,
    list_file: Annotated[Path | None, typer.Option("--list", help="CSV: file, hfov_deg, projection, k1, k2.")] = None,
    hfov: Annotated[float | None, typer.Option("--hfov", help="Full horizontal angle of view, degrees.")] = None,
    projection: Annotated[str | None, typer.Option("--projection", help="rectilinear or equidistant.")] = None,
    masks: Annotated[Path | None, typer.Option("--masks", help="Folder for the sky masks.")] = None,
    workers: Annotated[int, typer.Option("--workers", min=0, max=256, help="Processes; 0 = this one.")] = 0,
    as_json: Json = False,
) -> int:
    """Measure single images: roll, pitch, sky, dirt, each with its uncertainty."""
    from audit import singles

    jobs = singles.measure_jobs(images or [], list_file, hfov, projection)
    if masks is not None:
        _folder(masks)
    refused = 0
    with _progress() as report:
        for done, line in enumerate(singles.measure_files(jobs, masks, workers), 1):
            refused += line["error"] is not None
            if as_json:
                _emit(line)
            else:
                typer.echo(singles.measure_sentence(line))
            report("measure", done, len(jobs))
    return SOME_REFUSED if refused else DONE


@app.command()
def compare(
    reference: Annotated[str | None, typer.Argument(help="The signed picture.")] = None,
    today: Annotated[str | None, typer.Argument(help="Today's picture of the same camera.")] = None,
    list_file: Annotated[
        Path | None, typer.Option("--list", help="CSV: reference, today, hfov_deg, projection.")
    ] = None,
    hfov: Annotated[float | None, typer.Option("--hfov", help="Full horizontal angle of view, degrees.")] = None,
    projection: Annotated[str | None, typer.Option("--projection", help="rectilinear or equidistant.")] = None,
    workers: Annotated[int, typer.Option("--workers", min=0, max=256, help="Processes; 0 = this one.")] = 0,
    as_json: Json = False,
) -> int:
    """Compare today's image with the reference of the same camera."""
    from audit import singles

    jobs = singles.compare_jobs(reference, today, list_file, hfov, projection)
    refused = 0
    with _progress() as report:
        for done, line in enumerate(singles.compare_files(jobs, workers), 1):
            refused += line["error"] is not None
            if as_json:
                _emit(line)
            else:
                typer.echo(singles.compare_sentence(line))
            report("compare", done, len(jobs))
    return SOME_REFUSED if refused else DONE


@app.command()
def match(
    plan: Annotated[Path, typer.Argument(help="The plan file.")],
    photos: Annotated[Path, typer.Argument(help="Folder of photos, or a CSV of their metadata.")],
    answers: Annotated[Path | None, typer.Option("--answers", help="CSV: photo, camera (empty = no camera).")] = None,
    at_least: Annotated[float, typer.Option("--at-least", min=0.5, max=1.0, help="Decide from here.")] = 0.97,
    as_json: Json = False,
) -> int:
    """Put photos to planned cameras, and say how sure that is."""
    from audit import singles

    refused = 0
    with _progress() as report:
        lines = singles.match_files(plan, photos, answers, at_least, report)
    for line in lines:
        refused += line["error"] is not None
        if as_json:
            _emit(line)
        else:
            typer.echo(singles.match_sentence(line))
    return SOME_REFUSED if refused else DONE


@plan_app.command("check")
def plan_check(plan: Annotated[Path, typer.Argument(help="The plan file.")], as_json: Json = False) -> int:
    """Say what in the plan contradicts itself, physics or the mount-chain rules."""
    from audit.plan.check import check_plan
    from audit.plan.files import read_plan_problems

    site, problems = read_plan_problems(plan)
    found = (*problems, *(check_plan(site) if site is not None else ()))
    for problem in found:
        if as_json:
            _emit(asdict(problem))
        else:
            typer.echo(f"{problem.severity}: {problem.sentence()}")
    if site is None:
        _say(f"{plan.name}: can't be used as it stands; correct the errors above.")
        return COULD_NOT
    if not as_json and not found:
        typer.echo(f"{plan.name}: {len(site.cameras)} camera{'s' if len(site.cameras) != 1 else ''}, nothing found.")
    return DONE


@plan_app.command("geometry")
def plan_geometry(plan: Annotated[Path, typer.Argument(help="The plan file.")], as_json: Json = False) -> int:
    """Say what the plan says each image will show."""
    from audit import singles
    from audit.plan.files import read_plan

    for line in singles.geometry_lines(read_plan(plan)):
        if as_json:
            _emit(line)
        else:
            typer.echo(singles.geometry_sentence(line))
    return DONE


@plan_app.command("parts")
def plan_parts(
    plan: Annotated[Path, typer.Argument(help="The plan file.")],
    spares: Annotated[float, typer.Option("--spares", min=0, max=1, help="Share of spares.")] = 0.1,
    as_json: Json = False,
) -> int:
    """List the mount parts of the whole site, with spares, as CSV."""
    from audit.plan.files import read_plan
    from audit.plan.mounts import parts_csv, parts_list

    lines = parts_list(read_plan(plan), spares)
    if as_json:
        for line in lines:
            _emit(asdict(line))
    else:
        typer.echo(parts_csv(lines), nl=False)
    return DONE


@app.command()
def start(
    logbook: Annotated[str, typer.Argument(help="Folder, or database address.")],
    plan: Annotated[Path, typer.Option("--plan", help="The plan file.")],
    images: Images = None,
) -> int:
    """Open a logbook for a site."""
    from audit.logbook import Logbook
    from audit.plan.files import read_plan

    site = read_plan(plan)
    Logbook.create(logbook, site, plan.name, plan.read_bytes(), images=images)
    _say(
        f"{logbook}: logbook of {len(site.cameras)} cameras is open; next: photo-audit visit {logbook} PHOTOS "
        "--kind commissioning"
    )
    return DONE


@app.command()
def visit(
    logbook: Annotated[str, typer.Argument(help="The logbook.")],
    photos: Annotated[Path, typer.Argument(help="Folder of photos, searched whole.")],
    kind: Annotated[str, typer.Option("--kind", help="commissioning or maintenance.")],
    on: Annotated[str | None, typer.Option("--on", help="Day of the visit, YYYY-MM-DD; today without it.")] = None,
    workers: Annotated[int, typer.Option("--workers", min=0, max=256, help="Processes; 0 = this one.")] = 0,
    cluster: Annotated[str | None, typer.Option("--cluster", help="Address of a Dask scheduler.")] = None,
    images: Images = None,
    limits: LimitsFile = None,
    at_least: Annotated[float, typer.Option("--at-least", min=0.5, max=1.0, help="Place photos from here.")] = 0.97,
    strict: Annotated[bool, typer.Option("--strict", help="Exit 1 where there is a defect.")] = False,
    as_json: Json = False,
) -> int:
    """The main job: photos to findings. Safe to stop and to run again."""
    from audit import compute

    day = _day(on)
    with compute.executor(workers, cluster, module="audit.visit") as work, _progress() as report:
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
        _say(sentence if name in sentence else f"{name}: {sentence}")
    _show(book, summary.visit.number, as_json)
    _say(
        f"visit {summary.visit.number} ({summary.visit.kind}, {summary.visit.on}): {summary.photos} photos, "
        f"{len(summary.refused)} refused; " + ", ".join(f"{n} {state}" for state, n in summary.states.items())
    )
    if summary.refused:
        return SOME_REFUSED
    return DEFECT if strict and summary.states["defect"] else DONE


@app.command()
def show(
    logbook: Annotated[str, typer.Argument(help="The logbook.")],
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
        from audit import lines

        far = book.progress(book.visit(visit))
        if as_json:
            _emit(lines.progress_line(far))
        else:
            typer.echo(lines.progress_sentence(far))
        return DONE
    worst = _show(book, visit, as_json)
    return DEFECT if strict and worst else DONE


@app.command()
def methods(
    logbook: Annotated[str, typer.Argument(help="The logbook.")],
    visit: Visit = None,
    measure: Annotated[
        bool, typer.Option("--measure", help="First measure the visit's pictures by this program's version.")
    ] = False,
    workers: Annotated[int, typer.Option("--workers", min=0, max=256, help="Processes; 0 = this one.")] = 0,
    images: Images = None,
    as_json: Json = False,
) -> int:
    """Show what a new version of the measuring measures differently; what was measured before stays."""
    from audit import lines
    from audit.logbook import Logbook
    from audit.visit import measure_anew

    book = Logbook.open(logbook, images=images)
    record = book.visit(visit)
    if measure:
        with _progress() as report:
            measure_anew(book, record, workers=workers, progress=lambda p: report(p.step, p.done, p.total, p.name))
    found = book.remeasured(record)
    for photo in found:
        if as_json:
            _emit(lines.change_of_method_line(photo))
        else:
            typer.echo(lines.change_of_method_sentence(photo))
    _say(lines.methods_sentence(record.number, found))
    return DONE


def _show(book: Any, number: int | None, as_json: bool) -> bool:
    from audit import singles

    record = book.visit(number)
    worst = False
    for verdict in book.verdicts(record):
        worst = worst or verdict.state == "defect"
        if as_json:
            _emit(singles.verdict_line(verdict, record.number))
        else:
            typer.echo(singles.verdict_sentence(verdict))
    return worst


def _day(text: str | None) -> date:
    if text is None:
        return datetime.now(UTC).astimezone().date()
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise AuditError(f"--on {text}: not a day; write it as 2026-06-16.") from None


@app.command()
def decide(
    logbook: Annotated[str, typer.Argument(help="The logbook.")],
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
    _say(f"{camera}, {check}: {decision} by {by} is kept with visit {record.number}.")
    return DONE


@app.command()
def undo(
    logbook: Annotated[str, typer.Argument(help="The logbook.")],
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
    _say(f"{camera}, {check}: the decision is taken back by {by}.")
    return DONE


@app.command()
def trip(
    logbook: Annotated[str, typer.Argument(help="The logbook.")],
    visit: Visit = None,
    images: Images = None,
    as_json: Json = False,
) -> int:
    """Plan one trip for the crew: stops in walking order, what to do, which parts to bring."""
    from audit.logbook import Logbook
    from audit.report.worklist import trip_of
    from audit.singles import trip_sentences

    book = Logbook.open(logbook, images=images)
    planned = trip_of(book, book.visit(visit))
    if as_json:
        for stop in planned.stops:
            _emit(asdict(stop))
    else:
        for line in trip_sentences(planned):
            typer.echo(line)
    return DONE


@app.command("export")
def export_logbook(
    logbook: Annotated[str, typer.Argument(help="The logbook.")],
    archive: Annotated[Path, typer.Argument(help="The archive to write.")],
    images: Images = None,
) -> int:
    """Write the whole logbook, without its private key, as one checked archive."""
    from audit.logbook import Logbook

    with _progress() as report:
        Logbook.open(logbook, images=images).export(archive, progress=lambda done, total: report("export", done, total))
    _say(f"{archive}: holds the whole logbook; bring it back with: photo-audit import {archive} LOGBOOK")
    return DONE


@app.command("import")
def import_logbook(
    archive: Annotated[Path, typer.Argument(help="An exported archive.")],
    logbook: Annotated[str, typer.Argument(help="Folder or database address, still empty.")],
    images: Images = None,
) -> int:
    """Make a logbook from an archive, on another machine or database if wanted."""
    from audit.logbook import Logbook

    Logbook.import_(archive, logbook, images=images).close()
    _say(f"{logbook}: the logbook is here; check it with: photo-audit verify {logbook}")
    return DONE


@app.command()
def health(
    logbook: Annotated[str, typer.Argument(help="The logbook.")],
    counters: Annotated[bool, typer.Option("--counters", help="OpenMetrics text of what is kept.")] = False,
    images: Images = None,
) -> int:
    """Say in one line whether the logbook answers; for a service that watches."""
    from audit.logbook import Logbook

    book = Logbook.open(logbook, images=images)
    if counters:
        typer.echo(book.counters(), nl=False)
        return DONE
    well, line = book.health()
    typer.echo(line)
    return DONE if well else COULD_NOT


@app.command()
def sign(
    logbook: Annotated[str, typer.Argument(help="The logbook.")],
    by: Annotated[str, typer.Option("--by", help="Who signs.")],
    visit: Visit = None,
    images: Images = None,
) -> int:
    """Sign a visit off; its snapshots become the references. PHOTO_AUDIT_PASSPHRASE protects the key."""
    from audit.logbook import Logbook

    book = Logbook.open(logbook, images=images)
    record = book.visit(visit)
    signed = book.sign(record, by, passphrase=os.environ.get("PHOTO_AUDIT_PASSPHRASE"))
    _say(f"visit {record.number} is signed by {by}: record {signed.record_sha256[:16]}…")
    return DONE


@app.command()
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
        with _progress() as report:
            book = Logbook.open(where, images=images)
            problems = book.verify(progress=lambda done, total: report("verify", done, total))
    for problem in problems:
        if as_json:
            _emit(asdict(problem))
        else:
            typer.echo(problem.sentence())
    if problems:
        _say(f"{where}: {len(problems)} thing{'s' if len(problems) != 1 else ''} changed since it was signed.")
        return COULD_NOT
    _say(f"{where}: nothing changed since it was signed.")
    return DONE


@app.command()
def handover(
    logbook: Annotated[str, typer.Argument(help="The logbook.")],
    out: Annotated[Path, typer.Option("-o", "--out", help="Folder for the package.")],
    visit: Visit = None,
    images: Images = None,
    private: Annotated[bool, typer.Option("--private", help="Take GPS out and blur faces.")] = False,
) -> int:
    """Write the package that is handed over: report, repairs, references, record."""
    from audit.logbook import Logbook
    from audit.report.handover import write_handover

    book = Logbook.open(logbook, images=images)
    with _progress() as report:
        written = write_handover(
            book,
            book.visit(visit),
            _folder(out),
            private=private,
            progress=lambda done, total: report("write", done, total),
        )
    _say(f"{out}: {len(written)} files are written; check them with: photo-audit verify {out}")
    return DONE


@app.command("open")
def open_desk(
    logbook: Annotated[str, typer.Argument(help="The logbook.")],
    port: Annotated[int, typer.Option("--port", min=1, max=65535, help="Port on this machine.")] = 8501,
    address: Annotated[
        str, typer.Option("--address", help="Listen here; anything but loopback needs sign-in.")
    ] = "127.0.0.1",
    images: Images = None,
    browser: Annotated[bool, typer.Option(help="Open the browser too.")] = True,
) -> int:
    """Open the dashboard in a browser."""
    from audit.desk import serve

    return serve(logbook, address=address, port=port, images=images, browser=browser)


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(help="Where to lay it out.")] = Path("photo-audit-demo"),
    workers: Annotated[int, typer.Option("--workers", min=0, max=256, help="Processes; 0 = this one.")] = 2,
) -> int:
    """Lay out the demo site, run its commissioning and one maintenance visit."""
    from audit.demo import run_demo

    with _progress() as report:
        summaries = run_demo(folder, workers, lambda p: report(p.step, p.done, p.total, p.name))
    for summary in summaries:
        _say(
            f"visit {summary.visit.number} ({summary.visit.kind}, {summary.visit.on}): {summary.photos} photos, "
            f"{len(summary.refused)} refused; " + ", ".join(f"{n} {state}" for state, n in summary.states.items())
        )
    _say(f"Worst first:  photo-audit show {folder / 'logbook'}\nIn a browser: photo-audit open {folder / 'logbook'}")
    return DONE
