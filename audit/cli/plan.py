"""Commands over a plan."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from audit.cli import sentences
from audit.cli.options import COULD_NOT, DEFECT, DONE, Json, PlanFile
from audit.cli.speak import emit, say, tell

__all__ = ["plan_check", "plan_geometry", "plan_import", "plan_parts", "plan_template"]


def plan_check(
    plan: PlanFile,
    fix: Annotated[
        Path | None, typer.Option("--fix", help="Write a new plan there with the guesses taken; never over a file.")
    ] = None,
    as_json: Json = False,
) -> int:
    """Say what in the plan contradicts itself, physics or the mount-chain rules."""
    from audit.plan.check import check_plan
    from audit.plan.files import fix_plan, look_at_plan

    site, problems = look_at_plan(plan) if fix is None else fix_plan(plan, fix)
    found = (*problems, *(check_plan(site) if site is not None else ()))
    for problem in found:
        if as_json:
            emit(asdict(problem))
        else:
            tell(sentences.problem_sentence(problem))
    if site is None:
        say(sentences.unusable_plan_sentence(plan))
        return COULD_NOT
    if fix is not None:
        say(sentences.fixed_plan_sentence(fix))
    if not as_json:
        tell(sentences.plan_sentence(fix or plan, site, len(found)))
    return DEFECT if any(p.severity == "error" for p in found) else DONE


def plan_import(
    drawing: Annotated[Path, typer.Argument(help="A DXF drawing or an IFC model.")],
    out: Annotated[Path, typer.Option("-o", "--out", help="Plan to write: .csv, .xlsx or .geojson.")],
    mapping: Annotated[Path | None, typer.Option("--mapping", help="TOML file: blocks, unit, attributes to columns.")] = None,
    as_json: Json = False,
) -> int:
    """Make a plan from a drawing's camera blocks or a model's cameras."""
    if drawing.suffix.lower() == ".ifc":
        from audit.drawings.ifc import import_ifc

        site, problems = import_ifc(drawing, out, mapping)
    else:
        from audit.plan.imported import import_drawing

        site, problems = import_drawing(drawing, out, mapping)
    for problem in problems:
        if as_json:
            emit(asdict(problem))
        else:
            typer.echo(sentences.problem_sentence(problem))
    if not as_json:
        typer.echo(sentences.plan_sentence(out, site, len(problems)))
    say(sentences.imported_plan_sentence(out))
    return DONE


def plan_template(out: Annotated[Path, typer.Option("-o", "--out", help="File to write: .xlsx, .csv or .geojson.")]) -> int:
    """Write an empty plan to fill in: the columns with notes, lists to choose from, and an example row."""
    from audit.plan.template import write_template

    write_template(out)
    say(sentences.template_sentence(out))
    return DONE


def plan_geometry(plan: PlanFile, as_json: Json = False) -> int:
    """Say what the plan says each image will show."""
    from audit.plan.files import read_plan
    from audit.plan.optics import geometry

    for camera in read_plan(plan).cameras:
        line = asdict(geometry(camera))
        if as_json:
            emit(line)
        else:
            tell(sentences.geometry_sentence(line))
    return DONE


def plan_parts(
    plan: PlanFile,
    spares: Annotated[float, typer.Option("--spares", min=0, max=1, help="Share of spares.")] = 0.1,
    as_json: Json = False,
) -> int:
    """List the mount parts of the whole site, with spares, as CSV."""
    from audit.plan.files import read_plan
    from audit.plan.mounts import parts_csv, parts_list

    lines = parts_list(read_plan(plan), spares)
    if as_json:
        for line in lines:
            emit(asdict(line))
    else:
        tell(parts_csv(lines), ends_line=False)
    return DONE
