"""A visit that runs beside a server, in a process of its own: it loads no page, shows how far it is, can be stopped, and
ends with its server.

The server writes the job as one line of JSON to the process's standard input and keeps that pipe: the word ``stop`` on
it asks the visit to stop, its end says that the server is gone. The process answers with lines of JSON on its standard
output: progress while it works, then what the visit brought, or a sentence why it broke off. So an address with a
password stands in no command line, and nothing that either side says is ever run.
"""

from __future__ import annotations

import json
import logging
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import date
from pathlib import Path
from typing import IO

from audit.children import child_environment, python
from audit.compute import usable_cores
from audit.errors import AuditError
from audit.logbook import Logbook
from audit.photos.inbox import Inbox
from audit.photos.intake import find_files
from audit.visit import Progress, run_visit

__all__ = ["Brought", "Job", "RunningVisit", "main"]

log = logging.getLogger(__name__)

_WORKERS = 2
#: A worker loads for about four seconds, in which eight pictures are measured (on the demo's pictures).
_PHOTOS_A_WORKER = 8
_TELL_SECONDS = 0.25
#: How long a visit whose server is gone may take to finish what is under way.
_GRACE_SECONDS = 10.0
_STOP = "stop"
_BROKE_OFF = "The visit broke off; start it again: it goes on where it was. The server's log says why."


@dataclass(frozen=True, slots=True)
class Job:
    """What to run: the visit of a kind and day over a folder of photos.

    Attributes
    ----------
    logbook, images
        Address of the logbook, and of its image store where it lies elsewhere.
    folder : str
    kind : str
    on : str
        ISO 8601 day.
    """

    logbook: str
    images: str | None
    folder: str
    kind: str
    on: str


@dataclass(frozen=True, slots=True)
class Brought:
    """What a finished visit brought: its number, and how many photos it read and refused."""

    visit: int
    photos: int
    refused: int


@dataclass
class RunningVisit:
    """One run of the conductor in a process of its own, as its server sees it."""

    job: Job
    progress: Progress | None = None
    brought: Brought | None = None
    problem: str | None = None
    stopping: bool = False
    _step_began: float = field(default_factory=time.monotonic)
    _process: subprocess.Popen[str] | None = None
    _listener: threading.Thread | None = None
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def start(self) -> None:
        """Begin; a run begins once."""
        self._process = subprocess.Popen(
            python("-m", "audit.running"),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=child_environment(),
            text=True,
            encoding="utf-8",
        )
        self._say(json.dumps(asdict(self.job)))
        self._listener = threading.Thread(target=self._listen, name="visit", daemon=True)
        self._listener.start()

    def stop(self) -> None:
        """Ask it to stop after what is under way."""
        self.stopping = True
        self._say(_STOP)

    @property
    def alive(self) -> bool:
        """Whether it is still at work."""
        return self._listener is not None and self._listener.is_alive()

    @property
    def step_seconds(self) -> int:
        """How long the present step has been at work: this moves also while one item takes long."""
        return int(time.monotonic() - self._step_began)

    @property
    def process_id(self) -> int | None:
        """Process id of the run, None before it began."""
        return None if self._process is None else self._process.pid

    def wait(self, timeout_s: float | None = None) -> None:
        """Until it ends, or the time is over."""
        if self._listener is not None:
            self._listener.join(timeout_s)

    def _say(self, line: str) -> None:
        with self._lock:
            if self._process is None or self._process.stdin is None:
                return
            try:
                self._process.stdin.write(f"{line}\n")
                self._process.stdin.flush()
            except OSError:
                log.info("the visit's process has ended already")

    def _listen(self) -> None:
        process = self._process
        assert process is not None and process.stdout is not None and process.stdin is not None
        for line in process.stdout:
            self._hear(json.loads(line))
        code = process.wait()
        with self._lock:
            process.stdin.close()
        process.stdout.close()
        if self.brought is None and self.problem is None:
            log.error("the visit's process ended with %s and said nothing", code)
            self.problem = _BROKE_OFF

    def _hear(self, said: Mapping[str, object]) -> None:
        match said:
            case {"step": str(step), "done": int(done), "total": int(total), "name": str(name)}:
                if self.progress is None or self.progress.step != step:
                    self._step_began = time.monotonic()
                self.progress = Progress(step, done, total, name)
            case {"visit": int(visit), "photos": int(photos), "refused": int(refused)}:
                self.brought = Brought(visit, photos, refused)
            case {"problem": str(problem)}:
                self.problem = problem


class _Teller:
    """Says how far the visit is, a few times a second at most, and the last of it in any case."""

    def __init__(self, out: IO[str]) -> None:
        self._out = out
        self._lock = threading.Lock()
        self._latest: Progress | None = None
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._tell, name="teller", daemon=True)
        self._thread.start()

    def note(self, progress: Progress) -> None:
        """The newest progress, told soon."""
        self._latest = progress

    def end(self, last: Mapping[str, object]) -> None:
        """The last line."""
        self._ended.set()
        self._thread.join()
        self._write(last)

    def _tell(self) -> None:
        told = None
        while not self._ended.wait(_TELL_SECONDS):
            latest = self._latest
            if latest is not None and latest is not told:
                self._write(asdict(latest))
                told = latest

    def _write(self, said: Mapping[str, object]) -> None:
        try:
            print(json.dumps(said), file=self._out, flush=True)
        except OSError:
            log.info("nobody listens to the visit any more")


def _listen_for_stop(source: IO[str], stop: threading.Event) -> None:
    """Stop on the word, or when the server is gone; then within the time that is left to it."""
    for line in source:
        if line.strip() == _STOP:
            stop.set()
    stop.set()
    timer = threading.Timer(_GRACE_SECONDS, os._exit, (1,))
    timer.daemon = True
    timer.start()


def _workers(photos: Path) -> int:
    """As many as the photos are worth: each takes seconds to start, in which this process reads a handful by itself."""
    if photos.is_file():
        return min(_WORKERS, usable_cores())
    try:
        files = sum(1 for _ in find_files(photos))
    except AuditError:
        return 0
    return min(_WORKERS, usable_cores(), files // _PHOTOS_A_WORKER)


def _run(job: Job, teller: _Teller, stop: threading.Event) -> Brought:
    on = date.fromisoformat(job.on)
    with Logbook.open(job.logbook, images=job.images) as book:
        inbox = Inbox.of(book.address, job.kind, on)
        inbox.begin(Path(job.folder))
        try:
            summary = run_visit(
                book, Path(job.folder), job.kind, on, workers=_workers(Path(job.folder)), progress=teller.note, stop=stop.is_set
            )
        except AuditError:
            if not any((v.kind, v.on) == (job.kind, on) for v in book.visits()):
                inbox.finish()
            raise
        if not stop.is_set():
            inbox.finish()
        return Brought(summary.visit.number, summary.photos, len(summary.refused))


def _answer(job: Job, teller: _Teller, stop: threading.Event) -> dict[str, object]:
    try:
        return asdict(_run(job, teller, stop))
    except AuditError as error:
        return {"problem": error.message}
    except OSError as error:
        return {"problem": f"{error.filename or 'the disk'}: {error.strerror or error}; put it right and start again."}
    except Exception:
        log.exception("the visit broke off")
        return {"problem": _BROKE_OFF}


def main() -> None:
    """What the process runs: one job from standard input, and its answers."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # an interrupt from the terminal is the server's to answer
    logging.basicConfig(level=logging.WARNING, format="%(message)s", stream=sys.stderr)
    job = Job(**json.loads(sys.stdin.readline()))
    stop = threading.Event()
    threading.Thread(target=_listen_for_stop, args=(sys.stdin, stop), name="stop", daemon=True).start()
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)  # what a library prints must not be taken for an answer
    teller = _Teller(answers)
    teller.end(_answer(job, teller, stop))


if __name__ == "__main__":
    main()
