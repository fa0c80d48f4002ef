"""Opens the desk: starts its server for one logbook, on this machine alone unless sign-in is set up."""

from __future__ import annotations

import importlib.util
import json
import os
import subprocess
import sys
import threading
import time
import urllib.request
import webbrowser
from dataclasses import asdict, dataclass
from pathlib import Path
from urllib.parse import urlsplit

from audit.children import child_environment, python
from audit.desk_settings import Settings, is_loopback, read_settings
from audit.errors import AuditError
from audit.extras import need
from audit.logbook import Logbook
from audit.people import typed_name

__all__ = [
    "CAMERAS_VARIABLE",
    "CREDENTIALS_VARIABLE",
    "NAME_VARIABLE",
    "NO_SETTINGS",
    "SETTINGS_VARIABLE",
    "START_VARIABLE",
    "Asked",
    "Serving",
    "command",
    "environment",
    "place_of_server",
    "serve",
]

SETTINGS_VARIABLE = "PHOTO_AUDIT_SETTINGS"
#: Who works at a desk without sign-in, where the command that opened it said so.
NAME_VARIABLE = "PHOTO_AUDIT_NAME"
#: The folder that the command was called in: relative folders typed into the desk are meant from there.
START_VARIABLE = "PHOTO_AUDIT_START"
NO_SETTINGS = Settings(Path(), None, (), ())
#: Secrets that the server has no use for: whoever signs types the passphrase.
_KEPT_BACK = ("PHOTO_AUDIT_PASSPHRASE",)
#: Tables of the cameras' addresses, and of users and passwords, from which cameras are asked while they are aimed.
CAMERAS_VARIABLE, CREDENTIALS_VARIABLE = "PHOTO_AUDIT_CAMERAS", "PHOTO_AUDIT_CREDENTIALS"
#: From this size the C library gives memory back as soon as it is free (glibc's mallopt(3)); a dropped photo is larger.
_GIVEN_BACK_BYTES = 2 << 20
_END_SECONDS = 10.0
_BROWSER_SECONDS = 60.0


@dataclass(frozen=True, slots=True)
class Serving:
    """Where a server listens."""

    address: str
    port: int

    def origins(self, settings: Settings) -> tuple[str, ...]:
        """Where the desk's own pages come from, each as browsers write it."""
        if settings.origin is not None:
            return (settings.origin,)
        hosts = {"localhost", f"[{self.address.strip('[]')}]" if ":" in self.address else self.address}
        if self.address == "localhost":
            hosts |= {"127.0.0.1", "[::1]"}
        port = "" if self.port == 80 else f":{self.port}"
        return tuple(f"http://{host}{port}" for host in sorted(hosts))

    def public_host(self, settings: Settings) -> str:
        """The host that browsers reach the desk at."""
        return (urlsplit(settings.origin).hostname or "") if settings.origin is not None else self.address


def place_of_server() -> Path:
    """The server's own folder, in which it works: no settings of a stranger's folder are found there.

    Raises
    ------
    AuditError
        Where the desk is not installed.
    """
    found = importlib.util.find_spec("ui")
    if found is None or not found.submodule_search_locations:
        raise AuditError("The desk is not installed; install photo-audit whole, with its package ui.")
    return Path(found.submodule_search_locations[0])


def command(address: str, port: int) -> list[str]:
    """The server's command line; its standard input must be a pipe, whose end ends the server."""
    return python("-m", "ui.server", json.dumps(asdict(Serving(address, port))))


@dataclass(frozen=True, slots=True)
class Asked:
    """The tables by which cameras are asked while they are aimed.

    Attributes
    ----------
    cameras : Path or None
        CSV with the columns ``camera, address``; the plan's column ``address`` without it.
    credentials : Path or None
        CSV with the columns ``camera, user, password``, readable by its owner alone.
    """

    cameras: Path | None = None
    credentials: Path | None = None


def environment(
    logbook: str, images: str | None, settings: Path | None = None, name: str = "", asked: Asked | None = None
) -> dict[str, str]:
    """The server's environment: which logbook it shows, by which settings, who works at it, and how cameras are asked."""
    asked = asked or Asked()
    said = {
        CAMERAS_VARIABLE: None if asked.cameras is None else str(asked.cameras.absolute()),
        CREDENTIALS_VARIABLE: None if asked.credentials is None else str(asked.credentials.absolute()),
        "PHOTO_AUDIT_LOGBOOK": logbook,
        "PHOTO_AUDIT_IMAGES": images,
        SETTINGS_VARIABLE: None if settings is None else str(settings.absolute()),
        NAME_VARIABLE: typed_name(name) or None,
        START_VARIABLE: os.getcwd(),
    }
    whole = {"MALLOC_MMAP_THRESHOLD_": str(_GIVEN_BACK_BYTES), **child_environment()}
    for variable in (*said, *_KEPT_BACK):
        whole.pop(variable, None)
    return whole | {variable: value for variable, value in said.items() if value is not None}


def serve(
    logbook: str,
    *,
    address: str,
    port: int,
    images: str | None,
    browser: bool,
    settings: Path | None = None,
    name: str = "",
    asked: Asked | None = None,
) -> int:
    """Serve the desk until it is stopped; returns the server's exit code.

    Raises
    ------
    AuditError
        Where the logbook can't be opened, the settings can't be used, or the address is not loopback and no sign-in is
        set up.
    """
    said = NO_SETTINGS if settings is None else read_settings(settings)
    if said.auth is None and not is_loopback(address):
        raise AuditError(
            f"--address {address}: other machines could reach it without signing in; set up sign-in in a file for "
            "--settings first (docs/sign_in.md), or listen on 127.0.0.1."
        )
    if said.auth is not None:
        need("auth", "Sign-in")
    Logbook.open(logbook, images=images).close()
    place = _absolute(logbook)
    shown = said.origin or Serving(address, port).origins(said)[0]
    print(f"The desk starts at {shown} in some seconds; stop it with Ctrl-C.", file=sys.stderr)
    server = subprocess.Popen(
        command(address, port),
        env=environment(place, images if images is None else _absolute(images), settings, name, asked),
        cwd=place_of_server(),
        stdin=subprocess.PIPE,
        start_new_session=True,
    )
    if browser:
        threading.Thread(target=_show, args=(shown, server), name="browser", daemon=True).start()
    try:
        return server.wait()
    except KeyboardInterrupt:
        return 0
    finally:
        _end(server)


def _absolute(place: str) -> str:
    return place if "://" in place else str(Path(place).resolve())


def _end(server: subprocess.Popen[bytes]) -> None:
    """Let go of the server, and wait until it has ended."""
    if server.stdin is not None:
        server.stdin.close()
    try:
        server.wait(_END_SECONDS)
    except subprocess.TimeoutExpired:
        server.kill()
        server.wait()


def _show(address: str, server: subprocess.Popen[bytes]) -> None:
    """The desk in the user's browser, as soon as it answers."""
    until = time.monotonic() + _BROWSER_SECONDS
    while server.poll() is None and time.monotonic() < until:
        try:
            with urllib.request.urlopen(f"{address}/_stcore/health", timeout=2):
                webbrowser.open(address)
                return
        except OSError:
            time.sleep(0.3)
