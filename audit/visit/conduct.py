"""One visit from a heap of files to findings; :func:`conduct` reads like the diagram in DEVELOPERS.md."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from contextlib import nullcontext
from datetime import date
from pathlib import Path

from audit import compute
from audit.account.shown import with_shots
from audit.errors import AuditError
from audit.judge.limits import Limits
from audit.logbook import Logbook, VisitRecord
from audit.photos.inbox import Inbox
from audit.photos.intake import FoundFile, find_files
from audit.visit.again import judge_placed
from audit.visit.boards import look_for_boards, with_boards
from audit.visit.guided import note_guided
from audit.visit.measure import measure
from audit.visit.place import place, placed_snapshots
from audit.visit.read import read
from audit.visit.reading import read_texts, with_texts
from audit.visit.run import Ask, Report, Run
from audit.visit.shots import look_at_shots
from audit.visit.summary import VisitSummary, summary_of

__all__ = ["KINDS", "conduct", "judge_again", "measure_anew", "run_visit"]

KINDS = ("commissioning", "maintenance")


def run_visit(
    logbook: Logbook,
    photos: Path,
    kind: str,
    on: date,
    *,
    workers: int = 0,
    cluster: str | None = None,
    executor: Executor | None = None,
    limits: Limits | None = None,
    at_least: float = 0.97,
    progress: Report = lambda _: None,
    stop: Ask = lambda: False,
) -> VisitSummary:
    """The main job: photos of one visit to findings in the logbook.

    Safe to stop at any moment and to run again: photos that were read or measured are not read or measured again.

    Parameters
    ----------
    photos : Path
        Folder, searched whole, or a ZIP of photos. Photos of the guide lie where their list says.
    kind : str
        ``commissioning`` or ``maintenance``.
    on : date
        Day of the visit; the same kind and day go on with that visit.
    limits : Limits or None
        What is asked of the cameras, kept with the visit; None goes on with the limits that it has.
    workers, cluster
        Where work runs, see :func:`audit.compute.executor`.
    executor : Executor or None
        Where work runs, started before and left running; None starts one by ``workers`` and ``cluster``.
    progress, stop
        ``progress`` is called after each finished item; ``stop`` returning True ends the visit with
        :class:`audit.visit.Stopped`.

    Raises
    ------
    AuditError
        Where the folder can't be read, the logbook is busy, or the visit is signed already.
    """
    if kind not in KINDS:
        raise AuditError(f"A visit is one of {' or '.join(KINDS)}, not '{kind}'.")
    if photos.is_file() and photos.suffix.lower() == ".zip":
        photos = _unpacked(logbook, photos, kind, on)
    if not photos.is_dir():
        raise AuditError(f"{photos}: no such folder of photos; name the folder that holds them.")
    files = tuple(find_files(photos))
    if not files:
        raise AuditError(f"{photos}: holds no files; copy the crew's photos there first.")
    visit = logbook.open_visit("commissioning" if kind == "commissioning" else "maintenance", on)
    note_guided(logbook, visit, photos)
    there = compute.executor(workers, cluster) if executor is None else nullcontext(executor)
    with logbook.writing(visit), there as work:
        if limits is not None:
            logbook.put_limits(visit, limits)
        run = Run(logbook, visit, logbook.site(), logbook.limits(visit), work, progress, stop)
        return conduct(run, files, at_least)


def _unpacked(logbook: Logbook, archive: Path, kind: str, on: date) -> Path:
    """A ZIP of photos, as the guide on a phone makes one, in the visit's own folder of what was handed in."""
    inbox = Inbox.of(logbook.address, kind, on)
    with archive.open("rb") as stream:
        inbox.put(archive.name, stream)
    return inbox.folder


def judge_again(
    logbook: Logbook,
    visit: VisitRecord,
    *,
    at_least: float = 0.97,
    progress: Report = lambda _: None,
) -> VisitSummary:
    """Place, measure what is newly placed, and judge again by the visit's own limits, after a person answered where
    photos belong."""
    with logbook.writing(visit), compute.executor(0) as executor:
        return conduct(Run(logbook, visit, logbook.site(), logbook.limits(visit), executor, progress), (), at_least)


def conduct(run: Run, files: Sequence[FoundFile], at_least: float) -> VisitSummary:
    """Photos -> intake -> metadata -> match -> measure -> judge -> logbook.

    Parameters
    ----------
    files : sequence of FoundFile
        What was found; none where everything is in the logbook already.
    at_least : float
        Probability from which a photo is placed.
    """
    if files:
        read(run, files)
    photos = {photo.name: photo for photo in run.logbook.photos(run.visit)}
    look_at_shots(run, photos)
    photos = with_shots(run.logbook, run.visit, with_texts(run, with_boards(run, photos)))
    placements = place(run, tuple(photos.values()), at_least)
    look_for_boards(run, photos, placements)
    known, photos = photos, with_boards(run, photos)
    read_texts(run, photos, placements)
    photos = with_texts(run, photos)
    if photos != known:
        place(run, tuple(photos.values()), at_least)
    judge_placed(run)
    return summary_of(run.logbook, run.visit)


def measure_anew(
    logbook: Logbook,
    visit: VisitRecord,
    *,
    workers: int = 0,
    cluster: str | None = None,
    progress: Report = lambda _: None,
    stop: Ask = lambda: False,
) -> None:
    """Measure a visit's placed snapshots by this program's version, signed or not; nothing else of it changes."""
    photos = {photo.name: photo for photo in logbook.photos(visit)}
    placed = placed_snapshots(logbook.placements(visit))
    with compute.executor(workers, cluster) as executor:
        measure(Run(logbook, visit, logbook.site(visit), logbook.limits(visit), executor, progress, stop), photos, placed)
