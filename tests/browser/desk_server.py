"""A desk's server for tests, and a page of a headless browser on it."""

from __future__ import annotations

import socket
import subprocess
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from audit.desk import command, environment, place_of_server
from tests.browser.forked import ForkedDesk, fork_desk

ARTEFACTS = Path(__file__).resolve().parent.parent / "artefacts"
CHROMIUM = Path("/usr/bin/chromium")
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
#: So long nothing may be added to the page or taken away: a button that is still coming has no key yet.
QUIET_MS = 350
_WATCH = """() => {
    if (window.lastChange === undefined)
        new MutationObserver(() => { window.lastChange = performance.now(); })
            .observe(document, { childList: true, subtree: true });
    window.lastChange = performance.now();
}"""
_QUIET = """(quiet_ms) => document.querySelector('.stApp')?.dataset.testScriptState === 'notRunning'
    && performance.now() - window.lastChange >= quiet_ms"""
_TURN = """(to) => {
    history.pushState({}, '', to);
    window.dispatchEvent(new PopStateEvent('popstate', { state: {} }));
}"""
SIZES = {"desk": {"width": 1440, "height": 900}, "phone": {"width": 390, "height": 844}}


def free_port() -> int:
    """A port of this machine on which nobody listens."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def served(
    logbook: Path,
    extra: dict[str, str] | None = None,
    *,
    port: int | None = None,
    settings: Path | None = None,
    name: str = "Ada Example",
) -> Iterator[str]:
    """The address of a desk that shows this logbook, on a free port of this machine, for somebody of this name."""
    port = port or free_port()
    variables = {**environment(str(logbook), None, settings, name), **(extra or {})}
    ARTEFACTS.mkdir(exist_ok=True)
    process = fork_desk(port, variables, place_of_server(), ARTEFACTS / "desk.log")
    try:
        _wait(f"http://127.0.0.1:{port}", process)
        yield f"http://127.0.0.1:{port}"
    finally:
        process.terminate()
        process.wait(20)


def start(
    logbook: Path,
    port: int,
    extra: dict[str, str] | None = None,
    settings: Path | None = None,
    name: str = "Ada Example",
) -> subprocess.Popen[bytes]:
    """A desk's server that answers on a port."""
    ARTEFACTS.mkdir(exist_ok=True)
    with (ARTEFACTS / "desk.log").open("ab") as log:
        process = subprocess.Popen(
            command("127.0.0.1", port),
            env={**environment(str(logbook), None, settings, name), **(extra or {})},
            cwd=place_of_server(),
            stdin=subprocess.PIPE,
            stdout=log,
            stderr=log,
        )
    try:
        _wait(f"http://127.0.0.1:{port}", process)
    except BaseException:
        process.kill()
        raise
    return process


def shown(page: Any, address: str, name: str = "", query: str = "") -> None:
    """Go to a page of the desk and wait until it is drawn."""
    page.goto(f"{address}/{name}{query}")
    page.wait_for_selector(".counts")
    idle(page)


def turned(page: Any, name: str = "", query: str = "") -> None:
    """Turn from a drawn page of the desk to another as a browser's own way back does, within the session: a quarter of the
    processor time of going there anew."""
    page.evaluate(_WATCH)
    page.evaluate(_TURN, f"/{name}{query}")
    page.wait_for_selector(".counts")
    idle(page)


def idle(page: Any) -> None:
    """Until the script run is over, what it sent is drawn, and nothing on the page has changed for a moment."""
    page.evaluate(_WATCH)
    page.wait_for_function(_QUIET, arg=QUIET_MS, polling=50)


def press(page: Any, key: str, button: str = "") -> None:
    """Press a key and wait for what it does; where a button's name is given, not before that button is there."""
    if button:
        page.wait_for_selector(f".st-key-{button} button")
        idle(page)
    page.keyboard.press(key)
    idle(page)


def _wait(address: str, process: subprocess.Popen[bytes] | ForkedDesk) -> None:
    until = time.monotonic() + 90
    while time.monotonic() < until:
        assert process.poll() is None, "the desk ended while starting"
        try:
            with urllib.request.urlopen(f"{address}/_stcore/health", timeout=2):
                return
        except OSError:
            time.sleep(0.05)
    raise AssertionError("the desk did not answer within 90 s")
