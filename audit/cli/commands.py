"""The command line ``photo-audit``: thin commands over the rooms.

``--json`` prints one JSON object per line on standard output, in input order; progress and messages go to standard
error. Exit codes: 0 done; 1 done, and something needs putting right (``--strict``); 2 could not do it; 3 done, but some
files were refused.
"""

from __future__ import annotations

import io
import logging
import os
import sys
from typing import Annotated, Any

import typer

from audit import __version__
from audit.children import SAFE_PATH
from audit.cli import (
    assign,
    collect,
    desk,
    done,
    drawing,
    guide,
    plan,
    pointing,
    record,
    review,
    sentences,
    singles,
    visit,
)
from audit.cli.help import help_in
from audit.cli.options import COULD_NOT, DONE
from audit.cli.speak import say, speak_in
from audit.errors import AuditError
from audit.logs import JsonLines
from audit.wording import LANGUAGES

__all__ = ["app", "main"]

app = typer.Typer(
    name="photo-audit",
    help="A plan and the crew's photos in; measured findings, worst first, and a signed record out.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
plan_app = typer.Typer(help="Check a camera plan.", no_args_is_help=True, rich_markup_mode=None)
app.add_typer(plan_app, name="plan")

for _command in (
    singles.measure,
    singles.compare,
    singles.match,
    visit.start,
    visit.visit,
    collect.collect,
    visit.show,
    visit.methods,
    review.decide,
    review.finding,
    review.undo,
    done.done,
    done.wait,
    assign.assign,
    review.trip,
    pointing.point,
    pointing.board,
    drawing.drawing,
):
    app.command()(_command)
app.command("export")(record.export_logbook)
app.command("import")(record.import_logbook)
app.command()(desk.health)
app.command()(record.sign)
app.command()(record.verify)
app.command()(record.witness)
app.command()(record.stamp)
app.command("change-key")(record.change_key)
app.command()(guide.guide)
app.command()(record.handover)
app.command()(record.settings)
app.command("open")(desk.open_desk)
app.command()(desk.demo)
plan_app.command("check")(plan.plan_check)
plan_app.command("geometry")(plan.plan_geometry)
plan_app.command("parts")(plan.plan_parts)
plan_app.command("template")(plan.plan_template)
plan_app.command("import")(plan.plan_import)

#: Root of the parser's usage errors; typer carries its own copy of click, so it is reached through typer.
_Refused: Any = typer.BadParameter.__mro__[2]


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
    language: Annotated[
        str | None, typer.Option("--language", envvar="PHOTO_AUDIT_LANGUAGE", help="en, de or fr: for all that a person reads; with any command.")
    ] = None,
) -> None:
    log = logging.StreamHandler(sys.stderr)
    log.setFormatter(JsonLines() if log_json else logging.Formatter("%(message)s"))
    speak_in(language)
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
    arguments = _language_first(arguments)
    try:
        command = typer.main.get_command(app)
        if (language := _asked_language(arguments)) not in (None, "en"):
            help_in(command, str(language))
        code = command(args=arguments, standalone_mode=False)
    except typer.Abort:
        say(sentences.STOPPED)
        code = COULD_NOT
    except _Refused as error:
        text = error.format_message()
        say(text if not arguments else f"{text} 'photo-audit {arguments[0]} --help' lists what it takes.")
        code = COULD_NOT
    except AuditError as error:
        say(error.message)
        code = error.exit_code
    except KeyboardInterrupt:
        say(sentences.STOPPED)
        code = COULD_NOT
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = DONE
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        say(
            f"{where}{error.strerror or error}; check the path, the space left and the permissions, then run it again."
        )
        code = COULD_NOT
    except MemoryError:
        say(sentences.OUT_OF_MEMORY)
        code = COULD_NOT
    except Exception as error:  # the last catch: whatever it is, it is no defect of the site
        logging.getLogger(__name__).info("the program failed", exc_info=True)
        say(_fault(error))
        code = COULD_NOT
    sys.exit(code if isinstance(code, int) else DONE)


def _language_first(arguments: list[str]) -> list[str]:
    """``--language`` is the program's own option; given after a command it counts as well."""
    for at, word in enumerate(arguments):
        if word == "--":
            break
        if word == "--language" and at + 1 < len(arguments):
            return [word, arguments[at + 1], *arguments[:at], *arguments[at + 2 :]]
        if word.startswith("--language="):
            return [word, *arguments[:at], *arguments[at + 1 :]]
    return arguments


def _asked_language(arguments: list[str]) -> str | None:
    """The language that is asked for and known, before anything is read by it: the help of commands comes first."""
    named = arguments[0].partition("=")[2] or arguments[1] if arguments and arguments[0].startswith("--language") and len(arguments) > 1 else None
    language = named or os.environ.get("PHOTO_AUDIT_LANGUAGE")
    return language if language in LANGUAGES else None


def _fault(error: Exception) -> str:
    """One sentence for a fault of the program itself."""
    said = " ".join("".join(c if c.isprintable() else " " for c in str(error)).split())[:200]
    return (
        f"The program failed ({type(error).__name__}{f': {said}' if said else ''}); what was kept is kept: report it with "
        "what the same command says as 'photo-audit --verbose …'."
    )
