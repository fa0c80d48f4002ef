"""Commands over single images, pairs and folders, without a logbook."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from audit.cli import sentences
from audit.cli.options import DONE, SOME_REFUSED, Json, PlanFile, Workers, made_folder
from audit.cli.speak import emit, progress_bar, tell

__all__ = ["compare", "match", "measure"]


def measure(
    images: Annotated[list[str] | None, typer.Argument(metavar="IMAGE...", help="Picture files.")] = None,
    list_file: Annotated[Path | None, typer.Option("--list", help="CSV: file, hfov_deg, projection, k1, k2.")] = None,
    hfov: Annotated[float | None, typer.Option("--hfov", help="Full horizontal angle of view, degrees.")] = None,
    projection: Annotated[str | None, typer.Option("--projection", help="rectilinear or equidistant.")] = None,
    masks: Annotated[Path | None, typer.Option("--masks", help="Folder for the sky masks.")] = None,
    workers: Workers = 0,
    as_json: Json = False,
) -> int:
    """Measure single images: roll, pitch, sky, dirt, each with its uncertainty."""
    from audit.cli import pictures

    jobs = pictures.measure_jobs(images or [], list_file, hfov, projection)
    if masks is not None:
        made_folder(masks)
    refused = 0
    with progress_bar() as report:
        for done, line in enumerate(pictures.measure_files(jobs, masks, workers), 1):
            refused += line["error"] is not None
            if as_json:
                emit(line)
            else:
                tell(sentences.measure_sentence(line))
            report("measure", done, len(jobs))
    return SOME_REFUSED if refused else DONE


def compare(
    reference: Annotated[str | None, typer.Argument(help="The signed picture.")] = None,
    today: Annotated[str | None, typer.Argument(help="Today's picture of the same camera.")] = None,
    list_file: Annotated[
        Path | None, typer.Option("--list", help="CSV: reference, today, hfov_deg, projection.")
    ] = None,
    hfov: Annotated[float | None, typer.Option("--hfov", help="Full horizontal angle of view, degrees.")] = None,
    projection: Annotated[str | None, typer.Option("--projection", help="rectilinear or equidistant.")] = None,
    workers: Workers = 0,
    as_json: Json = False,
) -> int:
    """Compare today's image with the reference of the same camera."""
    from audit.cli import pictures

    jobs = pictures.compare_jobs(reference, today, list_file, hfov, projection)
    refused = 0
    with progress_bar() as report:
        for done, line in enumerate(pictures.compare_files(jobs, workers), 1):
            refused += line["error"] is not None
            if as_json:
                emit(line)
            else:
                tell(sentences.compare_sentence(line))
            report("compare", done, len(jobs))
    return SOME_REFUSED if refused else DONE


def match(
    plan: PlanFile,
    photos: Annotated[Path, typer.Argument(help="Folder of photos, or a CSV of their metadata.")],
    answers: Annotated[Path | None, typer.Option("--answers", help="CSV: photo, camera (empty = no camera).")] = None,
    at_least: Annotated[float, typer.Option("--at-least", min=0.5, max=1.0, help="Decide from here.")] = 0.97,
    as_json: Json = False,
) -> int:
    """Put photos to planned cameras, and say how sure that is."""
    from audit.cli import matching

    refused = 0
    with progress_bar() as report:
        lines = matching.match_files(plan, photos, answers, at_least, report)
    for line in lines:
        refused += line["error"] is not None
        if as_json:
            emit(line)
        else:
            tell(sentences.match_sentence(line))
    return SOME_REFUSED if refused else DONE
