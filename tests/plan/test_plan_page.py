"""The page on plan files is made from the columns, and names every one that is read and no other."""

from __future__ import annotations

import re
from pathlib import Path

from audit.plan.columns import CAMERAS, LANDMARKS, OPTIONAL, TARGETS
from audit.plan.model import PURPOSE_PX_PER_M
from audit.plan.page import with_tables

PAGE = (Path(__file__).parents[2] / "docs" / "plan.md").read_text(encoding="utf-8")


def test_the_tables_are_those_of_the_program() -> None:
    assert with_tables(PAGE) == PAGE, "write the page anew: python -m audit.plan.page"


def test_every_column_is_told() -> None:
    told = set(re.findall(r"`([a-z0-9_]+)`", PAGE))
    read = {c.key for c in (*CAMERAS, *TARGETS, *LANDMARKS)} | set(OPTIONAL)
    assert read <= told, read - told
    columns = {word for word in told if word.endswith(("_m", "_deg", "_px", "_mm", "_kg", "_px_per_m"))}
    assert columns <= read, columns - read


def test_levels_are_those_of_the_program() -> None:
    row = next(line for line in PAGE.splitlines() if line.startswith("| px/m"))
    assert [float(cell) for cell in row.split("|")[2:-1]] == list(PURPOSE_PX_PER_M.values())
