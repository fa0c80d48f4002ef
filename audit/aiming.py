"""Aiming one camera beside a server, in a process of its own: it asks the camera for its picture about once a second and
says how far it is off the plan.

Spoken as in :mod:`audit.running`: the server writes the job as one line of JSON to the process's standard input and keeps
that pipe; further lines are taps, a wish to keep the picture, or ``stop``. The process, :mod:`audit.visit.aim_loop`,
answers in lines of JSON.
"""

from __future__ import annotations

import base64
import json
import logging
import subprocess
import threading
import time
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, Literal

from audit.children import child_environment, python
from audit.extras import need
from audit.visit.aim import BROKE_OFF, AimJob, AimLine

__all__ = ["AimView", "Aiming"]

log = logging.getLogger(__name__)

#: With nobody looking for this long the camera is left alone.
_NOBODY_S = 20.0


@dataclass(frozen=True, slots=True)
class AimView:
    """What a page shows: the newest answer.

    Attributes
    ----------
    took_s : float
        From asking the camera to the answer.
    best_sharpness : float or None
        The highest so far.
    """

    number: int
    lines: tuple[AimLine, ...]
    target: str
    target_state: str | None
    sharpness: float | None
    best_sharpness: float | None
    still: bool
    width_px: int
    height_px: int
    took_s: float
    jpeg: bytes = field(repr=False)
    landmarks: tuple[str, ...] = ()


@dataclass
class Aiming:
    """One camera being aimed, as its server sees it.

    Attributes
    ----------
    view : AimView or None
        The newest answer, None before the first.
    silent : str or None
        Why the camera gave no picture just now; it is asked again.
    notice : str or None
        What came of the last tap or wish to keep; None before it is known.
    problem, reason : str or None
        Why it ended.
    """

    job: AimJob
    view: AimView | None = None
    silent: str | None = None
    notice: str | None = None
    keeping: bool = False
    problem: str | None = None
    reason: str | None = None
    _process: subprocess.Popen[str] | None = None
    _listener: threading.Thread | None = None
    _looked: float = field(default_factory=time.monotonic)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def start(self) -> None:
        """Begin; it begins once.

        Raises
        ------
        AuditError
            Where what fetches from cameras is not installed.
        """
        need("collect", "Aiming a camera")
        self._process = subprocess.Popen(
            python("-m", "audit.visit.aim_loop"), stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=child_environment(), text=True,
            encoding="utf-8",
        )  # fmt: skip
        self._say(asdict(self.job))
        self._listener = threading.Thread(target=self._listen, name="aiming", daemon=True)
        self._listener.start()

    @property
    def alive(self) -> bool:
        """Whether the camera is still asked."""
        return self._listener is not None and self._listener.is_alive()

    @property
    def password_refused(self) -> bool:
        """Whether it ended because the camera did not take the password."""
        return self.reason == "wrong password"

    @property
    def process_id(self) -> int | None:
        """Process id, None before it began."""
        return None if self._process is None else self._process.pid

    def look(self) -> AimView | None:
        """The newest answer; where nobody looks for a while, the camera is left alone."""
        self._looked = time.monotonic()
        return self.view

    def point(self, number: int, landmark: str, at: tuple[float, float]) -> None:
        """A tap on a thing of the plan in a picture, share of its width and height."""
        self.notice = None
        self._say({"point": landmark, "number": number, "at": list(at)})

    def keep(self, shot: Literal["snapshot", "turned"] = "snapshot") -> None:
        """Keep the picture of now in the visit; ``turned``: as one from while the camera is turned, before it is tightened."""
        self.notice, self.keeping = None, True
        self._say({"keep": shot})

    def stop(self) -> None:
        """Leave the camera alone."""
        self._say({"stop": True})

    def wait(self, timeout_s: float | None = None) -> None:
        """Until it ends, or the time is over."""
        if self._listener is not None:
            self._listener.join(timeout_s)

    def _say(self, line: Mapping[str, object]) -> None:
        process = self._process
        if process is None or process.stdin is None:
            return
        with self._lock:
            try:
                process.stdin.write(f"{json.dumps(line)}\n")
                process.stdin.flush()
            except OSError:
                log.info("the process has ended already")

    def _listen(self) -> None:
        process = self._process
        assert process is not None and process.stdout is not None
        try:
            for line in process.stdout:
                self._hear(json.loads(line))
                if time.monotonic() - self._looked > _NOBODY_S:
                    self.stop()
        except (ValueError, KeyError, TypeError):
            log.exception("the process said something else")
            process.kill()
        if process.wait() and self.problem is None:
            self.problem = BROKE_OFF

    def _hear(self, said: dict[str, Any]) -> None:
        match said:
            case {"problem": problem, "reason": reason}:
                self.problem, self.reason = str(problem), reason
            case {"silent": silent}:
                self.silent = str(silent)
            case {"notice": notice}:
                self.notice, self.keeping = str(notice), False
            case _:
                lines = tuple(AimLine(**line) for line in said.pop("lines"))
                jpeg = base64.b64decode(said.pop("jpeg"))
                landmarks = tuple(said.pop("landmarks"))
                self.view, self.silent = AimView(lines=lines, jpeg=jpeg, landmarks=landmarks, **said), None
