"""The site's own drawing under its cameras: put there, listed, taken away."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from audit.cli import sentences
from audit.cli.options import DONE, Images, Json, LogbookPlace, Visit, typed
from audit.cli.speak import emit, say, tell
from audit.errors import AuditError

if TYPE_CHECKING:
    from audit.drawings.placing import KnownPoint
    from audit.plan.model import Site

__all__ = ["drawing"]


def drawing(
    logbook: LogbookPlace,
    file: Annotated[Path | None, typer.Argument(help="PNG, JPEG, TIFF, PDF or DXF; without it, the drawings are listed.")] = None,
    by: Annotated[str, typer.Option("--by", help="Who puts it there.", callback=typed)] = "",
    floor: Annotated[str | None, typer.Option("--floor", help="Floor of the plan that it shows.")] = None,
    page: Annotated[int, typer.Option("--page", min=1, help="Page of a PDF.")] = 1,
    grid: Annotated[str, typer.Option("--grid", help="Grid of its coordinates, such as EPSG:25832; 'site': the plan's metres.")] = "",
    known: Annotated[
        list[str] | None,
        typer.Option("--known", help="COLUMN,ROW=PLACE: a pixel, and a camera, a landmark, EAST,NORTH or @LATITUDE,LONGITUDE."),
    ] = None,
    list_file: Annotated[Path | None, typer.Option("--list", help="CSV: column_px, row_px, place.")] = None,
    metres_per_unit: Annotated[float | None, typer.Option("--metres-per-unit", help="Unit of a DXF that doesn't tell it.")] = None,
    remove: Annotated[bool, typer.Option("--remove", help="Take the floor's drawing away.")] = False,
    visit: Visit = None,
    images: Images = None,
    as_json: Json = False,
) -> int:
    """Put the site's own floor plan or aerial picture under its cameras, placed by its coordinates or by known points."""
    from audit.logbook import Logbook

    book = Logbook.open(logbook, images=images)
    record = book.visit(visit) if visit is not None or book.visits() else None
    if file is None and not remove:
        if known or list_file:
            raise AuditError("name the drawing's file: photo-audit drawing LOGBOOK FILE --known …")
        kept = list(book.drawings(record).values())
        if not kept and not as_json:
            say(sentences.NO_DRAWING)
    else:
        from audit.visit.draw import DrawingFile, Opening, draw, floor_of

        site = book.site(record)
        shown = floor_of(site, floor)
        if file is None:
            book.take_drawing_away(record, shown, by)
            say(sentences.drawing_gone_sentence(shown))
            return DONE
        points = _points(site, shown, known or [], list_file)
        how = Opening(shown, page, grid, points, metres_per_unit)
        kept = [draw(book, record, DrawingFile.read(file), how, by)]
    for one in kept:
        if as_json:
            emit(sentences.drawing_line(one))
        else:
            tell(sentences.drawing_sentence(one))
    return DONE


def _points(site: Site, floor: str, known: list[str], list_file: Path | None) -> list[KnownPoint]:
    from audit.visit.clicks import pixel_of
    from audit.visit.draw import known_point, read_points

    found = [] if list_file is None else read_points(list_file, site, floor)
    for text in known:
        at, equals, place = text.partition("=")
        if not equals or not place.strip():
            raise AuditError(f"--known {text}: write COLUMN,ROW=PLACE, such as 412,880=TH-10.")
        found.append(known_point(site, floor, pixel_of(at, "--known"), place.strip()))
    return found
