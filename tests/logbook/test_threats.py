"""The page of threats names tests that exist."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_every_test_named_among_the_threats_exists() -> None:
    page = (ROOT / "docs" / "threats.md").read_text()
    named = re.findall(r"`(tests/[\w/]+\.py)(?:::(\w+))?`", page)
    assert len(named) > 20
    missing = [
        f"{path}::{name}"
        for path, name in named
        if not (ROOT / path).is_file() or (name and f"def {name}(" not in (ROOT / path).read_text())
    ]
    assert missing == []


def test_every_attack_names_a_test_that_shows_it() -> None:
    page = (ROOT / "docs" / "threats.md").read_text()
    rows = [line for line in page.partition("## Attacks")[2].partition("\n## ")[0].splitlines() if line.startswith("| ")]
    attacks = [row.strip("| ").split(" | ") for row in rows[1:]]
    assert len(attacks) >= 20
    assert [cells for cells in attacks if len(cells) != 4 or "`tests/" not in cells[3]] == []
