"""The demo site: lays it out, runs its commissioning and one maintenance visit."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from datetime import date
from pathlib import Path

from audit import compute
from audit.errors import AuditError
from audit.judge.limits import load_limits
from audit.logbook import Logbook
from audit.plan.files import read_plan
from audit.visit import Progress, VisitSummary, run_visit, summary_of
from audit.visit.clicks import read_clicks, record_clicks
from audit.visit.seen import read_seen, record_seen

__all__ = ["COMMISSIONED_ON", "MAINTAINED_ON", "lay_out", "run_demo", "sample_folder"]

COMMISSIONED_ON = date(2026, 6, 16)
MAINTAINED_ON = date(2026, 12, 16)
SIGNER = "demo signer"
_PARTS = (
    "plan.csv",
    "plan.targets.csv",
    "plan.landmarks.csv",
    "limits.toml",
    "clicks.commissioning.csv",
    "clicks.maintenance.csv",
    "seen.commissioning.csv",
    "commissioning",
    "maintenance",
)
REVIEWER = "demo reviewer"


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
    limits = load_limits(folder / "limits.toml")
    if Logbook.exists(str(place)):
        book = Logbook.open(str(place))
    else:
        book = Logbook.create(str(place), read_plan(plan), plan.name, plan.read_bytes())
    with book, compute.executor(workers) as work:
        first = _signed(book, "commissioning")
        if first is None:
            first = run_visit(
                book,
                folder / "commissioning",
                "commissioning",
                COMMISSIONED_ON,
                limits=limits,
                executor=work,
                progress=progress,
            )
            first = _pointed_out(book, first, folder)
            book.sign(first.visit, SIGNER, unprotected=True)
        second = _signed(book, "maintenance")
        if second is None:
            second = run_visit(
                book,
                folder / "maintenance",
                "maintenance",
                MAINTAINED_ON,
                limits=limits,
                executor=work,
                progress=progress,
            )
            second = _pointed_out(book, second, folder)
    return first, second


def _pointed_out(book: Logbook, done: VisitSummary, folder: Path) -> VisitSummary:
    """The same visit with what the demo's reviewer pointed out and saw; nothing where it was recorded before."""
    kind = done.visit.kind
    if not book.points(done.visit):
        record_clicks(book, done.visit, read_clicks(folder / f"clicks.{kind}.csv"), REVIEWER)
    if kind == "commissioning" and not book.decisions(done.visit):
        record_seen(book, done.visit, read_seen(folder / "seen.commissioning.csv"), REVIEWER)
    return summary_of(book, done.visit)


def _signed(book: Logbook, kind: str) -> VisitSummary | None:
    """What is kept of a visit that was signed already."""
    done = next((v for v in book.visits() if v.kind == kind and v.signed_at is not None), None)
    return None if done is None else summary_of(book, done)
