"""Run the reading of untrusted bytes in a process of its own, with limits on memory and time.

One worker a process is kept and used again, so that a photo costs a few milliseconds more, not a start. What comes
back is JSON and raw bytes, never pickled objects: a worker that a hostile file has taken over can only lie about that
file. A worker that dies or hangs is replaced, and the file that did it is named by the caller.
"""

from __future__ import annotations

import atexit
import importlib
import io
import json
import math
import os
import signal
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Mapping
from pathlib import Path
from typing import IO, cast

from audit.children import child_environment, python

__all__ = ["Guard", "GuardFailure", "guard_of_this_process", "serve"]

MEMORY_LIMIT_BYTES = 1 << 30
"""Address space a worker may take above what it needs to stand ready."""
TIME_LIMIT_S = 10.0
"""Processor time a call may take."""
WALL_LIMIT_S = 30.0
"""Time by the clock: only met by what waits, or where many programs share the machine."""
_START_ALLOWANCE_S = 30.0
_LENGTHS = struct.Struct("<QQ")
_OUT_OF_TIME = -getattr(signal, "SIGXCPU", 24)


class GuardFailure(Exception):
    """The worker gave no answer; ``kind`` is ``timeout``, ``memory`` or ``died``."""

    def __init__(self, kind: str) -> None:
        super().__init__(kind)
        self.kind = kind


class Guard:
    """A limited worker process that answers one call at a time; safe to share between threads.

    Parameters
    ----------
    memory_limit_bytes : int
        Address space above what the idle worker has (no limit where the system offers none).
    time_limit_s : float
        Processor time a call may take, in whole seconds upwards (no limit where the system offers none).
    wall_limit_s : float
        Time by the clock a call may take. The worker is killed after either.
    """

    def __init__(
        self,
        memory_limit_bytes: int = MEMORY_LIMIT_BYTES,
        time_limit_s: float = TIME_LIMIT_S,
        wall_limit_s: float = WALL_LIMIT_S,
    ) -> None:
        self.memory_limit_bytes = memory_limit_bytes
        self.time_limit_s = time_limit_s
        self.wall_limit_s = wall_limit_s
        self._lock = threading.Lock()
        self._worker: subprocess.Popen[bytes] | None = None
        self._fresh = True

    def call(self, task: str, blob: bytes, options: Mapping[str, object]) -> tuple[dict[str, object], bytearray]:
        """Run ``task`` (``module:function``, taking bytes and options, giving a JSON-able dict and bytes).

        Raises
        ------
        GuardFailure
            No answer within the limits. The next call gets a new worker.
        """
        with self._lock:
            worker = self._ready_worker()
            assert worker.stdin is not None and worker.stdout is not None
            limit = self.wall_limit_s + (_START_ALLOWANCE_S if self._fresh else 0.0)
            late = threading.Event()

            def stop() -> None:
                late.set()
                worker.kill()

            timer = threading.Timer(limit, stop)
            timer.daemon = True
            timer.start()
            try:
                if self._fresh:
                    _receive(worker.stdout)
                    self._fresh = False
                    timer.cancel()
                    timer = threading.Timer(self.wall_limit_s, stop)
                    timer.daemon = True
                    timer.start()
                _send(worker.stdin, {"task": task, "options": dict(options)}, blob)
                answer, body = _receive(worker.stdout)
            except (OSError, EOFError, ValueError) as error:
                out_of_time = self._discard() == _OUT_OF_TIME
                raise GuardFailure("timeout" if out_of_time or late.is_set() else "died") from error
            finally:
                timer.cancel()
            failure = answer.get("failure")
            if failure is not None:
                self._discard()
                raise GuardFailure("memory" if failure == "memory" else "died")
            result = answer.get("result")
            if not isinstance(result, dict):
                self._discard()
                raise GuardFailure("died")
            return result, body

    def close(self) -> None:
        """End the worker; a later call starts a new one."""
        with self._lock:
            self._discard()

    @property
    def worker_id(self) -> int | None:
        """Process id of the worker that stands ready, None where none does."""
        return self._worker.pid if self._worker is not None and self._worker.poll() is None else None

    def _ready_worker(self) -> subprocess.Popen[bytes]:
        if self._worker is None or self._worker.poll() is not None:
            self._discard()
            environment = child_environment(
                {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MALLOC_ARENA_MAX": "1"}
            )
            self._worker = subprocess.Popen(
                python(
                    "-c",
                    f"from audit.photos.guard import serve; serve({self.memory_limit_bytes}, {self.time_limit_s})",
                ),
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env=environment,
                start_new_session=True,
            )
            self._fresh = True
            _widen(self._worker)
        return self._worker

    def _discard(self) -> int | None:
        """End the worker; the code it ended with."""
        worker, self._worker = self._worker, None
        if worker is None:
            return None
        try:
            worker.wait(0.05)
        except subprocess.TimeoutExpired:
            worker.kill()
        code = worker.wait()
        for stream in (worker.stdin, worker.stdout):
            if stream is not None:
                try:
                    stream.close()
                except OSError:
                    continue
        return code


_guards: dict[int, Guard] = {}
_guards_lock = threading.Lock()


def guard_of_this_process() -> Guard:
    """The guard that this process shares; a forked child gets its own."""
    with _guards_lock:
        here = os.getpid()
        if here not in _guards:
            _guards.clear()
            _guards[here] = Guard()
            atexit.register(_guards[here].close)
        return _guards[here]


def serve(memory_limit_bytes: int = MEMORY_LIMIT_BYTES, time_limit_s: float = TIME_LIMIT_S) -> None:
    """What the worker runs: answer calls from standard input until it ends."""
    source, sink = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    import cv2

    cv2.setNumThreads(1)
    importlib.import_module("audit.photos.intake")
    _one_thread_for_heif()
    _limit(memory_limit_bytes)
    _send(sink, {"result": {"ready": True}}, b"")
    while True:
        try:
            request, blob = _receive(source)
        except EOFError:
            return
        _allow_processor_time(time_limit_s)
        module, _, function = str(request["task"]).partition(":")
        try:
            result, body = getattr(importlib.import_module(module), function)(bytes(blob), request["options"])
            answer: dict[str, object] = {"result": result}
        except MemoryError:
            answer, body = {"failure": "memory"}, b""
        except Exception as error:  # the answer must come, whatever a hostile file made the reader do
            answer, body = {"failure": type(error).__name__}, b""
        del blob
        _send(sink, answer, body)


def _one_thread_for_heif() -> None:
    try:
        import pillow_heif
    except ImportError:
        return
    pillow_heif.options.DECODE_THREADS = 1


def _widen(worker: subprocess.Popen[bytes]) -> None:
    """Larger pipes where the system allows it (Linux): a picture passes in fewer turns."""
    if sys.platform != "linux":
        return
    import fcntl

    for stream in (worker.stdin, worker.stdout):
        if stream is None:
            continue
        try:
            fcntl.fcntl(stream, fcntl.F_SETPIPE_SZ, 1 << 20)
        except OSError:
            return


def _limit(memory_limit_bytes: int) -> None:
    try:
        import resource
    except ImportError:
        return
    limit = _address_space_bytes() + memory_limit_bytes
    for kind, value in ((resource.RLIMIT_AS, limit), (resource.RLIMIT_CORE, 0), (resource.RLIMIT_FSIZE, 0)):
        try:
            resource.setrlimit(kind, (value, value))
        except (ValueError, OSError):
            continue


def _allow_processor_time(seconds: float) -> None:
    try:
        import resource
    except ImportError:
        return
    hard = resource.getrlimit(resource.RLIMIT_CPU)[1]
    resource.setrlimit(resource.RLIMIT_CPU, (math.ceil(time.process_time() + seconds), hard))


def _address_space_bytes() -> int:
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
    except (OSError, ValueError):
        return 2 << 30
    return pages * os.sysconf("SC_PAGE_SIZE")


def _send(stream: IO[bytes], head: Mapping[str, object], body: bytes | bytearray | memoryview) -> None:
    text = json.dumps(head).encode()
    write = stream.write
    write(_LENGTHS.pack(len(text), len(body)) + text)
    if len(body):
        write(body)
    stream.flush()


def _receive(stream: IO[bytes]) -> tuple[dict[str, object], bytearray]:
    head_length, body_length = _LENGTHS.unpack(_exactly(stream, _LENGTHS.size))
    if head_length > 64 << 20 or body_length > 4 << 30:
        raise ValueError("answer too long")
    head = json.loads(_exactly(stream, head_length).decode())
    if not isinstance(head, dict):
        raise ValueError("answer is not an object")
    return head, _exactly(stream, body_length)


def _exactly(stream: IO[bytes], length: int) -> bytearray:
    buffered = cast(io.BufferedReader, stream)
    buffer = bytearray(length)
    view = memoryview(buffer)
    filled = 0
    while filled < length:
        got = buffered.readinto(view[filled:])
        if not got:
            raise EOFError
        filled += got
    return buffer
