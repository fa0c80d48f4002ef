"""The page on plan files names every column that is read, and no other."""

from __future__ import annotations

import re
from pathlib import Path

from audit.plan.landmarks import LANDMARK_COLUMNS
from audit.plan.model import PURPOSE_PX_PER_M
from audit.plan.rows import CAMERA_COLUMNS, TARGET_COLUMNS

PAGE = (Path(__file__).parents[2] / "docs" / "plan.md").read_text(encoding="utf-8")
OPTIONAL = {"agreed_bearing_deg", "agreed_pitch_deg", "agreed_roll_deg", "agreed_note", "infrared_range_m", "weight_kg",
            "thread"}  # fmt: skip


def test_every_column_is_told() -> None:
    told = set(re.findall(r"`([a-z0-9_]+)`", PAGE))
    read = set(CAMERA_COLUMNS) | set(TARGET_COLUMNS) | set(LANDMARK_COLUMNS) | OPTIONAL
    assert read <= told, read - told
    columns = {word for word in told if word.endswith(("_m", "_deg", "_px", "_mm", "_kg", "_px_per_m"))}
    assert columns <= read, columns - read


def test_levels_are_those_of_the_program() -> None:
    row = next(line for line in PAGE.splitlines() if line.startswith("| px/m"))
    assert [float(cell) for cell in row.split("|")[2:-1]] == list(PURPOSE_PX_PER_M.values())
