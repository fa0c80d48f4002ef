"""Starts the desk's server with everything that pages need already loaded, so that nobody waits for it.

The server ends when the command that started it does: its standard input is a pipe that only the command holds.
"""

from __future__ import annotations

import asyncio
import importlib
import json
import logging
import os
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path

import streamlit as st
from starlette.middleware import Middleware

from audit.children import end_with_parent
from audit.desk import NO_SETTINGS, SETTINGS_VARIABLE, Serving
from audit.desk_settings import read_settings
from ui.gate import Gate, Limits, free_left_files

__all__ = ["NEEDED", "load", "main"]

#: What pages import, and what Streamlit imports at its first chart and its first table.
NEEDED = (
    "altair",
    "audit.plan.check",
    "audit.photos.inbox",
    "audit.plan.mounts",
    "audit.account.checks",
    "audit.aiming",
    "audit.drawings.picture",
    "audit.visit.draw",
    "audit.account.drawing",
    "audit.account.pointing",
    "audit.report.handover",
    "audit.account.changes",
    "audit.report.crew_list",
    "audit.report.guide",
    "audit.account.history",
    "audit.account.selection",
    "audit.account.alike",
    "audit.account.reasons",
    "audit.visit.together",
    "audit.visit.hand_in",
    "audit.visit.point",
    "audit.visit.say",
    "audit.running",
    "pandas",
    "pyarrow",
)
#: Blue of the Okabe-Ito palette; 5.2:1 on white.
PRIMARY_COLOUR = "#0072b2"
#: What the fields of one open page may hold, MiB; dropped files aren't among it.
WIDGETS_MIB = 4
_APP = Path(__file__).resolve().with_name("app.py")
#: How long an open page may hold the server up when it is told to end.
_GRACE_SECONDS = 5.0


def load() -> None:
    """Import what pages need."""
    for name in NEEDED:
        importlib.import_module(name)


@asynccontextmanager
async def _with_sweeper(_: st.App) -> AsyncIterator[None]:
    sweeper = asyncio.create_task(free_left_files())
    try:
        yield
    finally:
        sweeper.cancel()
        with suppress(asyncio.CancelledError):
            await sweeper


def configuration(serving: Serving, secrets: list[str], public_host: str, limits: Limits) -> dict[str, object]:
    """Streamlit's options; all that decide are given here, so that no file of a folder has a say."""
    return {
        "server.address": serving.address,
        "server.port": serving.port,
        "server.headless": True,
        "server.maxUploadSize": limits.file_bytes >> 20,
        "server.maxWidgetStateSize": WIDGETS_MIB,
        "server.disconnectedSessionTTL": 60,
        "server.fileWatcherType": "none",
        "server.enableStaticServing": False,
        "server.enableCORS": True,
        "server.enableXsrfProtection": True,
        "server.trustedUserHeaders": "{}",
        "server.scriptHealthCheckEnabled": False,
        "global.developmentMode": False,
        "runner.magicEnabled": False,
        "browser.gatherUsageStats": False,
        "browser.serverAddress": public_host,  # known, so that no service is asked which address this machine has
        "logger.hideWelcomeMessage": True,
        "client.toolbarMode": "viewer",
        "client.showErrorDetails": "none",
        "secrets.files": secrets,
        "theme.base": "light",
        "theme.primaryColor": PRIMARY_COLOUR,
        "theme.textColor": "#1f2128",
    }


def main(arguments: list[str]) -> None:
    """Load, then serve; the argument is the JSON of :class:`audit.desk.Serving`."""
    end_with_parent(sys.stdin.buffer, _GRACE_SECONDS)
    serving = Serving(**json.loads(arguments[0]))
    file = os.environ.get(SETTINGS_VARIABLE)
    settings = NO_SETTINGS if file is None else read_settings(Path(file))
    logging.basicConfig(level=logging.WARNING, format="%(message)s", stream=sys.stderr)
    load()
    limits = Limits()
    app = st.App(
        _APP,
        lifespan=_with_sweeper,
        middleware=[Middleware(Gate, settings=settings, origins=serving.origins(settings), limits=limits)],
    )
    secrets = [] if settings.auth is None else [str(settings.file)]
    host = serving.public_host(settings)
    sys.argv = [str(_APP)]
    app.run(config=configuration(serving, secrets, host, limits))


if __name__ == "__main__":
    main(sys.argv[1:])
