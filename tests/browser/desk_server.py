"""A desk's server for tests, and a page of a headless browser on it."""

from __future__ import annotations

import socket
import subprocess
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from audit.desk import command, environment

ARTEFACTS = Path(__file__).resolve().parent.parent / "artefacts"
CHROMIUM = Path("/usr/bin/chromium")
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
SIZES = {"desk": {"width": 1440, "height": 900}, "phone": {"width": 390, "height": 844}}


@contextmanager
def served(logbook: Path, extra: dict[str, str] | None = None) -> Iterator[str]:
    """The address of a desk that shows this logbook, on a free port of this machine."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    ARTEFACTS.mkdir(exist_ok=True)
    with (ARTEFACTS / "desk.log").open("ab") as log:
        process = subprocess.Popen(
            command("127.0.0.1", port, False),
            env={**environment(str(logbook), None), **(extra or {})},
            stdout=log,
            stderr=log,
        )
    address = f"http://127.0.0.1:{port}"
    try:
        _wait(address, process)
        yield address
    finally:
        process.terminate()
        process.wait(20)


def _wait(address: str, process: subprocess.Popen[bytes]) -> None:
    until = time.monotonic() + 90
    while time.monotonic() < until:
        assert process.poll() is None, "the desk ended while starting"
        try:
            with urllib.request.urlopen(f"{address}/_stcore/health", timeout=2):
                return
        except OSError:
            time.sleep(0.3)
    raise AssertionError("the desk did not answer within 90 s")
