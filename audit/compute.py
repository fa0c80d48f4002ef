"""Where work runs: in this process, in local processes, or on a Dask cluster, behind one ``Executor``.

Functions handed over are plain module-level functions of small values; what they return is small too. Each
worker uses one thread, so that N workers use N cores.
"""

from __future__ import annotations

import importlib
import logging
import multiprocessing
import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any, Generic, ParamSpec, TypeVar

from threadpoolctl import threadpool_limits

from audit.children import SAFE_PATH, end_with_parent_process
from audit.errors import AuditError
from audit.extras import need

__all__ = ["InProcess", "LocalProcesses", "Outcome", "WorkerLost", "each", "executor", "shares_files", "usable_cores"]

_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS")
_GLANCE_SECONDS = 0.2
_CONNECT_SECONDS = 15
_DIED = "its worker died each time (out of memory, or a crash in a library)."

P = ParamSpec("P")
Item = TypeVar("Item")
Value = TypeVar("Value")

log = logging.getLogger(__name__)


class WorkerLost(AuditError):
    """The worker died while it worked on this item, twice."""


@dataclass(frozen=True, slots=True)
class Outcome(Generic[Item, Value]):
    """One item's result: ``value``, or ``error`` where the function raised or its worker died."""

    item: Item
    value: Value | None
    error: Exception | None = None


class InProcess(Executor):
    """Runs each call at once in this process."""

    def submit(self, fn: Callable[P, Value], /, *args: P.args, **kwargs: P.kwargs) -> Future[Value]:
        """The call's result, ready."""
        future: Future[Value] = Future()
        future.set_running_or_notify_cancel()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:
            future.set_exception(error)
        return future


class LocalProcesses(Executor):
    """Local worker processes that can be replaced after one has died.

    Parameters
    ----------
    workers : int
        Number of processes, each started afresh (no fork) with one thread.
    module : str or None
        What each loads as it starts, while this process goes on with its own work.
    """

    def __init__(self, workers: int, module: str | None = None) -> None:
        self.workers = workers
        self.module = module
        self._pool = self._start()
        if module is not None:
            for _ in range(workers):  # a worker starts when there is something to do
                self._pool.submit(os.getpid)

    def submit(self, fn: Callable[P, Value], /, *args: P.args, **kwargs: P.kwargs) -> Future[Value]:
        """Hands a call to a worker."""
        return self._pool.submit(fn, *args, **kwargs)

    def rebuild(self) -> None:
        """New workers in place of a pool that a dead worker has broken."""
        # a worker started while the pool was breaking is told by nobody to end, and waiting for it would never end
        for process in tuple((self._pool._processes or {}).values()):
            process.terminate()
        self._pool.shutdown(wait=False, cancel_futures=True)
        self._pool = self._start()

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Lets the workers end."""
        self._pool.shutdown(wait=wait, cancel_futures=cancel_futures)

    def _start(self) -> ProcessPoolExecutor:
        return ProcessPoolExecutor(
            self.workers,
            mp_context=multiprocessing.get_context("spawn"),
            initializer=_made_ready,
            initargs=(self.module,),
        )


def usable_cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def shares_files(executor: Executor) -> bool:
    """Whether what runs there reaches the same files under the same names as this process."""
    return isinstance(executor, InProcess | LocalProcesses)


@contextmanager
def executor(workers: int = 0, cluster: str | None = None, module: str | None = None) -> Iterator[Executor]:
    """Somewhere to run work.

    Parameters
    ----------
    workers : int
        0 or 1: this process; more: that many local processes.
    cluster : str or None
        Address of a Dask scheduler (``tcp://host:8786``); then ``workers`` doesn't count.
    module : str or None
        What local processes load at once, so that they are ready when the work comes.

    Raises
    ------
    AuditError
        If the cluster doesn't answer or its library is missing.
    """
    if cluster is not None:
        with _dask(cluster) as dask:
            yield dask
    elif workers <= 1:
        # more threads in the small matrix products of a measurement burn two thirds more processor time, and gain none
        with threadpool_limits(1, "blas"):
            yield InProcess()
    else:
        with _worker_environment():
            pool = LocalProcesses(workers, module)
            try:
                yield pool
            finally:
                pool.shutdown(wait=True, cancel_futures=True)


def each(
    executor: Executor,
    function: Callable[[Item], Value],
    items: Iterable[Item],
    window: int = 0,
    stop: Callable[[], bool] | None = None,
) -> Iterator[Outcome[Item, Value]]:
    """Outcomes of ``function(item)`` in the order of ``items``, with at most ``window`` items under way.

    An item whose worker dies is tried once more, alone; dying again it comes out with :class:`WorkerLost`, and
    the others go on. Closing the iterator, or ``stop`` giving True, cancels what has not begun.

    Parameters
    ----------
    window : int
        Items under way at once; 0 = four for each local worker. In this process it is always 1.
    """
    size = _window(executor, window)
    pending: deque[tuple[Item, Future[Value]]] = deque()
    source = iter(items)
    try:
        while not (stop and stop()):
            if not _fill(executor, function, source, pending, size):
                return
            item, future = pending[0]
            if not _ready(future, stop):
                return
            try:
                outcome = Outcome(item, future.result())
            except (BrokenExecutor, CancelledError) as error:
                if not isinstance(executor, LocalProcesses):
                    raise AuditError(
                        f"the cluster is gone ({error or type(error).__name__}); start it and go on."
                    ) from error
                yield from _after_a_death(executor, function, pending)
                continue
            except Exception as error:
                outcome = Outcome(item, None, _lost(error))
            pending.popleft()
            yield outcome
    finally:
        for _, future in pending:
            future.cancel()


def _fill(
    executor: Executor,
    function: Callable[[Item], Value],
    source: Iterator[Item],
    pending: deque[tuple[Item, Future[Value]]],
    size: int,
) -> bool:
    while len(pending) < size:
        try:
            item = next(source)
        except StopIteration:
            break
        pending.append((item, _submit(executor, function, item)))
    return bool(pending)


def _submit(executor: Executor, function: Callable[[Item], Value], item: Item) -> Future[Value]:
    try:
        return executor.submit(_call, function, item)
    except BrokenExecutor as error:
        broken: Future[Value] = Future()
        broken.set_exception(error)
        return broken


def _ready(future: Future[Value], stop: Callable[[], bool] | None) -> bool:
    """Waits for a result; False where a stop came first."""
    while stop is not None and not future.done():
        wait((future,), timeout=_GLANCE_SECONDS)
        if not future.done() and stop():
            return False
    return True


def _after_a_death(
    executor: LocalProcesses, function: Callable[[Item], Value], pending: deque[tuple[Item, Future[Value]]]
) -> Iterator[Outcome[Item, Value]]:
    """Goes through what was under way one by one, so that a second death names its item."""
    log.warning("a worker died; its items are tried again one by one", extra={"items": len(pending)})
    executor.rebuild()
    while pending:
        item, future = pending[0]
        try:
            if not _done_before(future):
                future = executor.submit(_call, function, item)
            outcome = Outcome(item, future.result())
        except BrokenExecutor:
            executor.rebuild()
            outcome = Outcome(item, None, WorkerLost(_DIED))
        except Exception as error:
            outcome = Outcome(item, None, error)
        pending.popleft()
        yield outcome


def _done_before(future: Future[Value]) -> bool:
    """Whether the item was through before the worker died."""
    if not future.done() or future.cancelled():
        return False
    return not isinstance(future.exception(), BrokenExecutor)


def _lost(error: Exception) -> Exception:
    if type(error).__name__ == "KilledWorker":
        return WorkerLost(_DIED)
    return error


def _window(executor: Executor, window: int) -> int:
    if isinstance(executor, InProcess):
        return 1
    if window > 0:
        return window
    return 4 * executor.workers if isinstance(executor, LocalProcesses) else 4 * usable_cores()


def _call(function: Callable[[Item], Value], item: Item) -> Value:
    return function(item)


def _made_ready(module: str | None) -> None:
    end_with_parent_process()
    _one_thread()
    if module is not None:
        with suppress(ImportError):
            importlib.import_module(module)


def _one_thread() -> None:
    for name in _ONE_THREAD:
        os.environ[name] = "1"
    with suppress(ImportError):
        import cv2

        cv2.setNumThreads(1)


@contextmanager
def _worker_environment() -> Iterator[None]:
    """Workers take from the environment that they are started in: one thread, and no module of the working folder."""
    names = (*_ONE_THREAD, SAFE_PATH)
    before = {name: os.environ.get(name) for name in names}
    os.environ.update(dict.fromkeys(names, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


@contextmanager
def _dask(address: str) -> Iterator[Any]:
    need("cluster", "A cluster")
    from distributed import Client, WorkerPlugin

    class OneThread(WorkerPlugin):  # type: ignore[misc]
        """Each worker uses one thread inside a call."""

        def setup(self, worker: Any) -> None:
            _one_thread()

    try:
        client = Client(address, timeout=_CONNECT_SECONDS, set_as_default=False)
    except (OSError, ValueError) as error:
        raise AuditError(
            f"the cluster at {address} doesn't answer; start a scheduler and workers, or use --workers."
        ) from error
    try:
        client.register_plugin(OneThread(), name="photo-audit-one-thread")
        yield client.get_executor(pure=False)
    finally:
        client.close()
