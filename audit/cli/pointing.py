"""Commands that show where cameras are panned to: clicks in their pictures, and boards at their targets."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from audit.cli import sentences
from audit.cli.options import DONE, SOME_REFUSED, Images, Json, LogbookPlace, Visit, typed
from audit.cli.speak import emit, say, tell
from audit.errors import AuditError

if TYPE_CHECKING:
    from audit.judge.finding import Verdict
    from audit.logbook import Logbook, VisitRecord
    from audit.visit.clicks import Click

__all__ = ["board", "point"]


def point(
    logbook: LogbookPlace,
    camera: Annotated[str | None, typer.Argument(help="The camera's id in the plan.")] = None,
    landmark: Annotated[str | None, typer.Argument(help="Its target, a landmark, or another camera.")] = None,
    by: Annotated[str, typer.Option("--by", help="Who points it out.", callback=typed)] = "",
    at: Annotated[str | None, typer.Option("--at", help="COLUMN,ROW in the picture's pixels.")] = None,
    absent: Annotated[bool, typer.Option("--absent", help="It is not in the picture.")] = False,
    undo: Annotated[bool, typer.Option("--undo", help="Take the latest click on it back.")] = False,
    list_file: Annotated[Path | None, typer.Option("--list", help="CSV: camera, landmark, column_px, row_px.")] = None,
    visit: Visit = None,
    images: Images = None,
    as_json: Json = False,
) -> int:
    """Point out a target or landmark of the plan in a camera's picture; it shows where the camera is panned to."""
    from audit.logbook import Logbook

    clicks = _clicks(camera, landmark, at, absent or undo, list_file)
    book = Logbook.open(logbook, images=images)
    record = book.visit(visit)
    if undo:
        from audit.visit.point import take_point_back

        _tell(take_point_back(book, record, clicks[0].camera, clicks[0].landmark, by), record.number, as_json)
        return DONE
    return _record(book, record, clicks, by, as_json)


def board(
    logbook: LogbookPlace,
    output: Annotated[Path, typer.Option("-o", "--output", help="The PDF to write.")],
    paper: Annotated[str, typer.Option("--paper", help="A4, A3 or A2.")] = "A4",
    carry: Annotated[bool, typer.Option("--carry", help="One board to carry from target to target.")] = False,
    images: Images = None,
) -> int:
    """Print boards for the targets: seen in a snapshot they show pan, pixels per metre and which camera it is."""
    from audit.logbook import Logbook
    from audit.measure.board import MARKER_SIDE_M
    from audit.report.boards import write_boards

    if paper not in MARKER_SIDE_M:
        raise AuditError(f"--paper {paper}: boards are printed on {', '.join(MARKER_SIDE_M)}.")
    pages = write_boards(Logbook.open(logbook, images=images), output, paper, carry)
    say(sentences.boards_sentence(output, pages, paper))
    return DONE


def _clicks(
    camera: str | None, landmark: str | None, at: str | None, without: bool, list_file: Path | None
) -> list[Click]:
    from audit.visit.clicks import Click, pixel_of, read_clicks

    if list_file is not None:
        if camera or landmark or at or without:
            raise AuditError("--list holds cameras, landmarks and positions itself; give nothing of them beside it.")
        return read_clicks(list_file)
    if camera is None or landmark is None or (at is None) != without:
        raise AuditError("point needs CAMERA LANDMARK with --at COLUMN,ROW or --absent, or --list FILE.csv.")
    return [Click(camera, landmark, None if at is None else pixel_of(at, "--at"))]


def _record(book: Logbook, visit: VisitRecord, clicks: list[Click], by: str, as_json: bool) -> int:
    from audit.visit.clicks import record_clicks

    verdicts, refused = record_clicks(book, visit, clicks, by)
    if refused and len(clicks) == 1:
        raise refused[0][1]
    for click, error in refused:
        say(str(error))
        if as_json:
            emit({"camera": click.camera, "landmark": click.landmark, "error": str(error)})
    for verdict in verdicts:
        _tell(verdict, visit.number, as_json)
    return SOME_REFUSED if refused else DONE


def _tell(verdict: Verdict, visit: int, as_json: bool) -> None:
    if as_json:
        emit(sentences.verdict_line(verdict, visit))
    else:
        tell(sentences.pointed_sentence(verdict))
