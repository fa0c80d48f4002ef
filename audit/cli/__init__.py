"""The commands of ``photo-audit``: a file a command family, thin over the rooms.

What the commands share lies in :mod:`audit.cli.options` and :mod:`audit.cli.speak`; every line and sentence that they
print is in :mod:`audit.cli.sentences`, which loads no measuring.
"""

from __future__ import annotations

__all__ = ["main"]


def main() -> None:
    """Entry point of the command line; a worker that only measures never loads it."""
    from audit.cli.commands import main as run

    run()
