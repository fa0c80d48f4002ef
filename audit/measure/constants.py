"""The measured constants of the orientation estimate, read once from ``orientation.toml``."""

from __future__ import annotations

import tomllib
from functools import lru_cache
from importlib.resources import files

__all__ = ["constants"]


@lru_cache(maxsize=1)
def constants() -> dict[str, dict[str, float]]:
    """Measured constants of ``orientation.toml``, section by section."""
    text = files("audit.measure").joinpath("orientation.toml").read_text(encoding="utf-8")
    return {section: {name: float(value) for name, value in table.items()}
            for section, table in tomllib.loads(text).items()}
