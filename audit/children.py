"""How the program starts processes of its own: no file of the folder it was called in ever runs as code, and none of
them outlives the process that started it.

A child finds the program where its parent found it. The folder it works in, and every relative entry of
``PYTHONPATH``, are no place for modules: that folder may hold a stranger's files, a ``cv2.py`` among them.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import BinaryIO

__all__ = ["SAFE_PATH", "child_environment", "end_with_parent", "end_with_parent_process", "python"]

#: What keeps Python from looking for modules in the working folder (Python 3.11, command line and environment).
SAFE_PATH = "PYTHONSAFEPATH"
_ROOT = str(Path(__file__).resolve().parent.parent)


def python(*arguments: str) -> list[str]:
    """A command line of this Python that runs nothing of the working folder."""
    return [sys.executable, "-P", *arguments]


def child_environment(extra: Mapping[str, str] | None = None) -> dict[str, str]:
    """This process's environment for a child, with the program's own place first among those of modules."""
    places = [p for p in os.environ.get("PYTHONPATH", "").split(os.pathsep) if os.path.isabs(p) and p != _ROOT]
    return {**os.environ, **(extra or {}), SAFE_PATH: "1", "PYTHONPATH": os.pathsep.join((_ROOT, *places))}


def end_with_parent(lifeline: BinaryIO, grace_s: float) -> None:
    """End this process when its parent does: watch a pipe whose other end only the parent holds.

    Parameters
    ----------
    lifeline : binary stream
        Usually standard input; nothing is ever written to it.
    grace_s : float
        Time to end in an orderly way (SIGTERM), after which it is ended at once.
    """

    def watch() -> None:
        while lifeline.read(1):
            continue
        _end(grace_s)

    threading.Thread(target=watch, name="lifeline", daemon=True).start()


def end_with_parent_process() -> None:
    """End this worker of :mod:`multiprocessing` when the process that started it does, however that ends."""
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def watch() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=watch, name="lifeline", daemon=True).start()


def _end(grace_s: float) -> None:
    timer = threading.Timer(grace_s, os._exit, (1,))
    timer.daemon = True
    timer.start()
    os.kill(os.getpid(), signal.SIGTERM)
