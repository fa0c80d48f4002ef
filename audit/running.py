"""A visit that runs in the background of a server, with its progress for whoever looks, and a way to stop it."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass, field

from audit.errors import AuditError
from audit.visit import Progress, VisitSummary

__all__ = ["RunningVisit"]

log = logging.getLogger(__name__)


@dataclass
class RunningVisit:
    """One run of the conductor in a thread of its own.

    Parameters
    ----------
    work : callable
        Takes (progress, stop) and returns the summary; usually :func:`audit.visit.run_visit` with the rest bound.
    """

    work: Callable[[Callable[[Progress], None], Callable[[], bool]], VisitSummary]
    progress: Progress | None = None
    summary: VisitSummary | None = None
    problem: str | None = None
    _stopping: threading.Event = field(default_factory=threading.Event)
    _thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin; a run begins once."""
        self._thread = threading.Thread(target=self._run, name="visit", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Ask it to stop after what is under way."""
        self._stopping.set()

    @property
    def stopping(self) -> bool:
        """Whether somebody asked it to stop."""
        return self._stopping.is_set()

    @property
    def alive(self) -> bool:
        """Whether it is still at work."""
        return self._thread is not None and self._thread.is_alive()

    def wait(self, timeout_s: float | None = None) -> None:
        """Until it ends, or the time is over."""
        if self._thread is not None:
            self._thread.join(timeout_s)

    def _run(self) -> None:
        try:
            self.summary = self.work(self._note, self._stopping.is_set)
        except AuditError as error:
            self.problem = error.message
        except OSError as error:
            self.problem = f"{error.filename or 'the disk'}: {error.strerror or error}; put it right and start again."
        except Exception:
            log.exception("the visit broke off")
            self.problem = "The visit broke off; start it again: it goes on where it was. The server's log says why."

    def _note(self, progress: Progress) -> None:
        self.progress = progress
