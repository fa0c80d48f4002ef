"""The limited worker answers, dies without harm, and is replaced."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Iterator

import pytest

from audit.photos.guard import Guard, GuardFailure


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
