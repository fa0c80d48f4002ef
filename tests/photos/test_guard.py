"""The limited worker answers, dies without harm, and is replaced."""

from __future__ import annotations

import io
import os
import resource
import signal
import struct
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from audit.photos.guard import Guard, GuardFailure, _receive, _send


def echo(data: bytes, options: dict[str, object]) -> tuple[dict[str, object], bytes]:
    return {"length": len(data), **options, "process": os.getpid()}, data[::-1]


def hang(data: bytes, options: dict[str, object]) -> tuple[dict[str, object], bytes]:
    time.sleep(60)
    return {}, b""


def spin(data: bytes, options: dict[str, object]) -> tuple[dict[str, object], bytes]:
    while True:
        data = data[::-1]


def swallow_memory(data: bytes, options: dict[str, object]) -> tuple[dict[str, object], bytes]:
    return {"length": len(bytearray(3 << 30))}, b""


def crash(data: bytes, options: dict[str, object]) -> tuple[dict[str, object], bytes]:
    os.kill(os.getpid(), signal.SIGSEGV)
    return {}, b""


def write_file(data: bytes, options: dict[str, object]) -> tuple[dict[str, object], bytes]:
    with open(str(options["path"]), "wb") as stream:
        stream.write(data)
    return {}, b""


def limits(data: bytes, options: dict[str, object]) -> tuple[dict[str, object], bytes]:
    kinds = {"address": resource.RLIMIT_AS, "core": resource.RLIMIT_CORE, "file": resource.RLIMIT_FSIZE, "processor": resource.RLIMIT_CPU}
    used = int(Path("/proc/self/statm").read_text().split()[0]) * os.sysconf("SC_PAGE_SIZE")
    return {**{name: resource.getrlimit(kind)[0] for name, kind in kinds.items()}, "used": used, "time": time.process_time()}, b""


def no_object(data: bytes, options: dict[str, object]) -> tuple[list[int], bytes]:
    return [1], b""


def unheard_of(data: bytes, options: dict[str, object]) -> tuple[dict[str, object], bytes]:
    raise LookupError("no such thing")


@pytest.fixture(scope="module")
def guard() -> Iterator[Guard]:
    os.environ["PYTHONPATH"] = os.pathsep.join([os.path.dirname(__file__), os.environ.get("PYTHONPATH", "")])
    guard = Guard(time_limit_s=1.0, wall_limit_s=60.0)
    yield guard
    guard.close()


def test_answer_comes_from_another_process_that_is_kept(guard: Guard) -> None:
    first, body = guard.call("test_guard:echo", b"abc" * 500_000, {"a": 1})
    second, _ = guard.call("test_guard:echo", b"", {})
    assert (first["length"], first["a"], bytes(body)) == (1_500_000, 1, b"cba" * 500_000)
    assert first["process"] == second["process"] == guard.worker_id != os.getpid()


@pytest.mark.parametrize(
    ("task", "kind"), [("hang", "timeout"), ("spin", "timeout"), ("swallow_memory", "memory"), ("crash", "died")]
)
def test_worker_beyond_its_limits_is_replaced(guard: Guard, task: str, kind: str) -> None:
    before, _ = guard.call("test_guard:echo", b"x", {})
    guard.wall_limit_s = 2.0 if task == "hang" else 60.0  # what hangs does so for a minute and would answer then
    with pytest.raises(GuardFailure) as caught:
        guard.call(f"test_guard:{task}", b"x", {})
    assert caught.value.kind == kind
    guard.wall_limit_s = 60.0
    after, _ = guard.call("test_guard:echo", b"x", {})
    assert after["process"] != before["process"]


def test_worker_killed_between_calls_is_replaced(guard: Guard) -> None:
    guard.call("test_guard:echo", b"x", {})
    worker = guard.worker_id
    assert worker is not None
    os.kill(worker, signal.SIGKILL)
    time.sleep(0.1)
    assert guard.call("test_guard:echo", b"xy", {})[0]["length"] == 2


def test_worker_can_write_no_file(guard: Guard, tmp_path: object) -> None:
    with pytest.raises(GuardFailure):
        guard.call("test_guard:write_file", b"x" * 100_000, {"path": f"{tmp_path}/a"})


def test_threads_share_one_guard(guard: Guard) -> None:
    answers: dict[int, object] = {}

    def ask(number: int) -> None:
        answers[number] = guard.call("test_guard:echo", bytes(number), {})[0]["length"]

    threads = [threading.Thread(target=ask, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert answers == {number: number for number in range(8)}


def test_worker_is_held_by_the_system_itself(guard: Guard) -> None:
    """Outside: getrlimit(2) in the worker; memory beyond what it started with, a second of processor time, no core, no file."""
    held, _ = guard.call("test_guard:limits", b"", {})
    assert (held["core"], held["file"]) == (0, 0)
    assert guard.memory_limit_bytes <= held["address"] <= held["used"] + guard.memory_limit_bytes
    assert held["time"] < held["processor"] <= held["time"] + guard.time_limit_s + 1.0


@pytest.mark.parametrize("task", ["no_object", "unheard_of"])
def test_worker_whose_answer_is_none_is_replaced(guard: Guard, task: str) -> None:
    before, _ = guard.call("test_guard:echo", b"x", {})
    with pytest.raises(GuardFailure) as caught:
        guard.call(f"test_guard:{task}", b"x", {})
    assert caught.value.kind == "died" and guard.worker_id is None
    assert guard.call("test_guard:echo", b"x", {})[0]["process"] != before["process"]


def test_frames_come_back_and_what_is_no_frame_is_refused_before_it_is_held() -> None:
    for body in (b"", b"abc" * 1000):
        sent = io.BytesIO()
        _send(sent, {"result": {"ä": [1, None]}}, body)
        whole = sent.getvalue()
        assert _receive(io.BufferedReader(io.BytesIO(whole))) == ({"result": {"ä": [1, None]}}, bytearray(body))  # type: ignore[arg-type]
        for cut in (0, 1, len(whole) // 2, len(whole) - 1):
            with pytest.raises(EOFError):
                _receive(io.BufferedReader(io.BytesIO(whole[:cut])))  # type: ignore[arg-type]
    for head, rest in (((64 << 20) + 1, 0), (2, (4 << 30) + 1)):
        with pytest.raises(ValueError, match="too long"):
            _receive(io.BufferedReader(io.BytesIO(struct.pack("<QQ", head, rest) + b"{}")))  # type: ignore[arg-type]
    with pytest.raises(EOFError):  # as long as may be, and cut off
        _receive(io.BufferedReader(io.BytesIO(struct.pack("<QQ", 64 << 20, 0) + b"{}")))  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="not an object"):
        _receive(io.BufferedReader(io.BytesIO(struct.pack("<QQ", 2, 0) + b"[]")))  # type: ignore[arg-type]
