"""Desks forked from one process that has loaded everything: a start costs a tenth of a second instead of three of processor time.

What a forked desk does is what ``python -m ui.server`` does from its :func:`ui.server.main` on; how that command itself starts
is tested where the desk is started as a user does (:func:`tests.browser.desk_server.start`).
"""

from __future__ import annotations

import atexit
import json
import os
import select
import signal
import subprocess
import sys
import tempfile
from contextlib import suppress
from dataclasses import asdict
from functools import cache
from pathlib import Path
from typing import IO

from audit.children import python
from audit.desk import Serving, environment

__all__ = ["ForkedDesk", "fork_desk"]


class ForkedDesk:
    """A forked server, to be waited for and ended as a process of one's own."""

    def __init__(self, pid: int, lifeline: IO[bytes]) -> None:
        self.pid = pid
        self._end = os.pidfd_open(pid)
        self._lifeline = lifeline

    def poll(self) -> int | None:
        """0 once it has ended."""
        return 0 if select.select([self._end], [], [], 0)[0] else None

    def wait(self, timeout: float) -> int:
        """Until it has ended."""
        if not select.select([self._end], [], [], timeout)[0]:
            raise subprocess.TimeoutExpired("a forked desk", timeout)
        self._lifeline.close()
        return 0

    def terminate(self) -> None:
        """Ask it to end."""
        with suppress(ProcessLookupError):
            signal.pidfd_send_signal(self._end, signal.SIGTERM)

    def kill(self) -> None:
        """End it."""
        with suppress(ProcessLookupError):
            signal.pidfd_send_signal(self._end, signal.SIGKILL)


def fork_desk(port: int, variables: dict[str, str], place: Path, log: Path) -> ForkedDesk:
    """A desk on a port of this machine, by the variables that the command would give its server."""
    log.parent.mkdir(exist_ok=True)
    loaded = _loaded()
    assert loaded.stdin is not None and loaded.stdout is not None
    with tempfile.TemporaryDirectory() as folder:
        pipe = os.path.join(folder, "lifeline")
        os.mkfifo(pipe)
        said = {"serving": json.dumps(asdict(Serving("127.0.0.1", port))), "variables": variables, "place": str(place),
                "log": str(log), "lifeline": pipe}  # fmt: skip
        loaded.stdin.write(json.dumps(said).encode() + b"\n")
        loaded.stdin.flush()
        lifeline = open(pipe, "wb")  # noqa: SIM115
        return ForkedDesk(int(loaded.stdout.readline()), lifeline)


@cache
def _loaded() -> subprocess.Popen[bytes]:
    """The process that desks are forked from; one for this process, until it ends."""
    process = subprocess.Popen(
        python("-c", f"import sys; sys.path.append({str(Path(__file__).parents[2])!r}); from tests.browser.forked import fork; fork()"),
        env=environment("", None), stdin=subprocess.PIPE, stdout=subprocess.PIPE,
    )  # fmt: skip
    atexit.register(process.kill)
    return process


def fork() -> None:
    """Load what a desk needs, then fork one for each line of standard input, and say its process id."""
    from ui import server

    server.load()
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    for line in sys.stdin.buffer:
        child = os.fork()
        if child == 0:
            _serve(json.loads(line))
        print(child, flush=True)


def _serve(said: dict[str, object]) -> None:
    """Be the server; never returns."""
    from ui import server

    code = 1
    try:
        signal.signal(signal.SIGCHLD, signal.SIG_DFL)
        os.dup2(os.open(str(said["lifeline"]), os.O_RDONLY), 0)
        log = os.open(str(said["log"]), os.O_WRONLY | os.O_APPEND | os.O_CREAT)
        os.dup2(log, 1)
        os.dup2(log, 2)
        sys.stdin, sys.stdout, sys.stderr = open(0), open(1, "w"), open(2, "w")  # noqa: SIM115
        os.environ.clear()
        os.environ.update({str(k): str(v) for k, v in dict(said["variables"]).items()})  # type: ignore[call-overload]
        os.chdir(str(said["place"]))
        server.main([str(said["serving"])])
        code = 0
    finally:
        os._exit(code)
