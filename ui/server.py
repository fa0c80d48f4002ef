"""Starts the desk's server with everything that pages need already loaded, so that nobody waits for it."""

from __future__ import annotations

import importlib
import sys

from streamlit.web import cli

__all__ = ["NEEDED", "load", "main"]

#: What pages import, and what Streamlit imports at its first chart and its first table.
NEEDED = (
    "altair",
    "audit.plan.check",
    "audit.photos.inbox",
    "audit.plan.mounts",
    "audit.account.drawing",
    "audit.report.handover",
    "audit.account.changes",
    "audit.report.crew_list",
    "audit.account.history",
    "audit.account.selection",
    "audit.running",
    "pandas",
    "pyarrow",
)


def load() -> None:
    """Import what pages need."""
    for name in NEEDED:
        importlib.import_module(name)


def main(arguments: list[str]) -> None:
    """Load, then serve; arguments are those of Streamlit's own command line."""
    load()
    cli.main(arguments, prog_name="streamlit")


if __name__ == "__main__":
    main(sys.argv[1:])
