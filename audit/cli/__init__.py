"""The commands of ``photo-audit``: a file a command family, thin over the rooms.

What the commands share lies in :mod:`audit.cli.options` and :mod:`audit.cli.speak`; every line and sentence that they
print is in :mod:`audit.cli.sentences`, which loads no measuring.
"""

from __future__ import annotations

import os

__all__ = ["main"]


def main() -> None:
    """Entry point of the command line; a worker that only measures never loads it.

    A visit's matrix products are small: a second thread that waits for them burns a quarter more processor time and gains none,
    so there is one, unless the environment says how many. It is read when NumPy is loaded, so it stands before all else.
    """
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from audit.cli.commands import main as run

    run()
