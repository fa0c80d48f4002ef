"""The demo site: lays it out, runs its commissioning and one maintenance visit."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from datetime import date
from pathlib import Path

from audit import compute
from audit.errors import AuditError
from audit.logbook import Logbook
from audit.plan.files import read_plan
from audit.visit import Progress, VisitSummary, run_visit, summary_of

__all__ = ["COMMISSIONED_ON", "MAINTAINED_ON", "lay_out", "run_demo", "sample_folder"]

COMMISSIONED_ON = date(2026, 6, 16)
MAINTAINED_ON = date(2026, 12, 16)
SIGNER = "demo signer"
_PARTS = ("plan.csv", "plan.targets.csv", "commissioning", "maintenance")


def sample_folder() -> Path:
    """Where the demo's plan and pictures lie in this copy of the project.

    Raises
    ------
    AuditError
        Where the program was installed without them.
    """
    folder = Path(__file__).resolve().parent.parent / "sample_images"
    if not (folder / "plan.csv").is_file():
        raise AuditError(
            "The demo's pictures are not here; run it from a clone of the project, installed with 'pip install -e .'."
        )
    return folder


def lay_out(folder: Path) -> None:
    """Copy the demo's plan and photos into ``folder``; what is there already stays."""
    source = sample_folder()
    folder.mkdir(parents=True, exist_ok=True)
    for part in _PARTS:
        here, there = source / part, folder / part
        if here.is_dir():
            shutil.copytree(here, there, dirs_exist_ok=True)
        elif here.is_file():
            shutil.copyfile(here, there)


def run_demo(
    folder: Path, workers: int, progress: Callable[[Progress], None] = lambda _: None
) -> tuple[VisitSummary, VisitSummary]:
    """Both visits of the demo; the first is signed in between, so that its pictures are the references.

    Running it again goes on where it stopped; a visit that is signed stays as it is.
    """
    lay_out(folder)
    place = folder / "logbook"
    plan = folder / "plan.csv"
    if Logbook.exists(str(place)):
        book = Logbook.open(str(place))
    else:
        book = Logbook.create(str(place), read_plan(plan), plan.name, plan.read_bytes())
    with book, compute.executor(workers) as work:
        first = _signed(book, "commissioning")
        if first is None:
            first = run_visit(
                book, folder / "commissioning", "commissioning", COMMISSIONED_ON, executor=work, progress=progress
            )
            book.sign(first.visit, SIGNER, unprotected=True)
        second = _signed(book, "maintenance") or run_visit(
            book, folder / "maintenance", "maintenance", MAINTAINED_ON, executor=work, progress=progress
        )
    return first, second


def _signed(book: Logbook, kind: str) -> VisitSummary | None:
    """What is kept of a visit that was signed already."""
    done = next((v for v in book.visits() if v.kind == kind and v.signed_at is not None), None)
    return None if done is None else summary_of(book, done)
