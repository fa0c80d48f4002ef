"""What every step of a visit is given, and how a step does its jobs."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable
from concurrent.futures import Executor
from dataclasses import dataclass, field
from typing import Any, Generic, Protocol, TypeVar

from audit import compute
from audit.errors import AuditError
from audit.judge.limits import Limits, planned_lens
from audit.lens import Lens
from audit.logbook import Logbook, VisitRecord
from audit.plan.model import Site
from audit.visit.opened import OpenedPictures

__all__ = ["Ask", "Named", "Progress", "Report", "Run", "Stopped", "Task", "do_each", "first_line"]

log = logging.getLogger(__name__)

Report = Callable[["Progress"], None]
Ask = Callable[[], bool]


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a visit is.

    Attributes
    ----------
    step : str
        ``read``, ``place``, ``text``, ``measure``, ``compare`` or ``judge``.
    done, total : int
    name : str
        What was just finished.
    """

    step: str
    done: int
    total: int
    name: str = ""


class Stopped(AuditError):
    """Somebody asked the visit to stop; it goes on when it is run again."""


@dataclass(frozen=True, slots=True)
class Run:
    """One run of the conductor over one visit.

    Attributes
    ----------
    logbook, visit, site, limits
        What is written, which visit of it, what was planned, and what is asked of the cameras.
    executor : Executor
        Where work runs.
    progress : callable
        Called after each finished item.
    stop : callable
        True ends the visit with :class:`Stopped`.
    opened : OpenedPictures
        Pictures that were read in this run, where the work runs in this process.
    """

    logbook: Logbook
    visit: VisitRecord
    site: Site
    limits: Limits
    executor: Executor
    progress: Report = lambda _: None
    stop: Ask = lambda: False
    opened: OpenedPictures = field(default_factory=OpenedPictures)

    def lens(self, camera: str) -> Lens:
        """The planned lens of a camera of the plan."""
        return planned_lens(self.site.camera(camera), self.limits)

    def stop_if_asked(self) -> None:
        """End here where somebody asked for it."""
        if self.stop():
            raise Stopped("The visit was stopped; run it again to go on where it was.")


class Named(Protocol):
    """A job that says what it is about."""

    @property
    def name(self) -> str:
        """The photo's name or the camera's id."""
        ...


Job = TypeVar("Job", bound=Named)


@dataclass(frozen=True, slots=True)
class Task(Generic[Job]):
    """What a step does with each of its jobs.

    Attributes
    ----------
    step : str
        As :class:`Progress` tells it.
    do : callable
        Runs in a worker: a job to a record.
    keep : callable
        Runs here: keeps the record.
    failed : str
        What the log says of a job that fails.
    """

    step: str
    do: Callable[[Job], dict[str, Any]]
    keep: Callable[[Job, dict[str, Any]], None]
    failed: str


def do_each(run: Run, task: Task[Job], jobs: Iterable[Job], total: int) -> None:
    """Do every job and keep each result as it comes; one that fails is logged and the rest goes on."""
    for done, outcome in enumerate(compute.each(run.executor, task.do, jobs, stop=run.stop), 1):
        job = outcome.item
        if outcome.value is not None:
            task.keep(job, outcome.value)
        else:
            log.warning("%s: %s (%s)", job.name, task.failed, first_line(outcome.error))
        run.progress(Progress(task.step, done, total, job.name))
    run.stop_if_asked()


def first_line(error: Exception | None) -> str:
    """What an error says first, or its kind."""
    return next(iter(str(error).splitlines()), type(error).__name__)
