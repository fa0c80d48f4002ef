"""Work runs the same in this process, in local processes and on a real Dask cluster."""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from audit import compute
from audit.errors import AuditError, PhotoRefused, PlanError, PlanProblem


def square(number: int) -> int:
    return number * number


def refuse_odd(number: int) -> int:
    if number % 2:
        raise PhotoRefused(f"{number}.jpg", "damaged", f"{number}.jpg is damaged; copy it again.")
    return number


def raise_plan_error(number: int) -> int:
    raise PlanError((PlanProblem("plan.csv", "no cameras."),))


def die_on_three(number: int) -> int:
    if number == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def die_once(marker: str) -> str:
    path = Path(marker)
    if path.suffix == ".die" and not path.exists():
        path.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return path.name


def threads(_: int) -> tuple[str | None, int]:
    import cv2

    return os.environ.get("OMP_NUM_THREADS"), cv2.getNumThreads()


def slow(number: int) -> int:
    time.sleep(0.05)
    return number


@pytest.fixture(scope="module")
def processes() -> Iterator[compute.LocalProcesses]:
    with compute.executor(workers=2) as pool:
        assert isinstance(pool, compute.LocalProcesses)
        yield pool


@pytest.fixture(scope="module")
def cluster() -> Iterator[str]:
    """A real scheduler and two worker processes on this machine."""
    distributed = pytest.importorskip("distributed")
    import dask

    with (
        dask.config.set({"distributed.scheduler.allowed-failures": 1}),
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1"
        ) as running,
    ):
        yield running.scheduler_address


def test_in_process_keeps_order_and_errors() -> None:
    with compute.executor() as here:
        outcomes = list(compute.each(here, refuse_odd, range(5)))
    assert [o.item for o in outcomes] == [0, 1, 2, 3, 4]
    assert [o.value for o in outcomes] == [0, None, 2, None, 4]
    assert [type(o.error) for o in outcomes] == [type(None), PhotoRefused] * 2 + [type(None)]


def test_processes_give_the_same_as_in_process(processes: compute.LocalProcesses) -> None:
    assert [o.value for o in compute.each(processes, square, range(30), window=4)] == [n * n for n in range(30)]


def test_an_error_comes_back_whole_from_a_process(processes: compute.LocalProcesses) -> None:
    outcome = list(compute.each(processes, refuse_odd, [7]))[0]
    assert isinstance(outcome.error, PhotoRefused)
    assert (outcome.error.name, outcome.error.kind) == ("7.jpg", "damaged")
    outcome = list(compute.each(processes, raise_plan_error, [1]))[0]
    assert isinstance(outcome.error, PlanError)
    assert outcome.error.problems[0].file == "plan.csv"


def test_workers_use_one_thread(processes: compute.LocalProcesses) -> None:
    assert all(o.value == ("1", 1) for o in compute.each(processes, threads, range(3)))


def has_loaded(name: str) -> bool:
    return name in sys.modules


def test_workers_load_what_they_will_need_before_they_are_asked() -> None:
    assert not has_loaded("sched"), "the test needs a module that nothing else loads"
    with compute.executor(2, module="sched") as pool:
        assert [o.value for o in compute.each(pool, has_loaded, ["sched"] * 8)] == [True] * 8
    with compute.executor(2, module="no_such_module") as pool:
        assert pool.submit(square, 3).result() == 9


def test_this_process_uses_one_thread_for_matrices_while_it_works_and_has_its_own_number_back() -> None:
    def threads() -> set[int]:
        return {pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "blas"}

    np.linalg.inv(np.eye(3))
    with threadpool_limits(2, "blas"):
        before = threads()
        with compute.executor() as pool:
            assert pool.submit(threads).result() == {1}
        assert threads() == before


def test_only_a_window_of_items_is_taken_from_the_source(processes: compute.LocalProcesses) -> None:
    taken = 0

    def source() -> Iterator[int]:
        nonlocal taken
        for number in range(1000):
            taken += 1
            yield number

    outcomes = compute.each(processes, square, source(), window=5)
    for done in range(1, 20):
        next(outcomes)
        assert taken <= done + 5
    outcomes.close()
    assert taken < 30


def test_a_stop_ends_the_run_between_items(processes: compute.LocalProcesses) -> None:
    got: list[int] = []
    for outcome in compute.each(processes, slow, range(1000), window=4, stop=lambda: len(got) >= 3):
        got.append(outcome.item)
    assert got == [0, 1, 2]


def test_an_item_that_kills_its_worker_fails_alone(processes: compute.LocalProcesses) -> None:
    outcomes = list(compute.each(processes, die_on_three, range(12), window=6))
    assert [o.item for o in outcomes] == list(range(12))
    assert [o.item for o in outcomes if o.error is not None] == [3]
    assert isinstance(outcomes[3].error, compute.WorkerLost)
    assert all(o.value == o.item for o in outcomes if o.item != 3)


def test_an_item_whose_worker_was_killed_once_is_done_again(processes: compute.LocalProcesses, tmp_path: Path) -> None:
    items = [str(tmp_path / f"{n}.{'die' if n in (2, 5) else 'ok'}") for n in range(8)]
    outcomes = list(compute.each(processes, die_once, items, window=3))
    assert [o.value for o in outcomes] == [Path(item).name for item in items]


def test_dask_gives_the_same_as_in_process(cluster: str) -> None:
    with compute.executor(cluster=cluster) as dask:
        assert [o.value for o in compute.each(dask, square, range(20), window=5)] == [n * n for n in range(20)]
        outcomes = list(compute.each(dask, refuse_odd, [2, 3]))
        assert isinstance(outcomes[1].error, PhotoRefused)
        assert all(o.value == ("1", 1) for o in compute.each(dask, threads, range(3)))


def test_a_dask_worker_killed_in_the_middle_loses_nothing(cluster: str, tmp_path: Path) -> None:
    items = [str(tmp_path / f"{n}.{'die' if n == 4 else 'ok'}") for n in range(10)]
    with compute.executor(cluster=cluster) as dask:
        outcomes = list(compute.each(dask, die_once, items, window=4))
    assert [o.value for o in outcomes] == [Path(item).name for item in items]


def test_an_item_that_kills_dask_workers_fails_alone(cluster: str) -> None:
    with compute.executor(cluster=cluster) as dask:
        outcomes = list(compute.each(dask, die_on_three, range(6), window=1))
    assert isinstance(outcomes[3].error, compute.WorkerLost)
    assert [o.value for o in outcomes if o.item != 3] == [0, 1, 2, 4, 5]


def test_a_cluster_that_does_not_answer_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr(compute, "_CONNECT_SECONDS", 1)
    with pytest.raises(AuditError, match="doesn't answer"), compute.executor(cluster="tcp://127.0.0.1:9"):
        pass
