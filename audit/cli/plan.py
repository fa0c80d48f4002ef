"""Commands over a plan."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

import typer

from audit.cli import sentences
from audit.cli.options import COULD_NOT, DONE, Json, PlanFile
from audit.cli.speak import emit, say

__all__ = ["plan_check", "plan_geometry", "plan_parts"]


def plan_check(plan: PlanFile, as_json: Json = False) -> int:
    """Say what in the plan contradicts itself, physics or the mount-chain rules."""
    from audit.plan.check import check_plan
    from audit.plan.files import read_plan_problems

    site, problems = read_plan_problems(plan)
    found = (*problems, *(check_plan(site) if site is not None else ()))
    for problem in found:
        if as_json:
            emit(asdict(problem))
        else:
            typer.echo(f"{problem.severity}: {problem.sentence()}")
    if site is None:
        say(f"{plan.name}: can't be used as it stands; correct the errors above.")
        return COULD_NOT
    if not as_json and not found:
        typer.echo(f"{plan.name}: {len(site.cameras)} camera{'s' if len(site.cameras) != 1 else ''}, nothing found.")
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
            typer.echo(sentences.geometry_sentence(line))
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
        typer.echo(parts_csv(lines), nl=False)
    return DONE
