"""The process that aims one camera: it asks for its picture about once a second and answers how far it is off the plan.

The camera is only read. Nothing is stored unless it is asked for: then the picture of now goes into the visit.
"""

from __future__ import annotations

import base64
import json
import logging
import os
import queue
import sys
import threading
import time
from collections.abc import Mapping
from dataclasses import asdict
from datetime import UTC, date, datetime
from pathlib import Path
from typing import IO, Any

from audit.collect.addresses import addresses
from audit.collect.conduct import Round, folder_of, kept
from audit.collect.credentials import keys_from
from audit.collect.fetch import Fetched
from audit.collect.journal import Entry, Journal
from audit.collect.pins import Pins, default_pins
from audit.collect.refusal import NoPicture
from audit.collect.watch import FINAL, Watch
from audit.errors import AuditError
from audit.logbook import Logbook
from audit.measure.image import MEASURE_SIDE_PX
from audit.photos.inbox import Inbox
from audit.photos.intake import open_photo
from audit.visit.aim import BROKE_OFF, AimJob, aimer_of
from audit.visit.fetched import visit_collected

__all__ = ["main"]

log = logging.getLogger(__name__)

#: A picture a second is soon enough for a hand on the joint, and little work for the camera (our default).
_EVERY_S = 1.0
#: A camera that gives none is asked again after so long.
_AGAIN_S = 2.0
_TIMEOUT_S = 5.0


class _Loop:
    """The process's side: fetch, measure, answer, until told to stop."""

    def __init__(self, job: AimJob, book: Logbook, commands: queue.Queue[dict[str, Any]], out: IO[str]) -> None:
        found, wrong = addresses(book.site(), None if job.cameras is None else Path(job.cameras))
        if job.camera not in found:
            text = wrong.get(job.camera, f"{job.camera}: has no address; fill the plan's column address, or name a CSV.")
            raise NoPicture("no address", text)
        self._job, self._book, self._commands, self._out = job, book, commands, out
        self._address = found[job.camera]
        self._pins = Pins(default_pins())
        self._keys = keys_from(None if job.credentials is None else Path(job.credentials))
        self._aimer = aimer_of(book, job.camera)
        self._watch = Watch(self._address, self._keys(self._address), self._pins, _TIMEOUT_S)
        self._last: Fetched | None = None
        self._best: float | None = None

    def run(self) -> None:
        """Until it is told to stop, or the camera must not be asked again."""
        wait_s = 0.0
        while self._obey(wait_s):
            began = time.monotonic()
            try:
                self._one(began)
                self._aimer.settle()
                wait_s = max(0.0, _EVERY_S - (time.monotonic() - began))
            except NoPicture as refusal:
                if refusal.reason in FINAL:
                    raise
                self._tell({"silent": refusal.message})
                wait_s = _AGAIN_S
            except AuditError as error:
                self._tell({"silent": error.message})
                wait_s = _AGAIN_S
        self._watch.close()

    def _one(self, began: float) -> None:
        fetched = self._watch.picture()
        opened = open_photo(fetched.picture, self._job.camera, max_side_px=MEASURE_SIDE_PX, guarded=True)
        seen = self._aimer.look(opened.pixels, (opened.photo.width_px, opened.photo.height_px))
        self._last = fetched
        if seen.sharpness is not None:
            self._best = max(seen.sharpness, self._best or 0.0)
        said = asdict(seen) | {"jpeg": base64.b64encode(seen.jpeg).decode("ascii"), "best_sharpness": self._best}
        self._tell(said | {"landmarks": self._aimer.landmarks, "took_s": time.monotonic() - began})

    def _obey(self, wait_s: float) -> bool:
        """Do what was asked for until it is time for the next picture; False to stop."""
        until = time.monotonic() + wait_s
        while True:
            try:
                asked = self._commands.get(timeout=max(0.0, until - time.monotonic()))
            except queue.Empty:
                return True
            if "stop" in asked:
                return False
            try:
                self._tell({"notice": self._done(asked)})
            except AuditError as error:
                self._tell({"notice": error.message})

    def _done(self, asked: Mapping[str, Any]) -> str:
        if "keep" in asked:
            return self._kept(str(asked["keep"]))
        at = float(asked["at"][0]), float(asked["at"][1])
        self._aimer.point(int(asked["number"]), str(asked["point"]), at)
        return f"'{asked['point']}' is taken from there; nothing was stored."

    def _kept(self, shot: str) -> str:
        """The picture of now into the visit, as its snapshot or as one from while it is turned; the visit is judged again with it."""
        if self._last is None:
            return "There is no picture to keep yet."
        job, day = self._job, date.fromisoformat(self._job.on)
        folder = folder_of(Inbox.of(self._book.address, job.kind, day).folder, job.kind, job.on)
        this = Round(Journal(folder), self._keys, self._pins, "day")
        try:
            folder.mkdir(parents=True, exist_ok=True)
            entry = kept(this, Entry(job.camera, datetime.now(UTC), "day", shot=shot), self._last)
            this.journal.add(entry)
        except OSError as error:
            raise AuditError(f"{job.camera}: could not be kept ({error.strerror}).") from error
        visit = self._book.open_visit("commissioning" if job.kind == "commissioning" else "maintenance", day)
        visit_collected(self._book, folder, visit, [entry])
        if shot == "turned":
            count = this.journal.turned()[job.camera]
            return f"Kept as {entry.file} in visit {visit.number}, number {count} from while it is turned; two are enough."
        return f"Kept as {entry.file} in visit {visit.number}."

    def _tell(self, said: Mapping[str, object]) -> None:
        print(json.dumps(said), file=self._out, flush=True)


def _listen(source: IO[str], commands: queue.Queue[dict[str, Any]]) -> None:
    """What the server asks for; its end ends this process."""
    for line in source:
        commands.put(json.loads(line))
    os._exit(0)


def main() -> None:
    """What the process runs: one job from standard input, and its answers."""
    logging.basicConfig(level=logging.WARNING, format="%(message)s", stream=sys.stderr)
    job = AimJob(**json.loads(sys.stdin.readline()))
    commands: queue.Queue[dict[str, Any]] = queue.Queue()
    threading.Thread(target=_listen, args=(sys.stdin, commands), name="commands", daemon=True).start()
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)  # what a library prints must not be taken for an answer
    ended: dict[str, object] | None = None
    try:
        with Logbook.open(job.logbook, images=job.images) as book:
            _Loop(job, book, commands, answers).run()
    except NoPicture as refusal:
        ended = {"problem": refusal.message, "reason": refusal.reason}
    except AuditError as error:
        ended = {"problem": error.message, "reason": None}
    except OSError as error:
        ended = {"problem": f"{error.filename or 'the disk'}: {error.strerror or error}; correct that and start again.", "reason": None}
    except Exception:
        log.exception("aiming broke off")
        ended = {"problem": BROKE_OFF, "reason": None}
    if ended is not None:
        print(json.dumps(ended), file=answers, flush=True)
    answers.flush()
    os._exit(0)  # the reader of standard input holds it


if __name__ == "__main__":
    main()
