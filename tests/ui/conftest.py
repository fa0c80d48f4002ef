"""Pages are run in this process, which leaves the page as ``__main__``; worker processes of later tests would start it."""

from __future__ import annotations

import sys
from collections.abc import Iterator

import pytest


@pytest.fixture(autouse=True)
def main_module_kept() -> Iterator[None]:
    """Gives ``__main__`` back after each test."""
    main = sys.modules["__main__"]
    yield
    sys.modules["__main__"] = main
