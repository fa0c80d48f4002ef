"""Opens the dashboard: starts its server for one logbook, on this machine alone unless sign-in is set up."""

from __future__ import annotations

import importlib.util
import ipaddress
import os
import subprocess
import sys
import tomllib
from pathlib import Path

from audit.errors import AuditError
from audit.logbook import Logbook

__all__ = ["command", "environment", "serve"]

#: The largest upload in MiB through the browser; more comes in by folder.
UPLOAD_MIB = 500
#: Blue of the Okabe-Ito palette; 5.2:1 on white.
PRIMARY_COLOUR = "#0072b2"
#: From this size the C library gives memory back as soon as it is free (glibc's mallopt(3)); a dropped photo is larger.
_GIVEN_BACK_BYTES = 2 << 20
_SIGN_IN = ("redirect_uri", "cookie_secret", "client_id", "client_secret", "server_metadata_url")


def is_loopback(address: str) -> bool:
    """Whether only this machine can reach a server that listens there."""
    if address == "localhost":
        return True
    try:
        return ipaddress.ip_address(address.strip("[]")).is_loopback
    except ValueError:
        return False


def sign_in_configured(secrets: Path | None = None) -> bool:
    """Whether the dashboard's OpenID Connect sign-in has its settings, as Streamlit will read them."""
    path = secrets or Path(".streamlit/secrets.toml")
    try:
        auth = tomllib.loads(path.read_text(encoding="utf-8")).get("auth")
    except (OSError, ValueError):
        return False
    return isinstance(auth, dict) and all(auth.get(name) for name in _SIGN_IN)


def command(address: str, port: int, browser: bool) -> list[str]:
    """The server's command line."""
    found = importlib.util.find_spec("ui")
    if found is None or not found.submodule_search_locations:
        raise AuditError("The dashboard is not installed; install photo-audit whole, with its package ui.")
    app = Path(found.submodule_search_locations[0]) / "app.py"
    settings = {
        "server.address": address,
        "server.port": str(port),
        "server.headless": "false" if browser else "true",
        "server.maxUploadSize": str(UPLOAD_MIB),
        "server.fileWatcherType": "none",
        "runner.magicEnabled": "false",
        "browser.gatherUsageStats": "false",
        "client.toolbarMode": "viewer",
        "client.showErrorDetails": "none",
        "theme.base": "light",
        "theme.primaryColor": PRIMARY_COLOUR,
        "theme.textColor": "#1f2128",
    }
    arguments = [part for key, value in settings.items() for part in (f"--{key}", value)]
    return [sys.executable, "-m", "ui.server", "run", str(app), *arguments]


def environment(logbook: str, images: str | None) -> dict[str, str]:
    """The server's environment: which logbook it shows."""
    book = {"PHOTO_AUDIT_LOGBOOK": logbook}
    if images is not None:
        book["PHOTO_AUDIT_IMAGES"] = images
    return {"MALLOC_MMAP_THRESHOLD_": str(_GIVEN_BACK_BYTES), **os.environ, **book}


def serve(logbook: str, *, address: str, port: int, images: str | None, browser: bool) -> int:
    """Serve the dashboard until it is stopped; returns the server's exit code.

    Raises
    ------
    AuditError
        Where the logbook can't be opened, or the address is not loopback and no sign-in is set up.
    """
    if not is_loopback(address) and not sign_in_configured():
        raise AuditError(
            f"--address {address}: other machines could reach it without signing in; set up sign-in in "
            ".streamlit/secrets.toml first, or listen on 127.0.0.1."
        )
    Logbook.open(logbook, images=images).close()
    place = str(Path(logbook).resolve()) if "://" not in logbook else logbook
    print(f"The desk starts at http://{address}:{port} in some seconds; stop it with Ctrl-C.", file=sys.stderr)
    try:
        return subprocess.call(command(address, port, browser), env=environment(place, images))
    except KeyboardInterrupt:
        return 0
